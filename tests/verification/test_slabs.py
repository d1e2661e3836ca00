"""One-dimensional conduction against closed solutions: published benchmarks, slabs, half spaces, melting, radiation."""

from __future__ import annotations

import numpy as np
import pytest
from heat_cases import (
    ZERO,
    Course,
    case,
    film,
    fixed,
    flux,
    march,
    march_evenly,
    observed_orders,
    simple,
    slab,
    solve_steady,
    strip,
    tabled,
    transposed,
)
from scipy.special import erf, erfc

from ampsoak.base.sources import Value
from ampsoak.library.materials import Latent
from ampsoak.scenario.case import HeatSource, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Rectangle

GYPSUM = simple("gypsum", 0.17, 800.0 * 1090.0)
GYPSUM_DIFFUSIVITY = 0.17 / (800.0 * 1090.0)


# -- NAFEMS T3: one end follows 100 sin(pi t / 40) --------------------------------------------------------------------

_T3_LENGTH, _T3_FREQUENCY, _T3_DIFFUSIVITY = 0.1, np.pi / 40, 35.0 / (7200.0 * 440.5)


def _t3():
    end = Course(function=lambda time: ZERO + 100.0 * np.sin(_T3_FREQUENCY * time))
    return slab(
        _T3_LENGTH,
        simple("steel", 35.0, 7200.0 * 440.5),
        (fixed("left", 1.0, ZERO), fixed("right", 1.0, end)),
        duration=36.0,
    )


def _t3_exact(x, time):
    """Fourier series of the benchmark's exact solution [K above the start]."""
    n = np.arange(1, 4001)[:, None]
    decay = _T3_DIFFUSIVITY * (n * np.pi / _T3_LENGTH) ** 2
    share = 2 * (-1.0) ** (n + 1) / (n * np.pi)
    w = _T3_FREQUENCY
    driven = (decay * np.cos(w * time) + w * np.sin(w * time) - decay * np.exp(-decay * time)) / (decay**2 + w**2)
    x = np.atleast_1d(x)
    series = (share * driven * np.sin(n * np.pi * x / _T3_LENGTH)).sum(axis=0)
    return 100.0 * (x / _T3_LENGTH * np.sin(w * time) - w * series)


@pytest.fixture(scope="module")
def t3_history():
    return march(_t3(), strip(100, _T3_LENGTH), tolerance=1e-3)


@pytest.mark.parametrize(
    ("x", "time", "expected"),
    [
        (0.08, 32.0, 36.60),  # published value
        (0.08, 32.0, 36.6031),  # the others: series, recomputed
        (0.02, 32.0, 0.0909),
        (0.04, 32.0, 1.1503),
        (0.06, 32.0, 8.6678),
        (0.08, 16.0, 14.8646),
        (0.08, 24.0, 28.7749),
        (0.08, 36.0, 36.6813),
    ],
)
def test_nafems_t3_temperatures(t3_history, x, time, expected):
    # The Standard NAFEMS Benchmarks, Rev 3 (1990), test T3; 0.1 K at 100 cells
    assert t3_history.field(time).at(x, 0.5) - ZERO == pytest.approx(expected, abs=0.1)


def test_nafems_t3_has_second_order_in_space():
    # exact series of the same benchmark, root mean square over the bar at 32 s
    errors = []
    for cells in (20, 40, 80):
        field = march(_t3(), strip(cells, _T3_LENGTH), tolerance=1e-4, until=32.0).field(32.0)
        exact = _t3_exact(field.model.section.x_points, 32.0)
        errors.append(np.sqrt(np.mean((field.cells[:, 0] - ZERO - exact) ** 2)))
    assert observed_orders(errors).min() >= 1.9


def test_nafems_t3_has_at_least_second_order_in_time():
    # the same mesh with 64 times finer steps; the spatial error cancels
    def at_end(count):
        return march_evenly(_t3(), strip(40, _T3_LENGTH), 32.0 / count, count).state(32.0)

    fine = at_end(1024)
    errors = [np.abs(at_end(count) - fine).max() for count in (8, 16, 32, 64)]
    assert observed_orders(errors).min() >= 1.8


