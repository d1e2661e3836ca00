"""Sections: templates equal the drawings they stand for; cables lie where they are put, built as their layers say."""

from __future__ import annotations

import math

import pytest

from ampsoak.library import load as library
from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.shapes import Circle, Rectangle, Stadium

HEAD = 'format = 1\ntitle = "t"\n[run]\nduration = "1 h"\n[surroundings]\nair_temperature = "25 degC"\n'


def painted(text: str):
    """What a text paints: (part name, role, material, shape) in order, background first."""
    scenario = load_scenario_text(text)
    parts = scenario.parts
    strokes = [(parts[0].name, parts[0].role, parts[0].material.name, None)]
    strokes += [(parts[p.part].name, parts[p.part].role, parts[p.part].material.name, p.shape) for p in scenario.paints]
    return scenario, strokes


def same(template: str, drawing: str, background: str) -> None:
    """Assert that a template and a drawing make the same section, the background's name apart."""
    (one, strokes), (other, drawn) = painted(template), painted(drawing)
    assert (one.width, one.height) == (other.width, other.height)
    assert strokes[0][1:] == drawn[0][1:]
    assert strokes[0][0] == background
    assert strokes[1:] == drawn[1:]
    assert one.boundaries == other.boundaries
    for mine, theirs in zip(one.conductors, other.conductors, strict=True):
        assert (mine.name, mine.shape, mine.resistance) == (theirs.name, theirs.shape, theirs.resistance)


def part(name: str, material: str, role: str) -> str:
    return f'[[drawing.part]]\nname = "{name}"\nmaterial = "{material}"\nrole = "{role}"\n'


def box(name: str, *sides: str) -> str:
    keys = ", ".join(f'{key} = "{side}"' for key, side in zip(("left", "bottom", "right", "top"), sides, strict=True))
    return f'[[drawing.shape]]\npart = "{name}"\nrectangle = {{ {keys} }}\n'


FILM = '[[boundary]]\n{0}\nkind = "film"\nconvection = "8 W/m2/K"\nemissivity = 0.9\n'
CABLE = '[[cable]]\nname = "c"\ntype = "nm_b_14_2"\n'


def test_a_stud_bay_equals_its_drawing():
    template = (
        HEAD
        + """[stud_bay]
plane = "across_studs"
depth = "89 mm"
stud_spacing = "368 mm"
stud_width = "38 mm"
stud_material = "softwood"
fill = "glass_fibre_12"
fill_depth = "50 mm"
fill_against = "inner"
rest = "air"
inner_lining = [
  { material = "gypsum_plaster", thickness = "3 mm" },
  { material = "gypsum_board", thickness = "12.7 mm" },
]
outer_lining = [{ material = "osb", thickness = "12.5 mm" }]
"""
    )
    template += CABLE + 'place = "centred"\n' + FILM.format('face = "inner"') + FILM.format('face = "outer"')
    # from the bay outwards: 3 mm of plaster lies next to the bay, the board outside it
    drawing = HEAD + '[drawing]\nwidth = "368 mm"\nheight = "117.2 mm"\nbackground = "glass_fibre_12"\n'
    drawing += 'background_role = "fill"\n'
    drawing += part("rest", "air", "air") + part("studs", "softwood", "framing")
    drawing += part("inner_lining_1", "gypsum_plaster", "board") + part("inner_lining_2", "gypsum_board", "board")
    drawing += part("outer_lining", "osb", "board")
    drawing += box("rest", "19 mm", "65.7 mm", "349 mm", "104.7 mm")
    drawing += box("studs", "0 mm", "15.7 mm", "19 mm", "104.7 mm") + box(
        "studs", "349 mm", "15.7 mm", "368 mm", "104.7 mm"
    )
    drawing += box("inner_lining_1", "0 mm", "12.7 mm", "368 mm", "15.7 mm")
    drawing += box("inner_lining_2", "0 mm", "0 mm", "368 mm", "12.7 mm")
    drawing += box("outer_lining", "0 mm", "104.7 mm", "368 mm", "117.2 mm")
    drawing += CABLE + 'x = "184 mm"\ny = "60.2 mm"\n' + FILM.format('edge = "bottom"') + FILM.format('edge = "top"')
    same(template, drawing, "fill")


