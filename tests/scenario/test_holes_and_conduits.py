"""Bored holes, conduits and groups of cables: templates equal their drawings, words become places, slips are refused."""

from __future__ import annotations

import math

import pytest

from ampsoak.library import load as library
from ampsoak.library.laws import cavity_conductivity
from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.shapes import Circle, Ring, Stadium

HEAD = 'format = 1\ntitle = "t"\n[run]\nduration = "1 h"\n[surroundings]\nair_temperature = "25 degC"\n'
CABLE = '[[cable]]\nname = "c"\ntype = "nm_b_14_2"\n'
HOLE = """[bored_hole]
member = "stud"
material = "softwood"
depth = "89 mm"
hole_diameter = "20 mm"
filling = "air_gap"
"""
BAY = '[stud_bay]\nplane = "between_studs"\ndepth = "89 mm"\nfill = "mineral_wool"\n'
TUBE = '[[conduit]]\nname = "tube"\nmaterial = "{}"\nouter_diameter = "20 mm"\nwall_thickness = "1.5 mm"\n'
MM = 1e-3


def shapes(scenario):
    """Painted shapes by part name; the last of each part."""
    return {scenario.parts[paint.part].name: paint.shape for paint in scenario.paints}


def part(scenario, name: str):
    return scenario.parts[scenario.part_index(name)]


# -- bored hole --------------------------------------------------------------------------------------------------------


def test_a_bored_hole_equals_its_drawing():
    lining = 'inner_lining = [{ material = "gypsum_board", thickness = "12.5 mm" }]\n'
    template = load_scenario_text(
        HEAD + HOLE.replace("air_gap", "sealant") + 'extent = "120 mm"\n' + lining + CABLE + 'place = "centred"\n'
    )
    drawing = HEAD + '[drawing]\nwidth = "120 mm"\nheight = "101.5 mm"\nbackground = "softwood"\n'
    drawing += 'background_role = "framing"\n'
    for name, material, role in (("hole", "sealant", "fill"), ("inner_lining", "gypsum_board", "board")):
        drawing += f'[[drawing.part]]\nname = "{name}"\nmaterial = "{material}"\nrole = "{role}"\n'
    drawing += '[[drawing.shape]]\npart = "hole"\ncircle = { x = "60 mm", y = "57 mm", diameter = "20 mm" }\n'
    drawing += '[[drawing.shape]]\npart = "inner_lining"\n'
    drawing += 'rectangle = { left = "0 mm", bottom = "0 mm", right = "120 mm", top = "12.5 mm" }\n'
    drawn = load_scenario_text(drawing + CABLE + 'x = "60 mm"\ny = "57 mm"\n')
    assert (template.width, template.height) == (drawn.width, drawn.height)
    assert [(p.material, p.role) for p in template.parts] == [(p.material, p.role) for p in drawn.parts]
    assert template.paints == drawn.paints
    assert [c.shape for c in template.conductors] == [c.shape for c in drawn.conductors]


@pytest.mark.parametrize(
    ("member", "lowest"),
    # x runs up a stud, y up a joist; in a plate the cable runs upright and lies nowhere
    [("stud", (-1, 0)), ("joist", (0, -1)), ("plate", (0, 0))],
)
def test_the_cable_lies_at_the_bottom_of_the_hole(member, lowest):
    scenario = load_scenario_text(HEAD + HOLE.replace('"stud"', f'"{member}"') + CABLE)
    jacket, hole = shapes(scenario)["c.jacket"], shapes(scenario)["hole"]
    assert hole == Circle(pytest.approx(150 * MM), pytest.approx(44.5 * MM), 10 * MM)
    half, radius, _, _ = jacket.spine
    if member == "stud":  # on the round end of the flat cable
        reach = 10 * MM - radius - half
    else:  # on both round ends
        reach = math.sqrt((10 * MM - radius) ** 2 - half**2)
    expected = (hole.x + lowest[0] * reach, hole.y + lowest[1] * reach)
    assert (jacket.x, jacket.y) == pytest.approx(expected, abs=1e-9)
    said = "\n".join(scenario.assumptions)
    assert ('"centred" in the hole' if member == "plate" else '"resting" in the hole') in said