@pytest.mark.usefixtures("double_factors")
def test_nafems_t3_is_the_same_turned_and_as_a_strip_of_rows():
    # invariance: no source needed
    one = march(_t3(), strip(30, _T3_LENGTH), until=32.0).field(32.0).cells
    x, y = strip(30, _T3_LENGTH)
    upright = march(transposed(_t3()), (y, x), until=32.0).field(32.0).cells
    rows = march(_t3(), strip(30, _T3_LENGTH, rows=7), until=32.0).field(32.0).cells
    assert np.abs(upright.T - one).max() < 1e-10
    assert np.abs(rows - one).max() < 1e-10


# -- NAFEMS T2: radiating end ------------------------------------------------------------------------------------------


def test_nafems_t2_conduction_with_radiation():
    # The Standard NAFEMS Benchmarks, Rev 3 (1990), test T2 (from memory, high confidence): 927.0 K; the root of
    # k (1000 - T) / L = 0.98 sigma (T^4 - 300^4) with the CODATA constant is 927.0040 K
    radiating = film("right", 1.0, 0.0, 300.0, emissivity=0.98, surroundings=TimeTable.constant(300.0))
    bar = slab(0.1, simple("bar", 55.6, 1e6), (fixed("left", 1.0, 1000.0), radiating), start=1000.0)
    field = solve_steady(bar, strip(20, 0.1))
    assert field.at(0.1, 0.5) == pytest.approx(927.0, abs=0.05)
    assert field.at(0.1, 0.5) == pytest.approx(927.0040, abs=0.001)


# -- slabs with films --------------------------------------------------------------------------------------------------


def test_cooling_slab_of_the_eurocode_annex():
    # DIN EN 1991-1-2/NA:2010-12 annex CC example 1 (from memory, high confidence; recomputed): 0.1 %
    plate = slab(
        1.0, simple("plate", 1.0, 1000.0), (film("right", 1.0, 1.0, ZERO),), start=1000.0 + ZERO, duration=1800.0
    )
    history = march(plate, strip(100, 1.0), tolerance=0.02)
    times = (60.0, 300.0, 600.0, 900.0, 1200.0, 1500.0, 1800.0)
    found = [history.field(time).at(0.0, 0.5) - ZERO for time in times]
    assert found == pytest.approx([999.3, 891.8, 717.7, 574.9, 460.4, 368.7, 295.3], rel=1e-3)
    assert found == pytest.approx([999.2826, 891.7955, 717.6768, 574.8708, 460.4019, 368.7238, 295.3011], rel=1e-3)


@pytest.mark.parametrize(
    ("biot", "centre", "surface"),
    [
        (0.1, (0.999223, 0.967981, 0.922389, 0.837326), (0.965294, 0.921779, 0.878126, 0.797144)),
        (1.0, (0.993108, 0.772526, 0.533859, 0.254668), (0.723577, 0.504522, 0.348177, 0.166091)),
        (10.0, (0.968424, 0.454641, 0.163818, 0.021265), (0.170574, 0.064329, 0.023172, 0.003008)),
    ],
)
def test_slab_with_film_at_fourier_numbers(biot, centre, surface):
    # Incropera et al., Fundamentals of Heat and Mass Transfer, section 5.5 (series recomputed; first eigenvalues as in
    # Cengel table 4-2, read): 1e-3 of the start difference
    plate = slab(1.0, simple("plate", 1.0, 1.0), (film("right", 1.0, biot, ZERO),), start=100.0 + ZERO, duration=2.0)
    history = march(plate, strip(80, 1.0), tolerance=1e-3)
    for time, inner, outer in zip((0.1, 0.5, 1.0, 2.0), centre, surface, strict=True):
        field = history.field(time)
        assert (field.at(0.0, 0.5) - ZERO) / 100.0 == pytest.approx(inner, abs=1e-3)
        assert (field.at(1.0, 0.5) - ZERO) / 100.0 == pytest.approx(outer, abs=1e-3)


# -- half spaces -------------------------------------------------------------------------------------------------------


def test_half_space_with_constant_flux():
    # Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed., section 2.9 (from memory, high confidence): 0.2 %
    wall = slab(0.4, GYPSUM, (flux("left", 1.0, 100.0),), duration=3600.0)
    history = march(wall, strip(800, 0.4), tolerance=1e-3)
    for time, surface, inside in (
        (600.0, 7.1787, 2.0981),
        (1800.0, 12.4339, 6.4400),
        (3600.0, 17.5842, 11.2010),
    ):
        field = history.field(time)
        assert field.at(0.0, 0.5) - ZERO == pytest.approx(surface, rel=2e-3)
        assert field.at(0.0125, 0.5) - ZERO == pytest.approx(inside, rel=2e-3)