def test_a_ceiling_equals_its_drawing():
    template = (
        HEAD
        + """[ceiling]
plane = "across_joists"
joist_spacing = "400 mm"
joist_width = "44 mm"
joist_depth = "97 mm"
joist_material = "softwood"
lining = [{ material = "gypsum_board", thickness = "12.5 mm" }]
fill = "loft_roll"
fill_thickness = "270 mm"
"""
    )
    template += CABLE + 'place = "on_board"\n' + FILM.format('face = "inner"') + FILM.format('face = "outer"')
    height = library.cable("nm_b_14_2").overall_height.typical * 1e3
    drawing = (
        HEAD + '[drawing]\nwidth = "400 mm"\nheight = "282.5 mm"\nbackground = "loft_roll"\nbackground_role = "fill"\n'
    )
    drawing += part("joists", "softwood", "framing") + part("lining", "gypsum_board", "board")
    drawing += box("joists", "0 mm", "12.5 mm", "22 mm", "109.5 mm")
    drawing += box("joists", "378 mm", "12.5 mm", "400 mm", "109.5 mm")
    drawing += box("lining", "0 mm", "0 mm", "400 mm", "12.5 mm")
    drawing += CABLE + f'x = "200 mm"\ny = "{12.5 + height / 2:.6f} mm"\n'
    drawing += FILM.format('edge = "bottom"') + FILM.format('edge = "top"')
    same(template, drawing, "fill")


def test_a_cable_under_a_layer_on_a_board_equals_its_drawing():
    template = HEAD + '[clipped]\nboard = { material = "plywood", thickness = "18 mm" }\nair = "air"\n' + CABLE
    height = library.cable("nm_b_14_2").overall_height.typical * 1e3
    drawing = HEAD + '[drawing]\nwidth = "200 mm"\nheight = "78 mm"\nbackground = "air"\n'
    drawing += 'background_role = "air"\n' + part("board", "plywood", "board")
    drawing += box("board", "0 mm", "0 mm", "200 mm", "18 mm")
    drawing += CABLE + f'x = "100 mm"\ny = "{18 + height / 2:.6f} mm"\n'
    fixed = '[[boundary]]\nedge = "{}"\n{}kind = "fixed"\nsurface_temperature = "25 degC"\n'
    start = 'start = "18 mm"\n'
    drawing += fixed.format("top", "") + fixed.format("left", start) + fixed.format("right", start)
    same(template, drawing, "air")
    scenario = load_scenario_text(template)
    assert any("rim of the layer" in sentence for sentence in scenario.assumptions)
    assert all(part.air is None for part in scenario.parts)


def test_a_bay_without_studs_shows_the_extent_asked_for():
    text = HEAD + '[stud_bay]\nplane = "between_studs"\ndepth = "89 mm"\nfill = "air"\nextent = "300 mm"\n'
    scenario = load_scenario_text(text)
    assert (scenario.width, scenario.height, len(scenario.parts)) == (0.3, 0.089, 1)


def test_faces_without_boundary_take_still_air_and_say_so():
    text = HEAD + '[stud_bay]\nplane = "between_studs"\ndepth = "89 mm"\nfill = "air"\n'
    scenario = load_scenario_text(text)
    films = {boundary.edge: boundary for boundary in scenario.boundaries}
    assert set(films) == {"bottom", "top"}
    # ISO 6946 internal surface, horizontal flow: h_c = 2.5 W/(m² K), emissivity 0.9 (from memory, high confidence)
    assert films["bottom"].coefficient.at(0.0) == 2.5
    assert films["bottom"].emissivity == 0.9
    assert films["bottom"].temperature.at(0.0) == 298.15
    assert any(sentence.startswith("inner face: no boundary given") for sentence in scenario.assumptions)
    assert any(sentence.startswith("left edge: no boundary given") for sentence in scenario.assumptions)


@pytest.mark.parametrize("name", library.cable_names())
def test_every_cable_of_the_library_lies_in_a_bay_without_faults(name):
    text = HEAD + '[stud_bay]\nplane = "between_studs"\ndepth = "140 mm"\nfill = "air"\n'
    text += f'[[cable]]\nname = "c"\ntype = "{name}"\n[[circuit]]\nname = "i"\ncurrent = "1 A"\nduration = "1 h"\n'
    scenario = load_scenario_text(text)
    entry = library.cable(name)
    assert [conductor.name for conductor in scenario.conductors] == [f"c.{core.name}" for core in entry.cores]
    for conductor, core in zip(scenario.conductors, entry.cores, strict=True):
        assert conductor.resistance == core.resistance.typical
        assert conductor.metal_area == core.metal_area.typical
        assert (conductor.circuit, conductor.current_factor) == (0 if core.loaded else -1, 1.0)
        assert scenario.parts[conductor.part].role == "conductor"
    (limit,) = scenario.limits
    assert limit.temperature == entry.continuous_limit.typical
    assert scenario.adiabatic_k == entry.adiabatic_k.typical
    start, stop = (float(words.split()[0]) for words in scenario.adiabatic_limit.split(" to "))
    # the constant leads to the short circuit temperature of the cable's own table of limits
    assert stop + 273.15 == {name: kelvin for name, kelvin, _ in entry.limits}["short circuit"]
    assert start < stop


