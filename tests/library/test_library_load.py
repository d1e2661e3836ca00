"""The library's door: names, aliases, descriptions, faults in data files, cheap import."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys

import pytest

from ampsoak.base.errors import ScenarioError, UsageError
from ampsoak.library import load
from ampsoak.library.cables_data import build_cables
from ampsoak.library.datafile import DataFile
from ampsoak.library.devices_data import build_devices
from ampsoak.library.materials_data import build_materials

BASIS = {"here": {"source": "incropera", "at": "table A.1", "grade": "handbook", "held": "memory_high"}}


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("nm_b_12_2", "nm_b_12_2"), ("NM-B 12/2", "nm_b_12_2"), ("12 AWG NM-B", "nm_b_12_2"), ("12AWG NM-B", "nm_b_12_2"),
        ("6 mm2 twin and earth", "twin_earth_6"), ("6mm² twin and earth", "twin_earth_6"),
        ("2.5 mm2 twin and earth", "twin_earth_2_5"), ("twin_earth_1_0", "twin_earth_1"), ("thhn 12", "thhn_12"),
        ("H07V-R 16 mm2", "h07v_16"),
    ],
)  # fmt: skip
def test_cables_answer_to_friendly_names(written, name):
    assert load.cable(written).name == name


def test_materials_and_devices_answer_to_friendly_names():
    assert load.material("Plasterboard") is load.material("gypsum_board")
    assert load.material("dense-pack cellulose").name == "cellulose_dense_pack"
    assert load.device_family("iec 60898-1").standard == "IEC 60898-1"
    assert load.device_family("UL489").standard == "UL 489"


@pytest.mark.parametrize(
    ("find", "written", "nearest"),
    [
        (load.material, "coper", "copper"),
        (load.cable, "nm_b_12_3", "nm_b_12_2"),
        (load.cable, "twin_earth_1_6", "twin_earth_"),  # never taken for 16 mm²
        (load.device_family, "IEC 60989-1", "IEC 60898-1"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(find, written, nearest):
    with pytest.raises(KeyError, match=f'no .*"{written}"; did you mean "{nearest}'):
        find(written)


def test_the_entries_asked_for_are_there():
    wanted = {
        "copper", "aluminium", "steel", "pvc_insulation", "pvc_jacket", "nylon", "xlpe", "epr", "rubber", "paper_filler",
        "paper_air_filler", "polyethylene_film", "air", "open_air", "stone_wool", "mineral_wool", "loft_roll",
        "cellulose_loose", "cellulose_dense_pack", "pu_foam_open_cell", "pu_foam_closed_cell", "eps", "xps", "polyiso",
        "gypsum_board", "gypsum_plaster", "sand_cement_plaster", "brick", "osb", "plywood", "softwood", "steel_stud",
    }  # fmt: skip
    assert wanted <= set(load.material_names())
    assert {"nm_b_14_2", "nm_b_12_2", "nm_b_10_2", "twin_earth_1", "twin_earth_16", "thhn_6", "h07v_1_5"} <= set(
        load.cable_names()
    )
    assert load.device_standards()["IEC 60898-1"] == ["B", "C", "D"]


def test_reading_twice_gives_the_same_objects():
    assert load.material("copper") is load.material("copper")


@pytest.mark.parametrize(
    ("kind", "names"),
    [("material", load.material_names()), ("cable", load.cable_names()), ("device", list(load.device_standards()))],
)
def test_descriptions_are_strict_json_and_keep_ranges_and_sources(kind, names):
    for name in names:
        text = json.dumps(load.describe(kind, name), allow_nan=False)
        assert '"typical"' in text and '"held"' in text


def test_description_of_a_material_shows_values_and_their_course():
    fill = load.describe("material", "glass_fibre_12")
    assert fill["conductivity"]["value"]["unit"] == "W/(m K)"
    assert fill["conductivity"]["course"]["law"] == "fibre"
    assert fill["density"]["low"] < fill["density"]["typical"] < fill["density"]["high"]
    steel = load.describe("material", "steel")["specific_heat"]["course"]
    assert len(steel["temperature"]) == len(steel["values"]) and steel["held"] == "memory_high"


def test_description_says_indefinitely_where_a_time_has_no_end():
    points = [point for band in load.describe("device", "UL 489")["bands"] for point in band["points"]]
    assert [point["earliest"] for point in points if point["name"] == "100 %"] == ["indefinitely"]


def test_description_of_an_unknown_kind_is_refused():
    with pytest.raises(UsageError, match='no kind "wall"; kinds are material, cable, device'):
        load.describe("wall", "brick")


def faults_of(build, raw):
    """Keys and messages of the faults that a data file with content ``raw`` has."""
    data = DataFile("made_up.toml", raw, load.sources())
    build(data)
    with pytest.raises(ScenarioError) as caught:
        data.finish()
    return {fault.key: (fault.message, fault.nearest) for fault in caught.value.faults}


def test_all_faults_of_a_material_file_are_reported_at_once():
    raw = {
        "basis": BASIS | {"bad": {"source": "incropra", "grade": "guess", "held": "read"}},
        "material": {
            "one": {
                "family": "metl",
                "description": "d",
                "conductivity": {"value": [3, 2, 1], "basis": "here"},
                "density": {"value": [1, 2], "basis": "here"},
                "specific_heat": {"value": 500, "basis": "hre"},
                "colour": "red",
            },
            "two": {"family": "metal", "description": "d", "density": 3},
        },
    }
    faults = faults_of(build_materials, raw)
    assert faults["basis.bad.source"] == ("is not in sources.toml", "incropera")
    assert faults["basis.bad.grade"][0].startswith("must be one of measured")
    assert faults["material.one.family"][1] == "metal"
    assert faults["material.one.conductivity.value"][0] == "low, typical and high must not decrease"
    assert faults["material.one.density.value"][0] == "must be one number or [low, typical, high]"
    assert faults["material.one.specific_heat.basis"][1] == "here"
    assert faults["material.one.colour"][0] == "unknown key"
    assert faults["material.two.conductivity"][0] == faults["material.two.specific_heat"][0] == "is missing"


@pytest.mark.parametrize(
    ("course", "key", "message"),
    [
        ({"celsius": [20, 10], "relative": [1, 1], "basis": "here"}, "celsius", "must increase"),
        ({"celsius": [10, 20], "relative": [1, -1], "basis": "here"}, "relative", "must be 2 positive numbers"),
        ({"celsius": [10, 20], "absolute": [1], "basis": "here"}, "absolute", "must be 2 positive numbers"),
        ({"law": "fiber", "basis": "here"}, "law", "must be one of"),
    ],
)
def test_faulty_courses_are_refused(course, key, message):
    value = {"value": 1.0, "basis": "here"}
    entry = {"family": "other", "description": "d", "density": value, "specific_heat": value}
    raw = {"basis": BASIS, "material": {"one": entry | {"conductivity": value | {"course": course}}}}
    faults = faults_of(build_materials, raw)
    assert faults[f"material.one.conductivity.course.{key}"][0].startswith(message)


def test_unknown_materials_conductors_and_missing_jackets_of_a_cable_file_are_refused():
    value = {"mm": 1.0, "basis": "here"}
    raw = {
        "basis": BASIS,
        "conductor": {
            "wire": {
                "metal": "coper",
                "diameter": value,
                "area": {"mm2": 1.0, "basis": "here"},
                "resistance": {"ohm_per_km": 1.0, "basis": "here"},
                "temperature_coefficient": {"value": 1.0, "basis": "here"},
            }
        },
        "rating": {"hot": {"continuous_limit": value, "limits": [], "adiabatic_k": value}},
        "cable": {
            "one": {
                "description": "d", "form": "flat", "cores": [], "overall_width": value, "overall_height": value,
                "rating": "hot", "basis": "here",
            },
            "two": {
                "description": "d", "form": "single", "cores": [{"name": "line", "conductor": "wir", "loaded": True}],
                "overall_width": value, "overall_height": value, "rating": "hot", "basis": "here",
            },
        },
    }  # fmt: skip
    faults = faults_of(lambda data: build_cables(data, ["copper"]), raw)
    assert faults["conductor.wire.metal"] == ("is not a material of the library", "copper")
    assert faults["rating.hot.continuous_limit.celsius"][0] == "is missing"
    assert faults["cable.one"][0].startswith("a jacketed cable needs core_spacing")
    assert faults["cable.two.cores[0].conductor"][1] == "wire"


def test_contradictory_device_points_are_refused():
    points = [
        {"name": "p", "kind": "hold", "multiple": 1.1, "current": 3, "earliest": 1, "basis": "here"},
        {"name": "q", "kind": "trip", "multiple": 1.1, "earliest": 1, "latest": 2, "basis": "here"},
        {"name": "r", "kind": "trip", "multiple": 1.1, "latest": 2, "start": "hot", "basis": "here"},
    ]
    raw = {
        "basis": BASIS,
        "family": {
            "X 1": {
                "title": "t", "kind": "fuse", "types": ["a"], "ratings": [1, 2], "basis": "here",
                "reference_ambient": {"celsius": 20, "basis": "here"},
                "bands": [{"above": 2, "up_to": 1, "points": points}],
                "by_rating": {"columns": [{"name": "s", "kind": "hold", "earliest": 1}], "rows": [[3, 1.0, "here"]]},
            }
        },
    }  # fmt: skip
    faults = faults_of(build_devices, raw)
    place = "family.X 1.bands[0]"
    assert faults[f"{place}.points[0]"][0] == "needs either multiple or current"
    assert faults[f"{place}.points[1].earliest"][0].startswith("belongs to kinds hold and window")
    assert faults[f"{place}.points[2].preload"][0] == "belongs to a hot start only"
    assert faults[f"{place}.up_to"][0] == "must be greater than above"
    assert faults["family.X 1.by_rating.rows[0]"][0].startswith("must be a rating of the family")


def test_a_basis_nothing_refers_to_is_a_fault():
    assert faults_of(build_materials, {"basis": BASIS}) == {"basis.here": ("is used by nothing", None)}


def test_grid_leaves_out_what_the_source_leaves_out():
    # BS 3036 has no 0.4 s current above 30 A in the wiring rules' table
    names = [point.name for point in load.device_family("BS 3036").points(60)]
    assert names == ["fusing", "5 s"]
    assert not any(
        math.isnan(point.current) for point in load.device_family("BS 3036").points(60) if point.current is not None
    )


def test_opening_the_library_loads_nothing_heavy():
    # agreed floor rule: the library needs numpy alone
    code = (
        "import sys; from ampsoak.library import load; load.cable('nm_b_12_2'); load.device_family('UL 489');"
        "print([name for name in ('scipy', 'numba', 'h5py', 'matplotlib', 'pydantic', 'pint') if name in sys.modules])"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    assert found.stdout.strip() == "[]"