def test_half_space_with_film():
    # Carslaw & Jaeger section 2.7 (from memory, high confidence; recomputed): 1e-3 of the difference
    wall = slab(0.4, GYPSUM, (film("left", 1.0, 10.0, 100.0 + ZERO),), duration=3600.0)
    history = march(wall, strip(800, 0.4), tolerance=1e-3)
    for time, surface, inside in (
        (600.0, 0.447992, 0.144921),
        (1800.0, 0.598741, 0.339611),
        (3600.0, 0.687711, 0.474491),
    ):
        field = history.field(time)
        assert (field.at(0.0, 0.5) - ZERO) / 100.0 == pytest.approx(surface, abs=1e-3)
        assert (field.at(0.0125, 0.5) - ZERO) / 100.0 == pytest.approx(inside, abs=1e-3)


def test_contact_temperature_of_two_half_spaces():
    # Carslaw & Jaeger section 2.15: effusivity-weighted mean 26.1765 °C (recomputed); 0.3 K from the 20th step on
    fibre = Part("fibre", simple("fibre", 0.04, 20.0 * 840.0), start_temperature=100.0 + ZERO)
    wood = Part("wood", simple("wood", 0.12, 500.0 * 1600.0))
    pair = case(0.4, 0.1, [fibre, wood], [Paint(Rectangle(0.3, 0.0, 0.4, 0.1), 1)], start=20.0 + ZERO, duration=600.0)
    history = march_evenly(pair, strip(400, 0.4, 0.1), 5.0, 120)
    found = [history.field(step.end).at(0.3, 0.05) - ZERO for step in history.steps[20:]]
    assert found == pytest.approx([26.1765] * 100, abs=0.3)


def test_periodic_surface_temperature():
    # Carslaw & Jaeger section 2.6: depth 14.946604 mm; at 12.5 mm amplitude 0.433306 and lag 479.1705 s (recomputed);
    # 0.5 % after five periods
    period, mean, swing = 3600.0, 20.0 + ZERO, 10.0
    knots = np.arange(0.0, 7 * period + 1.0, period / 90)
    surface = TimeTable(tuple(knots), tuple(mean + swing * np.sin(2 * np.pi * knots / period)))
    wall = slab(0.15, GYPSUM, (fixed("left", 1.0, surface),), start=mean, duration=7 * period)
    history = march(wall, strip(240, 0.15), tolerance=2e-3)
    times = np.linspace(6 * period, 7 * period, 181)[:-1]
    inside = np.array([history.field(time).at(0.0125, 0.5) for time in times])
    phase = 2 * np.pi * times / period
    sine, cosine = 2 * np.mean(inside * np.sin(phase)), 2 * np.mean(inside * np.cos(phase))
    assert np.hypot(sine, cosine) / swing == pytest.approx(0.433306, rel=5e-3)
    assert -np.arctan2(cosine, sine) * period / (2 * np.pi) == pytest.approx(479.1705, rel=5e-3)


# -- properties that depend on temperature -----------------------------------------------------------------------------


def test_slab_with_source_and_conductivity_linear_in_temperature():
    # Arpaci, Conduction Heat Transfer, example 3-8 (values read in an open finite element code's tests):
    # T(0) = 100 (sqrt(3.5) - 1); 1e-4
    span = np.array([0.0, 200.0])
    metal = tabled(simple("metal", 2.0, 1.0), conductivity=(span + ZERO, 2.0 * (1 + 0.01 * span)))
    part = Part("slab", metal, heat_source=HeatSource("volume", TimeTable.constant(5.0)))
    field = solve_steady(slab(10.0, metal, (fixed("right", 1.0, ZERO),), part=part), strip(200, 10.0))
    assert field.at(0.0, 0.5) - ZERO == pytest.approx(87.08286933869707, rel=1e-4)


