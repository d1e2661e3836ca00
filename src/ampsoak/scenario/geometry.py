"""Do shapes overlap, do they lie inside a rectangle (touching is allowed), what is painted where, outlines in pieces."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

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


@dataclass(frozen=True)
class VisiblePieces:
    """Short straight pieces of one stroke's outline, and what is painted beside them.

    Parameters
    ----------
    stroke : int                      number of the stroke in painting order, from 1
    middle, normal : (n, 2) float64   [m], [1]
    length : (n,) float64             [m]
    one, other : (n,) int64           stroke visible where the normal points to, and on the other side; 0 is the background
    aside : float                     how far off the outline that was seen [m]
    """

    stroke: int
    middle: np.ndarray
    normal: np.ndarray
    length: np.ndarray
    one: np.ndarray
    other: np.ndarray
    aside: float

    def within(self, width: float, height: float) -> np.ndarray:
        """Whether both sides of each piece lie in a section of that size [m], (n,) bool."""
        reach = self.aside * np.abs(self.normal)
        return ((self.middle > reach) & (self.middle < np.array([width, height]) - reach)).all(axis=1)

    @property
    def own(self) -> np.ndarray:
        """Whether each piece is a border of this stroke and not of a later one that ends at the same place, (n,) bool."""
        return np.maximum(self.one, self.other) == self.stroke


def visible_pieces(
    shapes: Sequence[Shape], number: int, spacing: float, aside: float, wanted: Callable | None = None
) -> VisiblePieces:
    """Return the outline of the stroke ``number`` (from 1) of ``shapes``, in painting order, in pieces.

    Parameters
    ----------
    shapes : sequence of Shape
    number : int
    spacing : float              length of a piece [m]
    aside : float                how far off the outline is looked at what is painted [m]
    wanted : callable or None    which pieces to keep, (n,) bool, by their middles (n, 2) [m]; None keeps all
    """
    strokes = [(shape, other) for other, shape in enumerate(shapes, 1)]
    middle, vector = outline_pieces(shapes[number - 1], spacing)
    if wanted is not None:
        kept = wanted(middle)
        middle, vector = middle[kept], vector[kept]
    length = np.hypot(vector[:, 0], vector[:, 1])
    normal = np.column_stack([vector[:, 1], -vector[:, 0]]) / length[:, None]
    away = aside * normal
    one, other = painted_parts(strokes, *(middle + away).T), painted_parts(strokes, *(middle - away).T)
    return VisiblePieces(number, middle, normal, length, one, other, aside)


def outline_pieces(shape: Shape, spacing: float) -> tuple[np.ndarray, np.ndarray]:
    """Middles and vectors of short straight pieces of an outline, (n, 2) each [m]."""
    # a multiple of eight chords, so that a mirrored or turned circle is cut into mirrored or turned pieces
    count = 8 * int(np.clip(np.ceil(shape.perimeter / spacing / 8), 4, 5000))
    corners = shape.outline(count + 1)
    chord = np.diff(corners, axis=0)
    length = np.hypot(chord[:, 0], chord[:, 1])
    start, chord, length = corners[:-1][length > 0.0], chord[length > 0.0], length[length > 0.0]
    parts = np.maximum(1, np.ceil(length / spacing)).astype(np.int64)
    of = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(of)) - (np.cumsum(parts) - parts)[of] + 0.5) / parts[of]
    return start[of] + share[:, None] * chord[of], chord[of] / parts[of, None]


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
