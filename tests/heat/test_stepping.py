"""Stepping in time: error against tolerance, crossings inside steps, jumps, boundaries in time, an independent twin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import (
    ZERO,
    Balance,
    all_edges,
    case,
    film,
    fixed,
    march,
    march_evenly,
    model_for,
    observed_orders,
    simple,
    strip,
    tabled,
    wire,
)
from reference_cases import reference_problem
from scipy.integrate import solve_ivp

from ampsoak.base.errors import NumericalError
from ampsoak.heat import kernels
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.stepping import start_state
from ampsoak.heat.watch import LimitWatch
from ampsoak.scenario.case import CurrentProfile, Limit, MeshSettings, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle
from ampsoak.study.run import simulate

MM = 1e-3


def coarse(problem: str):
    """A reference problem on a coarse mesh: here only time matters."""
    return replace(reference_problem(problem), mesh=MeshSettings(finest=0.4 * MM, growth=1.6))


# -- error against tolerance -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=["P1", "P2", "P4"])
def accurate(request):
    """(scenario, model, times between and at load changes, conductor temperatures with a tight tolerance)."""
    scenario = coarse(request.param)
    model = model_for(scenario)
    profile = scenario.circuits[0].profile
    times = np.unique(
        np.concatenate(
            [
                begin + np.geomspace(1e-3, 1.0, 80) * (end - begin)
                for begin, end in zip(profile.time[:-1], profile.time[1:], strict=True)
            ]
        )
    )
    return scenario, model, times, march(scenario, model=model, tolerance=1e-3).conductors(times)


@pytest.mark.parametrize("tolerance", [0.5, 0.2, 0.05, 0.02])
def test_error_of_the_whole_history_stays_below_the_tolerance(accurate, tolerance):
    # own requirement: what the user allows is what the user gets, between the steps as well
    scenario, model, times, expected = accurate
    found = march(scenario, model=model, tolerance=tolerance).conductors(times)
    assert np.abs(found - expected).max() < tolerance


def test_fewer_steps_for_a_looser_tolerance(accurate):
    scenario, model, _, _ = accurate
    counts = [len(march(scenario, model=model, tolerance=tolerance).steps) for tolerance in (0.5, 0.05)]
    assert counts[0] < counts[1] < 200


def test_third_order_with_fixed_steps():
    # R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006: order 3; a smooth decay, the mesh's own error cancels
    slab = case(
        0.1,
        1.0,
        [Part("slab", simple("slab", 1.0, 1e6))],
        boundaries=(film("right", 1.0, 20.0, ZERO),),
        duration=1000.0,
    )
    model = model_for(slab, strip(12, 0.1))
    start = ZERO + 50.0 * np.cos(model.section.x_points / 0.1)

    def at_end(count):
        return march_evenly(slab, None, 1000.0 / count, count, start=start, model=model).state(1000.0)

    fine = at_end(640)
    errors = [np.abs(at_end(count) - fine).max() for count in (20, 40, 80)]
    assert observed_orders(errors).min() >= 2.8


# -- limits ------------------------------------------------------------------------------------------------------------


def test_crossings_are_located_inside_steps():
    # against a run with a 20 times tighter tolerance: the time error is at most the tolerance over the slope
    scenario = coarse("P1")

    def crossings(tolerance):
        run = simulate(replace(scenario, run=replace(scenario.run, tolerance=tolerance)))
        return run, {(event.kind, event.name, n): event.time for n, event in enumerate(run.events)}

    tight_run, tight = crossings(0.005)
    run, found = crossings(0.1)
    assert found.keys() == tight.keys()
    assert {kind for kind, _, _ in found} == {"limit_reached", "limit_left"}
    assert not np.isin(list(found.values()), run.time).any()  # none fell on the end of a step
    hotter = tight_run.conductor_temperature[:, :2].max(axis=1)
    for key, time in found.items():
        near = np.searchsorted(tight_run.time, tight[key])
        slope = abs((hotter[near] - hotter[near - 1]) / (tight_run.time[near] - tight_run.time[near - 1]))
        assert abs(time - tight[key]) < 0.1 / slope


def test_a_peak_inside_one_step_is_seen():
    # 60 s at 30 A cools at once; the limit lies just below the peak at the end of the load, found up and down
    scenario = coarse("P2")
    profile = CurrentProfile((0.0, 60.0, 600.0), (49.0, 0.0), (49.0, 0.0))
    circuits = (replace(scenario.circuits[0], profile=profile),)
    peak = march(replace(scenario, circuits=circuits), tolerance=0.01, until=60.0).conductors(60.0)[0, :2].max()
    limit = Limit("close", float(peak) - 0.5, scenario.limits[0].parts)
    run = simulate(replace(scenario, circuits=circuits, limits=(limit,), run=replace(scenario.run, duration=600.0)))
    assert [event.kind for event in run.events] == ["limit_reached", "limit_left"]
    assert run.events[0].time < 60.0 < run.events[1].time
    assert run.events[1].time - run.events[0].time < 5.0


def test_limits_above_the_start_state_are_said_at_time_zero():
    scenario = coarse("P2")
    model = model_for(scenario)
    watch = LimitWatch(model, scenario.limits)
    begun = watch.begin(start_state(model, 80.0 + ZERO))
    assert [(index, time) for index, time, _, _ in begun] == [(0, 0.0), (1, 0.0)]  # 60 and 75 °C, not 90 and 160


# -- jumps and tables in time ------------------------------------------------------------------------------------------


def test_steps_end_at_jumps_and_begin_small_after_them():
    scenario = coarse("P1")
    history = march(scenario, tolerance=0.05)
    for jump in scenario.circuits[0].profile.time[1:-1]:
        assert (history.ends == jump).sum() == 1
        after = int(np.flatnonzero(history.ends == jump)[0]) + 1
        lengths = [history.steps[n].end - history.steps[n].begin for n in (after - 1, after)]
        assert lengths[1] < 0.2 * lengths[0]


def test_milliseconds_of_fault_and_days_of_soak_in_one_run():
    # energy: what the fault put in is I² R(T) over its time, R between its values at both ends
    soak, fault = 1e6, 5e-3
    scenario = coarse("P1")
    profile = CurrentProfile((0.0, soak, soak + fault, soak + 100.0), (12.0, 1500.0, 0.0), (12.0, 1500.0, 0.0))
    scenario = replace(
        scenario,
        circuits=(replace(scenario.circuits[0], profile=profile),),
        run=replace(scenario.run, duration=soak + 100.0, tolerance=0.05),
        limits=(),
    )
    run = simulate(scenario)
    rows = [int(np.flatnonzero(run.time == time)[0]) for time in (soak, soak + fault)]
    put_in = float(np.diff(run.energy_generated[rows])[0])
    loaded = scenario.conductors[:2]
    bounds = [
        sum(
            1500.0**2
            * c.resistance
            * (1 + c.temperature_coefficient * (run.conductor_temperature[row, n] - 293.15))
            * fault
            for n, c in enumerate(loaded)
        )
        for row in rows
    ]
    assert bounds[0] < put_in < bounds[1]
    assert len(run.time) < 200
    assert np.abs(run.energy_residual).max() < 1e-9


def test_air_temperature_and_film_follow_their_tables():
    # one thin cell behind a film: C dT/dt = h(t) (air(t) - T), integrated by scipy
    times = (0.0, 100.0, 400.0, 1000.0)
    air, coefficient = TimeTable(times, (300.0, 330.0, 290.0, 310.0)), TimeTable(times, (5.0, 20.0, 8.0, 8.0))
    sheet = case(
        1e-4, 1.0, [Part("sheet", simple("sheet", 1e3, 2e7))], boundaries=(film("left", 1.0, coefficient, air),),
        start=300.0, duration=1000.0,
    )  # fmt: skip
    history = march(sheet, strip(1, 1e-4), tolerance=1e-3)
    exact = solve_ivp(
        lambda t, T: np.interp(t, times, coefficient.value) * (np.interp(t, times, air.value) - T) / 2000.0,
        (0.0, 1000.0), [300.0], rtol=1e-9, atol=1e-9, max_step=5.0, dense_output=True,
    )  # fmt: skip
    at = np.linspace(10.0, 1000.0, 34)
    assert [history.state(t)[0] for t in at] == pytest.approx(exact.sol(at)[0], abs=2e-3)


def test_a_step_that_collapses_says_where_and_why():
    # runaway without end: copper that cannot lose its heat, until the numbers give out
    shape = Circle(5 * MM, 5 * MM, 1 * MM)
    box = case(
        10 * MM, 10 * MM, [Part("fill", simple("fill", 0.04, 1e4)), Part("wire", simple("copper", 400.0, 3.45e6))],
        [Paint(shape, 1)], [wire(1, shape, per_metre=5e-3, coefficient=0.004)], current=200.0, duration=1e9,
    )  # fmt: skip
    with pytest.raises(NumericalError, match=r"conductor wire1"):
        march(box, tolerance=100.0)


# -- an independent twin -----------------------------------------------------------------------------------------------


def _twin(scenario, model, times) -> np.ndarray:
    """The same links and capacities integrated by scipy's implicit Runge-Kutta method, (n_times, n_conductors) [K]."""
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    live = np.ones(model.unknowns, dtype=bool)
    live[: model.cells] = model.grid.covered < 0
    start = start_state(model, scenario.start.temperature)

    def rate(time, rise):
        state = start.copy()
        state[live] += rise
        kernels.spread_conductors(model.network, state)
        flow = balance.flow(state, time, [scenario.circuits[0].profile.start[0]])
        return flow[live] / balance.capacity(state)[live]

    solution = solve_ivp(
        rate, (0.0, times[-1]), np.zeros(live.sum()), method="Radau", t_eval=times, rtol=1e-8, atol=1e-7
    )
    assert solution.success
    return solution.y[np.cumsum(live)[model.conductor_unknown] - 1].T + start[model.conductor_unknown]


