"""Edges of a device as drawn: whether two of them cross, and the two that one line with a tolerance stands for."""

from __future__ import annotations

import math

import numpy as np


def crossing_of(fast, slow) -> float | None:
    """First node [A] at which the fast edge is the later one; None where there is none, nan where they share no current.

    Parameters
    ----------
    fast, slow : sequence of (current [A], time [s])    current increasing, time not increasing; straight in log-log between
    """
    one, other = np.log(np.array(fast, dtype=float)), np.log(np.array(slow, dtype=float))
    low, high = max(one[0, 0], other[0, 0]), min(one[-1, 0], other[-1, 0])
    if low > high:
        return math.nan
    shared = np.unique(np.concatenate([one[:, 0], other[:, 0]]))
    shared = shared[(shared >= low) & (shared <= high)]
    later = np.interp(shared, *one.T) > np.interp(shared, *other.T) + 1e-9
    return float(np.exp(shared[later][0])) if later.any() else None


def edges_of_line(points, current_tolerance: float, time_tolerance: float):
    """Fast and slow edge of a line moved by its tolerance either way.

    Parameters
    ----------
    points : sequence of (current [A], time [s])    the drawn line
    current_tolerance, time_tolerance : float       shares either way, 0 to below 1

    Returns
    -------
    tuple of two tuples of (current [A], time [s])

    Source
    ------
    Derived here. A fuse maker's drawn mean line may deviate by a tenth in current (IEC 60269 supplement cl. 5.6.1, read):
    a point of 100 A, 1 s gives 90 A and 110 A at 1 s.
    """
    return tuple(
        tuple((current * (1.0 + sign * current_tolerance), time * (1.0 + sign * time_tolerance)) for current, time in points)
        for sign in (-1.0, 1.0)
    )


def line_source(source: str, current_tolerance: float, time_tolerance: float) -> str:
    """``source`` with the tolerance in words, since the edges rest on it as much as on the line."""
    said = [
        f"{share:.3g} of {what} either way"
        for what, share in (("current", current_tolerance), ("time", time_tolerance))
        if share
    ]
    return f"{source}; one line with {' and '.join(said) if said else 'no tolerance'}"


def look_swapped(current, time, rating: float) -> bool:
    """True where the first column reads as times of a device of ``rating`` [A] and the second as its currents.

    A device is never obliged to open below its rating, so a whole column at or above it beside one that falls far
    below is the current.
    """
    if rating > 0.0:
        return bool(np.min(current) < 0.5 * rating and np.min(time) >= 0.9 * rating)
    return bool(np.min(current) < 0.2 and np.min(time) >= 1.0)
