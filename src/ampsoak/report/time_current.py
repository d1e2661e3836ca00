"""The time-current figure: how long the cable may carry a current, and when devices open."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter, NullLocator

from ampsoak.coverage.compare import Coverage, DeviceCoverage
from ampsoak.coverage.partition import joined
from ampsoak.coverage.stretches import KINDS
from ampsoak.coverage.words import KIND_WORDS, current_words, ranges_words, time_words
from ampsoak.report import style
from ampsoak.report import time_current_data as data
from ampsoak.report.key import Column, Entry, spread
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page, shortened, text_width, wrapped
from ampsoak.report.words import OUTSIDE_VALIDITY, captioned, damage_words, knee_words, limit_words, origin_words
from ampsoak.runfile.records import Curve

_LONGEST_DECADE = 23.0  # [mm]
_TALLEST, _WIDEST = 165.0, 92.0  # of the axes [mm]
_LABELS, _CLOCK, _ROW = 15.0, 15.0, 4.4  # room left for numbers, right for clock times, height of a ribbon row [mm]
_MAX_ROWS = 9
_CLOCK_TIMES = {60.0: "1 min", 600.0: "10 min", 3600.0: "1 h", 14400.0: "4 h", 86400.0: "24 h", 604800.0: "7 d"}
_ADIABATIC = {"color": "#000000", "linestyle": (0, (1, 1.2)), "linewidth": 2.2}
_DASHES = {"standard": "-", "maker": "-", "default": (0, (4, 1.8)), "interpolated": (0, (1.6, 1.4))}


@style.styled
def time_current_figure(curve: Curve, coverage: Coverage | None = None, number: int = 1) -> Figure:
    """Draw times to the limits and device bands on log-log axes with equal decades.

    Parameters
    ----------
    curve : Curve
    coverage : Coverage or None    devices compared with it; None draws the cable alone
    number : int                   number of the figure

    Returns
    -------
    Figure
    """
    span, times = data.axis_spans(curve, coverage)
    decades = np.log10(span[1] / span[0]), np.log10(times[1] / times[0])
    length = min(_LONGEST_DECADE, _WIDEST / decades[0], _TALLEST / decades[1])
    width, height = length * decades[0], length * decades[1]
    rows = _ribbon_rows(coverage)
    ribbon = len(rows) * _ROW + (3.0 if rows else 0.0)
    beside = LEFT + _LABELS + width + _CLOCK + 3.0
    column = _column(curve, coverage, rows, WIDTH - RIGHT - beside)
    page = Page(
        Heading(number, "Time-current comparison", curve.title, captioned(_caption(curve, coverage), curve), origin_words(curve)),
        max(height + ribbon + 12.0, column.height + ribbon + 5.0),
    )
    left, bottom = page.left + _LABELS, page.top - ribbon - height
    axes = page.axes(left, bottom, width, height, label="time-current")
    set_axes(axes, span, times)
    _draw_limits(axes, curve, times)
    _draw_adiabatic(axes, curve)
    for place, entry in enumerate(coverage.devices if coverage else ()):
        draw_device(axes, entry, span, times[1], style.DEVICE_TONES[place % len(style.DEVICE_TONES)])
    _draw_currents(page, axes, curve, coverage, (left, bottom, width))
    _draw_loads(page, axes, data.load_series(coverage, span))
    _draw_uncovered(axes, curve, coverage, span, times[1], width)
    if curve.horizon < times[1]:
        _draw_horizon(axes, curve)
    draw_ribbon(page, rows, span, (left, bottom + height + 3.0, width))
    column.draw(page, beside, page.top - ribbon)
    return page.figure


def set_axes(axes: Axes, span, times) -> None:
    """Log-log axes of currents and times within ``span`` [A] and ``times`` [s], with clock times on the right."""
    axes.set(xscale="log", yscale="log", xlim=span, ylim=times)
    axes.set_xlabel(f"Current in the circuit, r.m.s. [A]{'   (k = 1000)' if span[1] >= 1000 else ''}")
    axes.set_ylabel("Time [s]")
    axes.grid(True, which="major", zorder=0)
    axes.grid(True, which="minor", linewidth=0.25, zorder=0)
    axes.set_axisbelow(True)
    exponents = range(int(np.floor(np.log10(span[0]))), int(np.ceil(np.log10(span[1]))) + 1)
    labelled = [step * 10.0**exponent for exponent in exponents for step in (1, 2, 5)]
    axes.xaxis.set_major_locator(FixedLocator(labelled))
    axes.xaxis.set_minor_locator(LogLocator(subs=range(1, 10), numticks=99))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / 1000:g}k" if value >= 1000 else f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.yaxis.set_major_locator(LogLocator(numticks=99))
    axes.yaxis.set_minor_locator(LogLocator(subs=range(2, 10), numticks=99))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.10g}".replace(",", "\u202f")))
    axes.yaxis.set_minor_formatter(NullFormatter())
    clock = axes.secondary_yaxis("right")
    shown = {time: words for time, words in _CLOCK_TIMES.items() if times[0] <= time <= times[1]}
    clock.yaxis.set_major_locator(FixedLocator(list(shown)))
    clock.yaxis.set_minor_locator(NullLocator())
    clock.yaxis.set_major_formatter(FuncFormatter(lambda value, _: shown.get(round(value), "")))


def _draw_horizon(axes: Axes, curve: Curve) -> None:
    axes.axhline(curve.horizon, color=style.QUIET, linewidth=0.6, linestyle=(0, (1, 2)), zorder=1.5)
    axes.annotate(
        f"longest time computed, {time_words(curve.horizon)}", (_free_right(axes, curve), curve.horizon), (-3, -2),
        xycoords=("axes fraction", "data"), textcoords="offset points", ha="right", va="top",
        fontsize=style.SIZE_SMALL, color=style.QUIET, zorder=6,
        bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.6},  # readable over the hatch of an uncovered range
    )


def _free_right(axes: Axes, curve: Curve) -> float:
    """Right end, as axes fraction, of the room left of the fault-current line; 1 where that line is far left or absent."""
    low, high = np.log(axes.get_xlim())
    if not np.isfinite(curve.fault_current):
        return 1.0
    place = float((np.log(curve.fault_current) - low) / (high - low))
    return place if 0.55 < place < 1.0 else 1.0


def limit_look(number: int) -> tuple[dict, dict]:
    """Line and marker of limit ``number``."""
    line = {**style.LINES[number % len(style.LINES)], "linewidth": 1.8}
    return line, {"marker": style.LIMIT_MARKERS[number % len(style.LIMIT_MARKERS)], "markersize": 4.5}


def _draw_limits(axes: Axes, curve: Curve, times) -> None:
    series = data.limit_series(curve)
    for number, limit in enumerate(curve.limits):
        look, marker = limit_look(number)
        for one in series:
            if one.name != limit["name"]:
                continue
            outside = one.kind.endswith(data.OUTSIDE)
            color = style.OUTSIDE_LINE["color"] if outside else look["color"]
            if one.kind.startswith("limit"):
                line = style.OUTSIDE_LINE if outside else look
                axes.plot(one.current, one.time, **line, zorder=4, label=f"{one.kind} {one.name}")
            elif one.kind.startswith("knee"):
                # the time runs off to infinity somewhere left of this current
                axes.plot(
                    np.repeat(one.current, 2), [one.time[0], times[1]], color=color, linestyle=(0, (1, 1.5)),
                    linewidth=1.0, zorder=3.5,
                )
                axes.plot(
                    one.current, one.time, linestyle="none", color=color, markeredgecolor=style.PAPER, **marker,
                    zorder=5, label=f"{one.kind} {one.name}",
                )
            else:
                axes.plot(
                    one.current, one.time, linestyle="none", marker="^", markersize=4, markerfacecolor=style.PAPER,
                    markeredgecolor=look["color"], zorder=5, clip_on=False, label=f"beyond horizon {one.name}",
                )


def _draw_adiabatic(axes: Axes, curve: Curve) -> None:
    one = data.adiabatic_series(curve)
    if one is not None:
        axes.plot(one.current, one.time, **_ADIABATIC, zorder=4.2, label="adiabatic")


def _cable_entries(curve: Curve) -> list[Entry]:
    """Key of the limit lines and the adiabatic line."""
    entries = []
    series = data.limit_series(curve)
    knees = {one.name for one in series if one.kind == "knee"}
    for number, limit in enumerate(curve.limits):
        line, marker = limit_look(number)
        kinds = {one.kind for one in series if one.name == limit["name"]}
        if kinds and all(kind.endswith(data.OUTSIDE) for kind in kinds):
            line = dict(style.OUTSIDE_LINE)
        if limit["name"] in knees:
            line |= {**marker, "markeredgecolor": style.PAPER}
        entries.append(Entry(f"{limit_words(limit)}{damage_words(limit)}: {knee_words(curve, number)}", line))
    if any(one.kind.endswith(data.OUTSIDE) for one in series):
        entries.append(Entry(f"grey: {OUTSIDE_VALIDITY}", style.OUTSIDE_LINE))
    if data.adiabatic_series(curve) is not None:
        k, area = curve.adiabatic_k / 1e6, curve.adiabatic_area * 1e6
        temperatures = f", {curve.adiabatic_limit}" if curve.adiabatic_limit else ""
        words = f"adiabatic k²S² = I²t, 0.1 to 5 s: k = {k:.4g} A·s½/mm², S = {area:.3g} mm²{temperatures}"
        entries.append(Entry(words, _ADIABATIC))
    return entries


def draw_device(axes: Axes, entry: DeviceCoverage, span, top: float, tone: dict) -> None:
    """Band, edges and test points of one device within ``span`` [A] and below ``top`` [s]."""
    current, lower, upper = data.band_outline(entry.band.fast, entry.band.slow, span, top)
    axes.fill_between(
        current, lower, upper, where=np.isfinite(lower), facecolor=tone["fill"], edgecolor="none", zorder=1,
        alpha=0.75, label=f"band {entry.device.name}",
    )
    edges = data.drawn_edges(entry)
    if len(edges) == 3:
        current, lower, upper = data.band_outline(entry.band.fast, edges[2][0], span, top)
        axes.fill_between(
            current, lower, upper, where=np.isfinite(lower), facecolor="none", edgecolor=style.FAINT, hatch=tone["hatch"],
            linewidth=0, zorder=1.1,
        )
    for edge, role in edges:
        for one in data.edge_series(entry.device.name, edge, span, top):
            kind = one.kind.split(", ")[1]
            look = {"color": tone["edge"], "linestyle": _DASHES[kind], "linewidth": 1.3 if role == "verdict" else 0.9}
            axes.plot(one.current, one.time, **look, zorder=2.5, label=f"{one.kind} {one.name}")
    for one in data.device_series(entry, span, top):
        if one.kind.startswith("mark"):
            axes.plot(
                one.current, np.minimum(one.time, top), **_mark_look(one.kind, tone), zorder=5, clip_on=False,
                label=f"{one.kind} {one.name}",
            )


_LOAD = {
    "linestyle": "none", "marker": "P", "markersize": 6.5, "markerfacecolor": style.INK, "markeredgecolor": style.PAPER,
    "markeredgewidth": 0.8,
}  # fmt: skip


def _draw_loads(page: Page, axes: Axes, series) -> None:
    """Load points, in front of the words at the bottom of the axes."""
    if series:
        front = page.figure.add_axes(axes.get_position(), zorder=4, label="loads")
        front.set(xscale="log", yscale="log", xlim=axes.get_xlim(), ylim=axes.get_ylim())
        front.axis("off")
        for one in series:
            front.plot(one.current, one.time, **_LOAD, clip_on=False, label=f"load point {one.name}")


def _mark_look(kind: str, tone: dict) -> dict:
    """Marker of a test point: a triangle that points to the side on which the device's curve lies."""
    _, meaning, start, scope = kind.split(", ")
    face = style.HOT_MARK if start == "hot" else tone["edge"] if meaning == "trip" else style.PAPER
    return {
        "linestyle": "none", "marker": "^" if meaning == "hold" else "v", "markersize": 3.5 if scope == "field" else 5.0,
        "markerfacecolor": face, "markeredgecolor": tone["edge"], "markeredgewidth": 0.9,
    }


