"""Looking at what was computed before, at the library and at the schema; nothing here solves."""

from __future__ import annotations

import json
import re

import pytest

from ampsoak import open_run
from ampsoak.cli.reading import Basis
from ampsoak.cli.talk import SCHEMA_VERSION
from ampsoak.coverage.edges import BASES
from ampsoak.library import load
from ampsoak.report.tables import SUMMARY_VERSION
from ampsoak.scenario.device_record import device_of_record, device_record
from ampsoak.scenario.load import load_scenario


def test_one_schema_version_and_one_list_of_bases():
    assert SCHEMA_VERSION == SUMMARY_VERSION
    assert {basis.value for basis in Basis} == set(BASES)


def test_cover_takes_the_devices_stored_with_the_curve(ampsoak, solved):
    said = ampsoak("cover", solved / "curve.h5", "--json")
    assert said.status == 0
    (device,) = said.object["coverage"]["devices"]
    assert device["device"]["name"] == "breaker"
    assert device["device"]["rating"] == 15


@pytest.mark.parametrize("name", ["small.toml", "../scenario/data/drawn_6mm2_shower.toml"])
def test_a_stored_device_is_the_device_of_the_scenario(small, name):
    devices = load_scenario(small.parent / name).devices
    assert devices
    for device in devices:
        assert device_of_record(json.loads(json.dumps(device_record(device)))) == device


def test_cover_with_another_scenario_and_basis(ampsoak, small, solved, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(small.read_text().replace('"15 A"', '"20 A"'))
    said = ampsoak("cover", solved / "curve.h5", "--scenario", case, "--basis", "default", "-o", tmp_path / "out", "--json")
    assert said.status == 0
    (device,) = said.object["coverage"]["devices"]
    assert (device["device"]["rating"], device["basis"]) == (20, "default")
    assert (tmp_path / "out" / "time_current.pdf").exists()
    assert ampsoak("cover", solved / "curve.h5", "--basis", "maker").status == 2  # a breaker by standard has no points


def test_cover_without_a_device_is_wrong_usage(ampsoak, small, solved, tmp_path):
    case = tmp_path / "case.toml"
    text = small.read_text()
    case.write_text(text[: text.index("[[device]]")] + text[text.index("[curve]") :])
    said = ampsoak("cover", solved / "curve.h5", "--scenario", case)
    assert said.status == 2
    assert "names no device" in said.err


def test_show_writes_the_figures_of_a_run_and_of_a_curve(ampsoak, solved, tmp_path):
    said = ampsoak("show", solved / "run.h5", "-o", tmp_path / "run")
    assert said.status == 0
    assert (tmp_path / "run" / "section_temperature.png").exists()
    assert "Current history of 30 min" in said.out
    said = ampsoak("show", solved / "curve.h5", "-o", tmp_path / "curve", "--json", "-q")
    assert said.status == 0
    assert {path.rsplit("/", 1)[-1] for path in said.object["files"]} == {
        path.name for path in (tmp_path / "curve").iterdir()
    }
    again = ampsoak("show", solved / "run.h5", "-o", tmp_path / "run")
    assert again.status == 5


def test_info_of_a_file_tells_its_origin(ampsoak, solved):
    given = ampsoak("info", solved / "curve.h5", "--json").object
    record = open_run(solved / "curve.h5")
    assert given["kind"] == "curve"
    assert given["verified"] is True
    assert given["canonical_hash"] == record.canonical_hash
    assert given["provenance"]["software_version"] == record.provenance["software_version"]
    words = ampsoak("info", solved / "curve.h5").out
    assert record.canonical_hash in words
    assert "small.toml" in words
    assert "1 limit\n" in words


def test_info_of_the_program_tells_versions_and_folders(ampsoak):
    said = ampsoak("info")
    assert "numba" in said.out
    assert "compiled kernels" in said.out
    assert set(ampsoak("info", "--json").object["packages"]) > {"numpy", "h5py"}


def test_the_library_lists_every_entry(ampsoak):
    said = ampsoak("library", "material")
    assert [line.split()[0] for line in said.out.splitlines()] == load.material_names()
    kinds = ampsoak("library", "--json").object["kinds"]
    assert kinds["cable"] == load.cable_names()
    assert kinds["device"] == list(load.device_standards())


HELD = r"(read|derived|user|memory (high|medium|low))"  # base.sources.HELD in words


@pytest.mark.parametrize(
    ("kind", "names", "origin"),
    [
        ("material", load.material_names(), rf"\[\w+, {HELD}\]"),
        ("cable", load.cable_names(), rf"\[\w+, {HELD}\]"),
        ("device", list(load.device_standards()), r"held: \w+"),
        ("source", list(load.sources()), r"obtained: \w+"),
    ],
)
def test_every_entry_is_shown_with_where_it_comes_from(ampsoak, kind, names, origin):
    for name in names:
        said = ampsoak("library", kind, name)
        assert said.status == 0, name
        assert re.search(origin, said.out), name


def test_an_entry_is_found_by_its_alias_and_shown_in_the_units_of_the_trade(ampsoak):
    said = ampsoak("library", "cable", "NM-B 12/2")
    # 12 AWG: 0.127 mm x 92^(24/39) = 2.053 mm (ASTM B258)
    assert "conductor diameter: 2.053 mm" in said.out
    assert "continuous limit: 90 °C" in said.out


@pytest.mark.parametrize(
    ("words", "nearest"),
    [(("materal",), "material"), (("material", "gypsumboard_x"), "gypsum_board"), (("source", "incroprea"), "incropera")],
)
def test_an_unknown_name_brings_the_nearest(ampsoak, words, nearest):
    said = ampsoak("library", *words)
    assert said.status == 2
    assert f'did you mean "{nearest}"' in said.err


def test_the_schema_is_json_for_draft_4(ampsoak):
    schema = json.loads(ampsoak("schema").out)
    assert schema["$schema"] == "http://json-schema.org/draft-04/schema#"
    assert ampsoak("schema", "--json").object["schema"] == schema
