"""Open air in a scenario: templates equal their drawings, keys arrive in the case, defaults are said, slips are refused."""

from __future__ import annotations

import numpy as np
import pytest

from ampsoak.library import load as library
from ampsoak.library.materials import USUAL_EMISSIVITY
from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.case import AirZone, TimeTable
from ampsoak.scenario.shapes import Rectangle, Wedge, Wrap

HEAD = 'format = 1\ntitle = "t"\n[run]\nduration = "1 h"\n[surroundings]\nair_temperature = "25 degC"\n'
CABLE = '[[cable]]\nname = "c"\ntype = "nm_b_14_2"\n'
LININGS = (
    'inner_lining = [{ material = "gypsum_board", thickness = "12.5 mm" }]\n'
    'outer_lining = [{ material = "osb", thickness = "11 mm" }]\n'
)
STUDS = '[stud_bay]\nplane = "across_studs"\ndepth = "89 mm"\nstud_spacing = "400 mm"\nstud_width = "38 mm"\n'
STUDS += 'stud_material = "softwood"\n' + LININGS
BETWEEN = '[stud_bay]\nplane = "between_studs"\ndepth = "89 mm"\n' + LININGS
BOARD = 'board = { material = "plywood", thickness = "18 mm" }\n'
DRAWING = '[drawing]\nwidth = "60 mm"\nheight = "60 mm"\n'
ROOM = TimeTable.constant(298.15)
HEIGHT = library.cable("nm_b_14_2").overall_height.typical


def zones(text: str) -> dict[str, AirZone]:
    return {part.name: part.air for part in load_scenario_text(text).parts if part.air is not None}


def told(text: str) -> str:
    return "\n".join(load_scenario_text(text).assumptions)


# -- stud bay ----------------------------------------------------------------------------------------------------------


def test_a_bay_left_open_is_air_that_floats_with_gravity_along_the_studs():
    text = HEAD + STUDS + 'fill = "open_air"\n' + CABLE
    scenario = load_scenario_text(text)
    assert zones(text) == {"fill": AirZone("along", 2.4)}
    assert scenario.parts[0].role == "air"
    assert "stud_bay.height not given: 2400 mm taken" in told(text)
    assert zones(HEAD + STUDS + 'fill = "open air"\nheight = "8 ft"\n') == {"fill": AirZone("along", pytest.approx(2.4384))}


def test_between_studs_gravity_points_to_smaller_x_and_the_whole_height_is_shown():
    # x runs up the wall there (key reference)
    text = HEAD + BETWEEN + 'fill = "open_air"\nheight = "2.3 m"\n'
    scenario = load_scenario_text(text)
    assert scenario.width == 2.3
    assert zones(text) == {"fill": AirZone("left", 2.3)}


@pytest.mark.parametrize(
    ("fill", "rest", "against", "part", "region"),
    [
        ("glass_fibre_12", "open_air", "outer", "rest", (12.5, 51.5)),
        ("glass_fibre_12", "open_air", "inner", "rest", (62.5, 101.5)),
        ("open_air", "glass_fibre_12", "inner", "fill", (12.5, 62.5)),
        ("open_air", "glass_fibre_12", "outer", "fill", (51.5, 101.5)),
    ],
)
def test_a_bay_may_be_open_in_part(fill, rest, against, part, region):
    text = HEAD + STUDS + f'fill = "{fill}"\nfill_depth = "50 mm"\nfill_against = "{against}"\nrest = "{rest}"\n'
    assert zones(text) == {part: AirZone("along", 2.4)}
    # a cable that touches the end of the open space gets its wedge of still air, on whichever side that is
    for edge, inwards in zip(region, (1, -1), strict=True):
        middle = edge + inwards * HEIGHT / 2 * 1e3
        scenario = load_scenario_text(text + CABLE + f'x = "200 mm"\ny = "{middle:.6f} mm"\n')
        (gap,) = [paint.shape for paint in scenario.paints if scenario.parts[paint.part].name == "c.gap"]
        assert {round(gap.bottom * 1e3, 4), round(gap.top * 1e3, 4)} == {round(edge, 4), round(middle, 4)}
    assert "c.gap" not in {p.name for p in load_scenario_text(text + CABLE + 'x = "200 mm"\ny = "40 mm"\n').parts}


