"""Devices from the scenario file to the answer: what loads draw, faults, selectivity, courses on file (issue 4, items 1 to 4)."""

from __future__ import annotations

import csv
import json
import re

import pytest

from ampsoak.report.words import CAUTION_LINE, CAUTIONS

FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)
BREAKER = '[[device]]\nname = "breaker"\nstandard = "UL 489"\nrating = "15 A"\n'
SERIES = """\
[[relay]]
name = "main"
pickup = "80 A"
curve = "IEC standard inverse"
setting = 0.1
[[device]]
name = "breaker"
standard = "IEC 60898-1"
type = "B"
rating = "16 A"
breaking_capacity = "300 A"
let_through = { energy = "9000 A2.s", current = "6 kA", source = "invented" }
[[load_point]]
name = "kettle"
current = "13 A"
duration = "3 min"
[[load_point]]
name = "lamps"
transformer = { full_load = "3 A" }
[reclosing]
delay = "2 min"
"""


def rows_of(path):
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.fixture
def series(small, tmp_path):
    """The small case behind a relay and a breaker of 16 A type B, with load points and re-closing."""
    case = tmp_path / "series.toml"
    text = small.read_text()
    assert BREAKER in text
    case.write_text(text.replace(BREAKER, SERIES))
    return case


def test_cover_answers_load_points_and_short_circuit(ampsoak, solved, series, tmp_path):
    """B 16 may act from 48 A (read), holds 36 A for 0.1 s; 400 A is beyond 300 A."""
    said = ampsoak("cover", solved / "curve.h5", "--scenario", series, "-o", tmp_path / "out", "-q")
    assert said.status == 0
    assert re.search(r"^    kettle +13.0 A for 3.0 min +held +even a fast device stays closed$", said.out, re.MULTILINE)
    assert re.search(r"^    lamps inrush, 0.01 s +75.0 A for 0.010 s +within the band", said.out, re.MULTILINE)
    assert "400 A, is beyond the stated breaking capacity, 300 A" in said.out
    assert "at most 9,000 A²s; what the conductor takes up is not known" in said.out  # a drawing states no k
    assert not FORBIDDEN.search(said.out.replace(CAUTION_LINE, ""))
    assert re.search(r"^main and breaker in series, where the first that opens counts:$", said.out, re.MULTILINE)
    together = [row for row in rows_of(tmp_path / "out" / "verdicts.csv") if row["device"] == "all in series"]
    assert float(together[-1]["from [A]"]) == 300.0  # beyond it the breaker's opening says nothing
    rows = rows_of(tmp_path / "out" / "device_questions.csv")
    breaker = [row for row in rows if row["device"] == "breaker"]
    assert [row["question"] for row in breaker] == ["load point"] * 3 + ["breaking capacity", "let-through"]
    assert breaker[3]["answer"] == "beyond" and float(breaker[3]["current [A]"]) == 400.0
    assert {row["question"] for row in rows if row["device"] == "main"} == {"load point"}  # it states no capacity
    devices = ampsoak("cover", solved / "curve.h5", "--scenario", series, "--json").object["coverage"]["devices"]
    assert [one["verdict"] for one in devices[1]["nuisance"]] == ["held", "held", "may_open"]
    assert devices[0]["short_time"] is None and devices[1]["short_time"]["breaking"] == "beyond"


def test_a_curve_keeps_relays_and_load_points(ampsoak, series, tmp_path):
    """Compared again without the scenario's file: the same devices and the same questions."""
    assert ampsoak("curve", series, "-o", tmp_path / "curve.h5", "-q").status == 0
    stored = ampsoak("cover", tmp_path / "curve.h5", "--json").object["coverage"]["devices"]
    given = ampsoak("cover", tmp_path / "curve.h5", "--scenario", series, "--json").object["coverage"]["devices"]
    assert stored == given
    assert [one["device"]["name"] for one in stored] == ["main", "breaker"]


def test_a_device_of_another_circuit_is_not_compared(ampsoak, small, solved, tmp_path):
    case = tmp_path / "case.toml"
    more = '[[circuit]]\nname = "other"\ncurrent = "1 A"\nduration = "1 h"\n\n[surroundings]'
    text = small.read_text().replace("[surroundings]", more).replace("[curve]\n", '[curve]\ncircuit = "load"\n')
    case.write_text(text.replace('rating = "15 A"', 'rating = "15 A"\ncircuit = "other"'))
    said = ampsoak("cover", solved / "curve.h5", "--scenario", case)
    assert said.status == 2 and 'no device stands in circuit "load"' in said.err


