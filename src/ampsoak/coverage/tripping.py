"""When a device opens on a current history, one edge at a time.

A device's state depends on its current (and its own air) only, never on the cable, so the time at which it opens can
be found first and the cable stepped with the history cut there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage.images import State
from ampsoak.scenario.case import CurrentProfile

EDGES = ("fast", "nominal", "slow")
KINDS_OF_OPENING = ("opens", "carries", "unknown")
DeviceState = tuple[State, ...]


@dataclass(frozen=True)
class DeviceImage:
    """One edge of one device as elements of which the first to operate opens it.

    Parameters
    ----------
    device : str                     name
    edge : str                       one of ``EDGES``
    elements : tuple of (str, element)    name and model, see :mod:`ampsoak.coverage.images`
    unknown : tuple of (low, high, reason)    currents [A], low < I <= high, at which nothing is known of this edge
    reclosable : bool                False for a fuse
    basis : str                      "default", "interpolated", "maker" or "standard"
    notes : tuple of str             what the model rests on
    opening_time : float             from operating to the end of the current [s]: the breaker behind a relay
    """

    device: str
    edge: str
    elements: tuple[tuple[str, object], ...]
    unknown: tuple[tuple[float, float, str], ...] = ()
    reclosable: bool = True
    basis: str = "default"
    notes: tuple[str, ...] = ()
    opening_time: float = 0.0

    def cold(self) -> DeviceState:
        """State after a long time without current."""
        return tuple(element.cold() for _, element in self.elements)

    def soaked(self, current: float) -> DeviceState:
        """State after a long time at ``current`` [A]."""
        return tuple(element.soaked(current) for _, element in self.elements)

    def levels(self, state: DeviceState) -> tuple[float, ...]:
        """Of each element; 1 is where it operates."""
        return tuple(element.level(own) for (_, element), own in zip(self.elements, state, strict=True))

    def advance(self, state: DeviceState, start: float, stop: float, duration: float) -> DeviceState:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        pairs = zip(self.elements, state, strict=True)
        return tuple(element.advance(own, start, stop, duration) for (_, element), own in pairs)

    def crossing(self, state: DeviceState, start: float, stop: float, duration: float) -> tuple[float, str]:
        """Time into the segment at which the first element operates [s] and its name; (inf, "") if none does."""
        best, name = np.inf, ""
        for (title, element), own in zip(self.elements, state, strict=True):
            time = element.crossing(own, start, stop, duration)
            if time < best:
                best, name = time, title
        return best, name

    def unknown_from(self, start: float, stop: float, duration: float) -> tuple[float, str]:
        """Time into the segment at which the current first lies where nothing is known [s], and why; (inf, "")."""
        first, why = np.inf, ""
        for low, high, reason in self.unknown:
            time = _enters(start, stop, duration, low, high)
            if time < first:
                first, why = time, reason
        return first, why


def _enters(start: float, stop: float, duration: float, low: float, high: float) -> float:
    """Time into a segment at which low < I <= high first holds [s], inf if it never does."""
    if low < start <= high:
        return 0.0
    border = low if start <= low < stop else high if stop <= high < start else None
    if border is None or (stop < start and not border > low):
        return np.inf
    return duration * (border - start) / (stop - start)


@dataclass(frozen=True)
class Trip:
    """What one edge of a device did on a current history.

    Parameters
    ----------
    device, edge : str
    outcome : str                       one of ``KINDS_OF_OPENING``
    time : float                        when it opens [s]; inf: it carries the history; nan: unknown
    element : str                       which element opened it, "" if none
    reason : str                        why unknown
    state : tuple of tuple of float     device state when it operates or the history ends
    history_time : (n,) float64         [s]
    history_current : (n,) float64      [A]
    history_level : (n, n_elements)     level of each element; it opens at 1
    element_names : tuple of str
    """

    device: str
    edge: str
    outcome: str
    time: float
    element: str
    reason: str
    state: DeviceState
    history_time: np.ndarray
    history_current: np.ndarray
    history_level: np.ndarray
    element_names: tuple[str, ...]


def segments_between(profile: CurrentProfile, begin: float, end: float):
    """Linear segments (time, start [A], stop [A], duration) of ``profile`` from ``begin`` to ``end`` [s]; 0 A past it."""
    for first, last, start, stop in zip(profile.time[:-1], profile.time[1:], profile.start, profile.stop, strict=True):
        low, high = max(first, begin), min(last, end)
        if low < high:
            slope = (stop - start) / (last - first)
            at_low, at_high = start + slope * (low - first), stop if high == last else start + slope * (high - first)
            yield low, at_low, at_high, high - low
    if end > max(profile.duration, begin):
        yield max(profile.duration, begin), 0.0, 0.0, end - max(profile.duration, begin)


def trip_time(
    profile: CurrentProfile,
    image: DeviceImage,
    start: DeviceState | None = None,
    begin: float = 0.0,
    end: float | None = None,
    looks: int = 0,
) -> Trip:
    """Step one edge of a device through a current history until it opens.

    Parameters
    ----------
    profile : CurrentProfile
    image : DeviceImage
    start : tuple or None     device state at ``begin``; None is cold; a stored state goes on where it was
    begin, end : float        part of the history to follow [s]; None follows it to its end
    looks : int               extra moments of the history kept inside each segment, for figures

    Returns
    -------
    Trip

    Raises
    ------
    UsageError    the state does not belong to the device

    Notes
    -----
    The moment of opening is solved inside the segment. Where the current enters a range of which nothing is known
    before any element operates, the answer is unknown, not never.
    """
    state = image.cold() if start is None else start
    if [len(own) for own in state] != [len(own) for own in image.cold()]:
        raise UsageError(f'the stored state does not belong to device "{image.device}", edge {image.edge}')
    end = profile.duration if end is None else end
    times, currents, levels = [begin], [], [image.levels(state)]
    outcome, when, which, why = "carries", np.inf, "", ""
    last = 0.0
    for time, first, last, duration in segments_between(profile, begin, end):
        if not currents:
            currents.append(first)
        opens, name = image.crossing(state, first, last, duration)
        lost, reason = image.unknown_from(first, last, duration)
        reached = min(opens, lost, duration)
        slope = (last - first) / duration
        for share in np.arange(1, looks + 1) / (looks + 1.0):
            moment = share * reached
            times.append(time + moment)
            currents.append(first + slope * moment)
            levels.append(image.levels(image.advance(state, first, first + slope * moment, moment)))
        if reached > 0.0:
            state = image.advance(state, first, first + slope * reached if reached < duration else last, reached)
        times.append(time + reached)
        currents.append(first + slope * reached)
        levels.append(image.levels(state))
        if lost < opens and lost <= duration:
            outcome, when, why = "unknown", np.nan, reason
            break
        if opens <= duration:
            if time + opens + image.opening_time <= end:  # else the history is over before the breaker has opened
                outcome, when, which = "opens", time + opens + image.opening_time, name
            break
    if not currents:
        currents.append(0.0)
    return Trip(
        device=image.device,
        edge=image.edge,
        outcome=outcome,
        time=float(when),
        element=which,
        reason=why,
        state=state,
        history_time=np.array(times),
        history_current=np.array(currents),
        history_level=np.array(levels),
        element_names=tuple(name for name, _ in image.elements),
    )


def first_to_open(trips) -> Trip | None:
    """The trip of the device that opens first, None where none does; of several at once the first listed.

    A device of which nothing is known might have opened before: ask :func:`unknown_before`.
    """
    opened = [trip for trip in trips if trip.outcome == "opens"]
    return min(opened, key=lambda trip: trip.time, default=None)


def unknown_before(trips, time: float) -> Trip | None:
    """A trip that became unknown before ``time`` [s], None if there is none."""
    lost = [trip for trip in trips if trip.outcome == "unknown" and trip.history_time[-1] < time]
    return min(lost, key=lambda trip: trip.history_time[-1], default=None)
