"""Bad input: every fault with file, line, key, what was written, what is allowed and the nearest name; all at once."""

from __future__ import annotations

import copy
import random
import re
import tomllib

import pytest

from ampsoak.base.errors import FileError, ScenarioError
from ampsoak.scenario import load_scenario, load_scenario_text


def line_of(text: str, part: str) -> int:
    """1-based line of ``text`` on which ``part`` stands, found without the code under test."""
    (line,) = [number for number, content in enumerate(text.split("\n"), 1) if part in content]
    return line


def test_the_sound_scenario_has_no_faults(faults_of, sound):
    assert faults_of(sound) == ()


# (what is replaced, by what, key of the fault, words of the message, nearest name)
CHANGES = {
    "missing unit": ('"89 mm"', '"89"', "stud_bay.depth", "a length needs its unit", None),
    "bare number": ('"89 mm"', "89", "stud_bay.depth", 'for example "89 mm"', None),
    "wrong unit": ('"89 mm"', '"89 A"', "stud_bay.depth", "is the unit of a current", None),
    "misspelt unit": ('"38 mm"', '"38 mmm"', "stud_bay.stud_width", "not a unit of length", "mm"),
    "decimal comma": ('"12.5 mm"', '"12,5 mm"', "stud_bay.inner_lining[0].thickness", "comma", None),
    "difference for a temperature": ('"25 degC"', '"25 delta_degC"', "surroundings.air_temperature", "differ", None),
    "nan": ('"15 A"\nduration', '"nan A"\nduration', "circuit[0].current", "finite", None),
    "negative": ('"15 A"\nduration', '"-15 A"\nduration', "circuit[0].current", "at least 0 A", None),
    "zero length": ('"89 mm"', '"0 mm"', "stud_bay.depth", "greater than 0 mm", None),
    "unknown key": ("stud_width", "stud_widht", "stud_bay.stud_widht", "unknown key", "stud_width"),
    "unknown table": ("[surroundings]", "[surrounding]", "surrounding", "unknown key", "surroundings"),
    "unknown choice": ('"across_studs"', '"across_stud"', "stud_bay.plane", "must be one of", "across_studs"),
    "unknown material": ('"glass_fibre_12"', '"glas_fibre_12"', "stud_bay.fill", "no such material", "glass_fibre_12"),
    "unknown lining": ('"osb"', '"osbb"', "stud_bay.outer_lining[0].material", "no such material", "osb"),
    "unknown cable": ('"nm_b_14_2"', '"nmb_14_2"', "cable[0].type", "no such cable", "nm_b_14_2"),
    "unknown standard": ('"UL 489"', '"UL 498"', "device[0].standard", "no data for this standard", "UL 489"),
    "unknown rating": ('rating = "15 A"', 'rating = "1.5 A"', "device[0].rating", "no data for this rating", None),
    "limit below start": ('"90 degC"', '"20 degC"', "limit[0].temperature", "above the surroundings, 25 °C", None),
    "limit at start": ('"90 degC"', '"25 degC"', "limit[0].temperature", "above the surroundings", None),
    "two brackets": ("[[device]]", "[device]", "device", "[[device]], with double brackets", None),
    "one bracket": ("[surroundings]", "[[surroundings]]", "surroundings", "[surroundings], with single brackets", None),
    "format of the future": ("format = 1", "format = 2", "format", "format 1", None),
    "text for a number": ("format = 1", 'format = "1"', "format", "format 1", None),
    "empty name": ('title = "sound"', 'title = ""', "title", "must not be empty", None),
    "list for text": ('"softwood"', '["softwood"]', "stud_bay.stud_material", "must be text in quotes", None),
    "stud as wide as the bay": ('"38 mm"', '"400 mm"', "stud_bay.stud_width", "less than stud_spacing", None),
    "cable outside the bay": ('"nm_b_14_2"', '"nm_b_14_2"\nx = "15 mm"', "cable[0]", "outside the space", None),
    "load of an unknown circuit": (
        '"nm_b_14_2"', '"nm_b_14_2"\ncircuit = "lod"', "cable[0].circuit", "no such circuit", "load",
    ),
    "empty profile": ('current = "15 A"\nduration = "2 h"', "steps = []", "circuit[0].steps", "is empty", None),
    "no profile": ('current = "15 A"\nduration = "2 h"', "", "circuit[0]", "exactly one of", None),
    "step without a pair": (
        'current = "15 A"\nduration = "2 h"', 'steps = [["5 A", "1 h"],\n ["6 A"]]', "circuit[0].steps[1]", "a pair",
        None,
    ),
    "device without data": ('standard = "UL 489"\nrating = "15 A"', "", "device[0]", "has no data", None),
    "device without a rating": ('rating = "15 A"', "", "device[0].rating", "is missing", None),
    "device with empty points": (
        'standard = "UL 489"\nrating = "15 A"', 'fast = []\nslow = [["5 A", "9 s"], ["9 A", "1 s"]]', "device[0].fast",
        "at least 2 pairs", None,
    ),
    "device with current and time swapped": (
        'standard = "UL 489"\nrating = "15 A"',
        'fast = [["5 A", "1 s"], ["9 A", "9 s"]]\nslow = [["5 A", "9 s"], ["9 A", "1 s"]]',
        "device[0].fast[1][1]", "must not rise", None,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGES)
def test_one_slip_gives_one_fault_at_its_line(name, faults_of, sound):
    old, new, key, words, nearest = CHANGES[name]
    assert sound.count(old) == 1
    text = sound.replace(old, new)
    found = faults_of(text)
    assert len(found) == 1 or (name in ("unknown key", "unknown table") and len(found) <= 2), [str(f) for f in found]
    (fault,) = [fault for fault in found if fault.key == key]
    assert fault.file == "case.toml"
    assert words in fault.message
    assert fault.nearest == nearest
    if re.fullmatch(r"\w+\[0\]", key) or "is missing" in words:  # told of a whole table: the line of its header
        assert fault.line == line_of(sound, f"[[{key.split('[')[0]}]]")
    else:
        first = sound[: sound.index(old)].count("\n") + 1
        assert first <= fault.line <= first + new.count("\n")
    assert str(fault).startswith(f"case.toml:{fault.line}  {key}")


def test_a_fault_quotes_what_was_written_and_says_what_is_allowed(faults_of, sound):
    text = sound.replace('"12.5 mm"', '"12,5 mm"')
    (fault,) = faults_of(text)
    assert fault.written == '"12,5 mm"'
    assert fault.line == line_of(text, "12,5 mm")


def test_faults_of_units_keys_geometry_and_references_are_reported_together(sound):
    text = sound.replace('"12.5 mm"', '"12.5 A"').replace("stud_material", "stud_materiel")
    text = text.replace('type = "nm_b_14_2"', 'type = "nm_b_14_2"\ncircuit = "laod"\nx = "1 m"')
    text = text.replace('"90 degC"', '"90 K"').replace('"UL 489"', '"UL 490"')
    text += '[[cable]]\nname = "second"\ntype = "nm_b_12_2"\ncircuit = "load"\nx = "1 m"\n'
    with pytest.raises(ScenarioError) as caught:
        load_scenario_text(text, "case.toml")
    faults = caught.value.faults
    keys = {fault.key for fault in faults}
    assert {
        "stud_bay.inner_lining[0].thickness",  # unit
        "stud_bay.stud_materiel",  # key
        "cable[0].circuit",  # reference
        "limit[0].temperature",  # against the surroundings
        "device[0].standard",  # library
        "cable[1]",  # outside the bay or over the first cable
    } <= keys
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)
    assert str(caught.value).endswith(f"{len(faults)} faults; nothing was run.")
    assert caught.value.exit_code == 3


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("format = 1\ntitle = \n", 2, "invalid value"),
        ('format = 1\ntitle = "a"\n[run]\n[run]\n', 4, "only once"),
        ("format = 1\nformat = 1\n", 2, "only once"),
        ('title = "unfinished\n', 1, "illegal character"),
    ],
)
def test_a_slip_of_toml_is_told_with_its_line(text, line, words, faults_of):
    (fault,) = faults_of(text)
    assert (fault.line, fault.key) == (line, "(syntax)")
    assert words in fault.message.lower()


