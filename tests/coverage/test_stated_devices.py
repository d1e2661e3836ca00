"""What a scenario states of a device reaches its edges, its state model and the answers (issue 4, items 1 to 4)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_curves import drawn, one_node_curve

from ampsoak.base.errors import ScenarioError
from ampsoak.coverage.compare import cover
from ampsoak.coverage.device_faults import device_faults
from ampsoak.coverage.device_images import device_image
from ampsoak.coverage.edges import device_curve
from ampsoak.coverage.operating import level_history, operate
from ampsoak.coverage.own_curves import device_from_line
from ampsoak.coverage.questions import short_time_of
from ampsoak.coverage.relays import Relay, curve_of_choice, relay_of
from ampsoak.coverage.selectivity import meaning_words, pairs_in_series, selectivity
from ampsoak.coverage.tripping import EDGES, trip_time
from ampsoak.coverage.words import is_sliver, range_words, ranges_words
from ampsoak.scenario.case import CurrentProfile
from ampsoak.scenario.device_case import DeviceChoice, LetThrough, LoadPoint, Reclosing, RelayChoice

B16 = DeviceChoice("b", "IEC 60898-1", "B", 16.0)
LINE = ((20.0, 3600.0), (40.0, 60.0), (100.0, 2.0))


def opens_after(choice, edge, current, duration=1e5):
    return trip_time(CurrentProfile.constant(current, duration), device_image(choice, edge)).time


# -- air at the device -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("celsius", [0.0, 30.0, 45.0, 60.0])
@pytest.mark.parametrize("edge", ["fast", "slow"])
def test_the_default_band_in_stated_air_is_that_of_the_image_in_it(edge, celsius):
    """One law moves both (two ways to one answer); at the reference nothing moves."""
    choice = replace(B16, ambient=celsius + 273.15)
    band = device_curve(choice).bands["default"]
    for current in (30.0, 40.0):
        assert getattr(band, edge).time(current) == pytest.approx(opens_after(choice, edge, current), rel=2e-4)
    if celsius == 30.0:  # IEC 60898-1 reference, read
        plain = device_curve(B16).bands["default"]
        assert getattr(band, edge).time(30.0) == getattr(plain, edge).time(30.0)


def test_stated_air_leaves_the_standards_limits_and_is_said():
    warm = device_curve(replace(B16, ambient=318.15))
    assert warm.bands["standard"] == device_curve(B16).bands["standard"]
    assert any("air at the device 45 °C" in note and "for 30 °C" in note for note in warm.notes)
    assert any("may open later" in note for note in device_curve(replace(B16, ambient=273.15)).notes)


def test_a_call_may_name_another_air_than_the_choice():
    choice = replace(B16, ambient=323.15)
    assert device_image(choice, "fast", 303.15).elements[0] == device_image(B16, "fast").elements[0]


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        (replace(B16, ambient=353.15), "alone would trip"),  # 80 °C: 50 K over the reference, fast edge trips at 46.1 K
        (DeviceChoice("f", "IEC 60269", "gG", 16.0, ambient=313.15), "no law for the air"),
        (replace(B16, let_through=LetThrough(energy_class=3)), "type B of IEC 60898-1"),  # no breaking capacity
        (DeviceChoice("c", "IEC 60898-1", "C", 16.0, breaking_capacity=6e3, let_through=LetThrough(energy_class=3)), "type B"),
        (replace(B16, let_through=LetThrough(-1.0, 1e3)), "positive energy"),
    ],
)
def test_what_no_model_reaches_is_one_fault(choice, words):
    (fault,) = device_faults(choice)
    assert words in fault.message
    with pytest.raises(ScenarioError, match=words):
        device_curve(choice)


# -- one line, opening time, relay -------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.floats(20.5, 99.0), st.floats(0.01, 0.3), st.floats(0.0, 0.3))
def test_a_line_is_followed_as_it_was_drawn(current, current_tolerance, time_tolerance):
    """Constant currents reproduce the curve an image was fitted to: the line itself by the nominal edge, and the band holds it."""
    choice = device_from_line("x", LINE, current_tolerance=current_tolerance, time_tolerance=time_tolerance, rating=16.0)
    expected = float(np.exp(np.interp(np.log(current), *np.log(np.array(LINE)).T)))
    assert opens_after(choice, "nominal", current) == pytest.approx(expected, rel=1e-6)
    band = device_curve(choice).bands["maker"]
    fast, slow = band.fast.time(current), band.slow.time(current)
    assert not fast > expected * (1 + 1e-9) and not slow < expected * (1 - 1e-9)


@pytest.mark.parametrize("edge", EDGES)
def test_an_opening_time_is_added_to_every_time(edge):
    """80 ms from the release to the end of the current, on the edges and in the loop."""
    plain = device_from_line("x", LINE, current_tolerance=0.1, rating=16.0, magnetic=(150.0, 200.0))
    late = replace(plain, opening_time=0.08)
    for current in (30.0, 60.0, 85.0):
        before = opens_after(plain, edge, current)
        assert opens_after(late, edge, current) == pytest.approx(before + 0.08, rel=1e-9)
        if edge != "nominal":
            band = device_curve(late).bands["maker"]
            assert getattr(band, edge).time(current) == pytest.approx(before + 0.08, rel=1e-5)
    assert device_curve(late).bands["maker"].slow.time(250.0) == pytest.approx(0.18)  # 0.1 s of the release, and 80 ms


def test_the_contactor_of_an_overload_relay_may_be_counted():
    relay = DeviceChoice("m", "IEC 60947-4-1", "10", 25.0, opening_time=0.05)
    plain = replace(relay, opening_time=0.0)
    assert opens_after(relay, "slow", 100.0) == pytest.approx(opens_after(plain, "slow", 100.0) + 0.05)
    assert not any("contactor" in note for note in device_image(relay, "slow").notes)
    assert any("contactor" in note for note in device_image(plain, "slow").notes)


def test_a_relay_of_a_scenario_is_the_relay_with_these_settings():
    """Reset of curve E at a dial of 2: 2 x 21.6 s (IEEE C37.112, memory high)."""
    choice = RelayChoice("r", 100.0, "E", 2.0, reset="curve", instantaneous=(800.0, 1e3), opening_time=0.06)
    relay = relay_of(choice)
    assert relay.reset.time == pytest.approx(43.2)
    assert relay_of(replace(choice, reset_time=5.0)).reset.time == 5.0
    current = np.array([150.0, 500.0, 2000.0])
    for edge in ("fast", "slow"):
        band = curve_of_choice(choice).bands["maker"]
        assert getattr(band, edge).time(current) == pytest.approx(getattr(relay.device().bands["maker"], edge).time(current))
    assert device_image(choice, "slow").opening_time == 0.06
    assert device_faults(choice) == []


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(["A", "B", "C", "D", "E", "F"]), st.floats(0.05, 5.0), st.floats(1.2, 30.0))
def test_times_are_proportional_to_the_time_multiplier(curve, factor, multiple):
    """t(TMS) = TMS t(1), c included (IEC 60255-151; trap 7), by the law and by the integral in the loop."""
    one, scaled = (Relay("r", 10.0, curve, setting) for setting in (1.0, factor))
    profile = CurrentProfile.constant(10.0 * multiple, 1e6)
    times = [trip_time(profile, relay.image("nominal")).time for relay in (one, scaled)]
    assert times[1] == pytest.approx(factor * times[0], rel=1e-6)


# -- short answers with the comparison ---------------------------------------------------------------------------------


def test_the_comparison_answers_what_the_loads_draw_and_what_a_fault_does():
    """60 A for 1 s opens B 16 even by its slow edge only from 80 A (IEC 60898-1 row e, read); 16 A it has to carry; class 3,
    6 kA, 16 A: 35 000 A²s (memory, medium) against k²S² = (115 x 1.5)² = 29 756 A²s."""
    choice = replace(B16, breaking_capacity=6e3, let_through=LetThrough(current=6e3, energy_class=3))
    curve = one_node_curve(np.geomspace(15.0, 500.0, 12), fault_current=4e3, adiabatic_k=115e6, adiabatic_area=1.5e-6)
    points = [LoadPoint("kettle", 13.0, 200.0), LoadPoint("inrush", 60.0, 0.05), LoadPoint("stuck", 100.0, 1.0)]
    (entry,) = cover(curve, [choice], load_points=points).devices
    assert [asked.verdict for asked in entry.nuisance] == ["held", "may_open", "opens"]
    assert (entry.short_time.breaking, entry.short_time.energy) == ("within", "more")
    assert entry.short_time.withstand == pytest.approx(29_756.0, rel=1e-4)
    assert all(asked.text in entry.text for asked in entry.nuisance) and "35,000" in entry.text
    record = cover(curve, [choice], load_points=points).to_dict()["devices"][0]
    assert record["nuisance"][1]["verdict"] == "may_open" and record["short_time"]["breaking"] == "within"


def test_what_is_not_stated_is_not_answered():
    curve = one_node_curve(np.geomspace(15.0, 500.0, 12), fault_current=4e3)
    (entry,) = cover(curve, [B16]).devices
    assert entry.short_time is None and entry.nuisance == ()
    # a let-through holds up to the prospective current it is stated for, not beyond it
    device = device_curve(replace(B16, let_through=LetThrough(1e4, 3e3)))
    assert short_time_of(device, 4e3, 115e6, 1.5e-6).energy == "not_stated"
    assert short_time_of(device, 2e3, 115e6, 1.5e-6).energy == "less"


def test_devices_and_loads_of_other_circuits_are_left_out():
    curve = one_node_curve(np.geomspace(15.0, 500.0, 12))  # circuit "main"
    devices = [replace(B16, name="here", circuit="main"), replace(B16, name="there", circuit="other"), replace(B16, name="any")]
    found = cover(curve, devices, load_points=[LoadPoint("x", 5.0, 1.0, circuit="other"), LoadPoint("y", 5.0, 1.0)])
    assert [entry.device.name for entry in found.devices] == ["here", "any"]
    assert [asked.point.name for asked in found.devices[0].nuisance] == ["y"]


def test_load_points_stored_with_the_curve_are_asked_again():
    stored = {"load_points": [{"name": "p", "current": 60.0, "duration": 0.05, "source": "s", "circuit": "", "later": 1}]}
    curve = one_node_curve(np.geomspace(15.0, 500.0, 12), resolved=stored)
    assert cover(curve, [B16]).devices[0].nuisance[0].point == LoadPoint("p", 60.0, 0.05, "s")


# -- selectivity -------------------------------------------------------------------------------------------------------


def test_below_a_tenth_of_a_second_let_through_decides_where_it_is_stated():
    """gG 63 opens at 9000 A²s at least (IEC 60269-1 table 7, read): 8000 A²s let through is selective, 10 000 A²s is not
    sure, and beyond the current it is stated for nothing is known."""
    fuse = device_curve(DeviceChoice("fuse", "IEC 60269", "gG", 63.0))
    found = {}
    for energy in (8e3, 1e4):
        below = device_curve(replace(B16, name="below", breaking_capacity=6e3, let_through=LetThrough(energy, 2e3)))
        found[energy] = selectivity(fuse, below, 1e3, 5e3)
    assert [one.verdict for one in found[8e3].intervals] == ["selective", "unknown"]
    assert found[8e3].intervals[0].high == pytest.approx(2e3)
    assert "8,000 A²s" in found[8e3].text and "9,000 A²s" in found[8e3].text
    assert [one.verdict for one in found[1e4].intervals] == ["overlapping", "unknown"]
    silent = selectivity(fuse, device_curve(B16), 1e3, 5e3)
    assert [one.verdict for one in silent.intervals] == ["unknown"]
    assert "let-through" in meaning_words(silent, silent.intervals[0])


def test_every_pair_in_series_is_one_of_one_circuit():
    devices = [replace(B16, name=name, circuit=circuit) for name, circuit in (("a", "x"), ("b", "y"), ("c", "x"), ("d", "x"))]
    assert [(u.name, low.name) for u, low in pairs_in_series(devices)] == [("a", "c"), ("a", "d"), ("c", "d")]


# -- levels along a history --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reclose", [None, Reclosing(delays=(60.0, 300.0))])
def test_levels_along_a_history_end_where_the_devices_ended(reclose):
    """The state at the end is that of the following itself, a thermal level is 1 at each opening, and falls while open."""
    profile = CurrentProfile((0.0, 600.0, 1200.0, 2400.0), (10.0, 20.0, 40.0), (10.0, 40.0, 0.0))
    images = [device_image(DeviceChoice("u", "IEC 60898-1", "C", 32.0), "nominal"), device_image(B16, "nominal")]
    found = operate(profile, images, None, reclose)
    openings = [operation.time for operation in found.operations if operation.kind == "opens"]
    times = np.unique(np.concatenate([np.linspace(0.0, 2400.0, 77), openings]))
    levels = level_history(found, images, None, times)
    ends = [level for image in images for level in found.levels[image.device].values()]
    assert levels[-1] == pytest.approx(ends, rel=1e-9, abs=1e-12)
    thermal = 2  # u: thermal, magnetic; b: thermal, magnetic
    assert levels[np.searchsorted(times, openings), thermal] == pytest.approx(1.0, rel=1e-9)
    after = levels[times >= openings[-1], thermal]
    assert (np.diff(after) < 0).all()
    assert levels[0] == pytest.approx(0.0)


def test_the_level_of_a_relay_stands_still_while_its_breaker_opens():
    """1 from operating to opening 60 ms later, then reset at once."""
    relay = relay_of(RelayChoice("r", 10.0, "A", 0.1, opening_time=0.06))
    images = [relay.image("nominal")]
    found = operate(CurrentProfile.constant(100.0, 10.0), images)
    opened = found.opens.time
    levels = level_history(found, images, None, [0.0, opened - 0.06, opened - 0.03, opened, opened + 0.01])
    assert levels[:, 0] == pytest.approx([0.0, 1.0, 1.0, 1.0, 0.0], abs=1e-9)


# -- slivers -----------------------------------------------------------------------------------------------------------


def test_a_range_too_narrow_to_tell_its_ends_is_printed_as_one_current_with_its_width():
    """Narrower than a thousandth of the current; common practice of rounding, no source."""
    assert range_words(31.884, 31.894) == ("31.89 A (0.01 A wide)",)
    assert range_words(31.0, 31.1) == ("31.0 A", "31.1 A")
    assert is_sliver(1000.0, 1000.9) and not is_sliver(1000.0, 1001.0)
    assert ranges_words([(31.884, 31.894), (40.0, 50.0)]) == "31.89 A (0.01 A wide) and 40.0 A to 50.0 A"


def test_a_sliver_stays_in_the_data():
    """Edges that begin 0.02 % above the last current without a limit: a range of 5 mA is an interval like any other, and marked in words."""
    curve = one_node_curve(np.geomspace(20.0, 100.0, 20), knee=24.0)
    start = max(c for c, t in zip(curve.current, curve.time_to_limit[0], strict=True) if np.isinf(t)) * 1.0002
    device = drawn([(start, 1.0), (100.0, 0.5)], [(start, 2.0), (100.0, 1.0)])
    limit = cover(curve, [device]).devices[0].limits[0]
    slivers = [one for one in limit.intervals if is_sliver(one.low, one.high)]
    assert len(slivers) == 1 and slivers[0].high == pytest.approx(start)
    assert any(sentence.startswith("At about ") and "wide)" in sentence for sentence in limit.sentences)
