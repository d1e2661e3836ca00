"""History, section map, preview and opening temperature: what each has to show."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import report_samples as samples
from figure_reading import axes_of, lines_of, texts_of
from matplotlib.collections import QuadMesh

from ampsoak.base.errors import UsageError
from ampsoak.report.figures import history_figure, opening_temperature_figure, preview_figure, section_figure
from ampsoak.report.history import time_unit
from ampsoak.report.section_map import colour_span, snapshot_numbers
from ampsoak.report.words import OUTSIDE_VALIDITY, damage_time, history_lines


@pytest.mark.parametrize(("duration", "unit"), [(120, "s"), (5400, "min"), (36000, "h"), (864000, "d")])
def test_time_axis_has_the_unit_that_fits(duration, unit):
    assert time_unit(duration)[0] == unit


def test_history_draws_each_conductor_against_time_in_degrees_celsius():
    run, figure = samples.run(), history_figure(samples.run())
    axes = axes_of(figure, "temperature")
    (line,) = lines_of(axes, "cable.line and cable.neutral")  # equal: one line, both names
    assert line.get_xdata() == pytest.approx(run.time / 3600.0)
    assert line.get_ydata() == pytest.approx(run.conductor_temperature[:, 0] - 273.15)
    assert len(lines_of(axes, "cable.earth")) == 1
    assert axes.get_ylabel() == "Temperature [°C]"
    assert axes_of(figure, "current").get_xlabel() == "Time [h]"


def test_history_draws_current_below_on_the_same_time_axis():
    run, figure = samples.run(), history_figure(samples.run())
    lower, upper = axes_of(figure, "current"), axes_of(figure, "temperature")
    (line,) = lines_of(lower, "kitchen radial")
    assert line.get_ydata().tolist() == run.circuit_current[:, 0].tolist()
    assert lower.get_xlim() == upper.get_xlim()
    assert lower.get_position().x0 == upper.get_position().x0 and lower.get_position().y1 < upper.get_position().y0


def test_history_marks_limits_and_the_moments_they_fell():
    run, figure = samples.run(), history_figure(samples.run())
    axes, words = axes_of(figure, "temperature"), texts_of(figure)
    for limit in run.limits:
        (line,) = lines_of(axes, f"limit {limit['name']}")
        assert set(line.get_ydata()) == {limit["temperature"] - 273.15}
        assert f"{limit['temperature'] - 273.15:.0f} °C" in words
    flags = [event for event in run.events if event.kind != "current_change"]
    drawn = sorted(line.get_xdata()[0] for line in axes.get_lines() if line.get_label() in ("limit_reached", "limit_left"))
    assert drawn == pytest.approx([event.time / 3600 for event in flags])
    assert sum(words.count(str(number)) > 0 for number in range(1, len(flags) + 1)) == len(flags)
    assert any(one.startswith("(1) after 63 min: PVC, lasting use 70 °C reached in cable.line.insulation") for one in words)


def test_history_past_the_first_damage_limit_is_grey_dotted_and_says_so():
    run, figure = samples.run("damage"), history_figure(samples.run("damage"))
    axes = axes_of(figure, "temperature")
    (valid,) = lines_of(axes, "cable.earth")
    (past,) = lines_of(axes, f"cable.earth, {OUTSIDE_VALIDITY}")
    damaged = damage_time(run) / 3600
    assert valid.get_xdata().max() == past.get_xdata().min() == pytest.approx(damaged)  # no gap between the two
    assert valid.get_ydata()[-1] == past.get_ydata()[0]
    assert past.get_linestyle() != "-" and OUTSIDE_VALIDITY in texts_of(figure)
    assert len(set(np.atleast_1d(past.get_color()))) == 1
    unflagged = history_figure(samples.run())
    assert damage_time(samples.run()) == np.inf and OUTSIDE_VALIDITY not in texts_of(unflagged)


def test_the_answer_says_from_when_on_the_history_lies_outside_validity():
    damaged, plain = (history_lines(samples.run(limits)) for limits in ("damage", "plain"))
    assert any(OUTSIDE_VALIDITY in line for line in damaged)
    assert not any(OUTSIDE_VALIDITY in line for line in plain)


def test_history_without_steps_circuits_limits_or_probes_is_drawn():
    run = samples.run()
    bare = dataclasses.replace(
        run, circuit_names=[], circuit_current=np.zeros((len(run.time), 0)), limits=[], events=[], probe_names=[],
        probe_units=[], probe_value=np.zeros((len(run.time), 0)),
    )
    figure = history_figure(bare)
    figure.canvas.draw()
    assert "current" not in [axes.get_label() for axes in figure.axes]
    none = {
        name: getattr(bare, name)[:0]
        for name in (
            "time", "circuit_current", "conductor_temperature", "conductor_heat", "part_maximum", "part_mean", "probe_value",
        )
    }
    history_figure(dataclasses.replace(bare, **none)).canvas.draw()


def meshes(figure):
    return {
        axes.get_label(): next(one for one in axes.collections if isinstance(one, QuadMesh))
        for axes in figure.axes
        if axes.get_label().startswith(("map", "zoom"))
    }


def test_maps_show_the_fields_nearest_to_the_asked_times_on_one_scale():
    run = samples.run()
    figure = section_figure(run, [1700.0, 11000.0])
    found = meshes(figure)
    assert set(found) == {"map 0", "zoom 0", "map 2", "zoom 2"}  # stored at 1800 and 10800 s
    low, high = colour_span(run, [0, 2])
    for label, mesh in found.items():
        field = run.snapshot_temperature[int(label.split()[1])].astype(float) - 273.15
        assert np.array_equal(np.asarray(mesh.get_array()).reshape(field.shape), field)
        assert (mesh.norm.vmin, mesh.norm.vmax) == (low, high)
        assert mesh.get_cmap().name == "inferno"
    assert low <= run.snapshot_temperature[[0, 2]].min() - 273.15 and run.snapshot_temperature[[0, 2]].max() - 273.15 <= high


def test_paired_maps_can_share_a_scale():
    figure = section_figure(samples.run(), [1800.0], span=(0.0, 500.0))
    assert {(mesh.norm.vmin, mesh.norm.vmax) for mesh in meshes(figure).values()} == {(0.0, 500.0)}


def test_maps_are_true_to_scale_with_every_outline_and_a_colour_bar_in_degrees():
    run = samples.run()
    figure = section_figure(run, [10800.0])
    figure.canvas.draw()
    for label in ("map 2", "zoom 2"):
        axes = axes_of(figure, label)
        box = axes.get_window_extent()
        scale = box.width / np.ptp(axes.get_xlim()), box.height / np.ptp(axes.get_ylim())
        assert scale[0] == pytest.approx(scale[1], rel=0.01)
        outlines = {str(line.get_gid()) for line in axes.get_lines() if line.get_gid()}
        assert outlines == {f"outline {name}" for name, _ in run.section.outlines}
    assert axes_of(figure, "colour bar").get_ylabel() == "Temperature [°C]"
    assert any("cable.jacket: PVC" in words for words in texts_of(figure))
    assert any(words.startswith("after 3.0 h, hottest ") for words in texts_of(figure))


def test_a_run_without_fields_is_refused_in_words():
    run = samples.run()
    empty = dataclasses.replace(run, snapshot_time=run.snapshot_time[:0], snapshot_temperature=run.snapshot_temperature[:0])
    with pytest.raises(UsageError, match="holds no temperature field"):
        section_figure(empty)


def test_without_times_the_maps_are_spread_over_the_run():
    assert snapshot_numbers(samples.run()) == [0, 1, 2, 3]
    many = dataclasses.replace(samples.run(), snapshot_time=np.arange(10.0))
    assert snapshot_numbers(many) == [0, 3, 6, 9]


def test_preview_shows_every_mesh_line_every_part_and_both_areas():
    section = samples.section()
    figure = preview_figure(section, "case")
    for label in ("section", "zoom"):
        (mesh,) = [one for one in axes_of(figure, label).collections if one.get_gid() == "mesh"]
        assert len(mesh.get_segments()) == len(section.x_edges) + len(section.y_edges)
    words = texts_of(figure)
    for name, material in zip(section.part_names, section.part_materials, strict=True):
        assert name in words and material in words
    assert "2.488 mm²" in words  # circle of 0.89 mm radius, as the sample draws the conductors
    assert any("400 mm by 112.5 mm" in one for one in words)
    rows, columns = section.part_index.shape
    assert any(f"{columns} by {rows} = {columns * rows} cells" in one for one in words)


def test_opening_temperatures_are_those_of_the_comparison_and_no_line_bridges_a_step():
    """At 100 A the standard's slow edge falls from 45 s to 0.1 s (IEC 60898-1 table 7, B20): the line has to break there."""
    curve, coverage = samples.curve(), samples.coverage("breaker")
    axes = axes_of(opening_temperature_figure(curve, coverage), "opening")
    (slow,) = lines_of(axes, "B20 breaker, slow edge opens")
    current, temperature = slow.get_data()
    entry = coverage.devices[0].slow
    opens = np.isfinite(entry.conductor_temperature) & np.isfinite(entry.time)
    assert temperature[np.isfinite(temperature)] == pytest.approx(entry.conductor_temperature[opens] - 273.15)
    step = int(np.flatnonzero(current == 100.0)[0])
    assert np.isnan(temperature[step]) and np.isfinite(temperature[[step - 1, step + 1]]).all()
    (settles,) = lines_of(axes, "B20 breaker, slow edge never opens")
    assert np.isfinite(settles.get_ydata()).any()
    for limit in curve.limits:
        assert lines_of(axes, f"limit {limit['name']}")