def test_several_cables_and_a_conduit_share_a_hole():
    text = HEAD + HOLE.replace("20 mm", "40 mm") + TUBE.format("pvc_rigid")
    text += CABLE + "count = 3\n" + '[[cable]]\nname = "w"\ntype = "h07v_2_5"\ncount = 2\ninside = "tube"\n'
    scenario = load_scenario_text(text)
    names = [p.name for p in scenario.parts]
    assert {"c_1.jacket", "c_2.jacket", "c_3.jacket", "w_1.line", "w_2.line", "tube.wall", "tube.inside"} <= set(names)
    found = shapes(scenario)
    wires = [found["w_1.line"], found["w_2.line"]]
    assert all(math.dist((w.x, w.y), (found["tube.inside"].x, found["tube.inside"].y)) < 8.5 * MM for w in wires)


def test_a_joist_has_a_room_below_and_a_loft_above_it():
    # ISO 6946 internal surface resistances (from memory, high confidence): 0.7 W/(m² K) downwards, 5.0 upwards
    films = {b.edge: b for b in load_scenario_text(HEAD + HOLE.replace('"stud"', '"joist"') + CABLE).boundaries}
    assert (films["bottom"].coefficient.at(0.0), films["top"].coefficient.at(0.0)) == (0.7, 5.0)


# -- narrow gaps -------------------------------------------------------------------------------------------------------


def test_the_gap_in_a_hole_follows_from_its_size():
    # concentric circles of the same outline: depth a ln(b/a), radiation E = 1/(1/e1 + (A1/A2) (1/e2 - 1)), F = 1
    scenario = load_scenario_text(HEAD + HOLE.replace("20 mm", "30 mm") + CABLE)
    gap, jacket = part(scenario, "hole").material, shapes(scenario)["c.jacket"]
    inner, outer = jacket.perimeter / (2 * math.pi), 15 * MM
    e_jacket, e_wood = (library.material(name).emissivity.typical for name in ("pvc_jacket", "softwood"))
    depth = inner * math.log(outer / inner)
    between = 1 / (1 / e_jacket + inner / outer * (1 / e_wood - 1))
    for kelvin in (283.15, 343.15, 423.15):
        air = 0.0257 * (kelvin / 293.15) ** 0.85
        expected = max(air, 0.73 * 10 ** (1 / 3) * depth) + depth * 4 * 5.670374419e-8 * kelvin**3 * between
        assert gap.thermal_conductivity(kelvin) == pytest.approx(expected, rel=1e-9)
    assert "air_gap of hole" in scenario.resolved["materials"]
    assert any(sentence.startswith("hole: a gap ") for sentence in scenario.assumptions)


def test_an_empty_hole_is_the_square_of_its_area():
    # ISO 10077-2 (from memory, medium confidence): other shapes count as a rectangle of the same area
    gap = part(load_scenario_text(HEAD + HOLE), "hole").material
    side = math.sqrt(math.pi) * 10 * MM
    emissivity = library.material("softwood").emissivity.typical
    expected = cavity_conductivity(300.0, side, side, emissivity=emissivity)
    assert gap.thermal_conductivity(300.0) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("keys", "name", "depth", "faces"),
    [
        ('fill = "air_gap"\n', "fill", 25, ("gypsum_board", "osb")),
        ('fill = "xps"\nfill_depth = "10 mm"\nrest = "air_gap"\nfill_against = "outer"\n', "rest", 15, ("gypsum_board", "xps")),
        ('fill = "xps"\nfill_depth = "10 mm"\nrest = "air_gap"\nfill_against = "inner"\n', "rest", 15, ("osb", "xps")),
        ('fill = "air_gap"\nfill_depth = "10 mm"\nrest = "xps"\nfill_against = "inner"\n', "fill", 10, ("gypsum_board", "xps")),
    ],
)
def test_a_narrow_bay_is_a_gap_as_deep_as_what_is_left_of_it(keys, name, depth, faces):
    text = HEAD + '[stud_bay]\nplane = "between_studs"\ndepth = "25 mm"\n' + keys
    text += 'inner_lining = [{ material = "gypsum_board", thickness = "12.5 mm" }]\n'
    text += 'outer_lining = [{ material = "osb", thickness = "11 mm" }]\n'
    gap = part(load_scenario_text(text), name)
    one, other = (library.material(face).emissivity for face in faces)
    emissivity = [0.9 if value is None else value.typical for value in (one, other)]
    expected = cavity_conductivity(310.0, depth * MM, math.inf, 10.0, *emissivity)
    assert gap.role == "air"
    assert gap.material.thermal_conductivity(310.0) == pytest.approx(expected, rel=1e-9)


