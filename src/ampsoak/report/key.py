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


class Column:
    """Headings, key entries and paragraphs under one another; measured before it is drawn.

    Parameters
    ----------
    width : float    [mm]
    """

    def __init__(self, width: float):
        self.width = width
        self._blocks: list[tuple[list[str], float, Entry | None, str]] = []

    def heading(self, words: str) -> None:
        """Add bold words, set off from what stands before it."""
        before = 2.2 if self._blocks else 0.0
        self._blocks.append((wrapped(words, self.width, style.SIZE_TEXT, "bold"), before, None, "bold"))

    def entries(self, entries: list[Entry]) -> None:
        """Add key entries."""
        for entry in entries:
            words = wrapped(entry.words, self.width - SAMPLE - _GAP, style.SIZE_TEXT)
            self._blocks.append((words, 0.9, entry, "normal"))

    def paragraph(self, words: str) -> None:
        """Add wrapped text."""
        self._blocks.append((wrapped(words, self.width, style.SIZE_TEXT), 0.9, None, "normal"))

    @property
    def height(self) -> float:
        """Height taken [mm]."""
        return sum(before + len(lines) * _LINE for lines, before, _, _ in self._blocks)

    def draw(self, page: Page, left: float, top: float) -> float:
        """Draw downwards from ``top`` [mm]; returns the height at which it ends."""
        y = top
        for lines, before, entry, weight in self._blocks:
            y -= before
            indent = 0.0
            if entry is not None:
                draw_sample(page, entry, left, y - _LINE / 2)
                indent = SAMPLE + _GAP
            y = page.lines(left + indent, y, lines, weight=weight)
        return y


def draw_sample(page: Page, entry: Entry, left: float, middle: float) -> None:
    """Draw the sample of an entry, its left end at ``left``, at height ``middle`` [mm]."""
    if entry.patch is not None:
        page.canvas.add_patch(Rectangle((left, middle - 1.35), SAMPLE, 2.7, linewidth=0.6, **entry.patch))
    if entry.line is not None:
        marker_only = entry.line.get("linestyle") == "none"
        x = [left + SAMPLE / 2] if marker_only else [left, left + SAMPLE / 2, left + SAMPLE]
        extra = {} if marker_only else {"markevery": [1]}
        page.canvas.plot(x, [middle] * len(x), **entry.line, **extra)


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
