"""What holds for every section whatever its numbers: conservation, maximum principle, symmetry, linearity, scaling."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import (
    ZERO,
    all_edges,
    case,
    even,
    film,
    fixed,
    flux,
    march,
    march_evenly,
    mirrored,
    model_for,
    simple,
    solve_steady,
    tabled,
    transposed,
    turned,
    wire,
)
from reference_cases import reference_problem

from ampsoak.heat.stepping import start_state
from ampsoak.library.materials import Material
from ampsoak.scenario.case import CurrentProfile, HeatSource, MeshSettings, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle, Polygon, Rectangle, Stadium
from ampsoak.study.run import simulate

MM = 1e-3


def mixed_section(
    boundaries=(), *, heat: float = 0.0, fill: Material | None = None, load: float = 1.0, start: float = ZERO, **more
):
    """40 mm by 30 mm with a stud, a turned flat cable, a triangle and two conductors; materials four decades apart."""
    width, height = 40 * MM, 30 * MM
    source = HeatSource("volume", TimeTable.constant(heat)) if heat else None
    parts = [
        Part("fill", fill or simple("fill", 0.04, 1.2e4), heat_source=source),
        Part("stud", simple("wood", 0.12, 7e5)),
        Part("jacket", simple("pvc", 0.17, 1.4e6)),
        Part("wedge", simple("steel", 50.0, 3.8e6)),
        Part("one", simple("copper", 400.0, 3.45e6)),
        Part("two", simple("copper", 400.0, 3.45e6)),
    ]
    one, two = Circle(16.9 * MM, 14.1 * MM, 0.9 * MM), Circle(19.2 * MM, 15.4 * MM, 0.7 * MM)
    paints = [
        Paint(Rectangle(0.0, 0.0, 6 * MM, height), 1),
        Paint(Stadium(18 * MM, 14.7 * MM, 8 * MM, 4.5 * MM, 0.5), 2),
        Paint(Polygon(((28 * MM, 7 * MM), (35 * MM, 9 * MM), (30 * MM, 16 * MM))), 3),
        Paint(one, 4),
        Paint(two, 5),
    ]
    conductors = [wire(4, one, per_metre=4.0), wire(5, two, per_metre=2.0)]
    return case(width, height, parts, paints, conductors, boundaries, current=load, start=start, **more)


WIDTH, HEIGHT = 40 * MM, 30 * MM


# -- conservation ------------------------------------------------------------------------------------------------------


def test_every_linear_step_closes_its_energy_balance():
    edges = (*all_edges(film, WIDTH, HEIGHT, 8.0, ZERO)[:3], flux("top", WIDTH, 40.0))
    history = march(mixed_section(edges, heat=3e4, duration=900.0), tolerance=0.05)
    for step in history.steps:
        throughput = abs(step.generated) + abs(step.lost)
        assert abs(step.stored + step.lost - step.generated) < 1e-9 * throughput


def test_every_nonlinear_step_closes_its_energy_balance():
    fill = tabled(
        simple("fill", 0.04, 1.2e4),
        conductivity=((ZERO, ZERO + 300.0), (0.03, 0.12)),
        specific_heat=((ZERO, ZERO + 100.0, ZERO + 300.0), (1.0, 4.0, 1.0)),
    )
    law = (("factor", 1.31), ("exponent", 1 / 3))
    edges = all_edges(
        film, WIDTH, HEIGHT, None, ZERO, emissivity=0.9, correlation="power_law", correlation_parameters=law
    )
    history = march(mixed_section(edges, fill=fill, duration=900.0), tolerance=0.05)
    for step in history.steps:
        throughput = abs(step.generated) + abs(step.lost)
        assert abs(step.stored + step.lost - step.generated) < 1e-6 * throughput


def test_adiabatic_box_stores_exactly_what_is_put_in():
    # mean temperature rises by heat over capacity, to rounding; whatever the map of materials
    duration, strength, volume = 300.0, 6.0, 2e4
    scenario = mixed_section(heat=volume, duration=duration)
    history = march(scenario, tolerance=0.05)
    model = history.model
    start, end = history.steps[0].before, history.steps[-1].after
    area = model.section.part_area_mesh.copy()
    area[[4, 5]] = [conductor.metal_area for conductor in scenario.conductors]
    put_in = duration * (strength + volume * area[0])
    stored = sum(step.stored for step in history.steps)
    assert stored == pytest.approx(put_in, rel=1e-12)
    capacity = _capacities(model)
    assert capacity @ (end - start) == pytest.approx(put_in, rel=1e-11)


def _capacities(model) -> np.ndarray:
    """Heat capacity of every unknown from the section's own areas and materials, (unknowns,) [J/(m K)]."""
    network = model.network
    total = np.zeros(model.unknowns)
    volume_heat = np.array([float(material.volumetric_heat_capacity(300.0)) for material in model.materials])
    owner = np.repeat(np.arange(model.unknowns), np.diff(network.content_start))
    np.add.at(total, owner, network.content_area * volume_heat[network.content_material])
    return total


