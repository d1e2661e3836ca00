"""Keys drawn beside a figure: a sample of line, marker or tint, and its words."""

from __future__ import annotations

from dataclasses import dataclass, field

from matplotlib.patches import Rectangle

from ampsoak.report import style
from ampsoak.report.page import Page, wrapped

SAMPLE = 10.0  # width of the sample [mm]
_GAP = 2.0
_LINE = style.SIZE_TEXT * 1.32 * 25.4 / 72


@dataclass(frozen=True)
class Entry:
    """One line of a key.

    Parameters
    ----------
    words : str
    line : dict or None     properties of a ``Line2D``: a line, or a marker where ``linestyle`` is "none"
    patch : dict or None    properties of a ``Rectangle``
    """

    words: str
    line: dict | None = None
    patch: dict | None = field(default=None)


def draw_key(page: Page, left: float, top: float, width: float, entries: list[Entry], heading: str = "") -> float:
    """Draw ``entries`` downwards from ``top`` [mm]; returns the height at which they end."""
    y = top
    if heading:
        page.text(left, y, heading, weight="bold")
        y -= _LINE + 1.0
    for entry in entries:
        lines = wrapped(entry.words, width - SAMPLE - _GAP, style.SIZE_TEXT)
        middle = y - _LINE / 2
        if entry.patch is not None:
            page.canvas.add_patch(Rectangle((left, middle - 1.35), SAMPLE, 2.7, linewidth=0.6, **entry.patch))
        if entry.line is not None:
            marker_only = entry.line.get("linestyle") == "none"
            x = [left + SAMPLE / 2] if marker_only else [left, left + SAMPLE / 2, left + SAMPLE]
            extra = {} if marker_only else {"markevery": [1]}
            page.canvas.plot(x, [middle] * len(x), **entry.line, **extra)
        y = page.lines(left + SAMPLE + _GAP, y, lines) - 0.9
    return y


def spread(wanted: list[float], gap: float, low: float, high: float) -> list[float]:
    """Places as near as possible to ``wanted``, in the same order, at least ``gap`` apart and within low..high.

    Where there is no room for all, they are spaced evenly.
    """
    order = sorted(range(len(wanted)), key=lambda number: wanted[number])
    if not order:
        return []
    room = high - low
    gap = min(gap, room / max(1, len(order) - 1)) if len(order) > 1 else gap
    placed = []
    for rank, number in enumerate(order):
        least = low + rank * gap
        most = high - (len(order) - 1 - rank) * gap
        value = min(max(wanted[number], least), most)
        placed.append(max(value, placed[-1] + gap) if placed else value)
    # push back from the far end, so that a crowd is centred on what it belongs to rather than shifted one way
    for rank in range(len(order) - 2, -1, -1):
        centred = (placed[rank] + min(placed[rank + 1] - gap, wanted[order[rank]])) / 2
        floor = placed[rank - 1] + gap if rank else low
        placed[rank] = max(min(centred, placed[rank + 1] - gap), floor)
    result = [0.0] * len(order)
    for rank, number in enumerate(order):
        result[number] = placed[rank]
    return result
