"""The time-current figure shows what a protection engineer looks for, where it belongs."""

from __future__ import annotations

import dataclasses
import itertools

import matplotlib.colors
import numpy as np
import pytest
import report_samples as samples
from figure_reading import axes_of, lines_of, texts_of

from ampsoak.coverage.compare import cover
from ampsoak.coverage.laws import adiabatic_energy
from ampsoak.report import style
from ampsoak.report.figures import time_current_figure
from ampsoak.report.tables import time_current_table
from ampsoak.report.time_current_data import OUTSIDE, axis_spans, damage_times, limit_series
from ampsoak.report.words import OUTSIDE_VALIDITY
from ampsoak.runfile.records import OUTCOMES
from ampsoak.scenario.device_case import DeviceChoice, LoadPoint


@pytest.fixture(scope="module")
def figure():
    return time_current_figure(samples.curve(), samples.coverage("breaker"))


def test_both_axes_are_logarithmic_with_decades_of_equal_length(figure):
    """The habit of time-current sheets: a slope on the sheet is then a power of the current."""
    axes = axes_of(figure, "time-current")
    assert axes.get_xscale() == axes.get_yscale() == "log"
    place, (width, height) = axes.get_position(), figure.get_size_inches()
    across = place.width * width / np.log10(np.divide(*axes.get_xlim()[::-1]))
    upwards = place.height * height / np.log10(np.divide(*axes.get_ylim()[::-1]))
    assert across == pytest.approx(upwards, rel=1e-9)


def test_axes_run_from_half_the_rating_to_twice_the_fault_current_and_at_least_three_decades(figure):
    axes = axes_of(figure, "time-current")
    assert axes.get_xlim() == pytest.approx((10.0, 10_000.0))  # 0.5 x 20 A; 2 x 1500 A is less than three decades
    assert axes.get_ylim() == pytest.approx((0.01, 1e5))
    strong = dataclasses.replace(samples.curve(), fault_current=9000.0)
    assert axis_spans(strong, samples.coverage("breaker"))[0] == pytest.approx((10.0, 18_000.0))


def test_limit_lines_pass_through_every_computed_time(figure):
    curve, axes = samples.curve(), axes_of(figure, "time-current")
    for number, limit in enumerate(curve.limits):
        (line,) = lines_of(axes, f"limit {limit['name']}")
        current, time = line.get_data()
        for place in np.flatnonzero(curve.outcome[number] == OUTCOMES.index("reached")):
            at = int(np.argmin(np.abs(current - curve.current[place])))
            assert current[at] == curve.current[place]
            assert time[at] == pytest.approx(curve.time_to_limit[number, place], rel=1e-12)


def test_the_knee_is_marked_at_the_first_current_that_reaches_the_limit(figure):
    curve, axes = samples.curve(), axes_of(figure, "time-current")
    for number, limit in enumerate(curve.limits):
        (knee,) = lines_of(axes, f"knee {limit['name']}")
        first = int(np.flatnonzero(curve.outcome[number] == OUTCOMES.index("reached"))[0])
        assert knee.get_xdata().tolist() == [curve.current[first]] and knee.get_marker() not in ("", "None")


def test_adiabatic_line_obeys_its_law_and_stays_within_its_span(figure):
    """I²t = k²S² between 0.1 and 5 s: IEC 60364-4-43 clause 434.5.2 (from memory)."""
    (line,) = lines_of(axes_of(figure, "time-current"), "adiabatic")
    current, time = line.get_data()
    assert time.min() == pytest.approx(0.1, rel=1e-6) and time.max() == pytest.approx(5.0, rel=1e-6)
    assert current**2 * time == pytest.approx(np.full(current.shape, adiabatic_energy(115e6, 2.5e-6)), rel=1e-9)


def test_edges_are_solid_where_the_standard_proves_them_and_broken_where_it_does_not(figure):
    axes = axes_of(figure, "time-current")
    edges = [line for line in axes.get_lines() if " edge, " in str(line.get_label())]
    kinds = {str(line.get_label()).split(", ")[1].split(" ")[0] for line in edges}
    assert kinds == {"standard", "default"}
    for line in edges:
        solid = line.get_linestyle() == "-"
        assert solid == ("standard" in line.get_label()), line.get_label()
    fuse = axes_of(time_current_figure(samples.curve(), samples.coverage("fuse")), "time-current")
    drawn = [line for line in fuse.get_lines() if "interpolated" in str(line.get_label())]
    assert drawn and all(line.get_linestyle() != "-" for line in drawn)


