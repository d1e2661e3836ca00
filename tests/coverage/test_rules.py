"""A user's rules against results whose numbers are known: met, not met, or not to be told; quoted, and nothing more said."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from synthetic_curves import START, curve_of, drawn, one_node_curve

from ampsoak.coverage.compare import cover
from ampsoak.coverage.rules import MET, NOT_MET, UNKNOWN, check_rules
from ampsoak.runfile.records import Run
from ampsoak.scenario.rule_file import load_rules_text

HEAD = 'format = 1\ntitle = "House rules"\nedition = "first edition"\nsource = "invented"\n'
CURRENTS = np.geomspace(15.0, 400.0, 60)
FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)
# opens after 1000 (20 / I)² s by its slow edge and ten times earlier by its fast edge, from 20 A to 400 A
DEVICE = drawn(fast=((20.0, 100.0), (400.0, 0.25)), slow=((20.0, 1000.0), (400.0, 2.5)), rating=16.0)


def rule(kind, **values):
    lines = [f"{key} = {json.dumps(value)}" for key, value in values.items()]
    text = HEAD + "\n".join(['[[rule]]\nname = "r"\nclause = "9.1"\ntable = "T"\ntext = "Words."', f'kind = "{kind}"', *lines])
    return load_rules_text(text)


def conductors(area):
    return {"conductors": [{"metal_area": {"value": area}, "circuit": "main", "current_factor": 1.0}]}


@pytest.fixture
def curve():
    return replace(one_node_curve(CURRENTS), resolved=conductors(2.49e-6), fault_current=400.0)


def history(time, current, temperature, complete=True):
    """A run with one circuit and one conductor."""
    time, column = np.asarray(time, dtype=float), np.asarray(current, dtype=float)[:, None]
    hot, nothing = np.asarray(temperature, dtype=float)[:, None], np.zeros(len(time))
    return Run(
        title="history", section=None, time=time, circuit_names=["main"], circuit_current=column, conductor_names=["line"],
        conductor_temperature=hot, conductor_heat=hot, part_maximum=hot, part_mean=hot, probe_names=[], probe_units=[],
        probe_value=hot[:, :0], snapshot_time=nothing[:0], snapshot_temperature=nothing[:0], events=[], limits=[],
        energy_generated=nothing, energy_stored=nothing, energy_lost=nothing, energy_residual=nothing,
        resolved=conductors(2.49e-6), complete=complete,
    )  # fmt: skip


def outcome(book, curve=None, devices=(), run=None):
    coverage = cover(curve, list(devices)) if devices else None
    (found,) = check_rules(book, curve, coverage, run).outcomes
    return found.outcome, found.reason


@pytest.mark.parametrize(
    ("size", "rating", "expected"),
    [("2.5 mm2", "16 A", MET), ("2.5 mm2", "15 A", NOT_MET), ("4 mm2", "15 A", UNKNOWN), (None, "15 A", NOT_MET)],
)
def test_rating_for_a_conductor_size(curve, size, rating, expected):
    """2.49 mm² of metal is the nominal 2.5 mm²; a rule for another size says nothing of it."""
    given = {"rating": rating} | ({"conductor_size": size} if size else {})
    assert outcome(rule("device_rating_at_most", **given), curve, [DEVICE])[0] == expected


def test_of_devices_in_series_the_smallest_rating_counts(curve):
    upstream = replace(DEVICE, name="upstream", rating=63.0)
    met, why = outcome(rule("device_rating_at_most", rating="16 A"), curve, [upstream, DEVICE])
    assert met == MET and why.startswith("drawn is rated 16.0 A, the least of the devices in series (upstream 63.0 A)")
    named = rule("device_rating_at_most", rating="16 A", device="upstream")
    assert outcome(named, curve, [upstream, DEVICE])[0] == NOT_MET


@pytest.mark.parametrize(
    ("current", "time", "expected"),
    # slow 1000 (20/200)² = 10 s, fast 1 s at 200 A; below its first point it does not open, beyond the last nothing is known
    [
        ("200 A", "10.01 s", MET), ("200 A", "5 s", UNKNOWN), ("200 A", "0.9 s", NOT_MET), ("10 A", "1 h", NOT_MET),
        ("900 A", "1 s", UNKNOWN),
    ],
)  # fmt: skip
def test_opening_time_at_a_current(curve, current, time, expected):
    assert outcome(rule("opens_within", current=current, time=time), curve, [DEVICE])[0] == expected


def test_opening_time_is_asked_at_the_prospective_fault_current_where_the_rule_names_none(curve):
    assert outcome(rule("opens_within", time="2.51 s"), curve, [DEVICE])[0] == MET
    nothing = replace(curve, fault_current=np.nan)
    assert outcome(rule("opens_within", time="2.51 s"), nothing, [DEVICE])[0] == UNKNOWN


def test_opening_before_a_limit_by_ranges_of_current():
    """Limit after 5e5 / I² s, slow edge 4e5 / I², so in time from 20 A on; 1e5 / I²: too late by the slow, in time by the fast
    edge (4e4 / I²); 2e4 / I²: too late by both."""
    current = np.geomspace(21.0, 390.0, 40)
    for energy, expected in ((5e5, MET), (1e5, UNKNOWN), (2e4, NOT_MET)):
        found = outcome(rule("opens_before_limit", limit="limit 0"), curve_of(current, energy / current**2), [DEVICE])
        assert found[0] == expected, found
    fine = curve_of(current, 5e5 / current**2)
    assert outcome(rule("opens_before_limit", limit="limit 0", lowest="5 A"), fine, [DEVICE])[0] == UNKNOWN  # not compared
    assert outcome(rule("opens_before_limit", limit="limit 7"), fine, [DEVICE])[0] == UNKNOWN


def test_where_two_in_series_are_late_at_different_currents_it_cannot_be_told():
    """Neither device alone is in time everywhere, and no current is left to both."""
    current = np.geomspace(21.0, 390.0, 40)
    cable = curve_of(current, 1e5 / current**2)
    low = drawn(fast=((20.0, 10.0), (90.0, 1.0)), slow=((20.0, 200.0), (90.0, 9.0)))
    late = replace(DEVICE, name="late", fast=((20.0, 900.0), (400.0, 2.0)))
    assert outcome(rule("opens_before_limit", limit="limit 0"), cable, [late])[0] == NOT_MET
    assert outcome(rule("opens_before_limit", limit="limit 0"), cable, [late, low])[0] == UNKNOWN


def test_temperature_after_a_time_at_a_current(curve):
    """One node: theta = 45 K (30/24)² (1 - exp(-1800/2400)) = 37.1 K above 25 °C, so 62.1 °C."""
    rise = 45.0 * (30.0 / 24.0) ** 2 * (1.0 - np.exp(-0.75))
    for shift, expected in ((0.5, MET), (-0.5, NOT_MET)):
        celsius = START - 273.15 + rise + shift
        given = {"temperature": f"{celsius:.3f} degC", "current": "30 A", "time": "30 min"}
        assert outcome(rule("temperature_at_most", **given), curve)[0] == expected
    beyond = {"temperature": "90 degC", "current": "900 A", "time": "1 s"}
    assert outcome(rule("temperature_at_most", **beyond), curve)[0] == UNKNOWN


TIMES = [0.0, 100.0, 100.5, 900.0, 900.5, 2000.0]
CURRENT = [10.0, 10.0, 30.0, 30.0, 10.0, 10.0]  # a row holds the current of the step that ends there: 30 A for 800 s


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"current": "30 A"}, MET), ({"current": "29 A"}, NOT_MET), ({"current": "29 A", "lasting": "20 min"}, MET),
        ({"current": "29 A", "lasting": "10 min"}, NOT_MET), ({"current": "29 A", "lasting": "800 s"}, UNKNOWN),
        ({"current": "29 A", "conductor_size": "4 mm2"}, UNKNOWN), ({"current": "30 A", "circuit": "other"}, UNKNOWN),
    ],
)  # fmt: skip
def test_current_of_a_history_and_how_long_it_lasts(values, expected):
    run = history(TIMES, CURRENT, [300.0] * 6)
    assert outcome(rule("current_at_most", **values), run=run)[0] == expected


def test_an_interrupted_history_can_break_a_rule_but_not_meet_it():
    run = history(TIMES, CURRENT, [300.0, 310.0, 320.0, 350.0, 340.0, 300.0], complete=False)
    assert outcome(rule("current_at_most", current="40 A"), run=run)[0] == UNKNOWN
    assert outcome(rule("current_at_most", current="20 A"), run=run)[0] == NOT_MET
    assert outcome(rule("peak_at_most", temperature="360 K"), run=run)[0] == UNKNOWN
    assert outcome(rule("peak_at_most", temperature="345 K"), run=run)[0] == NOT_MET
    assert outcome(rule("peak_at_most", temperature="360 K"), run=replace(run, complete=True))[0] == MET


def test_what_the_result_does_not_hold_cannot_be_told(curve):
    for kind, values in (
        ("current_at_most", {"current": "10 A"}), ("peak_at_most", {"temperature": "90 degC"}),
        ("opens_within", {"time": "1 s"}), ("device_rating_at_most", {"rating": "20 A"}),
    ):  # fmt: skip
        assert outcome(rule(kind, **values), curve)[0] == UNKNOWN
    temperature = rule("temperature_at_most", temperature="90 degC", current="20 A", time="1 s")
    assert outcome(temperature, run=history(TIMES, CURRENT, [300.0] * 6))[0] == UNKNOWN


def test_every_outcome_quotes_document_edition_clause_and_words_and_claims_nothing(curve):
    """Issue 4, item 8; the words of outcomes are fixed."""
    found = check_rules(rule("opens_within", time="1 s"), curve, cover(curve, [DEVICE]))
    for part in ("House rules", "first edition", "clause 9.1, T", '"Words."'):
        assert part in found.text
    assert {MET, NOT_MET, UNKNOWN} == {
        "met by this result", "not met by this result", "cannot be told from this result"
    }  # fmt: skip
    assert not FORBIDDEN.search(found.text)
    kept = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert kept["rules"]["edition"] == "first edition"
    assert kept["outcomes"][0]["quoted"] == "Words."
