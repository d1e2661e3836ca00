"""State models of devices on varying current: exact steps, solved crossings, and where the wrong model goes wrong."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from ampsoak.base.errors import UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.images import (
    AdiabaticElement,
    CurveImage,
    FirstOrderImage,
    TwoNodeImage,
    ambient_factor,
    relaxed,
)
from ampsoak.coverage.releases import Integral, MagneticElement, Reset, relay_integral
from ampsoak.coverage.stretches import Edge, Stretch, image_edge
from ampsoak.coverage.tripping import DeviceImage, trip_time
from ampsoak.scenario.case import CurrentProfile

TAU = 600.0  # [s] of oracles O13 to O17
NOMINAL = TwoNodeImage(1.28, 0.5, 30.0, 900.0)  # household nominal set, in multiples of rated current (facts section 2)


def alone(element, **more) -> DeviceImage:
    """A device of one element."""
    return DeviceImage("device", "slow", (("element", element),), **more)


def steps(*pieces) -> CurrentProfile:
    """Profile of (duration [s], current [A]) or (duration, start, stop) pieces."""
    border = np.concatenate([[0.0], np.cumsum([piece[0] for piece in pieces])])
    return CurrentProfile(tuple(border), tuple(p[1] for p in pieces), tuple(p[-1] for p in pieces))


def cycle(high, high_time, low, low_time, until) -> CurrentProfile:
    """Alternating currents."""
    return steps(*[(high_time, high), (low_time, low)] * round(until / (high_time + low_time)))


def when(profile, element) -> float:
    return trip_time(profile, alone(element)).time


def curve_image(cooling) -> CurveImage:
    """Curve image made from the constant-current times of the nominal two-node image."""

    def law(current):
        return laws.two_node_time(current, 1.28, 0.5, 30.0, 900.0)

    edge = image_edge("slow", law, 1.28, 40.0, 1e-3, "nominal two-node image")
    return CurveImage(edge, 1.28, 900.0, cooling, 1e-3)


def plain_integral() -> Integral:
    """Integral of dt over the same times, reset at once."""
    return Integral(lambda current: laws.two_node_time(current, 1.28, 0.5, 30.0, 900.0), 1.28)


# -- one node ---------------------------------------------------------------------------------------------------------


def test_first_order_image_through_a_profile():
    """100 s at 2, 300 s at 0.5, then 2: H 0.556982, 0.427049, trip at 518.330 s (O15, IEC 60255-149; computed)."""
    image = FirstOrderImage(1.05, TAU)
    trip = trip_time(steps((100, 2.0), (300, 0.5), (500, 2.0)), alone(image))
    assert trip.time == pytest.approx(518.330, abs=1e-3)
    assert trip.history_level[1:3, 0] == pytest.approx([0.556982, 0.427049], abs=1e-6)
    assert trip.history_level[-1, 0] == pytest.approx(1.0, abs=1e-9)
    assert trip.outcome == "opens" and trip.element == "element"


@pytest.mark.parametrize(("current", "time"), [(1.2, 374.49), (1.5, 136.23), (2.0, 57.70), (3.0, 21.82), (6.0, 5.01)])
def test_first_order_image_from_hot(current, time):
    """From the steady state at 0.9 (O14, computed)."""
    image = alone(FirstOrderImage(1.05, TAU))
    trip = trip_time(CurrentProfile.constant(current, 1e4), image, image.soaked(0.9))
    assert trip.time == pytest.approx(time, abs=5.1e-3)


def test_overload_relay_of_class_10():
    """Pickup 1.125, tau 404.6 s: 10.00 s at 7.2 cold, 14.48 s at 6 cold, 96.7 s at 1.5 after Ir (O22, computed)."""
    image = alone(FirstOrderImage(1.125, 404.6))
    cold = [trip_time(CurrentProfile.constant(c, 1e4), image).time for c in (7.2, 6.0)]
    assert cold == pytest.approx([10.00, 14.48], abs=5.1e-3)
    hot = trip_time(CurrentProfile.constant(1.5, 1e4), image, image.soaked(1.0))
    assert hot.time == pytest.approx(96.7, abs=0.051)


def test_standstill_may_cool_with_its_own_constant():
    """H 1 to 0.5 at no current takes tau ln 2 of the cooling constant (IEC 60255-149, O16)."""
    image = FirstOrderImage(1.05, TAU, cooling=2.0 * TAU)
    assert image.advance((1.0,), 0.0, 0.0, 2 * 415.888)[0] == pytest.approx(0.5, rel=2e-6)
    assert image.advance((0.0,), 2.0, 2.0, 100.0)[0] == pytest.approx(0.556982, abs=1e-6)


@pytest.mark.parametrize("time_constant", [0.05, 3.0, 600.0, 1e7])
@pytest.mark.parametrize(("start", "stop"), [(0.0, 2.0), (5.0, 1.0), (3.0, 3.0)])
def test_a_ramp_is_stepped_exactly(start, stop, time_constant):
    """Against quadrature of x0 e^(-T/tau) plus the integral of I² e^(-(T-s)/tau) / tau (the defining convolution)."""
    duration, before = 100.0, 1.7
    near = max(0.0, duration - 60.0 * time_constant)  # nothing older is remembered

    def kernel(s):
        return (start + (stop - start) * s / duration) ** 2 * np.exp(-(duration - s) / time_constant) / time_constant

    exact = (
        before * np.exp(-duration / time_constant) + quad(kernel, near, duration, epsabs=0, epsrel=1e-11, limit=200)[0]
    )
    assert relaxed(before, start, stop, duration, time_constant) == pytest.approx(exact, rel=1e-9)


def test_the_mean_of_the_square_counts_not_the_square_of_the_mean():
    """0 and 2 A in turn at 1 s heat as sqrt(2) A, not as 1 A (trap 9): trips though the mean current is below pickup."""
    profile = cycle(2.0, 1.0, 0.0, 1.0, 2000.0)
    time = when(profile, FirstOrderImage(1.2, TAU))
    assert time == pytest.approx(laws.first_order_time(np.sqrt(2.0), 1.2, TAU), abs=2.0)
    assert np.isinf(when(CurrentProfile.constant(1.0, 2000.0), FirstOrderImage(1.2, TAU)))


# -- two nodes --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("current", "time"), [(2.0, 20.600), (1.45, 298.04)])
def test_two_node_image_from_a_load(current, time):
    """0.9 x rated for ever, then the overload (O18, computed)."""
    image = alone(NOMINAL)
    trip = trip_time(CurrentProfile.constant(current, 1e4), image, image.soaked(0.9))
    assert trip.time == pytest.approx(time, abs=5.1e-3)


def test_two_node_image_on_a_ramp_agrees_with_integration():
    """1 to 3 A in 300 s against an integrator of the two equations (Runge-Kutta to 1e-10)."""
    fast, slow, pickup, share = 30.0, 900.0, 1.28, 0.5

    def rates(t, x):
        square = (1.0 + 2.0 * t / 300.0) ** 2
        return [(square - x[0]) / fast, (square - x[1]) / slow]

    def reached(t, x):
        return share * x[0] + (1 - share) * x[1] - pickup**2

    reached.terminal = True
    found = solve_ivp(rates, (0, 300), [0.0, 0.0], events=reached, rtol=1e-10, atol=1e-12, max_step=1.0)
    assert when(steps((300, 1.0, 3.0)), NOMINAL) == pytest.approx(found.t_events[0][0], rel=1e-7)


def test_a_peak_inside_a_segment_is_not_missed():
    """Quick node cold, case hot: at steady current the sum rises and falls again; its peak is above, both ends below."""
    state, current, duration = (0.0, 3.0), 1.15, 900.0
    times = np.linspace(0.0, duration, 200_001)
    level = 0.5 * sum(current**2 + (x - current**2) * np.exp(-times / tau) for x, tau in zip(state, (30.0, 900.0)))
    pickup = np.sqrt(0.5 * (level.max() + max(level[0], level[-1])))
    image = TwoNodeImage(float(pickup), 0.5, 30.0, 900.0)
    crossing = image.crossing(state, current, current, duration)
    assert crossing == pytest.approx(times[np.argmax(level >= pickup**2)], abs=duration / 200_000)


def test_ambient_moves_the_pickup_as_one_maker_prints():
    """Calibrated at 40 °C, Ttrip 118.9 °C: 0.900 at 55 °C, 0.864 at 60 °C; printed 0.90, 0.85 (derived; table read)."""
    rise = 118.9 - 40.0
    found = [ambient_factor(t + 273.15, 313.15, rise) for t in (40.0, 55.0, 60.0)]
    assert found == pytest.approx([1.0, 0.900, 0.864], abs=5e-4)
    assert found[1:] == pytest.approx([0.90, 0.85], abs=0.02)
    with pytest.raises(UsageError, match="air of 130"):
        ambient_factor(403.15, 313.15, rise)


# -- the curve image --------------------------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(st.floats(1.285, 35.0))
def test_constant_currents_reproduce_the_curve_an_image_was_made_from(current):
    """O19: from cold the curve image and the integral have the times of their curve (identity)."""
    image = curve_image(0.0)
    time = float(image.edge.time(current))
    assert when(CurrentProfile.constant(current, 2.0 * time), image) == pytest.approx(time, rel=1e-9)
    exact = laws.two_node_time(current, 1.28, 0.5, 30.0, 900.0)
    assert when(CurrentProfile.constant(current, 2.0 * exact), NOMINAL) == pytest.approx(exact, rel=1e-9)
    assert when(CurrentProfile.constant(current, 2.0 * exact), plain_integral()) == pytest.approx(exact, rel=1e-9)


# -- how wrong the wrong model is (facts section 5; the true device is the nominal two-node image; computed) -----------


@pytest.mark.parametrize(
    ("overload", "two_node", "curve", "integral"), [(2.0, 20.6, 25.3, 44.3), (1.45, 298.0, 499.0, 736.0)]
)
def test_wrong_models_are_late_after_a_preload(overload, two_node, curve, integral):
    """0.9 x rated for 2 h, then an overload: curve image and integral open later than the device."""
    profile = steps((7200, 0.9), (3600, overload))
    found = [when(profile, element) - 7200.0 for element in (NOMINAL, curve_image(900.0), plain_integral())]
    assert found[0] == pytest.approx(two_node, rel=5e-3)
    assert found[1:] == pytest.approx([curve, integral], rel=3e-3)
    assert found[0] < found[1] < found[2]


@pytest.mark.parametrize(
    ("profile", "integral", "curve"),
    [
        (cycle(2.0, 20.0, 0.3, 100.0, 7200.0), 244.0, {900.0: 251.0, 300.0: 375.0, 85.0: np.inf, 30.0: np.inf}),
        (cycle(3.0, 5.0, 0.0, 60.0, 7200.0), 133.0, {900.0: 134.0, 300.0: 198.0, 30.0: np.inf}),
    ],
)
def test_wrong_models_credit_trips_that_never_come_on_cyclic_overloads(profile, integral, curve):
    """The device never opens in 2 h; an integral that keeps its count, and slow cooling, open within minutes."""
    assert np.isinf(when(profile, NOMINAL))
    held = Integral(
        plain_integral().law, 1.28, Reset("memory", 1e12)
    )  # the integral as a fuse user would take it: no reset
    assert when(profile, held) == pytest.approx(integral, abs=0.6)
    for cooling, time in curve.items():
        assert when(profile, curve_image(cooling)) == pytest.approx(time, abs=0.6)
    assert np.isinf(when(profile, curve_image(0.0)))  # the slow edge's rule: cool with the overload's own constant


# -- relays -----------------------------------------------------------------------------------------------------------


def test_relay_through_a_step():
    """IEEE F, dial 1: 4 s at M 2, then M 5: 4.75197 s (O10, computed)."""
    assert when(steps((4, 2.0), (9, 5.0)), relay_integral("F", 1.0, 1.0)) == pytest.approx(4.75197, abs=6e-6)


@pytest.mark.parametrize(("reset", "time"), [(Reset("curve", 21.6), 6.24873), (Reset("instant"), 7.94225)])
def test_relay_reset_changes_the_answer(reset, time):
    """IEEE E, dial 1: 2 s at M 3, 3 s at M 0.5, then M 3 (O11, computed)."""
    profile = steps((2, 3.0), (3, 0.5), (9, 3.0))
    assert when(profile, relay_integral("E", 1.0, 1.0, reset)) == pytest.approx(time, abs=6e-6)


def test_relay_on_a_ramp():
    """Standard inverse, multiplier 1, M = 2 + t with the clamp at 20: 4.8239 s (O12, computed)."""
    profile = steps((30, 2.0, 32.0))
    assert when(profile, relay_integral("A", 1.0, 1.0)) == pytest.approx(4.8239, abs=6e-5)


def test_relay_resets_from_full_travel():
    """IEEE F at M 0.5, dial 1: 29.1 / (1 - 0.25) = 38.8 s (O23, computed)."""
    relay = relay_integral("F", 1.0, 1.0, Reset("curve", 29.1))
    assert relay.advance((1.0,), 0.5, 0.5, 38.8 / 2)[0] == pytest.approx(0.5, abs=1e-12)
    assert relay.advance((1.0,), 0.5, 0.5, 38.8)[0] == pytest.approx(0.0, abs=1e-12)
    assert relay.advance((1.0,), 0.5, 0.5, 100.0)[0] == 0.0  # not below rest


@pytest.mark.parametrize("curve", list(laws.RELAY_CURVES))
@pytest.mark.parametrize("setting", [0.1, 1.0])
def test_relay_at_constant_current_has_its_own_time(curve, setting):
    """The integral at constant M is t(M) (definition), and the setting scales it."""
    for multiple in (1.5, 4.0, 30.0):
        time = float(laws.relay_time(multiple, curve, setting))
        assert when(CurrentProfile.constant(multiple, 2 * time), relay_integral(curve, setting, 1.0)) == pytest.approx(
            time
        )


def test_between_pickup_and_threshold_the_slow_edge_makes_no_progress():
    """No time is stated for 1 < M < 1.1 (makers' manuals: read): slow takes none, fast takes the formula."""
    profile = CurrentProfile.constant(1.05, 1e4)
    assert np.isinf(when(profile, relay_integral("B", 1.0, 1.0, side="slow")))
    fast = when(profile, relay_integral("B", 1.0, 1.0, side="fast"))
    assert fast == pytest.approx(13.5 / 0.05)  # IEC 60255-151 B


def test_thermal_memory_of_an_electronic_release_decays():
    """t6 = 10 s: 100 s at 1.2 uses 0.4; 600 s of pause with tau 600 leave 0.4/e; then 6 x takes (1 - 0.4/e) 10 s."""

    def law(current):
        return laws.electronic_long_time(current, 10.0)

    release = Integral(law, 1.05, Reset("memory", 600.0))
    trip = when(steps((100, 1.2), (600, 0.0), (60, 6.0)), release)
    assert trip - 700.0 == pytest.approx(10.0 * (1.0 - 0.4 / np.e), rel=1e-9)


def test_reset_is_checked():
    """Issue 4: one clear error each."""
    with pytest.raises(UsageError, match="instant, curve or memory"):
        Reset("slowly", 3.0)
    with pytest.raises(UsageError, match="positive time"):
        Reset("curve")


# -- magnetic and adiabatic -------------------------------------------------------------------------------------------


def test_magnetic_release_needs_half_a_cycle():
    """9 ms above the threshold do nothing, 10 ms open it; a spike before does not count (facts M5)."""
    release = MagneticElement(100.0)
    assert np.isinf(when(steps((1, 10.0), (0.009, 200.0), (1, 10.0), (0.009, 200.0), (1, 10.0)), release))
    assert when(steps((1, 10.0), (0.005, 200.0), (0.5, 150.0)), release) == pytest.approx(1.01)
    assert when(steps((1, 0.0, 200.0), (1, 200.0)), release) == pytest.approx(0.51)
    assert np.isinf(when(steps((0.015, 200.0, 0.0)), release))  # 7.5 ms above
    assert when(steps((0.04, 200.0, 0.0)), release) == pytest.approx(0.01)


def test_threshold_itself_is_held_by_the_fast_and_acted_on_by_the_slow_edge():
    """IEC 60898-1 rows d and e: must not operate at the hold current, must at the trip current (read)."""
    profile = CurrentProfile.constant(100.0, 1.0)
    assert np.isinf(when(profile, MagneticElement(100.0, strict=True)))
    assert when(profile, MagneticElement(100.0, 0.1)) == pytest.approx(0.1)


def test_adiabatic_element_opens_on_its_energy():
    """16 A gG, 300 A² s at least (IEC 60269-1 table 7, read): 1 kA takes 0.3 ms; a ramp 0 to 1 kA in 1 ms, (3 W/s²)^(1/3)."""
    element = AdiabaticElement(300.0)
    assert when(CurrentProfile.constant(1000.0, 0.01), element) == pytest.approx(3e-4, rel=1e-12)
    assert when(steps((0.001, 0.0, 1000.0)), element) == pytest.approx((900.0 / 1e12) ** (1 / 3), rel=1e-9)


def test_adiabatic_element_carries_its_non_fusing_current():
    """Cooling 300 / 20² = 0.75 s (16 A gG, Inf 20 A; derived): 20 A for ever, a cycle of pulses with rest as well."""
    element = AdiabaticElement(300.0, 0.75)
    assert np.isinf(when(CurrentProfile.constant(19.999, 1e5), element))
    assert when(CurrentProfile.constant(20.5, 1e3), element) == pytest.approx(0.75 * np.log(420.25 / 20.25), rel=1e-9)
    assert np.isinf(when(cycle(100.0, 0.02, 0.0, 2.0, 100.0), element))
    with pytest.raises(UsageError, match="no steady state"):
        AdiabaticElement(300.0).soaked(5.0)


# -- the device -------------------------------------------------------------------------------------------------------


def test_first_element_to_operate_opens_the_device_and_says_which():
    """Two-node image with a magnetic release at 5: 2 A opens the thermal, 6 A the magnetic one in 0.1 s."""
    device = DeviceImage("d", "slow", (("thermal", NOMINAL), ("magnetic", MagneticElement(5.0, 0.1))))
    slow, quick = (trip_time(CurrentProfile.constant(c, 1e3), device) for c in (2.0, 6.0))
    assert (slow.element, quick.element) == ("thermal", "magnetic")
    assert quick.time == pytest.approx(0.1)


def test_where_nothing_is_known_the_answer_is_unknown_not_never():
    """Facts section 8: no data is not a verdict; what opened before is still known."""
    device = alone(NOMINAL, unknown=((3.0, np.inf, "nothing above 3 A"),))
    trip = trip_time(steps((5, 1.0, 2.0), (5, 2.0, 4.0), (900, 2.0)), device)
    assert trip.outcome == "unknown" and np.isnan(trip.time) and trip.reason == "nothing above 3 A"
    assert trip.history_time[-1] == pytest.approx(7.5)
    assert trip_time(steps((900, 2.0), (5, 4.0)), device).time == pytest.approx(44.3, abs=0.1)
    below = alone(NOMINAL, unknown=((1.0, 3.0, "gap"),))
    assert trip_time(steps((10, 4.0, 0.5)), below).history_time[-1] == pytest.approx(10.0 / 3.5)


def test_a_stored_state_goes_on_where_it_was():
    """Interrupted anywhere, the trip comes at the same time (trap 11: state is kept, never zeroed)."""
    device = DeviceImage("d", "slow", (("thermal", NOMINAL), ("magnetic", MagneticElement(5.0, 0.1))))
    profile = steps((600, 1.2), (200, 0.5, 1.4), (900, 1.6))
    whole = trip_time(profile, device)
    for border in (100.0, 700.0, whole.time - 1.0):
        first = trip_time(profile, device, end=border)
        assert first.outcome == "carries"
        assert trip_time(profile, device, first.state, begin=border).time == pytest.approx(whole.time, rel=1e-11)
    with pytest.raises(UsageError, match="does not belong"):
        trip_time(profile, device, ((0.0,), (0.0,)))


def test_history_holds_levels_up_to_the_opening():
    """The kept levels end at 1 at the moment of opening; looks add moments inside segments."""
    trip = trip_time(CurrentProfile.constant(2.0, 100.0), alone(NOMINAL), looks=9)
    assert len(trip.history_time) == 11
    assert (np.diff(trip.history_level[:, 0]) > 0).all()
    assert trip.history_level[-1, 0] == pytest.approx(1.0, abs=1e-9)
    assert trip.history_time[-1] == trip.time


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(5.0, 900.0), st.floats(0.0, 4.0), st.floats(0.0, 4.0)), min_size=1, max_size=6),
    st.floats(0.3, 0.95),
)
def test_a_quicker_device_never_opens_later(pieces, factor):
    """Pickup and both time constants scaled down: on any history the quicker image opens no later (monotonicity)."""
    profile = steps(*pieces)
    quicker = TwoNodeImage(1.28 * factor, 0.5, 30.0, 900.0)
    assert when(profile, quicker) <= when(profile, NOMINAL)


def test_staircase_edges_can_be_followed_too():
    """A level stretch: 60 s from 2.55 A up, never below (IEC 60898-1 row c as slow staircase, read)."""
    edge = Edge(
        "slow", (Stretch("standard", (0.0, 2.55), (np.inf, np.inf)), Stretch("standard", (2.55, np.inf), (60.0, 60.0)))
    )
    image = CurveImage(edge, 2.549999, 900.0)
    assert when(CurrentProfile.constant(3.0, 100.0), image) == pytest.approx(60.0)
    assert np.isinf(when(CurrentProfile.constant(2.5, 1e5), image))
