"""Peak temperature against current with devices in the loop: what is reached at opening, and after it, when heat flows on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator

from ampsoak.coverage.words import current_words, temperature_words, time_words
from ampsoak.report import style
from ampsoak.report.history import LIMIT_LOOK, draw_limits
from ampsoak.report.key import Column, Entry
from ampsoak.report.opening import set_current_axis
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page
from ampsoak.report.tables import Table
from ampsoak.report.words import OUTSIDE_VALIDITY, celsius, damage_words, joined_words, limit_words

if TYPE_CHECKING:
    from ampsoak.study.peaks import Peaks

_LABELS, _GAP, _COLUMN, _HEIGHT, _BETWEEN = 13.0, 15.0, 60.0, 74.0, 9.0  # [mm]
_OF_CABLE = ("conductor", "insulation", "jacket", "filler")
_MOST_LIMITS = 3.0  # an axis ends at so many times its highest limit
LOOKS = {
    "fast": {"color": "#2b7a78", "linewidth": 1.3, "linestyle": (0, (5, 1.6)), "marker": "o", "markersize": 3.2},
    "nominal": {"color": "#b4560f", "linewidth": 1.3, "linestyle": (0, (6, 1.6, 1.2, 1.6)), "marker": "s", "markersize": 3.2},
    "slow": {"color": "#0b2f5c", "linewidth": 1.9, "linestyle": "-", "marker": "D", "markersize": 3.6},
}


def conductor_parts(found: Peaks) -> tuple[int, ...]:
    """Parts of the upper panel: the conductors, or every part where there is none."""
    return found.conductors or tuple(range(len(found.part_names)))


def other_parts(found: Peaks) -> tuple[int, ...]:
    """Parts of the lower panel: limited parts that are no conductors, else what lies round the cables, else their sheaths."""
    conductors = set(found.conductors)
    limited = [found.part_names.index(name) for limit in found.limits for name in limit["parts"] if name in found.part_names]
    for chosen in (
        [part for part in dict.fromkeys(limited) if part not in conductors],
        [part for part, role in enumerate(found.part_roles) if role not in _OF_CABLE],
        [part for part in range(len(found.part_names)) if part not in conductors],
    ):
        with_place = [part for part in chosen if part < found.peak.shape[2] and np.isfinite(found.peak[:, :, part]).any()]
        if with_place:
            return tuple(with_place)
    return ()


def hottest(values: np.ndarray, parts: tuple[int, ...]) -> np.ndarray:
    """Hottest of ``parts`` [°C] of temperatures (..., n_parts) [K]; nan where none is known."""
    chosen = values[..., list(parts)]
    known = np.isfinite(chosen).any(axis=-1)
    return celsius(np.where(known, np.max(np.where(np.isnan(chosen), -np.inf, chosen), axis=-1), np.nan))


@style.styled
def peak_figure(found: Peaks, margin: str, number: int = 7) -> Figure:
    """Draw what conductors (upper panel) and other parts (lower panel) reach at opening and after it, against current.

    Parameters
    ----------
    found : Peaks
    margin : str    run ids or hashes for the margin
    number : int    number of the figure

    Returns
    -------
    Figure
    """
    groups = [(words, parts) for words, parts in _groups(found) if parts]
    column = _column(found, groups)
    height = len(groups) * _HEIGHT + (len(groups) - 1) * _BETWEEN + 13.0
    heading = Heading(number, "Peak temperature against current", found.title, _caption(found), margin)
    page = Page(heading, max(height, column.height + 2.0))
    left, width = page.left + _LABELS, WIDTH - LEFT - RIGHT - _LABELS - _GAP - _COLUMN
    bottom = page.top
    axes: Axes | None = None
    for words, parts in groups:
        bottom -= _HEIGHT
        axes = page.axes(left, bottom, width, _HEIGHT, label=words, **({} if axes is None else {"sharex": axes}))
        limits = _limits_of(found, parts)
        _draw(axes, found, parts)
        axes.set_ylim(*_span(found, parts, limits))
        axes.set_ylabel(f"{words[0].upper()}{words[1:]} [°C]")
        axes.yaxis.set_minor_locator(AutoMinorLocator())
        axes.grid(True, which="both", zorder=0)
        axes.set_axisbelow(True)
        draw_limits(page, axes, limits, (left, bottom, width, _HEIGHT))
        bottom -= _BETWEEN
    span = (float(found.current[0]), float(found.current[-1]))
    axes.set(xscale="log", xlim=(span[0] / 1.03, span[1] * 1.03))
    for panel in page.figure.axes[1:]:
        set_current_axis(panel, span)
        panel.set_xlabel("" if panel is not axes else panel.get_xlabel())
        panel.tick_params(labelbottom=panel is axes)
    column.draw(page, left + width + _GAP, page.top)
    return page.figure


def _groups(found: Peaks) -> list[tuple[str, tuple[int, ...]]]:
    other = other_parts(found)
    names = [found.part_names[part] for part in other]
    words = f"hottest of {joined_words(names)}" if len(names) < 4 else "hottest place round the cable"
    return [("hottest conductor" if found.conductors else "hottest part", conductor_parts(found)), (words, other)]


def _limits_of(found: Peaks, parts: tuple[int, ...]) -> list[dict]:
    names = {found.part_names[part] for part in parts}
    return [limit for limit in found.limits if names & set(limit["parts"])]


def _draw(axes: Axes, found: Peaks, parts: tuple[int, ...]) -> None:
    at_opening, peak = hottest(found.at_opening, parts), hottest(found.peak, parts)
    rising, outside = _hottest_rises(found, parts), outside_validity(found)
    for number, edge in enumerate(found.edges):
        look = LOOKS[edge]
        axes.plot(found.current, peak[number], **look, zorder=4, label=f"{edge} edge, peak")
        # where the peak is that of the opening itself the hollow mark lies on the line
        axes.plot(
            found.current, at_opening[number], color=look["color"], linewidth=0.9, linestyle=(0, (1, 1.5)), marker=look["marker"],
            markersize=look["markersize"] + 1.6, markerfacecolor="none", zorder=3.5, label=f"{edge} edge, at opening",
        )
        past = outside[number] & np.isfinite(peak[number])
        if past.any():  # over the mark of the edge, so that the line stays whole
            axes.plot(
                found.current[past], peak[number][past], linestyle="none", marker=look["marker"],
                markersize=look["markersize"] + 1.2, color=style.OUTSIDE_LINE["color"], zorder=4.5,
                label=f"{edge} edge, {OUTSIDE_VALIDITY}",
            )
        least = rising[number] & np.isfinite(peak[number])
        if least.any():
            axes.plot(
                found.current[least], peak[number][least], linestyle="none", marker="^", markersize=6.0, color=look["color"],
                markerfacecolor=style.PAPER, zorder=5, label=f"{edge} edge, at least",
            )


def outside_validity(found: Peaks) -> np.ndarray:
    """Whether a limit flagged ``damage`` is passed in the course of each edge at each current, (n_edges, n)."""
    past = np.zeros(found.peak.shape[:2], dtype=bool)
    for limit in found.limits:
        parts = tuple(part for part, name in enumerate(found.part_names) if name in limit["parts"])
        if limit.get("damage") and parts:
            past |= np.nan_to_num(hottest(found.peak, parts), nan=-np.inf) > celsius(limit["temperature"])
    return past


def _hottest_rises(found: Peaks, parts: tuple[int, ...]) -> np.ndarray:
    """Whether the part whose peak is the highest was not yet seen to fall, (n_edges, n)."""
    peak = np.where(np.isnan(found.peak[..., list(parts)]), -np.inf, found.peak[..., list(parts)])
    place = np.expand_dims(peak.argmax(axis=-1), -1)
    return np.take_along_axis(found.still_rising[..., list(parts)], place, axis=-1)[..., 0]


def _span(found: Peaks, parts: tuple[int, ...], limits: list[dict]) -> tuple[float, float]:
    values = np.concatenate([hottest(found.peak, parts).ravel(), hottest(found.at_opening, parts).ravel()])
    values = values[np.isfinite(values)]
    marks = [float(celsius(limit["temperature"])) for limit in limits]
    low = float(min([*values, *marks], default=0.0))
    high = float(max([*values, *marks, low + 10.0]))
    if marks:
        high = max(min(high, _MOST_LIMITS * max(marks)), *marks)
    room = 0.07 * (high - low)
    return low - room, high + room


def _column(found: Peaks, groups) -> Column:
    column = Column(_COLUMN)
    column.heading("Key")
    for number, edge in enumerate(found.edges):
        column.entries([Entry(f"{edge} edge: {_range_words(found, number)}", LOOKS[edge])])
    column.paragraph("Lines: highest temperature of the whole course, after the opening too.")
    hollow = {"color": style.INK, "linewidth": 0.9, "linestyle": (0, (1, 1.5)), "marker": "o", "markersize": 4.6,
              "markerfacecolor": "none"}  # fmt: skip
    column.entries([Entry("dotted, hollow: at the moment it opens", hollow)])
    if any(_hottest_rises(found, parts).any() for _, parts in groups):
        arrow = {"color": style.INK, "linestyle": "none", "marker": "^", "markersize": 6, "markerfacecolor": style.PAPER}
        column.entries([Entry("at least that much: not yet seen to fall", arrow)])
    if found.limits:
        words = "; ".join(limit_words(limit) + damage_words(limit) for limit in found.limits)
        column.entries([Entry(f"limit: {words}", LIMIT_LOOK)])
    if outside_validity(found).any():
        grey = {"color": style.OUTSIDE_LINE["color"], "linestyle": "none", "marker": "o", "markersize": 4.4}
        column.entries([Entry(f"grey mark: {OUTSIDE_VALIDITY}", grey)])
    for words, parts in groups:
        column.heading(f"{words[0].upper()}{words[1:]}")
        for number, edge in enumerate(found.edges):
            column.paragraph(f"{edge} edge: {worst_words(found, number, parts)}")
    return column


def _range_words(found: Peaks, number: int) -> str:
    """Over which currents an edge opens, and what is known where it does not."""
    state = np.array(found.state[number])
    opens = found.current[state == "opens"]
    said = [f"opens from {current_words(opens[0])} to {current_words(opens[-1])}" if opens.size else "opens at no current here"]
    for word, meaning in (
        ("never opens", f"does not open within {time_words(found.horizon)}"), ("unknown", "no data"),
        ("melts first", "copper melts before it opens"),
    ):  # fmt: skip
        there = found.current[state == word]
        if there.size:
            said.append(f"{meaning} up to {current_words(there[-1])}" if there[0] == found.current[0] else
                        f"{meaning} at {joined_words(current_words(one) for one in there)}")  # fmt: skip
    return "; ".join(said)


def worst_words(found: Peaks, number: int, parts: tuple[int, ...]) -> str:
    """The highest peak over all currents of one edge, where, and what it had at opening."""
    peak, at_opening = hottest(found.peak, parts)[number], hottest(found.at_opening, parts)[number]
    if not np.isfinite(peak).any():
        idle = all(word == "never opens" for word in found.state[number])
        return f"does not open within {time_words(found.horizon)} at any of these currents" if idle else "nothing known"
    place = int(np.nanargmax(peak))
    part = parts[int(np.nanargmax(found.peak[number, place, list(parts)]))]
    least = "at least " if found.still_rising[number, place, part] else ""
    return (
        f"{least}{temperature_words(peak[place] + 273.15)} at {current_words(found.current[place])}, in "
        f"{found.part_names[part]}; {temperature_words(at_opening[place] + 273.15)} when it opens, after "
        f"{time_words(float(found.opening_time[number, place]))}"
    )


def _caption(found: Peaks) -> str:
    words = (
        f"Highest temperature reached at constant current in {found.circuit}, from a start {found.start_description}, when "
        f"{joined_words(found.devices)} opens by each edge of its model and heat flows on; computed at {len(found.current)} "
        "currents, straight between. Edges are those of our models, not of the verdicts. No mark stands where an edge does not "
        "open or is not known."
    )
    return " ".join([words, *(f"{note[0].upper()}{note[1:]}." for note in found.notes)])


def peak_table(found: Peaks) -> Table:
    """One row per edge, current and part; temperatures in °C."""
    rows = [
        (
            edge, float(current), found.state[number][place], float(found.opening_time[number, place]), part,
            float(celsius(found.at_opening[number, place, index])), float(celsius(found.peak[number, place, index])),
            "yes" if found.still_rising[number, place, index] else "no",
        )
        for number, edge in enumerate(found.edges)
        for place, current in enumerate(found.current)
        for index, part in enumerate(found.part_names)
    ]  # fmt: skip
    heads = (
        "edge", "current [A]", "state", "opens after [s]", "part", "at opening [°C]", "highest [°C]", "still rising",
    )  # fmt: skip
    return Table(heads, rows)


def drawn_table(found: Peaks) -> Table:
    """What the figure shows: the hottest of each panel's parts."""
    rows = []
    for words, parts in _groups(found):
        if not parts:
            continue
        at_opening, peak = hottest(found.at_opening, parts), hottest(found.peak, parts)
        rows += [
            (words, edge, float(current), found.state[number][place], float(at_opening[number, place]), float(peak[number, place]))
            for number, edge in enumerate(found.edges)
            for place, current in enumerate(found.current)
        ]
    return Table(("what", "edge", "current [A]", "state", "at opening [°C]", "highest [°C]"), rows)


def peak_rows(found: Peaks) -> list[tuple[str, ...]]:
    """The worst of each edge, for the terminal."""
    return [
        (words, f"{edge} edge", worst_words(found, number, parts))
        for words, parts in _groups(found)
        if parts
        for number, edge in enumerate(found.edges)
    ]
