"""A scenario with one thing changed is the same scenario but for that thing, and a valid file of its own."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from functools import partial
from pathlib import Path

import pytest

from ampsoak.base.errors import ScenarioError, UsageError
from ampsoak.scenario import changing
from ampsoak.scenario.load import load_scenario, load_scenario_text

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = ROOT / "scenarios"
WALL, LOFT = SCENARIOS / "12awg_evening_dense_pack_bay.toml", SCENARIOS / "6mm2_shower_loft_mineral_fibre_b40.toml"
OF_TEXT = {"source_text": "", "probes": (), "resolved": {}, "assumptions": (), "inputs": ()}


def changed(path, change):
    return changing.changed_scenario(load_scenario(path), path.parent, "as the test says", change)


@pytest.mark.parametrize("path", sorted(SCENARIOS.glob("*.toml")), ids=lambda path: path.stem)
def test_nothing_changed_reads_as_the_same_case(path):
    """Writing keys as TOML and reading them again loses nothing (round trip); probes are only looked at."""
    case = load_scenario(path)
    again = changing.changed_scenario(case, path.parent, "nothing", lambda keys: None)
    assert dataclasses.replace(again, **OF_TEXT) == dataclasses.replace(case, **OF_TEXT)
    assert again.source_text.startswith(f"# {path.name}, changed: nothing\n")


def test_text_holds_what_toml_can_hold():
    """TOML 1.0: escapes of basic strings, keys in quotes, inline tables, dates."""
    keys = {
        "text": 'tab\t quote " back \\ line\n and \x7f', "number": 1, "share": 0.1, "yes": True, "list": [[1, "a"], []],
        "table": {"odd key": {"deep": [{"x": 1}]}}, "many": [{"a": 1}, {"b": [1.5]}], "day": tomllib.loads("d = 2020-01-02")["d"],
    }  # fmt: skip
    assert tomllib.loads(changing.toml_text(keys)) == keys


def test_a_changed_case_is_stored_by_the_text_it_was_solved_from():
    """The text alone gives the case again: what a run file keeps is enough to repeat it (design, section 9)."""
    case = changed(LOFT, partial(changing.change_fill_thickness, thickness=0.1))
    again = load_scenario_text(case.source_text, case.source_file, SCENARIOS)
    assert dataclasses.replace(again, resolved={}) == dataclasses.replace(case, resolved={})


def test_fill_thickness_changes_the_height_of_the_section_only():
    before, after = load_scenario(LOFT), changed(LOFT, partial(changing.change_fill_thickness, thickness=0.1))
    assert before.height - after.height == pytest.approx(0.170)
    assert after.width == before.width


def test_air_moves_every_given_temperature_by_as_much():
    """70 and 50 degF round the wall: both 10 K warmer."""
    before, after = load_scenario(WALL), changed(WALL, partial(changing.change_air, by=10.0))
    for one, other in zip(before.boundaries, after.boundaries, strict=True):
        assert other.temperature.at(0.0) - one.temperature.at(0.0) == pytest.approx(10.0, abs=1e-5)


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("20 degC", "25.000000 degC"), ([["0 s", "20 degC"]], [["0 s", "25.000000 degC"]]),
        ({"value": "68 degF", "low": "60 degF"}, {"value": "25.000000 degC", "source": "moved by +5 K to see what that does"}),
    ],
)  # fmt: skip
def test_temperatures_move_in_every_form_they_are_written_in(written, read):
    keys = {"surroundings": {"air_temperature": written}}
    changing.change_air(keys, 5.0)
    assert keys["surroundings"]["air_temperature"] == read


def test_load_soaks_the_start_of_the_curve_and_leaves_the_run_alone():
    before, after = load_scenario(WALL), changed(WALL, partial(changing.change_load, circuit="sitting room", current=12.0))
    assert after.curve.start.kind == "soaked" and after.curve.start.currents == (12.0,)
    assert after.start == before.start


def test_cable_type_comes_from_the_same_make_in_order_of_size():
    """Sizes of NM-B with two cores: 14, 12, 10 AWG are 2.08, 3.31, 5.26 mm² (ASTM B258, from memory)."""
    made = changing.same_make("NM-B 12/2")
    assert [name for name, _ in made] == ["nm_b_14_2", "nm_b_12_2", "nm_b_10_2"]
    assert [1e6 * area for _, area in made] == pytest.approx([2.08, 3.31, 5.26], rel=2e-3)
    case = changed(WALL, partial(changing.change_cable_type, names=("cable",), type="nm_b_10_2"))
    assert {round(1e6 * conductor.metal_area, 2) for conductor in case.conductors} == {5.26}


OWN = """
format = 1
title = "own"
fault_current = "500 A"
[free_air]
gravity = "down"
[[cable]]
name = "pair"
[cable.layers]
form = "flat"
jacket_thickness = "1 mm"
jacket_material = "pvc_jacket"
overall_width = "14 mm"
continuous_limit = "70 degC"
[[cable.layers.core]]
name = "line"
size = "2.5 mm2"
diameter = "1.9 mm"
insulation = [{ material = "pvc_insulation", thickness = "0.8 mm" }]
[[cable.layers.core]]
name = "earth"
area = "1.5 mm2"
resistance = "12.1 ohm/km"
[[cable.layers.core]]
name = "neutral"
size = "2.5 mm2"
diameter = "1.9 mm"
insulation = [{ material = "pvc_insulation", thickness = "0.8 mm" }]
[[circuit]]
name = "load"
current = "10 A"
duration = "1 h"
[surroundings]
air_temperature = "20 degC"
[curve]
lowest = "10 A"
"""


def test_own_layers_grow_with_the_size_and_the_bare_earth_stays():
    """Same share of metal: the diameter goes with the root of the area; 1.9 mm x sqrt(4/2.5) = 2.403 mm."""
    case = load_scenario_text(OWN)
    change = partial(changing.change_sizes, names=("pair",), conductors=("pair.line", "pair.neutral"), size="4 mm2")
    again = changing.changed_scenario(case, ".", "4 mm2", change)
    line, earth, _ = again.conductors
    assert line.metal_area == pytest.approx(4e-6)
    assert line.shape.radius * 2 == pytest.approx(1.9e-3 * math.sqrt(4 / 2.5), rel=1e-5)
    assert line.resistance == pytest.approx(case.conductors[0].resistance * 2.5 / 4)
    assert earth.metal_area == pytest.approx(1.5e-6) and earth.resistance == pytest.approx(12.1e-3)


def test_cables_that_go_take_their_limits_along():
    text = OWN.replace("[[circuit]]", '[[cable]]\nname = "other"\ntype = "twin_earth_2_5"\nx = "50 mm"\ny = "90 mm"\n[[circuit]]')
    text += '[[limit]]\nname = "both"\ntemperature = "70 degC"\nparts = ["pair.line", "other.line"]\n'
    text += '[[limit]]\nname = "other"\ntemperature = "70 degC"\nparts = ["other.line"]\n'
    case = load_scenario_text(text)
    again = changing.changed_scenario(case, ".", "1 cable", partial(changing.change_cables, kept=("pair",), counted="", count=0))
    assert [limit.name for limit in again.limits] == ["both"]
    assert not [part for part in again.parts if part.name.startswith("other")]


def test_a_change_that_makes_no_valid_case_is_refused_like_any_file():
    with pytest.raises(ScenarioError, match="outside the space"):
        changed(LOFT, partial(changing.change_fill_thickness, thickness=0.002))


def test_a_case_without_a_text_cannot_be_changed():
    case = dataclasses.replace(load_scenario(LOFT), source_text="")
    with pytest.raises(UsageError, match="not read from a scenario file"):
        changing.keys_of(case)