def test_nesting_without_end_is_refused(faults_of):
    (fault,) = faults_of("a = " + "[" * 20000)
    assert "nested too deep" in fault.message


def test_two_sections_or_none_are_faults(faults_of, sound):
    assert any("exactly one of [stud_bay]" in fault.message for fault in faults_of(sound + "[clipped]\n"
               'board = { material = "osb", thickness = "11 mm" }\n'))  # fmt: skip
    assert any("exactly one of [stud_bay]" in fault.message for fault in faults_of('format = 1\ntitle = "t"\n'))


DRAWING = """\
format = 1
title = "drawn"
[drawing]
width = "100 mm"
height = "50 mm"
background = "glass_fibre_12"
[[drawing.part]]
name = "bar"
material = "steel"
[[drawing.shape]]
part = "bar"
SHAPE
[[drawing.conductor]]
name = "wire"
circle = { x = "50 mm", y = "25 mm", diameter = "2 mm" }
size = "2.5 mm2"
[run]
duration = "1 h"
"""
BAR = 'rectangle = { left = "10 mm", bottom = "10 mm", right = "20 mm", top = "20 mm" }'


def test_the_drawing_used_below_is_sound(faults_of):
    assert faults_of(DRAWING.replace("SHAPE", BAR)) == ()


@pytest.mark.parametrize(
    ("shape", "key", "words"),
    [
        (
            BAR.replace('"20 mm", top', '"120 mm", top'),
            "drawing.shape[0]",
            "reaches 20 mm outside the drawing of 100 mm x",
        ),
        (BAR.replace('"20 mm", top', '"5 mm", top'), "drawing.shape[0].rectangle.right", "must be greater than left"),
        ('circle = { x = "1 mm", y = "25 mm", radius = "2 mm" }', "drawing.shape[0]", "reaches 1 mm outside"),
        ('circle = { x = "9 mm", y = "25 mm" }', "drawing.shape[0].circle", "either diameter or radius"),
        ('polygon = [["0 mm", "0 mm"], ["9 mm", "9 mm"]]', "drawing.shape[0].polygon", "at least 3 pairs"),
        (
            'polygon = [["1 mm", "1 mm"], ["9 mm", "9 mm"], ["9 mm", "1 mm"], ["1 mm", "8 mm"]]',
            "drawing.shape[0].polygon",
            "sides cross",
        ),
        (
            'polygon = [["1 mm", "1 mm"], ["5 mm", "5 mm"], ["9 mm", "9 mm"]]',
            "drawing.shape[0].polygon",
            "on one line",
        ),
        ("", "drawing.shape[0]", "exactly one of rectangle"),
    ],
)
def test_shapes_that_cannot_be_drawn_are_faults(shape, key, words, faults_of):
    (fault,) = faults_of(DRAWING.replace("SHAPE", shape))
    assert fault.key == key
    assert words in fault.message


