"""A plausible case made without the solver: a flat 2.5 mm² cable in a fibre-filled wall, as a ladder of heat stores.

The numbers only have to look like a real case and hold the awkward things: a knee, a current with no steady state, a part that
never warms, conductors that share one line.
"""

from __future__ import annotations

import functools

import numpy as np

from ampsoak.coverage.compare import cover
from ampsoak.runfile.records import Curve, Event, Run, SectionRecord
from ampsoak.runfile.write import MemoryRecorder, RunHeader, record_hash
from ampsoak.scenario.case import DeviceChoice
from ampsoak.scenario.shapes import Circle, Rectangle, Stadium

AMBIENT = 293.15
CENTRE = (0.200, 0.057)
PARTS = [
    ("fill", "fill", "mineral fibre, 20 kg/m³"), ("room board", "board", "gypsum board"), ("outer board", "board", "OSB"),
    ("left stud", "framing", "softwood"), ("right stud", "framing", "softwood"), ("cable.jacket", "jacket", "PVC"),
    ("cable.line.insulation", "insulation", "PVC"), ("cable.neutral.insulation", "insulation", "PVC"),
    ("cable.line", "conductor", "copper"), ("cable.neutral", "conductor", "copper"), ("cable.earth", "conductor", "copper"),
]
LIMITS = [
    {"name": "PVC, lasting use 70 °C", "temperature": 343.15, "parts": ["cable.line.insulation"], "source": "IEC 60364-5-52"},
    {"name": "PVC, short circuit 160 °C", "temperature": 433.15, "parts": ["cable.line.insulation"], "source": "IEC 60364-5-54"},
]
# ladder: heat capacities [J/(m K)] and resistances to the next store [K m/W]: conductors, covering, near fill, bay
STORES = np.array([17.0, 75.0, 60.0, 160.0])
PATHS = np.array([0.45, 3.4, 4.6, 3.2])
NAMES = ["cable.line", "cable.neutral", "cable.earth"]


def _shapes():
    x, y = CENTRE
    return [
        ("room board", Rectangle(0, 0, 0.4, 0.0125)), ("outer board", Rectangle(0, 0.1015, 0.4, 0.1125)),
        ("left stud", Rectangle(0, 0.0125, 0.0225, 0.1015)), ("right stud", Rectangle(0.3775, 0.0125, 0.4, 0.1015)),
        ("cable.jacket", Stadium(x, y, 0.0103, 0.0056)),
        ("cable.line.insulation", Circle(x - 0.0029, y, 0.0017)), ("cable.neutral.insulation", Circle(x + 0.0029, y, 0.0017)),
        ("cable.line", Circle(x - 0.0029, y, 0.00089)), ("cable.neutral", Circle(x + 0.0029, y, 0.00089)),
        ("cable.earth", Circle(x, y, 0.00069)),
    ]


def _graded(centre: float, end: float, fine: float) -> np.ndarray:
    lines, step = [0.0], fine
    while lines[-1] < end:
        lines.append(lines[-1] + step)
        step *= 1.15 if lines[-1] > 0.007 else 1.0
    offsets = np.array(lines)
    both = np.concatenate([centre - offsets[::-1], centre + offsets[1:]])
    return np.concatenate([[0.0], both[(both > 0.0005) & (both < end - 0.0005)], [end]])


