"""One step of a member in compiled code: its matrix; and its three stages and their error."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ampsoak.heat.arrays import FARTHEST, Surroundings
from ampsoak.heat.bordered import invert_corner, reduce_border, solve_bordered
from ampsoak.heat.compiling import inner, kernel
from ampsoak.heat.kernels import (
    _content_at,
    _cubic_weights,
    assemble,
    border_flow,
    conductances,
    heat_content,
    net_heat,
    spread_conductors,
    zone_exchange,
)
from ampsoak.heat.sums import copy_to, largest, total

# tasks of a step: solve the stages, from first guesses of their own; look where the step before leads
SOLVE, GUESS, PREDICT = 1, 2, 4
_WORSE = 3.0  # times that contraction may get from one step to the next
DONE, NOT_DEFINITE, GAINS = -1, 3, 4  # else the stage that did not settle


class Properties(NamedTuple):
    """What a member is: factors on conductivity and heat capacity (n_materials,), temperature coefficient of resistance
    (conductors,) [1/K]; whether properties do not depend on temperature (linear), nor films (exact: the matrix is all there
    is); and whether stages are solved to rounding (tight: air zones, whose flows bend)."""

    conductivity_scale: np.ndarray
    capacity_scale: np.ndarray
    coefficient: np.ndarray
    linear: bool
    exact: bool
    tight: bool


class Start(NamedTuple):
    """Where a step begins: temperature [K], heat content [J/m], slope [K/s], (unknowns,) each."""

    temperature: np.ndarray
    content: np.ndarray
    rate: np.ndarray


class Behind(NamedTuple):
    """The step before: its length [s], 0 where something has jumped since; temperature [K] and slope [K/s] at its begin,
    (unknowns,) each."""

    length: float
    temperature: np.ndarray
    rate: np.ndarray


class Load(NamedTuple):
    """What acts from outside at the three stages of a step: I² R20 of each conductor unknown (3, conductors) [W/m], heat
    sources of parts (3, unknowns) [W/m], the boundaries, one row per stage, and the air of open zones (3, zones) [K]."""

    joule: np.ndarray
    source: np.ndarray
    around: Surroundings
    air: np.ndarray


class Stages(NamedTuple):
    """Work arrays of a member, and what a step leaves in them.

    predicted (3, unknowns) [K]: where the steps before lead; follow (3,): how the error of that grows from one stage to the next
    states (3, unknowns) [K], flows (3, unknowns) [W/m]: temperature and heat flow of the stages
    after (4, unknowns): heat content, heat capacity, slope and temperature at the end
    surface (n_faces,) [K]: of the border faces, kept from step to step; face_flow, face_slope (n_faces,): heat leaving them
    content, capacity, net, right, base, heat (unknowns,): scratch
    inverse (lumps, lumps): of the corner; gain (conductors,) [J/(m K)]: slope of the Joule heat in it; contraction (2,): of the iteration so far; and of the
    first stage's first two rounds, as far as the steps before tell
    result (6,): iterations, heat generated and lost [J/m], error [K], heat stored [J/m], highest temperature [K]
    """

    predicted: np.ndarray
    follow: np.ndarray
    states: np.ndarray
    flows: np.ndarray
    after: np.ndarray
    surface: np.ndarray
    face_flow: np.ndarray
    face_slope: np.ndarray
    content: np.ndarray
    capacity: np.ndarray
    net: np.ndarray
    right: np.ndarray
    base: np.ndarray
    heat: np.ndarray
    inverse: np.ndarray
    gain: np.ndarray
    contraction: np.ndarray
    result: np.ndarray


@inner
def _predict(is_open, first_zone, start, behind, air, scheme, step, predicted, follow):
    """Fill where the step before leads at each stage, and how the error of that grows from stage to stage (see ``Stages``).

    is_open (zones,); first_zone: number of their first unknown; air (3, zones) [K]: of those that are open
    """
    before, rate_before, after, rate_after = behind.temperature, behind.rate, start.temperature, start.rate
    last = 1.0
    for stage in range(3):
        node, state = scheme[stage, 0] + scheme[stage, 1] + scheme[stage, 2], predicted[stage]
        error = node
        if behind.length > 0.0:
            # the cubic of the last step goes on; its error grows like s² (s - 1)² past its ends at 0 and 1
            share = 1.0 + node * step / behind.length
            a, b, c, d = _cubic_weights(share, behind.length)
            for q in range(len(state)):
                state[q] = (a * before[q] + b * rate_before[q]) + (c * after[q] + d * rate_after[q])
            error = share**2 * (share - 1.0) ** 2
        else:
            for q in range(len(state)):
                state[q] = after[q] + node * step * rate_after[q]
        for z in range(len(is_open)):
            if is_open[z]:
                state[first_zone + z] = air[stage, z]
        follow[stage] = error / last
        last = error


@kernel
def make_matrix(
    network, links, exchange, properties, start, around, joule, factor, ahead, there, surface, gain, inverse, share, step, chord
):  # fmt: skip
    """Assemble and factorise  capacity + share * (links + film slopes), and invert its corner; share and step [s].

    Properties are looked up half way through the step, as far as the slope tells: those serve all stages best. With ``chord``
    capacities are means over the whole step, as far as the slope tells, else those in ``factor``.

    Parameters
    ----------
    properties : Properties; start : Start; around : Surroundings; factor : Factor
    joule (conductors,): I² R20 [W/m]; ahead, there (unknowns,): scratch; surface, gain, inverse: see ``Stages``

    Returns
    -------
    int    DONE; NOT_DEFINITE, when the matrix is not positive definite; GAINS, when conductors gain heat faster than the
    section takes it
    """
    count = len(start.temperature)
    if chord:
        capacity = factor.capacity
        for q in range(count):
            ahead[q] = start.temperature[q] + min(max(step * start.rate[q], -FARTHEST), FARTHEST)
        heat_content(network, ahead, properties.capacity_scale, there, capacity)
        for q in range(count):
            rise = ahead[q] - start.temperature[q]
            if abs(rise) > 0.1:
                capacity[q] = (there[q] - start.content[q]) / rise
    if not properties.linear:
        for q in range(count):
            ahead[q] = start.temperature[q] + min(max(0.5 * step * start.rate[q], -FARTHEST), FARTHEST)
        conductances(network, ahead, properties.conductivity_scale, links)
        if len(network.zones.cell):
            zone_exchange(network, links, start.temperature, exchange)
    border_flow(network, links, around, len(around.air) - 1, start.temperature, surface, factor.flow, factor.slope)
    assemble(network, links, exchange, share, factor)
    if not reduce_border(factor, network.covered_cell):
        return NOT_DEFINITE
    for c in range(len(gain)):
        gain[c] = share * joule[c] * properties.coefficient[c]
    return DONE if invert_corner(factor, gain, inverse) else GAINS


@inner
def _settle(network, scale, wanted, temperature, content, capacity):
    """Move each temperature until its heat content is ``wanted``; fill ``content`` and ``capacity`` there.

    Enthalpy rises strictly and is linear inside each degree, so this ends after a few passes.
    """
    heat_content(network, temperature, scale, content, capacity)
    for q in range(len(temperature)):
        if capacity[q] <= 0.0:
            continue
        for _ in range(50):
            miss = (wanted[q] - content[q]) / capacity[q]
            if abs(miss) <= 1e-12 * temperature[q]:
                break
            temperature[q] += miss
            content[q], capacity[q] = _content_at(network, scale, q, temperature[q])


@inner
def _first_guess(network, start, capacity, stages, scheme, step, stage):
    """Fill the state of ``stage``: the first as predicted, the others with a flow that goes on from the two before it.

    The air of zones stores next to nothing, so flows say nothing of it: it is predicted, and corrected by what the stage
    before it missed its own prediction by.
    """
    state, predicted, zones = stages.states[stage], stages.predicted[stage], network.zones
    first_zone = network.shape[4] + network.shape[5]
    if stage == 0:
        copy_to(state, predicted)
    else:
        flows, last = stages.flows, stages.flows[stage - 1]
        here = scheme[stage, 0] + scheme[stage, 1] + scheme[stage, 2]  # nodes, as shares of the step
        there = scheme[stage - 1, 0] + scheme[stage - 1, 1] + scheme[stage - 1, 2]
        behind = 0.0 if stage == 1 else scheme[0, 0]
        ahead = (here - there) / (there - behind)
        gamma = scheme[0, 4]
        for q in range(len(state)):
            before = start.rate[q] * capacity[q] if stage == 1 else flows[0, q]
            known = scheme[stage, 0] * flows[0, q]
            if stage == 2:
                known += scheme[stage, 1] * flows[1, q]
            mean = known + gamma * (last[q] + ahead * (last[q] - before))
            state[q] = start.temperature[q] + step * mean / capacity[q] if capacity[q] > 0.0 else predicted[q]
        reached, guessed = stages.states[stage - 1], stages.predicted[stage - 1]
        for q in range(first_zone, first_zone + len(zones.is_open)):
            state[q] = predicted[q] + stages.follow[stage] * (reached[q] - guessed[q])
    for z in range(len(zones.is_open)):
        if zones.is_open[z]:
            state[first_zone + z] = predicted[first_zone + z]
    spread_conductors(network, state)


@kernel
def advance(
    network, links, exchange, properties, start, behind, load, factor, stages, step, scheme, tolerance, most, first, tasks
):  # fmt: skip
    """One step of the three-stage method with a matrix that has been made; each stage solves  content(T) - weight * net_heat(T) = base.

    Every stage is solved by Newton's method with one frozen matrix, and only as far as the step's tolerance asks. What the
    last iteration leaves open does not leak: its flows are taken linear in the last change, which is what the matrix says,
    so heat content still changes by exactly what flows, and at the end of the step temperature is set to what the
    content says.

    Parameters
    ----------
    properties : Properties; start : Start; behind : Behind; load : Load; factor : Factor; stages : Stages
    step : float [s]
    scheme : (3, 5)     weights of the flows of stages 0, 1, 2 and of the error estimate, and gamma, one row per stage
    tolerance : float   [K] that a stage may leave open
    most : int          iterations of a stage
    first : int         stage to begin with, whose state is its first guess and before which all are done; -1 for a fresh step
    tasks : int         PREDICT; SOLVE, from the states as they are or with first guesses of their own, GUESS

    Returns
    -------
    int    DONE, or the stage that did not settle
    """
    zones = network.zones
    cells = network.shape[4]
    first_zone = cells + network.shape[5]
    gamma = scheme[0, 4]
    weight = gamma * step
    joule, coefficient, matrix_heat = load.joule, properties.coefficient, load.joule[2]
    surface, inverse = stages.surface, stages.inverse
    covered_cell, skin_conductor = network.covered_cell, network.skin_conductor
    if tasks & PREDICT:
        _predict(zones.is_open, first_zone, start, behind, load.air, scheme, step, stages.predicted, stages.follow)
        if behind.length == 0.0:
            stages.contraction[1] = 1.0
    if tasks & SOLVE == 0:
        return DONE
    linear, tight, frozen = properties.linear, properties.tight, factor.capacity
    n = len(start.content)
    here, capacity, net, right = stages.content, stages.capacity, stages.net, stages.right
    face_flow, face_slope, flows, result = stages.face_flow, stages.face_slope, stages.flows, stages.result
    base = stages.base
    same = True
    for stage in range(3):
        for c in range(joule.shape[1]):
            same = same and abs(joule[stage, c] - matrix_heat[c]) <= 1e-9 * matrix_heat[c]
    if first < 0:
        result[:] = 0.0
    for stage in range(max(first, 0), 3):
        state = stages.states[stage]
        if stage == 0:
            copy_to(base, start.content)
        for earlier in range(stage):
            share, flow, so_far = step * scheme[stage, earlier], flows[earlier], start.content if earlier == 0 else base
            for q in range(n):
                base[q] = so_far[q] + share * flow[q]
        supplied = total(load.source[stage])
        if tasks & GUESS and stage != first:
            _first_guess(network, start, frozen, stages, scheme, step, stage)
        change, previous = np.inf, np.inf
        generated, lost = 0.0, 0.0
        done = False
        for iteration in range(most + 1):
            if not linear:
                conductances(network, state, properties.conductivity_scale, links)
            if len(zones.cell):
                zone_exchange(network, links, state, exchange)
            border_flow(network, links, load.around, stage, state, surface, face_flow, face_slope)
            generated, lost = supplied, total(face_flow)
            net_heat(network, links, exchange, state, load.source[stage], face_flow, net)
            for c in range(joule.shape[1]):
                made_there = joule[stage, c] * (1.0 + coefficient[c] * (state[cells + c] - 293.15))
                net[cells + c] += made_there
                generated += made_there
            heat_content(network, state, properties.capacity_scale, here, capacity)
            for q in range(n):
                right[q] = base[q] + weight * net[q] - here[q]
            for z in range(len(zones.is_open)):
                if zones.is_open[z]:
                    # air held at a given temperature: what reaches it is lost, its own equation stands still
                    right[first_zone + z] = 0.0
            turnover = abs(generated) + abs(lost)
            for index in range(len(zones.cell)):
                if zones.is_open[zones.zone[index]]:
                    lost += exchange.flow[index]
                    turnover += abs(exchange.flow[index])
            if tight and iteration > 0 and change < tolerance and abs(total(right)) <= 1e-7 * weight * turnover + 1e-10:
                done = True
                break
            if iteration == most:
                break
            solve_bordered(factor, covered_cell, skin_conductor, zones.is_open, stages.gain, inverse, right)
            previous = change
            change = largest(right)
            for q in range(n):
                state[q] += right[q]
            spread_conductors(network, state)
            result[0] += 1
            if not (change < 1e6) or (iteration >= 2 and change > 0.8 * previous and change > tolerance):
                break
            if tight:
                continue
            if iteration > 0 and previous > 0.0:
                ratio = min(change / previous, 0.9)
                stages.contraction[0] = max(ratio / (1.0 - ratio), 0.01)
            enough = change <= tolerance or (properties.exact and same)
            enough = enough or (stages.contraction[0] * change <= tolerance and (stage > 0 or iteration > 0))
            if stage == 0 and iteration == 0 and not enough:
                # one round will do where the steps before contracted so well that three times worse is good enough
                enough = _WORSE * stages.contraction[1] * change <= tolerance
                if enough:
                    stages.contraction[1] *= _WORSE
            elif stage == 0 and iteration == 1:
                stages.contraction[1] = change / previous
            if not enough:
                continue
            # the flows of this iteration, linear in its change
            bend = 0.0
            if not linear:
                heat_content(network, state, properties.capacity_scale, net, capacity)
                for q in range(n):
                    if capacity[q] > 0.0:
                        bend = max(bend, abs(net[q] - here[q] - frozen[q] * right[q]) / capacity[q])
            for q in range(n):
                here[q] += frozen[q] * right[q]
            if bend > tolerance:
                continue
            for f in range(len(face_flow)):
                lost += factor.slope[f] * right[network.face_cell[f]]
            for c in range(joule.shape[1]):
                generated += matrix_heat[c] * coefficient[c] * right[cells + c]
            done = True
            break
        if not done:
            return stage
        flow = flows[stage]
        for q in range(n):
            flow[q] = (here[q] - base[q]) / weight
        result[1] += step * scheme[2, stage] * generated
        result[2] += step * scheme[2, stage] * lost
    for q in range(n):
        right[q] = step * (scheme[0, 3] * flows[0, q] + scheme[1, 3] * flows[1, q] + scheme[2, 3] * flows[2, q])
    solve_bordered(factor, covered_cell, skin_conductor, zones.is_open, stages.gain, inverse, right)
    # a largest value passes over what is no number, a sum does not
    result[3] = largest(right) if abs(total(right)) < np.inf else np.inf
    state, after = stages.states[2], stages.after
    copy_to(net, here)
    _settle(network, properties.capacity_scale, net, state, after[0], after[1])
    spread_conductors(network, state)
    border_flow(network, links, load.around, len(load.around.air) - 1, state, surface, face_flow, face_slope)
    for q in range(n):
        after[2, q] = flows[2, q] / after[1, q] if after[1, q] > 0.0 else 0.0
    spread_conductors(network, after[2])
    copy_to(after[3], state)
    result[4], result[5] = total(after[0]) - total(start.content), largest(state)
    return DONE
