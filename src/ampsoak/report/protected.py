"""A history with devices in the loop: what the hottest conductor does for each edge, and what it would with no device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator, MaxNLocator

from ampsoak.coverage.words import current_words, temperature_words, time_words
from ampsoak.report import style
from ampsoak.report.history import LIMIT_LOOK, draw_limits, time_unit
from ampsoak.report.key import Column, Entry
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page
from ampsoak.report.tables import Table
from ampsoak.report.words import NO_RUN_ID, OUTSIDE_VALIDITY, celsius, damage_words, joined_words, limit_words

if TYPE_CHECKING:
    from ampsoak.coverage.protected import EdgeOutcome, ProtectedRun, Reached
    from ampsoak.scenario.case import CurrentProfile

WITHOUT = "no device"
_LABELS, _GAP, _COLUMN = 13.0, 15.0, 58.0  # room for numbers, for limit labels, for the key [mm]
_TEMPERATURES, _CURRENTS, _BETWEEN = 92.0, 30.0, 5.0  # heights [mm]
_MOST_LIMITS = 3.0  # the axis ends at so many times the highest limit, if only the course with no device goes beyond
_ROOM = 1.03  # the time axis ends a little after the last thing to see
_WITHOUT_LOOK = {"color": style.HOT_MARK, "linewidth": 2.4, "linestyle": "-"}
_LOOKS = {
    "fast": {"color": "#2b7a78", "linewidth": 1.4, "linestyle": (0, (5, 1.6))},
    "nominal": {"color": "#b4560f", "linewidth": 1.4, "linestyle": (0, (6, 1.6, 1.2, 1.6))},
    "slow": {"color": "#0b2f5c", "linewidth": 1.9, "linestyle": "-"},
}
_MARKERS = {"fast": ("o", 5.5), "nominal": ("s", 5.5), "slow": ("D", 5.5)}


@dataclass(frozen=True)
class Course:
    """The hottest conductor and the current of the devices' circuit along one course.

    Parameters
    ----------
    name : str                           "no device", "fast edge", ...
    time : (n,) float64                  [s]
    temperature : (n,) float64           hottest conductor [°C]
    current : (n,) float64               just after each time [A]
    """

    name: str
    time: np.ndarray
    temperature: np.ndarray
    current: np.ndarray


def edge_name(edge: EdgeOutcome) -> str:
    """Name of the course of one edge."""
    return f"{edge.edge} edge"


def hottest_conductor(found: ProtectedRun, temperature: np.ndarray) -> np.ndarray:
    """Hottest conductor [°C] of temperatures (..., n_parts) [K]; the hottest part where there is no conductor."""
    chosen = list(found.conductors) or list(range(len(found.part_names)))
    return celsius(np.max(temperature[..., chosen], axis=-1))


def courses(found: ProtectedRun) -> list[Course]:
    """With no device, then one course for each edge that was followed, the part before the opening included."""
    base = found.without
    every = [_course(found, WITHOUT, base.time, base.part_maximum, found.profile)]
    for edge in found.edges:
        if found.followed(edge):
            every.append(_course(found, edge_name(edge), *found.course(edge), edge.operating.profile))
    return every


def _course(found: ProtectedRun, name: str, time, maximum, profile: CurrentProfile) -> Course:
    return Course(name, time, hottest_conductor(found, maximum), np.asarray(profile.at(time), dtype=float))


def course_table(found: ProtectedRun) -> Table:
    """The lines of the figure, one row per step."""
    rows = [
        (course.name, float(time), float(temperature), float(current))
        for course in courses(found)
        for time, temperature, current in zip(course.time, course.temperature, course.current, strict=True)
    ]
    return Table(("course", "time [s]", "hottest conductor [°C]", f"current in {found.circuit} [A]"), rows)


def reached_table(found: ProtectedRun) -> Table:
    """What every part had reached when each edge opened, and the highest it gets; temperatures in °C."""
    found_rows = found.table()
    columns = tuple(found_rows[0])
    rows = [
        tuple(float(celsius(row[column])) if column.endswith("[K]") else row[column] for column in columns)
        for row in found_rows
    ]
    return Table(tuple(column.replace("[K]", "[°C]") for column in columns), rows)


@style.styled
def protected_history_figure(found: ProtectedRun, margin: str = NO_RUN_ID, number: int = 6) -> Figure:
    """Draw the hottest conductor (upper panel) and the current (lower panel) for each edge and with no device.

    Parameters
    ----------
    found : ProtectedRun
    margin : str           from ``report.words.origin_words``
    number : int           number of the figure

    Returns
    -------
    Figure
    """
    every = courses(found)
    end = _ROOM * _end(found)
    unit, size = time_unit(end)
    low, high = _span(found, every, end)
    column = _column(found, every[0], high)
    content = max(_TEMPERATURES + _BETWEEN + _CURRENTS + 11.0, column.height + 2.0)
    page = Page(Heading(number, "History with devices in the loop", found.title, _caption(found, every[0]), margin), content)
    left, width = page.left + _LABELS, WIDTH - RIGHT - LEFT - _LABELS - _GAP - _COLUMN
    bottom = page.top - _TEMPERATURES
    upper = page.axes(left, bottom, width, _TEMPERATURES, label="temperature")
    lower = page.axes(left, bottom - _BETWEEN - _CURRENTS, width, _CURRENTS, label="current", sharex=upper)
    _draw_temperatures(upper, found, every, size)
    upper.set_ylim(low, high)
    upper.set_ylabel("Hottest conductor [°C]")
    upper.yaxis.set_minor_locator(AutoMinorLocator())
    _draw_currents(lower, found, found.profile, size)
    lower.set_ylabel("Current [A]")
    lower.set_xlabel(f"Time [{unit}]")
    lower.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 3, 5, 6, 10]))
    lower.xaxis.set_minor_locator(AutoMinorLocator())
    lower.yaxis.set_major_locator(MaxNLocator(4))
    upper.tick_params(labelbottom=False)
    upper.set_xlim(0, end / size)
    for axes in (upper, lower):
        axes.grid(True)
        axes.set_axisbelow(True)
    draw_limits(page, upper, found.limits, (left, bottom, width, _TEMPERATURES))
    column.draw(page, left + width + _GAP, page.top)
    return page.figure


def _end(found: ProtectedRun) -> float:
    """Last moment to see [s]: the end of the history, or a conductor's peak after it."""
    peaks = [
        float(np.max(reached.peak_time[list(found.conductors)], initial=0.0))
        for reached in (found.without, *(edge.reached for edge in found.edges))
        if reached is not None
    ]
    return max(found.duration, *peaks, 1e-9)


