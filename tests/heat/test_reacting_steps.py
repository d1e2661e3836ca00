"""Reactions stepped along: what reacts, what heat that gives, and up to where a section stays in hand.

Outside truths: the equations of one well-stirred material and of a small section handed to SciPy's integrators, heat of the
whole reaction by arithmetic, and the critical parameters of self-heating (D. A. Frank-Kamenetskii; exact slab results, read).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import Balance, all_edges, case, even, film, fixed, model_for, simple, wire
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from ampsoak.base.errors import NumericalError
from ampsoak.base.sources import Value
from ampsoak.heat import reactions as laws
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.fold import folded
from ampsoak.heat.reactions import ReactantReader, asked_reactions, reactions_of
from ampsoak.heat.stepping import SCHEME, Member, Stepper, start_state
from ampsoak.library.laws import GAS_CONSTANT
from ampsoak.library.materials import Reaction
from ampsoak.scenario.case import CurrentProfile, Paint, Part, RunSettings
from ampsoak.scenario.shapes import Circle
from ampsoak.study.run import simulate

MM = 1e-3
WALL = 400.0  # [K]
ACTIVATION = 600.0  # E / (R T) at the wall: the exponential law is the limit of Arrhenius' for that
UNIT = WALL / ACTIVATION  # [K] that make the rate grow by e


def reaction(rise: float, rate: float, *, order=1.0, at=400.0, energy=1e5, span=(290.0, 1500.0), name="made up") -> Reaction:
    """A reaction of ``rise`` [J/kg] that goes with ``rate`` [1/s] at ``at`` [K]."""
    before = rate * np.exp(energy / (GAS_CONSTANT * at))
    return Reaction(name, Value.exact(rise), Value.exact(before), Value.exact(energy), order, *span)


def stirred(order: float, rise: float, rate: float, **more):
    """One square metre of one material of capacity 1 J/(kg K), density 1, adiabatic, at 400 K."""
    fuel = replace(simple("fuel", 5.0, 1.0), reactions=(reaction(rise, rate, order=order, **more),))
    return case(1.0, 1.0, [Part("fuel", fuel)], start=400.0)


def stepper_of(scenario, model, tolerance: float) -> Stepper:
    member = Member(
        tuple(circuit.profile for circuit in scenario.circuits), start_state(model, scenario.start.temperature)
    )
    return Stepper(model, member, tolerance, BoundaryTables(scenario.boundaries), reactions=reactions_of(model))


def given_off(stepper) -> float:
    """Heat of what has reacted [J/m]."""
    found = stepper.reactions
    return stepper.model.copies * float((found.mass * found.heat * (1.0 - stepper.remaining)).sum())


def check_energy(steps) -> None:
    """Energy closes to 1e-9 of what was turned over until then, at every step."""
    turnover = residual = 0.0
    for step in steps:
        turnover += max(abs(step.generated), abs(step.lost), abs(step.stored))
        residual += step.stored + step.lost - step.generated
        assert abs(residual) <= 1e-9 * turnover


# -- one well-stirred material ----------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("double_factors")
@pytest.mark.parametrize("order", [0.5, 0.854, 1.0, 2.0])
@pytest.mark.parametrize("rise", [150.0, -60.0])
def test_a_stirred_material_heats_itself_as_its_equations_say(order, rise):
    # SciPy's Radau at 1e-10 of d(share)/dt = -k share^n, dT/dt = rise k share^n; self-heating runs through its steepest part
    scenario = stirred(order, rise, 1e-3)
    model = model_for(scenario, (even(1.0, 3), even(1.0, 2)))
    (law,) = scenario.parts[0].material.reactions

    def slope(_, state):
        speed = law.pre_exponential.typical * np.exp(-1e5 / (GAS_CONSTANT * state[0])) * max(state[1], 0.0) ** order
        return [rise * speed, -speed]

    until = 600.0 if rise > 0 else 8000.0
    reference = solve_ivp(slope, (0.0, until), [400.0, 1.0], "Radau", rtol=1e-10, atol=1e-12, dense_output=True)
    shifts = []
    for tolerance in (0.1, 0.01):
        stepper = stepper_of(scenario, model, tolerance)
        steps = list(stepper.steps(until))
        check_energy(steps)
        # cells of one material at one temperature stay together
        assert max(np.ptp(step.after[: model.cells]) for step in steps) < 1e-9
        times = np.array([step.end for step in steps])
        found = np.array([[step.after.max(), step.left_after.mean()] for step in steps])
        exact = reference.sol(times).T
        assert exact[-1, 1] < 0.5  # most of the reaction is covered
        # both belong together: what is missing of the reactant is what has warmed
        assert found[:, 0] - 400.0 == pytest.approx(rise * (1.0 - found[:, 1]), abs=1e-7)
        assert found[-1, 0] == pytest.approx(exact[-1, 0], abs=tolerance)
        if rise < 0:
            assert np.abs(found[:, 0] - exact[:, 0]).max() < tolerance
            continue
        # what an error of the tolerance at the start does to a course that heats itself: it comes that much earlier or later
        on_the_way = (found[:, 0] > 401.0) & (found[:, 0] < 540.0)
        due = [brentq(lambda t, level=level: reference.sol(t)[0] - level, 0.0, until) for level in found[on_the_way, 0]]
        shifts.append(np.abs(times[on_the_way] - due).max())
        assert shifts[-1] < tolerance / slope(0.0, [400.0, 1.0])[0]
    assert rise < 0 or shifts[1] < 0.4 * shifts[0]


@pytest.mark.parametrize("order", [0.0, 0.5, 1.0])
def test_all_of_the_heat_comes_out_when_all_is_consumed(order):
    # mass x heat of the whole reaction: 1 kg/m x 900 J/kg warms 1 J/(m K) by 900 K, however fast it goes on the way
    scenario = stirred(order, 900.0, 1e-3, span=(300.0, 700.0))
    model = model_for(scenario, (even(1.0, 2), even(1.0, 2)))
    stepper = stepper_of(scenario, model, 1.0)
    steps = list(stepper.steps(1e4))
    check_energy(steps)
    given = sum(step.generated for step in steps)
    assert given == pytest.approx(given_off(stepper), rel=1e-12)
    assert given == pytest.approx(900.0, rel=2e-4)
    assert steps[-1].after[0] == pytest.approx(1300.0, abs=0.2)
    # steps serve the reaction while it goes on, and are long once it is over
    assert len(steps) < 400


def test_a_step_takes_no_more_than_is_left_however_long_it_is():
    # 1000 half-lives in one step: the law of consumption itself bounds the heat, not the length of the step
    scheme_step, remaining = 1e6, np.array([1.0, 0.3, 1.0, 1e-6])
    scenario = stirred(1.0, 1.0, 1e-3)
    found = reactions_of(model_for(scenario, (even(1.0, 2), even(1.0, 2))))
    for order in (0.0, 0.5, 0.854, 1.0, 1.5, 2.0, 3.0):
        several = replace(found, order=np.full(len(found.mass), order))
        speeds = several.stage_speeds(np.full((3, len(remaining)), 500.0), remaining, scheme_step, SCHEME)
        for stage in range(3):
            left = remaining - scheme_step * SCHEME[stage, : stage + 1] @ speeds[: stage + 1]
            base = remaining - scheme_step * SCHEME[stage, :stage] @ speeds[:stage]
            assert np.all(left >= np.minimum(base, 0.0) - 1e-12)
        # the stages satisfy their own equation where something is left: speed = k left^n
        rate = several.rate_constant(np.full(len(remaining), 500.0))
        left = remaining - scheme_step * SCHEME[0, 0] * speeds[0]
        there = left > 1e-6 * remaining  # below, subtracting leaves rounding only
        assert speeds[0][there] == pytest.approx((rate * np.maximum(left, 0.0) ** order)[there], rel=1e-5)


@pytest.mark.parametrize("order", [0.3, 0.854, 1.7, 3.0])
def test_what_is_left_after_a_stage_is_the_root_of_its_equation(order):
    # SciPy's brentq of left + c left^n = base
    base, exposure = (grid.ravel() for grid in np.meshgrid([1e-6, 0.01, 0.5, 1.0], [1e-12, 1e-3, 1.0, 50.0, 1e8]))
    found = laws._left_after(base, exposure, np.full(len(base), order))
    for one, b, c in zip(found, base, exposure, strict=True):
        exact = brentq(lambda left, b=b, c=c: left + c * left**order - b, 0.0, b, xtol=1e-300, rtol=1e-14, maxiter=2000)
        assert one == pytest.approx(exact, rel=1e-9, abs=1e-40)


# -- self-heating up to the critical parameter ------------------------------------------------------------------------------


def critical_fuel(conductivity: float, delta: float):
    """delta = E/(R T²) L² q/k on 1 m with the heat q at the wall's temperature; consumption is negligible."""
    heat = 1e6 * UNIT
    power = delta * conductivity * UNIT
    law = Reaction(
        "made up", Value.exact(heat), Value.exact(power / heat * np.exp(ACTIVATION)),
        Value.exact(ACTIVATION * GAS_CONSTANT * WALL), 0.0, 300.0, 1000.0,
    )  # fmt: skip
    return replace(simple("fuel", conductivity, 1.0), reactions=(law,))


