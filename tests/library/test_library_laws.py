"""Property laws against their sources' worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from ampsoak.library import laws
from ampsoak.library.materials import PROPERTY_LAWS


def test_air_conductivity_follows_the_table():
    # Incropera et al., table A.4, air at 1 atm (from memory, high confidence); the fit claims 1.5 %
    kelvin = np.array([300, 350, 400, 450, 500, 550, 600])
    table = np.array([0.0263, 0.0300, 0.0338, 0.0373, 0.0407, 0.0439, 0.0469])
    assert laws.air_conductivity(kelvin) == pytest.approx(table, rel=0.015)


def test_fibre_conductivity_meets_the_design_table():
    # ASHRAE Handbook Fundamentals 2013 ch. 26, glass-fibre batts (read in a reproduction), mean temperature 24 °C
    assert laws.fibre_conductivity(297.15, 12.0) == pytest.approx(0.043, rel=0.01)
    assert laws.fibre_conductivity(297.15, 10.5) == pytest.approx(0.0465, rel=0.03)


def test_light_fibre_doubles_its_conductivity_by_150_celsius_and_dense_fibre_does_not():
    # radiation through light fibre, form of Zarr et al. 2014 (abstract read); a constant over-predicts a hot cable
    ratio = [laws.fibre_conductivity(423.15, rho) / laws.fibre_conductivity(293.15, rho) for rho in (8.0, 12.0, 64.0)]
    assert ratio[0] > 2.0
    assert 1.9 < ratio[1] < ratio[0]
    assert ratio[2] < 1.6


@pytest.mark.parametrize(
    ("moisture", "conductivity", "specific_heat"),
    # spruce-pine-fir, 0.37 on green volume; Wood Handbook eq. 4-15 to 4-18 (read in an open reproduction), at 24 and 20 °C
    [(0.00, 0.098, 1240), (0.08, 0.109, 1500), (0.12, 0.114, 1620), (0.19, 0.123, 1800)],
)
def test_wood_properties_meet_the_handbook(moisture, conductivity, specific_heat):
    # specific gravity at that moisture from 0.37 on green volume: Wood Handbook ch. 4, shrinkage relation, from memory
    gravity = 0.37 / (1 - 0.265 * (0.30 - moisture) / 0.30 * 0.37)
    assert laws.wood_conductivity(297.15, gravity, moisture) == pytest.approx(conductivity, rel=0.01)
    assert laws.wood_specific_heat(293.15, moisture) == pytest.approx(specific_heat, rel=0.005)


def test_wood_stores_a_quarter_to_a_third_more_heat_at_100_celsius():
    # Wood Handbook eq. 4-16a to 4-18
    for moisture in (0.0, 0.08, 0.12, 0.19):
        ratio = laws.wood_specific_heat(373.15, moisture) / laws.wood_specific_heat(293.15, moisture)
        assert 1.25 <= ratio <= 1.35


def test_resistance_law_gives_the_printed_temperature_factors():
    # R(70)/R20, R(75)/R20, R(90)/R20 of copper, IEC 60287-1-1 (alpha20 = 3.93e-3 from memory, high confidence)
    kelvin = np.array([343.15, 348.15, 363.15])
    assert laws.resistance_at(1.0, 3.93e-3, kelvin) == pytest.approx([1.1965, 1.21615, 1.2751], abs=5e-5)
    # the same as R ~ 234.5 + T of IEC 60949
    assert laws.resistance_at(1.0, 3.93e-3, kelvin) == pytest.approx((234.5 + kelvin - 273.15) / 254.5, rel=2e-4)


def test_resistance_law_stays_within_one_percent_of_copper_in_its_span():
    # Matula 1979, R/R20 of copper 1.73 at 200 °C and 2.15 at 300 °C (from memory, high confidence)
    low, high = laws.resistance_at.span
    assert low <= 293.15 and high == pytest.approx(473.15)
    assert laws.resistance_at(1.0, 3.93e-3, 473.15) == pytest.approx(1.73, rel=0.015)
    assert laws.resistance_at(1.0, 3.93e-3, 573.15) < 2.15


def test_linear_law_holds_its_ceiling():
    # definition
    assert laws.linear_in_temperature(323.15, 2.0, 0.01, 293.15) == pytest.approx(2.6)
    assert laws.linear_in_temperature(900.0, 2.0, 0.01, 293.15, ceiling=323.15) == pytest.approx(2.6)


@pytest.mark.parametrize("name", PROPERTY_LAWS)
def test_every_property_law_states_its_span(name):
    low, high = PROPERTY_LAWS[name].span
    assert 0.0 <= low < 273.15 < high


def test_square_cavity_of_a_frame():
    # ISO 10077-2 (from memory, medium confidence): 20 x 20 mm, 10 K, 10 °C: h_a 1.5727, h_r 2.984, k 0.0911
    assert laws.cavity_conductivity(283.15, 0.02, 0.02) == pytest.approx(0.0911, abs=3e-4)
    # a cavity much wider than deep is the air layer of ISO 6946: the whole of E h_r0, 4.213 W/(m² K)
    wide = laws.cavity_conductivity(283.15, 0.02, 20.0)
    assert wide / 0.02 - 0.73 * 10 ** (1 / 3) == pytest.approx(4.213, rel=2e-3)
    assert laws.cavity_conductivity(283.15, 0.02) == pytest.approx(wide, rel=1e-3)


@pytest.mark.parametrize(
    ("millimetres", "printed"), [(5, 0.11), (7, 0.13), (10, 0.15), (15, 0.17)]
)
def test_a_thin_cavity_is_the_air_layer_of_the_other_standard(millimetres, printed):
    # ISO 6946 table of unventilated air layers, horizontal flow, 10 °C (from memory, high confidence): 0.005 m² K/W; from 20 mm
    # on the two standards take other convection
    depth = millimetres * 1e-3
    assert depth / laws.cavity_conductivity(283.15, depth) == pytest.approx(printed, abs=5e-3)


def test_a_cavity_conducts_as_still_air_where_it_is_bright_or_very_thin():
    # limits of the law: no radiation between mirrors, radiation proportional to depth, no convection below 5 mm of width
    air = laws.air_conductivity(320.0)
    assert laws.cavity_conductivity(320.0, 0.005, emissivity=1e-6) == pytest.approx(air, rel=1e-4)
    assert laws.cavity_conductivity(320.0, 1e-6) == pytest.approx(air, rel=1e-3)
    calm = laws.cavity_conductivity(320.0, 0.02, 0.0049, difference=50.0, emissivity=1e-6)
    assert calm == pytest.approx(air, rel=1e-4)
    assert laws.cavity_conductivity(320.0, 0.02, 0.005, difference=50.0, emissivity=1e-6) > 1.5 * air


def test_radiation_across_a_cavity_is_that_between_plates():
    # Stefan and Boltzmann between endless plates, linearised at the mean: sigma (T1^4 - T2^4) / (1/e1 + 1/e2 - 1); 1 %
    hot, cold, depth = 360.0, 330.0, 0.004
    exact = 5.670374419e-8 * (hot**4 - cold**4) / (1 / 0.9 + 1 / 0.3 - 1)
    k = laws.cavity_conductivity(345.0, depth, emissivity=0.9, far_emissivity=0.3) - laws.air_conductivity(345.0)
    assert k / depth * (hot - cold) == pytest.approx(exact, rel=0.01)


def test_arrhenius_rate():
    # by hand: 1e13 exp(-150000 / (8.314462618 x 500)) = 1e13 exp(-36.0817) = 2.137e-3 1/s
    assert laws.arrhenius_rate(500.0, 1e13, 150e3) == pytest.approx(2.137e-3, rel=1e-3)
    # rule of a doubling per n kelvin, n = R T² ln 2 / E: 6.1 K at 80 °C for 118 kJ/mol (worked out in IEC 60943 terms)
    step = 8.314462618 * 353.15**2 * np.log(2) / 118e3
    assert step == pytest.approx(6.1, abs=0.05)
    ratio = laws.arrhenius_rate(353.15 + step, 1.0, 118e3) / laws.arrhenius_rate(353.15, 1.0, 118e3)
    assert ratio == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(("order", "half"), [(0.0, 0.5), (0.5, 2 - 2**0.5), (1.0, np.log(2.0)), (2.0, 1.0)])
def test_half_of_a_reactant_is_left_after_its_half_life(order, half):
    # half-lives of nth order: (2^(n-1) - 1) / ((n - 1) k), ln 2 / k for n = 1; any text of physical chemistry
    assert laws.remaining_after(1.0, half, order) == pytest.approx(0.5, rel=1e-12)
    # two steps are one
    once = laws.remaining_after(0.8, 0.3, order)
    assert laws.remaining_after(laws.remaining_after(0.8, 0.1, order), 0.2, order) == pytest.approx(once, rel=1e-12)


def test_a_reactant_does_not_fall_below_nothing():
    # orders under one use it up in finite time; what is gone stays gone
    for order in (0.0, 0.5):
        assert laws.remaining_after(1.0, 10.0, order) == 0.0
    for order in (0.0, 0.5, 1.0, 2.0):
        assert laws.remaining_after(0.0, 1.0, order) == 0.0
