"""What pictures of a section share: outlines in millimetres, the window round the cable, numbered part labels."""

from __future__ import annotations

import itertools

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon, Rectangle
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator
from scipy.ndimage import distance_transform_edt

from ampsoak.report import style
from ampsoak.runfile.records import SectionRecord

CABLE_ROLES = ("conductor", "insulation", "jacket", "filler")
_PIECE = 5e-5  # [m] of an outline, seen or hidden as a whole
_ASIDE, _SIDES = 2e-5, np.array([(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)])  # [m] off it, where what hides it must be
_RASTER = 240  # cells along the longer side when a place for a label is looked for

Window = tuple[float, float, float, float]  # left, bottom, right, top [m]


def whole(section: SectionRecord) -> Window:
    """Window of the whole section."""
    return section.x_edges[0], section.y_edges[0], section.x_edges[-1], section.y_edges[-1]


def cable_window(section: SectionRecord) -> Window | None:
    """Window round everything that is cable, with a margin of a quarter of its size; None without a cable.

    Also None where that is most of the section, so that a zoom would show nothing new.
    """
    cable = {
        name for name, role in zip(section.part_names, section.part_roles, strict=True) if role in CABLE_ROLES
    }
    points = [outline for name, outline in section.outlines if name in cable]
    if not points:
        return None
    joined = np.concatenate(points)
    low, high = joined.min(axis=0), joined.max(axis=0)
    margin = 0.25 * float((high - low).max())
    left, bottom, right, top = whole(section)
    window = (
        max(left, low[0] - margin), max(bottom, low[1] - margin), min(right, high[0] + margin), min(top, high[1] + margin)
    )
    share = (window[2] - window[0]) * (window[3] - window[1]) / ((right - left) * (top - bottom))
    return window if share < 0.4 else None


def box(window: Window, width: float, height: float) -> tuple[float, float]:
    """Largest size [mm] with the window's proportions inside ``width`` by ``height`` [mm]."""
    wide, high = window[2] - window[0], window[3] - window[1]
    scale = min(width / wide, height / high)
    return wide * scale, high * scale


def set_window(axes: Axes, window: Window, size: tuple[float, float]) -> None:
    """Axes over a window in millimetres; their ``size`` on the sheet [mm] has its proportions."""
    axes.set(xlim=(1e3 * window[0], 1e3 * window[2]), ylim=(1e3 * window[1], 1e3 * window[3]))
    axes.set_aspect("equal", adjustable="box")
    for axis, length in zip((axes.xaxis, axes.yaxis), size, strict=True):
        axis.set_major_locator(MaxNLocator(int(np.clip(length // 10, 2, 6)), steps=[1, 2, 5, 10]))
    axes.tick_params(length=2.5)


def draw_outlines(axes: Axes, section: SectionRecord, color: str, width: float, halo: str | None = None) -> None:
    """Outlines of all parts, in painting order, as far as later strokes leave them to be seen."""
    for number, (name, outline) in enumerate(section.outlines):
        points = _seen(outline, [later for _, later in section.outlines[number + 1 :]])
        if halo:
            axes.plot(*(1e3 * points.T), color=halo, linewidth=width + 1.0, zorder=3, solid_joinstyle="round")
        axes.plot(*(1e3 * points.T), color=color, linewidth=width, zorder=3.1, solid_joinstyle="round", gid=f"outline {name}")


def _seen(outline: np.ndarray, later: list[np.ndarray]) -> np.ndarray:
    """``outline`` (n, 2) [m] in short pieces, with gaps of nan where ``later`` outlines are painted over it.

    A border that a later stroke shares is seen: what is hidden lies inside it on all sides.
    """
    low, high = outline.min(axis=0), outline.max(axis=0)
    over = [other for other in later if (other.min(axis=0) < high).all() and (other.max(axis=0) > low).all()]
    if not over:
        return outline
    pieces = [outline[:1]]
    for begin, end in itertools.pairwise(outline):
        count = max(1, int(np.hypot(*(end - begin)) / _PIECE))
        pieces.append(begin + (end - begin) * np.arange(1, count + 1)[:, None] / count)
    fine = np.concatenate(pieces)
    hidden = np.zeros(len(fine), dtype=bool)
    for path in map(Path, over):
        hidden |= np.all([path.contains_points(fine + aside) for aside in _ASIDE * _SIDES], axis=0)
    fine[hidden] = np.nan
    return fine


def draw_frame(axes: Axes, window: Window, color: str) -> None:
    """The zoomed window as a rectangle on the overview."""
    left, bottom, right, top = (1e3 * edge for edge in window)
    axes.add_patch(
        Rectangle((left, bottom), right - left, top - bottom, fill=False, edgecolor=color, linewidth=0.8, zorder=4)
    )


def label_places(section: SectionRecord, window: Window) -> dict[int, tuple[float, float, float]]:
    """Per part seen in the window: where it is thickest (x, y) and how thick it is there [m].

    Read off a raster of the window: the place farthest from any other part.
    """
    wide, high = window[2] - window[0], window[3] - window[1]
    step = max(wide, high) / _RASTER
    x = window[0] + step * (np.arange(max(2, round(wide / step))) + 0.5)
    y = window[1] + step * (np.arange(max(2, round(high / step))) + 0.5)
    column = np.clip(np.searchsorted(section.x_edges, x) - 1, 0, section.part_index.shape[1] - 1)
    row = np.clip(np.searchsorted(section.y_edges, y) - 1, 0, section.part_index.shape[0] - 1)
    raster = section.part_index[np.ix_(row, column)]
    places = {}
    for part in np.unique(raster):
        framed = np.pad(raster == part, 1)
        distance = distance_transform_edt(framed)[1:-1, 1:-1]
        # of all places about as thick, the one nearest to the part's middle
        rows, columns = np.nonzero(distance > 0.97 * distance.max())
        middle = [float(np.mean(one)) for one in np.nonzero(raster == part)]
        best = int(np.argmin(np.hypot(rows - middle[0], columns - middle[1])))
        at = rows[best], columns[best]
        places[int(part)] = (float(x[at[1]]), float(y[at[0]]), 2 * step * float(distance[at]))
    return places


def draw_numbers(axes: Axes, section: SectionRecord, window: Window, millimetres: float, skip=()) -> set[int]:
    """Part numbers (from 1) in small tags; returns the parts that got one.

    Parameters
    ----------
    millimetres : float    width of the axes on the sheet [mm]
    skip : set of int      parts that are labelled elsewhere
    """
    scale = millimetres / (window[2] - window[0])  # millimetres on the sheet per metre
    drawn = set()
    for part, (x, y, thickness) in label_places(section, window).items():
        if part in skip or thickness * scale < 1.8:  # no room for a figure
            continue
        axes.text(
            1e3 * x, 1e3 * y, str(part + 1), fontsize=style.SIZE_SMALL, ha="center", va="center_baseline", zorder=5,
            bbox={"boxstyle": "circle,pad=0.18", "facecolor": style.PAPER, "edgecolor": style.INK, "linewidth": 0.5},
        )
        drawn.add(part)
    return drawn


def filled(points: np.ndarray, **look) -> Polygon:
    """A closed outline [m] as a patch in millimetres."""
    return Polygon(1e3 * points, closed=True, **look)


def part_words(section: SectionRecord, part: int) -> str:
    """Name and material of a part, with its number."""
    return f"{part + 1}  {section.part_names[part]}: {section.part_materials[part]}"