def test_a_shallow_open_space_is_said_to_be_one():
    text = HEAD + STUDS + 'fill = "glass_fibre_12"\nfill_depth = "75 mm"\nrest = "open_air"\n'
    assert "the open space is only 14 mm deep" in told(text)


# -- clipped and free --------------------------------------------------------------------------------------------------


def test_a_clipped_cable_equals_its_drawing():
    # cable on the board, still air in the wedges beside the contact, the air of the room above, nothing at the edges
    template = load_scenario_text(HEAD + "[clipped]\n" + BOARD + CABLE)
    middle, width = 18e-3 + HEIGHT / 2, library.cable("nm_b_14_2").overall_width.typical
    drawing = HEAD + '[drawing]\nwidth = "200 mm"\nheight = "78 mm"\nbackground = "open_air"\n'
    drawing += 'background_air = { gravity = "left", temperature = "25 degC" }\n'
    drawing += '[[drawing.part]]\nname = "board"\nmaterial = "plywood"\nrole = "board"\n'
    drawing += '[[drawing.part]]\nname = "c.gap"\nmaterial = "air"\nrole = "air"\n'
    drawing += '[[drawing.shape]]\npart = "board"\n'
    drawing += 'rectangle = { left = "0 mm", bottom = "0 mm", right = "200 mm", top = "18 mm" }\n'
    drawing += '[[drawing.shape]]\npart = "c.gap"\n'
    sides = (("left", 0.1 - width / 2), ("bottom", 18e-3), ("right", 0.1 + width / 2), ("top", middle))
    drawing += "rectangle = { " + ", ".join(f'{side} = "{place * 1e3:.9f} mm"' for side, place in sides) + " }\n"
    drawing += CABLE + f'x = "100 mm"\ny = "{middle * 1e3:.9f} mm"\n'
    drawn = load_scenario_text(drawing)
    assert [(p.name, p.role, p.material.name, p.air) for p in template.parts[1:]] == [
        (p.name, p.role, p.material.name, p.air) for p in drawn.parts[1:]
    ]
    assert template.parts[0].air == drawn.parts[0].air == AirZone("left", temperature=ROOM)
    for mine, theirs in zip(template.paints, drawn.paints, strict=True):
        assert mine.part == theirs.part
        assert mine.shape.bounds == pytest.approx(theirs.shape.bounds, abs=1e-11)
    assert template.boundaries == drawn.boundaries == ()


@pytest.mark.parametrize(
    ("keys", "zone"),
    [
        ("", AirZone("left", temperature=ROOM)),
        ('gravity = "down"\n', AirZone("down", temperature=ROOM)),
        ('gravity = "along"\nheight = "1.2 m"\n', AirZone("along", 1.2, ROOM)),
        ('air = "open_air"\n', AirZone("left", temperature=ROOM)),
    ],
)
def test_a_clipped_cable_lies_in_the_air_of_the_room(keys, zone):
    assert zones(HEAD + "[clipped]\n" + keys + BOARD + CABLE) == {"air": zone}


@pytest.mark.parametrize(
    ("keys", "zone"),
    [
        ("", AirZone("down", temperature=ROOM)),
        ('gravity = "along"\n', AirZone("along", 2.4, ROOM)),
        (
            'law = "iec_60287"\nconstants = [0.21, 3.94, 0.60]\n',
            AirZone("down", temperature=ROOM, law="iec_60287", law_constants=(0.21, 3.94, 0.60)),
        ),
    ],
)
def test_a_cable_hangs_in_the_air_of_the_room(keys, zone):
    text = HEAD + "[free_air]\n" + keys + CABLE
    scenario = load_scenario_text(text)
    assert zones(text) == {"air": zone}
    assert (scenario.width, scenario.height) == (0.1, 0.1)
    assert [conductor.shape.y for conductor in scenario.conductors] == pytest.approx([0.05] * 3, abs=1e-12)
    assert scenario.boundaries == () and "edge: no boundary" not in told(text)


def test_air_of_the_room_follows_the_table_of_the_surroundings():
    text = HEAD.replace('"25 degC"', '[["0 s", "25 degC"], ["1 h", "35 degC"]]') + "[free_air]\n" + CABLE
    assert zones(text)["air"].temperature == TimeTable((0.0, 3600.0), (298.15, 308.15))


