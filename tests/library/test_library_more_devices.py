"""Rows of industrial breakers, North American fuses, blade fuses and overload relays."""

from __future__ import annotations

import math

import pytest

from ampsoak.library import load


def point(standard, rating, name, type=""):
    """The only test point called ``name``."""
    found = [item for item in load.device_family(standard).points(rating, type) if item.name == name]
    assert len(found) == 1, (standard, rating, name, found)
    return found[0]


@pytest.mark.parametrize(("rating", "time"), [(16, 3600), (63, 3600), (80, 7200), (1600, 7200)])
def test_industrial_breaker_has_1_05_and_1_30_and_the_second_is_hot(rating, time):
    # IEC 60947-2 table 6: 1.05 / 1.30, 1 h to 63 A (read in a maker's note), 2 h above (memory high)
    hold, trip = point("IEC 60947-2", rating, "non-tripping"), point("IEC 60947-2", rating, "tripping")
    assert (hold.multiple, hold.earliest, hold.start) == (1.05, time, "cold")
    assert (trip.multiple, trip.latest, trip.start, trip.preload) == (1.30, time, "hot", 1.05)
    assert load.device_family("IEC 60947-2").magnetic_band(rating) is None  # its level is a setting


@pytest.mark.parametrize(
    ("rating", "slow_135", "slow_200"),
    # UL 248 part 1 table 4 (memory high): borders belong to the lower band
    [(15, 3600, 120), (30, 3600, 120), (35, 3600, 240), (60, 3600, 240), (70, 7200, 360), (100, 7200, 360),
     (110, 7200, 480), (200, 7200, 480), (225, 7200, 600), (400, 7200, 600), (450, 7200, 720), (600, 7200, 720)],
)  # fmt: skip
@pytest.mark.parametrize("type", ["J", "RK1", "RK5 time-delay", "K", "H", "T"])
def test_north_american_fuses_share_their_clearing_times(rating, slow_135, slow_200, type):
    assert point("UL 248", rating, "135 %", type).latest == slow_135
    assert point("UL 248", rating, "200 %", type).latest == slow_200
    carried = point("UL 248", rating, "110 %", type)
    assert (carried.multiple, carried.earliest) == (1.1, 900 if rating <= 200 else 1800)  # read for class K only
    assert (carried.held == "read") == type.startswith("K")


def test_only_time_delay_types_have_a_shortest_time():
    # 10 s at 500 % for J, R, K, H; 12 s at 200 % for CC and G (memory)
    assert point("UL 248", 30, "500 % time-delay", "J time-delay").earliest == 10
    assert not [row for row in load.device_family("UL 248").points(30, "J") if row.name.startswith("500")]
    for standard, type in (("UL 248-4", "CC time-delay"), ("UL 248-5", "G time-delay")):
        assert point(standard, 15, "200 % time-delay", type).earliest == 12


def test_classes_c_and_l_have_their_own_conventional_currents():
    # UL 248-2: 1.6 within 120 min to 200 A, 240 min above (read); UL 248-10: 1.5 within 240 min (memory medium)
    assert [point("UL 248-2", rating, "160 %").latest for rating in (100, 200, 225, 1200)] == [7200, 7200, 14400, 14400]
    assert point("UL 248-10", 1600, "150 %").latest == 14400
    assert min(load.device_family("UL 248-2").ratings) == 70 and min(load.device_family("UL 248-10").ratings) == 601


def test_a_blade_fuse_holds_a_tenth_too_much_for_a_hundred_hours():
    # ISO 8820-3 (memory medium): 1.10 for 100 h, while a supplemental fuse of UL 248-14 opens 1.35 within one hour
    assert point("ISO 8820-3", 10, "110 %", "F").earliest == 360000
    assert point("UL 248-14", 10, "135 %").latest == 3600
    rows = [point("ISO 8820-3", 10, f"{share} %", "C") for share in (135, 160, 200, 350, 600)]
    assert [(row.earliest, row.latest) for row in rows] == [
        (0.75, 1800),
        (0.25, 50),
        (0.15, 5),
        (0.04, 0.5),
        (0.02, 0.1),
    ]
    large = [point("ISO 8820-3 E", 30, f"{share} %") for share in (135, 200, 350, 600)]
    assert [(row.earliest, row.latest) for row in large] == [(60, 1800), (2, 60), (0.2, 7), (0.04, 1)]


@pytest.mark.parametrize(
    ("type", "hot", "window"),
    # IEC 60947-4-1: at 7.2 x from cold (10A to 30 read, class 5 memory medium), at 1.5 x from the setting (memory)
    [("5", 120, (0.5, 5)), ("10A", 120, (2, 10)), ("10", 240, (4, 10)), ("20", 480, (6, 20)), ("30", 720, (9, 30))],
)
def test_overload_relay_trip_classes(type, hot, window):
    d, c = point("IEC 60947-4-1", 25, "D", type), point("IEC 60947-4-1", 25, "C", type)
    assert (d.multiple, d.earliest, d.latest, d.start) == (7.2, *window, "cold")
    assert (c.multiple, c.latest, c.start, c.preload) == (1.5, hot, "hot", 1.0)
    a, b = point("IEC 60947-4-1", 25, "A", type), point("IEC 60947-4-1", 25, "B", type)
    assert (a.multiple, a.earliest) == (1.05, 7200) and (b.multiple, b.latest, b.preload) == (1.2, 7200, 1.05)


def test_class_10_nominal_image_lies_between_its_windows():
    # 7.2 x cold within 4 to 10 s, first-order law written out (IEC 60255-149 form)
    images = load.device_family("IEC 60947-4-1").thermal_images(25, "10")
    times = [
        image.time_constant_fast * math.log(7.2**2 / (7.2**2 - image.pickup**2))
        for image in (images[name] for name in ("fast", "nominal", "slow"))
    ]
    assert 4 < times[0] < times[1] < times[2] < 10
