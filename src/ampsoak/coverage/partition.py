"""The current axis cut into intervals with one verdict each, for one limit line and one band.

Verdicts
--------
never_reached    the cable's steady temperature stays below the limit: no device is asked for
covered          the slow edge opens no later than the limit falls
within_band      the limit falls between the fast and the slow edge: depends on the individual device
uncovered        the limit falls before even the fast edge opens, or at the start
below_pickup     the limit falls at a current the device has to carry: it is not obliged to open at all
unknown          nothing is known of the device or of the cable there; ``reason`` says which
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.coverage.edges import MINIMUM_TIME, Band
from ampsoak.coverage.limit_line import STATES, LimitLine

VERDICTS = ("never_reached", "covered", "within_band", "uncovered", "below_pickup", "unknown")
TOUCHING = 1e-9  # edges that differ by less in log time are taken as touching, which counts as opening in time
SAMPLES = 7  # inside each smooth piece, to see every sign change of a cubic against a straight line


@dataclass(frozen=True)
class Interval:
    """A range of current with one verdict.

    Parameters
    ----------
    low, high : float                   [A]
    verdict : str                       one of ``VERDICTS``
    decided_by : str                    what the verdict rests on: "slow edge, standard", "fast edge, default", both of
                                        these with "; " between, "hold current, standard" or "cable"
    margin : float                      least time to the limit over slow-edge time; 0 where the device is never obliged
                                        to open, nan where either is unknown or the limit is never reached
    margin_current : float              current of the least ratio [A]
    margin_fast : float                 the same with the fast edge
    limit_from : str                    "computed" or "adiabatic" (line beyond the largest computed current)
    reason : str                        why, where the verdict is unknown
    low_bracket, high_bracket : tuple   where an end is the cable's knee: the currents between which that end lies [A]
    """

    low: float
    high: float
    verdict: str
    decided_by: str
    margin: float
    margin_current: float
    margin_fast: float
    limit_from: str = "computed"
    reason: str = ""
    low_bracket: tuple[float, float] | None = None
    high_bracket: tuple[float, float] | None = None


def classify(line: LimitLine, band: Band, hold_current: float, current) -> list[tuple[str, str, str, str]]:
    """Verdict, what decided it, reason and where the limit comes from, at each ``current`` (n,) [A]."""
    current = np.atleast_1d(np.asarray(current, dtype=float))
    limit, state = line.at(current)
    slow, fast = np.atleast_1d(band.slow.time(current)), np.atleast_1d(band.fast.time(current))
    in_time = _log(slow) <= _log(limit) + TOUCHING
    too_late = _log(fast) > _log(limit) + TOUCHING
    return [
        (*_verdict(line, band, hold_current, *row), "adiabatic" if STATES[row[4]] == "adiabatic" else "computed")
        for row in zip(current, limit, slow, fast, state, in_time, too_late)
    ]


def _verdict(line, band, hold_current, current, limit, slow, fast, state, in_time, too_late) -> tuple[str, str, str]:
    word = STATES[state]
    if word == "never":
        return "never_reached", "cable", ""
    if word == "at_start":
        return "uncovered", "cable", "the limit is passed at the start"
    if limit < MINIMUM_TIME:
        return "unknown", "", f"the limit falls within {MINIMUM_TIME:g} s, where let-through I²t counts, not a time"
    if in_time:
        return "covered", f"slow edge, {band.slow.kind(current)}", ""
    if word == "beyond_horizon":
        return "unknown", "", f"the limit was not reached within the {line.horizon:g} s computed, it may be later"
    if current <= hold_current:
        kind = "maker" if band.slow.kind(current) == "maker" else "standard"
        return "below_pickup", f"hold current, {kind}", ""
    if too_late:
        return "uncovered", f"fast edge, {band.fast.kind(current)}", ""
    if np.isnan(slow) or np.isnan(fast):
        sides = " and ".join(side for side, time in (("slow", slow), ("fast", fast)) if np.isnan(time))
        return "unknown", "", f"no data of the {sides} edge at this current"
    return "within_band", f"slow edge, {band.slow.kind(current)}; fast edge, {band.fast.kind(current)}", ""


def partition(line: LimitLine, band: Band, hold_current: float = np.nan) -> tuple[Interval, ...]:
    """Cut ``line.low``..``line.high`` into intervals.

    Parameters
    ----------
    line : LimitLine
    band : Band                edges the verdict reads
    hold_current : float       current the device has to carry [A]; nan where unknown

    Returns
    -------
    tuple of Interval          in order, without gaps; ends found by root finding to 1e-12 relative
    """
    pieces = _smooth_pieces(line, band, hold_current)
    samples = _sample(pieces)
    borders = [*pieces, *_crossings(line, band, samples)]
    borders = np.unique(np.array(borders))
    borders = borders[np.concatenate([[True], np.diff(borders) > 1e-13 * borders[1:]])]
    borders[-1] = line.high
    middles = np.sqrt(borders[1:] * borders[:-1])
    found = classify(line, band, hold_current, middles)
    margins = _margins(line, band, np.sort(np.concatenate([samples.ravel(), middles])))
    intervals, start = [], 0
    for number in range(1, len(found) + 1):
        if number == len(found) or found[number] != found[start]:
            intervals.append(_interval(line, borders[start], borders[number], found[start], margins))
            start = number
    return tuple(intervals)


def _smooth_pieces(line: LimitLine, band: Band, hold_current: float) -> np.ndarray:
    """Currents between which line and edges are smooth, ends included."""
    inner = {*line.current.tolist(), *band.slow.breaks(), *band.fast.breaks()}
    if np.isfinite(hold_current):
        inner.add(float(hold_current))
    return np.array([line.low, *sorted(c for c in inner if line.low < c < line.high), line.high])


def _sample(pieces: np.ndarray) -> np.ndarray:
    """Currents (n_pieces, SAMPLES) inside each piece, its first and last a hair from the ends."""
    log = np.log(pieces)
    share = np.concatenate([[1e-9], np.linspace(0.0, 1.0, SAMPLES)[1:-1], [1.0 - 1e-9]])
    return np.exp(log[:-1, None] + np.diff(log)[:, None] * share)


def _crossings(line: LimitLine, band: Band, samples: np.ndarray) -> list[float]:
    """Currents at which the line meets the slow edge, the fast edge or the shortest time, inside smooth pieces."""
    from scipy.optimize import brentq  # a tenth of a second to import, so only where it is needed

    limit = _log(line.at(samples.ravel())[0])
    roots = []
    for edge in (band.slow, band.fast, None):
        other = np.full(limit.shape, np.log(MINIMUM_TIME)) if edge is None else _log(edge.time(samples.ravel()))
        with np.errstate(invalid="ignore"):  # inf - inf is nan: no crossing to look for
            difference = (limit - other).reshape(samples.shape)
        usable = np.isfinite(difference[:, 1:]) & np.isfinite(difference[:, :-1])
        change = usable & (np.sign(difference[:, 1:]) != np.sign(difference[:, :-1]))  # a sample may sit on the root
        for piece, at in zip(*np.nonzero(change)):
            ends = np.log(samples[piece, at : at + 2])
            roots.append(float(np.exp(brentq(_difference, *ends, args=(line, edge), xtol=1e-14, rtol=1e-14))))
    return roots


def _difference(log_current: float, line: LimitLine, edge) -> float:
    current = np.exp(log_current)
    other = MINIMUM_TIME if edge is None else edge.time(current)
    return float(np.log(line.at(current)[0][0]) - np.log(other))


def _margins(line: LimitLine, band: Band, current: np.ndarray):
    """Currents and the ratios of limit time to slow and fast time there; nan where either is unknown or never."""
    limit, _ = line.at(current)
    ratios = []
    for edge in (band.slow, band.fast):
        time = np.atleast_1d(edge.time(current))
        known = np.isfinite(limit) & ~np.isnan(time) & (time > 0)
        ratio = np.full(current.shape, np.nan)
        ratio[known] = limit[known] / time[known]
        ratios.append(ratio)
    return current, *ratios


def _interval(line: LimitLine, low: float, high: float, found, margins) -> Interval:
    verdict, decided_by, reason, limit_from = found
    current, slow_ratio, fast_ratio = margins
    inside = (current > low) & (current < high)
    slow_inside = np.where(np.isnan(slow_ratio[inside]), np.inf, slow_ratio[inside])
    worst = int(np.argmin(slow_inside))
    margin = float(slow_inside[worst])
    fast_inside = fast_ratio[inside]
    known = fast_inside[~np.isnan(fast_inside)]
    return Interval(
        low=float(low),
        high=float(high),
        verdict=verdict,
        decided_by=decided_by,
        margin=margin if np.isfinite(margin) else np.nan,
        margin_current=float(current[inside][worst]) if np.isfinite(margin) else np.nan,
        margin_fast=float(known.min()) if known.size else np.nan,
        limit_from=limit_from,
        reason=reason,
        low_bracket=line.bracket if line.bracket and low == line.bracket[0] else None,
        high_bracket=line.bracket if line.bracket and high == line.bracket[0] else None,
    )


def joined(intervals, verdicts) -> tuple[tuple[float, float], ...]:
    """Ranges of current [A] that intervals of the given verdicts make up together."""
    ranges: list[tuple[float, float]] = []
    for interval in intervals:
        if interval.verdict in verdicts:
            if ranges and ranges[-1][1] == interval.low:
                ranges[-1] = (ranges[-1][0], interval.high)
            else:
                ranges.append((interval.low, interval.high))
    return tuple(ranges)


def _log(time):
    """Natural logarithm with log(0) = -inf, no warning."""
    with np.errstate(divide="ignore"):
        return np.log(time)
