"""How long devices take to be compared with a stored limit curve; nothing is solved.

Run: python benchmarks/cover_speed.py

A cable of one node from 25 °C (theta = c I² (1 - exp(-t / tau))) at 24 currents, against three devices: a breaker and a fuse of a
standard and a relay, on all their bases, with load points and short-circuit numbers. Prints the best and the median of several calls.
"""

from __future__ import annotations

import time

import numpy as np

from ampsoak.coverage.compare import cover
from ampsoak.runfile.records import Curve
from ampsoak.scenario.device_case import DeviceChoice, LoadPoint, RelayChoice

CURRENTS, CALLS = 24, 7
DEVICES = (
    DeviceChoice("breaker", "IEC 60898-1", "C", 20.0, breaking_capacity=6e3),
    DeviceChoice("fuse", "IEC 60269", "gG", 25.0),
    RelayChoice("relay", 30.0, "B", 0.2),
)
START, LIMIT, KNEE, TIME_CONSTANT = 298.15, 343.15, 24.0, 2400.0


def stored_curve() -> Curve:
    """The closed-form curve, as a file would hold it."""
    current = np.geomspace(15.0, 2000.0, CURRENTS)
    history = np.concatenate([[0.0], np.geomspace(1e-3, 1e5, 240)])
    rise = (LIMIT - START) * (current / KNEE) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        times = -TIME_CONSTANT * np.log(1.0 - (LIMIT - START) / rise)
    reached = np.isfinite(times)
    temperature = START + rise[:, None] * (1.0 - np.exp(-history / TIME_CONSTANT))
    return Curve(
        title="one node", circuit="main", current=current,
        limits=[{"name": "limit", "temperature": LIMIT, "parts": (0,), "source": "closed form"}],
        time_to_limit=np.where(reached, times, np.inf)[None, :], outcome=np.where(reached, 0, 1)[None, :].astype(np.int8),
        steady=np.ones(CURRENTS, dtype=bool), steady_temperature=(START + rise)[None, :], history_time=history,
        conductor_names=["line"], conductor_temperature=temperature[None], part_names=["line"], part_maximum=temperature[None],
        start_description="cold at 25 °C", start_temperature=np.array([START]), adiabatic_k=115e6, adiabatic_area=2.5e-6,
        adiabatic_limit="70 °C to 160 °C", fault_current=3e3, horizon=1e5, section=None,
    )  # fmt: skip


def main() -> None:
    """Time and print."""
    curve, points = stored_curve(), [LoadPoint("inrush", 200.0, 0.01), LoadPoint("heater", 18.0, 3600.0)]
    cover(curve, DEVICES, load_points=points)
    taken = []
    for _ in range(CALLS):
        begun = time.perf_counter()
        cover(curve, DEVICES, load_points=points)
        taken.append(time.perf_counter() - begun)
    print(f"{CURRENTS} currents, {len(DEVICES)} devices: best {min(taken):.3f} s, median {np.median(taken):.3f} s of {CALLS} calls")


if __name__ == "__main__":
    main()
