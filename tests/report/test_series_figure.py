"""The figure of devices in series shows the bands that were compared and which of each two opens."""

from __future__ import annotations

import numpy as np
import pytest
import series_samples as samples
from figure_reading import axes_of, lines_of, texts_of

from ampsoak.coverage.selectivity import VERDICTS
from ampsoak.report import style
from ampsoak.report.selectivity import band_table, interval_table


@pytest.fixture(scope="module")
def figure():
    figure = samples.figure("case", "margin")
    figure.canvas.draw()
    return figure


def test_edges_are_those_that_were_compared(figure):
    """Every point of a slow edge has the time of the edge that was compared (identity)."""
    _, devices = samples.found()
    axes = axes_of(figure, "time-current")
    for one in devices:
        drawn = [line for line in axes.get_lines()
                 if line.get_label().startswith("slow edge") and line.get_label().endswith(f" {one.device.name}")]  # fmt: skip
        assert drawn
        for line in drawn:
            current, time = line.get_xydata().T
            # inside a piece: a joint carries two times, and at an end the edge takes the piece beyond
            inside = [place for place in range(1, len(current) - 1) if current[place - 1] < current[place] < current[place + 1]]
            assert time[inside] == pytest.approx(np.array([one.band.slow.time(current[place]) for place in inside]), rel=1e-6)


def test_a_row_for_each_pair_says_which_opens(figure):
    """Patches of the ribbon, in order, are the intervals' verdicts; those too thin to see are left out."""
    answers, _ = samples.found()
    drawn = [patch.get_gid().removeprefix("verdict ") for axes in figure.axes for patch in axes.patches
             if (patch.get_gid() or "").startswith("verdict ")]  # fmt: skip
    expected = [interval.verdict for one in answers for interval in one.intervals if interval.high > 1.01 * interval.low]
    assert [verdict for verdict in drawn if verdict in VERDICTS] == expected
    words = texts_of(figure)
    for one in answers:
        assert f"{one.upper} / {one.lower}" in words
    assert set(style.SELECTIVITY) == set(VERDICTS)


def test_the_limit_of_selectivity_and_the_fault_current_are_in_the_key(figure):
    """C 32 above B 16, from 81 A on: selective up to 160 A, where the upper one may act magnetically (IEC 60898-1 row d, read)."""
    words = texts_of(figure)
    assert "board / circuit: 160 A" in words
    assert any(one.startswith("prospective fault current, 1500 A") for one in words)
    (line,) = lines_of(axes_of(figure, "time-current"), "fault current")
    assert set(line.get_xdata()) == {samples.FAULT}


def test_tables_hold_intervals_and_edges():
    answers, devices = samples.found()
    rows = interval_table([(one, "ring") for one in answers]).rows
    assert [(row[0], row[1], row[4], row[6]) for row in rows] == [
        (one.upper, one.lower, part.low, part.verdict) for one in answers for part in one.intervals
    ]
    assert {row[0] for row in band_table(answers, devices).rows} == {"fuse", "board", "circuit"}