def highest_rise(scenario, lines, until: float) -> float:
    """Largest rise in units of R T²/E until ``until`` [s]; inf once it has passed 6 of them, far above any that settles."""
    model = folded(model_for(scenario, lines))
    stepper = stepper_of(scenario, model, 1e-3 * UNIT)
    top = 0.0
    for step in stepper.steps(until):
        top = float(step.after.max() - WALL) / UNIT
        if top > 6.0:
            return np.inf
    assert np.abs(step.rate_after).max() < 1e-2 * UNIT  # it has settled
    return top


def slab(delta: float):
    edges = (fixed("right", 0.1, WALL),)
    return case(1.0, 0.1, [Part("fuel", critical_fuel(1.0, delta))], (), (), edges, start=WALL)


SLAB = even(1.0, 40), even(0.1, 1)


def test_a_slab_below_the_critical_parameter_settles_where_the_exact_solution_is():
    # delta 0.5: middle 0.3289524 units above the wall (exact slab results, recomputed); 0.6 % for cells and activation energy
    assert highest_rise(slab(0.5), SLAB, 20.0) == pytest.approx(0.3289524, rel=6e-3)


@pytest.mark.parametrize(("factor", "settles"), [(0.98, True), (1.02, False)])
def test_a_slab_runs_away_above_the_critical_parameter_only(factor, settles):
    # 0.8784577 (read as 0.88; 0.878 from memory); at the critical one the middle is 1.1868 units above the wall
    rise = highest_rise(slab(factor * 0.8784577), SLAB, 60.0)
    assert rise < 1.187 if settles else np.isinf(rise)


