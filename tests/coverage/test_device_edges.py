"""Device bands: inside the gates of their standards, staircases provable, each stretch labelled, faults in words."""

from __future__ import annotations

import numpy as np
import pytest

from ampsoak.base.errors import ScenarioError, UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.device_faults import device_faults
from ampsoak.coverage.edges import BASES, MINIMUM_TIME, device_curve
from ampsoak.coverage.stretches import KINDS, Edge, Stretch, interpolated, staircase
from ampsoak.library.load import device_family
from ampsoak.scenario.case import DeviceChoice

HOUSEHOLD = [(type, rating) for type in "BCD" for rating in (6.0, 10.0, 32.0, 40.0, 63.0, 80.0)]
MAGNETIC = {"B": (3.0, 5.0), "C": (5.0, 10.0), "D": (10.0, 20.0)}  # IEC 60898-1 table 2, read in a product table
FUSES = [16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0]


def breaker(type="B", rating=32.0, **more):
    return DeviceChoice(name="breaker", standard="IEC 60898-1", type=type, rating=rating, **more)


def from_points(**given):
    return DeviceChoice(**{"name": "drawn", "standard": "points", "rating": 20.0, **given})


FAST = ((30.0, 3600.0), (60.0, 8.0), (100.0, 2.0))
SLOW = ((29.0, 9000.0), (60.0, 60.0), (100.0, 20.0))


@pytest.mark.parametrize("basis", ["standard", "interpolated", "default"])
@pytest.mark.parametrize(("type", "rating"), HOUSEHOLD)
def test_household_band_lies_inside_the_gates(type, rating, basis):
    """P3: IEC 60898-1 table 7 rows a, c, e (read in a breaker manual and a product table)."""
    band = device_curve(breaker(type, rating)).bands[basis]
    conventional = 3600.0 if rating <= 63 else 7200.0
    below = np.linspace(0.1, 1.13, 50) * rating
    assert (band.fast.time(below) >= conventional).all()
    assert (band.slow.time(below) >= conventional).all()
    assert band.fast.time(2.55 * rating) >= 1.0
    assert band.slow.time(2.55 * rating) <= (60.0 if rating <= 32 else 120.0)
    hold, trip = MAGNETIC[type]
    assert band.fast.time(hold * rating) >= 0.1
    assert band.slow.time(trip * rating) <= 0.1


@pytest.mark.parametrize("type", "BCD")
@pytest.mark.parametrize("rating", [16.0, 32.0, 40.0, 80.0])
def test_default_household_image_trips_hot_within_the_conventional_time(type, rating):
    """IEC 60898-1 table 7 row b: 1.45 In straight after row a trips within 1 h, 2 h above 63 A (read)."""
    image = device_family("IEC 60898-1").thermal_images(rating, type)["slow"]
    state = np.zeros(2)
    conventional = 3600.0 if rating <= 63 else 7200.0
    for square in (1.13**2, 1.45**2):
        state = laws.two_node_step(state, square, conventional, image.time_constant_fast, image.time_constant_slow)
    assert image.share * state[0] + (1 - image.share) * state[1] > image.pickup**2


@pytest.mark.parametrize(("type", "multiple", "latest"), [("B", 3.0, 45.0), ("C", 5.0, 15.0), ("D", 10.0, 4.0)])
def test_row_d_upper_time(type, multiple, latest):
    """IEC 60898-1 table 7 row d, editions since 2003, In <= 32 A (memory high; D medium)."""
    curve = device_curve(breaker(type, 32.0))
    assert curve.bands["standard"].slow.time(multiple * 32.0) == latest
    assert curve.bands["default"].slow.time(multiple * 32.0) <= latest


def test_hot_start_limit_is_never_a_cold_one():
    """Row b (1.45 In, < 1 h) starts hot: cold, only preload time + test time is proven (derived in ``edges``)."""
    curve = device_curve(breaker("B", 16.0))
    slow = curve.bands["standard"].slow
    assert slow.time(1.45 * 16.0) == 7200.0
    assert "hot-start limit" in slow.stretch_at(1.5 * 16.0).note
    assert np.isinf(slow.time(1.449 * 16.0))
    hot = [mark for mark in curve.marks if mark.start == "hot"]
    assert [(mark.current, mark.time, mark.meaning) for mark in hot] == [(1.45 * 16.0, 3600.0, "trip")]


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("pickup", [1.2, 1.4, 1.449])
def test_cold_bound_of_the_hot_start_limit_holds_for_images_that_just_pass_row_b(pickup, share):
    """Any two-node image that meets row b trips from cold at 1.45 In within 2 h (comparison argument in ``edges``)."""
    for slow in (300.0, 1500.0, 4000.0, 20000.0):
        state = laws.two_node_step(np.zeros(2), 1.13**2, 3600.0, 40.0, slow)
        state = laws.two_node_step(state, 1.45**2, 3600.0, 40.0, slow)
        if share * state[0] + (1 - share) * state[1] >= pickup**2:
            assert laws.two_node_time(1.45, pickup, share, 40.0, slow) <= 7200.0


