"""Named devices as state models: each edge has the times of its own band, takes what is worst for it, says unknown."""

from __future__ import annotations

import numpy as np
import pytest

from ampsoak.base.errors import UsageError
from ampsoak.coverage.device_images import device_image, edges_with_a_model
from ampsoak.coverage.edges import device_curve
from ampsoak.coverage.tripping import first_to_open, trip_time, unknown_before
from ampsoak.scenario.case import CurrentProfile, DeviceChoice

B20 = DeviceChoice("kitchen", "IEC 60898-1", "B", 20.0)
G20 = DeviceChoice("fuse", "IEC 60269", "gG", 20.0)
FAST = ((30.0, 3600.0), (60.0, 8.0), (100.0, 2.0))
SLOW = ((29.0, 9000.0), (60.0, 60.0), (100.0, 20.0))
DRAWN = DeviceChoice("drawn", "points", rating=20.0, fast=FAST, slow=SLOW)


def trip(choice, edge, current, duration=1e5, start=None, **more):
    image = device_image(choice, edge, **more)
    return trip_time(CurrentProfile.constant(current, duration), image, None if start is None else image.soaked(start))


@pytest.mark.parametrize("edge", ["fast", "slow"])
@pytest.mark.parametrize(
    ("choice", "basis", "currents"),
    [
        (B20, "default", (25.0, 29.0, 45.0, 59.0, 150.0)),
        (DeviceChoice("main", "UL 489", "", 15.0), "default", (20.5, 31.0, 70.0)),
        (G20, "interpolated", (40.0, 60.0, 84.0)),
        (DRAWN, "maker", (31.0, 70.0, 99.0)),
    ],
)
def test_constant_current_from_cold_has_the_time_of_the_band(choice, basis, currents, edge):
    """The loop and the comparison of stored curves agree (identity; nodes of the held image 1e-4 apart)."""
    drawn = getattr(device_curve(choice).bands[basis], edge)
    for current in currents:
        found = trip(choice, edge, current).time
        assert found == pytest.approx(drawn.time(current), rel=3e-4)


def test_a_loaded_breaker_opens_sooner():
    """18 A for ever, then 30 A: sooner than from cold for each edge (preload is not ignored, trap 10)."""
    for edge in ("fast", "nominal", "slow"):
        assert trip(B20, edge, 30.0, start=18.0).time < trip(B20, edge, 30.0).time


@pytest.mark.parametrize(("type", "hold", "trips"), [("B", 60.0, 100.0), ("C", 100.0, 200.0), ("D", 200.0, 400.0)])
def test_magnetic_band_belongs_to_the_type(type, hold, trips):
    """IEC 60898-1 rows d and e (read): instantaneous above hold for the fast, from the trip current for the slow edge."""
    choice = DeviceChoice("x", "IEC 60898-1", type, 20.0)
    assert trip(choice, "fast", hold).element == "thermal"
    quick = trip(choice, "fast", hold * 1.001)
    assert (quick.element, quick.time) == ("magnetic", pytest.approx(0.01))
    assert trip(choice, "slow", trips * 0.999).element == "thermal"
    slow = trip(choice, "slow", trips)
    assert (slow.element, slow.time) == ("magnetic", pytest.approx(0.1))


def test_breaker_without_a_known_magnetic_level_is_unknown_on_its_fast_side_only():
    """UL 489 40 A: above 5 x it may act at once (trade, memory low); the slow edge counts the thermal part alone."""
    choice = DeviceChoice("range", "UL 489", "", 40.0)
    fast = trip(choice, "fast", 250.0)
    assert fast.outcome == "unknown" and "no magnetic level" in fast.reason
    assert trip(choice, "slow", 250.0).element == "thermal"


def test_warm_air_lowers_and_cold_air_raises_the_thermal_pickup_of_the_edge_it_is_worse_for():
    """IEC 60898-1 ambient test (memory medium): at +10 K the fast device still holds 1.0 In; at -35 K the slow one still
    trips at 1.9 In. Neither moves to its own favour, and the magnetic part stays."""
    pickups = {
        (edge, ambient): device_image(B20, edge, ambient + 273.15).elements[0][1].pickup / 20.0
        for edge in ("fast", "nominal", "slow")
        for ambient in (-5.0, 30.0, 40.0)
    }
    assert pickups["fast", 40.0] == pytest.approx(1.16 * np.sqrt(36.1 / 46.1))
    assert 1.0 <= pickups["fast", 40.0] < 1.16
    assert pickups["fast", -5.0] == pytest.approx(1.16)
    assert pickups["slow", 40.0] == pytest.approx(1.42)
    assert pickups["slow", -5.0] == pytest.approx(1.42 * np.sqrt(83.8 / 48.8))
    assert pickups["slow", -5.0] < 1.9
    assert pickups["nominal", 30.0] == pytest.approx(1.28)
    assert pickups["nominal", -5.0] > 1.28 > pickups["nominal", 40.0]
    warm = device_image(B20, "fast", 313.15)
    assert warm.elements[1] == device_image(B20, "fast").elements[1]
    with pytest.raises(UsageError, match="no model of its air temperature"):
        device_image(G20, "slow", 313.15)


