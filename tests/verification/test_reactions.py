"""Reactions: exact consumption, conservation of heat, and self-heating up to the critical parameter.

The section's own conductances are taken, and Newton's method and SciPy's integrator beside them: so this holds for the law, its
masses and its slopes whatever steps them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import ZERO, Balance, case, even, fixed, model_for, simple
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from ampsoak.base.sources import Value
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.reactions import reactions_of
from ampsoak.library.laws import GAS_CONSTANT
from ampsoak.library.materials import Reaction
from ampsoak.scenario.case import Boundary, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle

WALL = 400.0  # [K]
ACTIVATION = 600.0  # E / (R T) at the wall: large, since the exponential law is the limit of Arrhenius' for that


def reacting(conductivity: float, delta: float, *, radius: float = 1.0, order: float = 0.0, fuel: float = 1.0, **more):
    """A material of density 1 and capacity 1 whose heat makes the parameter ``delta`` on a half-thickness of 1 m.

    delta = E / (R T²) L² q / k with q the heat per volume at the wall's temperature; ``fuel`` is the share of E/(R T²) kelvin of
    adiabatic rise that the whole reaction can give (no consumption with order 0 before that is used up).
    """
    energy = ACTIVATION * GAS_CONSTANT * WALL
    unit = WALL / ACTIVATION  # [K] that make the rate grow by e
    power = delta * conductivity * unit / radius**2
    heat = 1e6 * unit if order == 0.0 else fuel * unit
    reaction = Reaction(
        "made up", Value.exact(heat), Value.exact(power / heat * np.exp(ACTIVATION)), Value.exact(energy), order, 300.0, 1000.0,
    )  # fmt: skip
    return replace(simple("fuel", conductivity, 1.0), reactions=(reaction,), **more)


def slab_case(delta: float, **more):
    """Half a slab: adiabatic in its middle at x = 0, held at the wall's temperature at 1 m."""
    return case(1.0, 0.1, [Part("fuel", reacting(1.0, delta, **more))], (), (), (fixed("right", 0.1, WALL),), start=WALL)


def conduction(model, balance) -> np.ndarray:
    """Heat into every unknown per kelvin of every unknown, (unknowns, unknowns) [W/(m K)]; the wall is the zero."""
    base = balance.flow(np.full(model.unknowns, WALL)).copy()
    assert np.abs(base).max() < 1e-9
    return np.array([balance.flow(WALL + row) - base for row in np.eye(model.unknowns)]).T


def steady(scenario, lines=None):
    """Steady rise over the wall in units of R T²/E at every unknown by Newton from the cold, None where it runs away."""
    model = model_for(scenario, lines)
    balance, found = Balance(model, BoundaryTables(scenario.boundaries)), reactions_of(model)
    n, full = model.unknowns, np.ones(len(found.mass))
    matrix = conduction(model, balance)
    live = np.abs(matrix).sum(axis=1) > 0
    state = np.full(n, WALL)
    for _ in range(60):
        residual = (matrix @ (state - WALL) + found.power(state, full))[live]
        jacobian = (matrix + np.diag(found.slope(state, full)))[np.ix_(live, live)]
        if np.linalg.eigvalsh(jacobian).max() > 0:
            return None
        step = np.linalg.solve(jacobian, -residual)
        state[live] += step
        if np.abs(step).max() < 1e-10:
            return (state - WALL) / (WALL / ACTIVATION)
    return None


# -- the law -----------------------------------------------------------------------------------------------------------


def test_the_heat_given_off_is_that_of_what_reacted():
    # invariance: over any temperature and order, heat = mass x heat per mass x share reacted
    for order in (0.0, 0.5, 1.0, 2.0):
        model = model_for(slab_case(0.5, order=order, fuel=3.0), (even(1.0, 8), even(0.1, 2)))
        found = reactions_of(model)
        assert found.mass.sum() == pytest.approx(0.1)  # 1 m x 0.1 m of 1 kg/m³
        left, given = np.ones(len(found.mass)), 0.0
        for _ in range(5):
            left, heat = found.advanced(np.linspace(WALL - 1, WALL + 3, model.unknowns), left, 0.7)
            given += heat.sum()
        assert given == pytest.approx((found.mass * found.heat * (1 - left)).sum(), rel=1e-12)
        assert np.all((left >= 0) & (left < 1))