@pytest.mark.parametrize(("factor", "settles"), [(0.95, True), (1.05, False)])
def test_a_cylinder_runs_away_above_the_critical_parameter_only(factor, settles):
    # 2 (read); a quarter of a cylinder of 1 m in what conducts a hundred times better, 24 cells a side
    parts = [Part("wall", simple("wall", 100.0, 1.0)), Part("fuel", critical_fuel(1.0, factor * 2.0))]
    edges = tuple(fixed(edge, 1.2, WALL) for edge in ("right", "top"))
    scenario = case(1.2, 1.2, parts, [Paint(Circle(0.0, 0.0, 1.0), 1)], (), edges, start=WALL)
    rise = highest_rise(scenario, (even(1.2, 24), even(1.2, 24)), 40.0)
    assert rise < 2 * np.log(2.0) if settles else np.isinf(rise)  # centre at the critical one: 2 ln 2


# -- a section ----------------------------------------------------------------------------------------------------------------


def cable(*, reacting: bool = True, asked: bool = True, **changes):
    """A warmed conductor in a sheath that takes heat up and a fill that gives it off, films all round, symmetric.

    Materials have a capacity of 1 J/(kg K), so heats per mass are the rises they would give with nothing lost.
    """
    sheath = replace(simple("sheath", 0.17, 1.4e6), reactions=(reaction(-80.0, 2e-3, energy=6e4, span=(330.0, 480.0)),))
    laws = (reaction(60.0, 3e-3, order=0.854, energy=4e4, name="binder"), reaction(20.0, 1e-3, order=2.0, energy=8e4))
    fill = replace(simple("fill", 0.05, 5e4), reactions=laws)
    if not reacting:
        sheath, fill = (replace(one, reactions=()) for one in (sheath, fill))
    core = Circle(15 * MM, 15 * MM, 2.5 * MM)
    parts = [Part("fill", fill), Part("sheath", sheath), Part("core", simple("copper", 400.0, 3.45e6))]
    paints = [Paint(Circle(15 * MM, 15 * MM, 5.5 * MM), 1), Paint(core, 2)]
    profile = CurrentProfile((0.0, 900.0, 2400.0), (60.0, 8.0), (60.0, 8.0))
    scenario = case(
        30 * MM, 30 * MM, parts, paints, [wire(2, core, per_metre=8e-3, coefficient=0.0039)],
        all_edges(film, 30 * MM, 30 * MM, 8.0, 300.0), start=300.0, current=profile, duration=2400.0,
        run=RunSettings(2400.0, 0.1, (0.0, 900.0, 2400.0), asked),
    )  # fmt: skip
    return replace(scenario, **changes)


