"""Do shapes overlap, do they lie inside a rectangle (touching is allowed), what is painted where, outlines in pieces."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise

import numpy as np

from ampsoak.scenario.shapes import Circle, Polygon, Shape

SLACK = 1e-9  # [m], what sums of lengths may round to
SHRINK = 1e-6


def outside(shape: Shape, box: tuple[float, float, float, float]) -> float:
    """How far ``shape`` reaches beyond ``box`` = (left, bottom, right, top) [m]; 0 when it lies inside.

    Sides that are not known (nan) are passed over.
    """
    left, bottom, right, top = shape.bounds
    beyond = [box[0] - left, box[1] - bottom, right - box[2], top - box[3]]
    most = max((value for value in beyond if not math.isnan(value)), default=0.0)
    return most if most > SLACK else 0.0


def overlap(first: Shape, second: Shape) -> bool:
    """Whether two shapes have more than an outline in common.

    Circles exactly; other shapes by points of each outline, drawn in by a millionth, in the other shape.
    """
    if isinstance(first, Circle) and isinstance(second, Circle):
        apart = math.hypot(first.x - second.x, first.y - second.y)
        return apart < first.radius + second.radius - SLACK
    (a0, b0, a1, b1), (c0, d0, c1, d1) = first.bounds, second.bounds
    if not (a0 < c1 - SLACK and c0 < a1 - SLACK and b0 < d1 - SLACK and d0 < b1 - SLACK):
        return False
    for inner, outer in ((first, second), (second, first)):
        points = _drawn_in(inner)
        if np.any(outer.contains(points[:, 0], points[:, 1])):
            return True
    return False


def _drawn_in(shape: Shape) -> np.ndarray:
    """Points along the outline and the middle, drawn towards the middle, (n, 2) [m]."""
    outline = shape.outline(181)
    step = np.linspace(0.0, 1.0, 9)[:, None, None]
    dense = (outline[None, :-1] + step * np.diff(outline, axis=0)[None]).reshape(-1, 2)
    left, bottom, right, top = shape.bounds
    middle = np.array([(left + right) / 2, (bottom + top) / 2])
    points = middle + (dense - middle) * (1 - SHRINK)
    return points if isinstance(shape, Polygon) else np.vstack([points, middle])


def painted_parts(strokes: Iterable[tuple[Shape, int]], x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Number of the last of ``strokes`` (shape, number) over each place, (n,) int64, 0 where none is; x, y (n,) [m]."""
    part = np.zeros(x.shape, dtype=np.int64)
    for shape, number in strokes:
        part[shape.contains(x, y)] = number
    return part


def outline_pieces(shape: Shape, spacing: float) -> tuple[np.ndarray, np.ndarray]:
    """Middles and vectors of short straight pieces of an outline, (n, 2) each [m]."""
    # a multiple of eight chords, so that a mirrored or turned circle is cut into mirrored or turned pieces
    count = 8 * int(np.clip(np.ceil(shape.perimeter / spacing / 8), 4, 5000))
    corners = shape.outline(count + 1)
    middles, vectors = [], []
    for start, stop in pairwise(corners):
        length = np.hypot(*(stop - start))
        if length == 0.0:
            continue
        parts = max(1, int(np.ceil(length / spacing)))
        share = (np.arange(parts) + 0.5) / parts
        middles.append(start + share[:, None] * (stop - start))
        vectors.append(np.broadcast_to((stop - start) / parts, (parts, 2)))
    return np.concatenate(middles), np.concatenate(vectors)


def crosses_itself(polygon: Polygon) -> bool:
    """Whether two sides of a polygon that are not neighbours meet."""
    corners = list(polygon.points)
    sides = list(zip(corners, corners[1:] + corners[:1], strict=True))
    count = len(sides)
    return any(
        _meet(*sides[i], *sides[j])
        for i in range(count)
        for j in range(i + 2, count)
        if not (i == 0 and j == count - 1)
    )


def _meet(a, b, c, d) -> bool:
    def side(p, q, r):
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return (
        side(a, b, c) * side(a, b, d) <= 0
        and side(c, d, a) * side(c, d, b) <= 0
        and not (side(a, b, c) == side(a, b, d) == 0 and (max(a, b) < min(c, d) or max(c, d) < min(a, b)))
    )
