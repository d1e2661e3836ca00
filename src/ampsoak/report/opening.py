"""How hot the conductor is when a device opens, against current."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator, FixedLocator, FuncFormatter, LogLocator, NullFormatter

from ampsoak.coverage.compare import Coverage, DeviceCoverage
from ampsoak.coverage.stretches import Edge
from ampsoak.coverage.words import KIND_WORDS, temperature_words
from ampsoak.report import style
from ampsoak.report.key import Column, Entry, spread
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page
from ampsoak.report.time_current_data import OUTSIDE, damage_times
from ampsoak.report.words import OUTSIDE_VALIDITY, captioned, celsius, damage_words, limit_words, origin_words
from ampsoak.runfile.records import Curve

_LABELS, _GAP, _COLUMN, _HEIGHT = 13.0, 15.0, 62.0, 98.0  # [mm]
_STATES = ("opens", "never opens", "at least", "unknown")


@dataclass(frozen=True)
class OpeningSeries:
    """Temperatures of one edge.

    Parameters
    ----------
    device : str
    edge : Edge
    current : (n,) float64          computed currents [A]
    temperature : (n,) float64      hottest conductor [°C]; nan where unknown or without a steady state
    state : tuple of str            per current "opens", "never opens" (steady temperature), "at least" (history ends
                                    before the edge opens) or "unknown"
    outside : (n,) bool             the first damage limit falls before the edge opens
    """

    device: str
    edge: Edge
    current: np.ndarray
    temperature: np.ndarray
    state: tuple[str, ...]
    outside: np.ndarray


def opening_series(entry: DeviceCoverage, curve: Curve) -> list[OpeningSeries]:
    """Fast and slow edge of one device, at the currents of ``curve``."""
    series, current = [], np.asarray(curve.current, dtype=float)
    damaged = damage_times(curve, current)
    for opening, edge in ((entry.fast, entry.band.fast), (entry.slow, entry.band.slow)):
        temperature = celsius(opening.conductor_temperature)
        least = celsius(opening.conductor_at_least)
        state = []
        for time, value, known in zip(opening.time, temperature, least, strict=True):
            if np.isfinite(value):
                state.append("never opens" if np.isinf(time) else "opens")
            else:
                state.append("at least" if np.isfinite(known) and not np.isnan(time) else "unknown")
        shown = np.where([one == "at least" for one in state], least, temperature)
        outside = np.nan_to_num(opening.time, nan=-np.inf) > damaged
        series.append(OpeningSeries(entry.device.name, edge, current, shown, tuple(state), outside))
    return series


@style.styled
def opening_temperature_figure(curve: Curve, coverage: Coverage, number: int = 5) -> Figure:
    """Draw the hottest conductor's temperature when the fast and the slow edge of each device open.

    Parameters
    ----------
    curve : Curve
    coverage : Coverage
    number : int           number of the figure

    Returns
    -------
    Figure
    """
    column = _column(curve, coverage)
    page = Page(
        Heading(
            number, "Temperature when the device opens", curve.title, captioned(_caption(curve, coverage), curve),
            origin_words(curve),
        ),
        max(_HEIGHT + 13.0, column.height + 2.0),
    )
    left, width = page.left + _LABELS, WIDTH - LEFT - RIGHT - _LABELS - _GAP - _COLUMN
    bottom = page.top - _HEIGHT
    axes = page.axes(left, bottom, width, _HEIGHT, label="opening")
    axes.set(xscale="log", xlim=(curve.current[0], curve.current[-1]))
    low, high = _span(curve, coverage)
    axes.set_ylim(low, high)
    for place, entry in enumerate(coverage.devices):
        for series in opening_series(entry, curve):
            _draw_series(axes, series, style.LINES[place % len(style.LINES)]["color"], high)
    set_current_axis(axes, (float(curve.current[0]), float(curve.current[-1])))
    axes.set_ylabel("Hottest conductor when the device opens [°C]")
    axes.grid(True, which="both", zorder=0)
    axes.set_axisbelow(True)
    axes.yaxis.set_minor_locator(AutoMinorLocator())
    temperatures = [float(celsius(limit["temperature"])) for limit in curve.limits]
    at = [bottom + _HEIGHT * (temperature - low) / (high - low) for temperature in temperatures]
    for limit, temperature, y, shown in zip(
        curve.limits, temperatures, at, spread(at, 3.4, bottom + 1, bottom + _HEIGHT - 1), strict=True
    ):
        axes.axhline(temperature, **_LIMIT, zorder=2, label=f"limit {limit['name']}")
        page.canvas.plot([left + width, left + width + 1.5, left + width + 3], [y, y, shown], color=style.INK, linewidth=0.7)
        page.text(left + width + 3.6, shown, temperature_words(limit["temperature"]), va="center")
    column.draw(page, left + width + _GAP, page.top)
    return page.figure


_LIMIT = {"color": style.INK, "linewidth": 0.9, "linestyle": (0, (7, 2, 1, 2))}
_SIDES = {
    "fast": {"linestyle": (0, (5, 1.6)), "linewidth": 1.3, "marker": "o", "markersize": 2.6},
    "slow": {"linestyle": "-", "linewidth": 1.9, "marker": "s", "markersize": 3.0},
}


def _draw_series(axes, series: OpeningSeries, color: str, high: float) -> None:
    state = np.array(series.state)
    side = series.edge.side
    name = f"{series.device}, {side}"
    look = _SIDES[side]
    current, temperature, shown, outside = _broken_at_steps(series, state)
    open_look = {"color": color, **look, "zorder": 4}
    never_look = open_look | {"linestyle": (0, (1, 1.3)), "markerfacecolor": style.PAPER}
    for word, own in (("opens", open_look), ("never opens", never_look)):
        there = np.where(shown == word, temperature, np.nan)
        axes.plot(current, np.where(outside, np.nan, there), **own, label=f"{name} edge {word}")
        if (outside & np.isfinite(there)).any():
            beside = outside.copy()  # the grey line begins at the last point that is not grey
            beside[1:] |= outside[:-1]
            beside[:-1] |= outside[1:]
            axes.plot(
                current, np.where(beside, there, np.nan), **own | {"color": style.OUTSIDE_LINE["color"], "zorder": 3},
                label=f"{name} edge {word}{OUTSIDE}",
            )
    least = state == "at least"
    off = np.isfinite(series.temperature) & (series.temperature > high)
    for chosen, words in ((least & ~off, "at least"), (off, "off the scale")):
        for past, tone, ending in ((~series.outside, color, ""), (series.outside, style.OUTSIDE_LINE["color"], OUTSIDE)):
            marked = chosen & past
            if marked.any():
                axes.plot(
                    series.current[marked], np.minimum(series.temperature[marked], high), linestyle="none", marker="^",
                    markersize=5.0, color=tone, markerfacecolor=style.PAPER, clip_on=False, zorder=5,
                    label=f"{name} edge {words}{ending}",
                )


def _broken_at_steps(series: OpeningSeries, state: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Currents, temperatures, states and outside with a gap wherever the edge itself jumps, so that no line bridges a step."""
    steps = []
    for one in series.edge.breaks():
        below, above = (series.edge.time(one * side) for side in (1 - 1e-9, 1 + 1e-9))
        if not below <= 1.05 * above:
            steps.append(one)
    places = np.searchsorted(series.current, steps)
    current = np.insert(series.current, places, steps)
    temperature = np.insert(series.temperature, places, np.nan)
    return current, temperature, np.insert(state, places, "unknown"), np.insert(series.outside, places, False)