def test_a_flat_cable_is_drawn_from_the_outside_in():
    text = (
        HEAD
        + '[drawing]\nwidth = "50 mm"\nheight = "50 mm"\nbackground = "air"\n'
        + CABLE
        + 'x = "20 mm"\ny = "30 mm"\n'
    )
    scenario, strokes = painted(text)
    entry = library.cable("nm_b_14_2")
    width, height, jacket = (
        value.typical for value in (entry.overall_width, entry.overall_height, entry.jacket_thickness)
    )
    assert strokes[1] == ("c.jacket", "jacket", "pvc_jacket", Stadium(0.02, 0.03, width, height, 0.0))
    assert strokes[2][3] == Stadium(0.02, 0.03, width - 2 * jacket, height - 2 * jacket, 0.0)
    names = [stroke[0] for stroke in strokes]
    assert names[3:6] == ["c.line.insulation_2", "c.line.insulation_1", "c.line"]
    radii = [stroke[3].radius for stroke in strokes[3:6]]
    layers = [thickness.typical for _, thickness in entry.cores[0].insulation_layers]
    assert radii[2] == pytest.approx(entry.cores[0].conductor_diameter.typical / 2, rel=1e-12)
    assert radii[0] - radii[1] == pytest.approx(layers[1], rel=1e-9)
    assert radii[1] - radii[2] == pytest.approx(layers[0], rel=1e-9)
    centres = [conductor.shape.x for conductor in scenario.conductors]
    assert centres == pytest.approx(
        [0.02 - entry.core_spacing.typical, 0.02, 0.02 + entry.core_spacing.typical], abs=1e-12
    )


def test_a_turned_cable_has_its_cores_above_each_other_and_rests_on_its_edge():
    text = HEAD + '[stud_bay]\nplane = "between_studs"\ndepth = "89 mm"\nfill = "air"\n' + CABLE
    scenario = load_scenario_text(text + 'rotation = "90 deg"\nplace = "touching_inner"\n')
    entry = library.cable("nm_b_14_2")
    shapes = [conductor.shape for conductor in scenario.conductors]
    assert [shape.x for shape in shapes] == pytest.approx([0.2] * 3, abs=1e-12)
    middle = entry.overall_width.typical / 2
    assert [shape.y for shape in shapes] == pytest.approx(
        [middle - entry.core_spacing.typical, middle, middle + entry.core_spacing.typical], abs=1e-12
    )


def test_a_round_cable_of_ones_own_has_its_cores_on_a_circle():
    core = '[[cable.layers.core]]\nname = "{}"\nsize = "1.5 mm2"\ninsulation = [{{ material = "pvc_insulation", '
    core += 'thickness = "0.7 mm" }}]\n'
    text = HEAD + '[drawing]\nwidth = "50 mm"\nheight = "50 mm"\nbackground = "air"\n'
    text += (
        '[[cable]]\nname = "c"\nx = "25 mm"\ny = "25 mm"\n[cable.layers]\nform = "round"\njacket_thickness = "1 mm"\n'
    )
    text += 'jacket_material = "pvc_jacket"\n' + "".join(core.format(name) for name in ("line", "neutral", "earth"))
    scenario = load_scenario_text(text)
    # three touching circles of diameter d have their centres d / sqrt(3) from the middle (equilateral triangle)
    diameter = 2 * math.sqrt(1.5e-6 / math.pi) + 2 * 0.7e-3
    for conductor in scenario.conductors:
        reach = math.hypot(conductor.shape.x - 0.025, conductor.shape.y - 0.025)
        assert reach == pytest.approx(diameter / math.sqrt(3), rel=1e-9)
    jacket = scenario.paints[0].shape
    assert isinstance(jacket, Circle)
    assert jacket.radius == pytest.approx(diameter / math.sqrt(3) + diameter / 2 + 1e-3, rel=1e-9)


