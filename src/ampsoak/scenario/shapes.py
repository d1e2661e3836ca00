"""Plane shapes a section is painted with: exact areas, bounds, membership and exact cuts by grid lines.

Everything is in metres. The *spans* of a shape are the intervals in which lines parallel to an axis lie inside it; the
section layer builds area fractions and distances to conductors from spans, so no outline is ever a staircase. Spans of
n lines come as two arrays (pieces, n): low and high end, nan where a line misses the shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Rectangle:
    """Axis-parallel rectangle from (left, bottom) to (right, top) [m]."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def area(self) -> float:
        """Area [m²]."""
        return (self.right - self.left) * (self.top - self.bottom)

    @property
    def perimeter(self) -> float:
        """Outline length [m]."""
        return 2 * ((self.right - self.left) + (self.top - self.bottom))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) [m]."""
        return self.left, self.bottom, self.right, self.top

    def contains(self, x, y):
        """Return a bool array: is (x, y) inside or on the outline."""
        return (x >= self.left) & (x <= self.right) & (y >= self.bottom) & (y <= self.top)

    def spans(self, axis: int, coordinate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spans along ``axis`` (0: x, 1: y) of the lines at ``coordinate`` (n,) on the other axis, (1, n) each."""
        across = (self.bottom, self.top) if axis == 0 else (self.left, self.right)
        along = (self.left, self.right) if axis == 0 else (self.bottom, self.top)
        inside = (coordinate >= across[0]) & (coordinate <= across[1])
        return np.where(inside, along[0], np.nan)[None], np.where(inside, along[1], np.nan)[None]

    def outline(self, points: int = 4) -> np.ndarray:
        """Closed outline for drawing, (n, 2) [m]."""
        x0, y0, x1, y1 = self.bounds
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]])


@dataclass(frozen=True)
class Circle:
    """Circle with centre (x, y) and radius [m]."""

    x: float
    y: float
    radius: float

    @property
    def area(self) -> float:
        """Area [m²]."""
        return float(np.pi) * self.radius**2

    @property
    def perimeter(self) -> float:
        """Outline length [m]."""
        return 2 * float(np.pi) * self.radius

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) [m]."""
        return self.x - self.radius, self.y - self.radius, self.x + self.radius, self.y + self.radius

    def contains(self, x, y):
        """Return a bool array: is (x, y) inside or on the outline."""
        return np.hypot(x - self.x, y - self.y) <= self.radius

    def spans(self, axis: int, coordinate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spans along ``axis`` (0: x, 1: y) of the lines at ``coordinate`` (n,) on the other axis, (1, n) each."""
        along, across = (self.x, self.y) if axis == 0 else (self.y, self.x)
        square = self.radius**2 - (coordinate - across) ** 2
        half = np.sqrt(np.where(square > 0, square, np.nan))
        return (along - half)[None], (along + half)[None]

    def outline(self, points: int = 181) -> np.ndarray:
        """Closed outline for drawing, (n, 2) [m]."""
        angle = np.linspace(0, 2 * np.pi, points)
        return np.column_stack([self.x + self.radius * np.cos(angle), self.y + self.radius * np.sin(angle)])


@dataclass(frozen=True)
class Ring:
    """Circle with a round hole in its middle: the wall of a tube.

    Parameters
    ----------
    x, y : float            centre [m]
    radius, inner : float   of its outer and inner outline [m]
    """

    x: float
    y: float
    radius: float
    inner: float

    @property
    def area(self) -> float:
        """Area [m²]."""
        return float(np.pi) * (self.radius**2 - self.inner**2)

    @property
    def perimeter(self) -> float:
        """Length of the outer outline [m]."""
        return 2 * float(np.pi) * self.radius

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) [m]."""
        return Circle(self.x, self.y, self.radius).bounds

    def contains(self, x, y):
        """Return a bool array: is (x, y) in the wall or on its outlines."""
        away = np.hypot(x - self.x, y - self.y)
        return (away <= self.radius) & (away >= self.inner)

    def spans(self, axis: int, coordinate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spans along ``axis`` (0: x, 1: y) of the lines at ``coordinate`` (n,) on the other axis, (2, n) each."""
        (low,), (high,) = Circle(self.x, self.y, self.radius).spans(axis, coordinate)
        (first,), (last,) = Circle(self.x, self.y, self.inner).spans(axis, coordinate)
        beside = np.isnan(first)
        return np.stack([low, last]), np.stack([np.where(beside, high, first), np.where(beside, np.nan, high)])

    def outline(self, points: int = 181) -> np.ndarray:
        """Closed outer outline for drawing, (n, 2) [m]."""
        return Circle(self.x, self.y, self.radius).outline(points)


