"""The check command: is the scenario sound, what does it mean, what will it cost."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder, ScenarioFile
from ampsoak.cli.solving import read_scenario
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.scenario.case import Scenario
    from ampsoak.scenario.device_case import DeviceChoice, Reclosing, RelayChoice


def check(talk: Talk, scenario: ScenarioFile, output: OptionalFolder = None, force: Force = False) -> None:
    """Check a scenario and mesh it without solving: part areas, cells, cost, assumptions; with -o a picture.

    Example: ampsoak check case.toml -o preview
    """
    case = read_scenario(scenario)
    if output is not None:
        planned = deliverables.figure_files(output, deliverables.PREVIEW)
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting(planned, force)
    from ampsoak.study.estimate import estimate, section_record

    expected = estimate(case)
    files: list[Path] = []
    if output is not None:
        files = deliverables.write_preview(output, section_record(case), case.title, force)
        say_written(talk, files)
    for warning in expected["warnings"]:
        talk.warn(f"Note: {warning}.")
    lines = _lines(scenario, case, expected)
    bold = [number for number, line in enumerate(lines) if number == 0 or line.endswith(":") and not line.startswith(" ")]
    talk.result(lines, _payload(scenario, case, expected) | {"files": files}, bold)


def _lines(path: Path, case: Scenario, expected: dict) -> list[str]:
    from ampsoak.coverage.words import temperature_words, time_words

    nx, ny = expected["grid"]
    size = f"{1e3 * case.width:.4g} mm by {1e3 * case.height:.4g} mm"
    lines = [
        case.title,
        f"{path} is sound; nothing was solved.",
        "",
        f"Section: {size}" + (f", {case.depth_note}" if case.depth_note else ""),
        f"Mesh: {nx} by {ny} = {expected['cells']} cells, finest side {1e3 * expected['finest_cell']:.2g} mm",
        "",
        "Parts, with their area as drawn and on the mesh:",
        *columns(_part_rows(case, expected), right=(3, 4, 5)),
        "",
        "Currents:",
        *(
            f"  {circuit.name}: up to {max(*circuit.profile.start, *circuit.profile.stop):.4g} A over "
            f"{time_words(circuit.profile.duration)}"
            for circuit in case.circuits
        ),
        "Limits:",
        *(
            f"  {limit.name}: {temperature_words(limit.temperature)} in {_parts_words(case, limit.parts)} ({limit.source})"
            for limit in case.limits
        ),
    ]
    if case.devices:
        lines += ["Devices:", *(f"  {device.name}: {_device_words(device)}" for device in case.devices)]
    if case.load_points:
        lines += ["Drawn in ordinary service:"]
        lines += [f"  {one.name}: {one.current:g} A for {time_words(one.duration)} ({one.source})" for one in case.load_points]
    if case.reclosing is not None:
        lines.append(f"Closed again: {_reclosing_words(case.reclosing)}")
    lines += [
        "",
        "Cost to expect, roughly:",
        f"  history {_duration(expected['expected_seconds_run'])}"
        + (", as long again with devices in the loop" if case.devices else "")
        + (f", limit curve {_duration(expected['expected_seconds_curve'])} of one core" if case.curve else ""),
        f"  memory {_bytes(expected['expected_memory_bytes'])}, run file {_bytes(expected['expected_file_bytes'])}",
        "",
    ]
    if case.assumptions:
        lines += ["Assumed, because it was not given:", *(f"  {words}" for words in case.assumptions)]
    else:
        lines.append("Nothing had to be assumed.")
    return lines


def _part_rows(case: Scenario, expected: dict) -> list[tuple[str, ...]]:
    rows = [("part", "role", "material", "drawn", "mesh", "differs")]
    for part in case.parts:
        exact, mesh = expected["part_areas"][part.name]
        differs = f"{100 * (mesh / exact - 1):+.2f} %".replace("-0.00", "0.00").replace("+0.00", "0.00") if exact > 0 else "-"
        rows.append((part.name, part.role, part.material.name, _area(exact), _area(mesh), differs))
    return rows


def _area(area: float) -> str:
    """Area [m²] with four figures."""
    return f"{1e6 * area:.4g} mm²" if area < 1e-3 else f"{1e4 * area:.4g} cm²"


def _parts_words(case: Scenario, parts: tuple[int, ...]) -> str:
    return ", ".join(case.parts[part].name for part in parts)


def _device_words(device: DeviceChoice | RelayChoice) -> str:
    from ampsoak.scenario.device_case import DeviceChoice

    where = f", in {device.circuit}" if device.circuit else ""
    if not isinstance(device, DeviceChoice):
        return f"relay set to {device.pickup:g} A, curve {device.curve}, setting {device.setting:g}{where} ({device.source})"
    if device.standard == "points":
        return f"by points{where} ({device.source})"
    rating = f"{device.rating:g} A"
    air = f", in air of {device.ambient - 273.15:.0f} °C" if device.ambient is not None else ""
    return " ".join(word for word in (device.standard, device.type, rating) if word) + where + air


def _reclosing_words(reclosing: Reclosing) -> str:
    from ampsoak.coverage.words import time_words

    if reclosing.times:
        return f"at {', '.join(map(time_words, reclosing.times))}"
    if reclosing.delays:
        return f"{', '.join(map(time_words, reclosing.delays))} after each opening in turn"
    return f"{time_words(reclosing.delay)} after opening, at most {reclosing.attempts} time{'s' * (reclosing.attempts > 1)}"


def _duration(seconds: float) -> str:
    from ampsoak.coverage.words import time_words

    return "less than a second" if seconds < 1 else f"about {time_words(seconds)}"


def _bytes(count: float) -> str:
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= size:
            return f"{count / size:.0f} {unit}"
    return f"{count:.0f} bytes"


def _payload(path: Path, case: Scenario, expected: dict) -> dict:
    from ampsoak.coverage.plain import plain

    return {
        "scenario": path,
        "title": case.title,
        "sound": True,
        "width": case.width,
        "height": case.height,
        "estimate": expected
        | {"part_areas": {name: {"drawn": area[0], "mesh": area[1]} for name, area in expected["part_areas"].items()}},
        "circuits": [
            {"name": circuit.name, "duration": circuit.profile.duration} for circuit in case.circuits
        ],
        "limits": [
            {
                "name": limit.name, "temperature": limit.temperature - 273.15,
                "parts": [case.parts[part].name for part in limit.parts], "source": limit.source,
            }
            for limit in case.limits
        ],
        "devices": [
            {
                "name": device.name, "standard": getattr(device, "standard", ""), "rating": device.rating,
                "type": getattr(device, "type", None) or getattr(device, "curve", ""), "circuit": device.circuit,
            }
            for device in case.devices
        ],
        "load_points": [plain(point) for point in case.load_points],
        "reclosing": None if case.reclosing is None else plain(case.reclosing),
        "limit_curve": case.curve is not None,
        "assumptions": list(case.assumptions),
    }
