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
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import splu

from ampsoak.heat.arrays import LAMINATE
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.scenario.case import HeatSource, Paint, Part, Probe, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle, Stadium
from ampsoak.study.run import simulate

MM = 1e-3


@pytest.mark.parametrize("problem", ["P1", "P2", "P3"])
def test_links_are_positive_where_no_outline_cuts_the_mesh(problem):
    # heat flows from hot to cold along every link; elements that a curved outline cuts are judged by what they do,
    # below
    model = model_for(reference_problem(problem))
    balance = Balance(model, BoundaryTables(model.section.scenario.boundaries))
    balance.flow(np.full(model.unknowns, 330.0))
    cut = model.grid.element_kind == LAMINATE
    straight_x = (~cut[1:-1, :-1] & ~cut[1:-1, 1:]) & (model.grid.link_state_x > 0)
    straight_y = (~cut[:-1, 1:-1] & ~cut[1:, 1:-1]) & (model.grid.link_state_y > 0)
    assert straight_x.sum() > 500
    assert balance.links.x[model.cell_order[:-1]][straight_x].min() > 0
    assert balance.links.y[model.cell_order[:, :-1]][straight_y].min() > 0
    assert balance.links.cut.min() > 0


@pytest.mark.parametrize("problem", ["P1", "P2", "P3"])
def test_heat_anywhere_cools_nothing(problem):
    # maximum principle: the response to heat put into any one place is nowhere negative (P3 gets films of 8 W/(m² K))
    scenario = refined(reference_problem(problem), 0.4 * MM, growth=1.5)
    if problem == "P3":
        scenario = replace(
            scenario, boundaries=tuple(film(edge, scenario.width, 8.0, ZERO) for edge in ("bottom", "top"))
        )
    model = model_for(scenario)
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    live = np.ones(model.unknowns, dtype=bool)
    live[: model.cells] = model.grid.covered < 0
    matrix = _conduction_matrix(model, balance)[live][:, live]
    response = splu(matrix.tocsc()).solve(np.eye(matrix.shape[0])[:, _near_cable(model, live)])
    assert response.min() >= -1e-12 * response.max()


def _conduction_matrix(model, balance) -> lil_matrix:
    """Heat leaving each unknown per kelvin of each, (unknowns, unknowns) [W/(m K)].

    Probed with nine groups of cells that do not touch each other, and one conductor at a time.
    """
    nx, ny = model.section.shape
    zero = balance.flow(np.full(model.unknowns, ZERO))
    matrix = lil_matrix((model.unknowns, model.unknowns))
    groups = [
        [model.cell_order[i, j] for i in range(a, nx, 3) for j in range(b, ny, 3)] for a in range(3) for b in range(3)
    ]
    neighbours = {}
    for i in range(nx):
        for j in range(ny):
            around = model.cell_order[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2]
            neighbours[int(model.cell_order[i, j])] = around.ravel()
    lumps = np.arange(model.cells, model.unknowns)
    for unknowns in groups:
        state = np.full(model.unknowns, ZERO)
        state[unknowns] += 1.0
        leaving = zero - balance.flow(state)
        for unknown in unknowns:
            matrix[neighbours[int(unknown)], unknown] = leaving[neighbours[int(unknown)]][:, None]
    for lump in lumps:
        state = np.full(model.unknowns, ZERO)
        state[lump] += 1.0
        matrix[:, lump] = (zero - balance.flow(state))[:, None]
        matrix[lump, :] = matrix[:, lump].T  # symmetric
    return matrix.tocsr()


def _near_cable(model, live) -> np.ndarray:
    """Positions, among the live unknowns, of every third cell that an outline cuts, and of the conductors."""
    cut = (model.section.cell_area > 0).sum(axis=-1) > 1
    chosen = np.zeros(model.unknowns, dtype=bool)
    chosen[model.cell_order[cut][::3]] = True
    chosen[model.cells :] = True
    return np.flatnonzero(chosen[live])


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
    edges = (
        film("left", 10 * MM, 9.0, 100.0 + ZERO),
        film("right", 10 * MM, 25.0, ZERO, resistance=TimeTable.constant(0.05)),
    )
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
    box = case(
        20 * MM,
        10 * MM,
        [Part("box", simple("box", 0.3, 1e5))],
        boundaries=(flux("bottom", 20 * MM, 120.0), fixed("top", 20 * MM, ZERO)),
    )
    field = solve_steady(box)
    assert field.leaving("bottom") == pytest.approx(-120.0 * 20 * MM, rel=1e-12)
    assert field.leaving("top") == pytest.approx(120.0 * 20 * MM, rel=1e-9)
    assert field.at(7 * MM, 0.0) - ZERO == pytest.approx(120.0 * 10 * MM / 0.3, rel=1e-9)


# -- probes ------------------------------------------------------------------------------------------------------------


def test_point_probes_are_exact_in_a_linear_field():
    model = model_for(
        case(20 * MM, 10 * MM, [Part("box", simple("box", 0.3, 1e5))]), (even(20 * MM, 9), even(10 * MM, 7))
    )
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
        inside, surface, outside = (
            field.at(*(np.array([x, y]) + (r + away) * ray)) for away in (-0.3 * MM, 0.0, 0.3 * MM)
        )
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
    scenario = case(
        12 * MM,
        5 * MM,
        [plate],
        boundaries=(fixed("left", 5 * MM, ZERO), fixed("right", 5 * MM, ZERO)),
        duration=3000.0,
    )
    run = simulate(replace(scenario, probes=(Probe("mean", "mean", part=0), Probe("maximum", "maximum", part=0))))
    expected = np.array([1 / 12, 1 / 8]) * 1e5 * (12 * MM) ** 2 / 0.5
    assert run.probe_value[-1] - ZERO == pytest.approx(expected, rel=5e-3)
