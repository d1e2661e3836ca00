"""The protect command: the current history with the scenario's devices in the loop, and with none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder, ScenarioFile
from ampsoak.cli.progress import protected_progress
from ampsoak.cli.solving import read_scenario, say_compiling
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.coverage.operating import Reclosing
    from ampsoak.scenario.case import DeviceChoice, Scenario
    from ampsoak.study.protection import EdgeOutcome, ProtectedRun, Reached

_UNITS = {"time": "s", "temperature": "K", "current": "A"}


def protect(
    talk: Talk,
    scenario: ScenarioFile,
    output: OptionalFolder = None,
    force: Force = False,
    device: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Only this device; repeat for several in series.", show_default="all, in series"),
    ] = None,
    reclose_after: Annotated[
        str | None,
        typer.Option(metavar="TIME", help='Close again so long after opening, "5 min".', show_default="stays open"),
    ] = None,
    attempts: Annotated[
        int | None, typer.Option(min=1, help="How often at most it is closed again.", show_default="1")
    ] = None,
) -> None:
    """Step the current history with the devices in the loop: what opens when, and what is reached; with -o the files.

    Example: ampsoak protect case.toml -o out --reclose-after "5 min" --attempts 2
    """
    reclose = _reclosing(reclose_after, attempts)
    case = read_scenario(scenario)
    devices = _chosen_devices(case, device, scenario)
    if output is not None:
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting(deliverables.protected_files(output), force)
    say_compiling(talk)
    from ampsoak.report.words import CAUTIONS
    from ampsoak.study.model import provenance_of
    from ampsoak.study.protection import protected_run

    with protected_progress(talk) as progress:
        found = protected_run(case, devices, reclose=reclose, progress=progress)
    payload = found.to_dict() | {
        "units": _UNITS,
        "cautions": list(CAUTIONS),
        "reclosing": None if reclose is None else {"delay": reclose.delay, "attempts": reclose.attempts},
        "assumptions": list(case.assumptions),
        "scenario_file": case.source_file,
        "provenance": provenance_of(case),
    }
    files: list[Path] = []
    if output is not None:
        files = deliverables.write_protected_files(output, found, case, payload, force)
        say_written(talk, files)
    lines = answer(found, case, reclose)
    bold = [number for number, line in enumerate(lines) if number == 0 or line.endswith(":") and not line.startswith(" ")]
    talk.result(lines, payload | {"files": files}, bold)


def _reclosing(after: str | None, attempts: int | None) -> Reclosing | None:
    """How an opened device is closed again, None where it stays open."""
    from ampsoak.base.units import quantity
    from ampsoak.coverage.operating import Reclosing

    if after is None:
        if attempts is not None:
            raise UsageError("--attempts says how often it is closed again; say after how long with --reclose-after")
        return None
    try:
        delay = quantity(after, "time")
    except UsageError as error:
        raise UsageError(f'--reclose-after "{after}": {error}') from error
    if delay <= 0.0:
        raise UsageError(f'--reclose-after "{after}": a time longer than nothing is needed, for example "5 min"')
    return Reclosing(delay=delay, attempts=attempts or 1)


def _chosen_devices(case: Scenario, names: list[str] | None, path: Path) -> tuple[DeviceChoice, ...]:
    """Devices of ``case`` called ``names``, in the scenario's order; all where None."""
    if not case.devices:
        raise UsageError(f"{path} names no device, so nothing opens; add a [[device]]")
    known = [device.name for device in case.devices]
    unknown = [name for name in names or () if name not in known]
    if unknown:
        nearest = nearest_name(unknown[0], known)
        hint = f'; did you mean "{nearest}"?' if nearest else ""
        named = ", ".join(f'"{name}"' for name in unknown)
        raise UsageError(f"{path} names no device {named}; there are {', '.join(known)}{hint}")
    return tuple(device for device in case.devices if not names or device.name in names)


