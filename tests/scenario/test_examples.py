"""The example scenarios resolve to what they say, with sources, defaults and lines; the schema knows their keys."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import tomllib

import pytest

from ampsoak.scenario import load_scenario, load_scenario_text, scenario_schema
from ampsoak.scenario.lines import line_index

EXAMPLES = ("bay_12awg_evening", "drawn_6mm2_shower")


def test_the_bay_resolves_to_si_with_ranges_and_sources(data):
    scenario = load_scenario(data / "bay_12awg_evening.toml")
    assert scenario.width == 0.4064  # 16 in
    assert scenario.height == 0.1316  # 12.7 + 3.5 in + 11 + 19 mm
    assert scenario.start.temperature == pytest.approx(297.0389, abs=1e-4)  # 75 °F
    assert scenario.fault_current == 1200.0
    assert scenario.curve.start.kind == "soaked" and scenario.curve.start.currents == (8.0,)
    assert (scenario.curve.lowest, scenario.curve.highest) == (12.0, 1200.0)
    assert scenario.mesh.finest == 3e-4
    assert [limit.temperature for limit in scenario.limits] == [363.15, 423.15]
    assert scenario.devices[0].magnetic == (160.0, 240.0)
    outer = next(boundary for boundary in scenario.boundaries if boundary.edge == "top")
    assert outer.temperature.at(3 * 3600.0) == pytest.approx((55 - 32) / 1.8 + 273.15, abs=1e-9)
    depth = scenario.resolved["given"]["stud_bay"]["depth"]
    assert depth == {
        "value": 0.0889, "unit": "m", "written": "3.5 in", "low": 0.088, "high": 0.09,
        "source": "measured at the opening", "evidence": "photo 12",
    }  # fmt: skip
    cladding = scenario.resolved["materials"]["site_cladding"]
    assert cladding["density"]["value"] == 520.0
    assert cladding["emissivity"]["source"] == "painted wood, handbook"


def test_the_drawing_resolves_materials_sources_and_points(data):
    scenario = load_scenario(data / "drawn_6mm2_shower.toml")
    wood = scenario.parts[scenario.part_index("wedge")].material
    # midway in the table
    assert wood.thermal_conductivity(110 + 273.15) == pytest.approx(0.135, rel=1e-12)
    # latent heat spread over 20 K on top of the sensible heat
    jump = wood.volumetric_heat_capacity(105 + 273.15) - 430 * wood.specific_heat.at(105 + 273.15)
    assert jump == pytest.approx(430 * 270e3 / 20, rel=1e-12)
    fill = scenario.parts[0].material
    assert fill.volumetric_heat_capacity(300.0) == pytest.approx(10e3, rel=1e-12)
    assert fill.conductivity.law == "fibre"
    source = scenario.parts[scenario.part_index("pipe")].heat_source
    assert source.kind == "length" and source.value.at(300.0) == pytest.approx(2.5)
    assert scenario.parts[scenario.part_index("board")].start_temperature == pytest.approx(295.15)
    assert scenario.parts[scenario.part_index("feed.jacket")].start_temperature == pytest.approx(297.15)
    assert scenario.devices[0].fast[1] == (100.0, 20.0) and scenario.devices[0].start_state == "hot"
    assert scenario.start.kind == "soaked" and scenario.start.currents == (5.0, 0.0)
    assert scenario.adiabatic_k == 115e6
    spans = [(b.kind, b.start, b.stop) for b in scenario.boundaries if b.edge == "bottom"]
    assert spans == [("fixed", 0.0, 0.1), ("flux", 0.1, 0.2)]


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_case_is_frozen_json_ready_and_repeats(name, data):
    first, second = (load_scenario(data / f"{name}.toml") for _ in range(2))
    assert first == second
    assert json.loads(json.dumps(first.resolved, allow_nan=False)) == first.resolved
    assert first.source_file == f"{name}.toml"
    assert first.source_text == (data / f"{name}.toml").read_text()
    with pytest.raises(dataclasses.FrozenInstanceError):
        first.width = 1.0


def test_every_default_is_an_assumption_in_words(sound):
    scenario = load_scenario_text(sound)
    for default in scenario.resolved["defaults"]:
        assert any(sentence.startswith(f"{default['key']} not given") for sentence in scenario.assumptions)
    told = "\n".join(scenario.assumptions)
    for words in (
        "place not given",
        "rotation not given",
        "run.tolerance",
        "run.snapshots",
        "inner face",
        "carry the current",
    ):
        assert words in told
    # what is given is not told as taken
    given = load_scenario_text(sound + '[run]\ntolerance = "0.1 K"\n')
    assert not any("run.tolerance" in sentence for sentence in given.assumptions)
    assert given.run.tolerance == 0.1


def test_crlf_and_byte_order_mark_change_nothing(sound):
    plain = load_scenario_text(sound)
    assert load_scenario_text("\ufeff" + sound.replace("\n", "\r\n")).parts == plain.parts


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_schema_is_draft_4_and_accepts_the_examples(name, data):
    jsonschema = pytest.importorskip("jsonschema")
    schema = scenario_schema()
    jsonschema.Draft4Validator.check_schema(schema)
    document = tomllib.loads((data / f"{name}.toml").read_text())
    jsonschema.Draft4Validator(schema).validate(document)
    document["cabel"] = []
    assert not jsonschema.Draft4Validator(schema).is_valid(document)


def test_the_schema_refers_only_to_what_it_defines_and_knows_no_null():
    schema = scenario_schema()
    text = json.dumps(schema)
    names = set(schema["definitions"])
    found = {piece.split('"')[0] for piece in text.split("#/definitions/")[1:]}
    assert found == names
    assert '"null"' not in text and "$defs" not in text


def test_help_does_not_pay_for_models_and_units():
    code = "import sys, ampsoak.scenario; assert not {'pint', 'pydantic', 'numpy'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_lines_are_those_of_keys_headers_and_list_elements():
    text = """\
# comment with [brackets] and "quotes
title = \"\"\"two
lines = not a key\"\"\"
"odd key" = 'a # b'
a.b = { c = 1, "d e" = [1,
  2] }
[[run]]
x = [
  # comment ]
  ["1", '2'], [
  3]]
[run.more]
y = 2024-01-01
[[run]]
[run.'q.r']
z = \"a\\\"]\"
"""
    tomllib.loads(text)
    lines = line_index(text)
    expected = {
        ("title",): 2, ("odd key",): 4, ("a", "b"): 5, ("a", "b", "c"): 5, ("a", "b", "d e"): 5,
        ("a", "b", "d e", 1): 6,
        ("run", 0): 7, ("run", 0, "x"): 8, ("run", 0, "x", 0): 10, ("run", 0, "x", 1): 10, ("run", 0, "x", 1, 0): 11,
        ("run", 0, "more"): 12, ("run", 0, "more", "y"): 13, ("run", 1): 14, ("run", 1, "q.r"): 15,
        ("run", 1, "q.r", "z"): 16,
    }  # fmt: skip
    assert {path: lines.get(path) for path in expected} == expected