def test_a_north_american_breaker_carries_its_rating_at_40_celsius():
    """UL 489: the 100 % test is at 40 °C, the rows hold for 25 °C (read): the fast edge still carries the rating there."""
    choice = DeviceChoice("main", "UL 489", "", 20.0)
    pickups = [device_image(choice, "fast", t + 273.15).elements[0][1].pickup / 20.0 for t in (25.0, 40.0, 60.0)]
    assert pickups[0] == pytest.approx(1.08)
    assert pickups[1] == pytest.approx(1.0, abs=1e-9)
    assert pickups[2] < 1.0
    assert trip(choice, "fast", 20.0, ambient=313.15).outcome == "carries"


def test_fuse_opens_on_its_least_pre_arcing_energy_at_short_times():
    """IEC 60269-1 table 7, 20 A: 500 A² s (read): 1 kA opens the fast edge in 0.5 ms; a fuse is not re-closed."""
    found = trip(G20, "fast", 1000.0)
    assert found.element == "pre-arcing"
    assert 5e-4 <= found.time <= 5e-4 * 1.01
    assert not device_image(G20, "fast").reclosable and device_image(B20, "fast").reclosable
    assert np.isinf(trip(G20, "fast", 25.0).time)  # non-fusing current 1.25 x (memory high)
    assert trip(G20, "slow", 32.0).time <= 3600.0 * (1 + 1e-6)  # fusing current 1.6 x within 1 h (memory high)


def test_given_points_say_nothing_outside_themselves():
    """Nothing is extrapolated: between rating and first point the fast edge, beyond the last point both are unknown."""
    assert trip(DRAWN, "fast", 19.0).outcome == "carries"
    assert trip(DRAWN, "fast", 25.0).outcome == "unknown"
    assert trip(DRAWN, "slow", 25.0).outcome == "carries"  # never obliged to open there
    for edge in ("fast", "slow"):
        beyond = trip(DRAWN, edge, 101.0)
        assert beyond.outcome == "unknown" and "above 100 A" in beyond.reason
    released = DeviceChoice("drawn", "points", rating=20.0, fast=FAST, slow=SLOW, magnetic=(80.0, 100.0))
    assert trip(released, "slow", 500.0).element == "magnetic"
    assert trip(released, "fast", 500.0).element == "magnetic"


def test_an_edge_without_data_is_not_made_up():
    """BS 3036 names no shortest time: no fast edge to follow; a device of slow points only has a slow edge only."""
    rewirable = DeviceChoice("board", "BS 3036", "", 30.0)
    assert edges_with_a_model(rewirable) == ("slow",)
    with pytest.raises(UsageError, match="no fast edge"):
        device_image(rewirable, "fast")
    assert edges_with_a_model(DeviceChoice("x", "points", rating=20.0, slow=SLOW)) == ("slow",)
    assert edges_with_a_model(B20) == ("fast", "nominal", "slow")
    with pytest.raises(UsageError, match="edges are fast, nominal, slow"):
        device_image(B20, "quick")


def test_the_slow_edge_of_a_curve_image_forgets_quickest():
    """Cyclic overload: cooling with the overload's own constant opens no earlier than slow cooling (rule, section 5)."""
    image_fast, image_slow = (dict(device_image(DRAWN, edge).elements)["thermal"] for edge in ("fast", "slow"))
    assert image_fast.cooling == 1800.0
    assert image_slow.cooling == 0.0
    heated = image_slow.advance(image_slow.cold(), 60.0, 60.0, 30.0)
    kept = [image.advance((heated[0], heated[1]), 0.0, 0.0, 60.0)[0] for image in (image_fast, image_slow)]
    assert kept[1] < kept[0]


def test_first_of_two_devices():
    """16 A under 32 A: the smaller opens first; a device of which nothing is known may have opened before."""
    profile = CurrentProfile.constant(60.0, 4000.0)
    trips = [
        trip_time(profile, device_image(DeviceChoice(name, "IEC 60898-1", "B", rating), "slow"))
        for name, rating in (("board", 32.0), ("circuit", 16.0))
    ]
    assert first_to_open(trips).device == "circuit"
    assert unknown_before(trips, np.inf) is None
    lost = trip(DRAWN, "fast", 25.0)
    assert unknown_before([*trips, lost], 5.0) is lost
    assert first_to_open([lost]) is None
