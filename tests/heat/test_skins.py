"""Skins: what other material lies in the cells that a conductor covers follows it with the lag of a thin layer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import ZERO, Balance, all_edges, case, even, film, march, model_for, simple, wire

from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.laws import skin_conductance
from ampsoak.heat.stepping import start_state
from ampsoak.scenario.case import HeatSource, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle, Ring

MM = 1e-3
COPPER = simple("copper", 400.0, 3.45e6)


def test_the_conductance_of_a_skin_as_worked_by_hand():
    # 3 x 0.17 W/(m K) x (5 mm)² / 0.25 mm²
    assert skin_conductance(0.17, 0.25e-6, 5e-3) == pytest.approx(51.0, rel=1e-12)


def _lag_of_slab(thickness: float, diffusivity: float) -> float:
    """How long the mean of a slab stays behind one warmed face, the other being closed [s]: integral of 1 - mean after a step.

    Carslaw and Jaeger, Conduction of Heat in Solids, section 3.4 (from memory, high confidence): the mean is
    1 - sum 2 / p² exp(-p² a t / d²) with p = (n + 1/2) pi.
    """
    p = (np.arange(2000) + 0.5) * np.pi
    return float((2.0 / p**4).sum()) * thickness**2 / diffusivity


@pytest.mark.parametrize(("thickness", "perimeter"), [(0.05 * MM, 5.1 * MM), (0.2 * MM, 20 * MM)])
def test_a_skin_lags_as_the_mean_of_a_slab_does(thickness, perimeter):
    conductivity, volume_heat = 0.17, 1.4e6
    area = thickness * perimeter
    lag = volume_heat * area / skin_conductance(conductivity, area, perimeter)
    assert lag == pytest.approx(_lag_of_slab(thickness, conductivity / volume_heat), rel=1e-9)


# -- in a section ------------------------------------------------------------------------------------------------------


def _two_sided(shape, **changes):
    """A conductor half in one material and half in another, on cells of 0.5 mm that its outline cuts."""
    parts = [
        Part("left", simple("left", 0.04, 1.0e6)),
        Part("right", simple("right", 0.30, 2.0e6)),
        Part("wire", COPPER),
    ]
    parts = [replace(part, **changes.get(part.name, {})) for part in parts]
    paints = [Paint(Rectangle(5 * MM, 0, 10 * MM, 10 * MM), 1), Paint(shape, 2)]
    scenario = case(
        10 * MM, 10 * MM, parts, paints, [wire(2, shape, per_metre=8e-3)], all_edges(film, 10 * MM, 10 * MM, 8.0, ZERO),
        current=30.0, duration=60.0,
    )  # fmt: skip
    return scenario, model_for(scenario, (even(10 * MM, 20), even(10 * MM, 20)))


ROUND = Circle(5 * MM, 5 * MM, 1.55 * MM)


def _slivers(model) -> np.ndarray:
    """Area of each part in the cells whose point a conductor covers, (n_parts,) [m²]."""
    return model.section.cell_area[model.section.point_conductor >= 0].sum(axis=0)


@pytest.mark.parametrize(
    ("shape", "outline"),
    [(ROUND, 2 * np.pi * 1.55 * MM), (Ring(5 * MM, 5 * MM, 3.1 * MM, 2.1 * MM), 2 * np.pi * 5.2 * MM)],
)
def test_a_skin_holds_the_slivers_and_conducts_as_its_materials_do(shape, outline):
    # definition: the law at the conductivity of its materials by area, round all outlines of the conductor
    scenario, model = _two_sided(shape)
    state = np.full(model.unknowns, 300.0)
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    areas = _slivers(model)[:2]
    skin = model.first_skin
    assert model.unknowns == skin + 1
    assert balance.capacity(state)[skin] == pytest.approx(areas @ [1.0e6, 2.0e6])
    assert balance.capacity(state)[model.conductor_unknown[0]] == pytest.approx(3.45e6 * shape.area)
    rise = state.copy()
    rise[skin] += 1.0
    conductance = -balance.flow(rise)[skin]
    mean = areas @ [0.04, 0.30] / areas.sum()
    assert conductance == pytest.approx(3 * mean * outline**2 / areas.sum())


def test_a_conductor_whose_outline_lies_on_grid_lines_has_no_skin():
    scenario, model = _two_sided(Rectangle(4 * MM, 3.5 * MM, 6.5 * MM, 6 * MM))
    assert model.unknowns == model.first_skin == model.cells + 1
    history = march(scenario, tolerance=0.05, model=model)
    assert sum(step.stored + step.lost for step in history.steps) == pytest.approx(60.0 * 8e-3 * 30.0**2)


def test_a_skin_starts_at_the_temperature_of_what_it_is_made_of():
    _, model = _two_sided(ROUND, wire={"start_temperature": 350.0}, right={"start_temperature": 320.0})
    state = start_state(model, 300.0)
    heat = _slivers(model)[:2] * [1.0e6, 2.0e6]
    assert state[model.conductor_unknown] == pytest.approx([350.0])
    assert state[model.first_skin] == pytest.approx(heat @ [300.0, 320.0] / heat.sum())


def test_heat_made_in_slivers_goes_into_the_skin_and_that_made_in_the_metal_does_not():
    source = {"heat_source": HeatSource("volume", TimeTable.constant(2e5))}
    for name, unknown in (("right", "skin"), ("wire", "metal")):
        _, model = _two_sided(ROUND, **{name: source})
        part = ("left", "right", "wire").index(name)
        heat = model.part_sources(0.0)
        metal, skin = heat[model.conductor_unknown[0]], heat[model.first_skin]
        assert (skin if unknown == "skin" else metal) == pytest.approx(2e5 * _slivers(model)[part])
        assert (metal if unknown == "skin" else skin) == 0.0
        assert heat.sum() == pytest.approx(2e5 * model.section.part_area_mesh[part])


def test_a_skin_follows_its_conductor_and_ends_at_its_temperature():
    # in a slow history it is behind by its lag times the slope: the first moment of the slab
    scenario, model = _two_sided(ROUND)
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    step = march(scenario, tolerance=1e-4, model=model).steps[-1]
    metal, skin = model.conductor_unknown[0], model.first_skin
    rise = step.after.copy()
    rise[skin] += 1.0
    conductance = balance.flow(step.after)[skin] - balance.flow(rise)[skin]
    lag = balance.capacity(step.after)[skin] / conductance
    behind = step.after[metal] - step.after[skin]
    assert behind == pytest.approx(lag * step.rate_after[metal], rel=0.02)
    assert 0.0 < behind < 0.1
