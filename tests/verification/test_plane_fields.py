"""Plane conduction against eigenfunction series, published node tables, product solutions and a made solution."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from heat_cases import (
    ZERO,
    Course,
    all_edges,
    case,
    even,
    film,
    fixed,
    march,
    model_for,
    observed_orders,
    simple,
    solve_steady,
    wire,
)

from ampsoak.heat.network import HeatModel
from ampsoak.scenario.case import Boundary, MeshSettings, Paint, Part
from ampsoak.scenario.shapes import Circle, Rectangle

# -- published steady fields -------------------------------------------------------------------------------------------


def nafems_t4():
    """0.6 m by 1.0 m, bottom at 100 °C, left adiabatic, film 750 W/(m² K) to 0 °C at the right and the top."""
    width, height = 0.6, 1.0
    edges = (
        fixed("bottom", width, 100.0 + ZERO),
        film("right", height, 750.0, ZERO),
        film("top", width, 750.0, ZERO),
    )
    return case(
        width, height, [Part("plate", simple("steel", 52.0, 1e6))], boundaries=edges, mesh=MeshSettings(finest=0.01)
    )


def test_nafems_t4():
    # The Standard NAFEMS Benchmarks, Rev 3 (1990), test T4: 18.3 °C at (0.6, 0.2) m (inputs read in Code_Aster
    # V4.05.300, value from memory, high confidence); 0.1 K on 60 x 100 cells. The other places: exact eigenfunction
    # series.
    field = solve_steady(nafems_t4())
    assert field.model.section.shape == (60, 100)
    assert field.at(0.6, 0.2) - ZERO == pytest.approx(18.3, abs=0.1)
    places = ((0.6, 0.2), (0.3, 0.2), (0.0, 0.5), (0.6, 0.5), (0.0, 1.0))
    found = [field.at(*place) - ZERO for place in places]
    assert found == pytest.approx([18.25376, 62.55367, 35.40115, 6.38712, 3.36777], abs=0.1)


_ISO_10211_ROWS = (  # rows from the top, x = W/8 ... 4W/8
    (9.6582, 13.3791, 14.7289, 15.0854),
    (5.2517, 8.6406, 10.3155, 10.8106),
    (3.1887, 5.6090, 7.0142, 7.4651),
    (2.0142, 3.6406, 4.6582, 5.0000),
    (1.2625, 2.3086, 2.9858, 3.2185),
    (0.7396, 1.3594, 1.7668, 1.9083),
    (0.3418, 0.6296, 0.8199, 0.8863),
)


@pytest.mark.parametrize(("cells", "tolerance"), [(20, 0.1), (80, 0.02)])
def test_iso_10211_case_1(cells, tolerance):
    # ISO 10211:2017 test case 1 (setup and its criterion of 0.1 K read; node values by Fourier series, which round to
    # the printed ones): all 28 nodes
    size = 1.0
    column = case(
        size / 2,
        size,
        [Part("column", simple("stone", 1.0, 1e6))],
        boundaries=(
            fixed("top", size / 2, 20.0 + ZERO),
            fixed("left", size, ZERO),
            fixed("bottom", size / 2, ZERO),
        ),
    )
    field = solve_steady(column, (even(size / 2, cells), even(size, 2 * cells)))
    for row, expected in enumerate(_ISO_10211_ROWS, start=1):
        found = [field.at(size * n / 8, size * (1 - row / 8)) - ZERO for n in (1, 2, 3, 4)]
        assert found == pytest.approx(expected, abs=tolerance), f"row {row} from the top"


# -- bars cooled by films ----------------------------------------------------------------------------------------------


def test_square_bar_by_product_solution():
    # Incropera et al. section 5.8, Carslaw & Jaeger section 5.6 (from memory, high confidence; recomputed): Bi = 1 on
    # all sides; one quarter of the bar, half width 1; 1e-3 of the start difference
    quarter = case(
        1.0,
        1.0,
        [Part("bar", simple("bar", 1.0, 1.0))],
        boundaries=(film("right", 1.0, 1.0, ZERO), film("top", 1.0, 1.0, ZERO)),
        start=100.0 + ZERO,
        duration=1.0,
    )
    history = march(quarter, (even(1.0, 40), even(1.0, 40)), tolerance=5e-3)
    for time, centre, face, corner in (
        (0.1, 0.986264, 0.718591, 0.523564),
        (0.5, 0.596797, 0.389757, 0.254542),
        (1.0, 0.285006, 0.185877, 0.121227),
    ):
        field = history.field(time)
        found = [(field.at(x, y) - ZERO) / 100.0 for x, y in ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0))]
        assert found == pytest.approx([centre, face, corner], abs=1e-3)


def test_wood_stud_by_product_solution():
    # as above: 38 mm x 89 mm, k 0.12, rho 500, c 1600, h 10 W/(m² K) on all sides
    width, height = 0.038, 0.089
    stud = case(
        width,
        height,
        [Part("stud", simple("wood", 0.12, 500.0 * 1600.0))],
        boundaries=all_edges(film, width, height, 10.0, ZERO),
        start=100.0 + ZERO,
        duration=14400.0,
    )
    history = march(stud, (even(width, 38), even(height, 60)), tolerance=5e-3)
    for time, centre, corner in (
        (600.0, 0.891303, 0.241571),
        (3600.0, 0.203546, 0.035464),
        (14400.0, 0.000617, 0.000105),
    ):
        field = history.field(time)
        assert (field.at(width / 2, height / 2) - ZERO) / 100.0 == pytest.approx(centre, abs=1e-3)
        assert (field.at(width, height) - ZERO) / 100.0 == pytest.approx(corner, abs=1e-3)


@pytest.mark.parametrize(
    ("biot", "centre", "surface"),
    [
        (0.1, (0.997350, 0.929340, 0.842990, 0.693584), (0.959437, 0.884592, 0.802375, 0.660167)),
        (1.0, (0.976817, 0.548586, 0.249380, 0.051521), (0.684565, 0.352786, 0.160338, 0.033125)),
        (10.0, (0.900080, 0.145800, 0.013560, 0.000117), (0.131622, 0.017758, 0.001652, 0.000014)),
    ],
)
def test_round_bar_with_film_at_fourier_numbers(biot, centre, surface):
    # Incropera et al. section 5.6 (series recomputed; coefficients as in Cengel table 4-2, read); 5e-3 on square cells.
    # The film sits on the square rim of a surround that conducts 300 times better and stores next to nothing: by
    # symmetry that is the same film on the round bar.
    side = 2.2
    bar = case(
        side,
        side,
        [Part("surround", simple("surround", 300.0, 2e-3)), Part("bar", simple("bar", 1.0, 1.0))],
        [Paint(Circle(side / 2, side / 2, 1.0), 1)],
        boundaries=all_edges(film, side, side, biot * 2 * np.pi / (4 * side), ZERO),
        start=100.0 + ZERO,
        duration=2.0,
    )
    history = march(bar, (even(side, 66), even(side, 66)), tolerance=0.02)
    for time, inner, outer in zip((0.1, 0.5, 1.0, 2.0), centre, surface, strict=True):
        field = history.field(time)
        assert (field.at(side / 2, side / 2) - ZERO) / 100.0 == pytest.approx(inner, abs=5e-3)
        assert (field.at(side, side / 2) - ZERO) / 100.0 == pytest.approx(outer, abs=5e-3)


# -- a made solution with a jump of conductivity -----------------------------------------------------------------------


class _Made:
    """T = e^(-t/tau) cos(pi y) phi(x), phi = 1 + s (x - 1/2) / k + (x - 1/2)² on each side of x = 1/2, s = 0.1."""

    slope, decay, heat = 0.1, 0.5, 0.04  # s, tau [s], rho c [J/(m³ K)]

    def __init__(self, right: float):
        self.k = (0.04, right)

    def _k(self, x):
        return np.where(x < 0.5, *self.k)

    def phi(self, x):
        """(n,) profile."""
        return 1 + self.slope * (x - 0.5) / self._k(x) + (x - 0.5) ** 2

    def temperature(self, x, y, time):
        """[K] on 0 °C."""
        return ZERO + np.exp(-time / self.decay) * np.cos(np.pi * y) * self.phi(x)

    def source(self, x, y, time):
        """[W/m³] that makes it a solution."""
        k, phi = self._k(x), self.phi(x)
        return (
            np.exp(-time / self.decay)
            * np.cos(np.pi * y)
            * (-self.heat * phi / self.decay - 2 * k + k * np.pi**2 * phi)
        )

    def scenario(self, y_lines: np.ndarray):
        """Two halves; the exact temperature on each face of the left and right edges, adiabatic below and above."""
        edges = [
            Boundary(
                edge, low, high, "fixed",
                temperature=Course(function=lambda time, x=x, y=(low + high) / 2: float(self.temperature(x, y, time))),
            )
            for edge, x in (("left", 0.0), ("right", 1.0))
            for low, high in pairwise(y_lines)
        ]  # fmt: skip
        parts = [
            Part("left", simple("left", self.k[0], self.heat)),
            Part("right", simple("right", self.k[1], self.heat)),
        ]
        return case(1.0, 1.0, parts, [Paint(Rectangle(0.5, 0.0, 1.0, 1.0), 1)], boundaries=edges, duration=0.25)


class _ModelWithSource(HeatModel):
    """A heat model whose sources vary in space."""

    heated = True

    def part_sources(self, time: float) -> np.ndarray:
        section = self.section
        heat = np.zeros(self.unknowns)
        strength = self.made.source(section.x_points[:, None], section.y_points[None, :], time)
        heat[self.cell_order] = strength * section.cell_area.sum(axis=-1)
        return heat


def _made_errors(right: float, cells: int) -> tuple[float, float, float]:
    """Errors at the end: root mean square and largest of T, largest of the interface flux."""
    made = _Made(right)
    lines = even(1.0, cells)
    plain = model_for(made.scenario(lines), (lines, lines))
    model = _ModelWithSource(**{field.name: getattr(plain, field.name) for field in fields(plain)})
    object.__setattr__(model, "made", made)
    x, y = model.section.x_points, model.section.y_points
    start = np.empty(model.unknowns)
    start[model.cell_order] = made.temperature(x[:, None], y[None, :], 0.0)
    field = march(made.scenario(lines), model=model, tolerance=2e-5, start=start).field(0.25)
    error = field.cells - made.temperature(x[:, None], y[None, :], 0.25)
    left = cells // 2 - 1
    through = field.links.x[model.cell_order[left]] * cells * (field.cells[left + 1] - field.cells[left])
    flux = np.exp(-0.25 / made.decay) * np.cos(np.pi * y) * made.slope
    return float(np.sqrt(np.mean(error**2))), float(np.abs(error).max()), float(np.abs(through - flux).max())


@pytest.mark.parametrize("right", [0.17, 0.04 * 9625])
def test_made_solution_with_jump_of_conductivity_converges_with_second_order(right):
    # method of manufactured solutions, own solution with continuous flux; the second ratio is copper on fibre
    errors = np.array([_made_errors(right, cells) for cells in (40, 80)])
    assert np.array([observed_orders(column) for column in errors.T]).min() >= 1.9


def test_conductor_in_the_corner_of_a_uniform_field_changes_nothing_without_load():
    # a fixed temperature all round and no heat: uniform; no source needed
    size = 0.02
    shape = Circle(0.006, 0.006, 0.001)
    box = case(
        size,
        size,
        [Part("fill", simple("fill", 0.04, 1e4)), Part("metal", simple("metal", 400.0, 3.45e6))],
        [Paint(shape, 1)],
        [wire(1, shape)],
        all_edges(fixed, size, size, 50.0 + ZERO),
        start=20.0 + ZERO,
    )
    assert np.abs(solve_steady(box, current=0.0).state - 50.0 - ZERO).max() < 1e-9