@dataclass(frozen=True)
class Stadium:
    """Rectangle with semicircular short ends: the outline of a flat cable.

    Parameters
    ----------
    x, y : float            centre [m]
    width, height : float   overall size before turning [m]; the round ends are on the shorter pair of sides
    angle : float           turned counter-clockwise by this many radians
    """

    x: float
    y: float
    width: float
    height: float
    angle: float = 0.0

    @property
    def spine(self) -> tuple[float, float, float, float]:
        """Half length of the straight spine, radius, and the unit vector along the spine."""
        radius = min(self.width, self.height) / 2
        half = max(self.width, self.height) / 2 - radius
        turn = self.angle + (0.0 if self.width >= self.height else np.pi / 2)
        return half, radius, float(np.cos(turn)), float(np.sin(turn))

    @property
    def area(self) -> float:
        """Area [m²]."""
        half, radius, _, _ = self.spine
        return float(np.pi) * radius**2 + 4 * half * radius

    @property
    def perimeter(self) -> float:
        """Outline length [m]."""
        half, radius, _, _ = self.spine
        return 2 * float(np.pi) * radius + 4 * half

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) [m]."""
        half, radius, c, s = self.spine
        dx, dy = half * abs(c) + radius, half * abs(s) + radius
        return self.x - dx, self.y - dy, self.x + dx, self.y + dy

    def contains(self, x, y):
        """Return a bool array: is (x, y) inside or on the outline."""
        half, radius, c, s = self.spine
        u, v = (x - self.x) * c + (y - self.y) * s, -(x - self.x) * s + (y - self.y) * c
        return np.hypot(u - np.clip(u, -half, half), v) <= radius

    def spans(self, axis: int, coordinate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spans along ``axis`` (0: x, 1: y) of the lines at ``coordinate`` (n,) on the other axis, (1, n) each."""
        half, radius, c, s = self.spine
        along, across = (self.x, self.y) if axis == 0 else (self.y, self.x)
        # spine direction seen with the cutting line as first axis
        e, f = (c, s) if axis == 0 else (s, c)
        offset = np.asarray(coordinate, dtype=float) - across
        lows, highs = [], []
        for end in (-half, half):
            square = radius**2 - (offset - end * f) ** 2
            root = np.sqrt(np.where(square > 0, square, np.nan))
            lows.append(end * e - root)
            highs.append(end * e + root)
        # the straight part: |spine coordinate| <= half and |across coordinate| <= radius, both linear in the position
        low, high = np.full(offset.shape, -np.inf), np.full(offset.shape, np.inf)
        for slope, constant, bound in ((e, offset * f, half), (-f, offset * e, radius)):
            if abs(slope) < 1e-12:
                low = np.where(np.abs(constant) > bound, np.inf, low)
            else:
                ends = np.stack([(-bound - constant) / slope, (bound - constant) / slope])
                low, high = np.maximum(low, ends.min(axis=0)), np.minimum(high, ends.max(axis=0))
        straight = (low < high) & np.isfinite(low) & np.isfinite(high)
        lows.append(np.where(straight, low, np.nan))
        highs.append(np.where(straight, high, np.nan))
        # convex, so the union is one interval; fmin and fmax ignore nan
        return along + np.fmin.reduce(lows)[None], along + np.fmax.reduce(highs)[None]

    def outline(self, points: int = 181) -> np.ndarray:
        """Closed outline for drawing, (n, 2) [m]."""
        half, radius, c, s = self.spine
        angle = np.linspace(-np.pi / 2, np.pi / 2, points // 2)
        u = np.concatenate([half + radius * np.cos(angle), -half - radius * np.cos(angle), [half]])
        v = np.concatenate([radius * np.sin(angle), -radius * np.sin(angle), [-radius]])
        return np.column_stack([self.x + u * c - v * s, self.y + u * s + v * c])


@dataclass(frozen=True)
class Polygon:
    """Simple polygon; ``points`` are its corners in order, ((x, y), ...) [m], not repeated at the end."""

    points: tuple[tuple[float, float], ...]

    @property
    def _array(self) -> np.ndarray:
        return np.asarray(self.points, dtype=float)

    @property
    def area(self) -> float:
        """Area [m²] (shoelace formula)."""
        x, y = self._array.T
        return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)

    @property
    def perimeter(self) -> float:
        """Outline length [m]."""
        points = self._array
        return float(np.hypot(*(np.roll(points, -1, axis=0) - points).T).sum())

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) [m]."""
        (left, bottom), (right, top) = self._array.min(axis=0), self._array.max(axis=0)
        return float(left), float(bottom), float(right), float(top)

    def contains(self, x, y):
        """Return a bool array: is (x, y) inside (even-odd rule)."""
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        left, bottom, right, top = self.bounds
        near = (x >= left) & (x <= right) & (y >= bottom) & (y <= top)  # most places that are asked for lie elsewhere
        inside, x, y = np.zeros(x.shape, dtype=bool), x[near], y[near]
        crossed = np.zeros(x.shape, dtype=bool)
        points = self._array
        for (x0, y0), (x1, y1) in zip(points, np.roll(points, -1, axis=0), strict=True):
            if y0 != y1:
                crossed ^= ((y0 > y) != (y1 > y)) & (x < (x1 - x0) * (y - y0) / (y1 - y0) + x0)
        inside[near] = crossed
        return inside

    def spans(self, axis: int, coordinate: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spans along ``axis`` (0: x, 1: y) of the lines at ``coordinate`` (n,) on the other axis, (pieces, n) each."""
        points = self._array if axis == 0 else self._array[:, ::-1]
        coordinate = np.asarray(coordinate, dtype=float)
        crossings = np.full((len(points) + len(points) % 2, len(coordinate)), np.nan)
        for row, ((u0, v0), (u1, v1)) in enumerate(zip(points, np.roll(points, -1, axis=0), strict=True)):
            crossed = (v0 > coordinate) != (v1 > coordinate)
            if v1 != v0:
                crossings[row] = np.where(crossed, u0 + (coordinate - v0) * (u1 - u0) / (v1 - v0), np.nan)
        crossings.sort(axis=0)  # nan last, crossings of a closed outline are even in number
        return crossings[0::2], crossings[1::2]

    def outline(self, points: int = 0) -> np.ndarray:
        """Closed outline for drawing, (n, 2) [m]."""
        corners = self._array
        return np.vstack([corners, corners[:1]])


@dataclass(frozen=True)
class Wrap(Polygon):
    """Band stretched round bodies that touch: what of it they leave is still air, and they share one film."""


@dataclass(frozen=True)
class Wedge(Polygon):
    """Still air beside a contact in a round space; it asks for no finer mesh than what it lies between."""


Shape = Rectangle | Circle | Ring | Stadium | Polygon
