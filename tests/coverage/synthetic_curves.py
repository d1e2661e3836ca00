"""Limit curves and devices with exact answers, for the comparison tests."""

from __future__ import annotations

import numpy as np

from ampsoak.runfile.records import OUTCOMES, Curve
from ampsoak.scenario.case import DeviceChoice

HISTORY = np.concatenate([[0.0], np.geomspace(1e-3, 1e5, 240)])
START = 298.15


def curve_of(current, times, limits=(343.15,), outcome=None, **more) -> Curve:
    """Curve with given times (n_limits, n); inf means never, nan beyond the horizon."""
    current, times = np.asarray(current, dtype=float), np.atleast_2d(np.asarray(times, dtype=float))
    if outcome is None:
        outcome = np.where(np.isinf(times), 1, np.where(np.isnan(times), 2, 0))
    history = more.pop("history", np.full((len(current), len(HISTORY)), START))
    settled = more.pop("settled", np.full(len(current), START))
    given = {
        "title": "synthetic",
        "circuit": "main",
        "current": current,
        "limits": [
            {"name": f"limit {number}", "temperature": temperature, "parts": (0,), "source": "test"}
            for number, temperature in enumerate(limits)
        ],
        "time_to_limit": np.where(outcome == 0, times, np.inf),
        "outcome": np.asarray(outcome, dtype=np.int8),
        "steady": np.ones(len(current), dtype=bool),
        "steady_temperature": settled[None, :],
        "history_time": HISTORY,
        "conductor_names": ["line"],
        "conductor_temperature": history[None, :, :],
        "part_names": ["line"],
        "part_maximum": history[None, :, :],
        "start_description": "cold at 25 °C",
        "start_temperature": np.array([START]),
        "adiabatic_k": np.nan,
        "adiabatic_area": np.nan,
        "adiabatic_limit": "",
        "fault_current": np.nan,
        "horizon": 1e5,
        "section": None,
    }
    return Curve(**(given | more))


def power_curve(constant=1e6, low=10.0, high=1000.0, count=24, **more) -> Curve:
    """t = constant / I² at every current."""
    current = np.geomspace(low, high, count)
    return curve_of(current, constant / current**2, **more)


def one_node_curve(current, knee=24.0, time_constant=2400.0, limit=343.15, **more) -> Curve:
    """Cable of one node from 25 °C: theta = c I² (1 - exp(-t / tau)), steady at the limit at ``knee``."""
    current = np.asarray(current, dtype=float)
    rise = (limit - START) * (current / knee) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        times = -time_constant * np.log(1.0 - (limit - START) / rise)
    history = START + rise[:, None] * (1.0 - np.exp(-HISTORY / time_constant))
    times = np.where(np.isfinite(times), times, np.inf)
    return curve_of(current, times, limits=(limit,), history=history, settled=START + rise, **more)


def drawn(fast=(), slow=(), **more) -> DeviceChoice:
    """Device from points."""
    return DeviceChoice(name="drawn", standard="points", fast=tuple(fast), slow=tuple(slow), **more)


def reached(words):
    """Codes of outcome words."""
    return np.array([[OUTCOMES.index(word) for word in words]])
