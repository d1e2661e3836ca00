"""The history with devices in the loop from the command line: what it says, what it writes, how it fails (issue 4, item 3)."""

from __future__ import annotations

import csv
import json
import re

import pytest

from ampsoak.report.words import CAUTION_LINE, CAUTIONS

FILES = {"protected.h5", "protected.json", "protected.csv", *(f"protected_history.{ending}" for ending in ("png", "pdf", "csv"))}
FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)
EDGES = ("fast", "nominal", "slow")


@pytest.fixture
def folder(ampsoak, small, tmp_path):
    """Folder filled by the command."""
    assert ampsoak("protect", small, "-o", tmp_path / "out", "-q").status == 0
    return tmp_path / "out"


def rows_of(path):
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def test_it_says_for_each_edge_what_opens_when_and_what_is_reached(ampsoak, small):
    said = ampsoak("protect", small)
    assert said.status == 0
    for edge in EDGES:
        # 20 A for ten minutes, then 60 A: every opening is at one of the two
        opens = rf"^  {edge} edge +breaker opens after [\d.]+ (s|min) at (20|60)\.0 A, thermal part$"
        assert re.search(opens, said.out, re.MULTILINE)
        assert re.search(rf"^  {edge} edge +\d+ °C +at most \d+ °C after [\d.]+ (s|min) +none$", said.out, re.MULTILINE)
    # the 60 A step ends after 15 min
    assert re.search(r"^  no device +- +at most \d+ °C after 15 min +PVC 70 °C after 1\d min$", said.out, re.MULTILINE)
    assert "Hottest conductor, wire:" in said.out
    assert said.out.endswith(f"Caution: {CAUTION_LINE}\n")
    assert not FORBIDDEN.search(said.out.replace(CAUTION_LINE, ""))
    assert "devices in the loop 100 %" in said.err


def test_without_a_device_it_reaches_what_the_run_reaches(ampsoak, small, solved):
    """Two ways to one answer: the course with no device is the plain history, within its stepping tolerance."""
    given = ampsoak("protect", small, "--json", "-q").object
    from ampsoak import load_scenario, open_run

    run, tolerance = open_run(solved / "run.h5"), load_scenario(small).run.tolerance
    assert given["without"]["peak"] == pytest.approx(run.part_maximum.max(axis=0).tolist(), abs=2 * tolerance)


def test_json_is_one_object_with_units_cautions_and_origin(ampsoak, small):
    said = ampsoak("protect", small, "--json", "-q")
    assert said.err == ""
    given = said.object
    assert (given["schema_version"], given["command"], given["files"]) == (1, "protect", [])
    assert given["units"] == {"time": "s", "temperature": "K", "current": "A"}
    assert given["cautions"] == list(CAUTIONS)
    assert [edge["edge"] for edge in given["edges"]] == list(EDGES)
    assert given["reclosing"] is None
    assert list(given["provenance"]["inputs_sha256"]) == ["small.toml"]
    openings = [edge["operating"]["operations"][0]["time"] for edge in given["edges"]]
    assert openings == sorted(openings)  # a faster edge is not later


def test_with_a_folder_it_writes_the_same_as_files(ampsoak, small, folder):
    assert {path.name for path in folder.iterdir()} == FILES  # and no .part is left
    assert (folder / "protected_history.png").read_bytes().startswith(b"\x89PNG")
    assert (folder / "protected_history.pdf").read_bytes().startswith(b"%PDF")
    kept = json.loads((folder / "protected.json").read_text(encoding="utf-8"))
    given = ampsoak("protect", small, "--json", "-q").object
    for key in ("without", "edges", "limits", "text", "cautions", "assumptions"):
        assert kept[key] == given[key]
    rows = rows_of(folder / "protected.csv")
    assert len(rows) == (len(EDGES) + 1) * len(kept["part_names"])
    for row in rows:
        if row["edge"] != "none":
            (edge,) = [edge for edge in kept["edges"] if edge["edge"] == row["edge"]]
            at = edge["at_opening"][kept["part_names"].index(row["part"])]
            assert float(row["at opening [°C]"]) == pytest.approx(at - 273.15)
    drawn = rows_of(folder / "protected_history.csv")
    assert {row["course"] for row in drawn} == {"no device", *(f"{edge} edge" for edge in EDGES)}


