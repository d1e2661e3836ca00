"""Errors against the converged reference tables in tests/verification/data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

LIMITS = (60.0, 75.0, 90.0, 160.0)  # [°C]
HOTTEST = 250.0  # errors count up to here [°C]
_DATA = Path(__file__).resolve().parent.parent / "tests" / "verification" / "data"


def table(name: str) -> np.ndarray:
    """A reference table as a structured array."""
    return np.genfromtxt(_DATA / f"{name}.csv", delimiter=",", names=True, skip_header=1)


class SplinedHistory:
    """A conductor known at the ends of steps; a spline per stage, as the curve has a corner where the current changes.

    Parameters
    ----------
    times, values : (n,)         [s], [°C]
    stages : (m, 2)              beginning and end of each stage [s]
    """

    def __init__(self, times, values, stages):
        times, values = np.asarray(times), np.asarray(values)
        self.pieces = []
        for begin, end in stages:
            rows = (times >= begin - 1e-6) & (times <= end + 1e-6)
            self.pieces.append((begin, end, times[rows], values[rows], CubicSpline(times[rows], values[rows])))

    def at(self, times) -> np.ndarray:
        """Conductor at ``times`` [°C]."""
        times = np.asarray(times, dtype=float)
        found = np.full(times.shape, np.nan)
        for begin, end, _, _, spline in self.pieces:
            rows = (times >= begin - 1e-9) & (times <= end + 1e-9)
            found[rows] = spline(times[rows])
        return found

    def first_above(self, limit: float) -> float:
        """First time above ``limit`` [s], nan if never."""
        for _, _, times, values, spline in self.pieces:
            above = np.flatnonzero(values >= limit)
            if len(above) and above[0] > 0:
                return _root(spline, times[above[0] - 1], times[above[0]], limit)
        return np.nan


class SteppedHistory:
    """A conductor known by its steps' own dense output.

    Parameters
    ----------
    steps : list          with ``begin``, ``end`` [s] and ``at(time)``, the loaded conductors (..., 2) [K]
    """

    def __init__(self, steps: list):
        self.steps = steps
        self.ends = np.array([step.end for step in steps])

    def _of(self, step, time) -> float:
        return float(step.at(time).max(axis=-1)) - 273.15

    def at(self, times) -> np.ndarray:
        """Conductor at ``times`` [°C]."""
        last = len(self.steps) - 1
        numbers = np.minimum(np.searchsorted(self.ends, times), last)
        return np.array([self._of(self.steps[n], time) for n, time in zip(numbers, times, strict=True)])

    def first_above(self, limit: float) -> float:
        """First time above ``limit`` [s], nan if never."""
        for step in self.steps:
            if self._of(step, step.end) >= limit > self._of(step, step.begin):
                return _root(lambda time, step=step: self._of(step, time), step.begin, step.end, limit)
        return np.nan


def _told(percent: float) -> float | None:
    return round(float(percent), 4) if np.isfinite(percent) else None


def _root(function, low: float, high: float, limit: float) -> float:
    return float(brentq(lambda time: float(function(time)) - limit, low, high, xtol=1e-9))


def history_errors(problem: str, history, stages) -> dict:
    """Largest error of the hotter conductor [K] and of each time to a limit [%], None where it is not reached."""
    reference = table(problem)
    times, expected = reference["time_s"], reference["conductor_celsius"]
    counted = expected <= HOTTEST
    exact = SplinedHistory(times, expected, stages)
    percent = [100 * (history.first_above(limit) / exact.first_above(limit) - 1) for limit in LIMITS]
    worst = np.abs(history.at(times[counted]) - expected[counted]).max()
    return {"error_kelvin": float(worst), "times_percent": [_told(p) for p in percent]}


def curve_errors(problem: str, reached: dict[float, np.ndarray], final: np.ndarray) -> dict:
    """Largest error of each limit's times [%] over the currents, and of the conductor at the horizon [K].

    None stands for a limit that is reached at other currents than in the reference.

    Parameters
    ----------
    problem : str
    reached : limit [°C] to (24,) times     nan where not reached
    final : (24,)                           at the horizon [°C], compared where the reference gives one
    """
    reference = table(f"{problem}_curve")
    percent = []
    for limit, times in reached.items():
        expected = reference[f"time_{limit:.0f}_s"]
        same = bool((np.isfinite(expected) == np.isfinite(times)).all())
        percent.append(float(100 * np.nanmax(np.abs(times / expected - 1))) if same else np.inf)
    last = reference["conductor_4h_celsius"]
    known = np.isfinite(last)
    return {
        "error_kelvin": float(np.abs(final[known] - last[known]).max()),
        "times_percent": [_told(p) for p in percent],
    }