def test_slow_edge_is_the_staircase_of_the_standard(figure):
    """IEC 60898-1 table 7 for B20 (read in makers' tables; 45 s from memory): 60 s from 51 A, 45 s from 60 A, 0.1 s from 100 A."""
    lines = lines_of(axes_of(figure, "time-current"), "slow edge, standard B20 breaker")
    points = {tuple(point) for line in lines for point in np.round(line.get_xydata(), 6)}
    assert {(51.0, 60.0), (60.0, 60.0), (60.0, 45.0), (100.0, 45.0), (100.0, 0.1)} <= points


def test_test_points_are_marked_with_one_marker_for_hold_and_another_for_trip(figure):
    """IEC 60898-1 table 7: B20 holds 22.6 A for an hour, and has opened after 60 s at 51 A (read in makers' tables)."""
    axes = axes_of(figure, "time-current")
    hold = [line for line in axes.get_lines() if "mark, hold" in str(line.get_label())]
    trip = [line for line in axes.get_lines() if "mark, trip" in str(line.get_label())]
    assert {line.get_marker() for line in hold} == {"^"} and {line.get_marker() for line in trip} == {"v"}
    assert [22.6, 3600.0] in [point.tolist() for line in hold for point in np.round(line.get_xydata(), 9)]
    assert [51.0, 60.0] in [point.tolist() for line in trip for point in np.round(line.get_xydata(), 9)]


def test_uncovered_range_is_hatched_and_written_with_its_currents(figure):
    coverage = samples.coverage("breaker")
    low, high = coverage.devices[0].limits[0].uncovered[0]
    axes = axes_of(figure, "time-current")
    (area,) = [one for one in axes.collections if one.get_label() == "uncovered"]
    assert area.get_hatch()
    reached = area.get_paths()[0].vertices[:, 0]
    assert (reached.min(), reached.max()) == pytest.approx((low, high), rel=1e-6)
    (words,) = [one for one in texts_of(figure) if one.startswith("Uncovered")]
    assert f"{low:.1f} A to {high:.1f} A" in words


def test_rated_operating_and_fault_current_are_marked(figure):
    words = texts_of(figure)
    assert "In = 20 A" in words and "I2 = 29 A" in words  # 1.45 x 20 A, IEC 60898-1 table 7 row b
    assert "prospective fault current 1500 A" in words
    (line,) = lines_of(axes_of(figure, "time-current"), "fault current")
    assert set(line.get_xdata()) == {1500.0}


def test_ribbon_shows_every_interval_of_every_limit(figure):
    """Each verdict keeps its own hatch or tone, so that it can be told on a black-and-white copy."""
    coverage = samples.coverage("breaker")
    patches = [patch for axes in figure.axes for patch in axes.patches if str(patch.get_gid()).startswith("verdict")]
    wanted = [interval.verdict for limit in coverage.devices[0].limits for interval in limit.intervals]
    assert sorted(patch.get_gid().split()[1] for patch in patches) == sorted(wanted)
    looks = {(look.fill, look.hatch) for look in style.VERDICTS.values()}
    assert len(looks) == len(style.VERDICTS)


def test_unknown_ranges_are_drawn_as_unknown_and_no_edge_is_extended():
    """Points of the maker end at 100 A; nothing is drawn past them: a standard or maker names points, not a curve."""
    coverage = samples.coverage("points")
    figure = time_current_figure(samples.curve(), coverage)
    edges = [line for line in axes_of(figure, "time-current").get_lines() if " edge, " in str(line.get_label())]
    assert edges and max(line.get_xdata().max() for line in edges) == 100.0
    patches = [patch.get_gid() for axes in figure.axes for patch in axes.patches]
    assert "verdict unknown" in patches
    assert "unknown: no data there" in texts_of(figure)


