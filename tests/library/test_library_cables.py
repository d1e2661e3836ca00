"""Cables: the geometry closes, and dimensions, resistances and limits are those of the standards."""

from __future__ import annotations

import math

import pytest

from ampsoak.library import load
from ampsoak.library.laws import resistance_at

NAMES = load.cable_names()
ALL = pytest.mark.parametrize("name", NAMES)
JACKETED = pytest.mark.parametrize("name", [name for name in NAMES if load.cable(name).form != "single"])
SINGLE = pytest.mark.parametrize("name", [name for name in NAMES if load.cable(name).form == "single"])
AWG = [("nm_b_14_2", 14), ("nm_b_12_2", 12), ("nm_b_10_2", 10)]
THHN = [("thhn_14", 14), ("thhn_12", 12), ("thhn_10", 10), ("thhn_8", 8), ("thhn_6", 6)]
METRIC = [1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0]
# IEC 60228 tables 1 and 2, class 1 and 2 copper [Ω/km at 20 °C] (read in two cable makers' sheets)
IEC_60228 = {1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08, 10.0: 1.83, 16.0: 1.15}
COPPER = 1.7241e-8  # resistivity at 20 °C [Ω m], IEC 60287-1-1 table 1 (from memory, high confidence)


def twin(size):
    """Twin and earth of nominal ``size`` [mm²]."""
    return load.cable(f"twin_earth_{size:g}".replace(".", "_"))


def gauge_diameter(number):
    """Solid wire diameter [m] of an American wire gauge number: the definition of the gauge."""
    return 0.127e-3 * 92 ** ((36 - number) / 39)


@JACKETED
def test_geometry_closes_at_typical_values(name):
    # plane geometry: a row of circles without overlap inside the stadium that the jacket leaves free
    cable = load.cable(name)
    spacing, jacket = cable.core_spacing.typical, cable.jacket_thickness.typical
    for left, right in zip(cable.cores, cable.cores[1:], strict=False):
        assert (left.outer_diameter + right.outer_diameter) / 2 <= spacing
    inner_radius = cable.overall_height.typical / 2 - jacket
    half_axis = (cable.overall_width.typical - cable.overall_height.typical) / 2
    middle = (len(cable.cores) - 1) / 2
    for index, core in enumerate(cable.cores):
        beyond = max(0.0, abs(index - middle) * spacing - half_axis)
        assert beyond + core.outer_diameter / 2 <= inner_radius + 1e-9


@JACKETED
def test_spacing_range_is_what_the_outline_allows(name):
    # low: core touching the earth; high: core touching the jacket (both at typical layers)
    cable = load.cable(name)
    line, earth, _ = cable.cores
    touching_earth = (line.outer_diameter + earth.outer_diameter) / 2
    touching_jacket = cable.overall_width.typical / 2 - cable.jacket_thickness.typical - line.outer_diameter / 2
    assert cable.core_spacing.low == pytest.approx(touching_earth, abs=2e-6)
    assert cable.core_spacing.high == pytest.approx(touching_jacket, abs=5e-6)


@SINGLE
def test_single_wire_is_as_thick_as_its_layers(name):
    cable = load.cable(name)
    assert len(cable.cores) == 1 and cable.core_spacing is None and cable.jacket_thickness is None
    assert cable.overall_width == cable.overall_height
    assert cable.cores[0].outer_diameter <= cable.overall_width.typical + 1e-9
    assert cable.overall_width.typical == pytest.approx(cable.cores[0].outer_diameter, rel=0.005)


@ALL
def test_layers_and_metals_are_materials_of_the_library(name):
    cable = load.cable(name)
    for core in cable.cores:
        assert load.material(core.metal).resistivity is not None
        assert core.insulated == bool(core.insulation_layers)
        for material, thickness in core.insulation_layers:
            assert load.material(material).family == "polymer" and 0 < thickness.low
    for material in filter(None, (cable.jacket_material, cable.filler_material)):
        load.material(material)


@ALL
def test_one_line_and_one_return_are_loaded_and_the_earth_is_bare(name):
    cores = {core.name: core for core in load.cable(name).cores}
    assert [core for core in cores if cores[core].loaded] == [core for core in cores if core != "earth"]
    assert "earth" not in cores or not cores["earth"].insulated


@ALL
def test_resistance_follows_from_the_metal_area(name):
    # R = rho/S; 4 % covers strand lay and the unrounded 1/58, 8 % the margin of the standard's maximum resistance
    for core in load.cable(name).cores:
        ratio = core.resistance.typical * core.metal_area.typical / COPPER
        assert 0.999 <= ratio <= (1.08 if "twin" in name or "h07v" in name else 1.04)
        assert core.metal_area.typical <= math.pi / 4 * core.conductor_diameter.typical**2 * 1.001
        assert core.temperature_coefficient.typical == pytest.approx(3.93e-3)  # IEC 60287-1-1 table 1, from memory


