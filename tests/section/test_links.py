"""Conductances of a meshed section: positive, exact for layers, and probes that read surfaces and interfaces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import (
    ZERO,
    Balance,
    Field,
    case,
    even,
    film,
    fixed,
    flux,
    model_for,
    refined,
    simple,
    solve_steady,
    wire,
)
from reference_cases import reference_problem

from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.scenario.case import HeatSource, Paint, Part, Probe, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle, Stadium
from ampsoak.study.run import simulate

MM = 1e-3


@pytest.mark.parametrize("problem", ["P1", "P2", "P3", "P4"])
@pytest.mark.parametrize("finest", [0.0, 0.15 * MM])
def test_links_along_the_grid_are_positive(problem, finest):
    # heat flows from hot to cold along every grid link; diagonal links may be negative but must be weaker than these
    model = model_for(refined(reference_problem(problem), finest))
    balance = Balance(model, BoundaryTables(model.section.scenario.boundaries))
    balance.flow(np.full(model.unknowns, 330.0))
    links = balance.links
    live_x, live_y = model.network.link_state_x > 0, model.network.link_state_y > 0
    assert links.x[live_x].min() > 0
    assert links.y[live_y].min() > 0
    assert links.cut.min() > 0
    assert links.face.min() > 0


def _strongest_overshoot(scenario) -> float:
    """How far a steady field without heat inside leaves the range of its edges, over that range."""
    state = solve_steady(scenario, current=0.0).state
    return max(ZERO - state.min(), state.max() - 100.0 - ZERO) / 100.0


@pytest.mark.parametrize("angle", [0.0, 0.3, 0.785, 1.2])
@pytest.mark.parametrize("ratio", [0.02, 0.3, 30.0])
def test_laminates_at_any_angle_keep_the_field_between_its_edges(angle, ratio):
    # maximum principle; no source needed
    size = 30 * MM
    parts = [Part("fill", simple("fill", 0.1, 1e4)), Part("strip", simple("strip", 0.1 * ratio, 1e5))]
    paints = [Paint(Stadium(15 * MM, 14 * MM, 18 * MM, 2.2 * MM, angle), 1)]
    edges = (fixed("left", size, ZERO), fixed("top", size, 100.0 + ZERO))
    assert _strongest_overshoot(case(size, size, parts, paints, boundaries=edges)) < 1e-10


# -- layers ------------------------------------------------------------------------------------------------------------


def test_layers_in_series_are_exact_on_any_mesh():
    # sum of thickness over conductivity, to rounding
    layers = ((7 * MM, 0.17), (2 * MM, 50.0), (11 * MM, 0.04))
    width = sum(thickness for thickness, _ in layers)
    parts = [Part(f"layer{n}", simple(f"layer{n}", k, 1e5)) for n, (_, k) in enumerate(layers)]
    starts = np.cumsum([0.0] + [thickness for thickness, _ in layers])
    paints = [Paint(Rectangle(starts[n], 0.0, starts[n + 1], 10 * MM), n) for n in (1, 2)]
    edges = (film("left", 10 * MM, 9.0, 100.0 + ZERO), film("right", 10 * MM, 25.0, ZERO, resistance=TimeTable.constant(0.05)))
    field = solve_steady(case(width, 10 * MM, parts, paints, boundaries=edges))
    resistance = 1 / 9.0 + sum(thickness / k for thickness, k in layers) + 0.05 + 1 / 25.0
    density = 100.0 / resistance
    assert field.leaving("right") == pytest.approx(density * 10 * MM, rel=1e-9)
    # interfaces between the layers, and both faces
    level, x = 100.0 - density / 9.0, 0.0
    assert field.at(0.0, 5 * MM) - ZERO == pytest.approx(level, rel=1e-9)
    for thickness, k in layers:
        x, level = x + thickness, level - density * thickness / k
        assert field.at(min(x, width), 4.3 * MM) - ZERO == pytest.approx(level, rel=1e-6)


def test_layers_side_by_side_are_exact():
    # parallel conductances, whatever the mesh across
    parts = [Part("one", simple("one", 0.04, 1e5)), Part("two", simple("two", 0.9, 1e5))]
    scenario = case(
        20 * MM, 10 * MM, parts, [Paint(Rectangle(0.0, 3.7 * MM, 20 * MM, 10 * MM), 1)],
        boundaries=(fixed("left", 10 * MM, 100.0 + ZERO), fixed("right", 10 * MM, ZERO)),
    )  # fmt: skip
    field = solve_steady(scenario)
    expected = (0.04 * 3.7 + 0.9 * 6.3) / 20.0 * 100.0
    assert field.leaving("right") == pytest.approx(expected, rel=1e-9)
    assert field.leaving("left") == pytest.approx(-expected, rel=1e-9)


def test_flux_edge_gives_its_flux():
    box = case(20 * MM, 10 * MM, [Part("box", simple("box", 0.3, 1e5))], boundaries=(flux("bottom", 20 * MM, 120.0), fixed("top", 20 * MM, ZERO)))
    field = solve_steady(box)
    assert field.leaving("bottom") == pytest.approx(-120.0 * 20 * MM, rel=1e-12)
    assert field.leaving("top") == pytest.approx(120.0 * 20 * MM, rel=1e-9)
    assert field.at(7 * MM, 0.0) - ZERO == pytest.approx(120.0 * 10 * MM / 0.3, rel=1e-9)


# -- probes ------------------------------------------------------------------------------------------------------------


def test_point_probes_are_exact_in_a_linear_field():
    model = model_for(case(20 * MM, 10 * MM, [Part("box", simple("box", 0.3, 1e5))]), (even(20 * MM, 9), even(10 * MM, 7)))
    section = model.section
    state = np.empty(model.unknowns)
    state[model.cell_order] = 300.0 + 1e3 * section.x_points[:, None] - 2e3 * section.y_points[None, :]
    field = Field(model, state)
    for x, y in ((4.1 * MM, 3.3 * MM), (10 * MM, 5 * MM), (17.7 * MM, 8.1 * MM)):
        assert field.at(x, y) == pytest.approx(300.0 + 1e3 * x - 2e3 * y, abs=1e-9)


def test_probe_in_a_conductor_reads_the_conductor():
    shape = Circle(10 * MM, 10 * MM, 1 * MM)
    parts = [Part("fill", simple("fill", 0.04, 1e4)), Part("wire", simple("copper", 400.0, 3.45e6))]
    box = case(20 * MM, 20 * MM, parts, [Paint(shape, 1)], [wire(1, shape)], [fixed("left", 20 * MM, ZERO)])
    field = solve_steady(box)
    assert field.at(10.3 * MM, 9.9 * MM) == field.conductors[0]


def test_probe_on_an_oblique_place_of_a_cable_surface_lies_between_both_sides():
    # no oracle: monotone field, so the surface is warmer than just outside and cooler than just inside
    scenario = reference_problem("P1")
    field = solve_steady(scenario, current=20.0)
    x, y, r = 184 * MM + 2.7 * MM, 57.2 * MM, 2.3 * MM
    for angle in (0.2, 0.7, 1.3):
        ray = np.array([np.cos(angle), np.sin(angle)])
        inside, surface, outside = (field.at(*(np.array([x, y]) + (r + away) * ray)) for away in (-0.3 * MM, 0.0, 0.3 * MM))
        assert inside > surface > outside


def test_run_probes_of_every_kind_agree_with_the_run():
    scenario = refined(reference_problem("P1"), 0.4 * MM)
    jacket = scenario.part_index("jacket")
    probes = (
        Probe("line", "point", x=181.5 * MM, y=57.2 * MM),
        Probe("mean", "mean", part=jacket),
        Probe("maximum", "maximum", part=jacket),
        Probe("out below", "edge_heat_flow", edge="bottom"),
        Probe("out above", "edge_heat_flow", edge="top"),
    )
    run = simulate(replace(scenario, probes=probes, run=replace(scenario.run, duration=1200.0, tolerance=2e-3)))
    assert run.probe_units == ["K", "K", "K", "W m-1", "W m-1"]
    value = run.probe_value
    assert np.array_equal(value[:, 0], run.conductor_temperature[:, 0])
    assert np.array_equal(value[:, 1], run.part_mean[:, jacket])
    assert np.array_equal(value[:, 2], run.part_maximum[:, jacket])
    # what leaves through the edges, integrated, is what the run says was lost
    leaving = value[:, 3] + value[:, 4]
    lost = np.concatenate([[0.0], np.cumsum(np.diff(run.time) * (leaving[1:] + leaving[:-1]) / 2)])
    assert lost[-1] == pytest.approx(run.energy_lost[-1], rel=5e-3)


def test_mean_of_a_part_heated_evenly_is_its_mean():
    # closed form: a plate 12 mm thick with 1e5 W/m³ between fixed faces; mean q L² / (12 k), maximum q L² / (8 k)
    source = HeatSource("volume", TimeTable.constant(1e5))
    plate = Part("plate", simple("plate", 0.5, 1e6), heat_source=source)
    scenario = case(12 * MM, 5 * MM, [plate], boundaries=(fixed("left", 5 * MM, ZERO), fixed("right", 5 * MM, ZERO)), duration=3000.0)
    run = simulate(replace(scenario, probes=(Probe("mean", "mean", part=0), Probe("maximum", "maximum", part=0))))
    expected = np.array([1 / 12, 1 / 8]) * 1e5 * (12 * MM) ** 2 / 0.5
    assert run.probe_value[-1] - ZERO == pytest.approx(expected, rel=5e-3)