def _span(found: ProtectedRun, every: list[Course], end: float) -> tuple[float, float]:
    """Ends of the temperature axis [°C], with room beyond limits and everything drawn."""
    limits = [float(celsius(limit["temperature"])) for limit in found.limits]
    drawn = [course.temperature[course.time <= end] for course in every]
    low = min([*limits, *(float(np.min(values)) for values in drawn)])
    high = max([*limits, *(float(np.max(values)) for values in drawn[1:]), low + 1.0])
    alone = float(np.max(drawn[0]))
    high = max(high, min(alone, _MOST_LIMITS * max(limits)) if limits and drawn[1:] else alone)
    room = 0.06 * (high - low)
    return low - room, high + room


def _draw_temperatures(axes: Axes, found: ProtectedRun, every: list[Course], size: float) -> None:
    _draw_course(axes, every[0], 0.0, found.damage_time(), {**_WITHOUT_LOOK, "zorder": 3}, size)
    by_name = {course.name: course for course in every}
    for place, edge in enumerate(one for one in found.edges if found.followed(one)):
        course, name, look = by_name[edge_name(edge)], edge_name(edge), _LOOKS[edge.edge]
        opened = edge.operating.opens.time
        # before, it is the course with no device
        _draw_course(axes, course, opened, found.damage_time(edge), {**look, "zorder": 4 + 0.1 * place}, size)
        marker, big = _MARKERS[edge.edge]
        times = np.array([operation.time for operation in edge.operating.operations if operation.kind == "opens"])
        heights = np.interp(times, course.time, course.temperature)
        for count, words, face in ((slice(0, 1), "opens", look["color"]), (slice(1, None), "opens again", style.PAPER)):
            if len(times[count]):
                axes.plot(
                    times[count] / size, heights[count], linestyle="none", marker=marker, markersize=big, zorder=6,
                    color=look["color"], markerfacecolor=face, label=f"{name} {words}",
                )
        axes.axvline(
            opened / size, color=look["color"], linewidth=0.6, linestyle=(0, (1, 1.5)), zorder=2, label=f"{name}, moment"
        )


def _draw_course(axes: Axes, course: Course, since: float, damaged: float, look: dict, size: float) -> None:
    """A course from ``since`` [s] on, grey and dotted from ``damaged`` [s] on; both parts end at the very moment."""
    time = course.time[course.time >= since]
    if since < damaged < np.max(time, initial=-np.inf):
        time = np.unique(np.append(time, damaged))
    temperature = np.interp(time, course.time, course.temperature)
    valid, past = time <= damaged, time >= damaged
    axes.plot(time[valid] / size, temperature[valid], **look, label=course.name)
    if past.any():
        axes.plot(
            time[past] / size, temperature[past], **style.OUTSIDE_LINE, zorder=look["zorder"],
            label=f"{course.name}, {OUTSIDE_VALIDITY}",
        )


def _draw_currents(axes: Axes, found: ProtectedRun, profile: CurrentProfile, size: float) -> None:
    time, current = _steps(profile)
    axes.plot(time / size, current, **_WITHOUT_LOOK, zorder=3, label=WITHOUT)
    for place, edge in enumerate(one for one in found.edges if found.followed(one)):
        opened = edge.operating.opens
        time, left = _steps(edge.operating.profile)
        after = time >= opened.time
        axes.plot(
            np.concatenate([[opened.time], time[after]]) / size, np.concatenate([[opened.current], left[after]]),
            **_LOOKS[edge.edge], zorder=4 + 0.1 * place, label=edge_name(edge),
        )
        marker, big = _MARKERS[edge.edge]
        axes.plot(
            [opened.time / size], [opened.current], linestyle="none", marker=marker, markersize=big,
            color=_LOOKS[edge.edge]["color"], zorder=6, label=f"{edge_name(edge)} opens",
        )
        axes.axvline(
            opened.time / size, color=_LOOKS[edge.edge]["color"], linewidth=0.6, linestyle=(0, (1, 1.5)), zorder=2,
            label=f"{edge_name(edge)}, moment",
        )
    highest = max(*current, 1e-6)
    axes.set_ylim(-0.04 * highest, 1.12 * highest)


