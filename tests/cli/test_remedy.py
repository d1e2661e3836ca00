"""What would close the gap, from the command line: what it says, keeps, takes up again, and how it fails (issue 4, item 5)."""

from __future__ import annotations

import csv
import json
import re

import pytest

from ampsoak.report.words import CAUTION_LINE

FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)
UP_TO = ("--highest", "300 A")  # above 333 A the smallest of the large sizes falls behind the breaker's 15 A magnetic part


@pytest.fixture
def counted(monkeypatch):
    """How many limit curves are solved."""
    from ampsoak.study import curve

    solved, solve = [], curve.limit_curve
    monkeypatch.setattr(curve, "limit_curve", lambda case, *more, **named: solved.append(case) or solve(case, *more, **named))
    return solved


def test_it_tells_the_cost_first_then_what_was_tried_and_the_answer(ampsoak, small):
    said = ampsoak("remedy", small, "--by", "conductor_size", "--by", "load", *UP_TO)
    assert said.status == 0
    first, *_ = said.err.splitlines()
    assert re.fullmatch(r"conductor size: at most \d limit curves\.", first)
    assert re.search(r"^About \d.* each, .* in all; more where the order of values turns out to be no guide\.$", said.err, re.MULTILINE)
    assert "Conductor size:" in said.out and "Load carried before:" in said.out
    assert re.search(r"^  1/0 AWG.* in time$", said.out, re.MULTILINE)
    assert re.search(r"^  14 AWG +not in time +PVC 70 °C at [\d.]+ A, a slow device is too late$", said.out, re.MULTILINE)
    assert "The last listed value of conductor size (1/0 AWG to 14 AWG) at which the device opens in time is" in said.out
    assert "What prevents the next one: limit \"PVC 70 °C\"" in said.out
    assert said.out.endswith(f"Caution: {CAUTION_LINE}\n")
    assert not FORBIDDEN.search(said.out.replace(CAUTION_LINE, ""))


def test_ratings_solve_nothing_but_the_scenarios_own_curve_and_nothing_where_it_is_given(ampsoak, small, solved, counted):
    fresh = ampsoak("remedy", small, "--by", "rating", "--json", "-q")
    assert len(counted) == 1
    given = ampsoak("remedy", small, "--by", "rating", "--json", "-q", "--curve", solved / "curve.h5")
    assert len(counted) == 1
    assert given.object["searches"][0]["trials"] == fresh.object["searches"][0]["trials"]
    assert given.object["searches"][0]["solved"] == 0


def test_with_a_folder_it_writes_table_summary_and_curves_and_takes_the_curves_up_again(ampsoak, small, tmp_path, counted):
    out = tmp_path / "out"
    first = ampsoak("remedy", small, "--by", "conductor_size", "-o", out, "--json", "-q").object
    assert {path.name for path in out.iterdir()} == {"remedies.json", "remedies.csv", "curves"}
    trials = first["searches"][0]["trials"]
    assert len(counted) == len(trials) == len(list((out / "curves").iterdir()))  # one curve for each value, no more
    rows = list(csv.DictReader((out / "remedies.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["value"] for row in rows] == [trial["label"] for trial in trials]
    assert [row["opens in time"] for row in rows] == ["yes" if trial["clears"] else "no" for trial in trials]
    kept = json.loads((out / "remedies.json").read_text(encoding="utf-8"))
    assert kept["complete"] and kept["searches"] == first["searches"]
    again = ampsoak("remedy", small, "--by", "conductor_size", "-o", out, "--force", "--json", "-q").object
    assert len(counted) == len(trials)  # nothing was solved again
    assert again["limit_curves_read_again"] == len(trials)
    assert again["searches"] == first["searches"]


def test_an_interrupt_loses_nothing_and_the_next_call_goes_on(ampsoak, small, tmp_path, monkeypatch):
    from ampsoak.study import curve

    out, solve, solved = tmp_path / "out", curve.limit_curve, []

    def interrupted(case, *more, **named):
        if len(solved) == 2:
            raise KeyboardInterrupt
        solved.append(case)
        return solve(case, *more, **named)

    with monkeypatch.context() as patch:
        patch.setattr(curve, "limit_curve", interrupted)
        said = ampsoak("remedy", small, "--by", "conductor_size", "-o", out, "-q")
    assert said.status == 130
    assert "remedies.json" in said.err and "Conductor_size, not finished:" in said.err
    kept = json.loads((out / "remedies.json").read_text(encoding="utf-8"))
    assert not kept["complete"]
    assert len(kept["unfinished"][0]["trials"]) == 2
    done = ampsoak("remedy", small, "--by", "conductor_size", "-o", out, "-q", "--force", "--json").object
    assert done["limit_curves_read_again"] == 2


def test_an_interrupt_in_the_first_curve_does_not_claim_that_something_is_kept(ampsoak, small, tmp_path, monkeypatch):
    from ampsoak.study import curve

    def interrupted(case, *more, **named):
        raise KeyboardInterrupt

    monkeypatch.setattr(curve, "limit_curve", interrupted)
    said = ampsoak("remedy", small, "--by", "load", "-o", tmp_path / "out", "-q")
    assert said.status == 130
    kept = [path for path in (tmp_path / "out").rglob("*") if path.is_file()]
    assert ("is kept in" in said.err) == bool(kept) and "curves" not in said.err


def test_of_devices_in_series_the_one_nearest_the_cable_is_asked_about(ampsoak, small, tmp_path):
    """Devices stand in the order of the file, upstream first (README): a relay above the breaker is not what is varied."""
    case = tmp_path / "series.toml"
    relay = '[[relay]]\nname = "main"\npickup = "80 A"\ncurve = "IEC standard inverse"\nsetting = 0.1\n'
    case.write_text(small.read_text().replace("[[device]]", f"{relay}[[device]]"))
    said = ampsoak("remedy", case, "--by", "rating", "-q")
    assert said.status == 0 and "What would let breaker open before" in said.out


def test_what_cannot_be_varied_is_left_out_with_its_reason(ampsoak, small):
    said = ampsoak("remedy", small, "--by", "fill_thickness")
    assert said.status == 2
    assert "Left out: fill thickness, since the section has no fill of a given thickness." in said.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--device", "braker"), 'did you mean "breaker"'),
        (("--limit", "PVC 80 °C"), 'did you mean "PVC 70 °C"'),
        (("--lowest", "20"), "a current needs its unit"),
        (("--lowest", "20 A", "--highest", "10 A"), "is not below"),
        (("--basis", "maker"), 'has no edges of basis "maker"'),
        (("--by", "colour"), "conductor_size"),
    ],
)
def test_wrong_words_are_2_before_anything_is_solved(ampsoak, small, counted, words, told):
    said = ampsoak("remedy", small, *words)
    assert said.status == 2
    assert told in " ".join(said.err.replace("│", " ").split())
    assert not counted


def test_a_curve_of_another_scenario_is_refused(ampsoak, small, solved, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(small.read_text(encoding="utf-8").replace("25 degC", "30 degC"), encoding="utf-8")
    said = ampsoak("remedy", other, "--by", "rating", "--curve", solved / "curve.h5")
    assert said.status == 2
    assert "another scenario text" in said.err


def test_files_in_the_way_are_5(ampsoak, small, tmp_path, counted):
    (tmp_path / "remedies.csv").write_text("kept")
    assert ampsoak("remedy", small, "-o", tmp_path).status == 5
    assert not counted
    assert (tmp_path / "remedies.csv").read_text() == "kept"