@pytest.mark.parametrize(("name", "number"), AWG)
def test_solid_american_conductors_follow_the_gauge(name, number):
    # ASTM B258, definition of the gauge; four printed digits
    for core in load.cable(name).cores:
        diameter = gauge_diameter(number)
        assert core.conductor_diameter.typical == pytest.approx(diameter, rel=3e-4)
        assert core.metal_area.typical == pytest.approx(math.pi / 4 * diameter**2, rel=3e-4)


@pytest.mark.parametrize(("name", "number"), THHN)
def test_stranded_american_conductors_have_the_gauge_area_in_a_larger_circle(name, number):
    # ASTM B258; seven equal strands span three strand diameters: d = 3 sqrt(4 S/(7 pi)), NEC chapter 9 table 8 rounds
    core = load.cable(name).cores[0]
    area = math.pi / 4 * gauge_diameter(number) ** 2
    assert core.metal_area.typical == pytest.approx(area, rel=3e-4)
    assert core.conductor_diameter.typical == pytest.approx(3 * math.sqrt(4 * area / (7 * math.pi)), rel=0.01)


@pytest.mark.parametrize(
    ("name", "ohm_per_kilofoot"),
    # NEC chapter 9 table 8, direct current, 75 °C, uncoated copper: solid 3.07, 1.93, 1.21 (read in an annotated
    # reproduction); stranded 3.14, 1.98, 1.24, 0.778, 0.491 (from memory, high confidence)
    [
        ("nm_b_14_2", 3.07), ("nm_b_12_2", 1.93), ("nm_b_10_2", 1.21), ("thhn_14", 3.14), ("thhn_12", 1.98),
        ("thhn_10", 1.24), ("thhn_8", 0.778), ("thhn_6", 0.491),
    ],
)  # fmt: skip
def test_american_resistance_meets_the_code_table(name, ohm_per_kilofoot):
    core = load.cable(name).cores[0]
    hot = resistance_at(core.resistance.typical, core.temperature_coefficient.typical, 348.15)
    assert hot * 304.8 == pytest.approx(ohm_per_kilofoot, rel=0.006)  # three printed digits


@pytest.mark.parametrize("size", METRIC)
def test_metric_resistance_is_the_standards_maximum(size):
    names = [twin(size).name] + ([f"h07v_{size:g}".replace(".", "_")] if size >= 1.5 else [])
    for name in names:
        resistance = load.cable(name).cores[0].resistance
        assert resistance.typical == pytest.approx(IEC_60228[size] * 1e-3)
        assert resistance.low == pytest.approx(0.96 * resistance.typical, rel=1e-3)  # real cable is 1 to 4 % below


@pytest.mark.parametrize("size", METRIC)
def test_metric_metal_area_lies_between_resistance_and_nominal(size):
    # the area that just meets IEC 60228 is the least; strands of BS 6004 reach at most 2 % over nominal
    area = twin(size).cores[0].metal_area
    assert COPPER / (IEC_60228[size] * 1e-3) * 0.999 <= area.low <= area.typical <= 1.02 * size * 1e-6


@pytest.mark.parametrize(
    ("size", "earth", "smallest", "largest"),
    # BS 6004, 6242Y: reduced earth [mm²], overall thickness x width limits [mm] (from memory, high confidence)
    [
        (1.0, 1.0, (4.0, 7.2), (4.7, 8.6)),
        (1.5, 1.0, (4.4, 8.2), (5.4, 9.6)),
        (2.5, 1.5, (5.2, 9.8), (6.2, 11.5)),
        (4.0, 1.5, (5.6, 10.5), (7.2, 13.0)),
        (6.0, 2.5, (6.4, 12.5), (8.0, 15.0)),
        (10.0, 4.0, (7.8, 15.5), (9.6, 19.0)),
        (16.0, 6.0, (9.0, 18.0), (11.0, 22.5)),
    ],
)
def test_twin_and_earth_has_its_reduced_earth_and_overall_limits(size, earth, smallest, largest):
    cable = twin(size)
    assert cable.cores[1].resistance.typical == pytest.approx(IEC_60228[earth] * 1e-3)
    for value, least, most in zip((cable.overall_height, cable.overall_width), smallest, largest, strict=True):
        assert value.low == pytest.approx(least * 1e-3) and value.high == pytest.approx(most * 1e-3)


