"""Outlines in pictures of a section show what is on top. Own requirement: a drawing shows what was computed."""

from __future__ import annotations

from dataclasses import replace

import matplotlib.pyplot as plt
import numpy as np
import pytest
from report_samples import section

from ampsoak.report.section_drawing import draw_outlines

SQUARE = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0], [0.0, 0.0]]) * 1e-3


def drawn(*outlines: tuple[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Points [mm] of the lines drawn for ``outlines`` in painting order, by part."""
    figure, axes = plt.subplots()
    draw_outlines(axes, replace(section(), outlines=list(outlines)), "black", 1.0)
    lines = {line.get_gid().removeprefix("outline "): line.get_xydata() for line in axes.get_lines()}
    plt.close(figure)
    return lines


def seen_length(points: np.ndarray) -> float:
    """Length of what a line shows [mm]."""
    return float(np.nansum(np.hypot(*np.diff(points, axis=0).T)))


def test_what_a_later_stroke_covers_is_not_drawn():
    # the second square covers a quarter of the first: two of its sides lose half their length
    lines = drawn(("first", SQUARE), ("second", SQUARE + 2e-3))
    assert seen_length(lines["first"]) == pytest.approx(12.0, abs=0.3)
    assert seen_length(lines["second"]) == pytest.approx(16.0)


def test_a_border_that_is_shared_or_on_top_is_drawn_whole():
    lines = drawn(("around", SQUARE), ("beside", SQUARE + np.array([4e-3, 0.0])), ("inside", SQUARE / 4 + 1e-3))
    assert [seen_length(points) for points in lines.values()] == pytest.approx([16.0, 16.0, 4.0])