@functools.cache
def section() -> SectionRecord:
    x, y = _graded(CENTRE[0], 0.4, 0.00035), _graded(CENTRE[1], 0.1125, 0.00035)
    names = [name for name, _, _ in PARTS]
    middle_x, middle_y = np.meshgrid((x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2)
    index = np.zeros(middle_x.shape, dtype=np.int16)
    exact = np.zeros(len(names))
    exact[0] = 0.4 * 0.1125
    for name, shape in _shapes():
        index[shape.contains(middle_x, middle_y)] = names.index(name)
        exact[names.index(name)] = shape.area
    for inner, outer in (("cable.line", 6), ("cable.neutral", 7), ("cable.earth", 5)):
        exact[outer] -= exact[names.index(inner)]
    exact[5] -= sum(exact[k] + exact[k + 2] for k in (6, 7))
    exact[0] -= exact[1:].sum()
    return SectionRecord(
        x_edges=x, y_edges=y, part_index=index, part_names=names, part_roles=[role for _, role, _ in PARTS],
        part_materials=[material for _, _, material in PARTS],
        outlines=[(name, shape.outline()) for name, shape in _shapes()], part_area_exact=exact,
        part_area_mesh=exact * (1 + 1e-3 * np.sin(np.arange(len(names)))),
    )


def heat(current, conductor):
    """Joule heat of line and neutral together [W/m]."""
    return 2 * current**2 * 7.41e-3 * (1 + 0.00393 * (conductor - 293.15))


def march(current, times: np.ndarray) -> np.ndarray:
    """Store temperatures (n_times, 4, n) [K] at constant or given currents; implicit steps between ``times``."""
    current = np.atleast_1d(np.asarray(current, dtype=float))
    state = np.full((4, current.shape[-1]), AMBIENT)
    kept = [state.copy()]
    matrix = np.zeros((4, 4))
    for row in range(4):
        matrix[row, row] += 1 / PATHS[row]
        if row < 3:
            matrix[row, row + 1] -= 1 / PATHS[row]
            matrix[row + 1, row] -= 1 / PATHS[row]
            matrix[row + 1, row + 1] += 1 / PATHS[row]
    for number, step in enumerate(np.diff(times)):
        now = current[number] if current.ndim == 2 else current
        for _ in range(3):
            load = np.zeros_like(state)
            load[0] = heat(now, np.minimum(state[0], 3000.0))
            load[3] += AMBIENT / PATHS[3]
            state = np.linalg.solve(np.diag(STORES / (step / 3)) + matrix, STORES[:, None] / (step / 3) * state + load)
        kept.append(state.copy())
    return np.stack(kept)


@functools.cache
def curve(case: str = "wall") -> Curve:
    currents = np.unique(np.concatenate([np.geomspace(10, 1000, 24), np.geomspace(14.5, 22, 14)]))
    time = np.concatenate([[0.0], np.geomspace(0.01, 1e5, 400)])
    stores = march(currents, time)
    conductor, covering = stores[:, 0], stores[:, 0] * 0.97 + stores[:, 1] * 0.03
    outcome, reached = [], []
    total = PATHS.sum()
    steady_heat = 2 * currents**2 * 7.41e-3
    grows = steady_heat * 0.00393 * total >= 1
    with np.errstate(divide="ignore", invalid="ignore"):
        steady = np.where(grows, np.nan, AMBIENT + steady_heat * total / (1 - steady_heat * 0.00393 * total))
    for limit in LIMITS:
        row, when = [], []
        for member in range(len(currents)):
            if conductor[-1, member] > limit["temperature"]:
                row.append(0)
                when.append(float(np.exp(np.interp(limit["temperature"], conductor[1:, member], np.log(time[1:])))))
            else:
                row.append(1 if np.isfinite(steady[member]) and steady[member] < limit["temperature"] else 2)
                when.append(np.inf)
        outcome.append(row)
        reached.append(when)
    stopped = conductor > 700.0
    history = np.where(stopped, np.nan, conductor).T
    parts = np.stack([
        {"fill": stores[:, 1], "jacket": stores[:, 1], "conductor": conductor, "insulation": covering}.get(role, stores[:, 3])
        for _, role, _ in PARTS
    ])
    result = Curve(
        title="2.5 mm² flat twin and earth in a filled stud wall, kitchen radial", circuit="kitchen radial", current=currents,
        limits=LIMITS, time_to_limit=np.array(reached), outcome=np.array(outcome, dtype=np.int8), steady=~grows,
        steady_temperature=np.stack([steady, steady, np.where(grows, np.nan, steady - 4)]), history_time=time,
        conductor_names=NAMES, conductor_temperature=np.stack([history, history, history - 4]),
        part_names=[name for name, _, _ in PARTS], part_maximum=np.where(stopped, np.nan, parts).transpose(0, 2, 1),
        start_description="cold at 20 °C", start_temperature=np.full(3, AMBIENT), adiabatic_k=115e6, adiabatic_area=2.5e-6,
        adiabatic_limit="from 70 to 160 °C", fault_current=1500.0, horizon=1e5, section=section(),
        statistics={"cells": 4000}, scenario_text="format = 1\n", scenario_file="kitchen_radial_filled_wall.toml",
        provenance={"software_version": "0.1.0"},
    )
    result.canonical_hash = record_hash(result)
    return result


DEVICES = {
    "breaker": DeviceChoice("B20 breaker", "IEC 60898-1", "B", 20.0),
    "fuse": DeviceChoice("gG fuse", "IEC 60269", "gG", 20.0),
    "american": DeviceChoice("branch breaker", "UL 489", "thermal-magnetic", 20.0),
    "points": DeviceChoice(
        "drawn breaker", "points", rating=20.0, fast=((24.0, 1200.0), (60.0, 5.0), (100.0, 1.0)),
        slow=((30.0, 3000.0), (60.0, 40.0), (100.0, 9.0)), source="maker's sheet",
    ),
}


@functools.cache
def coverage(*names: str):
    return cover(curve(), [DEVICES[name] for name in names or ("breaker",)])


@functools.cache
def run(limits: str = "plain") -> Run:
    time = np.concatenate([[0.0], np.geomspace(0.5, 60, 20), np.arange(90, 5 * 3600 + 1, 30.0)])
    time = np.unique(np.concatenate([time, [3600.0, 3600.5, 9000.0, 9000.5, 10800.0, 10800.5]]))
    profile = np.select([time <= 3600, time <= 9000, time <= 10800], [14.0, 26.0, 34.0], 6.0)
    stores = march(profile[1:, None], time)[:, :, 0]
    chosen = [limit | ({"damage": True} if limits == "damage" and "160" in limit["name"] else {}) for limit in LIMITS]
    header = RunHeader(
        title="2.5 mm² flat twin and earth in a filled stud wall, kitchen radial, one evening", section=section(),
        circuit_names=["kitchen radial"], conductor_names=NAMES,
        probe_names=["room face, opposite the cable", "heat to the room"], probe_units=["K", "W m-1"], limits=chosen,
        scenario_text="format = 1\n", scenario_file="kitchen_radial_filled_wall.toml",
        provenance={"software_version": "0.1.0"},
    )
    recorder = MemoryRecorder(header)
    with recorder:
        for number, now in enumerate(time):
            hot, covering, _near, bay = stores[number]
            value = {"fill": covering, "jacket": covering, "conductor": hot, "insulation": 0.97 * hot + 0.03 * covering}
            parts = np.array([value.get(role, bay) for _, role, _ in PARTS])
            metal = [hot, hot, hot - 0.2 * (hot - covering)]
            recorder.append(
                time=now, circuit_current=[profile[number]], conductor_temperature=metal,
                conductor_heat=np.full(3, heat(profile[number], hot) / 2), part_maximum=parts, part_mean=parts - 1,
                probe_value=[bay - 2, (bay - AMBIENT) / PATHS[3]], energy_generated=number, energy_stored=number / 2,
                energy_lost=number / 2, energy_residual=1e-13,
            )
        for event in run_events(time, profile, stores[:, 0], chosen):
            recorder.event(event)
        for when in (1800.0, 9000.0, 10800.0, 18000.0):
            recorder.snapshot(when, temperature_field(stores[int(np.searchsorted(time, when))]))
        recorder.finish({"cells": section().part_index.size, "steps": len(time), "wall_seconds": 1.0})
    return recorder.run


def run_events(time, profile, conductor, limits) -> list[Event]:
    events = []
    for number in np.flatnonzero(np.diff(profile)):
        events.append(Event(float(time[number]), "current_change", "kitchen radial", "", float(profile[number + 1])))
    for limit in limits:
        above = conductor > limit["temperature"]
        for number in np.flatnonzero(np.diff(above.astype(int))):
            kind = "limit_reached" if above[number + 1] else "limit_left"
            part = "cable.line.insulation"
            events.append(Event(float(time[number + 1]), kind, limit["name"], part, limit["temperature"]))
    return sorted(events, key=lambda event: event.time)


def temperature_field(stores) -> np.ndarray:
    record = section()
    x, y = np.meshgrid((record.x_edges[1:] + record.x_edges[:-1]) / 2, (record.y_edges[1:] + record.y_edges[:-1]) / 2)
    distance = np.hypot((x - CENTRE[0]) * 0.9, (y - CENTRE[1]) * 1.1)
    field = np.interp(distance, [0.002, 0.005, 0.02, 0.055, 0.12, 0.25], [stores[0], stores[1], stores[2], stores[3],
                      AMBIENT + 0.4 * (stores[3] - AMBIENT), AMBIENT])
    conductor = np.isin(record.part_index, [8, 9, 10])
    return np.where(conductor, stores[0], field).astype(np.float32)