def test_currents_still_below_the_limit_at_the_horizon_are_marked_as_open():
    curve = dataclasses.replace(samples.curve(), horizon=2000.0)
    late = curve.time_to_limit > 2000.0
    curve.outcome = np.where(late & (curve.outcome == 0), OUTCOMES.index("beyond_horizon"), curve.outcome).astype(np.int8)
    curve.time_to_limit = np.where(late, np.inf, curve.time_to_limit)
    figure = time_current_figure(curve, cover(curve, [samples.DEVICES["breaker"]]))
    axes = axes_of(figure, "time-current")
    (open_ended,) = lines_of(axes, f"beyond horizon {curve.limits[0]['name']}")
    assert set(open_ended.get_ydata()) == {2000.0} and open_ended.get_marker() == "^"
    assert any(words.startswith("longest time computed") for words in texts_of(figure))


def test_lines_differ_in_pattern_and_neighbours_in_lightness():
    """No line may be told by hue alone: patterns all differ, and next lines differ in lightness (WCAG relative luminance)."""
    assert len({str(look["linestyle"]) for look in style.LINES}) == len(style.LINES)

    def luminance(color):
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in matplotlib.colors.to_rgb(color)]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    light = [luminance(look["color"]) for look in style.LINES]
    assert all((max(a, b) + 0.05) / (min(a, b) + 0.05) > 1.3 for a, b in itertools.pairwise(light))
    # contrast with paper: text at least 4.5 to 1, lines at least 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11, from memory)
    assert 1.05 / (luminance(style.QUIET) + 0.05) > 4.5
    assert all(1.05 / (value + 0.05) > 3.0 for value in light)


def flagged(curve, number):
    limits = [limit | ({"damage": True} if place == number else {}) for place, limit in enumerate(curve.limits)]
    return dataclasses.replace(curve, limits=limits)


def test_a_limit_that_falls_after_the_damage_limit_is_grey_and_said_to_be_outside_validity():
    """Damage at 70 °C comes before 160 °C at every current: heating by a constant current never goes back (physics)."""
    curve = flagged(samples.curve(), 0)
    figure = time_current_figure(curve)
    axes = axes_of(figure, "time-current")
    first, second = (limit["name"] for limit in curve.limits)
    assert lines_of(axes, f"limit {first}") and not lines_of(axes, f"limit {first}{OUTSIDE}")
    (line,) = lines_of(axes, f"limit{OUTSIDE} {second}")
    assert line.get_color() == style.FAINT
    assert (line.get_ydata() >= damage_times(curve, line.get_xdata())).all()
    assert not lines_of(axes, f"limit {second}")
    key = [line for line in axes_of(figure, "sheet").get_lines() if line.get_color() == style.FAINT]
    assert len(key) == 2  # the limit's own sample, and the one that says what grey means
    assert any(OUTSIDE_VALIDITY in words for words in texts_of(figure))
    assert any(f"{first}, damage" in words for words in texts_of(figure))


def test_nothing_is_grey_before_the_damage_limit_or_without_one():
    for curve in (samples.curve(), flagged(samples.curve(), 1)):
        assert not [one for one in limit_series(curve) if one.kind.endswith(OUTSIDE)]
        assert not any(OUTSIDE_VALIDITY in words for words in texts_of(time_current_figure(curve)))


def test_what_loads_draw_stands_where_it_is_drawn_and_in_the_key_and_the_table():
    """72 A for 4 s and 25 A for 10 min as points (given); one below the sheet's 0.01 s is left out."""
    points = [LoadPoint("motor", 72.0, 4.0), LoadPoint("heater", 25.0, 600.0), LoadPoint("spike", 50.0, 0.001)]
    curve = samples.curve()
    coverage = cover(curve, [DeviceChoice("breaker", "IEC 60898-1", "B", 20.0)], load_points=points)
    figure = time_current_figure(curve, coverage)
    axes = axes_of(figure, "loads")
    for point in points[:2]:
        (mark,) = lines_of(axes, f"load point {point.name}")
        assert mark.get_xydata().tolist() == [[point.current, point.duration]]
    main = axes_of(figure, "time-current")
    assert (axes.get_xlim(), axes.get_ylim()) == (main.get_xlim(), main.get_ylim())
    assert not lines_of(axes, "load point spike")
    assert any("motor, 72.0 A for 4.0 s" in words.replace("\n", " ") for words in texts_of(figure))
    rows = [row for row in time_current_table(curve, coverage).rows if row[1] == "load point"]
    assert rows == [("motor", "load point", 72.0, 4.0), ("heater", "load point", 25.0, 600.0)]