@pytest.mark.parametrize("kind", ["linear", "nonlinear"])
def test_twin_by_the_method_of_lines(kind):
    # an independent integrator on the same semi-discrete equations: 1e-6 of the rise
    fill = simple("fill", 0.04, 1.2e4)
    edges = all_edges(film, 12 * MM, 11 * MM, 8.0, 300.0)
    if kind == "nonlinear":
        fill = tabled(fill, conductivity=((300.0, 600.0), (0.04, 0.12)))
        edges = all_edges(
            film, 12 * MM, 11 * MM, None, 300.0, correlation="power_law", emissivity=0.9,
            correlation_parameters=(("factor", 1.31), ("exponent", 1 / 3)),
        )  # fmt: skip
    one, two = Circle(4.7 * MM, 5.6 * MM, 0.9 * MM), Circle(7.3 * MM, 5.5 * MM, 0.9 * MM)
    copper = simple("copper", 400.0, 3.45e6)
    parts = [Part("fill", fill), Part("ring", simple("pvc", 0.17, 1.4e6)), Part("one", copper), Part("two", copper)]
    paints = [Paint(Circle(4.7 * MM, 5.6 * MM, 1.8 * MM), 1), Paint(one, 2), Paint(two, 3)]
    conductors = [wire(n, shape, per_metre=8e-3, coefficient=0.0039) for n, shape in ((2, one), (3, two))]
    scenario = case(
        12 * MM, 11 * MM, parts, paints, conductors, edges, start=300.0, current=25.0, duration=400.0,
    )  # fmt: skip
    lines = (np.linspace(0.0, 12 * MM, 17), np.linspace(0.0, 11 * MM, 16))
    model = model_for(scenario, lines)
    times = np.array([1.0, 20.0, 100.0, 400.0])
    found = march(scenario, model=model, tolerance=3e-6).conductors(times)
    expected = _twin(scenario, model, times)
    assert np.abs(found - expected).max() < 1e-6 * (expected.max() - 300.0)


