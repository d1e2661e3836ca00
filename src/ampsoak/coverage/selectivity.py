"""Two devices in series: at which currents only the lower one opens.

==============  ==========================================================================================
verdict         meaning
==============  ==========================================================================================
selective       the slow edge of the lower device comes no later than the fast edge of the upper one
not_selective   the slow edge of the upper device comes before the fast edge of the lower one
overlapping     the bands share times: it depends on the individual devices
neither_opens   neither device is obliged to open, and the lower one never does
unknown         an edge that decides is not known, or both open within 0.1 s, where let-through I²t decides
==============  ==========================================================================================

A grading margin, asked for between relays, is added to the lower device's slow edge. Where both open within 0.1 s and
let-through of the lower device and least pre-arcing I²t of an upper fuse are known, these decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage.edges import INSTANTANEOUS_TIME, Band, DeviceCurve
from ampsoak.coverage.words import range_words

VERDICTS = ("selective", "not_selective", "overlapping", "neither_opens", "unknown")
WITHIN_A_TENTH = "both open within 0.1 s, where let-through I²t decides, not a time"
_SAMPLES = 9
_WORDS = {
    "selective": 'only "{lower}" opens',
    "not_selective": '"{upper}" opens before "{lower}"',
    "overlapping": "the bands share times: which of them opens first depends on the individual devices",
    "neither_opens": "neither is obliged to open",
}


@dataclass(frozen=True)
class SelectiveInterval:
    """A range of current with one verdict.

    Parameters
    ----------
    low, high : float     [A]
    verdict : str         one of ``VERDICTS``
    margin : float        least fast time of the upper over slow time of the lower device; nan where either is not finite
    reason : str          why, where the verdict is unknown, or where I²t decides it
    """

    low: float
    high: float
    verdict: str
    margin: float
    reason: str = ""


@dataclass(frozen=True)
class Selectivity:
    """Two devices in series over a range of current.

    Parameters
    ----------
    upper, lower : str                      names, upstream and downstream
    grading : float                         margin asked for [s]
    intervals : tuple of SelectiveInterval
    limit_current : float                   selective from the lowest current that opens either up to here [A]; nan if nowhere
    """

    upper: str
    lower: str
    grading: float
    intervals: tuple[SelectiveInterval, ...]
    limit_current: float

    @property
    def text(self) -> str:
        """The answer in plain language."""
        lines = []
        for interval in self.intervals:
            ends = range_words(interval.low, interval.high)
            where = f"From {ends[0]} to {ends[1]}" if len(ends) > 1 else f"At about {ends[0]}"
            lines.append(f"{where} {meaning_words(self, interval)}.")
        return "\n".join(lines)


def meaning_words(found: Selectivity, interval: SelectiveInterval) -> str:
    """What one interval means, as the second half of a sentence."""
    if interval.verdict == "unknown":
        return f"nothing can be said: {interval.reason}"
    words = _WORDS[interval.verdict].format(upper=found.upper, lower=found.lower)
    return f"{words}: {interval.reason}" if interval.reason else words


def pairs_in_series(devices) -> tuple[tuple, ...]:
    """Every (upper, lower) of devices that stand in one circuit, upstream first as they are listed."""
    devices = list(devices)
    return tuple(
        (upper, lower)
        for place, upper in enumerate(devices)
        for lower in devices[place + 1 :]
        if upper.circuit == lower.circuit
    )


def selectivity(
    upper: DeviceCurve,
    lower: DeviceCurve,
    lowest: float,
    highest: float,
    *,
    basis: str | None = None,
    grading: float = 0.0,
) -> Selectivity:
    """Cut a range of current into intervals that say which of two devices opens.

    Parameters
    ----------
    upper, lower : DeviceCurve     upstream and downstream
    lowest, highest : float        range of current [A]
    basis : str or None            edges read; None takes each device's model (default, else interpolated), else its points,
                                   because a standard alone names hardly any shortest time
    grading : float                margin between the lower slow and the upper fast edge [s]

    Returns
    -------
    Selectivity

    Raises
    ------
    UsageError    an empty range, a negative margin, or a basis that a device does not have
    """
    if not 0.0 < lowest < highest < np.inf:
        raise UsageError("selectivity needs a range of two positive currents, the lower one first")
    if not grading >= 0.0:
        raise UsageError(f"the grading margin must not be negative, it is {grading:g} s")
    above, below = (device.verdict_band(basis or device.model_basis) for device in (upper, lower))
    stated = lower.let_through_current
    borders = _borders(above, below, lowest, highest, grading, [stated] if lowest < stated < highest else [])
    middles = np.sqrt(borders[1:] * borders[:-1])
    verdicts = [
        _by_energy(upper, lower, current, verdict)
        for current, verdict in zip(middles.tolist(), _verdicts(above, below, middles, grading), strict=True)
    ]
    intervals: list[SelectiveInterval] = []
    for (low, high), (verdict, reason), margin in zip(
        pairwise(borders), verdicts, _margins(above, below, borders), strict=True
    ):
        last = intervals[-1] if intervals else None
        if last and (last.verdict, last.reason) == (verdict, reason):
            joined = np.fmin(last.margin, margin)
            intervals[-1] = SelectiveInterval(last.low, float(high), verdict, float(joined), reason)
        else:
            intervals.append(SelectiveInterval(float(low), float(high), verdict, float(margin), reason))
    opening = [interval for interval in intervals if interval.verdict != "neither_opens"]
    limit = np.nan
    for interval in opening:
        if interval.verdict != "selective":
            break
        limit = interval.high
    return Selectivity(upper.name, lower.name, grading, tuple(intervals), float(limit))


def _by_energy(upper: DeviceCurve, lower: DeviceCurve, current: float, verdict: tuple[str, str]) -> tuple[str, str]:
    """Verdict of I²t where times cannot give one and both numbers are stated at this current; else as it was."""
    if verdict != ("unknown", WITHIN_A_TENTH) or not (current <= lower.let_through_current and upper.pre_arcing > 0.0):
        return verdict
    numbers = f"at most {lower.let_through:,.0f} A²s let through, at least {upper.pre_arcing:,.0f} A²s to open the other"
    return ("selective" if lower.let_through < upper.pre_arcing else "overlapping"), numbers


def _verdicts(above: Band, below: Band, current, grading: float) -> list[tuple[str, str]]:
    """Verdict and reason at each ``current`` (n,) [A]."""
    edges = (below.slow, above.fast, above.slow, below.fast)
    times = [np.atleast_1d(edge.time(current)).tolist() for edge in edges]
    return [_verdict(*row, grading) for row in zip(*times, strict=True)]


def _verdict(slow_below, fast, slow_above, fast_below, grading: float) -> tuple[str, str]:
    slow = slow_below + grading
    if np.isinf(slow) and np.isinf(slow_above):
        return ("neither_opens", "") if np.isinf(fast) else ("overlapping", "")
    if max(slow_below, slow_above) <= INSTANTANEOUS_TIME and not slow <= fast:
        return "unknown", WITHIN_A_TENTH
    if np.isfinite(slow) and slow <= fast:
        return "selective", ""
    if slow_above < fast_below:
        return "not_selective", ""
    if any(np.isnan(time) for time in (slow, fast, slow_above, fast_below)):
        return "unknown", "no data of an edge that decides"
    return "overlapping", ""


def _pairs(above: Band, below: Band, grading: float):
    """Pairs of times (functions of current) whose order decides a verdict."""
    return (
        (lambda c: below.slow.time(c) + grading, above.fast.time),
        (above.slow.time, below.fast.time),
        (
            lambda c: np.maximum(below.slow.time(c), above.slow.time(c)),
            lambda c: np.full(np.shape(c), INSTANTANEOUS_TIME),
        ),
    )


def _borders(above: Band, below: Band, lowest: float, highest: float, grading: float, more) -> np.ndarray:
    from scipy.optimize import brentq  # a tenth of a second to import, so only where it is needed

    breaks = set(more) | {c for band in (above, below) for edge in (band.fast, band.slow) for c in edge.breaks()}
    pieces = np.array([lowest, *sorted(c for c in breaks if lowest < c < highest), highest])
    log = np.log(pieces)
    share = np.concatenate([[1e-9], np.linspace(0.0, 1.0, _SAMPLES)[1:-1], [1.0 - 1e-9]])
    samples = np.exp(log[:-1, None] + np.diff(log)[:, None] * share)
    roots = []
    for first, second in _pairs(above, below, grading):
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.log(first(samples.ravel())) - np.log(second(samples.ravel()))
        ratio = np.reshape(ratio, samples.shape)
        usable = np.isfinite(ratio[:, 1:]) & np.isfinite(ratio[:, :-1])
        for piece, at in zip(*np.nonzero(usable & (np.sign(ratio[:, 1:]) != np.sign(ratio[:, :-1])))):

            def difference(log_current, first=first, second=second):
                current = np.array([np.exp(log_current), np.exp(log_current)])
                return float(np.log(first(current)[0]) - np.log(second(current)[0]))

            roots.append(float(np.exp(brentq(difference, *np.log(samples[piece, at : at + 2]), xtol=1e-14))))
    borders = np.unique(np.concatenate([pieces, roots]))
    return borders[np.concatenate([[True], np.diff(borders) > 1e-12 * borders[1:]])]


def _margins(above: Band, below: Band, borders) -> list[float]:
    """Least fast time of the upper over slow time of the lower device between borders; nan where none is finite."""
    low, high = borders[:-1, None] * (1 + 1e-9), borders[1:, None] * (1 - 1e-9)
    current = low * (high / low) ** np.linspace(0.0, 1.0, _SAMPLES)
    fast, slow = (np.reshape(edge.time(current.ravel()), current.shape) for edge in (above.fast, below.slow))
    ratio = np.full(current.shape, np.inf)
    known = np.isfinite(fast) & np.isfinite(slow) & (slow > 0)
    ratio[known] = fast[known] / slow[known]
    least = ratio.min(axis=1)
    return np.where(np.isinf(least), np.nan, least).tolist()