@pytest.mark.parametrize("rotation", [0, 30, 90])
def test_the_wedge_beside_a_contact_reaches_to_where_the_outline_turns_back(rotation):
    text = HEAD + "[clipped]\n" + BOARD + CABLE + f'rotation = "{rotation} deg"\n'
    scenario = load_scenario_text(text)
    (gap,) = [paint.shape for paint in scenario.paints if scenario.parts[paint.part].name == "c.gap"]
    jacket = next(p.shape for p in scenario.paints if scenario.parts[p.part].name == "c.jacket")
    radius = min(jacket.width, jacket.height) / 2
    assert isinstance(gap, Rectangle)
    assert (gap.bottom, gap.top) == pytest.approx((18e-3, 18e-3 + radius), abs=1e-9)
    if rotation == 90:  # on its edge: the round end only
        assert gap.right - gap.left == pytest.approx(2 * radius, rel=1e-9)
    if rotation == 0:
        assert gap.right - gap.left == pytest.approx(jacket.width, rel=1e-9)


# -- drawings ----------------------------------------------------------------------------------------------------------


def test_drawn_air_takes_its_keys_and_says_what_is_left_open():
    text = HEAD + DRAWING + 'background = "open_air"\nbackground_air = { gravity = "along", height = "1.5 m", '
    text += 'temperature = [["0 s", "20 degC"], ["2 h", "30 degC"]] }\n'
    text += '[[drawing.part]]\nname = "hole"\nmaterial = "air"\nair = {}\n'
    text += '[[drawing.shape]]\npart = "hole"\nrectangle = { left = "9 mm", bottom = "9 mm", right = "19 mm", top = "19 mm" }\n'
    found = zones(text)
    assert found["background"] == AirZone("along", 1.5, TimeTable((0.0, 7200.0), (293.15, 303.15)))
    assert found["hole"] == AirZone("down")
    scenario = load_scenario_text(text)
    assert [part.role for part in scenario.parts] == ["air", "air"]
    words = told(text)
    assert 'drawing.part[0].air.gravity not given: "down" taken' in words
    assert "drawing.part[0].air.temperature not given: the air takes that of the surfaces round it" in words
    assert scenario.resolved["open_air"]["background"]["height"] == {"value": 1.5, "unit": "m"}


def test_emissivities_nobody_gave_are_said():
    # ISO 6946 takes 0.9 for building materials (from memory, high confidence)
    assert USUAL_EMISSIVITY == 0.9
    bare = '[[material]]\nname = "bare"\nconductivity = "0.2 W/m/K"\ndensity = "900 kg/m3"\nspecific_heat = "1 kJ/kg/K"\n'
    text = HEAD + bare + '[clipped]\nboard = { material = "bare", thickness = "18 mm" }\n'
    assert "material.bare.emissivity not given: 0.9 taken" in told(text)
    assert "emissivity" not in told(text.replace('"1 kJ/kg/K"\n', '"1 kJ/kg/K"\nemissivity = 0.3\n'))
    # a surface that meets no open air needs none
    assert "bare.emissivity" not in told(text.replace("[clipped]\n", '[clipped]\nair = "air"\n'))


# -- slips -------------------------------------------------------------------------------------------------------------

