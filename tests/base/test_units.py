"""Values with units: conversions against their definitions, and the traps of temperature, gauge and decimal comma."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest

from ampsoak.base.units import DIMENSIONS, QuantityError, describe, gauge_diameter, quantity


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        # SI prefixes; the inch is 25.4 mm exactly (international yard and pound agreement, 1959)
        ("89 mm", "length", 0.089),
        ("12.7 mm", "length", 0.0127),
        ("0.5 in", "length", 0.0127),
        ("1 ft", "length", 0.3048),
        ("15 mil", "length", 0.000381),
        ("3 um", "length", 3e-6),
        ("1.5 kA", "current", 1500.0),
        ("20 min", "time", 1200.0),
        ("1 day", "time", 86400.0),
        ("250 ms", "time", 0.25),
        ("2 in2", "area", 2 * 0.0254**2),
        ("7.41 ohm/km", "resistance_per_length", 7.41e-3),
        ("0.393 %/K", "per_kelvin", 0.00393),
        ("17.241 nohm.m", "resistivity", 1.7241e-8),
        ("0.017241 ohm.mm2/m", "resistivity", 1.7241e-8),
        ("3.45 MJ/m3/K", "volumetric_heat_capacity", 3.45e6),
        ("115 A.s0.5/mm2", "adiabatic_constant", 115e6),
        ("180 deg", "angle", math.pi),
        (0.9, "number", 0.9),
    ],
)
def test_text_with_unit_gives_the_si_number_without_a_rounding_slip(text, dimension, expected):
    assert quantity(text, dimension) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "kelvin"),
    [
        # 0 °C = 273.15 K (definition of the Celsius scale); 32 °F = 0 °C and 212 °F = 100 °C (Fahrenheit's)
        ("25 degC", 298.15),
        ("25 °C", 298.15),
        ("25 ℃", 298.15),
        ("-40 degF", 233.15),
        ("32 degF", 273.15),
        ("212 °F", 373.15),
        ("300 K", 300.0),
    ],
)
def test_temperatures_carry_the_offset_of_their_scale(text, kelvin):
    assert quantity(text, "temperature") == pytest.approx(kelvin, rel=1e-14)


def test_temperature_differences_carry_no_offset():
    # 9 K of Fahrenheit's degrees are 5 K (definition of the scales)
    assert quantity("5 K", "temperature_difference") == 5.0
    assert quantity("5 delta_degC", "temperature_difference") == 5.0
    assert quantity("9 delta_degF", "temperature_difference") == 5.0


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("5 delta_degC", "temperature", "is a temperature difference, but a temperature is wanted"),
        ("9 delta_degF", "temperature", "is a temperature difference, but a temperature is wanted"),
        ("25 degC", "temperature_difference", "is a temperature, but a temperature difference is wanted"),
        ("41 degF", "temperature_difference", "5 delta_degF"),
        ("-300 degC", "temperature", "start at 0 K"),
    ],
)
def test_a_temperature_and_a_difference_are_not_taken_for_each_other(text, dimension, words):
    with pytest.raises(QuantityError, match=words):
        quantity(text, dimension)


def test_compound_units_use_fahrenheit_degrees_as_steps():
    # 1 Btu (IT) = 1055.05585262 J, 1 h = 3600 s, 1 ft = 0.3048 m, 1 °F step = 5/9 K (definitions)
    expected = 13 * 0.3048**2 * (5 / 9) * 3600 / 1055.05585262
    for text in ("13 ft2.degF.h/Btu", "R-13 ft2.degF.h/Btu", "13 ft²·°F·h/Btu", "13 ft2 h degF / Btu"):
        assert quantity(text, "surface_resistance") == pytest.approx(expected, rel=1e-13)
    # the usual trade figure: R-13 is RSI 2.29
    assert quantity("13 ft2.degF.h/Btu", "surface_resistance") == pytest.approx(2.29, abs=0.005)


@pytest.mark.parametrize("text", ["6 mm2", "6 mm^2", "6 mm²", "6mm2", " 6  mm**2 "])
def test_the_ways_to_write_square_millimetres_agree(text):
    assert quantity(text, "area") == 6e-6


@pytest.mark.parametrize("text", ["50 µm", "50 μm", "50 um"])  # U+00B5 and U+03BC
def test_both_micro_signs_are_read(text):
    assert quantity(text, "length") == 5e-5


@pytest.mark.parametrize("text", ["8 W/m2/K", "8 W/(m2.K)", "8 W/m²K", "8 W m⁻² K⁻¹", "8 W/m2.K", "8 W·m-2·K-1"])
def test_the_ways_to_write_a_film_coefficient_agree(text):
    assert quantity(text, "film_coefficient") == 8.0


@pytest.mark.parametrize(
    ("size", "millimetre", "square_millimetre"),
    [
        # ASTM B258 (from memory, high confidence): d = 0.005 in x 92^((36 - n)/39); diameters as its table prints them
        ("4/0 AWG", 11.684, 107.2),
        ("1/0 AWG", 8.251, 53.5),
        ("10 AWG", 2.588, 5.261),
        ("12 AWG", 2.053, 3.309),
        ("14 AWG", 1.628, 2.081),
        ("18 AWG", 1.024, 0.823),
        ("36 AWG", 0.127, 0.01267),
    ],
)
def test_wire_gauges_follow_their_definition(size, millimetre, square_millimetre):
    assert quantity(size, "wire_diameter") * 1e3 == pytest.approx(millimetre, rel=4e-4)
    assert quantity(size, "area") * 1e6 == pytest.approx(square_millimetre, rel=5e-4)
    assert gauge_diameter(size) == quantity(size, "wire_diameter")


def test_three_gauges_double_and_six_halve():
    # ASTM B258 (from memory, high confidence): 39 steps for a ratio of 92, so six sizes are a factor 2.005 in diameter
    assert gauge_diameter("8 AWG") / gauge_diameter("14 AWG") == pytest.approx(92 ** (6 / 39), rel=1e-14)
    assert quantity("AWG 14", "area") == quantity("14AWG", "area") == quantity("14 awg", "area")


def test_a_circular_mil_is_the_area_of_a_circle_one_mil_across():
    # definition; 250 kcmil is 126.7 mm² in any wire table
    assert quantity("1 cmil", "area") == pytest.approx(math.pi / 4 * 2.54e-5**2, rel=1e-14)
    assert quantity("250 kcmil", "area") * 1e6 == pytest.approx(126.7, abs=0.05)


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        (89, "length", 'for example "89 mm"; units allowed: mm, cm, m'),
        (0.5, "time", "a time is written as text with its unit"),
        ("89", "length", "a length needs its unit"),
        ("89 A", "length", '"A" is the unit of a current, but a length is wanted here'),
        ("12,7 mm", "length", "decimal point"),
        ("mm", "length", "must start with a number"),
        ("", "length", "must start with a number"),
        ("nan A", "current", "finite"),
        ("inf A", "current", "finite"),
        ("1e999 A", "current", "physical range"),
        ("1e999999999 A", "current", "physical range"),
        ("41 AWG", "area", "run from 4/0 AWG"),
        ("5/0 AWG", "area", "run from 4/0 AWG"),
        ("14.5 AWG", "area", "whole number"),
        ("R-13", "surface_resistance", "an R-value needs its unit"),
        ("5 AWG", "current", "not a unit of current"),
        ("0.9", "number", "plain number without unit or quotes"),
        (math.nan, "number", "finite"),
        (True, "number", "plain number"),
        (True, "length", "written as text"),
        (["1 mm"], "length", "written as text"),
    ],
)
def test_what_cannot_be_read_is_answered_in_words(text, dimension, words):
    with pytest.raises(QuantityError) as caught:
        quantity(text, dimension)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "dimension", "nearest"),
    [("89 mmm", "length", "mm"), ("25 C", "temperature", "degC"), ("5 ohms/kmm", "resistance_per_length", "ohm/km")],
)
def test_a_misspelt_unit_is_answered_with_the_nearest(text, dimension, nearest):
    with pytest.raises(QuantityError) as caught:
        quantity(text, dimension)
    assert caught.value.nearest == nearest


def test_every_listed_unit_and_example_of_every_dimension_is_read():
    for name, kind in DIMENSIONS.items():
        for unit in kind.units:
            assert math.isfinite(quantity(f"3 {unit}", name)), (name, unit)
        quantity(float(kind.example) if name == "number" else kind.example, name)


@pytest.mark.parametrize(
    ("value", "dimension", "words"),
    [
        (348.15, "temperature", "75 °C"),
        (5.0, "temperature_difference", "5 K"),
        (0.0127, "length", "12.7 mm"),
        (90.0, "time", "90 s"),
        (5400.0, "time", "90 min"),
        (86400.0, "time", "24 h"),
        (-5.0, "time", "-5 s"),
    ],
)
def test_values_are_described_in_the_usual_unit(value, dimension, words):
    assert describe(value, dimension) == words


def test_pint_is_loaded_only_once_something_is_converted():
    code = (
        "import sys, ampsoak.base.units as u; assert 'pint' not in sys.modules; "
        "u.quantity('14 AWG', 'area'); assert 'pint' not in sys.modules; "
        "u.quantity('1 mm', 'length'); assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