@pytest.mark.parametrize(
    ("rating", "at_135", "at_200"),
    [(15, 3600, 120), (30, 3600, 120), (50, 3600, 240), (60, 7200, 360), (150, 7200, 480), (200, 7200, 600)],
)
@pytest.mark.parametrize("basis", ["standard", "interpolated", "default"])
def test_moulded_case_band_lies_inside_the_rows(rating, at_135, at_200, basis):
    """P4: UL 489 calibration at 100, 135 and 200 % (135 % and 2 min read; longer times memory high)."""
    curve = device_curve(DeviceChoice("main", "UL 489", "thermal-magnetic", float(rating)))
    band = curve.bands[basis]
    assert np.isinf(band.fast.time(1.0 * rating))
    assert np.isinf(band.slow.time(1.0 * rating))
    assert band.slow.time(1.35 * rating) <= at_135
    assert band.slow.time(2.0 * rating) <= at_200
    assert (curve.hold_current, curve.operating_current) == pytest.approx((rating, 1.35 * rating))


def test_field_limits_and_trade_magnetic_levels_prove_nothing():
    """UL 489 sets neither the 300 % site limit nor a magnetic level: both stay out of the provable edge."""
    curve = device_curve(DeviceChoice("main", "UL 489", "", 20.0))
    assert curve.bands["standard"].slow.time(3.0 * 20.0) == 120.0
    assert curve.bands["standard"].slow.time(5000.0) == 120.0
    assert {mark.scope for mark in curve.marks if mark.name == "300 % field"} == {"field"}
    default = curve.bands["default"]
    assert default.slow.time(20 * 20.0) == 0.1
    assert default.fast.time(8.001 * 20.0) == MINIMUM_TIME
    assert curve.magnetic.kind == "default"


@pytest.mark.parametrize("rating", FUSES)
def test_fuse_band_lies_inside_its_gates(rating):
    """IEC 60269-1 tables 2 and 3: Inf, If, Imin, Imax (memory high) and pre-arcing I²t at 0.01 s (read)."""
    family = device_family("IEC 60269")
    curve = device_curve(DeviceChoice("fuse", "IEC 60269", "gG", rating))
    energy = family.pre_arcing_energy(rating)
    for basis in ("standard", "interpolated"):
        band = curve.bands[basis]
        conventional = 3600.0 if rating <= 63 else 7200.0
        assert band.fast.time(1.25 * rating) >= conventional
        assert band.slow.time(1.6 * rating) <= conventional
        for point in family.points(rating):
            current = point.current_at(rating)
            if point.earliest is not None:
                assert band.fast.time(current) >= point.earliest * (1 - 1e-12)
            if point.latest is not None:
                assert band.slow.time(current) <= point.latest * (1 + 1e-12)
        assert band.fast.time(np.sqrt(energy.minimum / 0.01)) >= 0.01 * (1 - 1e-12)
    assert "default" not in curve.bands
    assert curve.verdict_band("default") is curve.bands["interpolated"]


ALL_DEVICES = [
    *(breaker(type, rating) for type, rating in HOUSEHOLD),
    *(DeviceChoice("main", "UL 489", "", rating) for rating in (15.0, 45.0, 100.0, 400.0, 800.0)),
    *(DeviceChoice("fuse", "IEC 60269", "gG", rating) for rating in (2.0, *FUSES)),
    *(DeviceChoice("fuse", "BS 3036", "", rating) for rating in (5.0, 30.0)),
    DeviceChoice("plug", "BS 1362", "", 13.0),
    from_points(fast=FAST, slow=SLOW),
    from_points(fast=FAST, slow=SLOW, magnetic=(80.0, 150.0)),
]


@pytest.mark.parametrize("choice", ALL_DEVICES, ids=lambda choice: f"{choice.standard} {choice.type}{choice.rating:g}")
def test_every_edge_falls_with_current_and_fast_stays_below_slow(choice):
    """No real device takes longer at more current (facts section 0), and a fast edge is never the later one."""
    curve = device_curve(choice)
    current = np.geomspace(0.3 * choice.rating, 200 * choice.rating, 3000)
    for basis in curve.bands:
        band = curve.verdict_band(basis)
        times = []
        for edge in (band.fast, band.slow):
            time = edge.time(current)
            known = time[~np.isnan(time)]
            assert (known[1:] <= known[:-1] * (1 + 1e-12)).all()
            assert {stretch.kind for stretch in edge.stretches} <= set(KINDS)
            times.append(time)
        both = ~np.isnan(times[0]) & ~np.isnan(times[1])
        assert (times[0][both] <= times[1][both] * (1 + 1e-12)).all()