def test_a_gap_is_written_by_its_law_in_a_drawing():
    text = HEAD + '[drawing]\nwidth = "60 mm"\nheight = "60 mm"\nbackground = "g"\n[[material]]\nname = "g"\nbased_on = "air"\n'
    text += 'conductivity = { law = "cavity", depth = "8 mm", width = "20 mm", difference = "20 K", emissivity = 0.3 }\n'
    found = load_scenario_text(text).parts[0].material.thermal_conductivity(320.0)
    assert found == pytest.approx(cavity_conductivity(320.0, 0.008, 0.020, 20.0, 0.3))


# -- conduits ----------------------------------------------------------------------------------------------------------


def test_a_conduit_is_a_wall_and_what_is_inside():
    scenario = load_scenario_text(HEAD + BAY + TUBE.format("pvc_rigid") + 'place = "touching_inner"\n')
    found = shapes(scenario)
    assert found["tube.wall"] == Circle(pytest.approx(0.2), pytest.approx(10 * MM), 10 * MM)
    assert found["tube.inside"] == Circle(pytest.approx(0.2), pytest.approx(10 * MM), pytest.approx(8.5 * MM))
    assert part(scenario, "tube.wall").material.name == "pvc_rigid"
    assert part(scenario, "tube.inside").material.name == "air_gap of tube.inside"
    assert scenario.conductors == ()


def test_a_metal_conduit_is_a_conductor_without_current():
    scenario = load_scenario_text(HEAD + BAY + TUBE.format("steel"))
    (wall,) = scenario.conductors
    assert wall.shape == Ring(pytest.approx(0.2), pytest.approx(44.5 * MM), 10 * MM, pytest.approx(8.5 * MM))
    assert (wall.circuit, wall.resistance) == (-1, 0.0)
    assert wall.metal_area == pytest.approx(math.pi * (10**2 - 8.5**2) * MM**2)


def test_cables_lie_in_the_conduit_that_they_name():
    text = HEAD + BAY + TUBE.format("pvc_rigid") + '[[cable]]\nname = "w"\ntype = "h07v_2_5"\ninside = "tube"\ncount = 3\n'
    found = shapes(load_scenario_text(text))
    room, radius = found["tube.inside"], found["w_1.line.insulation"].radius
    wires = [found[f"w_{number}.line.insulation"] for number in (1, 2, 3)]
    # gravity points to smaller x in a section between studs: the first lies there, the others beside it on the wall
    assert (wires[0].x, wires[0].y) == pytest.approx((room.x - room.radius + radius, room.y), abs=1e-9)
    assert all(math.dist((w.x, w.y), (room.x, room.y)) == pytest.approx(room.radius - radius, abs=1e-8) for w in wires)


def test_a_group_of_cables_is_laid_and_loaded_one_by_one():
    text = HEAD + BAY + CABLE + 'count = 2\narrangement = "stack"\nspacing = "3 mm"\ncircuit = "load"\n'
    scenario = load_scenario_text(text + '[[circuit]]\nname = "load"\ncurrent = "1 A"\nduration = "1 h"\n')
    one, two = shapes(scenario)["c_1.jacket"], shapes(scenario)["c_2.jacket"]
    assert isinstance(one, Stadium)
    assert (two.x - one.x, two.y - one.y) == pytest.approx((0.0, one.height + 3 * MM))
    assert (one.y + two.y) / 2 == pytest.approx(44.5 * MM)
    assert sum(c.circuit == 0 for c in scenario.conductors) == 4


def test_a_group_touches_the_board_with_its_lowest_cables():
    text = HEAD + '[ceiling]\nplane = "between_joists"\nlining = [{ material = "gypsum_board", thickness = "12.5 mm" }]\n'
    text += 'fill = "loft_roll"\nfill_thickness = "200 mm"\n' + CABLE + "count = 3\n"
    found = shapes(load_scenario_text(text))
    lowest = min(found[f"c_{number}.jacket"].bounds[1] for number in (1, 2, 3))
    assert lowest == pytest.approx(12.5 * MM)


# -- slips -------------------------------------------------------------------------------------------------------------