def _span(curve: Curve, coverage: Coverage) -> tuple[float, float]:
    """Temperature axis [°C]: from the start to what is reached, but never past three times the highest limit."""
    known = [
        value
        for entry in coverage.devices
        for series in opening_series(entry, curve)
        for value in series.temperature[np.isfinite(series.temperature)]
    ]
    limits = [float(celsius(limit["temperature"])) for limit in curve.limits]
    start = float(np.min(celsius(curve.start_temperature))) if len(curve.start_temperature) else 0.0
    highest = max([*known, *limits, start + 10.0])
    if limits:
        highest = min(highest, 3.0 * max(limits))
    return start - 0.04 * (highest - start), highest + 0.06 * (highest - start)


def set_current_axis(axes, ends: tuple[float, float]) -> None:
    """Label a logarithmic current axis between two currents [A] with round numbers."""
    span = np.log10(ends)
    steps = (1, 2, 5) if span[1] - span[0] > 1 else (1, 2, 3, 4, 5, 6, 8)
    labelled = [step * 10.0**decade for decade in range(int(np.floor(span[0])), int(np.ceil(span[1])) + 1) for step in steps]
    axes.xaxis.set_major_locator(FixedLocator([one for one in labelled if 0.99 * ends[0] <= one <= 1.01 * ends[1]]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(LogLocator(subs=range(1, 10), numticks=99))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("Current in the circuit, r.m.s. [A]")


def _column(curve: Curve, coverage: Coverage) -> Column:
    column = Column(_COLUMN)
    column.heading("Key")
    states = set()
    for place, entry in enumerate(coverage.devices):
        color = style.LINES[place % len(style.LINES)]["color"]
        for side, other in (("fast", entry.band.fast), ("slow", entry.band.slow)):
            kinds = [kind for kind in KIND_WORDS if kind in {stretch.kind for stretch in other.stretches}]
            words = f"{entry.device.name}, {side} edge opens ({', '.join(KIND_WORDS[kind] for kind in kinds)})"
            column.entries([Entry(words, {"color": color, **_SIDES[side]})])
        states |= {one for series in opening_series(entry, curve) for one in series.state}
    if "never opens" in states:
        look = {"color": style.INK, "linestyle": (0, (1, 1.3)), "marker": "s", "markersize": 3, "markerfacecolor": style.PAPER}
        column.entries([Entry("dotted: the edge never opens, steady temperature", look)])
    arrow = {"color": style.INK, "linestyle": "none", "marker": "^", "markersize": 5, "markerfacecolor": style.PAPER}
    column.entries([Entry("at least that much: the stored history ends before the edge opens, or off the scale", arrow)])
    if curve.limits:
        words = "; ".join(limit_words(limit) + damage_words(limit) for limit in curve.limits)
        column.entries([Entry(f"limit: {words}", _LIMIT)])
    if any(_seen_outside(series) for entry in coverage.devices for series in opening_series(entry, curve)):
        column.entries([Entry(f"grey: {OUTSIDE_VALIDITY}", {"color": style.OUTSIDE_LINE["color"], "marker": "s", "markersize": 3})])
    said: set[str] = set()
    for entry in coverage.devices if len(coverage.devices) == 1 else ():  # of several there is no room to speak
        for limit in entry.limits:
            if sentences := [one for one in limit.sentences[len(limit.intervals) :] if one not in said]:
                column.heading(f"{entry.device.name} against {limit.limit}")
                for sentence in sentences:
                    column.paragraph(sentence)
                said |= set(sentences)
    return column


def _seen_outside(series: OpeningSeries) -> bool:
    return bool((series.outside & np.isfinite(series.temperature)).any())


def _caption(curve: Curve, coverage: Coverage) -> str:
    bases = ", ".join(f"{entry.device.name} on basis {entry.basis}" for entry in coverage.devices)
    return (
        f"Temperature of the hottest conductor at the moment each edge of the device opens, at constant current in "
        f"{curve.circuit} from a start {curve.start_description}. Devices: {bases}. Heat goes on flowing after opening, and "
        "parts round the cable peak later: that needs the devices in the loop at every current. No line is drawn where no data "
        "exist."
    )
