"""Devices in series on one circuit: which opens when, closes again when, and the current history that is left."""

from __future__ import annotations

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


@dataclass(frozen=True)
class Reclosing:
    """How an opened device is closed again; exactly one of ``delay`` and ``times`` is given.

    Parameters
    ----------
    delay : float             automatic: time from opening to closing [s]; 0 for none
    attempts : int            automatic: how often at most
    times : tuple of float    timed: moments at which someone closes what is open [s], increasing
    """

    delay: float = 0.0
    attempts: int = 1
    times: tuple[float, ...] = ()

    def __post_init__(self):
        if (self.delay > 0.0) == bool(self.times):
            raise UsageError("re-closing needs either a positive delay or the times at which it is done")
        if self.delay < 0.0 or self.attempts < 1:
            raise UsageError("re-closing needs a positive delay and at least one attempt")
        if any(later <= earlier for earlier, later in zip(self.times, self.times[1:])):
            raise UsageError("times of re-closing must increase")

    def after(self, opened: float, done: int) -> float:
        """When a device that opened at ``opened`` [s] closes again, ``done`` attempts having been made; inf: never."""
        if self.times:
            return next((time for time in self.times if time > opened), np.inf)
        return opened + self.delay if done < self.attempts else np.inf


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