def test_files_in_the_way_are_5_before_anything_is_stepped_and_force_replaces_them(ampsoak, small, folder, monkeypatch):
    (folder / "protected.csv").write_text("kept")
    with monkeypatch.context() as patch:
        patch.setattr("ampsoak.study.protection.protected_run", forbidden)
        said = ampsoak("protect", small, "-o", folder)
    assert said.status == 5
    assert "--force" in said.err
    assert (folder / "protected.csv").read_text() == "kept"
    assert ampsoak("protect", small, "-o", folder, "--force", "-q").status == 0
    assert (folder / "protected.csv").read_text(encoding="utf-8").startswith("edge,part,")


def forbidden(*_, **__):
    raise AssertionError("something was stepped although the request was not sound")


def test_closing_again_is_followed_and_counted(ampsoak, small):
    once = ampsoak("protect", small, "--json", "-q").object
    again = ampsoak("protect", small, "--json", "-q", "--reclose-after", "2 min", "--attempts", "2").object
    assert (again["reclosing"]["delay"], again["reclosing"]["attempts"]) == (120.0, 2)
    for edge in again["edges"]:
        operations = edge["operating"]["operations"]
        closings = [one["time"] for one in operations if one["kind"] == "closes"]
        assert 1 <= len(closings) <= 2
        assert closings[0] == pytest.approx(operations[0]["time"] + 120.0)
    wire = once["part_names"].index("wire")
    before, now = ([edge["reached"]["peak"][wire] for edge in found["edges"]] for found in (once, again))
    # current that flows again never makes the history cooler, and the 60 A step is still on for two of the edges
    assert all(later >= first for later, first in zip(now, before, strict=True))
    assert now[1:] > before[1:]
    assert "closed again" in ampsoak("protect", small, "-q", "--reclose-after", "2 min").out


def test_what_stays_open_though_closing_was_asked_for_is_said(ampsoak, small):
    said = ampsoak("protect", small, "-q", "--reclose-after", "2 h")
    assert said.out.count("the history ends before it is closed again") == len(EDGES)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--attempts", "2"), "--reclose-after"),
        (("--reclose-after", "5"), "a time needs its unit"),
        (("--reclose-after", "5 mm"), '--reclose-after "5 mm"'),
        (("--reclose-after", "0 s"), "longer than nothing"),
        (("--reclose-after", "5 min", "--attempts", "0"), "--attempts"),
        (("--device", "braker"), 'did you mean "breaker"?'),
    ],
)
def test_wrong_usage_is_2_and_says_what_is_allowed(ampsoak, small, monkeypatch, words, told):
    monkeypatch.setattr("ampsoak.study.protection.protected_run", forbidden)
    said = ampsoak("protect", small, *words)
    assert said.status == 2
    assert told in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


def test_a_scenario_without_a_device_is_2(ampsoak, small, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(re.sub(r"\[\[device\]\].*?\n\n", "", small.read_text(), flags=re.DOTALL))
    said = ampsoak("protect", case)
    assert said.status == 2
    assert "names no device" in said.err


def test_of_several_devices_one_can_be_chosen(ampsoak, small, tmp_path):
    case = tmp_path / "case.toml"
    second = '[[device]]\nname = "main"\nstandard = "UL 489"\nrating = "100 A"\n\n[curve]'
    case.write_text(small.read_text().replace("[curve]", second))
    assert "in series, upstream first: breaker and main" in ampsoak("protect", case, "-q").out
    said = ampsoak("protect", case, "-q", "--device", "main")
    assert "circuit load; main" in said.out
    # UL 489 asks for no opening at 60 % of the rating
    assert said.out.count("does not open in this history") == len(EDGES)


def test_a_limit_of_another_part_has_its_own_lines(ampsoak, small, tmp_path):
    case = tmp_path / "case.toml"
    limit = '[[limit]]\nname = "block"\ntemperature = "60 degC"\nparts = ["background"]\n\n[[device]]'
    case.write_text(small.read_text().replace("[[device]]", limit))
    said = ampsoak("protect", case, "-q")
    assert 'Hottest place under "block", background:' in said.out
    assert re.search(r"^  no device .* block \(60 °C\) after 1\d min$", said.out, re.MULTILINE)


def test_a_fuse_cannot_be_closed_again(ampsoak, small, tmp_path):
    case = tmp_path / "case.toml"
    fuse = 'standard = "IEC 60269"\ntype = "gG"\nrating = "16 A"'
    case.write_text(small.read_text().replace('standard = "UL 489"\nrating = "15 A"', fuse).replace('"60 A"', '"90 A"'))
    said = ampsoak("protect", case, "-q", "--reclose-after", "2 min")
    assert said.status == 0
    assert "breaker opens after" in said.out
    assert "; it cannot be closed again" in said.out
    assert "closed again once" not in said.out