def test_conductors_that_overlap_or_are_smaller_than_their_metal_are_faults(faults_of):
    text = DRAWING.replace("SHAPE", BAR)
    second = (
        '[[drawing.conductor]]\nname = "{0}"\ncircle = {{ x = "{1}", y = "25 mm", diameter = "2 mm" }}\nsize = "{2}"\n'
    )
    # centres 1.9 mm apart, diameters 2 mm: overlap; at 2.0 mm they touch, which is allowed
    overlapping = text.replace("[run]", second.format("near", "51.9 mm", "2.5 mm2") + "[run]")
    (fault,) = faults_of(overlapping)
    assert 'conductor "near" overlaps conductor "wire"' in fault.message
    assert faults_of(text.replace("[run]", second.format("near", "52 mm", "2.5 mm2") + "[run]")) == ()
    # a circle 2 mm across has 3.14 mm²
    (fault,) = faults_of(text.replace("[run]", second.format("thick", "70 mm", "4 mm2") + "[run]"))
    assert "smaller than its metal of 4 mm2" in fault.message


def test_two_cables_in_one_place_are_a_fault(faults_of, sound):
    (fault,) = faults_of(sound + '[[cable]]\nname = "second"\ntype = "nm_b_14_2"\n')
    assert fault.key == "cable[1]"
    assert 'overlaps cable "cable"' in fault.message


OWN_CABLE = """\
[[cable]]
name = "own"
x = "100 mm"
[cable.layers]
form = "flat"
jacket_thickness = "THICK"
jacket_material = "pvc_jacket"
overall_width = "11 mm"
overall_height = "6 mm"
[[cable.layers.core]]
name = "line"
size = "2.5 mm2"
insulation = [{ material = "pvc_insulation", thickness = "0.8 mm" }]
[[cable.layers.core]]
name = "neutral"
size = "2.5 mm2"
insulation = [{ material = "pvc_insulation", thickness = "0.8 mm" }]
"""


