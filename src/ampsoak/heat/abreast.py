"""One step of eight members of a linear section side by side, in compiled code.

Where heat capacities, links and films do not depend on temperature, a stage is one product, what flows at its first
guess, and one solution with the step's matrix; nothing is iterated. Members differ in the heat of their conductors
alone, so matrix, links and capacities are read once for all of them. Arrays of rows hold eight numbers per unknown.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ampsoak.heat.bordered import solve_bordered_rows
from ampsoak.heat.compiling import inner, kernel, quick_kernel
from ampsoak.heat.kernels import _cubic_weights
from ampsoak.heat.rows import dot_rows, largest_rows, miss_rows, read_rows, shift_rows
from ampsoak.heat.sums import total
from ampsoak.heat.tiles import SIDE


class Linear(NamedTuple):
    """A linear section, as far as temperature does not change it.

    strides (2,): of cells along x and y
    links (n,) [W/(m K)]: see ``rows.miss_rows``
    own (3 * unknowns,): of each unknown, heat given to it [W/m], what it loses per kelvin [W/(m K)], capacity [J/(m K)]
    leak, capacity (unknowns,): the same two once more, on their own
    low, high, between (n,): unknowns that conductors and skins exchange heat between, and conductance [W/(m K)]
    covered_cell, covered_by, skin_conductor: as in Network
    coefficient (conductors,) [1/K]: of resistance
    wide (8 * unknowns,): capacities as rows
    sums (2,) [W/m]: heat given off by parts, and heat lost at the temperature of zero kelvin
    """

    strides: np.ndarray
    links: np.ndarray
    own: np.ndarray
    leak: np.ndarray
    capacity: np.ndarray
    low: np.ndarray
    high: np.ndarray
    between: np.ndarray
    covered_cell: np.ndarray
    covered_by: np.ndarray
    skin_conductor: np.ndarray
    coefficient: np.ndarray
    wide: np.ndarray
    sums: np.ndarray


class Work(NamedTuple):
    """Work arrays of eight members, and what a step leaves in them.

    state: rows [K] with stride_x + stride_y more at either end; change (3, rows): of the stages [K]; miss: rows
    inverse (lumps, lumps, 8): of the corners
    ones (unknowns,): as weights of a sum; sums (4, 8): scratch
    result (5, 8): heat generated, lost and stored [J/m]; error and highest temperature [K], not finite where one is not
    """

    state: np.ndarray
    change: np.ndarray
    miss: np.ndarray
    inverse: np.ndarray
    ones: np.ndarray
    sums: np.ndarray
    result: np.ndarray


@inner
def _guess(stage, scheme, weight, before, rate, changes, state):
    """Fill the change of ``stage``, guessed to go on as the two before it, and the state [K] that it leads to.

    A stage begins at the start of the step plus what the flows of those before it do.
    """
    gamma = scheme[0, 4]
    change, first, second = changes[stage], changes[0], changes[1]
    if stage == 0:
        for i in range(len(before)):
            change[i] = weight * rate[i]
            state[i] = before[i] + change[i]
    elif stage == 1:
        share = scheme[1, 0] / gamma
        ahead = (scheme[1, 0] + scheme[1, 1] - scheme[0, 0]) / scheme[0, 0]
        for i in range(len(before)):
            change[i] = first[i] + ahead * (first[i] - weight * rate[i])
            state[i] = before[i] + share * first[i] + change[i]
    else:
        share, more = scheme[2, 0] / gamma, scheme[2, 1] / gamma
        here = scheme[1, 0] + scheme[1, 1]
        ahead = (scheme[2, 0] + scheme[2, 1] + scheme[2, 2] - here) / (here - scheme[0, 0])
        for i in range(len(before)):
            change[i] = second[i] + ahead * (second[i] - first[i])
            state[i] = before[i] + (share * first[i] + more * second[i]) + change[i]


@inner
def _miss(linear, heat, state, room, change, weight, cells, miss):
    """Fill what each unknown misses of its balance: ``weight`` [s] times the heat that flows in, less what it stores."""
    own, coefficient, temperature = linear.own, linear.coefficient, state[SIDE * room :]
    low, high, between = linear.low, linear.high, linear.between
    miss_rows((cells, linear.strides[0], linear.strides[1]), linear.links, own, state, room, change, weight, miss)
    for q in range(cells, len(linear.leak)):
        for m in range(SIDE):
            miss[SIDE * q + m] = weight * own[3 * q] - own[3 * q + 2] * change[SIDE * q + m]
    for c in range(len(coefficient)):
        for m in range(SIDE):
            here = temperature[SIDE * (cells + c) + m]
            miss[SIDE * (cells + c) + m] += weight * heat[c, m] * (1.0 + coefficient[c] * (here - 293.15))
    for n in range(len(low)):
        one, other, factor = SIDE * low[n], SIDE * high[n], weight * between[n]
        for m in range(SIDE):
            passed = factor * (temperature[other + m] - temperature[one + m])
            miss[one + m] += passed
            miss[other + m] -= passed
    covered_cell = linear.covered_cell
    for n in range(len(covered_cell)):
        for m in range(SIDE):
            miss[SIDE * covered_cell[n] + m] = 0.0


@inner
def _spread_rows(linear, cells, rows):
    """Copy the row of each conductor to the cells that it covers."""
    covered_cell, covered_by = linear.covered_cell, linear.covered_by
    for n in range(len(covered_cell)):
        for m in range(SIDE):
            rows[SIDE * covered_cell[n] + m] = rows[SIDE * (cells + covered_by[n]) + m]


@inner
def _solve(linear, factor, work, heat, weight, cells, rows):
    """Overwrite ``rows``, zero in covered cells, by the solutions with the matrix of the step.

    The sum of all equations, which is the balance of heat, holds to rounding in double precision: by how much a factor in
    single precision misses it is spread evenly.
    """
    excess, sums, coefficient = factor.excess, work.sums, linear.coefficient
    unknowns = len(excess)
    asked, given, shift = sums[0], sums[1], sums[2]
    dot_rows(work.ones, rows, unknowns, asked, 0)
    solve_bordered_rows(factor, linear.covered_cell, linear.skin_conductor, work.inverse, rows)
    dot_rows(excess, rows, unknowns, given, 0)
    whole = total(excess)
    for m in range(SIDE):
        slope = whole
        for c in range(len(coefficient)):
            gain = weight * heat[c, m] * coefficient[c]
            given[m] -= gain * rows[SIDE * (cells + c) + m]
            slope -= gain
        shift[m] = (asked[m] - given[m]) / slope if slope > 0.0 else 0.0
    shift_rows(rows, unknowns, shift)
    _spread_rows(linear, cells, rows)


@kernel
def step_rows(linear, factor, work, heat, step, scheme, before, rate_before, after, rate_after):
    """One step of the three-stage method for eight members.

    Parameters
    ----------
    linear : Linear; factor : Factor of this step; work : Work, with its ``inverse``
    heat : (conductors, 8)             I² R20 [W/m]
    step : float [s]
    scheme : (3, 5)                    as in ``advance``
    before, rate_before : rows         [K], [K/s]
    after, rate_after : rows, filled   [K], [K/s]
    """
    cells, unknowns = len(factor.matrix.stencil[0]), len(linear.leak)
    numbers = SIDE * unknowns
    room = linear.strides[0] + linear.strides[1]
    gamma, weight = scheme[0, 4], scheme[0, 4] * step
    state, changes, miss, result = work.state, work.change, work.miss, work.result
    temperature = state[SIDE * room :]
    coefficient, leak = linear.coefficient, linear.leak
    result[:] = 0.0
    for stage in range(3):
        change = changes[stage]
        _guess(stage, scheme, weight, before, rate_before, changes, temperature)
        _miss(linear, heat, state, room, change, weight, cells, miss)
        _solve(linear, factor, work, heat, weight, cells, miss)
        for i in range(numbers):
            change[i] += miss[i]
            temperature[i] += miss[i]
        share = step * scheme[2, stage]
        lost = work.sums[3]
        dot_rows(leak, temperature, unknowns, lost, 0)
        for m in range(SIDE):
            generated = linear.sums[0]
            for c in range(len(coefficient)):
                here = temperature[SIDE * (cells + c) + m]
                generated += heat[c, m] * (1.0 + coefficient[c] * (here - 293.15))
            result[0, m] += share * generated
            result[1, m] += share * (lost[m] + linear.sums[1])
    first, second, third = changes[0], changes[1], changes[2]
    for i in range(numbers):
        after[i] = temperature[i]
        rate_after[i] = third[i] / weight
        miss[i] = after[i] - before[i]
    dot_rows(linear.capacity, miss, unknowns, result.reshape(result.size), 2 * SIDE)
    one, two, three = scheme[0, 3] / gamma, scheme[1, 3] / gamma, scheme[2, 3] / gamma
    wide = linear.wide
    for i in range(numbers):
        miss[i] = wide[i] * (one * first[i] + two * second[i] + three * third[i])
    _solve(linear, factor, work, heat, weight, cells, miss)
    largest_rows(miss, unknowns, result.reshape(result.size), 3 * SIDE)
    largest_rows(after, unknowns, result.reshape(result.size), 4 * SIDE)


@quick_kernel
def read_maxima_rows(before, rate_before, after, rate_after, length, shares, chosen, start, weights, maxima):
    """``kernels.read_maxima`` for eight members: maxima (n, groups, 8); weights (4,): scratch."""
    flat = maxima.reshape(maxima.size)
    groups = len(start) - 1
    for number in range(len(shares)):
        weights[0], weights[1], weights[2], weights[3] = _cubic_weights(shares[number], length)
        for group in range(groups):
            place = SIDE * (number * groups + group)
            read_rows(
                before, rate_before, after, rate_after, weights, chosen, start[group], start[group + 1], flat, place
            )
