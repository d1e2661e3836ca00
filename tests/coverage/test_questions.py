"""Questions about one and two devices: nuisance, breaking capacity, let-through, selectivity."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_curves import drawn

from ampsoak.base.errors import UsageError
from ampsoak.coverage.edges import device_curve
from ampsoak.coverage.let_through import energy_class_3
from ampsoak.coverage.questions import minimum_fault_time, nuisance, short_time
from ampsoak.coverage.selectivity import selectivity
from ampsoak.scenario.device_case import DeviceChoice, LoadPoint, motor_start, transformer_inrush

R10 = (16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 63.0, 80.0, 100.0)  # preferred ratings, ISO 3
FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)


def breaker(type, rating, name="x"):
    return device_curve(DeviceChoice(name, "IEC 60898-1", type, rating))


def fuse(rating, name="x"):
    return device_curve(DeviceChoice(name, "IEC 60269", "gG", rating))


def power(constant, low=10.0, high=1000.0, slow=1.0, name="x"):
    """t = constant / I³ fast, ``slow`` times that slow."""
    current = np.geomspace(low, high, 4)
    fast = [(c, constant / c**3) for c in current]
    return device_curve(DeviceChoice(name, "points", fast=tuple(fast), slow=tuple((c, slow * t) for c, t in fast)))


def test_inrush_of_a_transformer_against_breaker_types():
    """4 A full load: 48 A for 0.1 s, 100 A for 10 ms (IEEE 242, memory). 10 A: type B may act from 30 A, acts from 50 A;
    type D holds up to 100 A (IEC 60898-1 rows d, e: read)."""
    points = transformer_inrush(4.0)
    assert [(p.current, p.duration) for p in points] == [(48.0, 0.1), (100.0, 0.01)]
    assert [entry.verdict for entry in nuisance(breaker("B", 10.0), points)] == ["may_open", "may_open"]
    assert [entry.verdict for entry in nuisance(breaker("D", 10.0), points)] == ["held", "held"]
    long = [LoadPoint("stuck", 60.0, 1.0), LoadPoint("service", 11.0, 3600.0)]
    assert [entry.verdict for entry in nuisance(breaker("B", 10.0), long)] == ["opens", "held"]


def test_a_motor_start():
    """6 x for 5 s, 1.8 times that in the first half cycle (coordination practice, memory)."""
    start = motor_start(5.0, 5.0)
    assert [(p.current, p.duration) for p in start] == [(30.0, 5.0), (pytest.approx(54.0), 0.01)]
    assert [entry.verdict for entry in nuisance(breaker("D", 16.0), start)] == ["held", "held"]


def test_without_a_shortest_time_nothing_is_held():
    """UL 248 class J names no shortest time above 1.1 x: unknown, never held."""
    choice = device_curve(DeviceChoice("j", "UL 248", "J", 30.0))
    assert nuisance(choice, [LoadPoint("start", 180.0, 1.0)])[0].verdict == "unknown"
    assert nuisance(choice, [LoadPoint("service", 28.0, 600.0)])[0].verdict == "held"
    with pytest.raises(UsageError, match="positive current"):
        LoadPoint("x", -1.0, 5.0)


def test_breaking_capacity_and_let_through():
    """IEC 60364-4-43 434.5 (memory high): 20 A class 3, 6 kA lets through 45 000 A²s; 2.5 mm² k 115 takes 82 656 A²s."""
    given_ = {"k": 115e6, "area": 2.5e-6, "let_through": energy_class_3(20.0, 6000.0)}
    within = short_time(fault_current=4500.0, breaking_capacity=6000.0, **given_)
    assert (within.breaking, within.energy) == ("within", "less")
    assert within.withstand == pytest.approx(82_656.0, rel=1e-4)  # O21
    thin = short_time(fault_current=7000.0, breaking_capacity=6000.0, **(given_ | {"area": 1.5e-6}))
    assert (thin.breaking, thin.energy) == ("beyond", "more")
    assert "82,656" in within.text and "nothing said" in thin.text
    silent = short_time()
    assert (silent.breaking, silent.energy) == ("not_stated", "not_stated")
    assert not any(FORBIDDEN.search(answer.text) for answer in (within, thin, silent))
    assert np.isnan(energy_class_3(40.0, 6000.0))


def test_the_low_fault_end_is_left_to_the_thermal_part():
    """C 20: magnetic from 200 A only; 150 A takes seconds, 200 A 0.1 s (rows c, d, e: read; trap 22)."""
    low, high = (minimum_fault_time(breaker("C", 20.0), current) for current in (150.0, 200.0))
    assert not low[1] and low[0] > 1.0
    assert high == (pytest.approx(0.1), True)


@pytest.mark.parametrize(("major", "minor"), [(25.0, 16.0), (32.0, 20.0), (63.0, 40.0)])
def test_gg_fuses_in_the_ratio_1_6_touch_at_the_gate(major, minor):
    """IEC 60269 (memory high): Imin 0.1 s of the larger is Imax 0.1 s of the smaller from 1.6 : 1 up. Between the gates
    the drawn lines, which nobody promises, may overlap, but never the wrong way round; at 1.25 : 1 they overlap there."""
    upper, lower, close = fuse(major, "major"), fuse(minor, "minor"), fuse(R10[R10.index(minor) + 1])
    gate = next(m.current for m in lower.marks if m.name == "Imax 0.1 s")
    slow, fast = lower.bands["interpolated"].slow.time(gate), upper.bands["interpolated"].fast.time(gate)
    assert slow == pytest.approx(0.1) and fast == pytest.approx(0.1)
    assert close.bands["interpolated"].fast.time(gate) < 0.1
    result = selectivity(upper, lower, minor, gate)
    assert "not_selective" not in {i.verdict for i in result.intervals}
    wider = selectivity(fuse(R10[R10.index(minor) + 4], "major"), lower, minor, gate)  # 2.5 : 1
    assert {i.verdict for i in wider.intervals} == {"neither_opens", "selective"}


def test_breakers_of_one_kind_do_not_select_in_the_magnetic_zone():
    """C 32 above B 16: from 80 A the lower acts in 0.1 s, the upper may act from 160 A (read rows): selective up to there."""
    result = selectivity(breaker("C", 32.0, "board"), breaker("B", 16.0, "circuit"), 81.0, 3000.0)
    assert [i.verdict for i in result.intervals] == ["selective", "overlapping", "unknown"]
    assert result.limit_current == pytest.approx(160.0, rel=1e-6)
    assert result.intervals[1].high == pytest.approx(320.0, rel=1e-6)
    assert "let-through" in result.intervals[2].reason


def test_ends_are_where_the_edges_meet():
    """Upper fast 1e7 / I³ against lower slow 2 x 4e6 / I³: selective all along, ratio 1.25; grading 0.3 s ends where
    1e7 / I³ = 8e6 / I³ + 0.3: I = (2e6 / 0.3)^(1/3) (algebra; points of a cube are straight in log-log)."""
    upper, lower = power(1e7, name="upper"), power(4e6, slow=2.0, name="lower")
    whole = selectivity(upper, lower, 20.0, 900.0)
    assert [i.verdict for i in whole.intervals] == ["selective"]
    assert whole.intervals[0].margin == pytest.approx(1.25, rel=1e-6)
    graded = selectivity(upper, lower, 20.0, 250.0, grading=0.3)
    assert graded.limit_current == pytest.approx((2e6 / 0.3) ** (1 / 3), rel=1e-9)
    swapped = selectivity(lower, power(1e7, name="lower"), 20.0, 250.0)
    assert [i.verdict for i in swapped.intervals] == ["not_selective"]
    assert not FORBIDDEN.search(graded.text)
    assert 'only "lower" opens' in graded.text


@settings(max_examples=20, deadline=None)
@given(st.sampled_from([16.0, 20.0, 32.0, 63.0]), st.sampled_from([6.0, 10.0, 16.0, 40.0]), st.floats(5.0, 50.0))
def test_verdicts_partition_the_range(major, minor, lowest):
    """No gap, no overlap, whatever the devices (partition)."""
    result = selectivity(breaker("C", major, "u"), breaker("B", minor, "l"), lowest, 2000.0)
    assert result.intervals[0].low == pytest.approx(lowest) and result.intervals[-1].high == pytest.approx(2000.0)
    for before, after in zip(result.intervals, result.intervals[1:]):
        assert before.high == after.low
        assert (before.verdict, before.reason) != (after.verdict, after.reason)


def test_what_cannot_be_asked_is_refused():
    """One clear error each (issue 4)."""
    with pytest.raises(UsageError, match="range of two"):
        selectivity(power(1e7), power(1e6), 100.0, 50.0)
    with pytest.raises(UsageError, match="negative"):
        selectivity(power(1e7), power(1e6), 50.0, 100.0, grading=-1.0)
    slow_only = device_curve(drawn(slow=[(10.0, 100.0), (20.0, 10.0)]))
    assert selectivity(slow_only, slow_only, 11.0, 19.0).intervals[0].verdict == "unknown"