LINES = even(30 * MM, 20), even(30 * MM, 20)


def test_a_small_section_agrees_with_the_method_of_lines():
    # SciPy's BDF at 1e-7 on the section's own conductances: temperatures and every reactant in every cell
    scenario = cable()
    model = model_for(scenario, LINES)
    stepper = stepper_of(scenario, model, 0.1)
    steps = list(stepper.steps(2400.0))
    check_energy(steps)
    balance, found, n = Balance(model, BoundaryTables(scenario.boundaries)), reactions_of(model), model.unknowns
    capacity = balance.capacity(np.full(n, 300.0))
    live = capacity > 0
    moved = np.flatnonzero(~live)

    def whole(state):
        state = state.copy()
        state[moved] = state[model.cells + model.grid.covered[moved]]
        return state

    def slope(time, both, current):
        state, left = whole(both[:n]), np.maximum(both[n:], 0.0)
        heat = balance.flow(state, time, (current,)) + found.power(state, left)
        rise = np.divide(heat, capacity, out=np.zeros(n), where=live)
        return np.concatenate([rise, -found.rate_constant(state) * left**found.order])

    begin, marks = np.concatenate([np.full(n, 300.0), np.ones(len(found.mass))]), (0.0, 900.0, 2400.0)
    pattern = _pattern(model, found, live)
    worst_state = worst_left = 0.0
    for low, high, current in zip(marks[:-1], marks[1:], (60.0, 8.0), strict=True):
        run = solve_ivp(
            slope, (low, high), begin, "BDF", args=(current,), rtol=1e-7, atol=1e-7, dense_output=True, jac_sparsity=pattern
        )
        begin = run.y[:, -1]
        for step in steps:
            if low < step.end <= high:
                both = run.sol(step.end)
                worst_state = max(worst_state, np.abs(step.after - whole(both[:n])).max())
                worst_left = max(worst_left, np.abs(step.left_after - both[n:]).max())
    assert steps[-1].left_after.min() < 0.2 and max(step.after.max() for step in steps) > 400.0  # something has reacted
    assert worst_state < 0.1
    # 0.1 K more or less all along changes the rate by E/(R T²) x 0.1 K = 0.7 % at 330 K, where most of the sheath reacts
    assert worst_left < 0.1 * 6e4 / (GAS_CONSTANT * 330.0**2)


