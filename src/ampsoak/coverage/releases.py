"""Releases without a thermal image: relays and electronic releases as an integral with reset, magnetic releases.

Elements as in :mod:`ampsoak.coverage.images`: ``cold``, ``soaked``, ``advance``, ``crossing``, ``level``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.images import HALF_CYCLE, State, mean_square

_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(12)
_PIECES = 16  # Gauss pieces of a ramp between corners of an operating-time law


@dataclass(frozen=True)
class Reset:
    """What an integral does while the current is below its pickup.

    Parameters
    ----------
    kind : str      "instant" (back to 0 at once), "curve" (runs back in time / (1 - M²) from full travel, IEEE C37.112)
                    or "memory" (decays with the time constant ``time``, thermal memory of electronic releases)
    time : float    reset time already multiplied by the setting, or time constant [s]; not used by "instant"
    """

    kind: str = "instant"
    time: float = 0.0

    def __post_init__(self):
        if self.kind not in ("instant", "curve", "memory"):
            raise UsageError(f'reset is "{self.kind}"; it must be instant, curve or memory')
        if self.kind != "instant" and not self.time > 0.0:
            raise UsageError(f"reset {self.kind} needs a positive time, not {self.time:g} s")


@dataclass(frozen=True)
class Integral:
    """Operates when the integral of dt / t(I) reaches 1 (IEC 60255-151, IEEE C37.112).

    Parameters
    ----------
    law : callable            operating time [s] at currents (n,) [A]; inf or nan: no progress
    pickup : float            below this it resets [A]
    reset : Reset
    breaks : tuple of float   currents at which the law has a corner [A]
    """

    law: Callable
    pickup: float
    reset: Reset = Reset()
    breaks: tuple[float, ...] = ()

    def cold(self) -> State:
        """State at rest."""
        return (0.0,)

    def soaked(self, current: float) -> State:
        """State after a long time at ``current`` [A]: at rest below the pickup, operated above."""
        return (0.0,) if current <= self.pickup else (1.0,)

    def level(self, state: State) -> float:
        """1 where it operates."""
        return state[0]

    def _rate(self, current):
        """Progress [1/s] at currents (n,) [A] from the pickup up."""
        time = np.asarray(self.law(current), dtype=float)
        with np.errstate(divide="ignore"):
            return np.where(np.isnan(time), 0.0, 1.0 / time)

    def _pieces(self, start: float, stop: float, duration: float):
        """(start [A], stop [A], length [s]) of pieces without a corner inside."""
        if start == stop:
            return [(start, stop, duration)]
        corners = [current for current in (self.pickup, *self.breaks) if min(start, stop) < current < max(start, stop)]
        ends = sorted({start, stop, *corners}, reverse=bool(stop < start))
        return [(a, b, duration * abs(b - a) / abs(stop - start)) for a, b in pairwise(ends)]

    def _gain(self, start: float, slope: float, length):
        """Progress over a time (n,) or scalar [s] beginning at ``start`` [A] and rising by ``slope`` [A/s]."""
        length = np.atleast_1d(np.asarray(length, dtype=float))
        times = length[:, None] * (_GAUSS_NODES + 1.0) / 2.0
        return (self._rate(start + slope * times) * _GAUSS_WEIGHTS).sum(axis=1) * length / 2.0

    def _fallen(self, share: float, start: float, stop: float, length: float) -> float:
        """Share left after a piece below the pickup."""
        if self.reset.kind == "instant":
            return 0.0
        if self.reset.kind == "memory":
            return share * math.exp(-length / self.reset.time)
        return max(0.0, share - length * (1.0 - mean_square(start, stop) / self.pickup**2) / self.reset.time)

    def _walk(self, state: State, start: float, stop: float, duration: float) -> tuple[float, float]:
        """Share used up at the end of the segment, and the time at which it reaches 1 (inf if it does not)."""
        from scipy.optimize import brentq  # a tenth of a second to import, so only where it is needed

        share, passed = state[0], 0.0
        for first, last, length in self._pieces(start, stop, duration):
            if max(first, last) <= self.pickup and not first == last == self.pickup:
                share = self._fallen(share, first, last, length)
            elif first == last:
                rate = float(self._rate(np.array([first]))[0])
                if share < 1.0 <= share + rate * length:
                    return 1.0, passed + (1.0 - share) / rate
                share += rate * length
            else:
                part, slope = length / _PIECES, (last - first) / length
                for number in range(_PIECES):
                    here = first + slope * number * part
                    gain = float(self._gain(here, slope, part)[0])
                    if share < 1.0 <= share + gain:
                        root = brentq(
                            lambda t, here=here, share=share, slope=slope: share + float(self._gain(here, slope, t)[0]) - 1.0,
                            0.0, part, xtol=1e-14 * duration,
                        )  # fmt: skip
                        return 1.0, passed + number * part + root
                    share += gain
            passed += length
        return share, np.inf

    def advance(self, state: State, start: float, stop: float, duration: float) -> State:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        return (self._walk(state, start, stop, duration)[0],)

    def crossing(self, state: State, start: float, stop: float, duration: float) -> float:
        """Time into the segment at which it operates [s], inf if it does not."""
        return 0.0 if state[0] >= 1.0 else self._walk(state, start, stop, duration)[1]


def relay_integral(
    curve: str, setting: float, pickup: float, reset: Reset | None = None, side: str = "slow", threshold: float = 1.1
) -> Integral:
    """Integral of an inverse-time relay.

    Parameters
    ----------
    curve : str            key of ``laws.RELAY_CURVES``
    setting : float        time multiplier or time dial
    pickup : float         set current Is [A]
    reset : Reset or None  None: at once
    side : str             between the pickup and the threshold no time is stated: "slow" takes no progress there, any
                           other side the formula
    threshold : float      declared least multiple at which the time holds
    """
    least = threshold if side == "slow" else 1.0

    def law(current):
        return laws.relay_time(np.asarray(current) / pickup, curve, setting, least)

    return Integral(law, pickup, reset or Reset(), (least * pickup, 20.0 * pickup))


@dataclass(frozen=True)
class MagneticElement:
    """Instantaneous release: operates once the current has been at or above a threshold for a time.

    Parameters
    ----------
    threshold : float     [A] r.m.s.; it answers the peak in truth, so a d.c. offset lowers it by up to about 1.8
    dwell : float         [s]
    strict : bool         True: the threshold itself is still held (a fast edge must hold at its hold current)
    """

    threshold: float
    dwell: float = HALF_CYCLE
    strict: bool = False

    def cold(self) -> State:
        """State below the threshold."""
        return (0.0,)

    def soaked(self, current: float) -> State:
        """State after a long time at ``current`` [A]."""
        return (self.dwell if self._above(current, current) else 0.0,)

    def level(self, state: State) -> float:
        """1 where it operates."""
        return state[0] / self.dwell

    def _above(self, low: float, high: float) -> bool:
        return min(low, high) > self.threshold or (not self.strict and min(low, high) >= self.threshold)

    def _walk(self, state: State, start: float, stop: float, duration: float) -> tuple[float, float]:
        if self._above(start, stop):
            time = max(0.0, self.dwell - state[0])
            return state[0] + duration, time if time <= duration else np.inf
        if max(start, stop) <= self.threshold:
            return 0.0, np.inf
        meets = duration * (self.threshold - start) / (stop - start)
        if stop > start:
            return duration - meets, meets + self.dwell if meets + self.dwell <= duration else np.inf
        time = max(0.0, self.dwell - state[0])
        return 0.0, time if time <= meets else np.inf

    def advance(self, state: State, start: float, stop: float, duration: float) -> State:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        return (self._walk(state, start, stop, duration)[0],)

    def crossing(self, state: State, start: float, stop: float, duration: float) -> float:
        """Time into the segment at which it operates [s], inf if it does not."""
        return 0.0 if state[0] >= self.dwell else self._walk(state, start, stop, duration)[1]
