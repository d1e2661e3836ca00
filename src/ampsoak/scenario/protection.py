"""Limits, and the settings of the limit curve."""

from __future__ import annotations

import math

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import describe
from ampsoak.scenario.cables import LaidCable
from ampsoak.scenario.case import Boundary, Conductor, CurveSettings, DeviceChoice, Limit, Part, RelayChoice, Start
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model import ScenarioFile
from ampsoak.scenario.model_case import LimitKeys
from ampsoak.scenario.quantities import BY_USER

TOLERANCE = "0.1 K"
COUNT = 24
HORIZON = "24 h"


def limits_of(
    document: ScenarioFile,
    parts: tuple[Part, ...],
    conductors: tuple[Conductor, ...],
    cables: list[LaidCable],
    findings: Findings,
) -> tuple[Limit, ...]:
    """Return the limits given, or those of the cables where none is given."""
    names = [part.name for part in parts]
    found = []
    for index, keys in enumerate(document.limit):
        if keys is not None:
            where = _limited_parts(keys, ("limit", index), parts, conductors, findings)
            source = keys.source or keys.temperature.source or BY_USER
            found.append(Limit(keys.name, keys.temperature.value, where, source, bool(keys.damage)))
    if findings.has(("limit",)):
        return tuple(found)
    grouped: dict[tuple[float, str], list[int]] = {}
    for cable in cables:
        limit = cable.entry.continuous_limit
        if math.isnan(limit.typical):
            continue
        loaded = [f"{cable.keys.name}.{core.name}" for core in cable.entry.cores if core.loaded]
        grouped.setdefault((limit.typical, limit.source), []).extend(
            names.index(name) for name in loaded if name in names
        )
        findings.assume(
            f'no limit given: cable "{cable.keys.name}" held to its continuous conductor temperature of '
            f"{describe(limit.typical, 'temperature')} ({limit.source})"
        )
    return tuple(
        Limit(f"continuous {describe(temperature, 'temperature')}", temperature, tuple(where), source)
        for (temperature, source), where in grouped.items()
    )


def _limited_parts(keys: LimitKeys, path: Path, parts, conductors, findings: Findings) -> tuple[int, ...]:
    names = [part.name for part in parts]
    if keys.parts is not None and keys.role is not None:
        findings.fault((*path, "role"), "has no place beside parts")
    if keys.parts is not None:
        for place, name in enumerate(keys.parts):
            if name not in names and names:
                findings.fault((*path, "parts", place), "no such part", nearest_name(name, names))
        return tuple(names.index(name) for name in keys.parts if name in names)
    if keys.role is not None:
        found = tuple(index for index, part in enumerate(parts) if part.role == keys.role)
        if not found and parts:
            roles = sorted({part.role for part in parts})
            findings.fault((*path, "role"), f"no part has this role; there are {', '.join(roles)}")
        return found
    if not conductors and not findings.has(("cable",)) and not findings.has(("drawing", "conductor")):
        findings.fault(path, "there are no conductors; name the parts it holds for")
    findings.assume(f"limit[{path[1]}] holds for all conductors")
    return tuple(conductor.part for conductor in conductors)


def check_limits(
    document: ScenarioFile,
    limits: tuple[Limit, ...],
    parts: tuple[Part, ...],
    boundaries: tuple[Boundary, ...],
    start: Start,
    findings: Findings,
) -> None:
    """Record a fault for each limit that lies below the start temperature or below all surroundings."""
    ambient = [
        table.at(0.0)
        for boundary in boundaries
        for table in (boundary.temperature, boundary.surroundings)
        if table is not None
    ]
    ambient += [part.air.temperature.at(0.0) for part in parts if part.air is not None and part.air.temperature is not None]
    coolest = min(ambient, default=-math.inf)
    given = [index for index, keys in enumerate(document.limit) if keys is not None] or [None] * len(limits)
    for index, limit in zip(given, limits, strict=True):
        path = ("limit",) if index is None else ("limit", index, "temperature")
        begin = [parts[number].start_temperature or start.temperature for number in limit.parts]
        hottest = max(begin, default=-math.inf) if start.kind == "cold" else -math.inf
        name = f'limit "{limit.name}" '
        if limit.temperature <= coolest:
            findings.fault(
                path, f"{name}must be above the surroundings, {describe(coolest, 'temperature')} at the coolest"
            )
        elif limit.temperature <= hottest:
            findings.fault(path, f"{name}must be above the start temperature, {describe(hottest, 'temperature')}")


def curve_of(
    document: ScenarioFile,
    circuits: list[str],
    devices: tuple[DeviceChoice | RelayChoice, ...],
    start: Start,
    start_of,
    findings: Findings,
) -> CurveSettings | None:
    """Return the settings of the limit curve, None where the scenario asks for none.

    Parameters
    ----------
    document : ScenarioFile
    circuits : list of str      circuit names in order
    devices : tuple
    start : Start               start state of the run, taken where the curve states none
    start_of : callable         (keys with a start state, path, key of its temperature) to Start
    findings : Findings
    """
    keys = document.curve
    if keys is None:
        return None
    path: Path = ("curve",)
    circuit = 0
    if keys.circuit is not None:
        if keys.circuit in circuits:
            circuit = circuits.index(keys.circuit)
        else:
            findings.fault((*path, "circuit"), "no such circuit", nearest_name(keys.circuit, circuits))
    elif len(circuits) == 1:
        findings.assume(f'curve.circuit not given: "{circuits[0]}" taken, the only one')
    else:
        findings.missing((*path, "circuit"), "name one of " + ", ".join(circuits or ["the circuits, once given"]))
    here = [device for device in devices if not circuits or device.circuit in ("", circuits[circuit])]
    lowest, highest = _range(document, here, path, findings)
    if keys.count is None:
        findings.assume(f"curve.count not given: {COUNT} currents before refinement")
    own = keys.start_temperature is not None or keys.soaked_at is not None
    if not own:
        findings.assume("curve: start state not given: that of the run taken")
    return CurveSettings(
        circuit,
        lowest,
        highest,
        keys.count or COUNT,
        findings.take(keys.horizon, (*path, "horizon"), "time", HORIZON, "a buried cable soaks for hours"),
        findings.take(keys.tolerance, (*path, "tolerance"), "temperature_difference", TOLERANCE, "usual accuracy"),
        start_of(keys, path, "start_temperature") if own else start,
    )


def _range(document: ScenarioFile, devices, path: Path, findings: Findings) -> tuple[float, float]:
    """Lowest and highest current of the curve [A]."""
    keys, fault = document.curve, document.fault_current
    ratings = [device.rating for device in devices if device.rating > 0]
    lowest = highest = math.nan
    if keys.lowest is not None or ratings:
        reason = "half the smallest device rating"
        lowest = findings.take(keys.lowest, (*path, "lowest"), "current", min(ratings, default=0.0) / 2, reason)
    elif not findings.has(("device",)) and not findings.has(("relay",)):
        findings.missing((*path, "lowest"), "without a device rating nothing tells it")
    if keys.highest is not None or fault is not None:
        reason = "the prospective fault current"
        highest = findings.take(keys.highest, (*path, "highest"), "current", fault.value if fault else 0.0, reason)
    elif not findings.has(("fault_current",)):
        findings.missing((*path, "highest"), "give it, or fault_current")
    if highest <= lowest:
        findings.fault((*path, "highest"), f"must be greater than the lowest current, {describe(lowest, 'current')}")
    return lowest, highest
