"""The figure of a history with devices in the loop shows what was found, and nothing where nothing was followed.

Expected values are those of the exponentials the sample is made of (closed form).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import protected_samples as samples
import pytest
from figure_reading import axes_of, lines_of, texts_of

from ampsoak.report.figures import protected_history_figure
from ampsoak.report.protected import course_table, peak_words, reached_table

UNIT = 60.0  # an hour is drawn in minutes


def line_after(time):
    return samples.ROOM + samples.RISE * (1 - np.exp(-np.asarray(time) / samples.LAG)) - 273.15


def figure_of(found):
    figure = protected_history_figure(found, "margin")
    figure.canvas.draw()
    return figure


def test_without_a_device_the_hottest_conductor_is_drawn_over_the_history():
    axes = axes_of(figure_of(samples.found()), "temperature")
    (line,) = lines_of(axes, "no device")
    time, temperature = line.get_data()
    assert temperature == pytest.approx(line_after(time * UNIT))
    assert time[-1] * UNIT == samples.DURATION


@pytest.mark.parametrize(("edge", "opened"), samples.OPENINGS.items())
def test_each_edge_leaves_that_line_where_it_opens(edge, opened):
    axes = axes_of(figure_of(samples.found()), "temperature")
    (line,), (mark,) = lines_of(axes, f"{edge} edge"), lines_of(axes, f"{edge} edge opens")
    time, temperature = line.get_data()
    assert time[0] * UNIT == pytest.approx(opened)
    assert temperature[0] == pytest.approx(line_after(opened))
    assert (np.diff(temperature) < 0).all()
    assert mark.get_xydata()[0] == pytest.approx([opened / UNIT, line_after(opened)])


def test_the_current_that_is_left_is_drawn_below():
    axes = axes_of(figure_of(samples.found()), "current")
    (line,) = lines_of(axes, "nominal edge")
    time, current = line.get_data()
    assert [time[0] * UNIT, current[0]] == [900.0, 30.0]
    assert current[time * UNIT > 900.0] == pytest.approx(0.0)
    (again,) = lines_of(axes, "fast edge")  # closed after 300 + 300 s for 60 s
    time, current = again.get_data()
    flowing = time[(current > 0) & (time * UNIT > 300.0)] * UNIT
    assert [flowing.min(), flowing.max()] == pytest.approx([600.0, 660.0])


def test_opening_again_is_marked_hollow_and_said():
    figure = figure_of(samples.found())
    (mark,) = lines_of(axes_of(figure, "temperature"), "fast edge opens again")
    assert mark.get_xdata() * UNIT == pytest.approx([660.0])
    assert mark.get_markerfacecolor() == "#ffffff"
    assert any("Hollow marks" in words for words in texts_of(figure))


def test_an_edge_that_does_not_open_has_words_and_no_line():
    figure = figure_of(samples.found())
    assert not lines_of(axes_of(figure, "temperature"), "slow edge")
    assert any("slow edge: does not open in this history" in words for words in texts_of(figure))


def test_edges_differ_without_colour():
    axes = axes_of(figure_of(samples.found()), "temperature")
    names = ("no device", "fast edge", "nominal edge")
    patterns = [str(lines_of(axes, name)[0]._dash_pattern) for name in names]  # matplotlib has no public way to read it
    assert len(set(patterns)) == len(names)
    marks = {lines_of(axes, f"{edge} edge opens")[0].get_marker() for edge in samples.OPENINGS}
    assert len(marks) == len(samples.OPENINGS)


def test_limits_are_lines_and_one_that_is_not_for_conductors_is_told():
    figure = figure_of(samples.found())
    for limit in samples.LIMITS:
        (line,) = lines_of(axes_of(figure, "temperature"), f"limit {limit.name}")
        assert set(line.get_ydata()) == {limit.temperature - 273.15}
    assert any(words.startswith("Not for conductors: fill 60 °C;") for words in texts_of(figure))


def test_a_course_far_beyond_the_limits_does_not_press_the_others_flat():
    found = samples.found()
    later = np.clip(found.without.time - max(samples.OPENINGS.values()), 0.0, None)[:, None]  # hot only after both have opened
    far = dataclasses.replace(found.without, part_maximum=found.without.part_maximum + later, peak=found.without.peak + 900.0)
    figure = figure_of(dataclasses.replace(found, without=far, edges=found.edges[:2]))
    assert axes_of(figure, "temperature").get_ylim()[1] < 3.2 * 70.0  # three times the highest limit, and some room
    assert any("beyond the axis" in words for words in texts_of(figure))


def test_where_nothing_is_known_or_no_limit_given_it_is_drawn():
    found = samples.found()
    lost = dataclasses.replace(found.edges[1].operating, operations=(), unknown_from=120.0, reason='"B20 breaker": no data')
    edge = dataclasses.replace(found.edges[1], operating=lost, reached=None)
    figure = figure_of(dataclasses.replace(found, edges=(edge,), limits=()))
    assert any('nominal edge: unknown from 2.0 min on, "B20 breaker": no data' in words for words in texts_of(figure))
    assert not lines_of(axes_of(figure, "temperature"), "nominal edge")


def test_words_of_a_peak_say_when_it_is_not_the_last_word():
    found = samples.found()
    base = found.without
    assert peak_words(found, base).startswith("at most ")
    rising = dataclasses.replace(base, still_rising=np.ones(len(samples.PARTS), bool))
    assert peak_words(found, rising).startswith("at least ")
    assert "copper melts" in peak_words(found, dataclasses.replace(base, ceiling_time=2000.0))


def test_tables_hold_what_is_drawn_and_every_part():
    found = samples.found()
    table = course_table(found)
    assert table.columns == ("course", "time [s]", "hottest conductor [°C]", "current in radial [A]")
    assert {row[0] for row in table.rows} == {"no device", "fast edge", "nominal edge"}
    for name, time, temperature, _ in table.rows:
        if name == "no device" or time <= samples.OPENINGS[name.split()[0]]:
            assert temperature == pytest.approx(line_after(time))
    reached = reached_table(found)
    assert len(reached.rows) == 4 * len(samples.PARTS)
    column = reached.columns.index("at opening [°C]")
    (row,) = [row for row in reached.rows if row[:2] == ("nominal", "line")]
    assert row[column] == pytest.approx(line_after(900.0))
