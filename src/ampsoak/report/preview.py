"""The section as it will be computed: parts, mesh, areas."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from ampsoak.report import style
from ampsoak.report.key import SAMPLE, Entry, draw_sample
from ampsoak.report.page import LEFT, RIGHT, WIDTH, Heading, Page, shortened
from ampsoak.report.section_drawing import (
    Window,
    box,
    cable_window,
    draw_frame,
    draw_numbers,
    draw_outlines,
    filled,
    set_window,
    whole,
)
from ampsoak.runfile.records import SectionRecord

_AXIS_LEFT, _AXIS_BELOW, _ABOVE = 13.0, 12.0, 6.0  # [mm]
_WHOLE, _ZOOM = (169.0, 95.0), (110.0, 75.0)  # largest panels [mm]
_ROW = 4.6
_COLUMNS = (0.0, SAMPLE + 2.0, SAMPLE + 8.0, 66.0, 126.0, 149.0, 170.0)  # left edges of the table's columns [mm]
_MESH_INK = "#7d7d7d"


def part_look(section: SectionRecord, part: int) -> dict:
    """Tint and hatch of a part: by role, later parts of a role a little darker."""
    role = section.part_roles[part]
    tint, hatch = style.ROLE_TINTS.get(role, style.ROLE_TINTS["other"])
    before = section.part_roles[:part].count(role)
    if role != "conductor" and before:
        # the hatch gets denser, so that neighbours of one role stay apart on a copy
        hatch = hatch + (hatch[:1] or "|") * before
    return {"facecolor": tint, "hatch": hatch, "edgecolor": "#6a6a6a"}


@style.styled
def preview_figure(section: SectionRecord, title: str = "", margin: str = "nothing computed yet", number: int = 4) -> Figure:
    """Draw the section with its mesh, enlarged at the cable, and a table of parts.

    Parameters
    ----------
    section : SectionRecord
    title : str               the case
    margin : str              margin text; run id and hash where there is a run (``words.origin_words``)
    number : int              number of the figure

    Returns
    -------
    Figure
    """
    overview, zoom = whole(section), cable_window(section)
    large = box(overview, *_WHOLE)
    small = box(zoom, *_ZOOM) if zoom else (0.0, 0.0)
    table = (len(section.part_names) + 1.4) * _ROW
    frame = _ABOVE + _AXIS_BELOW
    abreast = zoom is not None and large[0] + small[0] + 2 * _AXIS_LEFT <= WIDTH - LEFT - RIGHT
    if abreast:
        content = frame + max(large[1], small[1]) + table
    else:
        content = frame + large[1] + table + (frame + small[1] if zoom else 0.0)
    page = Page(Heading(number, "Section and mesh", title, _caption(section), margin), content)
    top = page.top - _ABOVE
    left = page.left + _AXIS_LEFT
    page.text(left, top + 4.6, "whole section", weight="bold")
    axes = page.axes(left, top - large[1], *large, label="section")
    _draw(axes, section, overview, large)
    drawn = set()
    if zoom:
        draw_frame(axes, zoom, style.INK)
        if abreast:
            left += large[0] + _AXIS_LEFT
        else:
            top -= large[1] + frame
        page.text(left, top + 4.6, "the framed part, enlarged", weight="bold")
        enlarged = page.axes(left, top - small[1], *small, label="zoom")
        _draw(enlarged, section, zoom, small)
        drawn = draw_numbers(enlarged, section, zoom, small[0])
    background = {int(np.bincount(section.part_index.ravel()).argmax())}
    draw_numbers(axes, section, overview, large[0], skip=drawn - background)
    _draw_table(page, section, page.bottom + table)
    return page.figure


def _draw(axes: Axes, section: SectionRecord, window: Window, size: tuple[float, float]) -> None:
    left, bottom, right, top = whole(section)
    corners = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
    axes.add_patch(filled(corners, **part_look(section, 0), linewidth=0, zorder=1))
    for name, points in section.outlines:
        look = part_look(section, section.part_names.index(name))
        axes.add_patch(filled(points, **look, linewidth=0, zorder=1.5))
    mesh_width = _mesh_width(section, window, size[0])
    x, y = 1e3 * section.x_edges, 1e3 * section.y_edges
    vertical = [[(one, y[0]), (one, y[-1])] for one in x]
    horizontal = [[(x[0], one), (x[-1], one)] for one in y]
    axes.add_collection(LineCollection(vertical + horizontal, colors=_MESH_INK, linewidths=mesh_width, zorder=2, gid="mesh"))
    draw_outlines(axes, section, style.INK, 0.9)
    set_window(axes, window, size)
    axes.set_xlabel("x [mm]", labelpad=1)
    axes.set_ylabel("y [mm]", labelpad=1)


def _mesh_width(section: SectionRecord, window: Window, millimetres: float) -> float:
    """Line width [points] that leaves most of the smallest cell in the window white."""
    inside = (section.x_edges >= window[0]) & (section.x_edges <= window[2])
    steps = np.diff(section.x_edges[inside])
    finest = float(steps.min(initial=window[2] - window[0])) * millimetres / (window[2] - window[0])
    return float(np.clip(0.25 * finest * 72 / 25.4, 0.08, 0.3))


def _draw_table(page: Page, section: SectionRecord, top: float) -> None:
    heads = ("", "", "part", "material", "area as drawn", "on the mesh", "differs")
    left = [page.left + column for column in _COLUMNS]
    for x, words in zip(left, heads, strict=True):
        page.text(x, top, words, weight="bold")
    page.canvas.plot([page.left, page.right], [top - _ROW + 0.4] * 2, color=style.QUIET, linewidth=0.5)
    for part, name in enumerate(section.part_names):
        y = top - (part + 1.2) * _ROW
        draw_sample(page, Entry("", patch=part_look(section, part)), left[0], y - 1.4)
        exact, mesh = section.part_area_exact[part], section.part_area_mesh[part]
        differs = f"{round(100 * (mesh - exact) / exact, 2) + 0.0:+.2f} %" if exact else ""  # + 0.0: no minus zero
        words = (
            str(part + 1), shortened(name, left[3] - left[2] - 2, style.SIZE_TEXT),
            shortened(section.part_materials[part], left[4] - left[3] - 2, style.SIZE_TEXT), area_words(exact), area_words(mesh),
            differs.replace("-", "\u2212"),
        )
        for x, word in zip(left[1:], words, strict=True):
            page.text(x, y, word)


def area_words(area: float) -> str:
    """Area [m²] in mm² or cm² with four figures."""
    number, unit = (1e6 * area, "mm²") if area < 1e-3 else (1e4 * area, "cm²")
    return f"{format(number, '#.4g').rstrip('.')} {unit}"


def _caption(section: SectionRecord) -> str:
    left, bottom, right, top = whole(section)
    rows, columns = section.part_index.shape
    finest = 1e3 * min(np.diff(section.x_edges).min(), np.diff(section.y_edges).min())
    coarsest = 1e3 * max(np.diff(section.x_edges).max(), np.diff(section.y_edges).max())
    return (
        f"The section as drawn, {1e3 * (right - left):.4g} mm by {1e3 * (top - bottom):.4g} mm, with the mesh it is computed "
        f"on: {columns} by {rows} = {columns * rows} cells, sides {finest:.2g} to {coarsest:.2g} mm. Curved parts enter cells by "
        "their exact area; nothing has been computed in this picture."
    )
