"""Protection laws against worked examples of their sources."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from ampsoak.coverage import laws

MM2 = laws.SQUARE_MILLIMETRE
ROOT = 1e6  # one A s½/mm² in A s½/m²


def celsius(temperature):
    return temperature + 273.15


@pytest.mark.parametrize(
    ("current", "exact_constant", "printed_constant"),
    [(100.0, 8.242085, 8.266269), (200.0, 2.060521, 2.066567), (500.0, 0.329683, 0.330651)],
)
def test_adiabatic_heating_of_2_5_mm2_copper_from_70_to_160(current, exact_constant, printed_constant):
    """IEC 60949:1988 clause 3, K from material constants and K = 226 (memory high; computed)."""
    copper = laws.ADIABATIC_METALS["copper"]
    exact = laws.adiabatic_constant(copper.volumetric_heat, copper.beta, copper.resistivity)
    states = (celsius(70), celsius(160))
    assert laws.adiabatic_heating_time(current, 2.5 * MM2, exact, copper.beta, *states) == pytest.approx(
        exact_constant, rel=1e-6, abs=5e-7
    )
    assert laws.adiabatic_heating_time(current, 2.5 * MM2, copper.constant, copper.beta, *states) == pytest.approx(
        printed_constant, rel=1e-6, abs=5e-7
    )


@pytest.mark.parametrize(
    ("metal", "computed"), [("copper", 225.669), ("aluminium", 148.108), ("lead", 41.157), ("steel", 78.186)]
)
def test_material_constants_give_the_printed_constant(metal, computed):
    """IEC 60949:1988 table I, K 226, 148, 41, 78 (226 and 148 read in abstracts, the rest memory high)."""
    row = laws.ADIABATIC_METALS[metal]
    constant = laws.adiabatic_constant(row.volumetric_heat, row.beta, row.resistivity)
    assert constant / ROOT == pytest.approx(computed, abs=5e-4)
    assert constant / row.constant == pytest.approx(1.0, abs=4e-3)


@pytest.mark.parametrize(
    ("metal", "start", "stop", "printed"),
    [
        ("copper", 70, 160, 115), ("copper", 70, 140, 103), ("copper", 90, 250, 143), ("copper", 60, 200, 141),
        ("copper", 90, 160, 100), ("copper", 90, 140, 86), ("copper", 85, 220, 134), ("copper", 30, 160, 143),
        ("copper", 30, 250, 176), ("copper", 105, 250, 135), ("aluminium", 70, 160, 76), ("aluminium", 70, 140, 68),
        ("aluminium", 90, 250, 94), ("aluminium", 60, 200, 93), ("aluminium", 90, 160, 66), ("aluminium", 85, 220, 89),
        ("steel", 30, 160, 52),
    ],
)  # fmt: skip
def test_k_values_of_the_wiring_rules_follow_from_the_constants(metal, start, stop, printed):
    """IEC 60364-4-43 table 43A and 60364-5-54 annex A (in part read in a Dutch adoption, the rest memory high)."""
    row = laws.ADIABATIC_METALS[metal]
    assert laws.adiabatic_k(row.constant, row.beta, celsius(start), celsius(stop)) / ROOT == pytest.approx(
        printed, abs=0.6
    )


@pytest.mark.parametrize(
    ("start", "stop", "copper_k", "aluminium_k"),
    [(70, 160, 114.84, 76.09), (90, 250, 142.87, 94.55), (85, 220, 133.97, 88.69), (30, 160, 142.69, 94.61)],
)
def test_k_from_the_coefficients_of_the_published_formula(start, stop, copper_k, aluminium_k):
    """k = sqrt(Qc (B+20)/rho20 ln(...)) with the constants read in a note on the constant; 2nd decimal computed."""
    for metal, expected in (("copper", copper_k), ("aluminium", aluminium_k)):
        row = laws.ADIABATIC_METALS[metal]
        constant = laws.adiabatic_constant(row.volumetric_heat, row.beta, row.resistivity)
        found = laws.adiabatic_k(constant, row.beta, celsius(start), celsius(stop)) / ROOT
        assert found == pytest.approx(expected, abs=6e-3)


@pytest.mark.parametrize(
    ("mils", "metal", "start", "stop", "time", "current"),
    [
        (6530, "copper", 75, 150, 1.0, 345.712),
        (6530, "copper", 75, 150, 0.1, 1093.238),
        (6530, "copper", 90, 250, 1.0, 469.830),
        (4110, "copper", 75, 150, 1.0, 217.592),
        (211600, "aluminium", 75, 150, 1.0, 7331.92),
    ],
)
def test_icea_short_circuit_currents(mils, metal, start, stop, time, current):
    """ICEA P-32-382: 12 AWG, 14 AWG and 4/0 (copper constants read in course notes, aluminium from memory)."""
    area = mils * laws.CIRCULAR_MIL
    found = laws.icea_short_circuit_current(time, area, metal, celsius(start), celsius(stop))
    assert found == pytest.approx(current, rel=2e-6)


@pytest.mark.parametrize(("metal", "expected"), [("copper", 104.483), ("aluminium", 68.382)])
def test_icea_equivalent_k(metal, expected):
    """ICEA P-32-382 75 to 150 °C in A s½/mm² (computed from its constants)."""
    found = laws.icea_short_circuit_current(1.0, 1.0 * MM2, metal, celsius(75), celsius(150))
    assert found == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("current", "time", "area"), [(3000.0, 0.4, 16.50), (2500.0, 0.1, 6.87)])
def test_withstand_time_and_area_agree(current, time, area):
    """S = I sqrt(t) / k at k = 115 (O9; IEC 60364-5-54 543.1.2, computed)."""
    exact = current * np.sqrt(time) / 115.0
    assert exact == pytest.approx(area, abs=5e-3)
    assert laws.adiabatic_withstand_time(current, 115 * ROOT, exact * MM2 * (1 + 1e-12)) == pytest.approx(time)


def test_withstand_of_2_5_mm2_at_1_ka_lies_outside_the_span():
    """k²S² = 82 656 A² s; 0.0827 s at 1 kA is shorter than 0.1 s (O21; IEC 60364-4-43 434.5.2)."""
    energy = laws.adiabatic_energy(115 * ROOT, 2.5 * MM2)
    assert energy == pytest.approx(82656.25)
    assert energy / 1000.0**2 == pytest.approx(0.0827, abs=5e-5)
    times = laws.adiabatic_withstand_time(np.array([100.0, 200.0, 900.0, 1000.0]), 115 * ROOT, 2.5 * MM2)
    assert np.isnan(times).tolist() == [True, False, False, True]


RELAY_GRID = {  # M = 1.5, 2, 3, 5, 10, 20
    "A": (17.194, 10.029, 6.302, 4.280, 2.971, 2.267),
    "B": (27.0, 13.5, 6.75, 3.375, 1.5, 0.7105),
    "C": (64.0, 26.667, 10.0, 3.3333, 0.8081, 0.2005),
    "D": (6.4390, 3.8032, 2.4322, 1.6883, 1.2068, 0.9481),
    "E": (16.179, 7.0277, 2.9423, 1.3081, 0.6891, 0.5401),
    "F": (22.682, 9.5217, 3.6467, 1.2967, 0.4065, 0.1924),
    "long-time inverse": (240.0, 120.0, 60.0, 30.0, 13.333, 6.3158),
    "short-time inverse": (3.0579, 1.7785, 1.1130, 0.7519, 0.5183, 0.3928),
}


@pytest.mark.parametrize("curve", RELAY_GRID)
def test_relay_times(curve):
    """IEC 60255-151 A-C, IEEE C37.112 D-F and trade curves (constants read in makers' manuals; O3, P1, P2)."""
    multiples = np.array([1.5, 2.0, 3.0, 5.0, 10.0, 20.0])
    assert laws.relay_time(multiples, curve) == pytest.approx(RELAY_GRID[curve], rel=2e-4)


@pytest.mark.parametrize(
    ("curve", "times"),
    [
        ("A", (17.1942, 10.0290, 4.2797, 2.9706, 2.2674)),
        ("short-time inverse", (3.0579, 1.7785, 0.7519, 0.5183, 0.3928)),
        ("D", (6.4390, 3.8032, 1.6883, 1.2068, 0.9481)),
        ("E", (16.1790, 7.0277, 1.3081, 0.6891, 0.5401)),
        ("F", (22.6817, 9.5217, 1.2967, 0.4065, 0.1924)),
    ],
)
def test_relay_times_to_four_decimals(curve, times):
    """P1 and P2: IEC 60255-151 and IEEE C37.112 at 1.5, 2, 5, 10, 20 (constants read; within 1e-4 s)."""
    assert laws.relay_time(np.array([1.5, 2.0, 5.0, 10.0, 20.0]), curve) == pytest.approx(times, abs=1e-4)


def test_published_relay_example():
    """2000 A on 400/1 with a 50 % plug is M = 10: 2.97 s; a tenth of it at TMS 0.1 (O1, O2, a published note: read)."""
    multiple = 2000.0 / 400.0 / 0.5
    assert laws.relay_time(multiple, "A") == pytest.approx(2.97, abs=5e-3)
    assert laws.relay_time(multiple, "A", setting=0.1) == pytest.approx(0.297, abs=5e-4)


def test_relay_holds_its_time_above_twenty_and_is_silent_below_its_threshold():
    """Clamp at 20 (O4, makers' manuals: read); no time at M <= 1, none stated below the threshold."""
    assert laws.relay_time(40.0, "C") == laws.relay_time(20.0, "C") == pytest.approx(0.2005, abs=5e-5)
    below = laws.relay_time(np.array([0.5, 1.0, 1.05, 1.1]), "E")
    assert np.isinf(below[:2]).all()
    assert np.isnan(below[2])
    assert np.isfinite(below[3])


def test_time_dial_multiplies_the_constant_too():
    """IEEE C37.112: t = TD (A / (M^p - 1) + B), so doubling the dial doubles the time (facts read in manuals)."""
    assert laws.relay_time(20.0, "E", setting=2.0) == pytest.approx(2 * 0.5401, abs=2e-4)


def test_electronic_long_time_class_table():
    """A motor protector's manual, class table K = 1 (O5: read)."""
    multiples = np.array([1.2, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.2])
    printed = [25, 16, 9, 4, 2.26, 1.44, 1, 0.7]
    assert laws.electronic_long_time(multiples, 1.0) == pytest.approx(printed, rel=0.01)
    assert np.isinf(laws.electronic_long_time(1.05, 1.0))


def test_withstand_meets_an_extremely_inverse_relay_at_one_current():
    """P5: 2.5 mm² copper k = 115, pickup 32 A, TMS 0.1 cross at I² = W / (W / Ip² - 80 TMS) (computed)."""
    energy = laws.adiabatic_energy(115 * ROOT, 2.5 * MM2)

    def gap(current):
        return energy / current**2 - laws.relay_time(current / 32.0, "C", setting=0.1, threshold=1.0)

    crossing = brentq(gap, 33.0, 35.0, xtol=1e-12)
    assert crossing == pytest.approx(33.714282, rel=1e-6)
    assert energy / crossing**2 == pytest.approx(72.718994, rel=1e-6)


FIRST_ORDER = {"pickup": 1.05, "time_constant": 600.0}


def test_first_order_image_cold_and_hot():
    """IEC 60255-149, tau 600 s, k IB = 1.05 (O13, O14; form read in manuals, values computed)."""
    currents = np.array([1.2, 1.5, 2.0, 3.0, 6.0])
    cold = laws.first_order_time(currents, **FIRST_ORDER)
    assert cold == pytest.approx([870.5, 404.01, 193.47, 78.41, 18.66], rel=5e-5, abs=5e-3)
    hot = laws.first_order_time(currents, preload=0.9, **FIRST_ORDER)
    assert hot == pytest.approx([374.49, 136.23, 57.70, 21.82, 5.01], abs=5.1e-3)


def test_first_order_image_never_operates_up_to_its_pickup():
    """At I <= k IB the logarithm has no meaning: never (IEC 60255-149)."""
    assert np.isinf(laws.first_order_time(np.array([0.0, 1.0, 1.05]), **FIRST_ORDER)).all()


def test_first_order_image_through_a_profile():
    """100 s at 2, 300 s at 0.5, then 2 (O15, computed exactly)."""
    high, low = (2 / 1.05) ** 2, (0.5 / 1.05) ** 2
    first = laws.first_order_step(0.0, high, 100.0, 600.0)
    second = laws.first_order_step(first, low, 300.0, 600.0)
    assert (first, second) == pytest.approx((0.556982, 0.427049), abs=1e-6)
    assert laws.first_order_crossing(second, high, 600.0) == pytest.approx(118.330, abs=1e-3)
    assert np.isinf(laws.first_order_crossing(second, low, 600.0))


@pytest.mark.parametrize(("state", "time"), [(0.5, 415.888), (0.8, 133.886)])
def test_first_order_image_cools(state, time):
    """From H = 1 at I = 0 (O16: tau ln(H0 / H1))."""
    assert laws.first_order_step(1.0, 0.0, time, 600.0) == pytest.approx(state, rel=2e-6)


def test_recursion_of_sampled_relays_is_one_step_late():
    """dt = 1 s, I = 2 trips on step 194, exact 193.468 s (O17, IEC 60255-149 annex, memory high)."""
    state, steps = 0.0, 0
    while state < 1.0:
        state = laws.first_order_recursion(state, (2 / 1.05) ** 2, 1.0, 600.0)
        steps += 1
    assert steps == 194
    assert laws.first_order_time(2.0, **FIRST_ORDER) == pytest.approx(193.468, abs=1e-3)


NOMINAL = {"pickup": 1.28, "share": 0.5, "fast": 30.0, "slow": 900.0}


def test_two_node_image_cold_grid():
    """Nominal household set at 1.35 ... 5 x rated (O18, computed; within one unit of the last printed figure)."""
    printed = {1.35: (1439, 1), 1.45: (736, 1), 1.5: (549, 1), 2.0: (44.3, 0.1), 2.55: (19.8, 0.1), 3.0: (12.9, 0.1)}
    for current, (time, last_figure) in printed.items():
        assert laws.two_node_time(current, **NOMINAL) == pytest.approx(time, abs=last_figure)
    assert laws.two_node_time(5.0, **NOMINAL) == pytest.approx(4.06, abs=0.01)


def test_two_node_time_satisfies_its_own_equation():
    """share e^(-t/tau1) + (1 - share) e^(-t/tau2) = (I² - Ik²) / (I² - Ip²), written out again here (identity)."""
    for current, preload in ((1.2801, 0.0), (1.35, 1.2), (2.55, 0.0), (40.0, 0.5)):
        time = laws.two_node_time(current, preload=preload, **NOMINAL)
        left = 0.5 * np.exp(-time / 30.0) + 0.5 * np.exp(-time / 900.0)
        assert left == pytest.approx((current**2 - 1.28**2) / (current**2 - preload**2), rel=1e-11)


@pytest.mark.parametrize(("current", "time"), [(2.0, 20.600), (1.45, 298.04)])
def test_two_node_image_preloaded(current, time):
    """After 0.9 x rated to the steady state (O18, computed)."""
    assert laws.two_node_time(current, preload=0.9, **NOMINAL) == pytest.approx(time, abs=5.1e-3)


def test_two_node_steps_add_up_to_the_closed_time():
    """Many exact steps reach pickup² at the closed-form time (identity)."""
    time = float(laws.two_node_time(2.0, **NOMINAL))
    state = np.zeros(2)
    for _ in range(7):
        state = laws.two_node_step(state, 4.0, time / 7, 30.0, 900.0)
    assert 0.5 * state.sum() == pytest.approx(1.28**2, rel=1e-12)


def test_two_node_image_never_operates_up_to_its_pickup():
    """At I <= pickup the weighted sum stays below pickup² for ever (identity)."""
    assert np.isinf(laws.two_node_time(np.array([0.5, 1.28]), **NOMINAL)).all()
    assert np.isfinite(laws.two_node_time(1.28 * (1 + 1e-9), **NOMINAL))


def test_one_node_limit_of_the_two_node_image():
    """Share 1 is the first-order image (identity); also O24: k 1.349, tau 197.7, 25 A on 15 A gives 210.4 s
    (last figure cut, not rounded: the facts' time constant is itself rounded)."""
    single = laws.two_node_time(25 / 15, 1.349, 1.0, 197.7, 1000.0)
    assert single == pytest.approx(laws.first_order_time(25 / 15, 1.349, 197.7), rel=1e-12)
    assert single == pytest.approx(210.4, abs=0.1)