def test_fixed_edges_hold_their_temperature():
    # boundary by definition
    box = case(
        0.02, 0.02, [Part("box", simple("box", 0.2, 1e6))], boundaries=(fixed("left", 0.02, 350.0),), duration=50.0
    )
    field = march(box, tolerance=0.05).field(50.0)
    assert field.at(0.0, 0.013) == pytest.approx(350.0, abs=1e-9)


def test_a_foil_that_stores_next_to_nothing_does_not_stop_the_run():
    # a film met by cells without heat content answers at once; the slab behind warms as if the foil were not there
    def slab(foil):
        parts = [Part("slab", simple("slab", 0.2, 1e6)), Part("foil", simple("foil", 50.0, foil))]
        paints = [Paint(Rectangle(0.0, 0.0, 1e-4, 0.01), 1)]
        edges = (film("left", 0.01, 10.0, 400.0),)
        scenario = case(0.0201, 0.01, parts, paints, boundaries=edges, start=300.0, duration=600.0)
        return march(
            scenario, (np.concatenate([[0.0], np.linspace(1e-4, 0.0201, 21)]), np.array([0.0, 0.01])), tolerance=0.01
        )

    found = slab(1e-6).state(600.0)[1:]
    assert found == pytest.approx(slab(10.0).state(600.0)[1:], abs=0.02)
    assert found[0] > 330.0
