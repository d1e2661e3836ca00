"""Coverage of stored limit curves by devices: exact interval ends, a true partition, nothing claimed without data."""

from __future__ import annotations

import json
import re
import time as clock
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from synthetic_curves import HISTORY, START, curve_of, drawn, one_node_curve, power_curve, reached

from ampsoak.base.errors import NumericalError, ScenarioError, UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.compare import cover
from ampsoak.coverage.edges import device_curve
from ampsoak.coverage.partition import VERDICTS
from ampsoak.library.load import device_family
from ampsoak.scenario.case import DeviceChoice

B20 = DeviceChoice("kitchen", "IEC 60898-1", "B", 20.0)
STANDARD_DEVICES = [B20, DeviceChoice("main", "UL 489", "", 20.0), DeviceChoice("fuse", "IEC 60269", "gG", 20.0)]


def only(coverage):
    """The one limit of the one device."""
    return coverage.devices[0].limits[0]


def shape(limit):
    return [(interval.verdict, interval.low, interval.high) for interval in limit.intervals]


def test_interval_ends_are_where_two_power_laws_meet():
    """t = 1e6 / I² against edges 1e7 / I³ (slow) and 3e6 / I³ (fast): they meet at 10 and 3 A (algebra)."""
    current = np.geomspace(1.0, 100.0, 24)
    curve = curve_of(current, 1e6 / current**2)
    device = drawn([(c, 3e6 / c**3) for c in (1.0, 7.0, 100.0)], [(c, 1e7 / c**3) for c in (1.0, 5.0, 100.0)])
    found = shape(only(cover(curve, [device])))
    assert [verdict for verdict, _, _ in found] == ["uncovered", "within_band", "covered"]
    assert found[0][2] == pytest.approx(3.0, rel=1e-6)
    assert found[1][2] == pytest.approx(10.0, rel=1e-6)
    assert (found[0][1], found[2][2]) == (1.0, pytest.approx(100.0))


@pytest.mark.parametrize("choice", [B20, DeviceChoice("main", "UL 489", "", 20.0)])
def test_ends_against_the_default_image_solve_both_laws(choice):
    """A/I² against the two-node law, root of the two written-out laws (only the held nodes, 1e-4 in time, between)."""
    curve = power_curve(5e5, 29.0, 150.0)
    image = device_family(choice.standard).thermal_images(20.0, choice.type or "thermal-magnetic")["slow"]

    def gap(current):
        law = laws.two_node_time(
            current / 20.0, image.pickup, image.share, image.time_constant_fast, image.time_constant_slow
        )
        return np.log(5e5 / current**2) - np.log(law)

    expected = brentq(gap, image.pickup * 20.0 * 1.0001, 45.0)
    limit = only(cover(curve, [choice], basis="default"))
    end = next(interval.low for interval in limit.intervals if interval.verdict == "covered")
    assert end == pytest.approx(expected, rel=1e-4)


def test_steps_of_the_staircase_cut_exactly():
    """IEC 60898-1 B 20 A: provably 2 h from 29 A, 60 s from 51 A, 45 s from 60 A, 0.1 s from 100 A (table 7)."""
    curve = power_curve(5e4, 25.0, 400.0)  # 60 s at 28.9 A, 19.2 s at 51 A, 13.9 s at 60 A
    limit = only(cover(curve, [B20], basis="standard"))
    covered = [interval for interval in limit.intervals if interval.verdict == "covered"]
    assert [(interval.low, interval.high) for interval in covered] == [(100.0, pytest.approx(400.0))]
    assert covered[0].decided_by == "slow edge, standard"
    assert covered[0].margin == pytest.approx(5e4 / 400.0**2 / 0.1, rel=1e-6)
    assert limit.not_covered == ((25.0, 100.0),)


def test_several_uncovered_ranges_are_found():
    """1e7 / I² against 5e6 / I, then 2.5e5 (20 / I)^4, then 5e3 / I: meeting at 2, sqrt(4000) and 2000 A (algebra)."""
    points = [(1.0, 5e6), (20.0, 2.5e5), (200.0, 25.0), (1e4, 0.5)]
    limit = only(cover(power_curve(1e7, 1.0, 1e4, 31), [drawn(points, points)]))
    assert [verdict for verdict, _, _ in shape(limit)] == ["covered", "uncovered", "covered", "uncovered"]
    ends = [interval.high for interval in limit.intervals[:3]]
    assert ends == pytest.approx([2.0, np.sqrt(4000.0), 2000.0], rel=1e-6)
    assert limit.uncovered == (
        (limit.intervals[1].low, limit.intervals[1].high), (limit.intervals[3].low, limit.intervals[3].high),
    )  # fmt: skip


