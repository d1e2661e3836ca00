"""Contact resistances on the grid: which links cross a face that resists, and by how much.

A link of width w that meets a face whose normal makes an angle a with it stands for w cos a of the face, as in air.py: links
along x and along y then share the face, and these shares are scaled so that each contact has its exact length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import outline_pieces, visible_pieces
from ampsoak.scenario.shapes import Circle, Ring
from ampsoak.section.interfaces import parts_at

_PIECES_PER_CELL = 8


@dataclass(frozen=True)
class ContactLinks:
    """Contact resistances of a section.

    Parameters
    ----------
    axis : (n,) int64           0: link along x, 1: along y
    i, j : (n,) int64           cell at the lower end of the link
    resistance : (n,) float64   of all that the link crosses [K m/W]
    touched : (nx + 1, ny + 1) bool     elements through which such a face runs: they conduct along their sides only
    """

    axis: np.ndarray
    i: np.ndarray
    j: np.ndarray
    resistance: np.ndarray
    touched: np.ndarray


def between_parts(scenario: Scenario) -> np.ndarray:
    """Contact resistance between every two parts, (n_parts, n_parts) [m² K/W]."""
    resistance = np.zeros((len(scenario.parts), len(scenario.parts)))
    for contact in scenario.contacts:
        resistance[contact.first, contact.second] = resistance[contact.second, contact.first] = contact.resistance
    return resistance


def contact_links(
    scenario: Scenario, x: np.ndarray, y: np.ndarray, widths, point_part: np.ndarray
) -> ContactLinks | None:
    """Find the links that cross contact resistances.

    Parameters
    ----------
    scenario : Scenario
    x, y : (nx,), (ny,) float64    unknown positions [m]
    widths : pair of (n,) float64  cell sizes along x and y [m]
    point_part : (nx, ny) int64    part at each point

    Returns
    -------
    ContactLinks, or None where the scenario has no contact
    """
    if not scenario.contacts:
        return None
    finest = min(widths[0].min(), widths[1].min())
    resistance = between_parts(scenario)
    metal = [conductor.part for conductor in scenario.conductors]
    resistance[metal], resistance[:, metal] = 0.0, 0.0  # links end there: see resistance_at_ends
    parts = np.array([0, *(paint.part for paint in scenario.paints)])
    shapes = [paint.shape for paint in scenario.paints]
    touched = np.zeros((len(x) + 1, len(y) + 1), dtype=bool)
    found, lengths = [], np.zeros(resistance.shape)
    for number in range(1, len(shapes) + 1):
        pieces = visible_pieces(shapes, number, finest / _PIECES_PER_CELL, 0.02 * finest)
        one, other = parts[pieces.one], parts[pieces.other]
        low, high = np.minimum(one, other), np.maximum(one, other)
        within = pieces.within(scenario.width, scenario.height)
        chosen = pieces.own & within & (resistance[low, high] > 0)
        if not chosen.any():
            continue
        middle, normal, length, low, high = (a[chosen] for a in (pieces.middle, pieces.normal, pieces.length, low, high))
        np.add.at(lengths, (low, high), length)
        touched[np.searchsorted(x, middle[:, 0]), np.searchsorted(y, middle[:, 1])] = True
        half = np.column_stack([-normal[:, 1], normal[:, 0]]) * length[:, None] / 2
        for axis, along, across, width in ((0, x, y, widths[1]), (1, y, x, widths[0])):
            # a hair aside, so that pieces that meet on a line agree on which of them crosses it
            lines = across + 1e-7 * finest
            before, after = (np.searchsorted(lines, (middle + sign * half)[:, 1 - axis]) for sign in (-1, 1))
            crossing = np.flatnonzero(before != after)
            line = np.minimum(before, after)[crossing]
            way = (lines[line] - middle[crossing, 1 - axis]) / half[crossing, 1 - axis]
            link = np.searchsorted(along, middle[crossing, axis] + way * half[crossing, axis]) - 1
            pair = low[crossing], high[crossing]
            link = _settled(link, line, pair, point_part if axis == 0 else point_part.T)
            share = width[line] * np.abs(normal[crossing, axis])
            row = np.column_stack([np.full(len(line), axis), link, line])
            inside = (link >= 0) & (link < len(along) - 1)
            found.append((row[inside], pair[0][inside], pair[1][inside], share[inside]))
    rows, low, high, share = (np.concatenate(column) for column in zip(*found, strict=True)) if found else _nothing()
    total = np.zeros(resistance.shape)
    np.add.at(total, (low, high), share)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(total > 0, lengths / total, 1.0)
    links, place = np.unique(rows, axis=0, return_inverse=True)
    summed = np.zeros(len(links))
    np.add.at(summed, place.ravel(), resistance[low, high] / (share * scale[low, high]))
    axis, link, line = links.T
    i, j = np.where(axis == 0, link, line), np.where(axis == 0, line, link)
    for beside in (0, 1):  # the two elements that share the link
        touched[i + np.where(axis == 0, 1, beside), j + np.where(axis == 0, beside, 1)] = True
    return ContactLinks(axis=axis, i=i, j=j, resistance=summed, touched=touched)


def resistance_at_ends(scenario: Scenario, cut, x: np.ndarray, y: np.ndarray, widths) -> np.ndarray:
    """Contact resistance at the end of every link that ends on a conductor, (n,) [K m/W].

    Parameters
    ----------
    scenario : Scenario
    cut : CutEdge                  (n,) links
    x, y : (nx,), (ny,) float64    unknown positions [m]
    widths : pair of (n,) float64  cell sizes along x and y [m]
    """
    found, resistance = np.zeros(len(cut.axis)), between_parts(scenario)
    if not len(found) or not resistance.any():
        return found
    finest = min(widths[0].min(), widths[1].min())
    i, j = cut.i + (cut.upper & (cut.axis == 0)), cut.j + (cut.upper & (cut.axis == 1))
    way = np.where(cut.upper, -1.0, 1.0)  # from the live point to the conductor
    step = np.column_stack([np.where(cut.axis == 0, way, 0.0), np.where(cut.axis == 1, way, 0.0)])
    end = np.column_stack([x[i], y[j]]) + step * cut.distance[:, None]
    width = np.where(cut.axis == 0, widths[1][j], widths[0][i])
    for number, conductor in enumerate(scenario.conductors):
        mine = np.flatnonzero(cut.conductor == number)
        if not resistance[conductor.part].any() or not len(mine):
            continue
        outlines = [conductor.shape]
        if isinstance(conductor.shape, Ring):
            shape = conductor.shape
            outlines = [Circle(shape.x, shape.y, radius) for radius in (shape.radius, shape.inner)]
        middle, vector = (np.concatenate(column) for column in zip(*(outline_pieces(o, finest / 4) for o in outlines), strict=True))
        length = np.hypot(vector[:, 0], vector[:, 1])
        normal = np.column_stack([vector[:, 1], -vector[:, 0]]) / length[:, None]
        nearest = np.argmin(((end[mine, None, :] - middle[None]) ** 2).sum(axis=2), axis=1)
        share = width[mine] * np.abs((normal[nearest] * step[mine]).sum(axis=1))
        sides = [parts_at(scenario, *(middle + sign * 0.02 * finest * normal).T) for sign in (1, -1)]
        beside = np.where(sides[0] == conductor.part, sides[1], sides[0])
        # not looked up at the end itself: the outline that links see lies a hair off the real one
        outside = beside[nearest]
        for part in np.unique(outside):
            ends = outside == part
            scale = length[beside == part].sum() / max(share[ends].sum(), 1e-300)
            found[mine[ends]] = resistance[part, conductor.part] / np.maximum(share[ends] * scale, 1e-300)
    return found


def _settled(link, line, pair, part: np.ndarray) -> np.ndarray:
    """Links (n,) moved by one where only that one joins the ``pair`` of parts: chords lie a hair off curved outlines."""
    last = len(part) - 2

    def joins(number):
        number = np.clip(number, 0, last)
        ends = part[number, line], part[number + 1, line]
        return (np.minimum(*ends) == pair[0]) & (np.maximum(*ends) == pair[1])

    for step in (1, -1):
        link = np.where(~joins(link) & joins(link + step), link + step, link)
    return link


def _nothing():
    whole = np.zeros(0, dtype=np.int64)
    return np.zeros((0, 3), dtype=np.int64), whole, whole, np.zeros(0)
