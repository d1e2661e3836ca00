"""A user's rule file: what it holds is read in SI and quoted as written; whatever is wrong is told all at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from ampsoak.base.errors import FileError, ScenarioError
from ampsoak.scenario.rule_file import KINDS, RuleKeys, load_rules, load_rules_text

EXAMPLE = Path(__file__).resolve().parents[2] / "scenarios" / "rules" / "training_workshop_example.toml"
HEAD = 'format = 1\ntitle = "House rules"\nedition = "first"\nsource = "invented"\n'
RULE = '[[rule]]\nname = "one"\nclause = "1"\ntext = "Words."\nkind = "opens_within"\ntime = "0.4 s"\n'


def faults_of(text):
    with pytest.raises(ScenarioError) as error:
        load_rules_text(text, "rules.toml")
    return {(fault.line, fault.key): (fault.message, fault.nearest) for fault in error.value.faults}


def test_the_example_says_that_it_is_invented_and_uses_every_kind():
    book = load_rules(EXAMPLE)
    assert "invented" in book.edition and "invented" in book.source
    assert {rule.kind for rule in book.rules} == set(KINDS)
    first = book.rules[0]
    assert (first.clause, first.table) == ("3.1", "table 2, second row")
    assert first.values == {"conductor_size": pytest.approx(2.5e-6), "rating": 20.0}
    assert first.place == "clause 3.1, table 2, second row"


def test_values_are_si_and_the_text_is_kept_word_by_word():
    (rule,) = load_rules_text(HEAD + RULE.replace("Words.", "Within  0.4 s,\\nalways.").replace("0.4 s\"\n", "400 ms\"\n")).rules
    assert rule.values == {"time": pytest.approx(0.4)}
    assert rule.text == "Within 0.4 s, always."


def test_every_fault_is_told_at_once_with_line_key_and_nearest_name():
    text = 'format = 1\ntitle = "x"\nedition = ""\n' + RULE.replace("opens_within", "opens_witin")
    text += RULE.replace("time", "tiem") + '[[rule]]\nname = "c"\nclause = "2"\ntext = "t"\nkind = "peak_at_most"\n'
    text += 'temperature = "90"\nrating = "5 A"\n'
    found = faults_of(text)
    assert found[3, "edition"][0] == "must not be empty"
    assert found[None, "source"][0].startswith("is missing")
    assert found[8, "rule[0].kind"][1] == "opens_within"
    assert found[11, "rule[1].name"][0].startswith("is used twice")
    assert found[15, "rule[1].tiem"][1] == "time"
    assert found[10, "rule[1].time"][0] == 'is missing; the kind "opens_within" needs it'
    assert "needs its unit" in found[21, "rule[2].temperature"][0]
    assert found[22, "rule[2].rating"][0] == 'has no place in the kind "peak_at_most", which has temperature, part'
    assert len(found) == 8


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (HEAD, "rule"),
        (HEAD + "rule = []\n", "rule"),
        (HEAD.replace("1", "2") + RULE, "format"),
        (HEAD + RULE.replace('"1"', '""'), "rule[0].clause"),
        (HEAD + RULE + "lowest", "(syntax)"),
        (HEAD + RULE.replace('"opens_within"\ntime = "0.4 s"', '"opens_before_limit"\nlimit = "a"\nlowest = "9 A"\nhighest = "9 A"'),
         "rule[0].highest"),
    ],
)  # fmt: skip
def test_bad_files_are_refused(text, key):
    assert key in {key for _, key in faults_of(text)}


def test_a_missing_file_is_a_file_error(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        load_rules(tmp_path / "rules.toml")
    with pytest.raises(FileError, match="a rule file is expected"):
        load_rules(tmp_path)


def test_every_key_belongs_to_a_kind():
    always = {"name", "clause", "table", "text", "kind"}
    used = {key for needed, allowed in KINDS.values() for key in (*needed, *allowed)}
    assert used == set(RuleKeys.model_fields) - always