def test_an_endothermic_reaction_takes_up_heat_and_nothing_reacts_below_its_span():
    fuel = reacting(1.0, 0.5, order=1.0)
    (reaction,) = fuel.reactions
    fuel = replace(fuel, reactions=(replace(reaction, heat=Value.exact(-1e3), valid_from=WALL),))
    model = model_for(case(1.0, 0.1, [Part("fuel", fuel)], start=WALL), (even(1.0, 4), even(0.1, 1)))
    found = reactions_of(model)
    full = np.ones(len(found.mass))
    assert found.power(np.full(model.unknowns, WALL), full).sum() == 0
    # it sets in over 10 K: half of the law's rate in their middle, all of it at their end and beyond (arithmetic)
    for above, share in ((5.0, 0.5), (10.0, 1.0), (40.0, 1.0)):
        law = reaction.pre_exponential.typical * np.exp(-reaction.activation_energy.typical / (GAS_CONSTANT * (WALL + above)))
        power = found.power(np.full(model.unknowns, WALL + above), full).sum()
        assert power == pytest.approx(-1e3 * found.mass.sum() * law * share, rel=1e-12)
    held = found.power(np.full(model.unknowns, 1500.0), full)
    assert held == pytest.approx(found.power(np.full(model.unknowns, 1000.0), full))


def test_the_slope_is_the_derivative_of_the_power():
    # central differences of the law itself, in the middle of its span and where it sets in
    model = model_for(slab_case(0.5, order=1.0), (even(1.0, 4), even(0.1, 1)))
    found, state = reactions_of(model), np.full(model.unknowns, WALL + 0.3)
    left = np.full(len(found.mass), 0.6)
    for begin in (300.0, WALL - 3.0):
        found = replace(found, valid_from=np.full(len(found.mass), begin))
        numeric = (found.power(state + 1e-5, left) - found.power(state - 1e-5, left)) / 2e-5
        assert found.slope(state, left) == pytest.approx(numeric, rel=1e-6)


def test_a_section_without_reactions_has_none():
    assert reactions_of(model_for(case(1.0, 0.1, [Part("inert", simple("inert", 1.0, 1.0))], start=ZERO))) is None


# -- self-heating ------------------------------------------------------------------------------------------------------

SLAB = even(1.0, 60), even(0.1, 1)


def slab_parameter(middle):
    """Parameter of a slab whose middle is ``middle`` units warmer than its wall: 2 e^-t arcosh(e^(t/2))²."""
    return 2 * np.exp(-middle) * np.arccosh(np.exp(middle / 2)) ** 2


@pytest.mark.parametrize("delta", [0.2, 0.5, 0.8])
def test_a_slab_below_the_critical_parameter_settles(delta):
    middle = brentq(lambda t: slab_parameter(t) - delta, 1e-3, 1.18)
    # 0.3 %, and as much for the finite activation energy
    assert steady(slab_case(delta), SLAB).max() == pytest.approx(middle, rel=6e-3)


def test_the_exact_solution_of_the_slab_is_what_it_is_said_to_be():
    # its greatest value is the critical one (exact slab results, read; 0.5 recomputed)
    rise = np.linspace(0.5, 2.0, 200001)
    assert slab_parameter(rise).max() == pytest.approx(0.8784577, abs=1e-6)
    assert rise[slab_parameter(rise).argmax()] == pytest.approx(1.1868422, abs=1e-4)
    assert slab_parameter(0.3289524) == pytest.approx(0.5, abs=1e-6)


def test_the_critical_parameter_of_a_slab():
    # 0.8784577 (read as 0.88): a steady state at 0.99 of it, none at 1.01
    assert steady(slab_case(0.99 * 0.8784577), SLAB) is not None
    assert steady(slab_case(1.01 * 0.8784577), SLAB) is None


