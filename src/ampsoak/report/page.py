"""The sheet a figure stands on: placed in millimetres, with heading, caption, caution line and margin text."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text
from matplotlib.textpath import TextToPath

from ampsoak.report import style
from ampsoak.report.words import CAUTION_LINE
from ampsoak.runfile.partfile import check_target, publish_bytes

WIDTH = 210.0  # A4 [mm]
LEFT, RIGHT, TOP, BOTTOM = 14.0, 14.0, 11.0, 9.0  # margins [mm]
MARGIN_LIMIT = 72  # characters of the scenario's name kept in the margin
_POINT = 25.4 / 72  # [mm]
_LEADING = 1.32
_NUMBER_UNIT = re.compile(r"(\d) (°C|A|s|min|h|d|mm²|mm|cm²)(?!\w)")  # not to be torn apart at the end of a line


@dataclass(frozen=True)
class Heading:
    """The words round a figure.

    Parameters
    ----------
    number : int       number of the figure in its set
    name : str         what kind of figure it is
    title : str        the case
    caption : str      what was computed and from where it started
    margin : str       run id, hash, version; from ``words.origin_words``
    """

    number: int
    name: str
    title: str
    caption: str
    margin: str


class Page:
    """A figure of A4 width whose height follows from its content.

    Parameters
    ----------
    heading : Heading
    content : float    height left for the content [mm]

    Attributes
    ----------
    figure : matplotlib Figure with an Agg canvas
    canvas : Axes                       invisible axes over the whole sheet in millimetres, for keys and leaders
    left, right, bottom, top : float    edges of the content [mm] from the lower left corner
    """

    def __init__(self, heading: Heading, content: float):
        text_width = WIDTH - LEFT - RIGHT
        caption = wrapped(heading.caption, text_width, style.SIZE_TEXT)
        caution = wrapped(CAUTION_LINE, text_width - 4, style.SIZE_TEXT)
        title = wrapped(heading.title, text_width, style.SIZE_TITLE)
        caption_height, caution_height = _height(caption, style.SIZE_TEXT), _height(caution, style.SIZE_TEXT) + 2.4
        title_height = 6.0 + _height(title, style.SIZE_TITLE)
        self.left, self.right = LEFT, WIDTH - RIGHT
        self.bottom = BOTTOM + caution_height + 2.0 + caption_height + 4.0
        self.top = self.bottom + content
        self.height = self.top + 4.0 + title_height + TOP
        self.figure = Figure(figsize=(WIDTH * style.MILLIMETRE, self.height * style.MILLIMETRE))
        FigureCanvasAgg(self.figure)
        self.figure.set_label(f"Figure {heading.number}. {heading.name}: {heading.title}. {heading.caption}")
        self.canvas = self.figure.add_axes((0, 0, 1, 1), zorder=-1, label="sheet")
        self.canvas.set(xlim=(0, WIDTH), ylim=(0, self.height))
        self.canvas.axis("off")
        head = self.height - TOP
        self.text(LEFT, head, f"Figure {heading.number}   {heading.name}", size=style.SIZE_HEADING, weight="bold")
        self.lines(LEFT, head - 6.0, title, size=style.SIZE_TITLE)
        self.lines(LEFT, BOTTOM + caution_height + 2.0 + caption_height, caption)
        for y in (BOTTOM, BOTTOM + caution_height):
            self.canvas.plot([LEFT, self.right], [y, y], color=style.QUIET, linewidth=0.5)
        self.lines(LEFT + 2, BOTTOM + caution_height - 1.2, caution, gid="caution")
        margin = heading.margin if len(heading.margin) <= 150 else heading.margin[:149] + "…"
        self.text(
            WIDTH - 5.0, BOTTOM, margin, size=style.SIZE_SMALL, color=style.QUIET, rotation=90, va="bottom", ha="center",
            gid="margin",
        )

    def axes(self, left: float, bottom: float, width: float, height: float, **keywords) -> Axes:
        """Axes at a place [mm]."""
        return self.figure.add_axes(
            (left / WIDTH, bottom / self.height, width / WIDTH, height / self.height), **keywords
        )

    def text(self, x: float, y: float, words: str, size: float = style.SIZE_TEXT, **keywords) -> Text:
        """Text whose top left corner (unless aligned otherwise) is at a place [mm]."""
        keywords = {"va": "top", "ha": "left"} | keywords
        return self.figure.text(x / WIDTH, y / self.height, words, fontsize=size, **keywords)

    def lines(self, x: float, y: float, lines: list[str], size: float = style.SIZE_TEXT, **keywords) -> float:
        """Lines of text downwards from ``y``; returns the height [mm] at which they end."""
        self.text(x, y, "\n".join(lines), size=size, linespacing=_LEADING, **keywords)
        return y - _height(lines, size)

    def paragraph(self, x: float, y: float, width: float, words: str, size: float = style.SIZE_TEXT, **keywords) -> float:
        """Text wrapped to ``width`` [mm]; returns the height [mm] at which it ends."""
        return self.lines(x, y, wrapped(words, width, size), size, **keywords)


def _height(lines: list[str], size: float) -> float:
    return len(lines) * size * _LEADING * _POINT


@cache
def text_width(words: str, size: float, weight: str = "normal") -> float:
    """Width of one line of text [mm]."""
    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    return TextToPath().get_text_width_height_descent(words, font, ismath=False)[0] * _POINT


def wrapped(words: str, width: float, size: float, weight: str = "normal") -> list[str]:
    """Lines of ``words`` no wider than ``width`` [mm]; a word too long for a line is cut."""
    lines = [""]
    joined = _NUMBER_UNIT.sub("\\1\u00a0\\2", words)
    for word in joined.replace("\n", " ").split(" "):
        longer = f"{lines[-1]} {word}".strip()
        if text_width(longer, size, weight) <= width:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        while text_width(word, size, weight) > width and len(word) > 1:
            fits = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or text_width(word[:n], size, weight) <= width)
            lines[-1] = word[:fits]
            lines.append("")
            word = word[fits:]
        lines[-1] = word
    return lines


def shortened(words: str, width: float, size: float) -> str:
    """``words`` on one line no wider than ``width`` [mm], its middle replaced by "…" if need be."""
    kept = len(words)
    result = words
    while text_width(result, size) > width and kept > 2:
        kept -= 1
        result = words[: (kept + 1) // 2] + "…" + words[len(words) - kept // 2 :]
    return result


@style.styled
def save_figure(figure: Figure, stem, force: bool = False) -> tuple[Path, Path]:
    """Write a figure as PNG with 300 dots per inch and as vector PDF; the same figure gives the same bytes.

    Parameters
    ----------
    figure : Figure
    stem : str or Path    path without ending
    force : bool          replace existing files

    Returns
    -------
    (Path, Path)          PNG and PDF

    Raises
    ------
    FileError             either file exists already, or cannot be written
    """
    from ampsoak import __version__

    stem = Path(stem)
    targets = tuple(stem.with_name(stem.name + ending) for ending in (".png", ".pdf"))
    for target in targets:
        check_target(target, force)
    described = figure.get_label()
    program = f"ampsoak {__version__}"
    facts = (
        {"Software": program, "Description": described},
        {"Creator": program, "Title": described, "CreationDate": None, "ModDate": None},
    )
    for target, metadata in zip(targets, facts, strict=True):
        with io.BytesIO() as buffer:
            figure.savefig(buffer, format=target.suffix[1:], dpi=300, metadata=metadata)
            publish_bytes(target, buffer.getvalue(), force)
    return targets
