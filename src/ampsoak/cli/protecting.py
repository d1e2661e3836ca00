"""The protect command: the current history with the scenario's devices in the loop, and with none."""

from __future__ import annotations

import time as clock
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
    from ampsoak.coverage.protected import EdgeOutcome, ProtectedRun, Reached
    from ampsoak.scenario.case import Scenario
    from ampsoak.scenario.device_case import DeviceChoice, Reclosing, RelayChoice

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
    circuit: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Devices of this circuit; others carry the whole history.", show_default="theirs"),
    ] = None,
    reclose_after: Annotated[
        str | None,
        typer.Option(metavar="TIME", help='Close again so long after opening, "5 min".', show_default="as the scenario says"),
    ] = None,
    attempts: Annotated[
        int | None, typer.Option(min=1, help="How often at most it is closed again.", show_default="1")
    ] = None,
) -> None:
    """Step the current history with the devices in the loop: what opens when, and what is reached; with -o the files.

    Example: ampsoak protect case.toml -o out --reclose-after "5 min" --attempts 2
    """
    asked = _reclosing(reclose_after, attempts)
    case = read_scenario(scenario)
    devices = _chosen_devices(case, device, scenario)
    name = _circuit(case, devices, circuit, scenario)
    devices = tuple(one for one in devices if one.circuit in ("", name))
    reclose = asked if asked is not None else of_circuit(case.reclosing, name)
    if output is not None:
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting(deliverables.protected_files(output), force)
    found, files = follow(talk, case, devices, name, reclose, output, force)
    say_written(talk, files)
    give_protected(talk, found, payload_of(found, case) | {"files": files})


def follow(
    talk: Talk, case: Scenario, devices, circuit: str, reclose: Reclosing | None, output: Path | None, force: bool
) -> tuple[ProtectedRun, list[Path]]:
    """Follow the history with ``devices`` in the loop, and write the files where there is a folder for them."""
    say_compiling(talk)
    from ampsoak.coverage.words import time_words
    from ampsoak.runfile.read import open_run
    from ampsoak.study.protection import protected_run

    target = None if output is None else output / deliverables.PROTECTED_RECORD
    if target is not None:
        talk.targets.append(target)
    began = clock.monotonic()
    with protected_progress(talk) as progress:
        found = protected_run(
            case, devices, reclose=reclose, circuit=circuit, path=target, force=force, progress=progress
        )
    talk.say(f"Devices in the loop: {time_words(clock.monotonic() - began)}.")
    if target is None:
        return found, []
    files = deliverables.write_protected_files(output, found, open_run(target), payload_of(found, case), force)
    return found, [target, *files]


def payload_of(found: ProtectedRun, case: Scenario) -> dict:
    """The result for programs, with units, cautions and where it comes from."""
    from ampsoak.report.words import CAUTIONS
    from ampsoak.study.model import provenance_of

    return found.to_dict() | {
        "units": _UNITS,
        "cautions": list(CAUTIONS),
        "assumptions": list(case.assumptions),
        "scenario_file": case.source_file,
        "provenance": provenance_of(case),
    }


def give_protected(talk: Talk, found: ProtectedRun, payload: dict) -> None:
    """Print the plain answer, or the payload as JSON."""
    lines = answer(found)
    bold = [number for number, line in enumerate(lines) if number == 0 or line.endswith(":") and not line.startswith(" ")]
    talk.result(lines, payload, bold)


def _circuit(case: Scenario, devices, asked: str | None, path: Path) -> str:
    """Name of the circuit that is followed."""
    from ampsoak.base.errors import UsageError
    from ampsoak.study.protection import circuit_of_devices

    name = case.circuits[circuit_of_devices(case, devices, asked)].name
    if not any(one.circuit in ("", name) for one in devices):
        raise UsageError(f'{path} names no device in circuit "{name}"')
    return name


