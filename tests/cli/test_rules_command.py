"""A user's rules from the command line."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from ampsoak.report.words import CAUTION_LINE

EXAMPLE = Path(__file__).resolve().parents[2] / "scenarios" / "rules" / "training_workshop_example.toml"
HEAD = 'format = 1\ntitle = "House rules"\nedition = "first"\nsource = "invented"\n'
# small.toml: 20 A for ten minutes, 60 A for five, on a 15 A breaker
RULES = HEAD + """
[[rule]]
name = "long"
clause = "1"
text = "No more than 30 A for longer than 4 min."
kind = "current_at_most"
current = "30 A"
lasting = "4 min"
[[rule]]
name = "longer"
clause = "2"
text = "No more than 30 A for longer than 6 min."
kind = "current_at_most"
current = "30 A"
lasting = "6 min"
[[rule]]
name = "rating"
clause = "3"
text = "At most 15 A for 14 AWG."
kind = "device_rating_at_most"
conductor_size = "14 AWG"
rating = "15 A"
"""


@pytest.fixture
def book(tmp_path):
    path = tmp_path / "rules.toml"
    path.write_text(RULES, encoding="utf-8")
    return path


def test_outcomes_of_a_stored_history_and_curve(ampsoak, solved, book):
    """60 A flows for 5 min at a stretch, which is longer than 4 and shorter than 6."""
    said = ampsoak("rules", book, solved / "curve.h5", solved / "run.h5")
    assert said.status == 0
    assert re.search(r"^long \(clause 1\):\n  \"No more than 30 A for longer than 4 min\.\"\n  Not met by this result: ", said.out, re.MULTILINE)
    assert re.search(r"^longer \(clause 2\):\n.*\n  Met by this result: ", said.out, re.MULTILINE)
    assert re.search(r"^rating \(clause 3\):\n.*\n  Met by this result: breaker is rated 15\.0 A", said.out, re.MULTILINE)
    assert "House rules, first" in said.out and "local codes" in said.out
    assert said.out.endswith(f"Caution: {CAUTION_LINE}\n")
    assert not re.search(r"\b(complies|compliant|safe)\b", said.out.replace(CAUTION_LINE, ""))


def test_files_and_json_hold_the_same(ampsoak, solved, book, tmp_path):
    given = ampsoak("rules", book, solved / "run.h5", "-o", tmp_path / "out", "--json", "-q").object
    kept = json.loads((tmp_path / "out" / "rules.json").read_text(encoding="utf-8"))
    assert kept["outcomes"] == given["outcomes"]
    rows = list(csv.DictReader((tmp_path / "out" / "rules.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["outcome"] for row in rows] == [
        "not met by this result", "met by this result", "cannot be told from this result",
    ]  # fmt: skip
    assert {row["edition"] for row in rows} == {"first"}


def test_the_example_is_read_and_every_outcome_is_one_of_three(ampsoak, solved):
    given = ampsoak("rules", EXAMPLE, solved / "curve.h5", solved / "run.h5", "--json", "-q").object
    assert {one["outcome"] for one in given["outcomes"]} <= {
        "met by this result", "not met by this result", "cannot be told from this result",
    }  # fmt: skip


def test_a_bad_rule_file_is_3_with_all_faults_and_two_curves_are_2(ampsoak, solved, book):
    book.write_text(RULES.replace("lasting", "lsting").replace("rating = \"15 A\"", "rating = \"15\""), encoding="utf-8")
    said = ampsoak("rules", book, solved / "curve.h5")
    assert said.status == 3
    assert said.err.count('did you mean "lasting"') == 2 and "needs its unit" in said.err
    assert ampsoak("rules", EXAMPLE, solved / "curve.h5", solved / "curve.h5").status == 2
