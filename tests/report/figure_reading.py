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


def crowded(figure: Figure) -> list[str]:
    """Words that leave the sheet, lie over other words beside the axes, or lie over axes."""
    figure.canvas.draw()
    renderer, (width, height) = figure.canvas.get_renderer(), figure.canvas.get_width_height()
    shown = [text for text in figure.findobj(Text) if text.get_text().strip() and text.get_visible()]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in shown]
    found = [words for words, box in boxes if box.x0 < 0 or box.y0 < 0 or box.x1 > width or box.y1 > height]
    plots = [axes.get_window_extent(renderer) for axes in figure.axes if axes.get_label() not in ("sheet", "over")]
    beside = [(text.get_text(), text.get_window_extent(renderer)) for text in figure.texts]
    for number, (words, box) in enumerate(beside):
        others = [other for _, other in beside[:number]] + plots
        slack = 1.0  # [pixel] boxes include the room above capitals
        if any(
            box.x0 + slack < other.x1 and other.x0 + slack < box.x1 and box.y0 + slack < other.y1 and other.y0 + slack < box.y1
            for other in others
        ):
            found.append(words)
    return found
