"""Devices in series on one sheet: their bands, and which of each two opens at which current."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from ampsoak.coverage.edges import Band, DeviceCurve
from ampsoak.coverage.selectivity import Selectivity
from ampsoak.coverage.words import current_words, time_words
from ampsoak.report import style
from ampsoak.report import time_current_data as data
from ampsoak.report.key import Column, Entry
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page
from ampsoak.report.tables import Table
from ampsoak.report.time_current import device_entries, draw_device, draw_ribbon, set_axes
from ampsoak.report.words import joined_words

_LONGEST_DECADE, _TALLEST, _WIDEST = 23.0, 150.0, 88.0  # [mm]
_LABELS, _CLOCK, _ROW = 15.0, 15.0, 4.4  # room for numbers, for clock times, height of a ribbon row [mm]
_LONGEST = 1e4  # [s] end of the time axis, and from here on by the devices' own longest time
_FAULT = {"color": style.INK, "linewidth": 1.0, "linestyle": (0, (8, 2, 1, 2))}


@dataclass(frozen=True)
class DrawnDevice:
    """What the drawing of a band asks of a device: its edges and what they rest on."""

    device: DeviceCurve
    band: Band
    basis: str


def drawn_devices(pairs: Sequence[tuple[DeviceCurve, DeviceCurve]], basis: str | None) -> list[DrawnDevice]:
    """Every device of ``pairs`` once, in order, with the edges that were compared."""
    devices = {device.name: device for pair in pairs for device in pair}
    found = []
    for device in devices.values():
        used = basis or device.model_basis or device.default_basis
        found.append(DrawnDevice(device, device.verdict_band(used), used))
    return found


@style.styled
def selectivity_figure(
    found: Sequence[Selectivity], devices: Sequence[DrawnDevice], title: str, margin: str, fault_current: float = np.nan,
    number: int = 10,
) -> Figure:
    """Draw the bands of devices in series, and per pair a row that says which opens.

    Parameters
    ----------
    found : sequence of Selectivity        one per pair, all over the same devices
    devices : sequence of DrawnDevice      from ``drawn_devices``
    title, margin : str
    fault_current : float                  prospective [A]; nan if none
    number : int                           number of the figure

    Returns
    -------
    Figure
    """  # fmt: skip
    span, times = axis_spans(found, devices)
    decades = np.log10(span[1] / span[0]), np.log10(times[1] / times[0])
    length = min(_LONGEST_DECADE, _WIDEST / decades[0], _TALLEST / decades[1])
    width, height = length * decades[0], length * decades[1]
    rows = [(f"{one.upper} / {one.lower}", one.intervals) for one in found]
    ribbon = len(rows) * _ROW + 3.0
    beside = LEFT + _LABELS + width + _CLOCK + 3.0
    shown_fault = fault_current if span[0] < fault_current < span[1] else None
    column = _column(found, devices, (span, times), shown_fault, WIDTH - RIGHT - beside)
    heading = Heading(number, "Devices in series", title, _caption(found, devices), margin)
    page = Page(heading, max(height + ribbon + 12.0, column.height + ribbon + 5.0))
    left, bottom = page.left + _LABELS, page.top - ribbon - height
    axes = page.axes(left, bottom, width, height, label="time-current")
    set_axes(axes, span, times)
    for place, one in enumerate(devices):
        draw_device(axes, one, span, times[1], style.DEVICE_TONES[place % len(style.DEVICE_TONES)])
    if shown_fault is not None:
        axes.axvline(fault_current, **_FAULT, label="fault current")
    draw_ribbon(page, rows, span, (left, bottom + height + 3.0, width), style.SELECTIVITY)
    column.draw(page, beside, page.top - ribbon)
    return page.figure


def axis_spans(found: Sequence[Selectivity], devices: Sequence[DrawnDevice]):
    """Current and time spans of the axes: what was compared, at least three decades, and the longest time of a test point."""
    low = min(one.intervals[0].low for one in found)
    high = max(1.25 * max(one.intervals[-1].high for one in found), low * 10**data.LEAST_DECADES)
    longest = max((mark.time for one in devices for mark in one.device.marks if np.isfinite(mark.time)), default=0.0)
    return (low, high), (data.SHORTEST, float(10.0 ** np.ceil(np.log10(max(longest, _LONGEST)))))


def _column(found, devices, spans, fault_current: float | None, width: float) -> Column:
    span, times = spans
    column = Column(width)
    column.heading("Key")
    explained: set[str] = set()
    for place, one in enumerate(devices):
        entries = device_entries(one, span, times[1], style.DEVICE_TONES[place % len(style.DEVICE_TONES)])
        column.entries([entry for entry in entries if entry.words not in explained])
        explained |= {entry.words for entry in entries}
    if fault_current is not None:
        column.entries([Entry(f"prospective fault current, {current_words(fault_current)}", _FAULT)])
    column.heading("Ribbon above the axes")
    used = {interval.verdict for one in found for interval in one.intervals}
    column.entries([
        Entry(look.meaning, patch={"facecolor": look.fill, "edgecolor": style.INK, "hatch": look.hatch})
        for verdict, look in style.SELECTIVITY.items() if verdict in used
    ])  # fmt: skip
    limits = [one for one in found if np.isfinite(one.limit_current)]
    if limits:
        column.heading("Selective up to")
    for one in limits:
        column.paragraph(f"{one.upper} / {one.lower}: {current_words(one.limit_current)}")
    return column


def _caption(found: Sequence[Selectivity], devices: Sequence[DrawnDevice]) -> str:
    margin = f" with {time_words(found[0].grading)} between them" if found[0].grading else ""
    bases = joined_words(f"{one.device.name} on basis {one.basis}" for one in devices)
    return (
        f"Time-current bands of devices in series, and for each two, upper / lower, which opens{margin}. Edges: {bases}. Where both "
        "open within 0.1 s their let-through I²t decides, not a time. A single device may open anywhere between its edges, and outside "
        "them if it is faulty or altered."
    )


def band_table(found: Sequence[Selectivity], devices: Sequence[DrawnDevice]) -> Table:
    """Edges and test points of the figure, one row per point."""
    span, times = axis_spans(found, devices)
    rows = [
        (series.name, series.kind, float(current), float(time))
        for one in devices
        for series in data.device_series(one, span, times[1])
        for current, time in zip(series.current, series.time, strict=True)
    ]
    return Table(("device", "kind", "current [A]", "time [s]"), rows)


def interval_table(found: Sequence[tuple[Selectivity, str]]) -> Table:
    """One row per pair, with its circuit, and range of current."""
    columns = (
        "upstream", "downstream", "circuit", "grading [s]", "from [A]", "to [A]", "verdict",
        "least fast time of upstream over slow time of downstream", "reason",
    )  # fmt: skip
    rows = [
        (one.upper, one.lower, circuit, one.grading, part.low, part.high, part.verdict, part.margin, part.reason)
        for one, circuit in found
        for part in one.intervals
    ]
    return Table(columns, rows)