def test_a_jacket_smaller_than_its_cores_is_a_fault(faults_of, sound):
    # a 2.5 mm² wire of 1.78 mm under 0.8 mm is 3.38 mm across; 6 mm less twice 1.3 mm leaves 3.4 mm, twice 1.4 mm 3.2
    assert faults_of(sound + OWN_CABLE.replace("THICK", "1.3 mm")) == ()
    (fault,) = faults_of(sound + OWN_CABLE.replace("THICK", "1.4 mm"))
    assert fault.key == "cable[1].layers.jacket_thickness"
    assert "smaller than its cores" in fault.message
    assert "3.2 mm" in fault.message and "3.38 mm" in fault.message
    (fault,) = faults_of(sound + OWN_CABLE.replace("THICK", "3 mm"))
    assert "no room inside the jacket" in fault.message


def test_cores_that_overlap_are_a_fault(faults_of, sound):
    text = OWN_CABLE.replace("THICK", "1 mm").replace('form = "flat"', 'form = "flat"\ncore_spacing = "3 mm"')
    (fault,) = faults_of(sound + text)
    assert fault.key == "cable[1].layers.core_spacing"
    assert 'cores "line" and "neutral" overlap' in fault.message


LOG = '[[circuit]]\nname = "load"\ncsv = { file = "log.csv", time_column = "time", current_column = "amps", '
LOG += 'time_unit = "s", current_unit = "A", maximum_gap = "60 s" }\n'


def with_log(sound: str, log: str = LOG) -> str:
    return sound.replace('[[circuit]]\nname = "load"\ncurrent = "15 A"\nduration = "2 h"\n', log)


@pytest.mark.parametrize(
    ("rows", "line", "column", "written", "words"),
    [
        ("0,1\n30,2\n20,3\n40,1\n", 4, "time", "20", "is earlier than the time on line 3"),
        ("0,1\n30,2\n30,3\n", 4, "time", "30", "repeats the time on line 3"),
        ("0,1\n30,2\n95,3\n", 4, "time", "95", "65 s without readings after line 3"),
        ("0,1\n30,nan\n60,3\n", 3, "amps", "nan", "not a finite number"),
        ("0,1\n30,-2\n60,3\n", 3, "amps", "-2", "must not be negative"),
        ("0,1\n30,two\n60,3\n", 3, "amps", "two", "is not a number"),
        ("0,1\n30\n60,3\n", 3, "amps", "", "is empty"),
    ],
)
def test_faults_in_a_log_carry_its_name_and_line(rows, line, column, written, words, tmp_path, faults_of, sound):
    (tmp_path / "log.csv").write_text("time,amps\n" + rows)
    found = faults_of(with_log(sound))
    fault = found[0]
    assert (fault.file, fault.line, fault.key, fault.written) == ("log.csv", line, f"column {column}", written)
    assert words in fault.message
    assert len(found) == 1 or words == "is empty"


def test_a_log_without_the_column_names_the_nearest(tmp_path, faults_of, sound):
    (tmp_path / "log.csv").write_text("time,amp\n0,1\n1,2\n")
    (fault,) = faults_of(with_log(sound))
    assert (fault.key, fault.nearest) == ("circuit[0].csv.current_column", "amp")


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "no such file"), (b"", "is empty"), (b"time,amps\n", "fewer than two"), (b"\xff\xfe\x00", "not UTF-8")],
)
def test_a_log_that_cannot_be_used_is_a_fault_of_the_scenario(content, words, tmp_path, faults_of, sound):
    if content is not None:
        (tmp_path / "log.csv").write_bytes(content)
    (fault,) = faults_of(with_log(sound))
    assert fault.key == "circuit[0].csv.file"
    assert words in fault.message


def test_a_log_full_of_faults_is_told_by_its_first_ones(tmp_path, faults_of, sound):
    (tmp_path / "log.csv").write_text("time,amps\n" + "".join(f"{time},x\n" for time in range(500)))
    found = faults_of(with_log(sound))
    assert len(found) == 11
    assert "more faults follow" in found[-1].message or "more faults follow" in found[0].message


