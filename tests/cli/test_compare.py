"""Before and after from the command line: stored results are not solved, scenarios are; what differs is told (issue 4, item 6)."""

from __future__ import annotations

import csv
import json
import re

import pytest

from ampsoak.report.words import CAUTION_LINE

FIGURES = {f"{name}.{ending}" for name in ("before_after", "before_after_history") for ending in ("png", "pdf", "csv")}
FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)


@pytest.fixture(scope="module")
def retrofit(tmp_path_factory):
    """The small scenario with a thicker wire and a cooler room."""
    from pathlib import Path

    text = (Path(__file__).parent / "small.toml").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("retrofit") / "thicker.toml"
    text = text.replace('diameter = "1.63 mm"', 'diameter = "2.05 mm"').replace('size = "14 AWG"', 'size = "12 AWG"')
    path.write_text(text.replace("14 AWG in", "12 AWG in"), encoding="utf-8")
    return path


@pytest.fixture
def after(ampsoak, retrofit, tmp_path):
    folder = tmp_path / "after"
    folder.mkdir()
    for command in ("curve", "run"):
        assert ampsoak(command, retrofit, "-o", folder / f"{command}.h5", "-q").status == 0
    return folder


@pytest.fixture
def never_solved(monkeypatch):
    def refused(*_, **__):
        raise AssertionError("a stored result was solved again")

    return lambda: [
        monkeypatch.setattr(f"ampsoak.study.{module}", refused) for module in ("curve.limit_curve", "run.simulate")
    ]


def test_stored_folders_are_set_side_by_side_without_solving(ampsoak, solved, after, never_solved):
    never_solved()
    said = ampsoak("compare", solved, after)
    assert said.status == 0
    assert re.search(r"^  drawing\.conductor\[wire\]\.size +14 AWG +12 AWG$", said.out, re.MULTILINE)
    assert re.search(r"^    never reached up to +[\d.]+ A +[\d.]+ A$", said.out, re.MULTILINE)
    assert re.search(r"^  breaker against PVC 70 °C:\n    before: .*\n    after: ", said.out, re.MULTILINE)
    assert re.search(r"^  wire gets to +\d+ °C +\d+ °C$", said.out, re.MULTILINE)
    assert said.out.endswith(f"Caution: {CAUTION_LINE}\n")
    assert not FORBIDDEN.search(said.out.replace(CAUTION_LINE, ""))


def test_a_thicker_wire_is_seen_in_every_number(ampsoak, solved, after):
    """Less heat for the same current: ampacity up, times longer, peaks lower (physics)."""
    given = ampsoak("compare", solved, after, "--json", "-q").object
    (limit,) = given["limits"]
    (low, high), (later_low, later_high) = limit["ampacity"]
    assert low < high < later_low < later_high
    earlier, later = limit["time"]
    both = [(a, b) for a, b in zip(earlier, later, strict=True) if isinstance(a, float) and isinstance(b, float)]
    assert both and all(b > a for a, b in both)
    wire = next(row for row in given["peaks"] if row["part"] == "wire")
    assert wire["after"] < wire["before"]
    assert {change["key"] for change in given["changes"]} == {
        "drawing.conductor[wire].size", "drawing.conductor[wire].circle.diameter"
    }  # fmt: skip


def test_files_hold_two_figures_one_table_and_the_summary(ampsoak, solved, after, tmp_path):
    out = tmp_path / "out"
    given = ampsoak("compare", solved, after, "-o", out, "--json", "-q").object
    assert {path.name for path in out.iterdir()} == {"comparison.json", "comparison.csv", *FIGURES}
    kept = json.loads((out / "comparison.json").read_text(encoding="utf-8"))
    assert kept["limits"] == given["limits"]
    rows = list(csv.DictReader((out / "comparison.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["kind"] for row in rows} == {
        "scenario", "limit", "time to limit [s]", "verdict", "peak [°C]", "limit in history [s]"
    }  # fmt: skip
    drawn = list(csv.DictReader((out / "before_after.csv").read_text(encoding="utf-8").splitlines()))
    assert {row["side"] for row in drawn} == {"before", "after"}


def test_scenarios_are_solved_and_kept(ampsoak, small, retrofit, tmp_path):
    said = ampsoak("compare", small, retrofit, "--no-run", "-o", tmp_path / "out")
    assert said.status == 0
    assert said.err.startswith("Solving about ")
    assert {path.name for path in (tmp_path / "out").glob("*.h5")} == {"before_curve.h5", "after_curve.h5"}
    assert not (tmp_path / "out" / "before_after_history.png").exists()


def test_one_scenario_against_itself_changes_nothing(ampsoak, solved):
    said = ampsoak("compare", solved / "curve.h5", solved / "curve.h5", "--json", "-q").object
    assert said["changes"] == []
    (limit,) = said["limits"]
    assert limit["ampacity"][0] == limit["ampacity"][1]
    assert limit["time"][0] == limit["time"][1]
    for row in said["verdicts"]:
        assert row["before"] == row["after"]


def changed_text(small, tmp_path, *pairs):
    text = small.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "other.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_results_that_share_no_limit_are_refused_with_both_lists(ampsoak, small, solved, tmp_path):
    other = changed_text(small, tmp_path, ('"PVC 70 °C"', '"XLPE 90 °C"'), ("70 degC", "90 degC"))
    said = ampsoak("compare", solved / "curve.h5", other, "-q")
    assert said.status == 2
    assert "share no limit" in said.err and "PVC 70 °C" in said.err and "XLPE 90 °C" in said.err


def test_a_limit_of_another_name_is_found_by_its_temperature_and_another_device_is_told(ampsoak, small, solved, tmp_path):
    other = changed_text(small, tmp_path, ('"PVC 70 °C"', '"insulation"'), ('"breaker"', '"new breaker"'), ('"15 A"', '"20 A"'))
    said = ampsoak("compare", solved / "curve.h5", other, "--json", "-q").object
    assert [limit["name"] for limit in said["limits"]] == ["insulation"]
    assert any('"breaker" before is set against "new breaker" after' in note for note in said["notes"])
    assert {row["device"] for row in said["verdicts"]} == {"new breaker"}
    before, after = (said["verdicts"][0][side] for side in ("before", "after"))
    assert before != after


def test_a_curve_and_a_history_have_nothing_in_common(ampsoak, solved):
    said = ampsoak("compare", solved / "curve.h5", solved / "run.h5")
    assert said.status == 2
    assert "nothing to set side by side" in said.err


def test_an_empty_folder_is_5(ampsoak, solved, tmp_path):
    assert ampsoak("compare", solved, tmp_path).status == 5