def test_half_space_with_properties_linear_in_temperature():
    # Setup of Code_Aster TTNL302 (read): k = rho c = 1 + 0.5 T, unit flux; Kirchhoff's transform obeys the linear
    # equation; 0.2 %. All temperatures times 100, because property tables have a step of 1 K.
    span = np.array([0.0, 150.0])
    rising = (span + ZERO, 1.0 + 0.005 * span)
    solid = tabled(simple("solid", 1.0, 1.0), conductivity=rising, specific_heat=rising)
    wall = slab(6.0, solid, (flux("left", 1.0, 100.0),), duration=0.5)
    history = march(wall, strip(1200, 6.0), tolerance=2e-3)
    for time, surface, inside in (
        (0.05, 0.238136, 0.015307),
        (0.2, 0.453264, 0.149042),
        (0.5, 0.681704, 0.362704),
    ):
        field = history.field(time)
        assert (field.at(0.0, 0.5) - ZERO) / 100.0 == pytest.approx(surface, rel=2e-3)
        assert (field.at(0.5, 0.5) - ZERO) / 100.0 == pytest.approx(inside, rel=2e-3)


def test_kirchhoff_values_of_the_half_space_are_those_of_the_linear_one():
    # the expected numbers above, from Carslaw & Jaeger section 2.9
    for time, surface, inside in ((0.05, 0.238136, 0.015307), (0.2, 0.453264, 0.149042), (0.5, 0.681704, 0.362704)):
        for x, value in ((0.0, surface), (0.5, inside)):
            linear = 2 * np.sqrt(time / np.pi) * np.exp(-(x**2) / (4 * time)) - x * erfc(x / (2 * np.sqrt(time)))
            assert 2 * (np.sqrt(1 + linear) - 1) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    ("stefan", "root"), [(0.1, 0.22001627), (0.5, 0.46478592), (1.0, 0.62006263), (2.0, 0.80060136)]
)
def test_melting_front_of_the_one_phase_stefan_problem(stefan, root):
    # Neumann's solution, Carslaw & Jaeger p. 287 as cited by Crank, Free and Moving Boundary Problems (equation read):
    # root e^(root²) erf(root) = Ste / sqrt(pi); front 2 root sqrt(alpha t) within 1 % once 20 cells have melted
    assert root * np.exp(root**2) * erf(root) == pytest.approx(stefan / np.sqrt(np.pi), abs=1e-7)
    fronts = [_melt(stefan, root, mush) for mush in (1.0, 2.0)]
    assert fronts[0] == pytest.approx(1.0, abs=0.01)
    assert fronts[1] == pytest.approx(fronts[0], abs=0.01)  # independent of the mushy width


def _melt(stefan: float, root: float, mush: float) -> float:
    """Melted depth over Neumann's; melting between 300 K and 300 K + ``mush``, the wall 100 K above the middle."""
    cell, front, hot = 1e-3, 0.04, 100.0
    ice = tabled(simple("ice", 1.0, 1e6), latent=[Latent(300.0, 300.0 + mush, Value.exact(hot / stefan))])
    duration = (front / (2 * root)) ** 2 / 1e-6
    body = slab(0.08, ice, (fixed("left", 1.0, 300.0 + mush / 2 + hot),), start=300.0, duration=duration)
    history = march(body, strip(80, 0.08), tolerance=0.02)
    melted = np.clip((history.state(duration) - 300.0) / mush, 0.0, 1.0).sum() * cell
    generated, lost, stored = (
        sum(getattr(step, name) for step in history.steps) for name in ("generated", "lost", "stored")
    )
    assert abs(stored + lost - generated) < 1e-8 * abs(lost)
    return melted / front


def test_sheet_cooling_by_radiation_to_space():
    # 1/T³ - 1/T0³ = 3 eps sigma t / (rho c V/A), form of Bejan's handbook eq. 3.283 (recomputed): 0.05 %
    space = film("left", 1.0, 0.0, 160.0, emissivity=0.8, surroundings=TimeTable.constant(0.0))
    sheet = slab(0.5e-3, simple("copper", 1e5, 3.45e6), (space,), start=1000.0, duration=300.0)
    history = march(sheet, strip(2, 0.5e-3), tolerance=1e-2)
    found = [history.state(time)[0] for time in (10.0, 60.0, 300.0)]
    assert found == pytest.approx([823.7642, 558.7180, 343.5243], rel=5e-4)
