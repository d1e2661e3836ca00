"""Reading a drawn figure: its words, its axes by label, its lines by label."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text


def texts_of(figure: Figure) -> list[str]:
    """All words on the sheet, each text on one line."""
    found = [text.get_text() for text in figure.findobj(Text) if text.get_visible()]
    return [" ".join(words.replace("\u00a0", " ").split()) for words in found if words.strip()]


def axes_of(figure: Figure, label: str) -> Axes:
    (axes,) = [axes for axes in figure.axes if axes.get_label() == label]
    return axes


def lines_of(axes: Axes, label: str) -> list[Line2D]:
    return [line for line in axes.get_lines() if line.get_label() == label]