def of_circuit(reclose: Reclosing | None, circuit: str) -> Reclosing | None:
    """Re-closing of the scenario, None where it is for another circuit."""
    return reclose if reclose is not None and reclose.circuit in ("", circuit) else None


def _reclosing(after: str | None, attempts: int | None) -> Reclosing | None:
    """How an opened device is closed again, None where it stays open."""
    from ampsoak.base.units import quantity
    from ampsoak.scenario.device_case import Reclosing

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


def _chosen_devices(case: Scenario, names: list[str] | None, path: Path) -> tuple[DeviceChoice | RelayChoice, ...]:
    """Devices of ``case`` called ``names``, in the scenario's order; all where None."""
    if not case.devices:
        raise UsageError(f"{path} names no device, so nothing opens; add a [[device]] or [[relay]]")
    known = [device.name for device in case.devices]
    unknown = [name for name in names or () if name not in known]
    if unknown:
        nearest = nearest_name(unknown[0], known)
        hint = f'; did you mean "{nearest}"?' if nearest else ""
        named = ", ".join(f'"{name}"' for name in unknown)
        raise UsageError(f"{path} names no device {named}; there are {', '.join(known)}{hint}")
    return tuple(device for device in case.devices if not names or device.name in names)


def answer(found: ProtectedRun) -> list[str]:
    """The plain answer, with its title and the caution."""
    from ampsoak.report.words import CAUTION_LINE

    return [found.title, *answer_lines(found), "", f"Caution: {CAUTION_LINE}"]


def answer_lines(found: ProtectedRun) -> list[str]:
    """What opens when, and what limited parts had reached then and reach at most, one line per edge."""
    from ampsoak.report.protected import WITHOUT, edge_name, opening_words
    from ampsoak.report.words import joined_words

    series = "in series, upstream first: " if len(found.devices) > 1 else ""
    lines = [
        f"  circuit {found.circuit}; {series}{joined_words(found.devices)}",
        "",
        "What opens:",
        *columns([(edge_name(edge), opening_words(edge) + _stays_open(edge, found)) for edge in found.edges]),
    ]
    for heading, parts, limits in _groups(found):
        rows = [("", "when it opens", "in the whole course", "limits passed" if limits else "")]
        for edge in found.edges:
            rows.append((edge_name(edge), *_cells(found, edge.at_opening, edge.reached, parts, limits, edge)))
        rows.append((WITHOUT, *_cells(found, None, found.without, parts, limits)))
        lines += ["", heading, *columns(rows)]
    notes = [*(note for edge in found.edges for note in edge.notes), *found.notes]
    if notes:
        lines += ["", *(f"Note: {note}." for note in dict.fromkeys(notes))]
    return lines


def _stays_open(edge: EdgeOutcome, found: ProtectedRun) -> str:
    """Why it was not closed again although that was asked for; empty where it was, or was not asked for."""
    from math import isfinite

    operating, reclose = edge.operating, found.reclosing
    if reclose is None or operating.opens is None or isfinite(operating.unknown_from):
        return ""
    if any(operation.kind == "closes" for operation in operating.operations):
        return ""
    if reclose.after(operating.opens.time, 0) >= found.duration:
        return "; the history ends before it is closed again"
    return "; it cannot be closed again"


def _groups(found: ProtectedRun) -> list[tuple[str, tuple[int, ...], tuple[int, ...]]]:
    """What is told of: heading, parts, and numbers of the limits that hold for just these parts; conductors first."""
    limits: dict[frozenset[int], list[int]] = {frozenset(found.conductors): []} if found.conductors else {}
    for number, limit in enumerate(found.limits):
        parts = frozenset(found.part_names.index(name) for name in limit["parts"])
        limits.setdefault(parts, []).append(number)
    groups = []
    for parts, numbers in limits.items():
        what = "Hottest conductor" if parts == frozenset(found.conductors) else (
            "Hottest place under " + " and ".join(f'"{found.limits[number]["name"]}"' for number in numbers)
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