def test_select_tells_every_pair_in_series(ampsoak, series):
    """B 16 is obliged from 80 A (read); the relay may start at 80 A, standard inverse 0.1 there is seconds."""
    said = ampsoak("select", series)
    assert said.status == 0
    assert '"main" above "breaker":' in said.out
    assert re.search(r"^  up to [\d.]+ A +neither opens +neither is obliged to open$", said.out, re.MULTILINE)
    assert re.search(r'^  .* to .* A +selective +only "breaker" opens$', said.out, re.MULTILINE)
    assert re.search(r"Selective from the lowest current that opens either up to \d+ A\.", said.out)
    assert said.out.endswith(f"Caution: {CAUTION_LINE}\n")
    assert not FORBIDDEN.search(said.out.replace(CAUTION_LINE, ""))


def test_select_as_json_and_files_is_the_same(ampsoak, series, tmp_path):
    words = ("select", series, "--grading", "0.3 s", "--lowest", "20 A", "--highest", "300 A")
    given = ampsoak(*words, "-o", tmp_path / "out", "--json", "-q").object
    (pair,) = given["pairs"]
    assert (pair["upper"], pair["lower"], pair["grading"]) == ("main", "breaker", 0.3)
    assert pair["intervals"][0]["low"] == 20.0 and pair["intervals"][-1]["high"] == 300.0
    for before, after in zip(pair["intervals"], pair["intervals"][1:], strict=False):
        assert before["high"] == after["low"]
    assert given["cautions"] == list(CAUTIONS)
    kept = json.loads((tmp_path / "out" / "selectivity.json").read_text(encoding="utf-8"))
    assert kept["pairs"] == given["pairs"]
    figure = {f"selectivity_bands.{ending}" for ending in ("png", "pdf", "csv")}
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"selectivity.json", "selectivity.csv", *figure}
    rows = rows_of(tmp_path / "out" / "selectivity.csv")
    assert [row["verdict"] for row in rows] == [one["verdict"] for one in pair["intervals"]]
    assert [float(row["from [A]"]) for row in rows] == [one["low"] for one in pair["intervals"]]
    assert ampsoak(*words, "-o", tmp_path / "out").status == 5
    assert ampsoak(*words, "-o", tmp_path / "out", "--force", "-q").status == 0


def test_select_reads_the_devices_of_a_stored_curve(ampsoak, series, tmp_path):
    assert ampsoak("curve", series, "-o", tmp_path / "curve.h5", "-q").status == 0
    assert ampsoak("select", tmp_path / "curve.h5", "--json").object["pairs"] == ampsoak("select", series, "--json").object["pairs"]


def test_select_takes_two_devices_by_name_whichever_stands_above(ampsoak, series):
    (pair,) = ampsoak("select", series, "--upstream", "breaker", "--downstream", "main", "--json").object["pairs"]
    assert "not_selective" in {one["verdict"] for one in pair["intervals"]}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--upstream", "main"), "go together"),
        (("--upstream", "main", "--downstream", "braker"), 'did you mean "breaker"?'),
        (("--upstream", "main", "--downstream", "main"), "same device"),
        (("--grading", "0.3"), "a time needs its unit"),
        (("--lowest", "0 A"), "greater than 0"),
        (("--lowest", "3 kA"), "range of two positive currents"),
        (("--basis", "interpolated"), "no edges of basis"),
    ],
)
def test_select_says_what_it_cannot_do(ampsoak, series, words, told):
    said = ampsoak("select", series, *words)
    assert said.status == 2
    assert told in said.err and said.out == ""


def test_select_needs_two_devices_and_a_highest_current(ampsoak, small, series):
    assert "no two devices in one circuit" in ampsoak("select", small).err
    series.write_text(series.read_text().replace('fault_current = "400 A"', "").replace("[curve]", '[curve]\nhighest = "400 A"'))
    said = ampsoak("select", series)
    assert said.status == 2 and "--highest" in said.err


def test_protect_takes_series_and_reclosing_from_the_scenario(ampsoak, series):
    given = ampsoak("protect", series, "--json", "-q").object
    assert given["devices"] == ["main", "breaker"]
    assert (given["reclosing"]["delay"], given["reclosing"]["attempts"]) == (120.0, 1)
    for edge in given["edges"]:
        first, *rest = edge["operating"]["operations"]
        assert first["device"] == "breaker"
        closings = [one["time"] for one in rest if one["kind"] == "closes"]
        assert closings == [pytest.approx(first["time"] + 120.0)]
    other = ampsoak("protect", series, "--json", "-q", "--reclose-after", "3 min").object
    assert other["reclosing"]["delay"] == 180.0  # what is asked for on the line counts


