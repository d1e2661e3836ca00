"""How hot things are when a device opens, read from the histories stored with a limit curve.

Between stored temperatures they are linear in log time and in the square of current, which heating follows. Nothing is
read past the end of a stored history: there the temperature is nan, and the last one stored is only a least value.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ampsoak.coverage.stretches import Edge
from ampsoak.runfile.records import Curve

BETWEEN = 5  # currents looked at from one mark to the next, both included


@dataclass(frozen=True)
class Opening:
    """Temperatures at the moment one edge of a device opens, at each computed current.

    Parameters
    ----------
    side : str                                      "fast" or "slow"
    time : (n,) float64                             [s]; inf: never opens, nan: unknown
    conductor_temperature : (n,) float64            hottest conductor [K]; nan where unknown; where the edge never
                                                    opens, the steady temperature if there is one
    conductor_at_least : (n,) float64               last stored temperature up to then [K]
    part_temperature : (n_limits, n) float64        hottest of each limit's parts [K]; nan where unknown
    """

    side: str
    time: np.ndarray
    conductor_temperature: np.ndarray
    conductor_at_least: np.ndarray
    part_temperature: np.ndarray


@dataclass(frozen=True)
class WorstOpening:
    """The hottest conductor when the slow edge opens, over a range of current.

    Parameters
    ----------
    current : float         [A]
    time : float            when the slow edge opens [s]; inf: never obliged to
    temperature : float     [K]; nan where unknown or without a steady state
    at_least : float        [K]
    outcome : str           "opens", "settles" (never obliged to open, a steady temperature exists), "no_steady_state"
                            or "unknown" (past the stored history)
    """

    current: float
    time: float
    temperature: float
    at_least: float
    outcome: str


def openings(curve: Curve, edge: Edge) -> Opening:
    """Temperatures at each current of ``curve`` when ``edge`` opens."""
    time = np.atleast_1d(edge.time(curve.current))
    hottest, least = _hottest_conductor(curve, np.arange(len(curve.current)), time)
    parts = np.full((len(curve.limits), len(time)), np.nan)
    for number, limit in enumerate(curve.limits):
        chosen = [history for history in (_part_history(curve, part) for part in limit["parts"]) if history is not None]
        if chosen:
            history = np.max(np.stack(chosen), axis=0)
            parts[number] = [_in_time(curve.history_time, row, when)[0] for row, when in zip(history, time)]
    return Opening(edge.side, time, hottest, least, parts)


def worst_opening(curve: Curve, slow: Edge, ranges) -> WorstOpening | None:
    """The worst over ``ranges`` ((low, high) [A], ...), None where no range has an opening to speak of."""
    marks = [*curve.current.tolist(), *(end for stretch in slow.stretches for end in (stretch.low, stretch.high))]
    currents: list[float] = []
    for low, high in ranges:
        inside = sorted({low, high, *(mark for mark in marks if low < mark < high)})
        currents += [low, *(c for pair in pairwise(inside) for c in np.geomspace(*pair, BETWEEN)[1:].tolist())]
    found = []
    for current in currents:
        if not curve.current[0] <= current <= curve.current[-1]:
            continue
        # On a step of the edge a range that ends there belongs to the current just below.
        for side in (current * (1 - 1e-12), current * (1 + 1e-12)):
            if any(low <= side <= high for low, high in ranges):
                found.append(_opening_at(curve, slow, side))
    found = [entry for entry in found if not np.isnan(entry.time)]
    return max(found, key=_severity, default=None)


def _severity(entry: WorstOpening) -> tuple:
    if entry.outcome == "no_steady_state":
        return (2, entry.at_least)
    known = entry.temperature if np.isfinite(entry.temperature) else entry.at_least
    return (1 if np.isfinite(known) else 0, known)


def _opening_at(curve: Curve, slow: Edge, current: float) -> WorstOpening:
    time = float(slow.time(current))
    upper = int(np.clip(np.searchsorted(curve.current, current), 1, len(curve.current) - 1))
    pair = np.array([upper - 1, upper])
    values, least = _hottest_conductor(curve, pair, np.array([time, time]))
    left, right = curve.current[pair] ** 2
    share = (current**2 - left) / (right - left)
    if abs(share) < 1e-9 or abs(share - 1.0) < 1e-9:
        pick = round(share)
        temperature, at_least, steady = values[pick], least[pick], bool(curve.steady[pair[pick]])
    else:
        temperature = values[0] + share * (values[1] - values[0])
        at_least, steady = np.nanmin(least) if np.isfinite(least).any() else np.nan, bool(curve.steady[pair].all())
    if np.isinf(time):
        known = np.isfinite(temperature)
        outcome = "settles" if known else "unknown" if steady or curve.reacting else "no_steady_state"
    else:
        outcome = "opens" if np.isfinite(temperature) else "unknown"
    return WorstOpening(float(current), time, float(temperature), float(at_least), outcome)


def _hottest_conductor(curve: Curve, numbers: np.ndarray, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Hottest conductor [K] of members ``numbers`` at their ``time``, and the least it is known to be."""
    hottest, least = np.full(len(numbers), np.nan), np.full(len(numbers), np.nan)
    if not len(curve.conductor_names):
        return hottest, least
    history = np.max(curve.conductor_temperature, axis=0)
    settled = np.max(curve.steady_temperature, axis=0)
    for place, (number, when) in enumerate(zip(numbers, time)):
        hottest[place], least[place] = _in_time(curve.history_time, history[number], when)
        if np.isinf(when) and curve.steady[number]:
            hottest[place] = settled[number]
    return hottest, least


def _part_history(curve: Curve, part) -> np.ndarray | None:
    """History (n, n_history) [K] of a part given by number or name, None where it was not stored."""
    number = curve.part_names.index(part) if isinstance(part, str) and part in curve.part_names else part
    return curve.part_maximum[number] if isinstance(number, (int, np.integer)) else None


def _in_time(history_time: np.ndarray, history: np.ndarray, when: float) -> tuple[float, float]:
    """Value of one history at ``when``, nan outside it; and the last value stored up to then."""
    known = np.isfinite(history)
    if np.isnan(when) or not known.any():
        return np.nan, np.nan
    last = int(np.flatnonzero(known)[-1])
    if when > history_time[last]:
        return np.nan, float(history[last])
    times, values = history_time[known], history[known]
    right = int(np.searchsorted(times, when))
    if times[right] == when or right == 0:
        return float(values[right]), float(values[right])
    if times[right - 1] <= 0.0:  # the first entry is time 0, which has no logarithm
        share = when / times[right]
    else:
        share = np.log(when / times[right - 1]) / np.log(times[right] / times[right - 1])
    value = float(values[right - 1] + share * (values[right] - values[right - 1]))
    return value, value
