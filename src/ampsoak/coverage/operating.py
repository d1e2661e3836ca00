"""Devices in series on one circuit: which opens when, closes again when, and the current history that is left."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage.tripping import (
    DeviceImage,
    DeviceState,
    first_to_open,
    segments_between,
    trip_time,
    unknown_before,
)
from ampsoak.scenario.case import CurrentProfile
from ampsoak.scenario.device_case import Reclosing


@dataclass(frozen=True)
class Operation:
    """One opening or closing.

    Parameters
    ----------
    time : float       [s]
    kind : str         "opens" or "closes"
    device : str
    element : str      what opened it: "thermal", "magnetic", ...; "" for a closing
    current : float    just before opening, or just after closing [A]
    """

    time: float
    kind: str
    device: str
    element: str
    current: float


@dataclass(frozen=True)
class Operating:
    """What one edge of the devices did.

    Parameters
    ----------
    edge : str
    operations : tuple of Operation
    unknown_from : float                 from here on nothing can be said [s]; inf if nothing is unknown
    reason : str                         why
    profile : CurrentProfile             current that was left
    states : dict of str to tuple        state of each device at the end of the history
    levels : dict of str to dict         level of each of its elements then; it opens at 1
    """

    edge: str
    operations: tuple[Operation, ...]
    unknown_from: float
    reason: str
    profile: CurrentProfile
    states: dict[str, DeviceState]
    levels: dict[str, dict[str, float]]

    @property
    def opens(self) -> Operation | None:
        """The first opening, None where the devices carry the history."""
        return next((operation for operation in self.operations if operation.kind == "opens"), None)


def operate(
    profile: CurrentProfile,
    images: Sequence[DeviceImage],
    starts: Sequence[DeviceState] | None = None,
    reclose: Reclosing | None = None,
    end: float | None = None,
) -> Operating:
    """Follow devices in series, all by the same edge, through a current history.

    Parameters
    ----------
    profile : CurrentProfile
    images : sequence of DeviceImage     in series; the first to open wins, of several at once the first listed
    starts : sequence or None            their states at 0 s; None is cold
    reclose : Reclosing or None          for devices that can be closed again
    end : float or None                  end of the history followed [s]

    Returns
    -------
    Operating

    Raises
    ------
    UsageError    no device, devices of different edges, or a state that belongs to no device

    Notes
    -----
    A device that opened keeps its state and cools at no current; closed again it goes on from there.
    """
    if not images:
        raise UsageError("no device to follow")
    if len({image.edge for image in images}) > 1:
        raise UsageError("devices in series are followed by the same edge")
    end = profile.duration if end is None else end
    states = [image.cold() for image in images] if starts is None else list(starts)
    operations: list[Operation] = []
    pieces: list[tuple[float, float, float]] = []  # (duration, start, stop)
    now, closings, lost_at, reason = 0.0, 0, np.inf, ""
    while now < end:
        trips = [
            trip_time(profile, image, state, begin=now, end=end) for image, state in zip(images, states, strict=True)
        ]
        opened = first_to_open(trips)
        until = opened.time if opened else end
        lost = unknown_before(trips, until)
        if lost is not None:
            until, reason = float(lost.history_time[-1]), f'"{lost.device}": {lost.reason}'
            lost_at = until
        pieces += [(length, first, last) for _, first, last, length in segments_between(profile, now, until)]
        states = [
            trip.state
            if trip is opened or trip.history_time[-1] == until or until <= now
            else trip_time(profile, image, state, begin=now, end=until).state
            for trip, image, state in zip(trips, images, states, strict=True)
        ]
        now = until
        if lost is not None or opened is None:
            break
        operations.append(Operation(now, "opens", opened.device, opened.element, float(opened.history_current[-1])))
        closes = reclose.after(now, closings) if reclose and _reclosable(images, opened.device) else np.inf
        rest = min(closes, end) - now
        if rest > 0.0:
            pieces.append((rest, 0.0, 0.0))
            states = [image.advance(state, 0.0, 0.0, rest) for image, state in zip(images, states, strict=True)]
        now = min(closes, end)
        if closes < end:
            closings += 1
            operations.append(Operation(now, "closes", opened.device, "", float(profile.at(now))))
    return Operating(
        edge=images[0].edge,
        operations=tuple(operations),
        unknown_from=float(lost_at),
        reason=reason,
        profile=_profile_of(pieces),
        states={image.device: state for image, state in zip(images, states, strict=True)},
        levels={
            image.device: dict(zip((name for name, _ in image.elements), image.levels(state), strict=True))
            for image, state in zip(images, states, strict=True)
        },
    )


def level_history(
    operating: Operating, images: Sequence[DeviceImage], starts: Sequence[DeviceState] | None, times
) -> np.ndarray:
    """Level of every element along what was found by :func:`operate`; a device opens where one of its levels meets 1.

    Parameters
    ----------
    operating : Operating
    images, starts : as given to :func:`operate`
    times : (n,) float64       [s], increasing

    Returns
    -------
    (n, n_elements) float64    elements of the first device first
    """
    times = np.asarray(times, dtype=float)
    states = [image.cold() for image in images] if starts is None else list(starts)
    profile, end = operating.profile, float(times[-1]) if times.size else 0.0
    # from operating to opening (the breaker behind a relay) the state of the device that opens stands still
    still = [
        (operation.time - image.opening_time, operation.time, image.device)
        for operation in operating.operations if operation.kind == "opens"
        for image in images if image.device == operation.device and image.opening_time > 0.0
    ]  # fmt: skip
    inner = {time for time in (*profile.time, *(low for low, _, _ in still)) if 0.0 < time < end}
    marks = sorted({0.0, *inner, *times.tolist()})
    levels, wanted = np.empty((len(times), sum(len(image.elements) for image in images))), 0
    for number, mark in enumerate(marks):
        if number:
            begin = marks[number - 1]
            first, last = _currents_between(profile, begin, mark)
            held = {device for low, high, device in still if low <= begin and mark <= high}
            states = [
                state if image.device in held else image.advance(state, first, last, mark - begin)
                for image, state in zip(images, states, strict=True)
            ]
        while wanted < len(times) and times[wanted] <= mark:
            levels[wanted] = [level for image, state in zip(images, states, strict=True) for level in image.levels(state)]
            wanted += 1
    return levels


def _currents_between(profile: CurrentProfile, begin: float, end: float) -> tuple[float, float]:
    """Current [A] just after ``begin`` and just before ``end``, between which the history has no corner; 0 past its end."""
    if begin >= profile.duration:
        return 0.0, 0.0
    number = max(bisect_right(profile.time, begin) - 1, 0)
    low, high = profile.time[number], profile.time[number + 1]
    start, stop = profile.start[number], profile.stop[number]
    return tuple(start + (stop - start) * (time - low) / (high - low) for time in (begin, end))


def _reclosable(images, device: str) -> bool:
    return next(image.reclosable for image in images if image.device == device)


def _profile_of(pieces) -> CurrentProfile:
    border = np.concatenate([[0.0], np.cumsum([length for length, _, _ in pieces])]) if pieces else [0.0, 1e-9]
    pieces = pieces or [(1e-9, 0.0, 0.0)]
    return CurrentProfile(
        tuple(float(time) for time in border),
        tuple(float(start) for _, start, _ in pieces),
        tuple(float(stop) for _, _, stop in pieces),
    )