def device_entries(entry: DeviceCoverage, span, top: float, tone: dict) -> list[Entry]:
    """Key of one device: band, edges by what they rest on, test points."""
    series = data.device_series(entry, span, top)
    words = f"{entry.device.title}: band from fast to slow edge"
    patch = {"facecolor": tone["fill"], "edgecolor": tone["edge"]}
    if len(data.drawn_edges(entry)) == 3:
        model = "our default model" if "default" in entry.device.bands else "the interpolated line"
        words = f"{words}; hatched as far as the slow edge of {model}"
        patch = {"facecolor": tone["fill"], "edgecolor": style.FAINT, "hatch": tone["hatch"]}
    entries = [Entry(words, patch=patch)]
    kinds = {one.kind.split(", ")[1] for one in series if " edge, " in one.kind}
    for kind in sorted(kinds, key=KINDS.index):
        look = {"color": tone["edge"], "linestyle": _DASHES[kind], "linewidth": 1.3}
        entries.append(Entry(f"edge: {KIND_WORDS[kind]}", look))
    for one in series:
        if one.kind.startswith("mark"):
            _, meaning, start, scope = one.kind.split(", ")
            what = "has to hold until then" if meaning == "hold" else "has to have opened by then"
            source = {"certification": "test point", "field": "site-test limit", "maker": "given point"}[scope]
            entries.append(Entry(f"{source}, {start} start: {what}", _mark_look(one.kind, tone)))
    return entries


