"""State models of a device for varying current, stepped exactly over segments in which the current is linear in time.

=========================  =============================================================  ==========================
element                    state                                                          meant for
=========================  =============================================================  ==========================
``FirstOrderImage``        one temperature rise                                           motor relays, one known tau
``TwoNodeImage``           bimetal and case                                               thermal-magnetic breakers
``CurveImage``             rise of the image equivalent to a time-current curve           fuses, makers' curves
``releases.Integral``      share of the operating time used up, with reset                relays, electronic releases
``releases.Magnetic...``   how long the current has been above the threshold              instantaneous releases
``AdiabaticElement``       I²t that has not yet been lost                                 fuses below about a second
=========================  =============================================================  ==========================

Every element answers ``cold()``, ``soaked(current)``, ``advance(state, start, stop, duration)``, ``crossing(...)`` (time
into the segment at which it operates, inf if it does not) and ``level(state)`` (1 where it operates). A state is a tuple
of floats, so that it can be stored and taken up again. What heats is the square of the current, integrated over the
segment, never the square of the mean current.

How wrong the wrong model is (facts derived here, ``tests/coverage/test_images.py``): the integral and the curve image
are late after a preload; on cyclic overloads the integral, and the curve image with slow cooling, credit a bimetal with
trips that never come. So a bimetal is given the integral nowhere in this package.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.stretches import Edge

State = tuple[float, ...]
HALF_CYCLE = 0.01  # [s] shortest time in which a magnetic release acts (IEC 60898-1 practice at 50 Hz, memory high)
STANDSTILL = 0.05  # of the pickup: below this a separate cooling constant counts
_RAMP_SHARE = 0.01  # change of current within one piece of a curve image's ramp
_MOST_PIECES = 400


def mean_square(start: float, stop: float) -> float:
    """Mean of I² [A²] over a segment in which the current goes straight from ``start`` to ``stop`` [A]."""
    return (start * start + start * stop + stop * stop) / 3.0


def relaxed(state, start: float, stop, duration, time_constant: float):
    """Node x' = (I(t)² - x) / tau at the end of a segment in which the current is linear in time.

    Parameters
    ----------
    state : float                        x before [A²]
    start : float                        current at the beginning [A]
    stop, duration : float or (n,)       current at, and time since the beginning of, each asked moment [A], [s]
    time_constant : float                tau [s]

    Source
    ------
    Exact solution by parts: x0 e^-z + z (I0² B0 + 2 I0 dI B1 + dI² B2), z = t / tau, Bn the integral of u^n e^(-z(1-u))
    over 0..1. Worked example: tau 600 s, 0 to 2 A in 100 s from x = 0 gives 0.2132632 A² (quadrature of the convolution).
    """
    z = np.asarray(duration, dtype=float) / time_constant
    rise = np.asarray(stop, dtype=float) - start
    first, second, third = _moments(z)
    return (state * np.exp(-z) + z * (start * start * first + 2.0 * start * rise * second + rise * rise * third))[()]


def _moments(z):
    """Integrals of u^n e^(-z (1 - u)) over 0..1 for n = 0, 1, 2; a series where z is small."""
    z = np.asarray(z, dtype=float)
    small = z < 1.0
    large = np.where(small, 1.0, z)
    closed = [-np.expm1(-large) / large]
    for order in (1, 2):
        closed.append((1.0 - order * closed[-1]) / large)
    near = np.where(small, z, 0.0)
    result = []
    for order, value in enumerate(closed):
        term = np.full(z.shape, 1.0 / (order + 1.0))
        total = term.copy()
        for power in range(1, 20):
            term = term * -near / (order + 1.0 + power)
            total = total + term
        result.append(np.where(small, total, value))
    return result


def _first_reach(value: Callable, slope: Callable, duration: float, scales) -> float:
    """First time in a segment at which ``value`` (negative before) reaches 0, inf if it does not.

    ``value`` and ``slope`` take (n,) times. Peaks between the looks are found by the change of sign of the slope.
    """
    from scipy.optimize import brentq  # a tenth of a second to import, so only where it is needed

    looks = [np.linspace(0.0, duration, 25)]
    looks += [scale * np.geomspace(1e-3, 8.0, 24) for scale in scales if np.isfinite(scale)]
    times = np.unique(np.concatenate(looks))
    times = times[times <= duration]
    rates = slope(times)
    peaks = [
        brentq(lambda t: float(slope(np.array([t]))[0]), times[n], times[n + 1], xtol=1e-12 * duration)
        for n in np.flatnonzero((rates[:-1] > 0) & (rates[1:] < 0))
    ]
    times = np.unique(np.concatenate([times, peaks]))
    values = value(times)
    reached = np.flatnonzero(values >= 0.0)
    if reached.size == 0:
        return np.inf
    first = reached[0]
    if first == 0:
        return 0.0
    return float(
        brentq(lambda t: float(value(np.array([t]))[0]), times[first - 1], times[first], xtol=1e-13 * duration)
    )


@dataclass(frozen=True)
class FirstOrderImage:
    """One node: tau dH/dt = (I / pickup)² - H, operates at H = 1 (IEC 60255-149).

    Parameters
    ----------
    pickup : float             [A]
    time_constant : float      tau [s]
    cooling : float            tau where the current stands still, below ``STANDSTILL`` of the pickup; 0: as tau [s]
    """

    pickup: float
    time_constant: float
    cooling: float = 0.0

    def cold(self) -> State:
        """State after a long time without current."""
        return (0.0,)

    def soaked(self, current: float) -> State:
        """Steady state at ``current`` [A]."""
        return ((current / self.pickup) ** 2,)

    def level(self, state: State) -> float:
        """1 where it operates."""
        return state[0]

    def _constant(self, start: float, stop: float) -> float:
        still = max(start, stop) < STANDSTILL * self.pickup
        return self.cooling if still and self.cooling else self.time_constant

    def advance(self, state: State, start: float, stop: float, duration: float) -> State:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        scale = self.pickup**2
        return (float(relaxed(state[0] * scale, start, stop, duration, self._constant(start, stop))) / scale,)

    def crossing(self, state: State, start: float, stop: float, duration: float) -> float:
        """Time into the segment at which it operates [s], inf if it does not."""
        tau = self._constant(start, stop)
        if start == stop and state[0] < 1.0:
            time = float(laws.first_order_crossing(state[0], (start / self.pickup) ** 2, tau))
            return time if time <= duration else np.inf
        return _nodes_crossing((state[0] * self.pickup**2,), (1.0,), (tau,), self.pickup**2, start, stop, duration)


def _nodes_crossing(nodes, shares, constants, level, start, stop, duration) -> float:
    """First time the weighted sum of nodes reaches ``level`` [A²] on a linear segment."""
    if sum(share * node for share, node in zip(shares, nodes)) >= level:
        return 0.0
    most = max(start, stop) ** 2
    if sum(share * max(node, most) for share, node in zip(shares, nodes)) <= level:
        return np.inf

    def at(times):
        current = start + (stop - start) * times / duration
        return current**2, [relaxed(node, start, current, times, tau) for node, tau in zip(nodes, constants)]

    def value(times):
        _, states = at(times)
        return sum(share * node for share, node in zip(shares, states)) - level

    def slope(times):
        square, states = at(times)
        return sum(share * (square - node) / tau for share, node, tau in zip(shares, states, constants))

    return _first_reach(value, slope, duration, constants)


@dataclass(frozen=True)
class TwoNodeImage:
    """Bimetal and case: x_j' = (I² - x_j) / tau_j, operates at share x_1 + (1 - share) x_2 = pickup².

    Parameters
    ----------
    pickup : float        [A]
    share : float         of the quick node, 0..1
    fast, slow : float    time constants of the quick and the slow node [s]
    """

    pickup: float
    share: float
    fast: float
    slow: float

    def cold(self) -> State:
        """State after a long time without current."""
        return (0.0, 0.0)

    def soaked(self, current: float) -> State:
        """Steady state at ``current`` [A]."""
        return (current**2, current**2)

    def level(self, state: State) -> float:
        """1 where it operates."""
        return (self.share * state[0] + (1.0 - self.share) * state[1]) / self.pickup**2

    def advance(self, state: State, start: float, stop: float, duration: float) -> State:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        return tuple(
            float(relaxed(node, start, stop, duration, tau)) for node, tau in zip(state, (self.fast, self.slow))
        )

    def crossing(self, state: State, start: float, stop: float, duration: float) -> float:
        """Time into the segment at which it operates [s], inf if it does not."""
        shares = (self.share, 1.0 - self.share)
        return _nodes_crossing(state, shares, (self.fast, self.slow), self.pickup**2, start, stop, duration)

    def at_ambient(self, factor: float) -> TwoNodeImage:
        """The image with its pickup times ``factor`` (see :func:`ambient_factor`)."""
        return TwoNodeImage(self.pickup * factor, self.share, self.fast, self.slow)


@dataclass(frozen=True)
class CurveImage:
    """First-order image whose time constant is chosen at each current so that it has the times of a given curve.

    Parameters
    ----------
    edge : Edge            operating time against constant current, from cold
    pickup : float         largest current that never operates it [A]
    case : float           time constant up to the pickup before any overload [s]
    cooling : float        time constant up to the pickup after an overload [s]; 0: that of the overload itself, which
                           forgets fastest and is meant for the slow edge
    shortest : float       no time of the curve counts as shorter [s]

    Notes
    -----
    State: H, and the time constant with which it last heated. On ramps above the pickup the current is cut into pieces of
    at most 1 % change, each with its root mean square; elsewhere the step is exact.

    Source
    ------
    Derived here: tau(I) = t(I) / ln(I² / (I² - k²)) makes the first-order image operate at t(I) from cold.
    """

    edge: Edge
    pickup: float
    case: float
    cooling: float = 0.0
    shortest: float = HALF_CYCLE

    def cold(self) -> State:
        """State after a long time without current."""
        return (0.0, self.case)

    def soaked(self, current: float) -> State:
        """Steady state at ``current`` [A]."""
        return ((current / self.pickup) ** 2, self.case)

    def level(self, state: State) -> float:
        """1 where it operates."""
        return state[0]

    def time_constant(self, current: float, last: float) -> float:
        """Time constant [s] at ``current`` [A] when the last overload had ``last`` [s]."""
        if current > self.pickup:
            time = float(self.edge.time(current))
            if np.isfinite(time):
                square = current * current
                return max(time, self.shortest) / math.log(square / (square - self.pickup**2))
            if np.isinf(time):
                return np.inf
        return self.cooling or last

    def _pieces(self, start: float, stop: float, duration: float):
        """(root mean square current [A], length [s]) of the pieces of a segment."""
        if start == stop:
            return [(start, duration)]
        count = math.ceil(abs(stop - start) / (_RAMP_SHARE * max(start, stop)))
        count = min(max(count, 2), _MOST_PIECES)
        ends = np.linspace(start, stop, count + 1)
        return [(math.sqrt(mean_square(a, b)), duration / count) for a, b in pairwise(ends)]

    def _step(self, state: State, current: float, length: float) -> tuple[State, float]:
        tau = self.time_constant(current, state[1])
        if np.isinf(tau):
            return state, np.inf
        load = (current / self.pickup) ** 2
        last = tau if current > self.pickup else state[1]
        after = (float(laws.first_order_step(state[0], load, length, tau)), last)
        if state[0] >= 1.0:
            return after, 0.0
        return after, float(laws.first_order_crossing(state[0], load, tau))

    def advance(self, state: State, start: float, stop: float, duration: float) -> State:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        if max(start, stop) <= self.pickup:
            scale, tau = self.pickup**2, self.cooling or state[1]
            return (float(relaxed(state[0] * scale, start, stop, duration, tau)) / scale, state[1])
        for current, length in self._pieces(start, stop, duration):
            state, _ = self._step(state, current, length)
        return state

    def crossing(self, state: State, start: float, stop: float, duration: float) -> float:
        """Time into the segment at which it operates [s], inf if it does not."""
        if max(start, stop) <= self.pickup:
            return 0.0 if state[0] >= 1.0 else np.inf
        passed = 0.0
        for current, length in self._pieces(start, stop, duration):
            after, time = self._step(state, current, length)
            if time <= length * (1.0 + 1e-12):
                return min(passed + time, duration)
            state, passed = after, passed + length
        return np.inf


@dataclass(frozen=True)
class AdiabaticElement:
    """Operates when its I²t reaches ``energy``; the heat is lost with a time constant.

    Parameters
    ----------
    energy : float      pre-arcing I²t [A² s]
    cooling : float     [s]; inf: nothing is lost, for single pulses only

    Source
    ------
    dE/dt = I² - E / cooling; IEC 60269 gives the energies. The cooling constant energy / (non-fusing current)² lets the
    element carry its non-fusing current for ever (derived here).
    """

    energy: float
    cooling: float = np.inf

    def cold(self) -> State:
        """State after a long time without current."""
        return (0.0,)

    def soaked(self, current: float) -> State:
        """Steady state at ``current`` [A]; without cooling only at no current."""
        if np.isinf(self.cooling) and current > 0.0:
            raise UsageError("an adiabatic element without cooling has no steady state")
        return (current**2 * self.cooling if current else 0.0,)

    def level(self, state: State) -> float:
        """1 where it operates."""
        return state[0] / self.energy

    def _at(self, held: float, start: float, stop, duration):
        z = np.asarray(duration, dtype=float) / self.cooling
        rise = np.asarray(stop, dtype=float) - start
        first, second, third = _moments(z)
        gained = start * start * first + 2.0 * start * rise * second + rise * rise * third
        return held * np.exp(-z) + duration * gained

    def advance(self, state: State, start: float, stop: float, duration: float) -> State:
        """State after a segment from ``start`` to ``stop`` [A] of ``duration`` [s]."""
        return (float(self._at(state[0], start, stop, duration)),)

    def crossing(self, state: State, start: float, stop: float, duration: float) -> float:
        """Time into the segment at which it operates [s], inf if it does not."""
        if state[0] >= self.energy:
            return 0.0
        most = max(start, stop) ** 2
        if state[0] + most * duration < self.energy or max(state[0], most * self.cooling) <= self.energy:
            return np.inf

        def current(times):
            return start + (stop - start) * times / duration

        def value(times):
            return self._at(state[0], start, current(times), times) - self.energy

        def slope(times):
            return current(times) ** 2 - self._at(state[0], start, current(times), times) / self.cooling

        return _first_reach(value, slope, duration, (self.cooling,))


def ambient_factor(ambient: float, reference: float, rise: float) -> float:
    """Pickup at another air temperature over that at the reference: sqrt((Ttrip - Ta) / (Ttrip - Tref)).

    Parameters
    ----------
    ambient, reference : float    air at the device, and the one its data hold for [K]
    rise : float                  Ttrip - Tref, by which the bimetal lies above the reference when it trips [K]

    Raises
    ------
    UsageError    the air alone would trip it

    Source
    ------
    A bimetal trips at a fixed temperature (derived here). Worked example: calibrated at 40 °C with Ttrip = 118.9 °C: 0.900
    at 55 °C and 0.864 at 60 °C, against 0.90 and 0.85 in one maker's table (read).
    """
    left = rise - (ambient - reference)
    if not left > 0.0:
        raise UsageError(
            f"air of {ambient - 273.15:.0f} °C alone would trip this device; its model does not reach there"
        )
    return math.sqrt(left / rise)