CEILING = '[ceiling]\nplane = "between_joists"\nlining = [{ material = "gypsum_board", thickness = "12.5 mm" }]\n'
CIRCUIT = '[[circuit]]\nname = "i"\ncurrent = "5 A"\nduration = "1 h"\n'
WIRE = '[[drawing.conductor]]\nname = "w"\nsize = "14 AWG"\n'
WIRE += 'circle = { x = "30 mm", y = "30 mm", diameter = "14 AWG" }\n'
ALLOY = '[[material]]\nname = "alloy"\nfamily = "metal"\nconductivity = "100 W/m/K"\ndensity = "8500 kg/m3"\n'
ALLOY += 'specific_heat = "380 J/kg/K"\nresistivity = "7e-8 ohm.m"\ntemperature_coefficient = "0.0015 1/K"\n'
SLIPS = {
    "height without open air": (STUDS + 'fill = "glass_fibre_12"\nheight = "2 m"\n', "stud_bay.height", "has no place without"),
    "extent of an open bay": (BETWEEN + 'fill = "open_air"\nextent = "1 m"\n', "stud_bay.extent", "mixes over the whole"),
    "no lining": (
        BETWEEN.replace(LININGS, LININGS.split("\n")[0] + "\n") + 'fill = "open_air"\n', "stud_bay.outer_lining",
        "needs a lining on this side",
    ),
    "open air beside open air": (
        STUDS + 'fill = "open_air"\nfill_depth = "50 mm"\nrest = "open_air"\n', "stud_bay.rest", "is open air like the fill",
    ),
    "open air in a ceiling": (
        CEILING + 'fill = "open_air"\nfill_thickness = "200 mm"\n', "ceiling.fill", "it has a place in stud_bay",
    ),
    "open air as a lining": (
        STUDS.replace('"osb"', '"open_air"') + 'fill = "glass_fibre_12"\n', "stud_bay.outer_lining[0].material",
        "it has a place in stud_bay",
    ),
    "height across gravity": ("[clipped]\n" + BOARD + 'height = "2 m"\n', "clipped.height", 'unless gravity is "along"'),
    "gravity in a still layer": (
        "[clipped]\n" + BOARD + 'gravity = "down"\nair = "air"\n', "clipped.gravity", "which does not convect",
    ),
    "constants without their law": (
        "[free_air]\nconstants = [0.21, 3.94, 0.60]\n", "free_air.constants", 'unless law is "iec_60287"',
    ),
    "law without constants": ('[free_air]\nlaw = "iec_60287"\n', "free_air.constants", "needs Z, E and g"),
    "two constants": ('[free_air]\nlaw = "iec_60287"\nconstants = [0.21, 3.94]\n', "free_air.constants", "at least 3"),
    "unknown gravity": ('[free_air]\ngravity = "up"\n', "free_air.gravity", "must be one of"),
    "drawn open air without its table": (
        DRAWING + 'background = "open_air"\n', "drawing.background_air", "a part of open air needs it",
    ),
    "air of another material": (
        DRAWING + 'background = "softwood"\nbackground_air = { gravity = "down" }\n', "drawing.background",
        "needs a material of the family air",
    ),
    "bare conductor under a law for covered cables": (
        DRAWING + 'background = "open_air"\nbackground_air = { gravity = "down", law = "iec_60287", constants = [0.21, 3.94, 0.60] }\n'
        + WIRE, "drawing.conductor[0].material", "holds for covered cables",
    ),
    "bare metal of unknown emissivity": (
        DRAWING + 'background = "open_air"\nbackground_air = { gravity = "down" }\n' + WIRE + 'material = "alloy"\n' + ALLOY,
        "drawing.conductor[0].material", "has no emissivity",
    ),
    "heat source in the air of a room": (
        "[free_air]\n" + '[[part]]\nname = "air"\nheat_source = { per_length = "5 W/m" }\n', "free_air",
        "a heat source has no place",
    ),
    "boundary in the air of a room": (
        "[free_air]\n" + '[[boundary]]\nedge = "top"\nkind = "fixed"\nsurface_temperature = "20 degC"\n', "boundary[0]",
        "meets nothing but open air",
    ),
    "outer face of a clipped cable": (
        "[clipped]\n" + BOARD + '[[boundary]]\nface = "outer"\nkind = "fixed"\nsurface_temperature = "20 degC"\n',
        "boundary[0].face", "open air of the surroundings lies there",
    ),
    "heat flow through air": (
        "[free_air]\n" + '[[probe]]\nname = "p"\nedge_heat_flow = "top"\n', "probe[0].edge_heat_flow", "films of its surfaces",
    ),
    "limit below the air": (
        "[free_air]\n" + CABLE + CIRCUIT + '[[limit]]\nname = "low"\ntemperature = "20 degC"\n', "limit[0].temperature", "must be above the surroundings",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_gives_one_fault_at_its_key(name, faults_of):
    section, key, words = SLIPS[name]
    found = faults_of(HEAD + section)
    assert [fault.key for fault in found] == [key], [str(fault) for fault in found]
    assert words in found[0].message
    assert found[0].line is not None


def test_a_boundary_that_meets_air_in_part_is_said_to(faults_of):
    edge = '[[boundary]]\nedge = "left"\nkind = "fixed"\nsurface_temperature = "20 degC"\n'
    assert "boundary[0] has no effect where open air meets the edge" in told(HEAD + "[clipped]\n" + BOARD + edge)


def test_faulty_lengths_do_not_hide_or_invent_faults_of_air(faults_of):
    text = HEAD + "[clipped]\n" + BOARD.replace('"18 mm"', '"18 A"') + CABLE
    text += '[[boundary]]\nedge = "left"\nkind = "fixed"\nsurface_temperature = "20 degC"\n'
    assert [fault.key for fault in faults_of(text)] == ["clipped.board.thickness"]


# -- groups ------------------------------------------------------------------------------------------------------------


def wrapped(text: str) -> list[str]:
    """Parts of still air round groups."""
    return [part.name for part in load_scenario_text(text).parts if part.name.endswith(".group")]


def test_cables_that_touch_in_open_air_share_one_band():
    pair = CABLE + 'count = 2\narrangement = "stack"\n'
    scenario = load_scenario_text(HEAD + "[free_air]\n" + pair)
    (band,) = [paint.shape for paint in scenario.paints if isinstance(paint.shape, Wrap)]
    one = library.cable("nm_b_14_2")
    width, height = one.overall_width.typical, one.overall_height.typical
    # two flat cables on each other: both rounds and both straights of one, and twice the height of the stack's straight sides
    assert band.perimeter == pytest.approx(3.14159265 * height + 2 * (width - height) + 2 * height, rel=2e-3)
    assert "c_1, c_2 touch each other in open air" in told(HEAD + "[free_air]\n" + pair)


@pytest.mark.parametrize(
    ("text", "groups"),
    [
        ("[free_air]\n" + CABLE + "count = 3\n", ["c_1.group"]),
        ("[free_air]\n" + CABLE + 'count = 3\nspacing = "2 mm"\n', []),
        ("[free_air]\n" + CABLE, []),
        # the law of the standard holds the group in its constants
        ('[free_air]\nlaw = "iec_60287"\nconstants = [0.29, 2.35, 0.50]\n' + CABLE + "count = 2\n", []),
        ("[clipped]\n" + BOARD + CABLE + 'count = 2\narrangement = "row"\n', ["c_1.group"]),
        (STUDS + 'fill = "glass_fibre_12"\n' + CABLE + "count = 2\n", []),
        (STUDS + 'fill = "open_air"\n' + CABLE + "count = 2\n", ["c_1.group"]),
    ],
)
def test_a_band_goes_round_those_that_touch_and_convect(text, groups):
    assert wrapped(HEAD + text) == groups


# -- bare metal --------------------------------------------------------------------------------------------------------

BARE = '[[cable]]\nname = "b"\n[cable.layers]\nform = "single"\n[[cable.layers.core]]\nname = "line"\nsize = "6 mm2"\nloaded = true\n'
SHINY = '[[material]]\nname = "shiny"\nbased_on = "copper"\nemissivity = 0.04\n'
TUBE = '[[conduit]]\nname = "tube"\nmaterial = "steel"\nouter_diameter = "32 mm"\nwall_thickness = "1.6 mm"\n'
WIRES = '[[cable]]\nname = "w"\ntype = "h07v_2_5"\ninside = "tube"\n'


def test_a_bare_conductor_tells_which_emissivity_was_taken_and_how_far_it_may_lie():
    # range of the library from polished copper to black oxide
    copper = library.material("copper").emissivity
    words = f"emissivity {copper.typical:.3g} of copper taken; {copper.low:.3g} to {copper.high:.3g} by its surface"
    assert f'"b.line" lies bare in open air: {words}' in told(HEAD + "[free_air]\n" + BARE)


def test_an_emissivity_of_the_scenario_is_taken_without_more_words():
    text = HEAD + SHINY + "[free_air]\n" + BARE + 'metal = "shiny"\n'
    scenario = load_scenario_text(text)
    (wire,) = [part for part in scenario.parts if part.name == "b.line"]
    assert wire.material.emissivity.typical == 0.04
    assert "lies bare" not in told(text)


def test_a_conductor_inside_its_insulation_is_not_bare():
    assert "lies bare" not in told(HEAD + "[free_air]\n" + CABLE)


def test_a_metal_conduit_is_bare_outside_and_inside_where_it_holds_open_air():
    gap, air = (told(HEAD + STUDS + f'fill = "{fill}"\n' + TUBE + more) for fill, more in (
        ("open_air", ""), ("glass_fibre_12", 'filling = "open_air"\n')))  # fmt: skip
    steel = '"tube.wall" lies bare in open air: emissivity 0.28 of steel taken'
    assert steel in gap and steel in air
    assert "lies bare" not in told(HEAD + STUDS + 'fill = "glass_fibre_12"\n' + TUBE)


@pytest.mark.parametrize(
    ("section", "zone"),
    [
        (STUDS + 'fill = "glass_fibre_12"\n', AirZone("along", 2.4)),
        (STUDS + 'fill = "open_air"\nheight = "3 m"\n', AirZone("along", 3.0)),
        (BETWEEN + 'fill = "glass_fibre_12"\n', AirZone("left")),
        ("[free_air]\n", AirZone("down")),
    ],
)
def test_open_air_in_a_conduit_is_a_zone_of_its_own_with_the_gravity_of_the_section(section, zone):
    found = zones(HEAD + section + TUBE + 'filling = "open_air"\n' + WIRES)
    assert found["tube.inside"] == zone
    assert len(found) == 1 + ("open_air" in section or "free_air" in section)


def test_a_narrow_conduit_of_open_air_is_told():
    narrow = TUBE.replace("32 mm", "20 mm") + 'filling = "open_air"\n'
    assert 'conduit "tube": only 16.8 mm wide inside; films of open air hold from about 25 mm on' in told(
        HEAD + STUDS + 'fill = "glass_fibre_12"\n' + narrow
    )


def test_cables_at_rest_in_a_conduit_of_open_air_have_still_air_beside_their_contacts():
    text = HEAD + BETWEEN + 'fill = "glass_fibre_12"\n' + TUBE + 'filling = "open_air"\n' + WIRES + "count = 3\n"
    scenario = load_scenario_text(text)
    wedges = {scenario.parts[paint.part].name: paint.shape for paint in scenario.paints if isinstance(paint.shape, Wedge)}
    assert set(wedges) == {"w_1.gap", "w_2.gap", "w_3.gap"}
    (room,) = [paint.shape for paint in scenario.paints if scenario.parts[paint.part].name == "tube.inside"]
    for number in (1, 2, 3):
        (wire,) = [p.shape for p in scenario.paints if scenario.parts[p.part].name == f"w_{number}.line.insulation"]
        shape = wedges[f"w_{number}.gap"]
        # from the wire's middle to the wall in the direction of the contact, as wide as the wire, and not across the wall
        away = np.hypot(wire.x - room.x, wire.y - room.y)
        along = np.array([wire.x - room.x, wire.y - room.y]) / away
        corners = np.asarray(shape.points) - [room.x, room.y]
        assert (corners @ along).min() == pytest.approx(away, abs=1e-9)
        assert np.ptp(corners @ [-along[1], along[0]]) == pytest.approx(2 * wire.radius, rel=2e-3)
        assert room.radius <= np.hypot(*corners.T).max() < room.radius + 5e-6
    assert "w_1, w_2, w_3 touch each other in open air" in told(text)
    assert "still air" not in told(text.replace("count = 3\n", 'place = "centred"\n'))


def test_a_flat_cable_at_rest_in_a_conduit_has_its_wedge_below():
    text = HEAD + "[free_air]\n" + TUBE + 'filling = "open_air"\n' + CABLE + 'inside = "tube"\nplace = "resting"\n'
    scenario = load_scenario_text(text)
    (wedge,) = [paint.shape for paint in scenario.paints if isinstance(paint.shape, Wedge)]
    (jacket,) = [p.shape for p in scenario.paints if scenario.parts[p.part].name == "c.jacket"]
    left, bottom, right, top = wedge.bounds
    assert (left + right) / 2 == pytest.approx(jacket.x, abs=1e-6)
    assert top == pytest.approx(jacket.y, abs=1e-9) and bottom < jacket.bounds[1]