def _steps(profile: CurrentProfile) -> tuple[np.ndarray, np.ndarray]:
    """Corners of a current history: times [s] and currents [A], both ends of every segment."""
    time = np.repeat(np.asarray(profile.time, dtype=float), 2)[1:-1]
    return time, np.column_stack([profile.start, profile.stop]).ravel()


def _column(found: ProtectedRun, without: Course, high: float) -> Column:
    column = Column(_COLUMN)
    column.heading("Hottest conductor")
    words = f"{WITHOUT}: {peak_words(found, found.without)}"
    if float(np.max(without.temperature)) > high:
        words += "; beyond the axis"
    column.entries([Entry(words, _WITHOUT_LOOK)])
    for edge in found.edges:
        look = _LOOKS[edge.edge]
        if found.followed(edge):
            marker, big = _MARKERS[edge.edge]
            opened = float(hottest_conductor(found, edge.at_opening)) + 273.15
            words = (
                f"{edge_name(edge)}: {opening_words(edge)}; {temperature_words(opened)} then, "
                f"{peak_words(found, edge.reached)}"
            )
            column.entries([Entry(words, {**look, "marker": marker, "markersize": big})])
        else:
            column.paragraph(f"{edge_name(edge)}: {opening_words(edge)}; no line of its own")
    if any(operation.kind == "closes" for edge in found.edges for operation in edge.operating.operations):
        column.paragraph("Hollow marks: it opens again after having been closed.")
    if found.limits:
        words = "; ".join(limit_words(limit) + damage_words(limit) for limit in found.limits)
        column.entries([Entry(f"limit: {words}", LIMIT_LOOK)])
    if any(np.isfinite(found.damage_time(edge)) for edge in (None, *found.edges)):
        column.entries([Entry(f"grey, finely dotted: {OUTSIDE_VALIDITY}", style.OUTSIDE_LINE)])
    conductors = {found.part_names[part] for part in found.conductors}
    others = [limit["name"] for limit in found.limits if not conductors.intersection(limit["parts"])]
    if others:
        column.paragraph(f"Not for conductors: {joined_words(others)}; what those parts reach is in the table.")
    return column


def opening_words(edge: EdgeOutcome) -> str:
    """What one edge does, in a few words."""
    operating = edge.operating
    opened = operating.opens
    words = "does not open in this history"
    if opened is not None:
        element = f", {opened.element} part" if opened.element else ""
        words = f"{opened.device} opens after {time_words(opened.time)} at {current_words(opened.current)}{element}"
    closings = sum(operation.kind == "closes" for operation in operating.operations)
    if closings:
        words += f", closed again {'once' if closings == 1 else f'{closings} times'}"
        last = operating.operations[-1]
        words += f", open for good after {time_words(last.time)}" if last.kind == "opens" else ", then carries the rest"
    if np.isfinite(operating.unknown_from):
        said = f"unknown from {time_words(operating.unknown_from)} on, {operating.reason}"
        return said if opened is None else f"{words}; {said}"
    return words


def peak_words(found: ProtectedRun, reached: Reached, parts: tuple[int, ...] | None = None) -> str:
    """The highest temperature of the hottest of ``parts`` (the conductors where None) and when.

    Where the course was not followed to the end, that it goes on from there is said.
    """
    chosen = list(found.conductors if parts is None else parts) or list(range(len(found.part_names)))
    part = max(chosen, key=lambda index: float(np.nan_to_num(reached.peak[index], nan=-np.inf)))
    words = f"{temperature_words(float(reached.peak[part]))} after {time_words(float(reached.peak_time[part]))}"
    if np.isfinite(reached.ceiling_time):
        return f"past {words}, not followed further because copper melts"
    return f"at least {words}, not yet falling" if reached.still_rising[part] else f"at most {words}"


def _caption(found: ProtectedRun, without: Course) -> str:
    devices = joined_words(found.devices)
    series = " in series" if len(found.devices) > 1 else ""
    edges = joined_words(edge.edge for edge in found.edges)
    start = temperature_words(float(without.temperature[0]) + 273.15)
    words = (
        f"Temperature of the hottest conductor for the current history of {found.circuit} in the lower panel, from {start} "
        f"on, with {devices}{series} stepped along by the {edges} edge, and with no device. Up to its opening an edge has the "
        "line of no device; filled marks show where it first opens, and its own line ends where every part is past its peak. "
        "A single device may open anywhere between its edges, and outside them if it is faulty or altered."
    )
    return " ".join([words, *(f"{note[0].upper()}{note[1:]}." for note in found.notes)])
