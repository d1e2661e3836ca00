"""A small run and a small limit curve with every awkward thing in them: names outside ASCII, nan, infinities."""

from __future__ import annotations

import numpy as np

from ampsoak.runfile.records import Curve, Event, SectionRecord
from ampsoak.runfile.write import RunHeader

PROVENANCE = {
    "software": "ampsoak", "packages": {"numpy": "2.0"}, "git_changed": None,
    "volatile": {"created_utc": "2026-01-02T03:04:05Z"},
}
LIMITS = [
    {"name": "PVC 70 °C", "temperature": 343.15, "parts": ["cable.line", "cable.neutral"], "source": "given by the user"},
    {"name": "gypsum, paper", "temperature": 353.15, "parts": ["lining"], "source": "given by the user"},
]
SCENARIO = 'format = 1\ntitle = "Küche, 2.5 mm²"\n'


def make_section() -> SectionRecord:
    random = np.random.default_rng(1)
    outline = np.array([[0.01, 0.01], [0.02, 0.01], [0.02, 0.03], [0.01, 0.01]])
    return SectionRecord(
        x_edges=np.cumsum(random.random(6)) * 0.01, y_edges=np.cumsum(random.random(5)) * 0.01,
        part_index=random.integers(0, 3, (4, 5)).astype(np.int16), part_names=["fill", "cable.line", "lining"],
        part_roles=["fill", "conductor", "board"], part_materials=["glass fibre", "copper", "gypsum board"],
        outlines=[("cable.line", outline), ("lining", outline[:3] * 2), ("cable.line", outline + 0.1)],
        part_area_exact=random.random(3), part_area_mesh=random.random(3),
    )


def make_header() -> RunHeader:
    return RunHeader(
        title="Küche, 2.5 mm²", section=make_section(), circuit_names=["ring"], conductor_names=["cable.line"],
        probe_names=["Δ point", "through the left edge"], probe_units=["K", "W m-1"], limits=LIMITS,
        scenario_text=SCENARIO, scenario_file="kueche.toml", resolved={"cable": {"area": [2.5e-6, "m2"], "n": 3}},
        assumptions=["ambient 20 °C"], provenance=PROVENANCE,
    )


def make_row(time: float) -> dict:
    random = np.random.default_rng(int(time * 10))
    return {
        "time": time, "circuit_current": [random.random()], "conductor_temperature": [300 + random.random()],
        "conductor_heat": [random.random()], "part_maximum": random.random(3), "part_mean": random.random(3),
        "probe_value": [np.nan, -0.0], "energy_generated": random.random(), "energy_stored": random.random(),
        "energy_lost": random.random(), "energy_residual": 1e-14,
    }


def make_field(time: float) -> np.ndarray:
    return np.random.default_rng(int(time) + 7).random((4, 5)).astype(np.float32) + np.float32(300)


EVENTS = [
    Event(1.25, "limit_reached", "PVC 70 °C", "cable.line", 343.15),
    Event(2.0, "current_change", "", "", 32.0),
]


def record(recorder, rows: int = 600, snapshots=(0.0, 2.0)) -> None:
    """Give ``recorder`` a whole run; 600 rows pass the 256-row buffer twice."""
    with recorder:
        recorder.snapshot(snapshots[0], make_field(snapshots[0]))
        for number in range(rows):
            recorder.append(**make_row(number / 10))
        for event in EVENTS:
            recorder.event(event)
        for time in snapshots[1:]:
            recorder.snapshot(time, make_field(time))
        recorder.finish({"cells": 20, "steps": rows, "wall_seconds": 1.5})


def make_curve() -> Curve:
    random = np.random.default_rng(3)
    return Curve(
        title="Küche, 2.5 mm²", circuit="ring", current=np.array([16.0, 20.0, 40.0]), limits=LIMITS,
        time_to_limit=np.array([[np.inf, 4000.5, 30.25], [np.inf, np.inf, 0.0]]),
        outcome=np.array([[1, 0, 0], [1, 2, 3]], dtype=np.int8), steady=np.array([True, True, False]),
        steady_temperature=np.array([[330.0, 350.0, np.nan]]), history_time=np.array([0.0, 1.0, 10.0, 100.0]),
        conductor_names=["cable.line"], conductor_temperature=random.random((1, 3, 4)) * np.array([1, 1, 1, np.nan]),
        part_names=["fill", "cable.line", "lining"], part_maximum=random.random((3, 3, 4)), start_description="cold at 20 °C",
        start_temperature=np.array([293.15]), adiabatic_k=115e6, adiabatic_area=2.5e-6,
        adiabatic_limit="from 70 to 160 °C", fault_current=np.nan, horizon=1e5, section=make_section(),
        statistics={"cells": 20, "wall_seconds": 3.0}, scenario_text=SCENARIO, scenario_file="kueche.toml",
        resolved={"a": 1}, assumptions=["ambient 20 °C"], provenance=PROVENANCE,
    )


def assert_same(first, second, skip=("canonical_hash",)) -> None:
    """Every field equal, arrays bit for bit and in type."""
    assert type(first) is type(second)
    for name, one in vars(first).items():
        other = getattr(second, name)
        if name in skip:
            continue
        if isinstance(one, SectionRecord):
            assert_same(one, other)
        elif isinstance(one, np.ndarray):
            assert one.dtype == other.dtype and one.shape == other.shape, name
            assert one.tobytes() == other.tobytes(), name
        elif name == "outlines":
            assert [part for part, _ in one] == [part for part, _ in other]
            assert all(a.tobytes() == b.tobytes() for (_, a), (_, b) in zip(one, other, strict=True))
        else:
            assert repr(one) == repr(other), name  # nan equals nan here