def answer(found: ProtectedRun, case: Scenario, reclose: Reclosing | None = None) -> list[str]:
    """The plain answer: what opens when, and what limited parts had reached then and reach at most, one line per edge."""
    from ampsoak.report.protected import WITHOUT, edge_name, opening_words
    from ampsoak.report.words import CAUTION_LINE, joined_words

    series = "in series, upstream first: " if len(found.devices) > 1 else ""
    lines = [
        found.title,
        f"  circuit {found.circuit}; {series}{joined_words(found.devices)}",
        "",
        "What opens:",
        *columns([(edge_name(edge), opening_words(edge) + _stays_open(edge, case, reclose)) for edge in found.edges]),
    ]
    for heading, parts, limits in _groups(found, case):
        rows = [("", "when it opens", "in the whole course", "limits passed" if limits else "")]
        for edge in found.edges:
            rows.append((edge_name(edge), *_cells(found, edge.at_opening, edge.reached, parts, limits, edge)))
        rows.append((WITHOUT, *_cells(found, None, found.without, parts, limits)))
        lines += ["", heading, *columns(rows)]
    notes = [*(note for edge in found.edges for note in edge.notes), *found.notes]
    if notes:
        lines += ["", *(f"Note: {note}." for note in dict.fromkeys(notes))]
    return [*lines, "", f"Caution: {CAUTION_LINE}"]


def _stays_open(edge: EdgeOutcome, case: Scenario, reclose: Reclosing | None) -> str:
    """Why it was not closed again although that was asked for; empty where it was, or was not asked for."""
    from math import isfinite

    operating = edge.operating
    if reclose is None or operating.opens is None or isfinite(operating.unknown_from):
        return ""
    if any(operation.kind == "closes" for operation in operating.operations):
        return ""
    if reclose.after(operating.opens.time, 0) >= case.run.duration:
        return "; the history ends before it is closed again"
    return "; it cannot be closed again"


def _groups(found: ProtectedRun, case: Scenario) -> list[tuple[str, tuple[int, ...], tuple[int, ...]]]:
    """What is told of: heading, parts, and numbers of the limits that hold for just these parts; conductors first."""
    limits: dict[frozenset[int], list[int]] = {frozenset(found.conductors): []} if found.conductors else {}
    for number, limit in enumerate(case.limits):
        limits.setdefault(frozenset(limit.parts), []).append(number)
    groups = []
    for parts, numbers in limits.items():
        what = "Hottest conductor" if parts == frozenset(found.conductors) else (
            "Hottest place under " + " and ".join(f'"{case.limits[number].name}"' for number in numbers)
        )
        name = f", {found.part_names[next(iter(parts))]}" if len(parts) == 1 else ""
        groups.append((f"{what}{name}:", tuple(sorted(parts)), tuple(numbers)))
    return groups


def _cells(
    found: ProtectedRun, at_opening, reached: Reached | None, parts, limits, edge: EdgeOutcome | None = None
) -> tuple[str, str, str]:
    """Temperature at the opening, highest one, and limits passed, for the hottest of ``parts`` on one course."""
    from math import isfinite

    from ampsoak.coverage.words import temperature_words
    from ampsoak.report.protected import peak_words
    from ampsoak.report.words import joined_words

    if reached is None:
        return "unknown", "unknown", "unknown" if limits else ""
    then = "-"
    if at_opening is not None and any(isfinite(at_opening[part]) for part in parts):
        part = max((part for part in parts if isfinite(at_opening[part])), key=lambda part: at_opening[part])
        named = f" ({found.part_names[part]})" if len(parts) > 1 else ""
        then = f"{temperature_words(float(at_opening[part]))}{named}"
    opened = edge.operating.opens.time if edge is not None and edge.operating.opens is not None else None
    passed = [_passed(found, number, float(reached.limit_time[number]), opened) for number in limits]
    words = joined_words(word for word in passed if word) or "none"
    return then, peak_words(found, reached, parts), words if limits else ""


def _passed(found: ProtectedRun, number: int, time: float, opened: float | None) -> str:
    """When a limit was passed, and whether before or after the opening; empty if it was not."""
    from math import isinf

    from ampsoak.coverage.words import time_words
    from ampsoak.report.words import limit_words

    if isinf(time):
        return ""
    side = "" if opened is None else ", before it opens" if time <= opened else ", after it has opened"
    return f"{limit_words(found.limits[number])} after {time_words(time)}{side}"
