"""Two results on one sheet: before muted, after strong, what changed in words; rows that cannot be set against each other."""

from __future__ import annotations

import dataclasses

import matplotlib.colors
import numpy as np
import pytest
import report_samples as samples
from figure_reading import axes_of, crowded, lines_of, texts_of

from ampsoak.base.errors import UsageError
from ampsoak.coverage.compare import cover
from ampsoak.report.before_after import Side, change_rows, change_table, compare, effect_rows, verdict_lines
from ampsoak.report.before_after_figures import (
    compared_curves_figure,
    compared_curves_table,
    compared_histories_figure,
    compared_histories_table,
)
from ampsoak.report.words import CAUTION_LINE

GIVEN = {
    "stud_bay": {"fill": "mineral_wool", "depth": {"value": 0.089, "unit": "m", "written": "89 mm", "source": "measured"}},
    "cable": [{"name": "cable", "type": "twin_earth_2_5"}],
}


def slower(curve, factor=2.0):
    """The same cable where everything takes ``factor`` times as long."""
    return dataclasses.replace(curve, time_to_limit=curve.time_to_limit * factor, canonical_hash="f" * 64)


def with_given(record, **changes):
    return dataclasses.replace(record, resolved={"given": GIVEN | changes})


@pytest.fixture(scope="module")
def found():
    after = slower(samples.curve())
    device = samples.DEVICES["breaker"]
    run = samples.run()
    cooler = dataclasses.replace(run, conductor_temperature=run.conductor_temperature - 5, part_maximum=run.part_maximum - 5)
    cable = [{"name": "cable", "type": "twin_earth_4"}]
    return compare(
        Side("before", with_given(samples.curve()), cover(samples.curve(), [device]), run),
        Side("after", with_given(after, cable=cable), cover(after, [device]), cooler),
    )


def lightness(colour) -> float:
    return float(np.mean(matplotlib.colors.to_rgb(colour)))


def test_keys_that_differ_stand_by_name_as_written_and_sources_do_not_count():
    earlier = with_given(samples.curve())
    depth = GIVEN["stud_bay"] | {"depth": {"value": 0.140, "unit": "m", "written": "140 mm", "source": "other"}}
    later = with_given(samples.curve(), stud_bay=depth, limit=[{"name": "a", "temperature": {"value": 343.15, "unit": "K"}}])
    rows = change_rows(compare(Side("before", earlier), Side("after", later)))
    assert rows == [
        ("stud_bay.depth", "89 mm", "140 mm"), ("limit[a].temperature", "not given", "343.15 K"),
    ]  # fmt: skip
    depth = GIVEN["stud_bay"] | {"depth": GIVEN["stud_bay"]["depth"] | {"source": "measured twice"}}
    assert change_rows(compare(Side("before", earlier), Side("after", with_given(samples.curve(), stud_bay=depth)))) == []


def test_before_is_lighter_and_thinner_than_after_for_every_limit(found):
    axes = axes_of(compared_curves_figure(found), "time-current")
    for limit in found.limits:
        (before,) = lines_of(axes, f"before, limit {limit.name}")
        (after,) = lines_of(axes, f"after, limit {limit.name}")
        assert lightness(before.get_color()) > lightness(after.get_color()) + 0.15
        assert before.get_linewidth() < after.get_linewidth()
        assert after.get_zorder() > before.get_zorder()


def test_the_sheet_says_what_changed_and_carries_the_caution(found):
    words = texts_of(compared_curves_figure(found))
    assert any("twin_earth_2_5" in one and "twin_earth_4" in one for one in words)
    assert CAUTION_LINE in words
    assert any(one.startswith("before: run ") and "after: run ffffffffff" in one for one in words)
    assert any(one.startswith("Figure 8") for one in words)


@pytest.mark.parametrize("figure", [compared_curves_figure, compared_histories_figure])
def test_nothing_is_crowded(found, figure):
    assert crowded(figure(found)) == []


def test_devices_of_both_sides_are_drawn_and_those_that_are_gone_are_muted(found):
    after = found.after
    other = cover(after.curve, [dataclasses.replace(samples.DEVICES["breaker"], rating=32.0)])
    changed = compare(found.before, dataclasses.replace(after, coverage=other))
    words = " ".join(texts_of(compared_curves_figure(changed)))
    assert "B 20 A" in words and "B 32 A" in words
    assert crowded(compared_curves_figure(changed)) == []


def test_tables_hold_both_sides(found):
    rows = compared_curves_table(found).rows
    assert {row[0] for row in rows} == {"before", "after"}
    histories = compared_histories_table(found)
    assert len(histories.rows) == len(found.before.run.time) + len(found.after.run.time)
    kinds = {row[0] for row in change_table(found).rows}
    assert {"scenario", "limit", "time to limit [s]", "verdict", "peak [°C]"} <= kinds


def test_times_are_doubled_where_everything_takes_twice_as_long(found):
    for limit in found.limits:
        before, after = limit.time
        both = np.isfinite(before) & np.isfinite(after)
        assert both.any()
        assert after[both] == pytest.approx(2.0 * before[both])


def test_both_histories_are_drawn_on_one_axis(found):
    axes = axes_of(compared_histories_figure(found), "temperature")
    (before,), (after,) = lines_of(axes, "before"), lines_of(axes, "after")
    assert before.get_ydata() - after.get_ydata() == pytest.approx(5.0)
    assert lightness(before.get_color()) > lightness(after.get_color())


def test_what_cannot_be_set_side_by_side_is_said_or_refused():
    curve = samples.curve()
    with pytest.raises(UsageError, match="nothing to set side by side"):
        compare(Side("before", curve), Side("after", run=samples.run()))
    other = [limit | {"name": f"other {place}", "temperature": 400.0 + place} for place, limit in enumerate(curve.limits)]
    with pytest.raises(UsageError, match="share no limit"):
        compare(Side("before", curve), Side("after", dataclasses.replace(curve, limits=other)))
    with pytest.raises(UsageError, match="share no current"):
        compare(Side("before", curve), Side("after", dataclasses.replace(curve, current=curve.current * 1000)))
    moved = [curve.limits[0] | {"temperature": 353.15}, other[1]]
    found = compare(Side("before", curve), Side("after", dataclasses.replace(curve, limits=moved)))
    assert len(found.limits) == 1
    assert any("not at the same temperature" in note for note in found.notes)
    assert any("one side only" in note for note in found.notes)
    assert any("no device to set side by side" in note for note in found.notes)


def test_a_device_of_one_side_only_is_told(found):
    alone = compare(dataclasses.replace(found.before, coverage=None), found.after)
    assert [pair.entries[0] for pair in alone.devices] == [None]
    assert "  before: no such device" in verdict_lines(alone)
    assert not any("device" in row[1] for row in effect_rows(alone))
    assert any("no device to set side by side before" in note for note in alone.notes)


@pytest.mark.parametrize(
    ("fault", "told"), [(1500.0, ["1500 A"]), (900.0, ["1500 A, before", "900 A, after"])], ids=["the same", "another"]
)
def test_prospective_fault_currents_are_in_the_key(fault, told):
    curve = samples.curve()
    later = dataclasses.replace(slower(curve), fault_current=fault)
    sides = [Side(name, with_given(one), cover(one, ())) for name, one in (("before", curve), ("after", later))]
    words = [one for one in texts_of(compared_curves_figure(compare(*sides))) if one.startswith("prospective fault current")]
    assert words == [f"prospective fault current {one}" for one in told]