def test_uniform_adiabatic_box_with_source_heats_uniformly():
    # T = q t / (rho c) everywhere, to 1e-12 of the rise
    source = HeatSource("volume", TimeTable.constant(5e4))
    box = case(0.03, 0.02, [Part("box", simple("box", 0.2, 1e6), heat_source=source)], duration=1000.0)
    end = march(box, (even(0.03, 12), even(0.02, 9)), tolerance=0.05).steps[-1].after
    assert end - ZERO == pytest.approx(50.0, rel=1e-11)


def test_source_per_metre_with_a_table_in_time_puts_in_its_integral():
    # trapezium 0, 8, 8, 0 W/m at 0, 10, 40, 60 s: 40 + 240 + 80 J/m
    course = TimeTable((0.0, 10.0, 40.0, 60.0), (0.0, 8.0, 8.0, 0.0))
    disc = Part("disc", simple("disc", 0.2, 1e6), heat_source=HeatSource("length", course))
    box = case(
        0.02,
        0.02,
        [Part("box", simple("box", 0.04, 1e4)), disc],
        [Paint(Circle(0.011, 0.009, 0.004), 1)],
        duration=80.0,
    )
    history = march(box, tolerance=0.05)
    assert sum(step.generated for step in history.steps) == pytest.approx(360.0, rel=1e-12)
    assert sum(step.stored for step in history.steps) == pytest.approx(360.0, rel=1e-9)


def test_ramped_current_puts_in_the_integral_of_its_square():
    # 0 to 3 A in 60 s through 4 + 2 ohm per metre: R int I² dt = 6 * 9 * 60 / 3 = 1080 J/m (a third-order method is
    # exact)
    ramp = CurrentProfile((0.0, 60.0), (0.0,), (3.0,))
    history = march(mixed_section(load=ramp, duration=60.0), tolerance=0.05)
    assert sum(step.generated for step in history.steps) == pytest.approx(1080.0, rel=1e-12)


# -- maximum principle -------------------------------------------------------------------------------------------------


def test_steady_field_without_sources_stays_between_its_edges():
    edges = (fixed("left", HEIGHT, ZERO), film("right", HEIGHT, 30.0, 100.0 + ZERO), fixed("top", WIDTH, 40.0 + ZERO))
    state = solve_steady(mixed_section(edges), current=0.0).state
    assert state.min() >= ZERO - 1e-9
    assert state.max() <= 100.0 + ZERO + 1e-9


@pytest.mark.parametrize("tolerance", [0.5, 0.05])
def test_history_without_sources_leaves_its_bounds_by_no_more_than_the_tolerance(tolerance):
    # L-stable methods of higher order may overshoot; by less than what the user allows
    scenario = mixed_section((fixed("left", HEIGHT, 100.0 + ZERO),), load=0.0, duration=2000.0)
    warm = replace(
        scenario,
        parts=(*scenario.parts[:4], replace(scenario.parts[4], start_temperature=80.0 + ZERO), scenario.parts[5]),
    )
    for step in march(warm, tolerance=tolerance).steps:
        assert step.after.min() >= ZERO - tolerance
        assert step.after.max() <= 100.0 + ZERO + tolerance


@pytest.mark.parametrize("kind", ["film", "fixed", "adiabatic"])
def test_uniform_temperature_stays_uniform_in_any_map_of_materials(kind):
    air = 25.0 + ZERO
    edges = {
        "film": all_edges(film, WIDTH, HEIGHT, 8.0, air),
        "fixed": all_edges(fixed, WIDTH, HEIGHT, air),
        "adiabatic": (),
    }
    scenario = mixed_section(edges[kind], load=0.0, start=air, duration=1e5)
    history = march(scenario, tolerance=0.05)
    assert max(np.abs(step.after - air).max() for step in history.steps) < 1e-10


# -- the same section in another position ------------------------------------------------------------------------------

_MOVES = {"mirrored": mirrored, "transposed": transposed, "turned": turned, "turned twice": lambda s: turned(turned(s))}


@pytest.mark.usefixtures("double_factors")
@pytest.mark.parametrize("move", _MOVES)
@pytest.mark.parametrize("kind", ["mixed", "cable"])
def test_moved_section_has_the_same_history(kind, move):
    if kind == "mixed":
        edges = (fixed("left", HEIGHT, 30.0 + ZERO), film("top", WIDTH, 9.0, ZERO))
        scenario = mixed_section(edges, duration=600.0, mesh=MeshSettings(finest=0.5 * MM))
    else:
        scenario = replace(reference_problem("P3"), mesh=MeshSettings(finest=0.4 * MM))
    times = np.array([10.0, 100.0, 600.0])
    reference = march(scenario, tolerance=0.05, until=600.0)
    moved = march(_MOVES[move](scenario), tolerance=0.05, until=600.0)
    assert np.abs(moved.conductors(times) - reference.conductors(times)).max() < 1e-10