def test_touching_curves_are_opening_in_time():
    """The slow edge touches the limit curve in one point from below: nowhere too late; from above: everywhere else."""
    current = np.geomspace(10.0, 1000.0, 25)  # 100 A is a node
    curve = curve_of(current, 1e4 / current**2)
    below = [(10.0, 10.0), (100.0, 1.0), (1000.0, 1e-3)]
    limit = only(cover(curve, [drawn(below, below)]))
    assert [verdict for verdict, _, _ in shape(limit)] == ["covered"]
    assert limit.intervals[0].margin == pytest.approx(1.0, rel=1e-6)
    same = [(c, 1e4 / c**2) for c in (10.0, 1000.0)]
    assert [verdict for verdict, _, _ in shape(only(cover(curve, [drawn(same, same)])))] == ["covered"]
    above = [(10.0, 1000.0), (100.0, 1.0), (1000.0, 0.1)]
    assert "covered" not in {verdict for verdict, _, _ in shape(only(cover(curve, [drawn(above, above)])))}


def test_no_data_of_the_device_is_unknown_never_covered():
    """Outside the points the device says nothing (facts section 8.6: no extrapolation)."""
    curve = power_curve(1e6, 10.0, 1000.0)
    limit = only(cover(curve, [drawn([(50.0, 10.0), (200.0, 1.0)], [(50.0, 20.0), (200.0, 2.0)])]))
    assert shape(limit) == [
        ("unknown", 10.0, 50.0), ("covered", 50.0, 200.0), ("unknown", 200.0, pytest.approx(1000.0)),
    ]  # fmt: skip
    assert "no data of the slow and fast edge" in limit.intervals[0].reason
    assert limit.unknown == ((10.0, 50.0), (200.0, pytest.approx(1000.0)))


def test_a_slow_edge_alone_covers_but_never_says_within_the_band():
    """Without a fast edge a limit before the slow edge stays unknown."""
    limit = only(cover(power_curve(1e6, 10.0, 1000.0), [drawn(slow=[(10.0, 1e5), (1000.0, 0.1)])]))
    assert [verdict for verdict, _, _ in shape(limit)] == ["unknown", "covered"]


def test_knee_is_bracketed_between_never_and_reached():
    """One-node cable, knee 24 A between computed 23.5 and 24.5 A: no better end than that bracket is claimed."""
    current = [15.0, 20.0, 23.5, 24.5, 26.0, 30.0, 40.0, 80.0, 200.0]
    limit = only(cover(one_node_curve(current), [B20]))
    first, second = limit.intervals[:2]
    assert (first.verdict, first.low, first.high) == ("never_reached", 15.0, 23.5)
    assert first.high_bracket == second.low_bracket == (23.5, 24.5)
    assert second.verdict != "never_reached"
    assert "between 23.5 A and 24.5 A" in limit.sentences[1]


def test_below_pickup_is_where_the_device_must_carry_what_the_cable_cannot():
    """Knee 15 A on a 20 A breaker: up to 1.13 In = 22.6 A (IEC 60898-1 row a, read) it is not obliged to open."""
    current = np.sort(np.concatenate([np.geomspace(10.0, 200.0, 20), [14.99, 15.01]]))
    limit = only(cover(one_node_curve(current, knee=15.0), [B20]))
    found = {interval.verdict: interval for interval in limit.intervals}
    assert found["below_pickup"].high == pytest.approx(22.6, rel=1e-12)
    assert found["below_pickup"].low == 14.99
    assert found["below_pickup"].decided_by == "hold current, standard"
    # Between 1.13 In and the fast image's pickup, 1.16 In, our quickest device never opens either.
    assert found["uncovered"].high >= 1.16 * 20.0
    assert limit.uncovered[0][0] == 14.99
    assert limit.worst_model.outcome == "settles"


def test_cable_that_never_reaches_its_limit_needs_no_device():
    """All currents settle below the limit: one interval, whatever the device is."""
    current = np.geomspace(10.0, 20.0, 12)
    for choice in (*STANDARD_DEVICES, drawn(slow=[(500.0, 10.0), (600.0, 5.0)])):
        limit = only(cover(one_node_curve(current), [choice]))
        assert shape(limit) == [("never_reached", 10.0, pytest.approx(20.0))]
        assert np.isnan(limit.intervals[0].margin)
        assert limit.worst is None
        assert limit.not_covered == ()


