"""The history figure: temperatures and current against time, with limits and the moments they fell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator, MaxNLocator

from ampsoak.coverage.words import current_words, temperature_words, time_words
from ampsoak.report import style
from ampsoak.report.key import Column, Entry, spread
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page
from ampsoak.report.words import (
    OUTSIDE_VALIDITY,
    captioned,
    celsius,
    damage_time,
    damage_words,
    joined_words,
    limit_words,
    origin_words,
)
from ampsoak.runfile.records import Event, Run

_LABELS, _GAP, _COLUMN = 13.0, 15.0, 58.0  # room for numbers, for limit labels, for the key [mm]
_TEMPERATURES, _CURRENTS, _BETWEEN, _MARKERS = 88.0, 26.0, 5.0, 6.0  # heights [mm]
_SAME = 0.006  # traces that stay closer than this share of the axis are drawn as one
_MOST_TRACES, _MOST_PROBES, _MOST_EVENTS = 6, 3, 10
LIMIT_LOOK = {"color": style.INK, "linewidth": 0.9, "linestyle": (0, (7, 2, 1, 2))}
_UNITS = (("s", 1.0, 600.0), ("min", 60.0, 10800.0), ("h", 3600.0, 345600.0), ("d", 86400.0, np.inf))


@dataclass(frozen=True)
class Trace:
    """A temperature against time.

    Parameters
    ----------
    names : tuple of str                 what shares this line
    kind : str                           "conductor", "part" or "probe"
    temperature : (n_time,) float64      [°C]
    """

    names: tuple[str, ...]
    kind: str
    temperature: np.ndarray


def time_unit(duration: float) -> tuple[str, float]:
    """Unit in which ``duration`` [s] reads best, and its length [s]."""
    return next((unit, size) for unit, size, until in _UNITS if duration <= until)


def traces(run: Run) -> list[Trace]:
    """All temperatures: conductors, then other parts (their largest temperature), then probes."""
    found = [("conductor", name, column) for name, column in zip(run.conductor_names, run.conductor_temperature.T, strict=True)]
    found += [
        ("part", name, column)
        for name, column in zip(run.section.part_names, run.part_maximum.T, strict=True)
        if name not in run.conductor_names
    ]
    found += [
        ("probe", name, column)
        for name, unit, column in zip(run.probe_names, run.probe_units, run.probe_value.T, strict=True)
        if unit == "K"
    ]
    return [Trace((name,), kind, celsius(column)) for kind, name, column in found]


def grouped(every: list[Trace], apart: float) -> list[Trace]:
    """Traces of one kind that never differ by more than ``apart`` [K] as one, drawn as the first of them."""
    groups: list[tuple[Trace, list[str]]] = []
    for trace in every:
        for first, names in groups:
            if first.kind == trace.kind and np.all(np.abs(first.temperature - trace.temperature) <= apart):
                names.extend(trace.names)
                break
        else:
            groups.append((trace, list(trace.names)))
    return [Trace(tuple(names), first.kind, first.temperature) for first, names in groups]


@style.styled
def history_figure(run: Run, number: int = 2) -> Figure:
    """Draw temperatures (upper panel) and circuit currents (lower panel) on one time axis.

    Parameters
    ----------
    run : Run
    number : int    number of the figure

    Returns
    -------
    Figure
    """
    unit, size = time_unit(float(run.time[-1]) if len(run.time) else 0.0)
    low, high = _temperature_span(run, traces(run))
    every = grouped(traces(run), _SAME * (high - low))
    drawn = _chosen(every, run)
    events = [event for event in run.events if event.kind in ("limit_reached", "limit_left")]
    column = _column(run, drawn, len(every) - len(drawn), events)
    lower = _CURRENTS + _BETWEEN if run.circuit_names else 0.0
    content = max(_TEMPERATURES + _MARKERS + lower + 11.0, column.height + 2.0)
    heading = Heading(number, "Temperature history", run.title, captioned(_caption(run), run), origin_words(run))
    page = Page(heading, content)
    left, width = page.left + _LABELS, WIDTH - RIGHT - LEFT - _LABELS - _GAP - _COLUMN
    bottom = page.top - _MARKERS - _TEMPERATURES
    axes = page.axes(left, bottom, width, _TEMPERATURES, label="temperature")
    _draw_traces(axes, run, drawn, size)
    axes.set_ylim(low, high)
    axes.set_ylabel("Temperature [°C]")
    lowest = axes
    if run.circuit_names:
        lowest = page.axes(left, bottom - lower, width, _CURRENTS, label="current", sharex=axes)
        _draw_currents(lowest, run, size)
        axes.tick_params(labelbottom=False)
    lowest.set_xlabel(f"Time [{unit}]")
    lowest.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 3, 5, 6, 10]))
    lowest.xaxis.set_minor_locator(AutoMinorLocator())
    end = max(float(run.time[-1]), 1e-9) / size if len(run.time) else 1.0
    axes.set_xlim(0, end)
    draw_limits(page, axes, run.limits, (left, bottom, width, _TEMPERATURES))
    _draw_events(page, axes, events[:_MOST_EVENTS], size, (left, bottom, width), end)
    column.draw(page, left + width + _GAP, page.top)
    return page.figure


def _temperature_span(run: Run, every: list[Trace]) -> tuple[float, float]:
    """Ends of the temperature axis [°C], with room beyond limits and everything computed."""
    values = [float(celsius(limit["temperature"])) for limit in run.limits]
    values += [float(end(trace.temperature)) for trace in every if len(trace.temperature) for end in (np.min, np.max)]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    room = 0.06 * max(high - low, 1.0)
    return low - room, high + room


def _chosen(every: list[Trace], run: Run) -> list[Trace]:
    """Conductors and limited parts first, then the hottest, no more than there are line patterns; and some probes."""
    limited = {part for limit in run.limits for part in limit.get("parts", ())}

    def rank(trace: Trace):
        wanted = trace.kind == "conductor" or bool(limited & set(trace.names))
        return not wanted, -float(np.max(trace.temperature, initial=-np.inf))

    kept = sorted((trace for trace in every if trace.kind != "probe"), key=rank)[:_MOST_TRACES]
    kept += [trace for trace in every if trace.kind == "probe"][:_MOST_PROBES]
    return [trace for trace in every if any(trace is one for one in kept)]


def _look(drawn: list[Trace], number: int) -> dict:
    """Line of a trace: conductors are heavy, probes light; patterns repeat only over different weights."""
    kind = drawn[number].kind
    place = sum(1 for one in drawn[:number] if (one.kind == "probe") == (kind == "probe"))
    return {**style.LINES[place % len(style.LINES)], "linewidth": {"conductor": 2.0, "part": 1.3, "probe": 0.8}[kind]}


def _draw_traces(axes: Axes, run: Run, drawn: list[Trace], size: float) -> None:
    damaged = damage_time(run)
    # both parts of a line end at the very moment, so that none of it is missing
    time = np.unique(np.append(run.time, damaged)) if np.isfinite(damaged) else run.time
    valid, past = time <= damaged, time >= damaged
    for number, trace in enumerate(drawn):
        name = joined_words(trace.names)
        temperature = np.interp(time, run.time, trace.temperature) if past.any() else trace.temperature
        axes.plot(time[valid] / size, temperature[valid], **_look(drawn, number), zorder=4 - number * 0.01, label=name)
        if past.any():
            axes.plot(
                time[past] / size, temperature[past], **style.OUTSIDE_LINE, zorder=3, label=f"{name}, {OUTSIDE_VALIDITY}"
            )
    axes.grid(True)
    axes.set_axisbelow(True)
    axes.yaxis.set_minor_locator(AutoMinorLocator())
    if past.any():
        axes.axvspan(damaged / size, run.time[-1] / size, facecolor="#f0f0f0", edgecolor="none", zorder=0)
        early = damaged < 0.4 * run.time[-1]  # else the words would run out of the axes
        axes.annotate(
            OUTSIDE_VALIDITY, (damaged / size if early else run.time[-1] / size, 0.0), (3 if early else -3, 4),
            xycoords=("data", "axes fraction"), textcoords="offset points", ha="left" if early else "right",
            fontsize=style.SIZE_TEXT, style="italic", zorder=5,
        )


def _draw_currents(axes: Axes, run: Run, size: float) -> None:
    for number, (name, column) in enumerate(zip(run.circuit_names, run.circuit_current.T, strict=True)):
        axes.plot(run.time / size, column, **style.LINES[number % len(style.LINES)], linewidth=1.3, label=name)
    axes.set_ylim(0, 1.12 * float(max(run.circuit_current.max(initial=0.0), 1e-6)))
    axes.set_ylabel("Current [A]")
    axes.grid(True)
    axes.set_axisbelow(True)
    axes.yaxis.set_major_locator(MaxNLocator(4))


def draw_limits(page: Page, axes: Axes, limits: list[dict], place) -> None:
    """Limits as lines, their temperatures right of the axes.

    Parameters
    ----------
    page : Page
    axes : Axes                              of temperatures [°C], already at its final limits
    limits : list of dict                    name, temperature [K]
    place : (left, bottom, width, height)    of the axes on the page [mm]
    """
    left, bottom, width, height = place
    low, high = axes.get_ylim()
    temperatures = [float(celsius(limit["temperature"])) for limit in limits]
    at = [bottom + height * (temperature - low) / (high - low) for temperature in temperatures]
    places = spread(at, 3.4, bottom + 1.0, bottom + height - 1.0)
    for limit, temperature, y, shown in zip(limits, temperatures, at, places, strict=True):
        axes.axhline(temperature, **LIMIT_LOOK, zorder=2, label=f"limit {limit['name']}")
        page.canvas.plot(
            [left + width, left + width + 1.5, left + width + 3.0], [y, y, shown], color=style.INK, linewidth=0.7
        )
        page.text(left + width + 3.6, shown, temperature_words(limit["temperature"]), va="center")


def _draw_events(page: Page, axes: Axes, events: list[Event], size: float, place, end: float) -> None:
    """Numbered flags above the axes, each with a fine vertical at its time."""
    left, bottom, width = place
    top = bottom + _TEMPERATURES
    at = [left + width * event.time / size / end for event in events]
    places = spread(at, 4.2, left, left + width)
    for number, (event, x, shown) in enumerate(zip(events, at, places, strict=True), 1):
        axes.axvline(event.time / size, color=style.QUIET, linewidth=0.6, linestyle=(0, (1, 1.5)), zorder=2, label=event.kind)
        page.canvas.plot([x, shown], [top, top + 1.8], color=style.QUIET, linewidth=0.6)
        page.canvas.text(
            shown, top + 3.4, str(number), fontsize=style.SIZE_SMALL, ha="center", va="center_baseline",
            bbox={"boxstyle": "circle,pad=0.2", "facecolor": style.PAPER, "edgecolor": style.INK, "linewidth": 0.6},
        )


def _column(run: Run, drawn: list[Trace], left_out: int, events: list[Event]) -> Column:
    column = Column(_COLUMN)
    column.heading("Temperatures")
    prefix = {"conductor": "conductor ", "part": "hottest place of ", "probe": "probe "}
    column.entries(
        [Entry(prefix[trace.kind] + joined_words(trace.names), _look(drawn, number)) for number, trace in enumerate(drawn)]
    )
    if any(len(trace.names) > 1 for trace in drawn):
        column.paragraph("Names joined by \"and\" share one line: they differ by less than can be drawn.")
    if left_out:
        column.paragraph(f"{left_out} more in the table of this figure")
    if run.limits:
        words = "; ".join(limit_words(limit) + damage_words(limit) for limit in run.limits)
        column.entries([Entry(f"limit: {words}", LIMIT_LOOK)])
    if run.circuit_names:
        column.heading("Currents")
        looks = [{**style.LINES[number % len(style.LINES)], "linewidth": 1.3} for number in range(len(run.circuit_names))]
        column.entries([Entry(name, look) for name, look in zip(run.circuit_names, looks, strict=True)])
    if events:
        column.heading("Events")
    for number, event in enumerate(events[:_MOST_EVENTS], 1):
        column.paragraph(f"({number}) {_event_words(run, event)}")
    if len(events) > _MOST_EVENTS:
        column.paragraph(f"and {len(events) - _MOST_EVENTS} more")
    return column


def _event_words(run: Run, event: Event) -> str:
    what = "reached" if event.kind == "limit_reached" else "left again"
    where = f" in {event.part}" if event.part else ""
    at = ""
    if len(run.circuit_names) == 1 and len(run.time):
        row = max(int(np.searchsorted(run.time, event.time, side="right")) - 1, 0)
        at = f", at {current_words(run.circuit_current[row, 0])}"
    return f"after {time_words(event.time)}: {event.name} {what}{where}{at}"


def _caption(run: Run) -> str:
    start = joined_words(sorted({temperature_words(value) for value in run.conductor_temperature[0]})) if len(run.time) else ""
    words = (
        f"Conductor temperatures and the largest temperature of each part of the section, computed for the current history "
        f"in the lower panel over {time_words(run.time[-1]) if len(run.time) else '0 s'}"
    )
    words += f"; conductors start at {start}." if start else "."
    if np.isfinite(damage_time(run)):
        words += f" Drawn grey and dotted: {OUTSIDE_VALIDITY}."
    if not run.complete:
        words += " The run was interrupted; it ends where it was last saved."
    return words