def test_unreadable_paths_are_file_errors(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        load_scenario(tmp_path / "absent.toml")
    with pytest.raises(FileError, match="is a folder"):
        load_scenario(tmp_path)
    (tmp_path / "latin.toml").write_bytes("title = 'é'".encode("latin-1"))
    with pytest.raises(FileError, match="UTF-8"):
        load_scenario(tmp_path / "latin.toml")
    (tmp_path / "curve.h5").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    with pytest.raises(FileError, match=r"is a result file \(HDF5\), not text; name the scenario file"):
        load_scenario(tmp_path / "curve.h5")
    with pytest.raises(FileError):
        load_scenario("a\0b.toml")


def test_an_oversized_file_is_refused_unread(tmp_path):
    (tmp_path / "large.toml").write_text("# " + "x" * (2 * 1024 * 1024 + 1))
    with pytest.raises(ScenarioError, match="larger than 2 MiB"):
        load_scenario(tmp_path / "large.toml")


def test_materials_based_on_each_other_in_a_circle_are_a_fault(faults_of, sound):
    text = sound + '[[material]]\nname = "a"\nbased_on = "b"\n[[material]]\nname = "b"\nbased_on = "a"\n'
    assert any("in a circle" in fault.message for fault in faults_of(text))


def test_a_material_without_heat_capacity_is_a_fault(faults_of, sound):
    text = sound + '[[material]]\nname = "a"\nconductivity = "1 W/m/K"\ndensity = "10 kg/m3"\n'
    (fault,) = faults_of(text)
    assert fault.key == "material[0].specific_heat"


def test_a_table_in_temperature_must_increase(faults_of, sound):
    text = sound + '[[material]]\nname = "a"\nbased_on = "osb"\n'
    text += 'conductivity = [["20 degC", "0.1 W/m/K"],\n["20 degC", "0.2 W/m/K"]]\n'
    (fault,) = faults_of(text)
    assert fault.key == "material[0].conductivity[1][0]"
    assert fault.line == line_of(text, '"0.2 W/m/K"')
    assert "must be greater than the one before it" in fault.message


def test_names_used_twice_are_faults(faults_of, sound):
    (fault,) = faults_of(sound + '[[limit]]\nname = "insulation"\ntemperature = "100 degC"\n')
    assert (fault.key, "used twice" in fault.message) == ("limit[1].name", True)


def test_boundaries_that_overlap_or_leave_the_edge_are_faults(faults_of):
    text = DRAWING.replace("SHAPE", BAR)
    span = '[[boundary]]\nedge = "top"\nstart = "{}"\nstop = "{}"\nkind = "adiabatic"\n'
    assert faults_of(text + span.format("0 mm", "50 mm") + span.format("50 mm", "100 mm")) == ()
    (fault,) = faults_of(text + span.format("0 mm", "60 mm") + span.format("50 mm", "100 mm"))
    assert (fault.key, "overlaps boundary[0]" in fault.message) == ("boundary[1]", True)
    (fault,) = faults_of(text + span.format("0 mm", "101 mm"))
    assert (fault.key, "outside the top edge of 100 mm" in fault.message) == ("boundary[0].stop", True)


def leaves(item, path=()):
    """Every path of a nested document."""
    entries = item.items() if isinstance(item, dict) else enumerate(item) if isinstance(item, list) else ()
    for step, value in entries:
        yield (*path, step)
        yield from leaves(value, (*path, step))


def toml(item) -> str:
    """A value as inline TOML."""
    if isinstance(item, dict):
        return "{" + ", ".join(f'"{key}" = {toml(value)}' for key, value in item.items()) + "}"
    if isinstance(item, list):
        return "[" + ", ".join(toml(value) for value in item) + "]"
    if isinstance(item, bool):
        return "true" if item else "false"
    if isinstance(item, str):
        return '"' + item.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'
    return repr(item)


SAMPLES = 1  # of the replacements, at each place
REPLACEMENTS = (
    "5 A",
    "-3 mm",
    "nan",
    7,
    -1.5,
    float("nan"),
    True,
    [],
    {},
    "",
    [["1 s"]],
    "x",
    ["a", 3],
    {"value": 3},
    "0 mm",
)


@pytest.mark.parametrize("name", ["bay_12awg_evening", "drawn_6mm2_shower"])
def test_no_change_of_a_value_ever_ends_in_anything_but_faults_or_a_case(name, data):
    document = tomllib.loads((data / f"{name}.toml").read_text())
    choice = random.Random(20)
    refused = 0
    for path in list(leaves(document)):
        for replacement in (..., *choice.sample(REPLACEMENTS, SAMPLES)):
            changed = copy.deepcopy(document)
            parent = changed
            for step in path[:-1]:
                parent = parent[step]
            if replacement is ...:
                del parent[path[-1]]
            else:
                parent[path[-1]] = replacement
            text = "\n".join(f"{key} = {toml(value)}" for key, value in changed.items())
            try:
                load_scenario_text(text, "changed.toml", data)
            except ScenarioError as error:
                refused += 1
                assert all(fault.message for fault in error.faults)
    assert refused > 100