def test_protect_asks_for_a_circuit_where_devices_stand_in_several(ampsoak, series):
    text = series.read_text().replace("[surroundings]", '[[circuit]]\nname = "other"\ncurrent = "1 A"\nduration = "30 min"\n\n[surroundings]')
    text = text.replace('name = "main"\n', 'name = "main"\ncircuit = "other"\n').replace("[curve]\n", '[curve]\ncircuit = "load"\n')
    series.write_text(text)
    assert 'nothing says in which circuit "breaker" stands' in ampsoak("protect", series).err
    series.write_text(text.replace('name = "breaker"\n', 'name = "breaker"\ncircuit = "load"\n'))
    said = ampsoak("protect", series)
    assert said.status == 2 and 'circuits "load", "other"; choose one' in said.err
    said = ampsoak("protect", series, "--circuit", "load", "-q")
    assert said.status == 0 and "circuit load; breaker" in said.out
    assert ampsoak("protect", series, "--circuit", "laod").status == 2
    assert 'names no device in circuit "other"' in ampsoak("protect", series, "--circuit", "other", "--device", "breaker").err


def test_show_and_info_read_what_protect_wrote(ampsoak, series, tmp_path):
    said = ampsoak("protect", series, "-o", tmp_path / "out", "-q")
    assert said.status == 0
    shown = ampsoak("show", tmp_path / "out" / "protected.h5", "-o", tmp_path / "again", "-q")
    assert shown.status == 0
    assert shown.out == said.out
    for name in ("protected.csv", "protected_history.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "out" / name).read_bytes()
    assert {path.name for path in (tmp_path / "again").iterdir()} == {
        "protected.csv", *(f"protected_history.{ending}" for ending in ("png", "pdf", "csv"))
    }  # fmt: skip
    given = ampsoak("info", tmp_path / "out" / "protected.h5", "--json").object
    assert (given["kind"], given["verified"]) == ("protected", True)
    words = ampsoak("info", tmp_path / "out" / "protected.h5").out
    assert "history with devices in the loop" in words and "2 devices in load" in words
    assert "devices are compared with a limit curve" in ampsoak("cover", tmp_path / "out" / "protected.h5").err


def test_study_follows_the_devices_too_unless_told_not_to(ampsoak, series, tmp_path):
    said = ampsoak("study", series, "-o", tmp_path / "all", "--json", "-q")
    assert said.status == 0
    alone = ampsoak("protect", series, "--json", "-q").object
    found = said.object["devices_in_the_loop"]
    assert found["edges"] == alone["edges"] and found["canonical_hash"]
    assert (tmp_path / "all" / "protected.h5").exists() and (tmp_path / "all" / "protected_history.png").exists()
    assert "The history with devices in the loop:" in ampsoak("study", series, "-o", tmp_path / "all", "--force", "-q").out
    said = ampsoak("study", series, "-o", tmp_path / "less", "--no-protect", "-q")
    assert said.status == 0 and "devices in the loop" not in said.out
    assert not list((tmp_path / "less").glob("protected*"))


def test_study_says_why_devices_could_not_be_followed(ampsoak, small, tmp_path):
    """Points whose first current is above the history and no model: a note, and the rest of the job is done."""
    case = tmp_path / "case.toml"
    more = '[[circuit]]\nname = "other"\ncurrent = "1 A"\nduration = "30 min"\n\n[surroundings]'
    case.write_text(small.read_text().replace("[surroundings]", more).replace("[curve]\n", '[curve]\ncircuit = "load"\n'))
    said = ampsoak("study", case, "-o", tmp_path / "out", "-q")
    assert said.status == 0
    assert "devices were not followed in the loop" in said.err and (tmp_path / "out" / "verdicts.csv").exists()


def test_check_tells_of_relays_load_points_and_reclosing(ampsoak, series):
    said = ampsoak("check", series)
    assert "main: relay set to 80 A, curve A, setting 0.1" in said.out
    assert "kettle: 13 A for 3.0 min" in said.out
    assert "Closed again: 2.0 min after opening, at most 1 time" in said.out
    given = ampsoak("check", series, "--json").object
    assert [one["name"] for one in given["load_points"]] == ["kettle", "lamps inrush, 0.1 s", "lamps inrush, 0.01 s"]
    assert given["reclosing"]["delay"] == 120.0


def test_faults_of_devices_are_told_before_anything_is_done(ampsoak, series, tmp_path):
    series.write_text(series.read_text().replace('curve = "IEC st', 'curve = "st').replace('duration = "3 min"', ""))
    said = ampsoak("protect", series, "-o", tmp_path / "out")
    assert said.status == 3
    assert "relay[0].curve" in said.err and "load_point[0].duration" in said.err and "2 faults; nothing was run." in said.err
    assert not (tmp_path / "out").exists()