def test_limit_passed_at_the_start_is_uncovered_everywhere():
    """Outcome at_start: no device can open before the start."""
    current = np.geomspace(10.0, 200.0, 8)
    curve = curve_of(current, np.zeros(8), outcome=reached(["at_start"] * 8))
    limit = only(cover(curve, [B20]))
    assert [verdict for verdict, _, _ in shape(limit)] == ["uncovered"]
    assert "already at the start" in limit.sentences[0]


def test_beyond_the_horizon_counts_only_for_a_device_that_opened_by_then():
    """Not reached within the horizon: covered where the slow edge is shorter than it, otherwise unknown."""
    current = np.array([30.0, 40.0, 50.0, 60.0, 70.0])
    curve = curve_of(current, [np.nan, np.nan, np.nan, 500.0, 400.0], horizon=1000.0)
    device = drawn([(30.0, 900.0), (70.0, 1.0)], [(30.0, 5000.0), (40.0, 1000.0), (70.0, 10.0)])
    found = shape(only(cover(curve, [device])))
    assert found == [("unknown", 30.0, pytest.approx(40.0)), ("covered", pytest.approx(40.0), 70.0)]


def test_shorter_than_half_a_cycle_is_unknown():
    """Below 0.01 s the let-through I²t counts, not a time-current curve (IEC 60364-4-43 434.5.2, memory high)."""
    curve = power_curve(1e3, 100.0, 1000.0)  # 0.01 s at 316.23 A
    device = drawn([(100.0, 0.02), (1000.0, 0.001)], [(100.0, 0.05), (1000.0, 0.002)])
    last = only(cover(curve, [device])).intervals[-1]
    assert (last.verdict, last.low) == ("unknown", pytest.approx(np.sqrt(1e5), rel=1e-9))
    assert "let-through" in last.reason


edge_points = st.lists(st.floats(0.05, 3.0), min_size=2, max_size=6)


def falling(steps, start_current, start_time):
    """Points (current, time) falling by the given steps of log current and log time."""
    current, time, points = start_current, start_time, []
    for step in steps:
        points.append((current, time))
        current, time = current * (1.0 + 0.4 * step), time * np.exp(-1.7 * step)
    return points


@settings(max_examples=40, deadline=None)
@given(edge_points, st.floats(8.0, 60.0), st.floats(10.0, 1e5), st.floats(1e3, 1e7), st.integers(0, 6))
def test_intervals_partition_the_axis(steps, start_current, start_time, constant, never):
    """No gap, no overlap, every verdict known, neighbours differ, ends on the computed range (definition)."""
    current = np.geomspace(10.0, 500.0, 18)
    times = np.where(np.arange(18) < never, np.inf, constant / current**2)
    slow = falling(steps, start_current, start_time)
    fast = [(c, 0.5 * t) for c, t in slow]
    limit = only(cover(curve_of(current, times), [drawn(fast, slow)]))
    intervals = limit.intervals
    assert intervals[0].low == current[0]
    assert intervals[-1].high == current[-1]
    for left, right in pairwise(intervals):
        assert left.high == right.low
        assert (left.verdict, left.decided_by, left.reason) != (right.verdict, right.decided_by, right.reason)
    assert all(interval.low < interval.high and interval.verdict in VERDICTS for interval in intervals)
    for interval in intervals:
        for current_inside, verdict in zip(current, limit.verdict):
            if interval.low * (1 + 1e-9) < current_inside < interval.high * (1 - 1e-9):
                at_node = {verdict, interval.verdict}
                assert len(at_node) == 1


@settings(max_examples=40, deadline=None)
@given(edge_points, st.floats(8.0, 60.0), st.floats(10.0, 1e5), st.floats(0.1, 0.99), st.floats(1e3, 1e7))
def test_a_faster_device_never_covers_less(steps, start_current, start_time, factor, constant):
    """Times all shorter by one factor: what was covered stays covered (monotonicity)."""
    curve = power_curve(constant, 10.0, 500.0, 18)
    slow = falling(steps, start_current, start_time)
    quick = [(c, factor * t) for c, t in slow]
    before, after = (only(cover(curve, [drawn(points, points)])) for points in (slow, quick))
    for low, high in [(i.low, i.high) for i in before.intervals if i.verdict == "covered"]:
        covered = sum(
            max(0.0, min(high, i.high) - max(low, i.low)) for i in after.intervals if i.verdict == "covered"
        )
        assert covered == pytest.approx(high - low, rel=1e-6, abs=1e-6)