def _pattern(model, found, live):
    """Which entry of the slope depends on which of the state: neighbours, conductor, and the reactants."""
    from scipy.sparse import lil_array

    n = model.unknowns
    size = n + len(found.mass)
    pattern = lil_array((size, size))
    order, lumps = model.cell_order, range(model.cells, n)
    for i in range(order.shape[0]):
        for j in range(order.shape[1]):
            near = order[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].ravel()
            pattern[order[i, j], near] = 1
    for lump in lumps:
        pattern[lump, :n] = pattern[:n, lump] = 1
    for entry, unknown in enumerate(found.unknown):
        pattern[unknown, n + entry] = pattern[n + entry, unknown] = pattern[n + entry, n + entry] = 1
    return pattern.tocsr()


def test_heat_given_off_is_that_of_what_reacted_and_every_step_closes():
    # arithmetic: generated = Joule heat + mass x heat x share gone; without current the first is nothing
    scenario = cable(start=replace(cable().start, temperature=420.0))
    scenario = replace(scenario, circuits=(replace(scenario.circuits[0], profile=CurrentProfile.constant(0.0, 600.0)),))
    stepper = stepper_of(scenario, folded(model_for(scenario, LINES)), 0.1)
    steps = list(stepper.steps(600.0))
    check_energy(steps)
    assert stepper.model.copies == 4
    assert sum(step.generated for step in steps) == pytest.approx(given_off(stepper), rel=1e-12)
    assert abs(given_off(stepper)) > 1.0


def test_a_quarter_reacts_as_the_whole_does():
    scenario = cable()
    whole = model_for(scenario, LINES)
    quarter = folded(whole)
    assert quarter.copies == 4
    runs = [stepper_of(scenario, model, 0.1) for model in (whole, quarter)]
    one, four = (list(stepper.steps(2400.0)) for stepper in runs)
    assert len(one) == len(four)
    for a, b in zip(one, four, strict=True):
        assert b.after[quarter.conductor_unknown] == pytest.approx(a.after[whole.conductor_unknown], abs=1e-7)
        assert b.generated == pytest.approx(a.generated, rel=1e-8)
    assert quarter.field(four[-1].after) == pytest.approx(whole.field(one[-1].after), abs=1e-7)
    left = [ReactantReader(stepper.model, stepper.reactions).read(stepper.remaining) for stepper in runs]
    assert left[1] == pytest.approx(left[0], rel=1e-9)
    assert given_off(runs[1]) == pytest.approx(given_off(runs[0]), rel=1e-9)


def test_reactions_that_are_not_asked_for_change_not_one_bit():
    inert, off, on = cable(reacting=False), cable(asked=False), cable()
    assert asked_reactions(model_for(off, LINES)) is None and asked_reactions(model_for(on, LINES)) is not None
    first, second, third = (simulate(scenario) for scenario in (inert, off, on))
    for name in ("time", "conductor_temperature", "part_maximum", "energy_generated", "snapshot_temperature"):
        assert np.array_equal(getattr(first, name), getattr(second, name)), name
        assert not np.array_equal(getattr(first, name), getattr(third, name)), name
    assert second.reactant_names == [] and second.snapshot_remaining.shape == (3, 0)
    assert third.reactant_names == ["fill: binder", "fill: made up", "sheath: made up"]


def test_a_runaway_ends_the_run_with_a_plain_word():
    # 3000 K of adiabatic rise: the run ends where copper melts
    scenario = replace(stirred(1.0, 3000.0, 1e-2, energy=5e4, span=(300.0, 5000.0)), run=RunSettings(1e4, 0.1, (), True))
    run = simulate(scenario)
    assert run.events[-1].kind == "runaway" and run.time[-1] < 1e3
    assert run.energy_residual == pytest.approx(0.0, abs=1e-9)


def test_a_reaction_faster_than_any_step_is_told_as_such():
    # a rate that grows e times within 0.7 K, with a reactant that never ends
    fast = stirred(0.0, 1e12, 1e-12, energy=2e6, span=(300.0, 5000.0))
    model = model_for(fast, (even(1.0, 1), even(1.0, 1)))
    stepper = stepper_of(fast, model, 0.1)
    with pytest.raises(NumericalError, match="reactions on: one may give heat faster than any step can follow"):
        for _ in stepper.steps(1e6):
            pass
