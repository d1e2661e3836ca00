"""Relays, electronic releases, further families and drawn lines as devices."""

from __future__ import annotations

import numpy as np
import pytest
from synthetic_curves import power_curve

from ampsoak.base.errors import ScenarioError
from ampsoak.coverage import laws
from ampsoak.coverage.compare import cover
from ampsoak.coverage.device_images import device_image, edges_with_a_model
from ampsoak.coverage.edges import device_curve
from ampsoak.coverage.own_curves import MEAN_CURVE_TOLERANCE, device_from_line
from ampsoak.coverage.relays import Relay
from ampsoak.coverage.releases import Reset
from ampsoak.coverage.tripping import trip_time
from ampsoak.library.load import device_family, device_standards
from ampsoak.scenario.case import CurrentProfile, DeviceChoice

FEEDER = Relay("feeder", 200.0, "A", 0.1)
LINE = ((30.0, 3600.0), (60.0, 30.0), (100.0, 5.0))
CHOICES = [
    DeviceChoice("x", standard, type, rating)
    for standard in device_standards()
    for type in device_family(standard).types
    for rating in (device_family(standard).ratings[0], device_family(standard).ratings[-1])
]


@pytest.mark.parametrize("choice", CHOICES, ids=[f"{c.standard} {c.type} {c.rating:g}" for c in CHOICES])
def test_every_family_has_ordered_edges_and_a_state_model_of_its_slow_edge(choice):
    """Fast never later than slow under every basis; constant currents give the band's own time or a stated unknown."""
    device = device_curve(choice)
    current = np.geomspace(0.5, 30.0, 60) * choice.rating
    for band in device.bands.values():
        fast, slow = band.fast.time(current), band.slow.time(current)
        known = ~np.isnan(fast) & ~np.isnan(slow)
        assert (fast[known] <= slow[known] * (1 + 1e-9)).all()
    assert "slow" in edges_with_a_model(choice)
    for edge in edges_with_a_model(choice):
        for multiple in (2.2, 4.0):
            trip = trip_time(CurrentProfile.constant(multiple * choice.rating, 2e5), device_image(choice, edge))
            assert trip.outcome in ("opens", "unknown") or edge == "slow"


def test_overload_relay_is_not_given_an_instantaneous_release():
    """IEC 60947-4-1 relays have none: the fast edge is known above 5 x, within the class window at 7.2 x (read)."""
    relay = DeviceChoice("motor", "IEC 60947-4-1", "10", 25.0)
    fast, slow = (
        trip_time(CurrentProfile.constant(180.0, 100.0), device_image(relay, e)).time for e in ("fast", "slow")
    )
    assert 4.0 < fast < slow <= 10.0
    assert device_curve(relay).bands["default"].fast.time(180.0) == pytest.approx(fast, rel=1e-3)


def test_published_relay_example_as_a_device():
    """2000 A on a set current of 200 A, standard inverse, multiplier 0.1: 0.297 s (O2, textbook), 5 % either way."""
    band = FEEDER.device().bands["maker"]
    nominal = trip_time(CurrentProfile.constant(2000.0, 5.0), FEEDER.image("nominal")).time
    assert nominal == pytest.approx(0.297, abs=5e-4)
    assert band.fast.time(2000.0) == pytest.approx(0.95 * nominal, rel=1e-4)
    assert band.slow.time(2000.0) == pytest.approx(1.05 * nominal, rel=1e-4)
    assert band.slow.time(8000.0) == pytest.approx(1.05 * 0.1 * 2.267, rel=1e-3)  # held above 20 x (O4)


@pytest.mark.parametrize("curve", ["A", "C", "E", "short-time inverse"])
@pytest.mark.parametrize("setting", [0.05, 0.3, 1.0])
def test_scaling_the_time_multiplier_scales_the_edges(curve, setting):
    """t is proportional to TMS for every curve, c included (IEC 60255-151; trap 7)."""
    current = np.geomspace(250.0, 6000.0, 25)
    one, scaled = (Relay("r", 200.0, curve, value).edge("slow").time(current) for value in (1.0, setting))
    shorter = np.maximum(setting * one, 0.01)  # no edge says less than half a cycle
    assert scaled == pytest.approx(shorter, rel=1e-6)


def test_between_pickup_and_threshold_only_the_fast_edge_may_run():
    """No time is stated for 1 < M < threshold: fast uses the formula, slow never (facts section 4)."""
    band = FEEDER.device().bands["maker"]
    assert np.isinf(band.slow.time(210.0))
    assert np.isfinite(band.fast.time(210.0))
    assert np.isinf(band.fast.time(199.0))
    assert band.slow.time(221.0) == pytest.approx(1.05 * laws.relay_time(1.105, "A", 0.1), rel=1e-3)


