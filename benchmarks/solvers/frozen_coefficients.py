"""Linearly implicit SDIRK of order 2: coefficients frozen at the extrapolated middle of the step.

L-stable, two stages; freezing properties, faces and Joule heat at the state half way through the step, extrapolated with
the last stage's slope, keeps the second order with one assembly, one factorisation and two substitutions per step. The
step follows the change of the conductor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from solvers.problems import COPPER_CAPACITY, CURRENTS, HORIZON, LIMITS, source_strength

_GAMMA = 1 - 0.5**0.5


@dataclass(frozen=True)
class StepRule:
    """Choice of steps.

    Parameters
    ----------
    first : float        kelvin that the first step after a jump would heat the bare conductor
    growth : float       most that a step grows
    longest : float      [s]
    change : float       change of the conductor that a step aims at [K]
    """

    first: float
    growth: float
    longest: float
    change: float


def march(system, loads, rule: StepRule, stop: float | None = None):
    """Times (n,) [s] and hotter conductor (n,) [°C] at the ends of all steps, until ``stop`` [°C] is reached.

    ``system`` offers ``cold`` (n,), ``conductor(state)`` and ``prepare(ahead, strength, g)``.
    """
    state, time = system.cold.copy(), 0.0
    slope = np.zeros_like(state)
    before = system.conductor(state)
    times, found, last_strength = [0.0], [before], 0.0
    for current, length in loads:
        strength, end = source_strength(current), time + length
        step = rule.first * COPPER_CAPACITY / max(abs(strength - last_strength), 1e-9)
        last_strength = strength
        while time < end - 1e-9:
            step = min(step, end - time)
            if 0 < end - time - step < 0.5 * step:
                step = 0.5 * (end - time)
            solve, mass, right = system.prepare(state + 0.5 * step * slope, strength, _GAMMA * step)
            right = _GAMMA * step * right
            content = mass(state)
            middle = solve(content + right)
            ratio = (1 - _GAMMA) / _GAMMA
            after = solve(content + ratio * mass(middle - state) + right)
            slope = (after - state - ratio * (middle - state)) / (_GAMMA * step)
            state, time = after, time + step
            now = system.conductor(state)
            times.append(time)
            found.append(now)
            if stop is not None and now >= stop:
                return np.array(times), np.array(found)
            change, before = abs(now - before), now
            step = min(step * min(rule.growth, rule.change / max(change, 1e-9)), rule.longest)
    return np.array(times), np.array(found)


def limit_curve(system, rule: StepRule) -> list[tuple[np.ndarray, np.ndarray]]:
    """One march per current, each until the last limit or the horizon."""
    return [march(system, ((current, HORIZON),), rule, stop=LIMITS[-1]) for current in CURRENTS]