def test_temperature_when_the_device_opens():
    """One-node cable, edges at 200 and 1000 s: theta = c I² (1 - exp(-t / tau)) (closed form; 240 stored times)."""
    current = np.geomspace(26.0, 60.0, 12)
    curve = one_node_curve(current)
    entry = cover(curve, [drawn([(20.0, 200.0), (70.0, 200.0)], [(20.0, 1000.0), (70.0, 1000.0)])]).devices[0]
    for opening, time in ((entry.fast, 200.0), (entry.slow, 1000.0)):
        exact = START + 45.0 * (current / 24.0) ** 2 * (1.0 - np.exp(-time / 2400.0))
        assert opening.conductor_temperature == pytest.approx(exact, abs=0.05)
        assert opening.part_temperature[0] == pytest.approx(exact, abs=0.05)


def test_worst_temperature_is_found_just_below_the_pickup():
    """Default slow image of IEC 60898-1 <= 32 A never opens up to 1.42 In = 28.4 A: there c I² (closed form)."""
    limit = only(cover(one_node_curve(np.geomspace(20.0, 200.0, 60)), [B20], basis="default"))
    assert limit.worst.outcome == "settles"
    assert limit.worst.current == pytest.approx(28.4, rel=1e-6)
    assert limit.worst.temperature == pytest.approx(START + 45.0 * (28.4 / 24.0) ** 2, abs=0.2)


def test_stopped_history_gives_a_least_value_not_a_temperature():
    """A member stopped at 100 s: what it reaches at 1000 s is unknown, but at least what it had (records.Curve)."""
    curve = one_node_curve(np.geomspace(26.0, 60.0, 12))
    stopped = curve.conductor_temperature.copy()
    stopped[:, :, HISTORY > 100.0] = np.nan
    curve.conductor_temperature = stopped
    coverage = cover(curve, [drawn([(20.0, 900.0), (70.0, 900.0)], [(20.0, 1000.0), (70.0, 1000.0)])])
    slow = coverage.devices[0].slow
    assert np.isnan(slow.conductor_temperature).all()
    last = HISTORY[HISTORY <= 100.0][-1]
    exact = START + 45.0 * (curve.current / 24.0) ** 2 * (1.0 - np.exp(-last / 2400.0))
    assert slow.conductor_at_least == pytest.approx(exact, abs=1e-6)
    worst = only(coverage).worst
    assert worst.outcome == "unknown"
    assert np.isnan(worst.temperature)
    assert f"at least {worst.at_least - 273.15:.0f} °C" in " ".join(only(coverage).sentences)


def test_runaway_below_pickup_is_said():
    """No steady state, a device that need not open: no temperature is named, it is said to go on heating."""
    current = np.array([14.0, 16.0, 18.0, 22.0, 30.0])
    curve = one_node_curve(current, knee=15.0, steady=np.array([True, True, False, False, False]))
    curve.steady_temperature = np.where(curve.steady, curve.steady_temperature, np.nan)
    limit = only(cover(curve, [B20]))
    assert limit.worst.outcome == "no_steady_state"
    assert "goes on heating" in " ".join(limit.sentences)


def adiabatic_curve(limit_celsius, fault=np.nan, high=600.0):
    """2.5 mm² copper heated without loss from 70 °C to the limit (IEC 60949 with K = 226)."""
    current = np.geomspace(50.0, high, 20)
    copper = laws.ADIABATIC_METALS["copper"]
    states = (343.15, limit_celsius + 273.15)
    times = laws.adiabatic_heating_time(current, 2.5e-6, copper.constant, copper.beta, *states)
    return curve_of(
        current, times, limits=(limit_celsius + 273.15,), start_temperature=np.array([343.15]), fault_current=fault,
        start_description="soaked at 18 A", adiabatic_k=115e6, adiabatic_area=2.5e-6,
        adiabatic_limit="from 70 °C to 160 °C",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("limit_celsius", "expected"), [(160, 1.0), (140, np.log(374.5 / 304.5) / np.log(394.5 / 304.5))]
)
def test_limit_curve_joins_the_adiabatic_line(limit_celsius, expected):
    """Without loss of heat the ratio is that of the logarithms of IEC 60949; k is printed as 115 for 115.004."""
    check = cover(adiabatic_curve(limit_celsius), []).adiabatic[0]
    assert check.expected == pytest.approx(expected, rel=1e-9)
    assert check.ratio == pytest.approx(expected, rel=2e-4)