ALLOY = '[[material]]\nname = "alloy"\nfamily = "metal"\nconductivity = "100 W/m/K"\ndensity = "8500 kg/m3"\n'
ALLOY += 'specific_heat = "380 J/kg/K"\n'
SLIPS = {
    "hole wider than the member": (HEAD + HOLE.replace("20 mm", "95 mm"), "bored_hole.hole_diameter", "breaks out"),
    "hole too near the side": (HEAD + HOLE + 'hole_from_inner = "5 mm"\n', "bored_hole.hole_from_inner", "breaks out"),
    "extent too small": (HEAD + HOLE + 'extent = "15 mm"\n', "bored_hole.extent", "greater than hole_diameter"),
    "open air in a hole": (HEAD + HOLE.replace("air_gap", "open_air"), "bored_hole.filling", 'narrow gaps are "air_gap"'),
    "no such member": (HEAD + HOLE.replace('"stud"', '"strut"'), "bored_hole.member", "must be one of"),
    "cable too large": (HEAD + HOLE.replace("20 mm", "8 mm") + CABLE, "cable[0]", "does not fit into the hole of 8 mm"),
    "too many cables": (HEAD + HOLE + CABLE + "count = 9\n", "cable[0]", 'of cable "c" does not fit'),
    "outside the hole": (HEAD + HOLE + CABLE + 'y = "36 mm"\n', "cable[0]", "outside the hole"),
    "place of another section": (HEAD + HOLE + CABLE + 'place = "on_board"\n', "cable[0].place", "has no place in the hole"),
    "at rest and arranged": (
        HEAD + HOLE + CABLE + 'count = 2\narrangement = "row"\nplace = "resting"\n', "cable[0].arrangement", "lays every cable",
    ),
    "at rest without a room": (HEAD + BAY + CABLE + 'place = "resting"\n', "cable[0].place", "conduit only"),
    "conduit at rest without a room": (
        HEAD + BAY + TUBE.format("steel") + 'place = "resting"\n', "conduit[0].place", "conduit only",
    ),
    "spacing of one": (HEAD + BAY + CABLE + 'spacing = "3 mm"\n', "cable[0].spacing", "without count"),
    "solid conduit": (HEAD + BAY + TUBE.format("steel").replace("1.5 mm", "10 mm"), "conduit[0].wall_thickness", "no room"),
    "conduit of a metal without emissivity": (
        HEAD + BAY + TUBE.format("alloy") + 'filling = "open air"\n' + ALLOY, "conduit[0].material", "has no emissivity",
    ),
    "conduit outside": (HEAD + BAY + TUBE.format("steel") + 'y = "5 mm"\n', "conduit[0]", "outside the space"),
    "conduit in a drawing": (
        HEAD + '[drawing]\nwidth = "60 mm"\nheight = "60 mm"\nbackground = "brick"\n' + TUBE.format("steel"), "conduit[0].y",
        "a conduit in a drawing needs x and y",
    ),
    "cable beside the conduit": (
        HEAD + BAY + TUBE.format("pvc_rigid") + CABLE, "cable[0]", 'overlaps conduit "tube"',
    ),
    "same name twice": (HEAD + BAY + TUBE.format("pvc_rigid") * 2, "conduit[1].name", "is used twice"),
}  # fmt: skip


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_is_told_at_its_key(name, faults_of):
    text, key, words = SLIPS[name]
    found = {fault.key: fault.message for fault in faults_of(text)}
    assert words in found[key]


def test_a_conduit_that_is_not_there_is_told_with_the_nearest(faults_of):
    text = HEAD + BAY + TUBE.format("pvc_rigid") + '[[cable]]\nname = "w"\ntype = "h07v_2_5"\ninside = "tub"\n'
    (fault,) = faults_of(text)
    assert (fault.key, fault.nearest) == ("cable[0].inside", "tube")


def test_a_gap_of_unknown_size_is_refused_with_what_to_write(faults_of):
    text = HEAD + '[drawing]\nwidth = "60 mm"\nheight = "60 mm"\nbackground = "air_gap"\n'
    (fault,) = faults_of(text)
    assert fault.key == "drawing.background" and 'law = "cavity"' in fault.message


@pytest.mark.parametrize(
    ("law", "words"),
    [
        ('{ law = "cavity" }', 'the law "cavity" needs it'),
        ('{ law = "cavity", depth = "0 mm" }', "greater than"),
        ('{ law = "cavity", depth = "5 mm", emissivity = 1.2 }', "at most 1"),
        ('{ law = "cavity", depth = "5 mm", emissivity = 0 }', "greater than 0"),
    ],
)
def test_slips_in_the_law_of_a_gap(law, words, faults_of):
    text = HEAD + '[drawing]\nwidth = "60 mm"\nheight = "60 mm"\nbackground = "g"\n'
    text += f'[[material]]\nname = "g"\nbased_on = "air"\nconductivity = {law}\n'
    assert any(words in fault.message for fault in faults_of(text))
