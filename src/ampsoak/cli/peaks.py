"""The peaks command: what is reached at opening and after it, at several constant currents with the devices in the loop."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder, ScenarioFile
from ampsoak.cli.progress import peaks_progress
from ampsoak.cli.solving import read_scenario, say_compiling
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.scenario.case import Scenario
    from ampsoak.study.peaks import Peaks

SUMMARY, TABLE, FIGURE = "peaks.json", "peaks.csv", "peak_temperature"


def peaks(
    talk: Talk,
    scenario: ScenarioFile,
    current: Annotated[
        list[str] | None,
        typer.Option(metavar="CURRENT", help='A current to follow, "30 A"; repeat for several.', show_default="spread over the curve"),
    ] = None,
    count: Annotated[int | None, typer.Option(min=2, max=200, help="How many currents are spread.", show_default="10")] = None,
    device: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Only this device; repeat for several in series.", show_default="all, in series"),
    ] = None,
    output: OptionalFolder = None,
    force: Force = False,
) -> None:
    """Follow constant currents with the devices in the loop: peak temperature against current; with -o figure and table.

    Example: ampsoak peaks case.toml -o peaks
    """
    case = read_scenario(scenario)
    if current and count:
        raise UsageError("--count says how many currents are spread; with --current they are given")
    files = [] if output is None else [output / SUMMARY, output / TABLE, *deliverables.figure_files(output, (FIGURE,))]
    from ampsoak.study.peaks import COUNT, peak_currents, peaks_after_opening

    devices = _devices(case, device, scenario)
    currents = _currents(current) if current else peak_currents(case, count or COUNT, devices)
    if output is not None:
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting(files, force)
        talk.targets += files[:2]
    _say_cost(talk, case, len(currents))
    say_compiling(talk)
    kept = _Kept(output, force)
    with peaks_progress(talk) as progress:
        found = peaks_after_opening(case, currents, devices, progress=progress, done=kept.save)
    kept.save(found, complete=True)
    if output is not None:
        _write_figure(output, found, force)
        say_written(talk, files)
    _give(talk, found, files)


def _currents(given: list[str]) -> list[float]:
    from ampsoak.base.units import QuantityError, quantity

    found = []
    for words in given:
        try:
            found.append(quantity(words, "current"))
        except QuantityError as error:
            raise UsageError(f'--current "{words}": {error}') from error
    return found


def _devices(case: Scenario, names: list[str] | None, path: Path):
    known = [device.name for device in case.devices]
    for name in names or ():
        if name not in known:
            nearest = nearest_name(name, known)
            hint = f'; did you mean "{nearest}"?' if nearest else ""
            raise UsageError(f'{path} names no device "{name}"; there are {", ".join(known)}{hint}')
    return [device for device in case.devices if not names or device.name in names]


def _say_cost(talk: Talk, case: Scenario, count: int) -> None:
    from ampsoak.coverage.words import time_words
    from ampsoak.study.estimate import estimate

    # one jump up, and up to three coolings, each about a member of the limit curve
    members = max(case.curve.count, 1)
    each = 4.0 * float(estimate(case)["expected_seconds_curve"]) / members
    talk.say(f"{count} current{'s' * (count > 1)}, each with every edge followed: about {time_words(each * count)}.")


class _Kept:
    """What is known by now, in the folder."""

    def __init__(self, folder: Path | None, force: bool):
        self.folder, self.force = folder, force

    def save(self, found: Peaks, complete: bool = False) -> None:
        """Write summary and table; an interrupt then loses only the current in work."""
        if self.folder is None:
            return
        from ampsoak.report.peaks import peak_table
        from ampsoak.report.tables import write_table

        deliverables.write_summary(self.folder / SUMMARY, summary(found, complete), self.force)
        write_table(self.folder / TABLE, peak_table(found), self.force)
        self.force = True


def summary(found: Peaks, complete: bool) -> dict:
    """Everything found, for programs."""
    from ampsoak.report.words import CAUTIONS

    units = {"time": "s", "temperature": "K", "current": "A"}
    return {"complete": complete, "units": units, "cautions": list(CAUTIONS)} | found.to_dict()


def _margin(found: Peaks) -> str:
    from ampsoak.report.words import NO_RUN_ID

    digest = found.provenance["inputs_sha256"].get(found.scenario_file or "scenario", "")
    identity = f"scenario sha256 {digest[:16]}" if digest else NO_RUN_ID
    return "   ".join(word for word in (identity, f"ampsoak {found.provenance['software_version']}", found.scenario_file) if word)


def _write_figure(folder: Path, found: Peaks, force: bool) -> None:
    from ampsoak.report.peaks import drawn_table, peak_figure

    sheet = deliverables.Sheet(FIGURE, lambda: peak_figure(found, _margin(found)), lambda: drawn_table(found))
    deliverables.write_sheets(folder, [sheet], force)


def _give(talk: Talk, found: Peaks, files: list[Path]) -> None:
    from ampsoak.report.peaks import peak_rows
    from ampsoak.report.words import CAUTION_LINE, joined_words

    many = len(found.current)
    loop = f"{joined_words(found.devices)} in the loop at {many} constant current{'s' * (many > 1)}"
    lines = [
        found.title,
        f"  circuit {found.circuit}, {found.start_description}; {loop}",
        "",
        "Highest over all currents, after the opening too:",
        *columns(peak_rows(found)),
        *(f"Note: {note}." for note in found.notes),
        "",
        f"Caution: {CAUTION_LINE}",
    ]
    talk.result(lines, summary(found, True) | {"files": files}, bold=[0, 3])