def test_breaker_behind_a_relay_adds_its_opening_time():
    """60 ms on every time, in the edges and on a history; a history that ends before it has opened is carried."""
    slow_breaker = Relay("feeder", 200.0, "A", 0.1, opening_time=0.06)
    profile = CurrentProfile.constant(2000.0, 5.0)
    plain, later = (trip_time(profile, relay.image("nominal")).time for relay in (FEEDER, slow_breaker))
    assert later == pytest.approx(plain + 0.06)
    edges = [relay.device().bands["maker"].slow.time(2000.0) for relay in (FEEDER, slow_breaker)]
    assert edges[1] == pytest.approx(edges[0] + 0.06, abs=1e-5)
    ends = trip_time(CurrentProfile.constant(2000.0, plain + 0.03), slow_breaker.image("nominal"))
    assert ends.outcome == "carries"


def test_instantaneous_element_of_a_relay():
    """Hold 1600 A, trip 2400 A: at 2500 A the slow edge takes 0.1 s, at 1500 A the curve's own time."""
    relay = Relay("feeder", 200.0, "A", 1.0, instantaneous=(1600.0, 2400.0))
    band = relay.device().bands["maker"]
    assert band.slow.time(2500.0) == pytest.approx(0.1)
    assert band.fast.time(1700.0) == pytest.approx(0.01)
    assert trip_time(CurrentProfile.constant(2500.0, 5.0), relay.image("slow")).element == "instantaneous"
    assert trip_time(CurrentProfile.constant(1500.0, 5.0), relay.image("slow")).element == "time"


def test_electronic_release():
    """t = t6 36 / M², 0/-20 %, pickup 1.05 to 1.20 (trade; anchor at 6 x read): 10 s at 6 x, 90 s at 2 x."""
    release = Relay("main", 400.0, "electronic", 10.0, Reset("memory", 600.0))
    band = release.device().bands["maker"]
    assert band.slow.time(2400.0) == pytest.approx(10.0, rel=1e-4)
    assert band.fast.time(2400.0) == pytest.approx(8.0, rel=1e-4)
    assert band.slow.time(800.0) == pytest.approx(90.0, rel=1e-4)
    assert np.isinf(band.slow.time(470.0)) and np.isfinite(band.fast.time(470.0))
    assert trip_time(CurrentProfile.constant(800.0, 200.0), release.image("slow")).time == pytest.approx(90.0)


def test_a_relay_is_compared_like_any_device():
    """A cable of t = A / I² against an extremely inverse relay: covered where 80 TMS / (M² - 1) is sooner (algebra)."""
    relay = Relay("feeder", 32.0, "C", 0.1, threshold=1.0, tolerance=0.0)
    energy = (115.0 * 2.5) ** 2  # P5: cable withstand k²S², copper 2.5 mm², k 115
    crossing = np.sqrt(energy / (energy / 32.0**2 - 8.0))
    limit = cover(power_curve(energy, 33.0, 500.0, 24), [relay]).devices[0].limits[0]
    assert [i.verdict for i in limit.intervals] == ["uncovered", "covered"]
    assert limit.intervals[0].high == pytest.approx(crossing, rel=1e-4)  # 33.714282 A
    assert crossing == pytest.approx(33.714282, rel=1e-7)


def test_settings_of_a_relay_are_checked_all_at_once():
    """One clear error each (issue 4, bad input)."""
    with pytest.raises(ScenarioError) as caught:
        Relay("r", -1.0, "Q", 0.0, threshold=2.0, tolerance=1.5, opening_time=60.0, instantaneous=(5.0, 4.0))
    assert len(caught.value.faults) == 7
    with pytest.raises(ScenarioError, match='did you mean "electronic"'):
        Relay("r", 5.0, "electronics", 1.0)


def test_one_line_with_a_tolerance_is_a_band():
    """A fuse maker's mean curve may deviate 10 % in current (IEC 60269-1 cl. 5.6.1, read)."""
    choice = device_from_line("maker", LINE, current_tolerance=MEAN_CURVE_TOLERANCE, rating=20.0, source="sheet 7")
    band = device_curve(choice).bands["maker"]
    assert band.fast.time(54.0) == pytest.approx(30.0)
    assert band.slow.time(66.0) == pytest.approx(30.0)
    assert "sheet 7; one line with 0.1 of current either way" in choice.source
    by_time = device_from_line("maker", LINE, time_tolerance=0.2)
    assert by_time.fast[1] == (60.0, pytest.approx(24.0)) and by_time.slow[1] == (60.0, pytest.approx(36.0))


@pytest.mark.parametrize(
    ("points", "more", "words"),
    [
        (LINE, {"current_tolerance": 10.0}, "10 % is 0.1"),
        (LINE, {"time_tolerance": -0.1}, "0 to below 1"),
        (LINE[:1], {}, "one point is no edge"),
        (((60.0, 30.0), (30.0, 3600.0)), {}, "currents must increase"),
        (((30.0, 5.0), (60.0, 30.0)), {}, "times must not increase"),
    ],
)
def test_a_faulty_line_is_refused(points, more, words):
    """One clear error each (issue 4, bad input)."""
    with pytest.raises(ScenarioError, match=words):
        device_from_line("maker", points, **more)
