"""A section cut at its mirrors against the same section solved whole: the same equations, so the same answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import all_edges, case, even, film, march, model_for, simple, solve_steady, wire
from reference_cases import reference_problem

from ampsoak.heat.fold import folded
from ampsoak.heat.watch import PartReader, ProbeReader
from ampsoak.scenario.case import CurrentProfile, HeatSource, Paint, Part, Probe, RunSettings, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle
from ampsoak.study.run import simulate

MM = 1e-3


def _symmetric(cells: int, **changes):
    """Two warmed rings beside one bare conductor in the middle, films all round; lines of ``cells`` equal cells."""
    circles = [Circle(x * MM, 15 * MM, 1.3 * MM) for x in (10.0, 20.0, 15.0)]
    copper = simple("copper", 400.0, 3.45e6)
    heat = changes.pop("heat", None)
    parts = [
        Part("fill", simple("fill", 0.04, 1.2e4), heat_source=HeatSource("length", TimeTable.constant(0.7))),
        Part("ring", simple("pvc", 0.17, 1.4e6), heat_source=heat),
        *(Part(f"c{number}", copper) for number in range(3)),
        Part("board", simple("board", 0.17, 7e5)),
    ]
    paints = [Paint(Rectangle(0, 0, 30 * MM, 4 * MM), 5), Paint(Rectangle(0, 26 * MM, 30 * MM, 30 * MM), 5)]
    paints += [Paint(Circle(c.x, c.y, 2.0 * MM), 1) for c in circles[:2]]
    paints += [Paint(c, 2 + number) for number, c in enumerate(circles)]
    conductors = [wire(2 + n, c, per_metre=8e-3, coefficient=0.0039) for n, c in enumerate(circles)]
    scenario = case(
        30 * MM, 30 * MM, parts, paints, conductors, all_edges(film, 30 * MM, 30 * MM, 8.0, 300.0), start=300.0,
        current=CurrentProfile((0.0, 60.0, 200.0), (25.0, 10.0), (25.0, 14.0)), duration=200.0,
        probes=(
            Probe("left", "point", 1 * MM, 15 * MM), Probe("right", "point", 29 * MM, 15 * MM),
            Probe("rim", "point", 15 * MM, 30 * MM), *(Probe(e, "edge_heat_flow", edge=e) for e in ("left", "right", "top")),
        ),
    )  # fmt: skip
    return replace(scenario, **changes), (even(30 * MM, cells), even(30 * MM, cells))


def _pair(cells: int, **changes):
    scenario, lines = _symmetric(cells, **changes)
    whole = model_for(scenario, lines)
    return scenario, whole, folded(whole)


@pytest.mark.usefixtures("double_factors")
@pytest.mark.parametrize("cells", [40, 41])
def test_a_quarter_answers_as_the_whole_does(cells):
    # even and odd numbers of cells: the mirror lies on a line, or through points
    scenario, whole, quarter = _pair(cells)
    assert quarter.copies == 4
    assert quarter.cells == ((cells + 1) // 2) ** 2
    one, four = (march(scenario, model=model, tolerance=0.05) for model in (whole, quarter))
    assert len(one.steps) == len(four.steps)
    for a, b in zip(one.steps, four.steps, strict=True):
        assert b.after[quarter.conductor_unknown] == pytest.approx(a.after[whole.conductor_unknown], abs=1e-9)
        assert b.joule == pytest.approx(a.joule, rel=1e-12)
        for name in ("generated", "lost", "stored"):
            assert getattr(b, name) == pytest.approx(getattr(a, name), rel=1e-9)
    assert quarter.field(four.steps[-1].after) == pytest.approx(whole.field(one.steps[-1].after), abs=1e-9)
    last = [(history.steps[-1].after, history.steps[-1].surface, history.steps[-1].surface_flow) for history in (one, four)]
    readings = [ProbeReader(model, scenario.probes).read(*state) for model, state in zip((whole, quarter), last, strict=True)]
    assert readings[1] == pytest.approx(readings[0], rel=1e-9)
    means = [PartReader(model).mean(state[0]) for model, state in zip((whole, quarter), last, strict=True)]
    assert means[1] == pytest.approx(means[0], abs=1e-9)


def test_the_steady_state_of_a_quarter_is_that_of_the_whole():
    scenario, whole, quarter = _pair(41)
    fields = [solve_steady(scenario, model=model, current=20.0) for model in (whole, quarter)]
    assert fields[1].state[quarter.cell_order] == pytest.approx(fields[0].state[whole.cell_order], abs=1e-8)


def _changed_conductor(scenario, **changes):
    conductors = list(scenario.conductors)
    conductors[0] = replace(conductors[0], **changes)
    return tuple(conductors)


def test_what_differs_between_left_and_right_is_not_cut_there():
    scenario, _ = _symmetric(40)
    parts = list(scenario.parts)
    parts[2] = replace(parts[2], start_temperature=320.0)
    warm_side = tuple(
        replace(b, coefficient=TimeTable.constant(9.0)) if b.edge == "right" else b for b in scenario.boundaries
    )
    half_edge = tuple(replace(b, stop=20 * MM) if b.edge == "top" else b for b in scenario.boundaries)
    moved = (*scenario.paints[:-1], Paint(Circle(15.2 * MM, 15 * MM, 1.3 * MM), 4))
    for changes in (
        {"conductors": _changed_conductor(scenario, current_factor=0.5)},
        {"conductors": _changed_conductor(scenario, resistance=9e-3)},
        {"conductors": _changed_conductor(scenario, circuit=-1)},
        {"parts": tuple(parts)},
        {"boundaries": warm_side},
        {"boundaries": half_edge},
        {"paints": moved},
    ):
        _, _, cut = _pair(40, **changes)
        assert cut.cell_order[0, 20] != cut.cell_order[-1, 20], changes


def test_a_current_of_opposite_sign_heats_alike_and_is_cut():
    scenario, _ = _symmetric(40)
    _, _, cut = _pair(40, conductors=_changed_conductor(scenario, current_factor=-1.0))
    assert cut.copies == 4


@pytest.mark.parametrize(("problem", "copies"), [("P1", 2), ("P3", 4), ("P4", 2)])
def test_reference_problems_are_cut_and_their_runs_close(problem, copies):
    from ampsoak.study.model import model_of

    scenario = reference_problem(problem)
    assert model_of(scenario).copies == copies
    run = simulate(replace(scenario, run=RunSettings(300.0, 0.1)))
    assert np.abs(run.energy_residual).max() < 1e-9