@pytest.mark.parametrize(
    ("name", "inch_width", "inch_height", "copper", "total"),
    # a US wire maker's table (read): overall size [in], copper and total mass [kg/km]
    [
        ("nm_b_14_2", 0.372, 0.176, 55, 91),
        ("nm_b_12_2", 0.422, 0.190, 88, 129),
        ("nm_b_10_2", 0.505, 0.218, 135, 188),
    ],
)
def test_nonmetallic_sheathed_cable_has_the_makers_size_and_mass(name, inch_width, inch_height, copper, total):
    cable = load.cable(name)
    assert cable.overall_width.typical == pytest.approx(inch_width * 0.0254, rel=1e-3)
    assert cable.overall_height.typical == pytest.approx(inch_height * 0.0254, rel=1e-3)
    mass_copper, mass = masses(cable)
    assert mass_copper == pytest.approx(copper, rel=0.05)
    assert mass == pytest.approx(total, rel=0.10)  # compound densities alone range over 10 %


def masses(cable):
    """Copper and total mass [kg/km] at typical values."""

    def stadium(width, height):
        return math.pi / 4 * height**2 + (width - height) * height

    width, height, jacket = (
        cable.overall_width.typical, cable.overall_height.typical, cable.jacket_thickness.typical,
    )  # fmt: skip
    inside = stadium(width - 2 * jacket, height - 2 * jacket)
    parts = [(cable.jacket_material, stadium(width, height) - inside)]
    copper = 0.0
    for core in cable.cores:
        copper += load.material(core.metal).density.typical * core.metal_area.typical
        diameter = core.conductor_diameter.typical
        for material, thickness in core.insulation_layers:
            outer = diameter + 2 * thickness.typical
            parts.append((material, math.pi / 4 * (outer**2 - diameter**2)))
            diameter = outer
        inside -= math.pi / 4 * diameter**2
    parts.append((cable.filler_material, inside))
    rest = sum(load.material(material).density.typical * area for material, area in parts)
    return 1e3 * copper, 1e3 * (copper + rest)


@pytest.mark.parametrize(
    ("name", "millimetre"),
    # NEC chapter 9 table 5, THHN (from memory, high confidence)
    [("thhn_14", 2.82), ("thhn_12", 3.30), ("thhn_10", 4.17), ("thhn_8", 5.49), ("thhn_6", 6.45)],
)
def test_thhn_layers_add_up_to_the_codes_diameter(name, millimetre):
    assert load.cable(name).cores[0].outer_diameter == pytest.approx(millimetre * 1e-3, abs=2e-5)


@ALL
def test_limits_increase_and_hold_the_continuous_one(name):
    cable = load.cable(name)
    temperatures = [kelvin for _, kelvin, _ in cable.limits]
    assert temperatures == sorted(temperatures)
    assert cable.continuous_limit.typical in temperatures
    assert all(label and source for label, _, source in cable.limits)


def test_limits_are_those_of_the_insulation():
    # IEC 60364-5-52 table 52.1 and 60364-4-43 table 43A: PVC 70 °C, short circuit 160 °C (from memory, high confidence);
    # UL 83: 90 °C; ICEA P-32-382: 150 °C (from memory, high confidence); NEC 334.80: 60 °C column for NM-B (read)
    celsius = {name: [round(kelvin - 273.15, 6) for _, kelvin, _ in load.cable(name).limits] for name in NAMES}
    assert celsius["twin_earth_6"] == [70, 100, 160] and celsius["h07v_2_5"] == [70, 100, 160]
    assert celsius["thhn_12"] == [90, 105, 150] and celsius["nm_b_12_2"] == [60, 90, 105, 150]


def test_adiabatic_constants_follow_from_the_standards_equations():
    # IEC 60949: k = K sqrt(ln((Tf + beta)/(Ti + beta))), copper K 225.669, beta 234.5 (from memory, high confidence),
    # printed rounded in IEC 60364-4-43 table 43A
    exact = 225.669 * math.sqrt(math.log((160 + 234.5) / (70 + 234.5)))
    assert load.cable("twin_earth_2_5").adiabatic_k.typical * 1e-6 == pytest.approx(exact, abs=0.6)
    # ICEA P-32-382: (I/A)² t = 0.0297 log10((T2 + 234)/(T1 + 234)), A in circular mil (read in coursework)
    circular_mil = math.pi / 4 * 0.0254**2  # mm²
    equivalent = math.sqrt(0.0297 * math.log10((150 + 234) / (75 + 234))) / circular_mil
    assert load.cable("nm_b_12_2").adiabatic_k.typical * 1e-6 == pytest.approx(equivalent, rel=1e-3)