@pytest.mark.parametrize("choice", [breaker("C", 20.0), DeviceChoice("main", "UL 489", "", 20.0)])
def test_default_band_lies_inside_the_provable_one(choice):
    """Our model satisfies every certification point, so it never leaves the staircase (facts section 2, derived)."""
    curve = device_curve(choice)
    current = np.geomspace(0.5, 100, 2000) * choice.rating
    assert (curve.bands["default"].slow.time(current) <= curve.bands["standard"].slow.time(current)).all()
    thermal = current < curve.magnetic.hold
    assert (curve.bands["default"].fast.time(current) >= curve.bands["standard"].fast.time(current))[thermal].all()


def test_default_edge_follows_the_two_node_law():
    """The held nodes stay within 2e-4 of the law (promise of ``image_edge``)."""
    curve = device_curve(breaker("B", 32.0))
    image = device_family("IEC 60898-1").thermal_images(32.0, "B")["slow"]
    multiples = np.concatenate([image.pickup * (1 + np.geomspace(1e-6, 1e-2, 200)), np.geomspace(1.45, 4.99, 300)])
    exact = laws.two_node_time(
        multiples, image.pickup, image.share, image.time_constant_fast, image.time_constant_slow
    )
    assert curve.bands["default"].slow.time(multiples * 32.0) == pytest.approx(exact, rel=2e-4)


def test_preload_moves_only_the_default_model():
    """From 0.9 In the slow image opens 2 In in less time; staircases stay cold (O18 form)."""
    cold, warm = device_curve(breaker("B", 20.0)), device_curve(breaker("B", 20.0), preload=18.0)
    assert warm.bands["default"].slow.time(40.0) < 0.7 * cold.bands["default"].slow.time(40.0)
    assert warm.bands["standard"].slow == cold.bands["standard"].slow
    assert warm.start_state == "preloaded"
    hot = device_curve(breaker("B", 20.0), preload=1.3 * 20.0)
    assert hot.bands["default"].fast.time(30.0) == MINIMUM_TIME


def test_standard_points_make_a_staircase():
    """Facts section 0: slow(I) = min t of trips at or below I, fast(I) = max t of holds at or above I."""
    slow = staircase("slow", [(20.0, 100.0, "b"), (10.0, 50.0, "a"), (40.0, 5.0, "c")])
    assert slow.time(np.array([9.99, 10.0, 20.0, 39.99, 40.0, 1e6])).tolist() == [np.inf, 50, 50, 50, 5, 5]
    fast = staircase("fast", [(10.0, 50.0, "a"), (5.0, 1.0, "idle"), (20.0, 2.0, "b")])
    assert fast.time(np.array([1.0, 10.0, 10.01, 20.0, 20.01])).tolist() == [50, 50, 2, 2, 0]


def test_interpolated_edge_is_straight_in_log_log():
    """Half way in log current is half way in log time; the line says it is drawn."""
    edge = interpolated("slow", [(10.0, 100.0, "a"), (1000.0, 1.0, "b")])
    assert edge.time(100.0) == pytest.approx(10.0, rel=1e-12)
    assert edge.kind(100.0) == "interpolated"
    assert (edge.kind(9.0), edge.time(9.0)) == ("standard", np.inf)
    assert (edge.kind(2000.0), edge.time(2000.0)) == ("standard", 1.0)


def test_points_are_not_extended():
    """Nothing is extrapolated: outside the given points the time is unknown, below the rating the device carries."""
    curve = device_curve(from_points(fast=FAST, slow=SLOW, source="maker's sheet 7"))
    slow = curve.bands["maker"].slow
    assert np.isinf(slow.time(20.0))
    assert np.isnan(slow.time(np.array([28.9, 100.1]))).all()
    assert slow.time(29.0) == pytest.approx(9000.0)
    assert slow.time(100.0) == pytest.approx(20.0)
    assert (slow.kind(50.0), slow.kind(500.0)) == ("maker", "")
    assert curve.sources == ("maker's sheet 7",)


def test_given_magnetic_band_cuts_the_points():
    """With an instantaneous band (hold, trip) the fast edge drops after hold, the slow one at trip, 0.1 s at most."""
    band = device_curve(from_points(fast=FAST, slow=SLOW, magnetic=(80.0, 150.0))).bands["maker"]
    assert band.fast.time(80.0) > 1.0
    assert band.fast.time(80.1) == MINIMUM_TIME
    assert np.isnan(band.slow.time(149.9))
    assert band.slow.time(150.0) == 0.1


