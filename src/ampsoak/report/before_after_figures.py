"""Two results on one sheet: what was before is muted, what came after is strong."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator, MaxNLocator

from ampsoak.coverage.words import current_words, temperature_words, time_words
from ampsoak.report import style
from ampsoak.report import time_current_data as data
from ampsoak.report.before_after import Comparison, Side, change_rows
from ampsoak.report.history import LIMIT_LOOK, draw_limits, time_unit
from ampsoak.report.key import Column, Entry
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page
from ampsoak.report.tables import Table
from ampsoak.report.time_current import device_entries, draw_device, draw_ribbon, limit_look, set_axes
from ampsoak.report.words import celsius, joined_words, limit_words, origin_words, rough_words
from ampsoak.runfile.records import Run

_LONGEST_DECADE, _TALLEST, _WIDEST = 23.0, 150.0, 88.0  # [mm]
_LABELS, _CLOCK, _ROW, _MAX_ROWS = 15.0, 15.0, 4.4, 12
_TEMPERATURES, _CURRENTS, _BETWEEN, _GAP, _COLUMN = 92.0, 28.0, 5.0, 15.0, 58.0
_MUTED = "#9a9a9a"
_FAULT = {"linewidth": 1.0, "linestyle": (0, (8, 2, 1, 2))}
_SAID_CHANGES = 8
_STRONG_RUN = {"color": "#0b2f5c", "linewidth": 2.0, "linestyle": "-"}
_MUTED_RUN = {"color": _MUTED, "linewidth": 1.6, "linestyle": (0, (6, 1.6))}


def _muted(number: int) -> tuple[dict, dict]:
    """Line and marker of limit ``number`` in the earlier result: the same pattern, grey, thin, hollow."""
    line, marker = limit_look(number)
    return {**line, "color": _MUTED, "linewidth": 1.3}, {**marker, "markerfacecolor": style.PAPER, "markeredgecolor": _MUTED}


@style.styled
def compared_curves_figure(found: Comparison, number: int = 8) -> Figure:
    """Draw the limit lines of both results over the device bands.

    Parameters
    ----------
    found : Comparison    with two limit curves
    number : int          number of the figure

    Returns
    -------
    Figure
    """
    spans = [data.axis_spans(side.curve, side.coverage) for side in found.sides]
    span = (min(one[0][0] for one in spans), max(one[0][1] for one in spans))
    times = (min(one[1][0] for one in spans), max(one[1][1] for one in spans))
    decades = np.log10(span[1] / span[0]), np.log10(times[1] / times[0])
    length = min(_LONGEST_DECADE, _WIDEST / decades[0], _TALLEST / decades[1])
    width, height = length * decades[0], length * decades[1]
    rows = _rows(found)
    ribbon = len(rows) * _ROW + (3.0 if rows else 0.0)
    beside = LEFT + _LABELS + width + _CLOCK + 3.0
    column = _column(found, span, times, WIDTH - RIGHT - beside)
    heading = Heading(number, "Before and after", found.after.record.title, _caption(found), _origins(found, "curve"))
    page = Page(heading, max(height + ribbon + 12.0, column.height + ribbon + 5.0))
    left, bottom = page.left + _LABELS, page.top - ribbon - height
    axes = page.axes(left, bottom, width, height, label="time-current")
    set_axes(axes, span, times)
    for entry, tone in _bands(found):
        draw_device(axes, entry, span, times[1], tone)
    for number_, pair in enumerate(found.limits):
        for side, place, look in zip(found.sides, pair.numbers, (_muted(number_), limit_look(number_)), strict=True):
            _draw_limit(axes, side, place, look, times[1])
    for side, color in zip(found.sides, (_MUTED, style.INK), strict=True):
        current = side.curve.fault_current
        if np.isfinite(current) and span[0] < current < span[1]:
            axes.axvline(current, color=color, **_FAULT, label=f"fault current {side.name}")
    draw_ribbon(page, rows, span, (left, bottom + height + 3.0, width))
    column.draw(page, beside, page.top - ribbon)
    return page.figure


def _draw_limit(axes: Axes, side: Side, place: int, look, top: float) -> None:
    line, marker = look
    name = side.curve.limits[place]["name"]
    zorder = 4.0 if side.name == "after" else 3.2
    for one in data.limit_series(side.curve):
        if one.name != name:
            continue
        if one.kind.startswith("limit"):
            drawn = style.OUTSIDE_LINE if one.kind.endswith(data.OUTSIDE) else line
            axes.plot(one.current, one.time, **drawn, zorder=zorder, label=f"{side.name}, {one.kind} {name}")
        elif one.kind.startswith("knee"):
            axes.plot(
                np.repeat(one.current, 2), [one.time[0], top], color=line["color"], linestyle=(0, (1, 1.5)), linewidth=1.0,
                zorder=zorder - 0.5,
            )
            faced = {"markeredgecolor": style.PAPER, **marker}
            axes.plot(
                one.current, one.time, linestyle="none", color=line["color"], **faced, zorder=zorder + 1,
                label=f"{side.name}, knee {name}",
            )


def _bands(found: Comparison) -> list:
    """Bands to draw, each with its tone: those of the later result, and earlier ones that are not the same device."""
    after = found.after.coverage.devices if found.after.coverage else ()
    before = found.before.coverage.devices if found.before.coverage else ()
    gone = [entry for entry in before if entry.device.title not in {one.device.title for one in after}]
    muted = {"fill": "#f6f6f6", "hatch": "", "edge": _MUTED}
    tones = [style.DEVICE_TONES[place % len(style.DEVICE_TONES)] for place in range(len(after))]
    return [*((entry, muted) for entry in gone), *zip(after, tones, strict=True)]


def _rows(found: Comparison) -> list[tuple[str, tuple]]:
    """Ribbon: for each device and limit the verdicts before and, right below, after."""
    rows = []
    for pair in found.devices:
        for limit in found.limits:
            for side, entry, number in zip(found.sides, pair.entries, limit.numbers, strict=True):
                if entry is not None:
                    rows.append((f"{side.name}: {limit.name}", entry.limits[number].intervals))
    return rows[:_MAX_ROWS]


def _column(found: Comparison, span, times, width: float) -> Column:
    column = Column(width)
    column.heading("Limits: after strong, before grey")
    for number, pair in enumerate(found.limits):
        limits = [side.curve.limits[place] for side, place in zip(found.sides, pair.numbers, strict=True)]
        same = abs(pair.temperature[0] - pair.temperature[1]) < 0.01
        for side, limit, ampacity, look in zip(
            reversed(found.sides), reversed(limits), reversed(pair.ampacity), (limit_look(number), _muted(number)), strict=True
        ):
            words = limit_words(limit) if side.name == "after" or not same else "before"
            low = f"never reached up to {current_words(ampacity[0])}" if np.isfinite(ampacity[0]) else "no current below it"
            column.entries([Entry(f"{words}: {low}", {**look[0], **look[1]})])
    column.heading("Devices")
    explained: set[str] = set()
    for entry, tone in _bands(found):
        entries = device_entries(entry, span, times[1], tone)
        column.entries([one for one in entries if one.words not in explained])
        explained |= {one.words for one in entries}
    faults = {side.name: side.curve.fault_current for side in found.sides}
    if faults["before"] == faults["after"]:
        faults.pop("before")
    for name, current in faults.items():
        if np.isfinite(current):
            words = f"prospective fault current {current_words(current)}" + (f", {name}" if len(faults) > 1 else "")
            column.entries([Entry(words, {"color": _MUTED if name == "before" else style.INK, **_FAULT})])
    used = {interval.verdict for _, intervals in _rows(found) for interval in intervals}
    if used:
        column.heading("Ribbon above the axes")
        looks = [look for verdict, look in style.VERDICTS.items() if verdict in used]
        column.entries(
            [Entry(look.meaning, patch={"facecolor": look.fill, "edgecolor": style.INK, "hatch": look.hatch}) for look in looks]
        )
    _say_changes(column, found)
    return column


def _say_changes(column: Column, found: Comparison) -> None:
    rows = change_rows(found)
    column.heading("What changed")
    for key, before, after in rows[:_SAID_CHANGES]:
        column.paragraph(f"{key}: {before} → {after}")
    if len(rows) > _SAID_CHANGES:
        column.paragraph(f"{len(rows) - _SAID_CHANGES} more in the table")
    if not rows:
        column.paragraph("nothing in the scenario")


def _caption(found: Comparison) -> str:
    starts = list(dict.fromkeys(side.curve.start_description for side in found.sides))
    words = (
        f"Time until each temperature limit falls at constant current in {found.after.curve.circuit}, before and after a "
        f"change of the scenario, from a start {' before and '.join(starts)}{' after' if len(starts) > 1 else ''}. Grey and thin: "
        "before. No edge is drawn where no data exist."
    )
    return " ".join([words, *(f"{note[0].upper()}{note[1:]}." for note in found.notes)])


def _origins(found: Comparison, what: str) -> str:
    """Run ids and scenario files of both results, for the margin."""
    said = []
    for side in found.sides:
        record = getattr(side, what)
        identity = f"run {record.run_id}" if record.run_id else origin_words(record).partition("   ")[0]
        said.append(f"{side.name}: {identity} {record.scenario_file}".strip())
    return "   ".join(said)


def compared_curves_table(found: Comparison) -> Table:
    """Every line and point of the figure, one row per point."""
    rows = []
    for side in found.sides:
        for series in data.all_series(side.curve, side.coverage):
            rows += [
                (side.name, series.name, series.kind, float(current), float(time))
                for current, time in zip(series.current, series.time, strict=True)
            ]
    return Table(("side", "belongs to", "kind", "current [A]", "time [s]"), rows)


@style.styled
def compared_histories_figure(found: Comparison, number: int = 9) -> Figure:
    """Draw the hottest conductor and the currents of both histories on one time axis.

    Parameters
    ----------
    found : Comparison    with two histories
    number : int          number of the figure

    Returns
    -------
    Figure
    """
    runs = [side.run for side in found.sides]
    end = max(float(run.time[-1]) for run in runs)
    unit, size = time_unit(end)
    column = _history_column(found)
    content = max(_TEMPERATURES + _BETWEEN + _CURRENTS + 11.0, column.height + 2.0)
    words = (
        "Hottest conductor in the current history of each scenario; currents in the lower panel. Grey and broken: before; the "
        "part outside validity after a damage limit is marked in each result's own history figure."
    )
    words = " ".join([words, *(f"{side.name}: {rough_words(side.run)}" for side in found.sides if rough_words(side.run))])
    page = Page(Heading(number, "Histories before and after", found.after.record.title, words, _origins(found, "run")), content)
    left, width = page.left + _LABELS - 2.0, WIDTH - RIGHT - LEFT - _LABELS + 2.0 - _GAP - _COLUMN
    bottom = page.top - _TEMPERATURES
    upper = page.axes(left, bottom, width, _TEMPERATURES, label="temperature")
    lower = page.axes(left, bottom - _BETWEEN - _CURRENTS, width, _CURRENTS, label="current", sharex=upper)
    values = [float(celsius(limit["temperature"])) for limit in found.after.run.limits]
    for side, look in zip(found.sides, (_MUTED_RUN, _STRONG_RUN), strict=True):
        hottest = _hottest(side.run)
        values += [float(hottest.min()), float(hottest.max())]
        upper.plot(side.run.time / size, hottest, **look, zorder=3 if side.name == "before" else 4, label=side.name)
        for place, name in enumerate(side.run.circuit_names):
            shown = look if place == 0 else {**style.LINES[place % len(style.LINES)], "linewidth": look["linewidth"] / 2}
            lower.plot(side.run.time / size, side.run.circuit_current[:, place], **shown, label=f"{side.name}, {name}")
    room = 0.06 * max(max(values) - min(values), 1.0)
    upper.set_ylim(min(values) - room, max(values) + room)
    upper.set_ylabel("Hottest conductor [°C]")
    lower.set_ylabel("Current [A]")
    lower.set_ylim(0, 1.12 * max(float(run.circuit_current.max(initial=1e-6)) for run in runs))
    lower.set_xlabel(f"Time [{unit}]")
    lower.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 3, 5, 6, 10]))
    lower.xaxis.set_minor_locator(AutoMinorLocator())
    lower.yaxis.set_major_locator(MaxNLocator(4))
    upper.yaxis.set_minor_locator(AutoMinorLocator())
    upper.tick_params(labelbottom=False)
    upper.set_xlim(0, end / size)
    for axes in (upper, lower):
        axes.grid(True)
        axes.set_axisbelow(True)
    draw_limits(page, upper, found.after.run.limits, (left, bottom, width, _TEMPERATURES))
    column.draw(page, left + width + _GAP, page.top)
    return page.figure


def _hottest(run: Run) -> np.ndarray:
    """Hottest conductor [°C] at each step; the hottest part where there is no conductor."""
    columns = run.conductor_temperature if run.conductor_names else run.part_maximum
    return celsius(columns.max(axis=1))


def _history_column(found: Comparison) -> Column:
    column = Column(_COLUMN)
    column.heading("Hottest conductor")
    for side, look in zip(reversed(found.sides), (_STRONG_RUN, _MUTED_RUN), strict=True):
        hottest = _hottest(side.run)
        place = int(np.argmax(hottest))
        peak = f"at most {temperature_words(hottest[place] + 273.15)} after {time_words(float(side.run.time[place]))}"
        column.entries([Entry(f"{side.name}: {peak}", look)])
    limits = found.after.run.limits
    if limits:
        column.entries([Entry("limit: " + "; ".join(limit_words(limit) for limit in limits), LIMIT_LOOK)])
    circuits = joined_words(found.after.run.circuit_names)
    if circuits:
        column.paragraph(f"Currents of {circuits} in the lower panel.")
    _say_changes(column, found)
    return column


def compared_histories_table(found: Comparison) -> Table:
    """The lines of the histories figure, one row per step."""
    rows = [
        (side.name, float(time), float(temperature), *map(float, currents))
        for side in found.sides
        for time, temperature, currents in zip(side.run.time, _hottest(side.run), side.run.circuit_current, strict=True)
    ]
    longest = max(len(row) for row in rows)
    names = max((side.run.circuit_names for side in found.sides), key=len)
    heads = ("side", "time [s]", "hottest conductor [°C]", *(f"current in {name} [A]" for name in names))
    return Table(heads, [row + (float("nan"),) * (longest - len(row)) for row in rows])