def test_a_conductor_by_size_takes_the_resistance_of_its_metal():
    text = (
        HEAD
        + '[drawing]\nwidth = "50 mm"\nheight = "50 mm"\nbackground = "air"\n[[drawing.conductor]]\nname = "wire"\n'
    )
    text += 'circle = { x = "25 mm", y = "25 mm", diameter = "14 AWG" }\nsize = "14 AWG"\n'
    (conductor,) = load_scenario_text(text).conductors
    # IEC 60028: 1/58 Ω mm²/m at 20 °C; 14 AWG is 2.081 mm² (ASTM B258): 8.286 Ω/km (from memory, high confidence)
    assert conductor.resistance == pytest.approx(8.286e-3, rel=1e-3)
    assert conductor.shape.area == pytest.approx(conductor.metal_area, rel=1e-12)
    assert conductor.temperature_coefficient == pytest.approx(0.00393, rel=1e-6)
    assert conductor.circuit == -1


def test_single_cores_may_be_loaded_one_by_one(sound):
    load = '[[cable.load]]\ncore = "line"\nfactor = 1.0\n[[cable.load]]\ncore = "earth"\nfactor = 0.2\n'
    scenario = load_scenario_text(sound.replace('type = "nm_b_14_2"\n', 'type = "nm_b_14_2"\n' + load))
    loaded = {conductor.name: (conductor.circuit, conductor.current_factor) for conductor in scenario.conductors}
    assert loaded == {"cable.line": (0, 1.0), "cable.earth": (0, 0.2), "cable.neutral": (-1, 1.0)}


def test_shapes_are_drawn_as_written():
    text = HEAD + '[drawing]\nwidth = "50 mm"\nheight = "50 mm"\nbackground = "air"\n' + part("a", "steel", "other")
    text += box("a", "0 mm", "0 in", "1 in", "10 mm")
    text += '[[drawing.shape]]\npart = "a"\nstadium = { x = "30 mm", y = "30 mm", width = "8 mm", height = "4 mm", '
    text += 'angle = "45 deg" }\n[[drawing.shape]]\npart = "a"\n'
    text += 'polygon = [["0 mm", "20 mm"], ["9 mm", "20 mm"], ["0 mm", "30 mm"]]\n'
    shapes = [paint.shape for paint in load_scenario_text(text).paints]
    assert shapes[0] == Rectangle(0.0, 0.0, 0.0254, 0.01)
    assert shapes[1] == Stadium(0.03, 0.03, 0.008, 0.004, math.radians(45))
    assert shapes[2].area == pytest.approx(0.5 * 9e-3 * 10e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("keys", "name", "parameters"),
    [
        ('correlation = "vertical_plate"\nheight = "2.4 m"', "vertical_plate", (("height", 2.4),)),
        ('correlation = "plate_facing_down"\nlength = "50 cm"', "plate_facing_down", (("length", 0.5),)),
        ('correlation = "horizontal_cylinder"\ndiameter = "8 mm"', "horizontal_cylinder", (("diameter", 0.008),)),
        ('correlation = "thin_cylinder"\ndiameter = "8 mm"', "thin_cylinder", (("diameter", 0.008),)),
        (
            'correlation = "power_law"\nat_one_kelvin = "1.31 W/m2/K"\nexponent = 0.3333',
            "power_law",
            (("factor", 1.31), ("exponent", 0.3333)),
        ),
    ],
)
def test_films_name_a_correlation_and_what_it_needs(keys, name, parameters):
    text = HEAD + '[drawing]\nwidth = "50 mm"\nheight = "50 mm"\nbackground = "air"\n'
    film = f'[[boundary]]\nedge = "top"\nkind = "film"\n{keys}\n'
    (boundary,) = load_scenario_text(text + film).boundaries
    assert (boundary.correlation, boundary.correlation_parameters) == (name, parameters)
    assert boundary.coefficient is None
    assert boundary.temperature.at(0.0) == 298.15  # that of the surroundings


def test_the_correlations_are_those_of_the_heat_floor():
    # the scenario floor may not import the heat floor; this test may
    from ampsoak.heat.laws import CORRELATIONS as laws
    from ampsoak.scenario.model_case import CORRELATIONS

    assert {name: set(keys.values()) for name, keys in CORRELATIONS.items() if name != "power_law"} == {
        name: {argument} for name, (_, argument) in laws.items()
    }