def test_given_magnetic_band_replaces_that_of_the_type():
    """A product tighter than its type: 6..8 x instead of C's 5..10 x; rows d and e no longer bind below 0.1 s."""
    curve = device_curve(breaker("C", 10.0, magnetic=(60.0, 80.0)))
    for basis in ("standard", "default"):
        assert curve.bands[basis].slow.time(79.9) > 0.1
        assert curve.bands[basis].slow.time(80.0) == 0.1
        assert curve.bands[basis].slow.kind(90.0) == "maker"
    assert curve.bands["default"].fast.time(59.9) > 0.1
    assert not any("outside the usual" in note for note in curve.notes)
    wide = device_curve(breaker("C", 10.0, magnetic=(40.0, 80.0)))
    assert any("outside the usual" in note for note in wide.notes)


def test_cap_keeps_what_is_quicker_already():
    """An edge that falls below the instantaneous time keeps its own time there."""
    edge = Edge("slow", (Stretch("maker", (10.0, 1000.0), (100.0, 0.01)),)).capped(20.0, 0.1, "maker", "release")
    assert edge.time(19.0) > 0.1
    assert edge.time(21.0) == 0.1
    assert edge.time(900.0) < 0.1
    assert edge.time(2000.0) == 0.1


def test_verdict_reads_the_provable_slow_and_the_default_fast_edge():
    """The rule in the head of ``edges``."""
    curve = device_curve(breaker())
    band = curve.verdict_band()
    assert band.slow is curve.bands["standard"].slow
    assert band.fast is curve.bands["default"].fast
    assert device_curve(from_points(fast=FAST, slow=SLOW)).default_basis == "maker"
    for basis in ("maker", "guess"):
        with pytest.raises(UsageError, match=basis):
            curve.verdict_band(basis)
    assert set(curve.bands) <= set(BASES)


def faults_of(choice):
    return "\n".join(str(fault) for fault in device_faults(choice))


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        (breaker(rating=17.0), "nearest are 16 A and 20 A"),
        (breaker(rating=200.0), "nearest are 125 A"),
        (breaker(type="E"), "types B, C, D"),
        (breaker(type=""), "types B, C, D"),
        (DeviceChoice("x", "IEC 60898-2", "B", 16.0), 'did you mean "IEC 60898-1"'),
        (breaker(magnetic=(50.0, 40.0)), "holding below tripping"),
        (breaker(magnetic=(20.0, 40.0)), "holds above the rating, 32 A"),
        (breaker(fast=FAST), 'only with standard = "points"'),
        (from_points(), "needs (current, time) points"),
        (from_points(slow=((30.0, 60.0),)), "one point is no edge"),
        (from_points(slow=((9000.0, 29.0), (60.0, 60.0), (20.0, 100.0))), "currents must increase"),
        (from_points(slow=((0.1, 300.0), (60.0, 60.0), (9000.0, 29.0))), "look swapped"),
        (from_points(slow=((30.0, 60.0), (40.0, 61.0), (50.0, 10.0))), "times must not increase"),
        (from_points(slow=((30.0, -60.0), (40.0, 6.0))), "positive finite"),
        (from_points(slow=((30.0, float("nan")), (40.0, 6.0))), "positive finite"),
        (from_points(fast=SLOW, slow=FAST), "edges cross: at 30 A"),
        (from_points(fast=((30.0, 100.0), (60.0, 2.0)), slow=((30.0, 90.0), (60.0, 50.0))), "edges cross: at 30 A"),
        (from_points(fast=((10.0, 5.0), (20.0, 2.0)), slow=((30.0, 90.0), (60.0, 50.0))), "no current in common"),
        (from_points(fast=FAST, slow=SLOW, start_state="warm"), "must be cold or hot"),
        (from_points(fast=FAST, slow=SLOW, rating=-5.0), "positive current"),
    ],
)
def test_faulty_devices_are_refused_in_words(choice, words):
    """Each fault names where, what was written and what is allowed (issue 2, bad input)."""
    assert words in faults_of(choice)
    with pytest.raises(ScenarioError):
        device_curve(choice)


def test_all_faults_of_a_device_come_at_once():
    """Issue 2: all faults at once, exit code 3."""
    choice = breaker(type="Q", rating=17.0, magnetic=(-1.0, 5.0))
    assert len(device_faults(choice)) == 3
    with pytest.raises(ScenarioError) as caught:
        device_curve(choice)
    assert caught.value.exit_code == 3


def test_equal_edges_are_one_drawn_curve():
    """A single mean curve given twice is a band of no width, not crossed edges."""
    assert device_faults(from_points(fast=SLOW, slow=SLOW)) == []