def _draw_currents(page: Page, axes: Axes, curve: Curve, coverage: Coverage | None, place) -> None:
    """Rated and conventional operating currents as ticks at the bottom, the fault current as a vertical."""
    left, bottom, width = place
    span = axes.get_xlim()
    marks = []
    for entry in coverage.devices if coverage else ():
        prefix = f"{entry.device.name}: " if len(coverage.devices) > 1 else ""
        for symbol, current in (("In", entry.device.rating), ("I2", entry.device.operating_current)):
            if np.isfinite(current) and span[0] < current < span[1]:
                marks.append((float(current), f"{prefix}{symbol} = {current:.4g} A"))

    def across(current):
        return left + width * np.log(current / span[0]) / np.log(span[1] / span[0])

    over = page.figure.add_axes((0, 0, 1, 1), zorder=3, label="over")
    over.set(xlim=page.canvas.get_xlim(), ylim=page.canvas.get_ylim())
    over.axis("off")
    at = [across(current) for current, _ in marks]
    places = spread(at, 3.2, left + 2.0, left + width - 2.0)
    for (_, words), x, shown in zip(marks, at, places, strict=True):
        over.plot([x, x, shown], [bottom, bottom + 2.6, bottom + 4.6], color=style.INK, linewidth=1.0)
        over.text(
            shown, bottom + 5.2, words, rotation=90, ha="center", va="bottom", fontsize=style.SIZE_SMALL + 0.5,
            bbox={"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
        )
    if np.isfinite(curve.fault_current) and span[0] < curve.fault_current < span[1]:
        axes.axvline(
            curve.fault_current, color=style.INK, linewidth=1.0, linestyle=(0, (8, 2, 1, 2)), zorder=3, label="fault current"
        )
        axes.annotate(
            f"prospective fault current {current_words(curve.fault_current)}", (curve.fault_current, 1.0), (3, -4),
            xycoords=("data", "axes fraction"), textcoords="offset points", rotation=90, ha="left", va="top",
            fontsize=style.SIZE_SMALL + 0.5,
        )


def _shown_pair(coverage: Coverage | None) -> tuple[DeviceCoverage, int] | None:
    """Device and limit whose uncovered range is hatched; the ribbon shows all.

    Of several devices the one that leaves least uncovered: what it leaves is what they leave together, or little more.
    """
    if not coverage or not coverage.devices or not coverage.devices[0].limits:
        return None
    entry = min(coverage.devices, key=lambda one: sum(_uncovered_widths(one)))
    return entry, int(np.argmax(_uncovered_widths(entry)))


def _uncovered_widths(entry: DeviceCoverage) -> list[float]:
    """Per limit, how much of the logarithmic current axis is uncovered."""
    return [float(sum(np.log(high / low) for low, high in limit.uncovered)) for limit in entry.limits]


def _draw_uncovered(axes: Axes, curve: Curve, coverage: Coverage | None, span, top: float, width: float) -> None:
    pair = _shown_pair(coverage)
    if pair is None:
        return
    entry, number = pair
    limit = entry.limits[number]
    outlines = data.uncovered_outline(curve, entry, number, span, top)
    look = style.VERDICTS["uncovered"]
    for current, lower, upper in outlines:
        axes.fill_between(
            current, lower, upper, facecolor="none", edgecolor=style.INK, hatch=look.hatch, linewidth=0.0, zorder=3,
            label="uncovered",
        )
        axes.vlines(current[[0, -1]], lower[[0, -1]], top, color=style.INK, linewidth=0.7, zorder=3)
    if outlines:
        words = f"Uncovered {ranges_words(limit.uncovered)}: {limit.limit} falls before the device opens"
    elif limit.unknown:
        words = f"No range shown to be uncovered; unknown {ranges_words(limit.unknown)}"
    else:
        words = "No range among the compared currents is uncovered"
    _place_words(axes, words, outlines, curve, span, width)


def _place_words(axes: Axes, words: str, outlines, curve: Curve, span, width: float) -> None:
    """Words in the upper right of the axes, which falling curves leave free, with a leader to the hatched area."""
    right = _free_right(axes, curve) - 1.5 / width
    bottom, top = np.log(axes.get_ylim())
    height = min(0.93, float((np.log(curve.horizon) - bottom) / (top - bottom)) - 0.015)
    begin = np.log(outlines[-1][0][-1] / span[0]) / np.log(span[1] / span[0]) if outlines else 0.3
    room = max(24.0, min(46.0, (right - begin) * width - 8.0))
    box = {"facecolor": style.PAPER, "edgecolor": style.INK, "linewidth": 0.7, "pad": 3.0}
    lines = "\n".join(wrapped(words, room, style.SIZE_TEXT))
    keywords = {"fontsize": style.SIZE_TEXT, "ha": "right", "va": "top", "bbox": box, "zorder": 6, "gid": "uncovered words"}
    if not outlines:
        axes.text(right, height, lines, transform=axes.transAxes, **keywords)
        return
    current, lower, upper = outlines[0]
    middle = len(current) // 2
    low, high = np.log(lower[middle]), np.log(min(upper[middle], axes.get_ylim()[1]))
    axes.annotate(
        lines, (current[middle], np.exp(low + 0.72 * (high - low))), (right, height), textcoords="axes fraction",
        arrowprops={"arrowstyle": "-", "color": style.INK, "linewidth": 0.8, "relpos": (0, 0.5)}, **keywords,
    )


def _ribbon_rows(coverage: Coverage | None) -> list[tuple[str, tuple]]:
    rows = [
        (f"{entry.device.name} / {limit.limit}" if len(coverage.devices) > 1 else limit.limit, limit.intervals)
        for entry in (coverage.devices if coverage else ())
        for limit in entry.limits
    ]
    series = [(f"all in series / {limit.limit}", limit.by_verdict) for limit in (coverage.series if coverage else ())]
    return [*series, *rows][:_MAX_ROWS]


def draw_ribbon(page: Page, rows, span, place, looks: dict = style.VERDICTS) -> None:
    """One row (words, intervals) after the other: the verdict of each interval along the current axis."""
    left, bottom, width = place

    def across(current):
        return left + width * np.clip(np.log(current / span[0]) / np.log(span[1] / span[0]), 0, 1)

    for row, (words, intervals) in enumerate(rows):
        low = bottom + (len(rows) - 1 - row) * _ROW
        for interval in intervals:
            look = looks[interval.verdict]
            a, b = across(interval.low), across(interval.high)
            if b - a < 0.05:
                continue
            page.canvas.add_patch(
                Rectangle(
                    (a, low), b - a, _ROW - 0.8, facecolor=look.fill, edgecolor=style.INK, hatch=look.hatch, linewidth=0.5,
                    gid=f"verdict {interval.verdict}",
                )
            )
            if b - a > text_width(look.word, style.SIZE_SMALL) + 2.0:
                background = {"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.5} if look.hatch else None
                page.canvas.text(
                    (a + b) / 2, low + _ROW / 2 - 0.45, look.word, fontsize=style.SIZE_SMALL, ha="center", va="center",
                    bbox=background,
                )
        label = shortened(words, page.right - left - width - 4.0, style.SIZE_SMALL + 0.5)
        page.text(left + width + 2.0, low + _ROW / 2 - 0.4, label, size=style.SIZE_SMALL + 0.5, va="center")


def _column(curve: Curve, coverage: Coverage | None, rows, width: float) -> Column:
    """Key, and the answer for the hatched device and limit, to stand right of the axes."""
    column = Column(width)
    column.heading("Key")
    column.entries(_cable_entries(curve))
    span, times = data.axis_spans(curve, coverage)
    explained: set[str] = set()
    for place, entry in enumerate(coverage.devices if coverage else ()):
        tone = style.DEVICE_TONES[place % len(style.DEVICE_TONES)]
        # patterns and marks mean the same for every device, so they are explained once
        entries = device_entries(entry, span, times[1], tone)
        column.entries([one for one in entries if one.words not in explained])
        explained |= {one.words for one in entries}
    if loads := data.load_series(coverage, span):
        named = "; ".join(f"{one.name}, {current_words(one.current[0])} for {time_words(one.time[0])}" for one in loads)
        column.entries([Entry(f"drawn in ordinary service, to lie left of a fast edge: {named}", _LOAD)])
    pair = _shown_pair(coverage)
    if pair is None:
        return column
    entry, number = pair
    limit = entry.limits[number]
    if limit.uncovered:
        patch = {"facecolor": style.PAPER, "edgecolor": style.INK, "hatch": style.VERDICTS["uncovered"].hatch}
        column.entries([Entry(f"uncovered: {entry.device.name}, {limit.limit}", patch=patch)])
    used = {interval.verdict for _, intervals in rows for interval in intervals}
    looks = [look for verdict, look in style.VERDICTS.items() if verdict in used]
    column.heading("Ribbon above the axes")
    every = sum(len(one.limits) for one in coverage.devices) + len(coverage.series)
    if every > len(rows):
        column.paragraph(f"{every - len(rows)} more rows stand in the table of this figure")
    column.entries(
        [Entry(look.meaning, patch={"facecolor": look.fill, "edgecolor": style.INK, "hatch": look.hatch}) for look in looks]
    )
    column.heading(f"{entry.device.name} against {limit.limit}")
    column.paragraph(f"Verdicts on basis {entry.basis}:")
    for verdict, look in style.VERDICTS.items():
        if ranges := joined(limit.intervals, (verdict,)):
            column.paragraph(f"{look.meaning.partition(',')[0]}: {ranges_words(ranges)}")
    if len(coverage.devices) == 1:  # of several the sheet has no room to say what is reached when they open
        for sentence in limit.sentences[len(limit.intervals) :]:
            column.paragraph(sentence)
    return column


def _caption(curve: Curve, coverage: Coverage | None) -> str:
    words = (
        f"Time until each temperature limit falls at constant current in {curve.circuit}, computed from a start "
        f"{curve.start_description} for at most {time_words(curve.horizon)}, at {len(curve.current)} currents from "
        f"{current_words(curve.current[0])} to {current_words(curve.current[-1])}."
    )
    if not coverage or not coverage.devices:
        return words
    bases = ", ".join(f"{entry.device.name} on basis {entry.basis}" for entry in coverage.devices)
    notes = dict.fromkeys(note for entry in coverage.devices for note in entry.notes)
    reservations = "".join(f" {note[0].upper()}{note[1:]}." for note in notes)
    return (
        f"{words} Devices: {bases}; solid edges are from the standard or given points, broken ones are interpolated or our "
        f"default model, which no standard promises. No edge is drawn where no data exist.{reservations}"
    )
