"""Temperature maps of the section at stated times, on one colour scale, with the cable enlarged."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ampsoak.base.errors import UsageError
from ampsoak.coverage.words import temperature_words, time_words
from ampsoak.report import style
from ampsoak.report.key import Column, Entry
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page, shortened
from ampsoak.report.section_drawing import (
    Window,
    box,
    cable_window,
    draw_frame,
    draw_numbers,
    draw_outlines,
    part_words,
    set_window,
    whole,
)
from ampsoak.report.words import (
    OUTSIDE_VALIDITY,
    captioned,
    celsius,
    damage_time,
    joined_words,
    limit_words,
    origin_words,
)
from ampsoak.runfile.records import Run

_AXIS_LEFT, _AXIS_BELOW, _ABOVE, _BETWEEN = 11.0, 10.0, 5.0, 6.0  # [mm]
_BAR = 20.0  # colour bar with its numbers [mm]
_OVERVIEW, _ZOOM = (82.0, 78.0), (52.0, 44.0)  # largest width and height of a panel [mm]
_NAME_COLUMNS, _LINE = 3, 4.0
_MISSED = 1.0  # a peak so much hotter than every field shown is told [K]
_LIMIT_PATTERNS = ((0, (4, 1.5)), (0, (1, 1.2)), (0, (6, 1.5, 1, 1.5)))


def snapshot_numbers(run: Run, times: Sequence[float] | None = None) -> list[int]:
    """Numbers of the stored fields nearest to ``times`` [s]; None takes at most four, spread over the run.

    Raises
    ------
    UsageError    the run holds no field
    """
    count = len(run.snapshot_time)
    if not count:
        raise UsageError("the run holds no temperature field; ask for snapshot times in the scenario and run it again")
    if times is None:
        return sorted({round(place) for place in np.linspace(count - 1, 0, min(count, 4))})
    return sorted({int(np.argmin(np.abs(run.snapshot_time - time))) for time in times})


def colour_span(run: Run, numbers: Sequence[int]) -> tuple[float, float]:
    """Ends of the colour scale [°C]: round figures round all fields shown."""
    shown = celsius(run.snapshot_temperature[list(numbers)])
    low, high = float(shown.min()), float(shown.max())
    ticks = MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(low, max(high, low + 1.0))
    return float(ticks[0]), float(ticks[-1])


@style.styled
def section_figure(
    run: Run, times: Sequence[float] | None = None, span: tuple[float, float] | None = None, number: int = 3
) -> Figure:
    """Draw the stored temperature fields nearest to ``times``.

    Parameters
    ----------
    run : Run
    times : sequence of float or None    [s]; None takes at most four, spread over the run
    span : (low, high) or None           ends of the colour scale [°C], to give paired figures one scale
    number : int                         number of the figure

    Returns
    -------
    Figure

    Raises
    ------
    UsageError                           the run holds no field
    """
    numbers = snapshot_numbers(run, times)
    span = span or colour_span(run, numbers)
    overview, zoom = whole(run.section), cable_window(run.section)
    large = box(overview, *_OVERVIEW)
    small = box(zoom, *_ZOOM) if zoom else (0.0, 0.0)
    pair = _AXIS_LEFT + large[0] + (_AXIS_LEFT + small[0] if zoom else 0.0)
    room = WIDTH - LEFT - RIGHT - _BAR
    abreast = max(1, min(len(numbers), int((room + _BETWEEN) // (pair + _BETWEEN))))
    rows = -(-len(numbers) // abreast)
    row_height = _ABOVE + max(large[1], small[1]) + _AXIS_BELOW
    names = _part_names(run)
    limits = _limit_key(run, numbers)
    page = Page(
        Heading(number, "Temperatures in the section", run.title, captioned(_caption(run, numbers), run), origin_words(run)),
        rows * row_height + 3.0 + len(names) * _LINE + limits.height,
    )
    shown = Normalize(*span)
    for place, field in enumerate(numbers):
        top = page.top - (place // abreast) * row_height - _ABOVE
        left = page.left + (place % abreast) * (pair + _BETWEEN)
        page.text(left + _AXIS_LEFT, top + 4.2, _panel_title(run, field), weight="bold")
        axes = page.axes(left + _AXIS_LEFT, top - large[1], *large, label=f"map {field}")
        _draw_map(axes, run, field, overview, large, shown)
        enlarged = None
        if zoom:
            draw_frame(axes, zoom, "#ffffff")
            enlarged = page.axes(left + 2 * _AXIS_LEFT + large[0], top - small[1], *small, label=f"zoom {field}")
            _draw_map(enlarged, run, field, zoom, small, shown)
        _label(axes, enlarged, run, overview, zoom, large[0], small[0])
    _draw_bar(page, shown, run, rows, row_height)
    for row, words in enumerate(names):
        for place, one in enumerate(words):
            x = page.left + place * (page.right - page.left) / _NAME_COLUMNS
            page.text(x, page.bottom + limits.height + (len(names) - row) * _LINE, one)
    limits.draw(page, page.left, page.bottom + limits.height)
    return page.figure


def _draw_map(axes: Axes, run: Run, field: int, window: Window, size: tuple[float, float], shown: Normalize) -> None:
    section = run.section
    temperature = celsius(run.snapshot_temperature[field])
    axes.pcolormesh(
        1e3 * section.x_edges, 1e3 * section.y_edges, temperature, norm=shown,
        cmap=style.outside_map() if _outside(run, field) else style.TEMPERATURE_MAP, rasterized=True, zorder=1,
    )
    x, y = (1e3 * (edges[1:] + edges[:-1]) / 2 for edges in (section.x_edges, section.y_edges))
    for number, limit in enumerate(run.limits):
        level = float(celsius(limit["temperature"]))
        if _crossed(temperature, limit):
            pattern = _LIMIT_PATTERNS[number % len(_LIMIT_PATTERNS)]
            axes.contour(x, y, temperature, [level], colors="#1a1a1a", linewidths=2.0, zorder=2)
            axes.contour(x, y, temperature, [level], colors="#ffffff", linewidths=1.0, linestyles=[pattern], zorder=2.1)
    draw_outlines(axes, section, "#ffffff", 0.5, halo="#00000066")
    set_window(axes, window, size)


def _outside(run: Run, field: int) -> bool:
    """Whether a field was stored after the first damage limit fell."""
    return bool(run.snapshot_time[field] >= damage_time(run))


def _crossed(temperature: np.ndarray, limit: dict) -> bool:
    """Whether a limit's temperature lies within a field [°C]."""
    return bool(temperature.min() < celsius(limit["temperature"]) < temperature.max())


