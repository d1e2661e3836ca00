"""The select command: of two devices in series, which opens at which current. It solves nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder
from ampsoak.cli.reading import Basis, open_curve, stored_devices
from ampsoak.cli.solving import read_scenario
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.coverage.selectivity import SelectiveInterval, Selectivity

SUMMARY, TABLE, FIGURE = "selectivity.json", "selectivity.csv", "selectivity_bands"
VERDICT_WORDS = {
    "selective": "selective",
    "not_selective": "not selective",
    "overlapping": "overlapping",
    "neither_opens": "neither opens",
    "unknown": "unknown",
}


def select(
    talk: Talk,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Scenario, or limit curve file (.h5).", show_default=False)],
    upstream: Annotated[
        str | None, typer.Option(metavar="NAME", help="Device nearer the supply.", show_default="every pair in series")
    ] = None,
    downstream: Annotated[
        str | None, typer.Option(metavar="NAME", help="Device nearer the load.", show_default="every pair in series")
    ] = None,
    lowest: Annotated[
        str | None, typer.Option(metavar="CURRENT", help="Compared from here.", show_default="half the smaller rating")
    ] = None,
    highest: Annotated[
        str | None, typer.Option(metavar="CURRENT", help="Compared up to here.", show_default="the prospective fault current")
    ] = None,
    grading: Annotated[
        str | None, typer.Option(metavar="TIME", help="Margin between their times.", show_default="none")
    ] = None,
    basis: Annotated[
        Basis | None, typer.Option(help="Edges read; our model or the given points.", show_default=False)
    ] = None,
    output: OptionalFolder = None,
    force: Force = False,
) -> None:
    """Tell of two devices in series which opens at which current; with -o also as files.

    Example: ampsoak select case.toml --upstream main --downstream breaker --grading "0.3 s"
    """
    from ampsoak.coverage.relays import curve_of_choice
    from ampsoak.coverage.selectivity import selectivity
    from ampsoak.report.words import CAUTION_LINE, CAUTIONS

    title, devices, fault = _subject(file)
    pairs = _pairs(file, devices, upstream, downstream)
    margin = _quantity("--grading", grading, "time") or 0.0
    low, high = _quantity("--lowest", lowest, "current"), _quantity("--highest", highest, "current") or fault
    if high is None:
        raise UsageError(f"{file} states no fault_current, so say with --highest up to which current they are compared")
    if output is not None:
        deliverables.prepare_folder(output)
        planned = [output / SUMMARY, output / TABLE, *deliverables.figure_files(output, (FIGURE,))]
        deliverables.refuse_overwriting(planned, force)
    edges = None if basis is None else basis.value
    found, curves = [], []
    for upper, lower in pairs:
        built = [curve_of_choice(device) for device in (upper, lower)]
        begin = low or min((curve.rating for curve in built if curve.rating > 0), default=2.0 * high / 1e3) / 2.0
        found.append((selectivity(*built, begin, high, basis=edges, grading=margin), lower.circuit))
        curves.append(built)
    payload = {
        "units": {"time": "s", "current": "A"},
        "title": title,
        "pairs": [_record(asked, circuit) for asked, circuit in found],
        "cautions": list(CAUTIONS),
    }
    files: list[Path] = []
    if output is not None:
        files = _write(output, payload, found, curves, edges, (title, file.name, fault), force)
        say_written(talk, files)
    lines = [title]
    for asked, circuit in found:
        lines += ["", *_lines(asked, circuit)]
    bold = [number for number, line in enumerate(lines) if number == 0 or line.endswith(":") and not line.startswith(" ")]
    talk.result([*lines, "", f"Caution: {CAUTION_LINE}"], payload | {"files": files}, bold)


def _subject(file: Path):
    """Title, devices, and prospective fault current [A] or None, of a scenario or of a stored limit curve."""
    from math import isfinite

    if file.suffix == ".h5":
        curve = open_curve(file)
        return curve.title, stored_devices(curve), curve.fault_current if isfinite(curve.fault_current) else None
    case = read_scenario(file)
    return case.title, case.devices, case.fault_current


def _pairs(file: Path, devices, upstream: str | None, downstream: str | None):
    """The pair asked for, or every pair in series."""
    from ampsoak.coverage.selectivity import pairs_in_series

    if (upstream is None) != (downstream is None):
        raise UsageError("--upstream and --downstream go together; leave both out for every pair in series")
    if upstream is None:
        pairs = pairs_in_series(devices)
        if not pairs:
            raise UsageError(f"{file} names no two devices in one circuit; name two with --upstream and --downstream")
        return pairs
    known = {device.name: device for device in devices}
    for name in (upstream, downstream):
        if name not in known:
            nearest = nearest_name(name, known)
            hint = f'; did you mean "{nearest}"?' if nearest else ""
            raise UsageError(f'{file} names no device "{name}"; there are {", ".join(known) or "none"}{hint}')
    if upstream == downstream:
        raise UsageError("--upstream and --downstream name the same device")
    return ((known[upstream], known[downstream]),)


def _quantity(option: str, given: str | None, dimension: str) -> float | None:
    """Value of an option in SI, None where it is not given."""
    from ampsoak.base.units import quantity

    if given is None:
        return None
    try:
        value = quantity(given, dimension)
    except UsageError as error:
        raise UsageError(f'{option} "{given}": {error}') from error
    if value < 0.0 or (value == 0.0 and dimension == "current"):
        raise UsageError(f'{option} "{given}": must be greater than 0')
    return value


def _lines(found: Selectivity, circuit: str) -> list[str]:
    from math import isfinite

    from ampsoak.coverage.selectivity import meaning_words
    from ampsoak.coverage.words import current_words, time_words

    margin = f", {time_words(found.grading)} apart" if found.grading else ""
    where = f" in circuit {circuit}" if circuit else ""
    rows = [
        (_range(interval, number == 0), VERDICT_WORDS[interval.verdict], meaning_words(found, interval))
        for number, interval in enumerate(found.intervals)
    ]
    first = next((one.verdict for one in found.intervals if one.verdict != "neither_opens"), "neither_opens")
    limit = {
        "unknown": "No data at the lowest currents that may open either: up to where it is selective is not known.",
        "neither_opens": "Neither opens at any current compared.",
    }.get(first, "Not selective at the lowest currents that open either.")
    if isfinite(found.limit_current):
        limit = f"Selective from the lowest current that opens either up to {current_words(found.limit_current)}."
    return [f'"{found.upper}" above "{found.lower}"{where}{margin}:', *columns(rows), f"  {limit}"]


def _range(interval: SelectiveInterval, first: bool) -> str:
    from ampsoak.coverage.words import range_words

    *low, high = range_words(interval.low, interval.high)
    return f"at about {high}" if not low else f"up to {high}" if first else f"{low[0]} to {high}"


def _record(found: Selectivity, circuit: str) -> dict:
    from ampsoak.coverage.plain import plain

    return {"circuit": circuit, **plain(found), "text": found.text}


def _write(folder: Path, payload: dict, found, curves, basis: str | None, subject, force: bool) -> list[Path]:
    """Write summary, table, and the figure of the bands with what it shows."""
    from math import nan

    from ampsoak import __version__
    from ampsoak.report import selectivity
    from ampsoak.report.figures import selectivity_figure
    from ampsoak.report.tables import write_table

    title, name, fault = subject
    asked, devices = [one for one, _ in found], selectivity.drawn_devices(curves, basis)
    sheet = deliverables.Sheet(
        FIGURE,
        lambda: selectivity_figure(asked, devices, title, f"ampsoak {__version__}   {name}", nan if fault is None else fault),
        lambda: selectivity.band_table(asked, devices),
    )
    written = [deliverables.write_summary(folder / SUMMARY, payload, force)]
    written.append(write_table(folder / TABLE, selectivity.interval_table(found), force))
    return [*written, *deliverables.write_sheets(folder, [sheet], force)]
