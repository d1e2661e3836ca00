"""Devices in series together: a current is covered where any opens in time, uncovered only where none can (issue 4, item 4)."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from synthetic_curves import drawn, power_curve

from ampsoak.coverage.compare import cover
from ampsoak.coverage.partition import VERDICTS
from ampsoak.coverage.series import together
from ampsoak.coverage.words import ranges_words


def straight(name, scale, low=1.0, high=5000.0):
    """A device whose fast and slow edge fall as scale / I² and 2 scale / I² between two currents."""
    edges = {side: [(c, factor * scale / c**2) for c in (low, high)] for side, factor in (("fast", 1.0), ("slow", 2.0))}
    return dataclasses.replace(drawn(**edges), name=name)


def test_the_first_that_opens_counts():
    """t = 1e6 / I² to the limit: 2e6 / I² by the slow edge of one is too late everywhere, 2e5 / I² of the other in time."""
    late, early = straight("late", 1e6 * 1.1), straight("early", 1e5, low=100.0)
    curve = power_curve()
    (together_,) = cover(curve, [late, early]).series
    assert [(one.verdict, one.devices) for one in together_.intervals] == [("unknown", ("early",)), ("covered", ("early",))]
    assert together_.intervals[0].high == pytest.approx(100.0)  # where the early one's points begin
    assert not together_.uncovered and together_.unknown == ((pytest.approx(10.0), pytest.approx(100.0)),)
    assert cover(curve, [late]).series == ()  # one device stands alone
    (nobody,) = cover(curve, [late, straight("later", 1e6 * 3)]).series
    assert [one.verdict for one in nobody.intervals] == ["uncovered"] and nobody.uncovered == ((10.0, pytest.approx(1000.0)),)


def test_neighbours_of_one_verdict_are_one_whichever_device_it_rests_on():
    (found,) = cover(power_curve(), [straight("low", 1e5, high=100.0), straight("high", 1e5, low=100.0)]).series
    assert [one.devices for one in found.intervals] == [("low",), ("high",)]
    (whole,) = found.by_verdict
    assert (whole.low, whole.high, whole.verdict) == (10.0, pytest.approx(1000.0), "covered")
    assert whole.devices == ("low", "high")


def test_a_device_does_not_count_beyond_its_breaking_capacity():
    """IEC 60364-4-43 clause 434.5.1: breaking capacity at least the prospective current (memory, high confidence)."""
    weak = dataclasses.replace(straight("weak", 1e5), breaking_capacity=300.0)
    (found,) = cover(power_curve(), [straight("late", 3e6), weak]).series
    assert [(one.verdict, one.devices) for one in found.intervals] == [("covered", ("weak",)), ("unknown", ("weak",))]
    assert found.intervals[0].high == 300.0


@pytest.mark.parametrize(("one", "other"), list(itertools.product(VERDICTS, repeat=2)))
def test_two_verdicts_make_one(one, other):
    """Definition of the verdicts (coverage/partition.py): any that is sure to be in time covers; all too late is uncovered."""
    late = {"uncovered", "below_pickup"}
    found = together([one, other])
    assert found == together([other, one])
    assert (found == "covered") == ("covered" in (one, other))
    assert (found == "uncovered") == ({one, other} <= late)
    if "never_reached" in (one, other) and "covered" not in (one, other):
        assert found == "never_reached"  # the cable's own, so it is said of every device


@given(scales=st.lists(st.floats(5e4, 5e6), min_size=2, max_size=4))
def test_together_they_leave_no_more_uncovered_than_any_alone_and_partition_the_axis(scales):
    coverage = cover(power_curve(), [straight(f"device {n}", scale) for n, scale in enumerate(scales)])
    (series,) = coverage.series
    ends = [(one.low, one.high) for one in series.intervals]
    assert ends[0][0] == pytest.approx(coverage.lowest) and ends[-1][1] == pytest.approx(coverage.highest)
    assert all(before[1] == after[0] for before, after in itertools.pairwise(ends))
    # with 1e6 / I² to the limit the quickest decides: slow edge 2 s / I², fast edge s / I²
    quickest = min(scales)
    expected = "covered" if 2 * quickest <= 1e6 else "within_band" if quickest <= 1e6 else "uncovered"
    assert {one.verdict for one in series.intervals} == {expected}
    assert np.isfinite(ends).all()


def test_three_ranges_are_listed_with_commas():
    assert ranges_words([(1.0, 2.0), (3.0, 4.0), (5.0, 6.0)]) == "1.00 A to 2.00 A, 3.00 A to 4.00 A and 5.00 A to 6.00 A"
