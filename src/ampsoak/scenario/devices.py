"""Devices, relays, load points and re-closing out of the models."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path as FilePath

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import describe
from ampsoak.library import load as library
from ampsoak.library.devices import DeviceFamily
from ampsoak.scenario.csvlog import read_columns
from ampsoak.scenario.device_case import (
    DeviceChoice,
    LetThrough,
    LoadPoint,
    Reclosing,
    RelayChoice,
    motor_start,
    transformer_inrush,
)
from ampsoak.scenario.drawn_edges import crossing_of, edges_of_line, line_source, look_swapped
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model import ScenarioFile
from ampsoak.scenario.model_devices import CURVES_WITH_RESET, RELAY_CURVES, DeviceKeys, LoadPointKeys, RelayKeys
from ampsoak.scenario.quantities import BY_USER, Pairs

EDGE_KEYS = ("fast", "slow", "fast_csv", "slow_csv")
LINE_KEYS = ("line", "line_csv")
TOLERANCES = ("current_tolerance", "time_tolerance")
ELECTRONIC = "electronic"
RELAY_TOLERANCE, RELAY_THRESHOLD = 0.05, 1.1


def devices_of(
    document: ScenarioFile, circuits: list[str], folder: FilePath, findings: Findings
) -> tuple[DeviceChoice | RelayChoice, ...]:
    """Return devices and relays in the order in which they stand in the file.

    Parameters
    ----------
    document : ScenarioFile
    circuits : list of str    circuit names in order
    folder : pathlib.Path     where files named are sought
    findings : Findings
    """
    found: list[tuple[int, DeviceChoice | RelayChoice]] = []
    for kind, build in (("device", _device), ("relay", _relay)):
        for index, keys in enumerate(getattr(document, kind)):
            if keys is not None:
                path: Path = (kind, index)
                circuit = _circuit(keys.circuit, path, circuits, findings)
                made = build(keys, path, circuit, folder, findings)
                if made is not None:
                    found.append((findings.line(path) or 0, made))
    both = findings.names(("device",)) & findings.names(("relay",))
    for index, item in findings.tables(("relay",)):
        if item.get("name") in both:
            findings.fault(("relay", index, "name"), "is the name of a device too; names must differ")
    return tuple(made for _, made in sorted(found, key=lambda entry: entry[0]))


def _circuit(given: str | None, path: Path, circuits: list[str], findings: Findings) -> str:
    """Circuit in which something stands; "" where nothing is written, which in a scenario of one circuit says enough."""
    if given is None:
        return ""
    if given not in circuits and given not in findings.names(("circuit",)):
        findings.fault((*path, "circuit"), "no such circuit", nearest_name(given, circuits))
    return given


def _device(keys: DeviceKeys, path: Path, circuit: str, folder: FilePath, findings: Findings) -> DeviceChoice | None:
    by_points = [key for key in (*EDGE_KEYS, *LINE_KEYS) if findings.has((*path, key))]
    more = {
        "circuit": circuit,
        "magnetic": _hold_and_trip(keys.magnetic, (*path, "magnetic"), findings),
        "breaking_capacity": None if keys.breaking_capacity is None else keys.breaking_capacity.value,
        "let_through": _let_through(keys, path, findings),
    }
    for key in TOLERANCES:
        if findings.has((*path, key)) and not any(entry in LINE_KEYS for entry in by_points):
            findings.fault((*path, key), "belongs to one drawn line; give its points as line or line_csv")
    if findings.has((*path, "standard")) and by_points:
        findings.fault((*path, "standard"), f"has no place beside {by_points[0]}; name a standard or give points")
    elif by_points:
        return _by_points(keys, path, folder, more, findings)
    elif keys.standard is not None:
        return _by_standard(keys, path, more, findings)
    elif not findings.has((*path, "standard")):
        findings.fault(
            path,
            "has no data: give standard, type and rating, or the points of its fast and slow edge, or one line with a tolerance",
        )
    return None


def _hold_and_trip(keys, path: Path, findings: Findings) -> tuple[float, float] | None:
    if keys is None:
        return None
    hold, trip = keys.hold.value, keys.trip.value
    if trip <= hold:
        findings.fault((*path, "trip"), "must be greater than hold")
    return hold, trip


def _let_through(keys: DeviceKeys, path: Path, findings: Findings) -> LetThrough | None:
    given = keys.let_through
    if given is None:
        return None
    path = (*path, "let_through")
    if given.energy_class is not None:
        for key in ("energy", "current"):
            if findings.has((*path, key)):
                findings.fault((*path, key), "has no place beside energy_class, whose table says it")
        if not findings.has((*path[:-1], "breaking_capacity")):
            findings.fault(path, "an energy class goes with the breaking capacity; give breaking_capacity too")
        capacity = keys.breaking_capacity
        current = capacity.value if capacity is not None else float("nan")
        return LetThrough(current=current, energy_class=given.energy_class, source=given.source or "energy class")
    for key in ("energy", "current"):
        findings.missing((*path, key), "a let-through is stated as an energy at a prospective current, or by energy_class")
    if given.energy is None or given.current is None:
        return None
    source = given.source or given.energy.source or BY_USER
    return LetThrough(given.energy.value, given.current.value, source=source)


def _by_standard(keys: DeviceKeys, path: Path, more: dict, findings: Findings) -> DeviceChoice:
    type_, rating = keys.type or "", 0.0 if keys.rating is None else keys.rating.value
    standard = keys.standard
    try:
        family = library.device_family(standard)
    except KeyError:
        known = list(library.device_standards())
        nearest = nearest_name(standard, known)
        findings.fault((*path, "standard"), f"no data for this standard; there are {', '.join(known)}", nearest)
        return DeviceChoice(keys.name, standard, type_, rating, **more)
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
    if keys.opening_time is not None and family.kind != "relay":
        findings.fault((*path, "opening_time"), f"the times of {standard} end with the current; leave it out")
    more["opening_time"] = 0.0 if keys.opening_time is None else keys.opening_time.value
    more["ambient"] = _ambient(keys, path, family, type_, findings)
    return DeviceChoice(keys.name, standard, type_, rating, source=family.source, **more)


def _ambient(keys: DeviceKeys, path: Path, family: DeviceFamily, type_: str, findings: Findings) -> float | None:
    """Air at a device of a standard [K]; None is the reference of its data."""
    known = type_ in family.types and keys.rating is not None and keys.rating.value in family.ratings
    modelled = known and bool(family.thermal_images(keys.rating.value, type_))
    reference = family.reference_ambient.typical
    if keys.ambient is None:
        if modelled:
            findings.assume(
                f'device "{keys.name}": ambient not given: {describe(reference, "temperature")} taken, for which its data hold'
            )
        return None
    if known and not modelled:
        findings.fault((*path, "ambient"), f"there is no law for the air at a device of {family.standard}; leave it out")
    return keys.ambient.value


def _by_points(keys: DeviceKeys, path: Path, folder: FilePath, more: dict, findings: Findings) -> DeviceChoice:
    if keys.ambient is not None:
        findings.fault((*path, "ambient"), "points hold for the air they were taken in; leave it out")
    source, nominal = keys.source or BY_USER, ()
    if any(findings.has((*path, key)) for key in LINE_KEYS):
        beside = next((key for key in EDGE_KEYS if findings.has((*path, key))), None)
        if beside is not None:
            findings.fault((*path, beside), "has no place beside one line; give two edges, or the line with its tolerance")
        nominal = _points(keys, path, "line", folder, findings)
        shares = [0.0 if getattr(keys, key) is None else getattr(keys, key).value for key in TOLERANCES]
        if not any(findings.has((*path, key)) for key in TOLERANCES) or shares == [0.0, 0.0]:
            findings.fault(
                (*path, "line"),
                "a single line says neither the earliest nor the latest time; give its current_tolerance or time_tolerance",
            )
        fast, slow = edges_of_line(nominal, *shares)
        source = line_source(source, *shares)
    else:
        fast, slow = (_points(keys, path, edge, folder, findings) for edge in ("fast", "slow"))
        _check_crossing(fast, slow, path, findings)
    if keys.start_state is None:
        findings.assume(f'device "{keys.name}": start_state not given: points taken from cold')
    rating = 0.0 if keys.rating is None else keys.rating.value
    more["opening_time"] = 0.0 if keys.opening_time is None else keys.opening_time.value
    return DeviceChoice(
        keys.name, "points", keys.type or "", rating, fast, slow, start_state=keys.start_state or "cold", source=source,
        nominal=nominal, **more,
    )  # fmt: skip


def _check_crossing(fast, slow, path: Path, findings: Findings) -> None:
    """Record a fault where the fast edge is the later one; silent where an edge has faults of its own."""
    sound = all(points and all(b[1] <= a[1] for a, b in pairwise(points)) for points in (fast, slow))
    crossed = crossing_of(fast, slow) if sound else None
    if crossed is None:
        return
    where = (*path, "fast" if findings.has((*path, "fast")) else "fast_csv")
    if math.isnan(crossed):
        findings.fault(where, "has no current in common with the slow edge")
    else:
        findings.fault(where, f"crosses the slow edge: at {describe(crossed, 'current')} it is the later one")


def _points(keys: DeviceKeys, path: Path, edge: str, folder: FilePath, findings: Findings):
    """Points of one edge or line, from the file itself or a CSV file beside it; () where there are none to use."""
    given = [key for key in (edge, f"{edge}_csv") if findings.has((*path, key))]
    if len(given) != 1:
        if given:
            findings.fault((*path, edge), f"has no place beside {edge}_csv; keep one")
        else:
            findings.missing((*path, edge), f"give the points of the {edge} edge")
        return ()
    pairs = getattr(keys, edge) if given[0] == edge else _points_file(keys, path, f"{edge}_csv", folder, findings)
    points = tuple(zip(pairs.first, pairs.second, strict=True)) if pairs and pairs.ok else ()
    for index in range(1, len(points)):
        if points[index][1] > points[index - 1][1]:
            where = (*path, edge, index, 1) if given[0] == edge else (*path, given[0])
            findings.fault(where, "times must not rise with the current; are current and time swapped?")
            break
    return points


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
    if len(current) and look_swapped(current, time, keys.rating.value if keys.rating else 0.0):
        found.fault(0, "current_column", "currents and times look swapped; are current_column and time_column the right ones?")
        return None
    for index in range(len(current)):
        for column, values in (("current_column", current), ("time_column", time)):
            if values[index] <= 0:
                found.fault(index, column, "must be greater than 0")
        if index and current[index] <= current[index - 1]:
            found.fault(index, "current_column", "each current must be greater than the one before it")
    if len(current) < 2 and not found.faults:
        findings.fault((*path, key, "file"), "holds fewer than two points")
    return Pairs(tuple(current), tuple(time)) if not found.faults else None


def _relay(keys: RelayKeys, path: Path, circuit: str, folder: FilePath, findings: Findings) -> RelayChoice:
    curve = RELAY_CURVES[keys.curve]
    wanted, other = ("time_at_six", "setting") if curve == ELECTRONIC else ("setting", "time_at_six")
    if findings.has((*path, other)):
        findings.fault((*path, other), f"has no place with this curve; give {wanted} instead")
    what = "time at six times the pickup" if curve == ELECTRONIC else "time multiplier or time dial"
    findings.missing((*path, wanted), f"the curve needs its {what}")
    setting = getattr(keys, wanted)
    instantaneous = _hold_and_trip(keys.instantaneous, (*path, "instantaneous"), findings)
    if instantaneous and keys.instantaneous.hold.value <= keys.pickup.value:
        findings.fault(
            (*path, "instantaneous", "hold"), f"must be greater than the pickup, {describe(keys.pickup.value, 'current')}"
        )
    reset = keys.reset
    if reset is None:
        findings.assume(f'relay "{keys.name}": reset not given: at once taken')
        reset = "instant"
    if reset == "instant" and keys.reset_time is not None:
        findings.fault((*path, "reset_time"), 'has no place with an instant reset; give reset = "curve" or "memory"')
    elif reset == "memory" or (reset == "curve" and curve not in CURVES_WITH_RESET):
        why = "a memory needs its time constant" if reset == "memory" else "no standard fixes it for this curve"
        findings.missing((*path, "reset_time"), why)
    for key, default in (("tolerance", RELAY_TOLERANCE), ("threshold", RELAY_THRESHOLD)):
        if getattr(keys, key) is None and curve != ELECTRONIC:
            findings.assume(f'relay "{keys.name}": {key} not given: {default:g} taken, the usual declaration of makers')
    return RelayChoice(
        name=keys.name,
        pickup=keys.pickup.value,
        curve=curve,
        setting=float("nan") if setting is None else setting.value,
        reset=reset,
        reset_time=0.0 if keys.reset_time is None else keys.reset_time.value,
        threshold=RELAY_THRESHOLD if keys.threshold is None else keys.threshold.value,
        tolerance=RELAY_TOLERANCE if keys.tolerance is None else keys.tolerance.value,
        instantaneous=instantaneous,
        opening_time=0.0 if keys.opening_time is None else keys.opening_time.value,
        source=keys.source or "settings given by the user",
        circuit=circuit,
        breaking_capacity=None if keys.breaking_capacity is None else keys.breaking_capacity.value,
    )


def load_points_of(document: ScenarioFile, circuits: list[str], findings: Findings) -> tuple[LoadPoint, ...]:
    """Return what loads draw in ordinary service; a transformer or motor gives two points each."""
    found: list[LoadPoint] = []
    for index, keys in enumerate(document.load_point):
        if keys is None:
            continue
        path: Path = ("load_point", index)
        circuit = _circuit(keys.circuit, path, circuits, findings)
        given = [key for key in ("current", "transformer", "motor") if findings.has((*path, key))]
        if len(given) != 1:
            findings.fault(path, "needs exactly one of current with duration, transformer and motor")
        elif given[0] == "current":
            findings.missing((*path, "duration"), "how long is the current drawn?")
            sound = all(value is not None and value.ok for value in (keys.current, keys.duration))
            if sound:
                source = keys.source or keys.current.source or BY_USER
                found.append(LoadPoint(keys.name, keys.current.value, keys.duration.value, source, circuit))
        else:
            if findings.has((*path, "duration")):
                findings.fault((*path, "duration"), f"has no place beside {given[0]}, which says it by rule")
            found += _by_rule(keys, circuit)
    return tuple(found)


def _by_rule(keys: LoadPointKeys, circuit: str) -> tuple[LoadPoint, ...]:
    if keys.transformer is not None and keys.transformer.full_load.ok:
        return transformer_inrush(keys.transformer.full_load.value, keys.name, circuit)
    if keys.motor is not None and keys.motor.full_load.ok and keys.motor.start_time.ok:
        asked = keys.motor.multiple
        if asked is None or asked.ok:
            multiple = {} if asked is None else {"multiple": asked.value}
            named = {"name": keys.name, "circuit": circuit}
            return motor_start(keys.motor.full_load.value, keys.motor.start_time.value, **multiple, **named)
    return ()


def reclosing_of(document: ScenarioFile, circuits: list[str], findings: Findings) -> Reclosing | None:
    """Return how opened devices are closed again, None where the scenario does not say."""
    keys = document.reclosing
    if keys is None:
        return None
    path: Path = ("reclosing",)
    circuit = _circuit(keys.circuit, path, circuits, findings)
    if not findings.names(("device",)) and not findings.names(("relay",)):
        findings.fault(path, "there is no device to close again; give a [[device]] or [[relay]]")
    given = [key for key in ("delay", "delays", "times") if findings.has((*path, key))]
    if len(given) != 1:
        findings.fault(path, "needs exactly one of delay, delays and times")
        return None
    if given[0] != "delay" and findings.has((*path, "attempts")):
        findings.fault((*path, "attempts"), f"has no place beside {given[0]}, which says how often")
    if given[0] == "delay":
        if keys.delay is None or not keys.delay.ok:
            return None
        if keys.attempts is None and not findings.has((*path, "attempts")):
            findings.assume("reclosing.attempts not given: once taken")
        return Reclosing(keys.delay.value, keys.attempts or 1, circuit=circuit)
    values = getattr(keys, given[0])
    if values is None or not all(value.ok for value in values):
        return None
    moments = tuple(value.value for value in values)
    if given[0] == "delays":
        return Reclosing(delays=moments, circuit=circuit)
    for index, (before, after) in enumerate(pairwise(moments), 1):
        if not after > before:
            findings.fault((*path, "times", index), "each time must be greater than the one before it")
            return None
    return Reclosing(times=moments, circuit=circuit)