def test_adiabatic_line_goes_on_to_the_fault_current_only_inside_its_span():
    """t = (k S / I)² holds for 0.1..5 s (IEC 60364-4-43 434.5.2): 2.5 mm², k = 115 ends at 909.2 A."""
    device = drawn([(40.0, 1e-2), (2000.0, 1e-3)], [(40.0, 0.2), (2000.0, 0.15)])
    end = 115.0 * 2.5 / np.sqrt(0.1)
    limit = only(cover(adiabatic_curve(160, fault=2000.0), [device]))
    assert limit.intervals[-1].limit_from == "adiabatic"
    assert limit.intervals[-1].high == pytest.approx(end)
    crossing = brentq(
        lambda i: np.log((115 * 2.5 / i) ** 2) - np.log(0.2) - np.log(0.75) * np.log(i / 40) / np.log(50), 600, 900
    )
    assert limit.intervals[-1].low == pytest.approx(crossing, rel=1e-6)
    shorter = only(cover(adiabatic_curve(160, fault=700.0), [device]))
    assert shorter.intervals[-1].high == 700.0
    # A limit below the line's final temperature falls earlier than the line says: not used.
    assert only(cover(adiabatic_curve(140, fault=2000.0), [device])).intervals[-1].high == pytest.approx(600.0)


def test_hot_points_do_not_cover_a_cold_curve():
    """A hot-start limit must never be used as a cold one (facts section 8.2)."""
    points = {"fast": [(10.0, 10.0), (1000.0, 0.1)], "slow": [(10.0, 20.0), (1000.0, 0.2)]}
    curve = power_curve(1e8, 10.0, 1000.0)
    cold, hot = (cover(curve, [drawn(**points, start_state=state)]) for state in ("cold", "hot"))
    assert [i.verdict for i in only(cold).intervals] == ["covered"]
    assert [i.verdict for i in only(hot).intervals] == ["unknown"]
    assert "slow edge is not used" in " ".join(hot.devices[0].notes)
    soaked = power_curve(1e8, 10.0, 1000.0, start_description="soaked at 16 A")
    warm = cover(soaked, [drawn(**points, start_state="hot")])
    assert [i.verdict for i in only(warm).intervals] == ["covered"]
    assert any("same load or less" in note for note in warm.devices[0].notes)


def test_soaked_curve_preloads_the_default_model():
    """Start "soaked at 16 A" counts for cable and device alike; a given preload overrides the words."""
    curve = power_curve(5e4, 25.0, 400.0, start_description="soaked at 16 A")
    assert cover(curve, [B20]).devices[0].device == device_curve(B20, 16.0)
    assert cover(curve, [B20], preload=0.0).devices[0].device == device_curve(B20)
    assert any("a warm one opens no later" in note for note in cover(curve, [B20], preload=0.0).devices[0].notes)


def test_basis_chooses_the_edges_and_every_other_basis_is_reported_beside_it():
    """Standard, interpolated and default are kept apart; each interval says what decided it (issue 2, item 7)."""
    curve = one_node_curve(np.geomspace(20.0, 400.0, 40))
    found = {basis: only(cover(curve, [B20], basis=basis)) for basis in ("standard", "interpolated", "default")}
    assert found["standard"].alternatives["default"] == found["default"].intervals
    assert found["standard"].not_covered[-1][1] > found["default"].not_covered[-1][1]
    kinds = {i.decided_by for i in found["default"].intervals if i.verdict == "covered"}
    assert kinds == {"slow edge, default", "slow edge, standard"}  # image, then the type's magnetic band
    with pytest.raises(UsageError, match="maker"):
        cover(curve, [B20], basis="maker")
    with pytest.raises(UsageError, match="no basis"):
        cover(curve, [B20], basis="best")


def test_breaker_of_unknown_magnetic_level_is_not_called_uncovered_at_high_current():
    """UL 489 40 A: no level in the library; above 5 x it may open at once, so too late is not provable (trade, low)."""
    choice = DeviceChoice("range", "UL 489", "", 40.0)
    limit = only(cover(power_curve(2e4, 50.0, 1000.0), [choice], basis="default"))
    assert limit.intervals[-1].verdict == "unknown"
    assert limit.intervals[-1].low == pytest.approx(200.0)


