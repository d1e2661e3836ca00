"""Limits within milliseconds on the default mesh, against a round wire in an endless medium.

Up to about 0.4 s heat goes a fraction of the insulation's thickness deep, so the wire of a cable warms as one in an
endless medium does: a radial problem of one dimension, solved here on 200 shells from half a micrometre on.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from heat_cases import ZERO, march, model_for
from reference_cases import reference_problem
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from scipy.sparse import diags

from ampsoak.heat.fold import folded
from ampsoak.scenario.case import CurrentProfile
from ampsoak.scenario.shapes import Circle, Stadium

MM = 1e-3
RESISTIVITY, COEFFICIENT, METAL = 1.724e-8, 0.00393, 8960.0 * 385.0  # of the reference problems' copper
PVC, PAPER = (0.17, 1400.0 * 1000.0), (0.07, 700.0 * 1340.0)  # [W/(m K)], [J/(m³ K)] in the reference problems
DIAMETER = 1.628 * MM  # of their conductors
LINE, EARTH = 0, 2


@cache
def radial_time(current: float, diameter: float, medium: tuple[float, float], shells: int = 200) -> float:
    """Time at which a wire in an endless medium passes 160 °C from 25 °C [s]; 400 shells change it by less than 2e-5 of it."""
    conductivity, volume_heat = medium
    radius = diameter / 2
    area = np.pi * radius**2
    lines = radius + np.concatenate([[0.0], np.geomspace(0.5e-6, 6 * radius, shells)])
    middle = (lines[1:] + lines[:-1]) / 2
    capacity = np.concatenate([[area * METAL], np.pi * np.diff(lines**2) * volume_heat])
    links = 2 * np.pi * conductivity / np.log(middle / np.concatenate([[radius], middle[:-1]]))

    def rate(_, celsius):
        flow = links * (celsius[:-1] - celsius[1:])
        joule = current**2 * RESISTIVITY / area * (1 + COEFFICIENT * (celsius[0] - 20.0))
        return (np.concatenate([[joule], flow]) - np.concatenate([flow, [0.0]])) / capacity

    def reached(_, celsius):
        return celsius[0] - 160.0

    reached.terminal = True
    size = shells + 1
    near = diags([np.ones(size - 1), np.ones(size), np.ones(size - 1)], [-1, 0, 1])
    solution = solve_ivp(
        rate, (0.0, 10.0), np.full(size, 25.0), "BDF", events=reached, rtol=1e-7, atol=1e-7, jac_sparsity=near
    )
    return float(solution.t_events[0][0])


def cable(diameter: float, loaded: int):
    """P1 with its cable scaled to conductors of another diameter [m]; the current in the line and the neutral, or in the earth."""
    scenario = reference_problem("P1")
    factor, middle = diameter / DIAMETER, scenario.width / 2

    def scaled(shape):
        if isinstance(shape, Stadium):
            return replace(shape, width=factor * shape.width, height=factor * shape.height)
        if isinstance(shape, Circle):
            return replace(shape, x=middle + factor * (shape.x - middle), radius=factor * shape.radius)
        return shape

    area = np.pi * diameter**2 / 4
    conductors = [
        replace(
            conductor, shape=scaled(conductor.shape), metal_area=area, resistance=RESISTIVITY / area,
            circuit=0 if (number == EARTH) == (loaded == EARTH) else -1,
        )
        for number, conductor in enumerate(scenario.conductors)
    ]  # fmt: skip
    paints = tuple(replace(paint, shape=scaled(paint.shape)) for paint in scenario.paints)
    return replace(scenario, paints=paints, conductors=tuple(conductors))


def section_time(current: float, diameter: float, loaded: int, about: float) -> float:
    """The same time on the default mesh of the whole wall [s]; ``about`` [s] is where to look."""
    scenario = cable(diameter, loaded)
    circuit = replace(scenario.circuits[0], profile=CurrentProfile.constant(current, 1.5 * about))
    scenario = replace(scenario, circuits=(circuit,))
    history = march(scenario, tolerance=0.02, until=1.5 * about, model=folded(model_for(scenario)))
    return brentq(lambda t: history.conductors(t)[0, loaded] - 160.0 - ZERO, 0.0, 1.5 * about)


def test_the_radial_problem_heats_as_an_adiabatic_wire_when_there_is_no_time():
    # IEC 60949 adiabatic equation in its own constants: t = (A / I)² metal / (resistivity coefficient) ln(...)
    area = np.pi * DIAMETER**2 / 4
    rise = np.log((1 + COEFFICIENT * 140.0) / (1 + COEFFICIENT * 5.0))
    for current, share in ((120e3, 0.002), (12e3, 0.01)):
        adiabatic = (area / current) ** 2 * METAL / (RESISTIVITY * COEFFICIENT) * rise
        found = radial_time(current, DIAMETER, PVC)
        assert adiabatic < found < (1 + share) * adiabatic


@pytest.mark.parametrize("current", [500.0, 1000.0, 2000.0, 4000.0, 6000.0, 12000.0])
def test_time_to_a_limit_at_fault_currents(current):
    # own requirement, as for all times to a limit: 1 % (0.43 s, 0.1 s, 24 ms, 5.9 ms, 2.6 ms, 0.65 ms)
    expected = radial_time(current, DIAMETER, PVC)
    assert section_time(current, DIAMETER, LINE, expected) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(
    ("diameter", "current"),
    [(1.382, 700.0), (1.382, 2200.0), (1.382, 7000.0), (2.257, 3400.0), (2.257, 19e3), (3.568, 8500.0), (3.568, 46e3)],
)
def test_time_to_a_limit_with_conductors_of_other_sizes(diameter, current):
    # own requirement: 1 %; solid conductors of 1.5, 4 and 10 mm², 1 to 110 ms
    expected = radial_time(current, diameter * MM, PVC)
    assert section_time(current, diameter * MM, LINE, expected) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(
    "current",
    [
        pytest.param(
            1000.0,
            marks=pytest.mark.xfail(
                strict=True, raises=AssertionError,
                reason="1.2 % late: heat goes 0.1 mm deep into paper, less than half a cell of the default mesh",
            ),
        ),
        2000.0, 6000.0, 12000.0,
    ],
)  # fmt: skip
def test_time_to_a_limit_of_an_earth_wire_in_paper(current):
    # own requirement: 1 %
    expected = radial_time(current, DIAMETER, PAPER)
    assert section_time(current, DIAMETER, EARTH, expected) == pytest.approx(expected, rel=0.01)
