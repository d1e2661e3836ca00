"""One side of a time-current band as stretches over current, each saying what kind of statement it is.

A standard gives test points, not curves. As every operating time falls (or stays) with rising current, points that
oblige a device to operate ("trip") prove a falling staircase from above, and points up to which it may not operate
("hold") prove one from below:

    slow(I) = min{t : trip(i, t), i <= I}, inf if there is none
    fast(I) = max{t : hold(i, t), i >= I}, 0 if there is none

That staircase is kind "standard". A straight log-log line through the same points is kind "interpolated". Points of a
maker or a user are kind "maker", and what follows from our own thermal image is kind "default". Where no stretch lies,
the time is unknown (nan): nothing is extrapolated.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

KINDS = ("standard", "interpolated", "maker", "default")
DELAYED_NODES = 60  # on each straight piece that a delay bends
IMAGE_ERROR = 1e-4  # relative error of a time read between the nodes of a thermal image


@dataclass(frozen=True)
class Stretch:
    """A piece of an edge: straight in log current and log time between its nodes.

    Parameters
    ----------
    kind : str                  one of ``KINDS``
    current : tuple of float    (n,) nodes [A], increasing, n >= 2; the first may be 0 and the last inf where ``time``
                                is constant
    time : tuple of float       (n,) [s], not increasing; constant inf: never operates; constant 0: no shortest time
    note : str                  what the stretch rests on
    """

    kind: str
    current: tuple[float, ...]
    time: tuple[float, ...]
    note: str = ""

    @property
    def low(self) -> float:
        """First current [A]."""
        return self.current[0]

    @property
    def high(self) -> float:
        """Last current [A]."""
        return self.current[-1]

    @property
    def is_level(self) -> bool:
        """True where the time is the same all along."""
        return self.time[0] == self.time[-1]

    def at(self, current: np.ndarray) -> np.ndarray:
        """Time [s] at ``current`` (n,) [A], which lies within the stretch."""
        if self.is_level:
            return np.full(np.shape(current), self.time[0])
        return np.exp(np.interp(np.log(current), np.log(self.current), np.log(self.time)))

    def portion(self, low: float, high: float) -> Stretch | None:
        """The part between two currents [A], None where nothing is left."""
        low, high = max(low, self.low), min(high, self.high)
        if low >= high:
            return None
        inner = [current for current in self.current if low < current < high]
        current = np.array([low, *inner, high])
        return Stretch(self.kind, tuple(current.tolist()), tuple(self.at(current).tolist()), self.note)


@dataclass(frozen=True)
class Edge:
    """One side of a device's band.

    Parameters
    ----------
    side : str                      "fast": no device operates earlier; "slow": every device has operated by then
    stretches : tuple of Stretch    in order of current, not overlapping; gaps are unknown
    """

    side: str
    stretches: tuple[Stretch, ...]

    def time(self, current):
        """Operating time [s] at ``current`` [A], float or (n,); nan where unknown, inf where it never operates.

        On the border of two stretches the slow edge takes the one above (a device must operate *at* the test current),
        the fast edge the one below (it must hold *at* the test current).
        """
        current = np.atleast_1d(np.asarray(current, dtype=float))
        result = np.full(current.shape, np.nan)
        for stretch, inside in self._cover(current):
            result[inside] = stretch.at(current[inside])
        return result if result.size != 1 else result[0]

    def kind(self, current: float) -> str:
        """Kind of the stretch at ``current`` [A], "" where unknown."""
        stretch = self.stretch_at(current)
        return stretch.kind if stretch else ""

    def stretch_at(self, current: float) -> Stretch | None:
        """Stretch at ``current`` [A], None where unknown."""
        for stretch, inside in self._cover(np.array([float(current)])):
            if inside[0]:
                return stretch
        return None

    def breaks(self) -> list[float]:
        """Currents [A] at which a stretch begins or ends or bends, finite and positive, increasing."""
        nodes = {current for stretch in self.stretches for current in stretch.current}
        return sorted(current for current in nodes if 0 < current < np.inf)

    def until(self, current: float) -> Edge:
        """The edge as far as ``current`` [A]; unknown beyond."""
        kept = (stretch.portion(0.0, current) for stretch in self.stretches)
        return Edge(self.side, tuple(stretch for stretch in kept if stretch))

    def delayed(self, delay: float) -> Edge:
        """The edge with every time later by ``delay`` [s]; "no shortest time" becomes that delay."""
        if not delay > 0.0:
            return self
        moved = []
        for stretch in self.stretches:
            current = np.array(stretch.current)
            if not stretch.is_level:  # a sum is not straight in log-log: nodes between
                share = np.linspace(0.0, 1.0, DELAYED_NODES + 1)
                current = np.exp(np.interp(np.arange(len(current) - 1)[:, None] + share, np.arange(len(current)), np.log(current)))
                current = np.unique(np.concatenate([current.ravel(), stretch.current]))
                current = current[(current >= stretch.low) & (current <= stretch.high)]
            time = stretch.at(current) + delay
            note = f"{stretch.note}; {delay:g} s later".removeprefix("; ")
            moved.append(Stretch(stretch.kind, tuple(current.tolist()), tuple(time.tolist()), note))
        return Edge(self.side, tuple(moved))

    def capped(self, start: float, time: float, kind: str, note: str) -> Edge:
        """The edge with an instantaneous release: from ``start`` [A] on no later than ``time`` [s]."""
        kept = []
        reached = start
        for stretch in self.stretches:
            if below := stretch.portion(0.0, start):
                kept.append(below)
            if above := stretch.portion(_first_current_at(stretch, time, start), np.inf):
                if above.low > reached:
                    kept.append(Stretch(kind, (reached, above.low), (time, time), note))
                kept.append(above)
                reached = above.high
        if reached < np.inf:
            kept.append(Stretch(kind, (reached, np.inf), (time, time), note))
        return Edge(self.side, tuple(kept))

    def _cover(self, current):
        for number, stretch in enumerate(self.stretches):
            if self.side == "slow":
                inside = (current >= stretch.low) & (current < stretch.high)
                following = self.stretches[number + 1].low if number + 1 < len(self.stretches) else np.nan
                if following != stretch.high:
                    inside |= current == stretch.high
            else:
                inside = (current > stretch.low) & (current <= stretch.high)
                before = self.stretches[number - 1].high if number else np.nan
                if before != stretch.low:
                    inside |= current == stretch.low
            if inside.any():
                yield stretch, inside


def _first_current_at(stretch: Stretch, time: float, start: float) -> float:
    """First current [A] from ``start`` on at which ``stretch`` is quicker than ``time`` [s]; inf if nowhere."""
    if stretch.is_level:
        return max(stretch.low, start) if stretch.time[0] < time else np.inf
    if stretch.time[-1] >= time:
        return np.inf
    falling_time, falling_current = np.log(stretch.time[::-1]), np.log(stretch.current[::-1])
    return max(start, float(np.exp(np.interp(np.log(time), falling_time, falling_current))))


def staircase(side: str, points: Sequence[tuple[float, float, str]]) -> Edge:
    """Provable edge through points of a standard.

    Parameters
    ----------
    side : str         "slow": points are trip limits; "fast": points are hold limits
    points : sequence of (current [A], time [s], note)

    Returns
    -------
    Edge               kind "standard" from 0 to infinite current
    """
    binding = _binding(side, points)
    silent_slow = "the standard names no longest time below this current"
    silent_fast = "the standard names no shortest time above this current"
    borders = [0.0, *(current for current, _, _ in binding), np.inf]
    if side == "slow":
        levels = [(np.inf, silent_slow), *((time, note) for _, time, note in binding)]
    else:
        levels = [*((time, note) for _, time, note in binding), (0.0, silent_fast)]
    return Edge(
        side,
        tuple(
            Stretch("standard", (low, high), (time, time), note)
            for low, high, (time, note) in zip(borders, borders[1:], levels)
        ),
    )


def interpolated(side: str, points: Sequence[tuple[float, float, str]]) -> Edge:
    """Edge drawn straight through points of a standard in log-log, which no standard promises.

    Parameters and result as ``staircase``; outside the points it is what the staircase says, below the first hold
    point the device is drawn as never operating.
    """
    binding = [point for point in _binding(side, points) if np.isfinite(point[1])]
    if len(binding) < 2:
        return staircase(side, points)
    line = Stretch(
        "interpolated",
        tuple(current for current, _, _ in binding),
        tuple(time for _, time, _ in binding),
        "straight line in log-log through " + ", ".join(note for _, _, note in binding),
    )
    proven = staircase(side, points)
    ends = [proven.stretches[0].portion(0.0, line.low), proven.stretches[-1].portion(line.high, np.inf)]
    if side == "fast":
        ends[0] = Stretch(
            "interpolated", (0.0, line.low), (np.inf, np.inf), "drawn as holding below the conventional current"
        )
    return Edge(side, tuple(stretch for stretch in (ends[0], line, ends[1]) if stretch))


def _binding(side: str, points) -> list[tuple[float, float, str]]:
    """Points that no other point makes idle, in order of current, with falling times."""
    kept: list[tuple[float, float, str]] = []
    if side == "slow":
        for point in sorted(points, key=lambda point: (point[0], point[1])):
            if not kept or point[1] < kept[-1][1]:
                kept.append(point)
        return kept
    for point in sorted(points, key=lambda point: (-point[0], -point[1])):
        if not kept or point[1] > kept[-1][1]:
            kept.append(point)
    return kept[::-1]


def image_edge(
    side: str, law: Callable[[np.ndarray], np.ndarray], pickup: float, highest: float, shortest: float, note: str
) -> Edge:
    """Edge of a thermal image, kind "default".

    Parameters
    ----------
    side : str
    law : callable      operating time [s] at currents (n,) [A] above ``pickup``
    pickup : float      up to here the image never operates [A]
    highest : float     current at which the edge stops [A]
    shortest : float    the image is not believed to be quicker than this [s]
    note : str

    Notes
    -----
    Held as straight pieces in log-log, halved in log(I / pickup - 1) until each is within ``IMAGE_ERROR`` of the law at
    its middle.
    """
    excess = np.geomspace(1e-7, highest / pickup - 1.0, 40)

    def time_at(excess):
        return np.maximum(law(pickup * (1.0 + excess)), shortest)

    for _ in range(12):
        middle = np.sqrt(excess[1:] * excess[:-1])
        log_current, log_time = np.log1p(excess), np.log(time_at(excess))
        off = np.abs(np.interp(np.log1p(middle), log_current, log_time) - np.log(time_at(middle)))
        if not (coarse := off > IMAGE_ERROR).any():
            break
        excess = np.sort(np.concatenate([excess, middle[coarse]]))
    current, time = pickup * (1.0 + excess), time_at(excess)
    still = Stretch("default", (0.0, float(current[0])), (np.inf, np.inf), note)
    return Edge(side, (still, Stretch("default", tuple(current.tolist()), tuple(time.tolist()), note)))


def maker_edge(side: str, points: Sequence[tuple[float, float]], hold: float, note: str) -> Edge:
    """Edge through a maker's or user's points, kind "maker".

    Parameters
    ----------
    side : str
    points : sequence of (current [A], time [s])    at least two, current increasing, time not increasing; or none
    hold : float       current [A] the device carries for ever, 0 if none is known; below the first point
    note : str         where the points come from
    """
    stretches = []
    if hold > 0.0:
        stretches.append(Stretch("maker", (0.0, hold), (np.inf, np.inf), "rated current, carried continuously"))
    if points:
        stretches.append(Stretch("maker", tuple(c for c, _ in points), tuple(t for _, t in points), note))
    return Edge(side, tuple(stretches))
