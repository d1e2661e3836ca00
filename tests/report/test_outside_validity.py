"""What lies past the first damage limit is grey in every figure, and nothing else is (issue 4; facts: curves are greyed past it)."""

from __future__ import annotations

import dataclasses

import numpy as np
import protected_samples
import report_samples as samples
from figure_reading import axes_of, lines_of, texts_of
from matplotlib.collections import QuadMesh

from ampsoak.report import style
from ampsoak.report.figures import (
    opening_temperature_figure,
    protected_history_figure,
    section_figure,
    time_current_figure,
)
from ampsoak.report.time_current_data import OUTSIDE, damage_times
from ampsoak.report.words import OUTSIDE_VALIDITY, damage_time


def flagged(record, number):
    """``record`` with its limit ``number`` flagged as damage."""
    limits = [limit | {"damage": place == number} for place, limit in enumerate(record.limits)]
    return dataclasses.replace(record, limits=type(record.limits)(limits))


def maps_of(figure) -> dict[str, str]:
    """Colour map of each map by its label."""
    return {
        axes.get_label(): next(one for one in axes.collections if isinstance(one, QuadMesh)).get_cmap().name
        for axes in figure.axes
        if axes.get_label().startswith(("map", "zoom"))
    }


def test_fields_stored_after_the_damage_limit_are_grey_and_as_light_as_the_scale():
    run = samples.run("damage")
    damaged = damage_time(run)
    figure = section_figure(run)
    for label, name in maps_of(figure).items():
        past = run.snapshot_time[int(label.split()[1])] >= damaged
        assert name == (style.outside_map().name if past else style.TEMPERATURE_MAP), label
    assert {name != style.TEMPERATURE_MAP for name in maps_of(figure).values()} == {True, False}  # the sample has both
    words = texts_of(figure)
    titles = [one for one in words if one.startswith("after ")]
    assert sum("outside validity" in one for one in titles) == int((run.snapshot_time >= damaged).sum())
    assert any(OUTSIDE_VALIDITY in one for one in words)
    grey = style.outside_map()(np.linspace(0, 1, 50))[:, :3]
    assert np.ptp(grey, axis=1).max() == 0.0  # no colour in it
    assert (np.diff(grey[:, 0]) > 0).all()  # hotter is lighter, as on the scale
    plain = section_figure(samples.run())
    assert set(maps_of(plain).values()) == {style.TEMPERATURE_MAP} and not any("outside validity" in one for one in texts_of(plain))


def test_maps_that_miss_the_hottest_moment_say_so():
    run = samples.run()
    hottest = run.conductor_temperature.max()
    early = section_figure(run, [0.0])
    assert any(f"hottest between these fields: {hottest - 273.15:.0f} °C" in one for one in texts_of(early))
    fields = np.full_like(run.snapshot_temperature[:1], hottest)
    shown = dataclasses.replace(run, snapshot_time=run.snapshot_time[:1], snapshot_temperature=fields)
    assert not any("between these fields" in one for one in texts_of(section_figure(shown)))


def test_temperatures_at_an_opening_after_the_damage_limit_are_grey():
    curve, coverage = flagged(samples.curve(), 0), samples.coverage("breaker")
    figure = opening_temperature_figure(curve, coverage)
    axes = axes_of(figure, "opening")
    entry = coverage.devices[0]
    damaged = dict(zip(curve.current.tolist(), damage_times(curve, curve.current).tolist(), strict=True))
    seen = 0
    for side, opening in (("fast", entry.fast), ("slow", entry.slow)):
        opens = dict(zip(curve.current.tolist(), opening.time.tolist(), strict=True))
        for word in ("opens", "never opens"):
            for line in lines_of(axes, f"B20 breaker, {side} edge {word}"):
                x, y = line.get_data()
                assert line.get_color() != style.FAINT
                assert all(opens[c] <= damaged[c] for c in x[np.isfinite(y)].tolist() if c in opens)
            for line in lines_of(axes, f"B20 breaker, {side} edge {word}{OUTSIDE}"):
                assert line.get_color() == style.FAINT
                seen += int(np.isfinite(line.get_ydata()).sum())
    assert seen > 0  # the standard's slow edge is too late for 70 °C over a whole range
    assert any(OUTSIDE_VALIDITY in one for one in texts_of(figure))
    plain = opening_temperature_figure(samples.curve(), coverage)
    assert not [line for line in axes_of(plain, "opening").get_lines() if str(line.get_label()).endswith(OUTSIDE)]


def test_courses_with_devices_are_grey_from_the_damage_limit_on():
    """The sample passes 70 °C after 900 s ln(90/40) = 730 s with no device, seen at its next row, 750 s; opens at 300 and 900 s."""
    found = flagged(protected_samples.found(), 0)
    assert found.damage_time() == 750.0
    axes = axes_of(protected_history_figure(found, "margin"), "temperature")
    (valid,), (past,) = lines_of(axes, "no device"), lines_of(axes, f"no device, {OUTSIDE_VALIDITY}")
    assert valid.get_xdata().max() == past.get_xdata().min() == 750.0 / 60
    assert past.get_color() == style.FAINT
    assert not lines_of(axes, f"fast edge, {OUTSIDE_VALIDITY}") and found.damage_time(found.edges[0]) == np.inf
    (fast,) = lines_of(axes, "fast edge")
    assert len(fast.get_xdata()) == len(found.edges[0].reached.time)
    (late,) = lines_of(axes, f"nominal edge, {OUTSIDE_VALIDITY}")  # opened after the limit: its whole line
    assert found.damage_time(found.edges[1]) == 750.0 and late.get_xdata().min() == 900.0 / 60
    assert any(OUTSIDE_VALIDITY in one for one in texts_of(axes.figure))
    plain = protected_history_figure(protected_samples.found(), "margin")
    assert not any(OUTSIDE_VALIDITY in one for one in texts_of(plain))


def test_several_devices_have_ribbons_of_all_in_series_and_the_best_of_them_is_hatched():
    """Which leaves least uncovered is counted here from the ranges; of one device there is no series."""
    names = [name for name in samples.DEVICES if name != "breaker"][:1]
    coverage = samples.coverage(*names, "breaker")
    figure = time_current_figure(samples.curve(), coverage)
    words = texts_of(figure)
    for limit in samples.curve().limits:
        assert any(one.startswith("all in series / ") and one[16:24] in limit["name"] for one in words)
    widths = {
        entry.device.name: sum(np.log(high / low) for limit in entry.limits for low, high in limit.uncovered)
        for entry in coverage.devices
    }
    best = min(widths, key=widths.get)
    assert any(one.startswith(f"{best} against") for one in words)
    assert not any("all in series" in one for one in texts_of(time_current_figure(samples.curve(), samples.coverage("breaker"))))