def _label(axes: Axes, enlarged: Axes | None, run: Run, overview: Window, zoom: Window | None, large: float, small: float):
    inside = draw_numbers(enlarged, run.section, zoom, small) if enlarged is not None else set()
    background = {int(np.bincount(run.section.part_index.ravel()).argmax())}
    draw_numbers(axes, run.section, overview, large, skip=inside - background)
    for one, left in ((axes, True), (enlarged, False)):
        if one is not None:
            one.set_xlabel("x [mm]", labelpad=1, fontsize=style.SIZE_TEXT)
            if left:
                one.set_ylabel("y [mm]", labelpad=1, fontsize=style.SIZE_TEXT)


def _draw_bar(page: Page, shown: Normalize, run: Run, rows: int, row_height: float) -> None:
    height = min(rows * row_height - _ABOVE - _AXIS_BELOW, 90.0)
    axes = page.axes(page.right - 16.0, page.top - _ABOVE - height, 4.0, height, label="colour bar")
    bar = page.figure.colorbar(ScalarMappable(shown, style.TEMPERATURE_MAP), cax=axes)
    bar.set_label("Temperature [°C]", fontsize=style.SIZE_TEXT)
    bar.ax.tick_params(length=2.5)
    for limit in run.limits:
        level = float(celsius(limit["temperature"]))
        if shown.vmin < level < shown.vmax:
            bar.ax.plot([0, 1], [level, level], color="#ffffff", linewidth=1.6)
            bar.ax.plot([0, 1], [level, level], color="#1a1a1a", linewidth=0.7)


def _panel_title(run: Run, field: int) -> str:
    hottest = temperature_words(float(run.snapshot_temperature[field].max()))
    outside = ", outside validity" if _outside(run, field) else ""
    return f"after {time_words(run.snapshot_time[field])}, hottest {hottest}{outside}"


def _part_names(run: Run) -> list[list[str]]:
    """Names of the numbered parts in rows, reading down the columns."""
    room = (WIDTH - LEFT - RIGHT) / _NAME_COLUMNS - 3.0
    names = [shortened(part_words(run.section, part), room, style.SIZE_TEXT) for part in range(len(run.section.part_names))]
    rows = -(-len(names) // _NAME_COLUMNS)
    return [names[row::rows] for row in range(rows)]


def _limit_key(run: Run, numbers: Sequence[int]) -> Column:
    """The limit lines that appear on the maps."""
    column = Column(WIDTH - LEFT - RIGHT)
    for number, limit in enumerate(run.limits):
        if not any(_crossed(celsius(run.snapshot_temperature[field]), limit) for field in numbers):
            continue
        pattern = _LIMIT_PATTERNS[number % len(_LIMIT_PATTERNS)]
        look = {"color": style.INK, "linestyle": pattern, "linewidth": 1.0}
        column.entries([Entry(f"line of equal temperature at the limit {limit_words(limit)}", look)])
    return column


def _caption(run: Run, numbers: Sequence[int]) -> str:
    moments = joined_words(time_words(run.snapshot_time[number]) for number in numbers)
    words = (
        f"Computed temperatures in the section after {moments} of the current history, all on one colour scale, with the "
        "cable enlarged. Each conductor has one temperature; cells are drawn as computed, without smoothing."
    )
    if len(run.time) and run.conductor_temperature.size:
        hottest = run.conductor_temperature.max(axis=1)
        place = int(np.argmax(hottest))
        if float(hottest[place]) > float(run.snapshot_temperature[list(numbers)].max()) + _MISSED:
            peak = f"{temperature_words(hottest[place])} after {time_words(run.time[place])}"
            words += f" The conductors are hottest between these fields: {peak}."
    if any(_outside(run, number) for number in numbers):
        words += f" Drawn grey, as light as the colours of the scale: {OUTSIDE_VALIDITY}."
    return words