@pytest.mark.parametrize(
    ("biot", "critical"), [(1.0, 0.2706706), (10.0, 0.7289761)]
)
def test_the_critical_parameter_behind_a_film(biot, critical):
    # Robin wall, theta' = -Bi theta (recomputed; 2 e^-2 at Bi = 1)
    film = Boundary(
        "right", 0.0, 0.1, "film", temperature=TimeTable.constant(WALL), coefficient=TimeTable.constant(biot)
    )
    for factor, exists in ((0.99, True), (1.01, False)):
        scenario = case(1.0, 0.1, [Part("fuel", reacting(1.0, factor * critical))], (), (), (film,), start=WALL)
        assert (steady(scenario, SLAB) is not None) == exists


def cylinder_case(delta: float):
    """A quarter of a reacting cylinder of 1 m radius in what conducts a hundred times better, held at the wall's temperature."""
    parts = [Part("wall", simple("wall", 100.0, 1.0)), Part("fuel", reacting(1.0, delta))]
    edges = tuple(fixed(edge, 1.2, WALL) for edge in ("right", "top"))
    return case(1.2, 1.2, parts, [Paint(Circle(0.0, 0.0, 1.0), 1)], (), edges, start=WALL)


def test_the_critical_parameter_of_a_cylinder():
    # 2 (read); centre at delta 1: 0.3166944. 1.5 % for the cylinder on a square grid of 20 cells and the wall
    lines = even(1.2, 20), even(1.2, 20)
    assert steady(cylinder_case(1.0), lines).max() == pytest.approx(0.3166944, rel=0.015)
    assert steady(cylinder_case(0.97 * 2.0), lines) is not None
    assert steady(cylinder_case(1.03 * 2.0), lines) is None


@pytest.mark.parametrize(("factor", "settles"), [(0.97, True), (1.03, False)])
def test_in_time_the_slab_settles_below_and_runs_away_above(factor, settles):
    # the same, integrated; without consumption nothing else ends it
    scenario = slab_case(factor * 0.8784577)
    model = model_for(scenario, (even(1.0, 24), even(0.1, 1)))
    balance, found = Balance(model, BoundaryTables(scenario.boundaries)), reactions_of(model)
    full, capacity = np.ones(len(found.mass)), balance.capacity(np.full(model.unknowns, WALL))
    unit, matrix = WALL / ACTIVATION, conduction(model, balance)

    def slope(_, state):
        return (matrix @ (state - WALL) + found.power(state, full)) / capacity

    def jacobian(_, state):
        return (matrix + np.diag(found.slope(state, full))) / capacity[:, None]

    def away(_, state):
        return state.max() - WALL - 6 * unit

    away.terminal = True
    run = solve_ivp(
        slope, (0.0, 60.0), np.full(model.unknowns, WALL), method="BDF", jac=jacobian, events=away, rtol=1e-6, atol=1e-8 * unit
    )
    assert (run.status == 0) == settles
    if settles:
        assert run.y[:, -1].max() - WALL < 1.19 * unit


def test_a_reactant_that_runs_out_ends_a_runaway():
    # adiabatic, first order: the rise ends at heat over capacity, whatever the path; 0.01 %
    scenario = case(1.0, 0.1, [Part("fuel", reacting(1.0, 1.0, order=1.0, fuel=20.0))], start=WALL)
    model = model_for(scenario, (even(1.0, 2), even(0.1, 1)))
    balance, found = Balance(model, BoundaryTables(())), reactions_of(model)
    capacity, n = balance.capacity(np.full(model.unknowns, WALL)), model.unknowns
    unit = WALL / ACTIVATION

    def slope(time, both):
        state, left = both[:n], np.maximum(both[n:], 0.0)
        heat = found.power(state, left)
        return np.concatenate([(balance.flow(state, time) + heat) / capacity, -found.rate_constant(state) * left])

    begin = np.concatenate([np.full(n, WALL), np.ones(len(found.mass))])
    run = solve_ivp(slope, (0.0, 400.0), begin, method="BDF", rtol=1e-8, atol=1e-10)
    assert run.y[:n, -1] - WALL == pytest.approx(20.0 * unit, rel=1e-4)
    assert run.y[n:, -1].max() < 1e-4
