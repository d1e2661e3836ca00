"""Peak temperature against current: what is reached at opening and after it, limits as lines, honest where nothing is known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from figure_reading import axes_of, crowded, lines_of, texts_of

from ampsoak.report import style
from ampsoak.report.peaks import (
    drawn_table,
    hottest,
    other_parts,
    outside_validity,
    peak_figure,
    peak_rows,
    peak_table,
    worst_words,
)
from ampsoak.report.words import CAUTION_LINE, OUTSIDE_VALIDITY
from ampsoak.study.peaks import Peaks

CURRENT = np.array([20.0, 30.0, 60.0, 200.0])
NAMES, ROLES = ("fill", "jacket", "line"), ("fill", "jacket", "conductor")


def sample(**more) -> Peaks:
    """Invented: the slow edge does not open at 20 A; the fill peaks 6 K after the opening, the conductor at it."""
    line = 273.15 + np.array([[60.0, 50.0, 45.0, 40.0], [np.nan, 95.0, 80.0, 70.0]])
    fill = line - 20.0
    at_opening = np.stack([fill - 6.0, line - 5.0, line], axis=-1)
    peak = np.stack([fill, line - 4.0, line], axis=-1)
    given = {
        "title": "a wire in fill", "circuit": "main", "start_description": "cold at 20 °C", "devices": ("B20",),
        "part_names": NAMES, "part_roles": ROLES, "conductors": (2,),
        "limits": (
            {"name": "PVC 70 °C", "temperature": 343.15, "parts": ["line"], "source": "", "damage": False},
            {"name": "fill 60 °C", "temperature": 333.15, "parts": ["fill"], "source": "", "damage": True},
        ),
        "edges": ("fast", "slow"), "current": CURRENT,
        "state": (("opens",) * 4, ("never opens", "opens", "opens", "opens")),
        "opening_time": np.array([[600.0, 60.0, 10.0, 0.01], [np.inf, 900.0, 60.0, 0.1]]), "at_opening": at_opening,
        "peak": peak, "still_rising": np.zeros(peak.shape, dtype=bool), "horizon": 86400.0, "notes": (),
        "scenario_file": "wire.toml", "provenance": {},
    }  # fmt: skip
    return Peaks(**(given | more))


def panels(found):
    figure = peak_figure(found, "margin")
    return figure, axes_of(figure, "hottest conductor"), axes_of(figure, "hottest of fill")


def test_each_panel_draws_peak_and_opening_of_its_parts():
    _, upper, lower = panels(sample())
    for edge in ("fast", "slow"):
        (peak,), (opening,) = lines_of(upper, f"{edge} edge, peak"), lines_of(upper, f"{edge} edge, at opening")
        assert np.allclose(peak.get_ydata(), opening.get_ydata(), equal_nan=True)
        (peak,), (opening,) = lines_of(lower, f"{edge} edge, peak"), lines_of(lower, f"{edge} edge, at opening")
        known = np.isfinite(peak.get_ydata())
        assert (peak.get_ydata() - opening.get_ydata())[known] == pytest.approx(6.0)


def test_limits_are_lines_in_the_panel_of_their_parts_only():
    _, upper, lower = panels(sample())
    assert lines_of(upper, "limit PVC 70 °C") and not lines_of(upper, "limit fill 60 °C")
    assert lines_of(lower, "limit fill 60 °C") and not lines_of(lower, "limit PVC 70 °C")


def test_no_mark_stands_where_an_edge_does_not_open_and_the_key_says_so():
    figure, upper, _ = panels(sample())
    (slow,) = lines_of(upper, "slow edge, peak")
    assert np.isnan(slow.get_ydata()[0])
    words = " ".join(texts_of(figure))
    assert "does not open within 24 h up to 20.0 A" in words
    assert "not those of the verdicts" in words or "not of the verdicts" in words


def test_a_peak_that_may_still_come_is_marked_as_a_least_value():
    rising = np.zeros((2, 4, 3), dtype=bool)
    rising[1, 3, 0] = True
    figure, _, lower = panels(sample(still_rising=rising))
    (least,) = lines_of(lower, "slow edge, at least")
    assert least.get_xdata().tolist() == [200.0]
    assert any("not yet seen to fall" in words for words in texts_of(figure))
    assert not any("not yet seen to fall" in words for words in texts_of(peak_figure(sample(), "margin")))


def test_without_limits_the_second_panel_shows_what_lies_round_the_cable():
    assert other_parts(sample(limits=())) == (0,)
    assert other_parts(sample(limits=(), part_roles=("jacket", "jacket", "conductor"))) == (0, 1)


def test_the_sheet_is_whole():
    figure = peak_figure(sample(), "margin words")
    assert crowded(figure) == []
    words = texts_of(figure)
    assert CAUTION_LINE in words and "margin words" in words
    assert any(one.startswith("Figure 7") for one in words)
    assert any("fill 60 °C, damage" in one for one in words)


def test_tables_hold_what_is_drawn_and_every_part():
    found = sample()
    assert len(peak_table(found).rows) == 2 * 4 * 3
    assert len(drawn_table(found).rows) == 2 * 2 * 4
    assert hottest(found.peak, (0, 2))[0] == pytest.approx([60.0, 50.0, 45.0, 40.0])
    rows = peak_rows(found)
    assert rows[1][2] == "95 °C at 30.0 A, in line; 95 °C when it opens, after 15 min"
    assert rows[3][2] == "75 °C at 30.0 A, in fill; 69 °C when it opens, after 15 min"
    nothing = dataclasses.replace(found, peak=np.full((2, 4, 3), np.nan))
    assert peak_rows(nothing)[0][2] == "nothing known"


def test_courses_that_pass_a_damage_limit_are_marked_grey_in_every_panel():
    """The fill, whose 60 °C is flagged in the sample, passes it at 30 A by the slow edge only (75 °C): the conductor's too is grey."""
    figure, upper, lower = panels(sample())
    assert outside_validity(sample()).tolist() == [[False] * 4, [False, True, False, False]]
    for axes in (upper, lower):
        (grey,) = lines_of(axes, f"slow edge, {OUTSIDE_VALIDITY}")
        assert grey.get_xdata().tolist() == [30.0] and grey.get_color() == style.FAINT
        assert not lines_of(axes, f"fast edge, {OUTSIDE_VALIDITY}")
    assert any(OUTSIDE_VALIDITY in one for one in texts_of(figure))


def test_an_edge_that_opens_at_no_current_is_told_as_idle_not_as_unknown():
    nothing = np.full_like(sample().peak, np.nan)
    idle = sample(state=(("never opens",) * 4, ("unknown",) * 4), peak=nothing, at_opening=nothing)
    assert worst_words(idle, 0, (2,)) == "does not open within 24 h at any of these currents"
    assert worst_words(idle, 1, (2,)) == "nothing known"
