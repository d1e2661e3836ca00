"""Peak temperature against current from the command line: what it says and writes."""

from __future__ import annotations

import csv
import json
import re

import pytest

from ampsoak.report.words import CAUTION_LINE

TWO = ("--current", "40 A", "--current", "100 A")


@pytest.fixture
def folder(ampsoak, small, tmp_path):
    assert ampsoak("peaks", small, *TWO, "-o", tmp_path / "out", "-q").status == 0
    return tmp_path / "out"


def test_it_tells_the_cost_and_the_worst_of_each_edge(ampsoak, small):
    said = ampsoak("peaks", small, *TWO)
    assert said.status == 0
    assert re.match(r"2 currents, each with every edge followed: about ", said.err)
    for edge in ("fast", "nominal", "slow"):
        row = rf"^  hottest conductor +{edge} edge +\d+ °C at (40\.0|100) A, in wire; \d+ °C when it opens, after "
        assert re.search(row, said.out, re.MULTILINE)
    assert said.out.endswith(f"Caution: {CAUTION_LINE}\n")


def test_files_hold_figure_table_and_summary(folder):
    assert {path.name for path in folder.iterdir()} == {
        "peaks.json", "peaks.csv", *(f"peak_temperature.{ending}" for ending in ("png", "pdf", "csv"))
    }  # fmt: skip
    kept = json.loads((folder / "peaks.json").read_text(encoding="utf-8"))
    assert kept["complete"] and kept["current"] == [40.0, 100.0]
    rows = list(csv.DictReader((folder / "peaks.csv").read_text(encoding="utf-8").splitlines()))
    assert len(rows) == len(kept["edges"]) * 2 * len(kept["part_names"])
    for row in rows:
        assert row["state"] == "opens"
        assert float(row["highest [°C]"]) >= float(row["at opening [°C]"])


def test_an_interrupt_keeps_the_currents_that_are_done(ampsoak, small, tmp_path, monkeypatch):
    from ampsoak.study import peaks

    step, followed = peaks.protected_run, []

    def interrupted(case, *more, **named):
        if followed:
            raise KeyboardInterrupt
        followed.append(case)
        return step(case, *more, **named)

    monkeypatch.setattr(peaks, "protected_run", interrupted)
    said = ampsoak("peaks", small, *TWO, "-o", tmp_path / "out", "-q")
    assert said.status == 130
    kept = json.loads((tmp_path / "out" / "peaks.json").read_text(encoding="utf-8"))
    assert not kept["complete"] and kept["current"] == [40.0]


@pytest.mark.parametrize(
    ("words", "told"),
    [(("--current", "40"), "needs its unit"), (("--device", "braker"), 'did you mean "breaker"'),
     (("--current", "40 A", "--count", "3"), "they are given")],
)  # fmt: skip
def test_wrong_words_are_2(ampsoak, small, words, told):
    said = ampsoak("peaks", small, *words)
    assert said.status == 2
    assert told in said.err