def test_rising_times_are_refused():
    """More constant current cannot take longer; rounding of a fraction of a per cent is let pass."""
    current = np.array([10.0, 20.0, 40.0])
    with pytest.raises(NumericalError, match="rises from 50 s at 20 A to 60 s at 40 A"):
        cover(curve_of(current, [100.0, 50.0, 60.0]), [B20])
    assert only(cover(curve_of(current, [100.0, 50.0, 50.1]), [B20])).intervals


def test_faults_of_all_devices_come_at_once():
    """Issue 2: all faults at once."""
    wrong = [DeviceChoice("a", "IEC 60898-1", "B", 17.0), DeviceChoice("b", "IEC 60898-1", "Q", 16.0)]
    with pytest.raises(ScenarioError) as caught:
        cover(power_curve(), wrong)
    assert len(caught.value.faults) == 2
    with pytest.raises(UsageError, match="two positive currents"):
        cover(curve_of([10.0], [5.0]), [B20])


def test_result_is_strict_json_and_the_table_has_a_row_per_current():
    """JSON without nan or infinity; one row per device, limit and current."""
    curve = one_node_curve(np.geomspace(15.0, 400.0, 24))
    coverage = cover(curve, STANDARD_DEVICES)
    read = json.loads(json.dumps(coverage.to_dict(), allow_nan=False))
    assert [entry["device"]["name"] for entry in read["devices"]] == ["kitchen", "main", "fuse"]
    assert read["time_to_limit"][0][0] == "inf"
    assert read["fault_current"] is None
    rows = coverage.margin_table()
    assert len(rows) == 3 * 24
    assert {row["verdict"] for row in rows} <= set(VERDICTS)
    row = next(row for row in rows if row["device"] == "fuse" and row["current [A]"] > 85.0)
    assert row["slow edge [s]"] == 5.0  # IEC 60269-1 table 3, Imax 5 s = 85 A for 20 A (memory high)
    assert row["time to limit over slow edge"] == pytest.approx(row["time to limit [s]"] / 5.0)


FORBIDDEN = re.compile(r"\b(safe|safely|complies|comply|compliant|caused?|protected|guarantee\w*)\b", re.IGNORECASE)


def test_words_never_overstate():
    """Facts users 1.6: never safe, complies or caused; the sentences name the limit, the device and the ranges."""
    curves = [
        one_node_curve(np.geomspace(15.0, 400.0, 24), knee=knee, steady=np.full(24, steady))
        for knee, steady in ((15.5, True), (24.0, False))
    ]
    texts = [cover(curve, [*STANDARD_DEVICES, drawn(slow=[(30.0, 50.0), (60.0, 4.0)])]).text for curve in curves]
    texts += [cover(adiabatic_curve(160, fault=2000.0), STANDARD_DEVICES).text]
    for text in texts:
        assert not FORBIDDEN.search(text)
        assert "nan" not in text
        assert not re.search(r"\d[eE][+-]\d", text)
    assert "IEC 60898-1 B 20 A" in texts[0]
    assert "70 °C" in texts[0]
    assert "it has to carry 22.6 A" in texts[0]


def test_comparison_is_quick():
    """24 currents, three devices, all bases: well under a second (brief of this part)."""
    curve = one_node_curve(np.geomspace(15.0, 2000.0, 24))
    cover(curve, STANDARD_DEVICES)
    begun = clock.perf_counter()
    cover(curve, STANDARD_DEVICES)
    assert clock.perf_counter() - begun < 0.7


@settings(max_examples=15, deadline=None)
@given(st.sampled_from([6.0, 10.0, 16.0, 20.0, 25.0, 32.0]), st.sampled_from("BCD"), st.floats(12.0, 60.0))
def test_a_smaller_rating_of_one_family_never_covers_less(rating, type, knee):
    """IEC 60898-1 rows scale with the rating, so the next smaller device opens no later at any current (monotonicity)."""
    ratings = device_family("IEC 60898-1").ratings
    smaller = ratings[max(ratings.index(rating) - 1, 0)]
    curve = one_node_curve(np.geomspace(8.0, 500.0, 30), knee=knee)
    covered = []
    for size in (smaller, rating):
        limit = only(cover(curve, [DeviceChoice("x", "IEC 60898-1", type, size)], basis="default"))
        assert limit.intervals[0].low == pytest.approx(8.0) and limit.intervals[-1].high == pytest.approx(500.0)
        assert all(before.high == after.low for before, after in pairwise(limit.intervals))
        covered.append(sum(i.high - i.low for i in limit.intervals if i.verdict == "covered"))
    assert covered[0] >= covered[1] * (1 - 1e-9)
