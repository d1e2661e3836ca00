"""Limits, devices, and the settings of the limit curve."""

from __future__ import annotations

import math
from pathlib import Path as FilePath

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import describe
from ampsoak.library import load as library
from ampsoak.scenario.cables import LaidCable
from ampsoak.scenario.case import Boundary, Conductor, CurveSettings, DeviceChoice, Limit, Part, Start
from ampsoak.scenario.csvlog import read_columns
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model import ScenarioFile
from ampsoak.scenario.model_case import DeviceKeys, LimitKeys
from ampsoak.scenario.quantities import BY_USER, Pairs

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
            found.append(Limit(keys.name, keys.temperature.value, where, source))
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


def devices_of(document: ScenarioFile, folder: FilePath, findings: Findings) -> tuple[DeviceChoice, ...]:
    """Return the devices, by standard or by points."""
    found = []
    for index, keys in enumerate(document.device):
        if keys is None:
            continue
        path: Path = ("device", index)
        by_points = [key for key in ("fast", "slow", "fast_csv", "slow_csv") if findings.has((*path, key))]
        magnetic = _magnetic(keys, path, findings)
        if findings.has((*path, "standard")) and by_points:
            findings.fault((*path, "standard"), f"has no place beside {by_points[0]}; name a standard or give points")
        elif by_points:
            found.append(_by_points(keys, path, folder, magnetic, findings))
        elif keys.standard is not None:
            found.append(_by_standard(keys, path, magnetic, findings))
        elif not findings.has((*path, "standard")):
            findings.fault(path, "has no data: give standard, type and rating, or the points of its fast and slow edge")
    return tuple(found)


def _magnetic(keys: DeviceKeys, path: Path, findings: Findings) -> tuple[float, float] | None:
    if keys.magnetic is None:
        return None
    hold, trip = keys.magnetic.hold.value, keys.magnetic.trip.value
    if trip <= hold:
        findings.fault((*path, "magnetic", "trip"), "must be greater than hold")
    return hold, trip


def _by_standard(keys: DeviceKeys, path: Path, magnetic, findings: Findings) -> DeviceChoice:
    type_, rating = keys.type or "", 0.0 if keys.rating is None else keys.rating.value
    standard = keys.standard
    try:
        family = library.device_family(standard)
    except KeyError:
        known = list(library.device_standards())
        nearest = nearest_name(standard, known)
        findings.fault((*path, "standard"), f"no data for this standard; there are {', '.join(known)}", nearest)
        return DeviceChoice(keys.name, standard, type_, rating)
    standard = family.standard
    if not type_ and len(family.types) == 1:
        type_ = family.types[0]
    elif type_ not in family.types:
        allowed = ", ".join(f'"{known}"' for known in family.types)
        if type_:
            findings.fault((*path, "type"), f"{standard} has {allowed}", nearest_name(type_, family.types))
        else:
            findings.missing((*path, "type"), f"{standard} has {allowed}")
    if keys.rating is None:
        findings.missing((*path, "rating"), "a device of a standard needs it")
    elif keys.rating.ok and rating not in family.ratings:
        allowed = ", ".join(f"{known:g}" for known in family.ratings)
        findings.fault((*path, "rating"), f"no data for this rating; {standard} has {allowed} A")
    for key in ("start_state", "source"):
        if getattr(keys, key) is not None:
            findings.fault((*path, key), "has no place beside standard, which states its own")
    return DeviceChoice(keys.name, standard, type_, rating, magnetic=magnetic, source=family.source)


def _by_points(keys: DeviceKeys, path: Path, folder: FilePath, magnetic, findings: Findings) -> DeviceChoice:
    edges = {}
    for edge in ("fast", "slow"):
        given = [key for key in (edge, f"{edge}_csv") if findings.has((*path, key))]
        if len(given) != 1:
            if given:
                findings.fault((*path, edge), f"has no place beside {edge}_csv; keep one")
            else:
                findings.missing((*path, edge), f"give the points of the {edge} edge")
            edges[edge] = ()
            continue
        pairs = getattr(keys, edge) if given[0] == edge else _points_file(keys, path, f"{edge}_csv", folder, findings)
        edges[edge] = tuple(zip(pairs.first, pairs.second, strict=True)) if pairs and pairs.ok else ()
        for index in range(1, len(edges[edge])):
            if edges[edge][index][1] > edges[edge][index - 1][1]:
                where = (*path, edge, index, 1) if given[0] == edge else (*path, given[0])
                findings.fault(where, "times must not rise with the current; are current and time swapped?")
                break
    if keys.start_state is None:
        findings.assume(f'device "{keys.name}": start_state not given: points taken from cold')
    return DeviceChoice(
        keys.name,
        "points",
        keys.type or "",
        0.0 if keys.rating is None else keys.rating.value,
        edges["fast"],
        edges["slow"],
        magnetic,
        keys.start_state or "cold",
        keys.source or BY_USER,
    )


def _points_file(keys: DeviceKeys, path: Path, key: str, folder: FilePath, findings: Findings) -> Pairs | None:
    table = getattr(keys, key)
    if table is None:
        return None
    columns = {
        "current_column": (table.current_column, table.current_unit, "current", "current_unit"),
        "time_column": (table.time_column, table.time_unit, "time", "time_unit"),
    }
    found = read_columns(table.file, folder, columns, (*path, key), findings)
    if found is None:
        return None
    current, time = found.values["current_column"], found.values["time_column"]
    for index in range(len(current)):
        for column, values in (("current_column", current), ("time_column", time)):
            if values[index] <= 0:
                found.fault(index, column, "must be greater than 0")
        if index and current[index] <= current[index - 1]:
            found.fault(index, "current_column", "each current must be greater than the one before it")
    if len(current) < 2 and not found.faults:
        findings.fault((*path, key, "file"), "holds fewer than two points")
    return Pairs(tuple(current), tuple(time)) if not found.faults else None


def curve_of(
    document: ScenarioFile,
    circuits: list[str],
    devices: tuple[DeviceChoice, ...],
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
    lowest, highest = _range(document, devices, path, findings)
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
    elif not findings.has(("device",)):
        findings.missing((*path, "lowest"), "without a device rating nothing tells it")
    if keys.highest is not None or fault is not None:
        reason = "the prospective fault current"
        highest = findings.take(keys.highest, (*path, "highest"), "current", fault.value if fault else 0.0, reason)
    elif not findings.has(("fault_current",)):
        findings.missing((*path, "highest"), "give it, or fault_current")
    if highest <= lowest:
        findings.fault((*path, "highest"), f"must be greater than the lowest current, {describe(lowest, 'current')}")
    return lowest, highest
