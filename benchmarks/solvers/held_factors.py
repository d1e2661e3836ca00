"""TR-BDF2 for the linear problems P1-P3: one sparse factorisation per step length, held for the whole history.

    M T' = -K T + f + sum_c s_c b_c (1 + COEFFICIENT (b_c . T / A_c - 20))

is linear with a term of rank two, so a step costs two substitutions and a 2 x 2 correction (Woodbury). After every change
of current the steps start short, double, and stay at their longest, so a history factorises about six times. The longest
step is as long as it can be before the error in time shows beside the error of the mesh.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from solvers.problems import COEFFICIENT, CURRENTS, HORIZON, LIMITS, START, Problem, source_strength

_NODE = 2 - 2**0.5
_OLD, _MIDDLE = (1 - _NODE) ** 2 / (_NODE * (2 - _NODE)), 1 / (_NODE * (2 - _NODE))


@dataclass
class LinearSystem:
    """Matrices per metre of cable in SI.

    Parameters
    ----------
    mass, stiffness : (n, n) sparse       the latter with the films
    loads : (n, 2)                        integral of each unknown's function over each loaded conductor [m²]
    area : (2,)                           of the loaded conductors [m²]
    films : (n,)                          films times air temperature
    cold : (n,)                           the start state
    """

    mass: sparse.csr_matrix
    stiffness: sparse.csr_matrix
    loads: np.ndarray
    area: np.ndarray
    films: np.ndarray
    cold: np.ndarray

    def conductor(self, state: np.ndarray):
        """Mean of the hotter loaded conductor, of one state (n,) or of several (n, m)."""
        return ((self.loads.T @ state).T / self.area).max(axis=-1)

    def base(self, strength: np.ndarray) -> np.ndarray:
        """Right-hand side without the part of Joule heat that follows temperature, (n,) or (n, m)."""
        constant = strength * (1 - 20 * COEFFICIENT)
        return (self.films + np.multiply.outer(constant, self.loads.sum(axis=1))).T


class _Factors:
    """Factorisations of mass + g stiffness, by g."""

    def __init__(self, system: LinearSystem):
        self.system, self.kept = system, {}

    def get(self, g: float):
        if g not in self.kept:
            system = self.system
            matrix = (system.mass + g * system.stiffness).tocsc()
            solve = splu(
                matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            ).solve
            response = solve(system.loads)
            self.kept[g] = solve, response, system.loads.T @ response
        return self.kept[g]


def _stage_steps(length: float, longest: float, shortest: float, each: int) -> Iterator[float]:
    """Step lengths of one stage: ``each`` of one length, doubled up to the longest, landing on the end."""
    time, step = 0.0, shortest
    while step < longest:
        for _ in range(each):
            yield step
            time += step
        step = min(2 * step, longest)
    count = int(np.ceil((length - time) / longest - 1e-9))
    for _ in range(count):
        yield (length - time) / count


def march(system: LinearSystem, problem: Problem, longest: float = 120.0):
    """Times (n,) [s] and hotter conductor (n,) [°C] at the ends of all steps."""
    factors, transposed = _Factors(system), system.loads.T.copy()
    state, time = system.cold.copy(), 0.0
    times, found = [0.0], [START]
    for current, length in problem.loads:
        strength = source_strength(current)
        base, feedback = system.base(strength), strength * COEFFICIENT / system.area
        for step in _stage_steps(length, longest, longest / 32, 4):
            g = _NODE * step / 2
            solve, response, coupling = factors.get(g)
            inverse = np.linalg.inv(np.diag(1 / (g * feedback)) - coupling)

            def corrected(right, solve=solve, response=response, inverse=inverse):
                x = solve(right)
                return x + response @ (inverse @ (transposed @ x))

            flow = system.stiffness @ state - system.loads @ (feedback * (transposed @ state))
            middle = corrected(system.mass @ state + 2 * g * base - g * flow)
            state = corrected(system.mass @ (_MIDDLE * middle - _OLD * state) + g * base)
            time += step
            times.append(time)
            found.append(system.conductor(state))
    return np.array(times), np.array(found)


def _curve_steps(shortest: float = 0.02, longest: float = 480.0, each: int = 2) -> Iterator[float]:
    """Endless step lengths of a limit curve."""
    step, taken = shortest, 0
    while True:
        yield step
        taken += 1
        if taken % each == 0 and step < longest:
            step = min(2 * step, longest)


def limit_curve(system: LinearSystem, limit: float = LIMITS[-1]):
    """All currents side by side as columns of one right-hand side, each until it reaches the limit or the horizon.

    Returns
    -------
    reached : (24,)     [s], nan where the limit is not reached
    final : (24,)       conductor at the horizon [°C], nan where the limit was reached before
    steps : int         steps of single currents
    """
    factors, loads = _Factors(system), system.loads
    transposed = loads.T.copy()
    active, strength = np.arange(len(CURRENTS)), source_strength(CURRENTS)
    state = np.repeat(system.cold[:, None], len(active), axis=1)
    reached, final, steps = np.full(len(active), np.nan), np.full(len(active), np.nan), 0
    conductor, time = np.full(len(active), START), 0.0
    for length in _curve_steps():
        step = min(length, HORIZON - time)
        if step <= 1e-9:
            final[active] = conductor
            break
        g = _NODE * step / 2
        solve, response, coupling = factors.get(g)
        feedback = strength[None] * COEFFICIENT / system.area[:, None]
        base = system.base(strength)
        inverse = np.linalg.inv(np.einsum("ij,jk->kij", np.eye(2), 1 / (g * feedback)) - coupling)

        def corrected(right, solve=solve, response=response, inverse=inverse):
            x = solve(right)
            return x + response @ np.einsum("kij,jk->ik", inverse, transposed @ x)

        flow = system.stiffness @ state - loads @ (feedback * (transposed @ state))
        middle = corrected(system.mass @ state + 2 * g * base - g * flow)
        after = corrected(system.mass @ (_MIDDLE * middle - _OLD * state) + g * base)
        at_middle, at_end = system.conductor(middle), system.conductor(after)
        steps += len(active)
        over = at_end >= limit
        for column in np.flatnonzero(over):  # parabola through beginning, middle and end
            values = np.array([conductor[column], at_middle[column], at_end[column]]) - limit
            roots = np.roots(np.polyfit([0.0, _NODE, 1.0], values, 2))
            roots = roots[np.isreal(roots)].real
            roots = roots[(roots >= -1e-9) & (roots <= 1 + 1e-9)]
            reached[active[column]] = time + step * (roots[0] if len(roots) else 1.0)
        active, strength, conductor = active[~over], strength[~over], at_end[~over]
        if len(active) == 0:
            break
        state, time = after[:, ~over], time + step
    return reached, final, steps