def test_straight_sided_section_is_the_same_field_mirrored():
    edges = (fixed("left", HEIGHT, 30.0 + ZERO), film("top", WIDTH, 9.0, ZERO))
    parts = [Part("fill", simple("fill", 0.04, 1.2e4)), Part("stud", simple("wood", 0.12, 7e5))]
    scenario = case(WIDTH, HEIGHT, parts, [Paint(Rectangle(0.0, 0.0, 6 * MM, 10 * MM), 1)], boundaries=edges)
    field, back = solve_steady(scenario), solve_steady(mirrored(scenario))
    assert np.abs(field.cells - back.cells[::-1]).max() < 1e-10


# -- linearity and scaling ---------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("double_factors")
def test_loads_superpose_in_a_linear_section():
    # the same steps for each load; rises add up
    lines = tuple(even(length, cells) for length, cells in ((WIDTH, 80), (HEIGHT, 60)))
    edges = all_edges(film, WIDTH, HEIGHT, 8.0, ZERO)

    def rise(load, heat):
        return (
            march_evenly(mixed_section(edges, load=load, heat=heat, duration=300.0), lines, 20.0, 15).steps[-1].after
            - ZERO
        )

    together, alone = rise(2.0, 5e4), (rise(2.0, 0.0), rise(0.0, 5e4))
    assert np.abs(together - sum(alone)).max() < 1e-10 * together.max()
    assert np.abs(rise(4.0, 0.0) - 4 * alone[0]).max() < 1e-10 * alone[0].max()


@pytest.mark.usefixtures("double_factors")
def test_twice_the_size_takes_four_times_as_long():
    # heat equation with lengths times 2, times times 4, coefficients by half: the same temperatures
    def scaled(factor):
        shape = Circle(9 * MM * factor, 11 * MM * factor, 1.5 * MM * factor)
        side = 20 * MM * factor
        parts = [
            Part("fill", simple("fill", 0.04, 2e5)),
            Part("ring", simple("pvc", 0.17, 1.4e6)),
            Part("wire", simple("cu", 400.0, 3.45e6)),
        ]
        paints = [Paint(Circle(shape.x, shape.y, 3 * MM * factor), 1), Paint(shape, 2)]
        scenario = case(
            side, side, parts, paints, [wire(2, shape, per_metre=5.0)], all_edges(film, side, side, 8.0 / factor, ZERO),
            duration=1000.0 * factor**2,
        )  # fmt: skip
        return march(scenario, tolerance=0.05)

    times = np.array([3.0, 50.0, 400.0, 1000.0])
    small, large = scaled(1.0), scaled(2.0)
    assert np.abs(large.conductors(4 * times) - small.conductors(times)).max() < 1e-9
    assert len(large.steps) == len(small.steps)


# -- start states ------------------------------------------------------------------------------------------------------


def test_parts_start_at_their_own_temperature():
    scenario = mixed_section()
    own = {"stud": 40.0 + ZERO, "one": 90.0 + ZERO}
    parts = tuple(replace(part, start_temperature=own.get(part.name)) for part in scenario.parts)
    model = model_for(replace(scenario, parts=parts))
    state = start_state(model, ZERO)
    assert state[model.conductor_unknown] == pytest.approx([90.0 + ZERO, ZERO])
    field = state[model.cell_order]
    stud = model.section.x_points < 6 * MM
    assert field[stud] == pytest.approx(40.0 + ZERO)
    whole = model.section.cell_area[:, :, 0] > 0.999999 * model.section.cell_area.sum(axis=-1)
    assert field[whole] == pytest.approx(ZERO)


def test_soaked_start_is_the_steady_state_and_stays_there():
    scenario = replace(reference_problem("P3"), mesh=MeshSettings(finest=0.4 * MM))
    edges = all_edges(film, scenario.width, scenario.height, 8.0, 25.0 + ZERO)
    soaked = replace(
        scenario,
        boundaries=edges,
        start=replace(scenario.start, kind="soaked", currents=(20.0,)),
        circuits=(replace(scenario.circuits[0], profile=CurrentProfile.constant(20.0, 5000.0)),),
        run=replace(scenario.run, duration=5000.0),
    )
    run = simulate(soaked)
    expected = solve_steady(replace(scenario, boundaries=edges), current=20.0).conductors
    assert run.conductor_temperature[0] == pytest.approx(expected, abs=1e-6)
    assert np.abs(run.conductor_temperature - expected).max() < 1e-4
