"""Where bodies lie when nobody says so in numbers: rows, stacks and packs, and bodies come to rest in a round space."""

from __future__ import annotations

import math

import numpy as np

from ampsoak.scenario.plan import tidy
from ampsoak.scenario.shapes import Circle, Polygon, Shape, Stadium

Place = tuple[float, float]
LOOKS = 401  # places across a round space that are tried
ZOOMS = 5  # each tenfold or finer: the last is far below any tolerance
TOUCH = 1e-10  # [m] by which bodies at rest may overlap from rounding


def arranged(count: int, arrangement: str, outline: Shape, spacing: float = 0.0) -> list[Place]:
    """Centres of equal bodies about the middle of their group [m].

    Parameters
    ----------
    count : int
    arrangement : str     "row" (along x), "stack" (along y) or "packed": round bodies in a close triangular pack, others
                          stacked in columns as nearly square as they go
    outline : Shape       of one body, about (0, 0)
    spacing : float       clear between neighbours [m]

    Returns
    -------
    list of (x, y)        row by row from below, each from the left
    """
    left, bottom, right, top = outline.bounds
    wide, high = right - left + spacing, top - bottom + spacing
    if arrangement == "packed" and isinstance(outline, Circle):
        places = _triangular(count, wide)
    else:
        columns = {"row": count, "stack": 1}.get(arrangement) or _columns(count, wide, high)
        places = [(index % columns * wide, index // columns * high) for index in range(count)]
        last = count % columns
        shift = (columns - last) / 2 * wide if last else 0.0
        places = [(x + (shift if index >= count - last else 0.0), y) for index, (x, y) in enumerate(places)]
    xs, ys = zip(*places, strict=True)
    middle = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
    return [(tidy(x - middle[0]), tidy(y - middle[1])) for x, y in places]


def _columns(count: int, wide: float, high: float) -> int:
    """Columns that bring a group of ``count`` bodies nearest to a square."""
    return min(range(1, count + 1), key=lambda n: max(n * wide, math.ceil(count / n) * high))


def _triangular(count: int, pitch: float) -> list[Place]:
    """The ``count`` points of a triangular lattice nearest to that of its places of symmetry which needs least room."""
    reach = int(math.sqrt(count)) + 2
    lattice = [
        (column + row / 2 % 1, row * math.sqrt(0.75)) for row in range(-reach, reach + 1) for column in range(-reach, reach + 1)
    ]
    packs = []
    for centre in ((0.0, 0.0), (0.5, 0.0), (0.5, math.sqrt(1 / 12))):
        near = sorted(lattice, key=lambda p: (round(math.dist(p, centre), 9), round(p[1], 9), p[0]))[:count]
        packs.append((round(math.dist(near[-1], centre), 9), near))
    return [(x * pitch, y * pitch) for x, y in sorted(min(packs)[1], key=lambda p: (round(p[1], 9), p[0]))]


def at_rest(outline: Shape, space: Circle, others: list[Shape], down: Place) -> Place | None:
    """Centre at which a body comes to rest in a round space [m], None where it does not fit.

    The lowest place that touches nothing from inside: exact for round and flat bodies, found by looking along lines in the
    direction of ``down`` across the space.

    Parameters
    ----------
    outline : Circle or Stadium        the body, about (0, 0)
    space : Circle
    others : list of Circle or Stadium     what lies there already
    down : (x, y)                      one of (0, -1), (-1, 0), (0, 1), (1, 0)
    """
    if _spine(outline)[1] > space.radius:
        return None
    axis = 0 if down[0] else 1
    sign = down[axis]
    low, high = -space.radius, space.radius
    best = None
    for _ in range(ZOOMS):
        aside = np.linspace(low, high, LOOKS)
        depth = _deepest(outline, space, others, axis, sign, aside)
        if not np.isfinite(depth).any():
            break
        level = np.flatnonzero(depth >= np.nanmax(depth) - 1e-12)
        chosen = level[np.argmin(np.abs(aside[level]))]  # a flat bottom ends in the middle
        best = float(aside[chosen]), float(depth[chosen])
        step = aside[1] - aside[0]
        low, high = aside[chosen] - 2 * step, aside[chosen] + 2 * step
    if best is None:
        return None
    along, across = sign * best[1], best[0]
    x, y = (along, across) if axis == 0 else (across, along)
    return tidy(space.x + x), tidy(space.y + y)


def _deepest(outline, space, others, axis: int, sign: float, aside: np.ndarray) -> np.ndarray:
    """How far down a body can lie at each distance ``aside`` of the middle (n,) [m], nan where it fits nowhere."""
    ends, radius = _spine(outline)
    floor, ceiling = np.full(aside.shape, np.inf), np.full(aside.shape, -np.inf)
    for end in ends:
        square = (space.radius - radius) ** 2 - (aside + end[1 - axis]) ** 2
        root = np.sqrt(np.where(square >= 0, square, np.nan))
        floor = np.minimum(floor, -sign * end[axis] + root)
        ceiling = np.maximum(ceiling, -sign * end[axis] - root)
    blocked = []
    for other in others:
        low, high = _kept_off(outline, other, space, axis, aside)
        blocked.append((low, high) if sign > 0 else (-high, -low))
    deepest = np.full(aside.shape, np.nan)
    for candidate in [floor, *(low for low, _ in blocked)]:
        free = (candidate <= floor + TOUCH) & (candidate >= ceiling - TOUCH)
        for low, high in blocked:
            free &= ~((candidate > low + TOUCH) & (candidate < high - TOUCH))
        deepest = np.fmax(deepest, np.where(free, candidate, np.nan))
    return deepest


def _kept_off(outline, other, space: Circle, axis: int, aside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where along ``axis`` the centre of a body would lie in another one, (n,) low and high [m] about the space's middle.

    The body's centre has to stay out of the other's outline grown by the body: the rim of a parallelogram, made of stadia.
    """
    mine, my_radius = _spine(outline)
    theirs, radius = _spine(other)
    radius += my_radius
    corners = [(t[0] - m[0] - space.x, t[1] - m[1] - space.y) for m in mine for t in theirs]
    around = ((0, 1), (1, 3), (3, 2), (2, 0)) if len(corners) == 4 else ((0, len(corners) - 1),)
    lows, highs = [], []
    for one, two in around:
        (x0, y0), (x1, y1) = corners[one], corners[two]
        length = math.hypot(x1 - x0, y1 - y0)
        turn = math.atan2(y1 - y0, x1 - x0)
        grown = Stadium((x0 + x1) / 2, (y0 + y1) / 2, length + 2 * radius, 2 * radius, turn)
        low, high = grown.spans(axis, aside)
        lows.append(low[0])
        highs.append(high[0])
    return np.fmin.reduce(lows), np.fmax.reduce(highs)


def _spine(shape: Shape) -> tuple[list[Place], float]:
    """Ends of the straight middle of a round or flat body (one end if it is round) and its radius [m]."""
    if isinstance(shape, Circle):
        return [(shape.x, shape.y)], shape.radius
    half, radius, c, s = shape.spine
    return [(shape.x - half * c, shape.y - half * s), (shape.x + half * c, shape.y + half * s)], radius


def beyond_round(outline: Shape, space: Circle) -> float:
    """How far a round or flat body reaches out of a round space [m]; 0 when it lies inside."""
    ends, radius = _spine(outline)
    most = max(math.hypot(x - space.x, y - space.y) for x, y in ends) + radius - space.radius
    return most if most > 1e-9 else 0.0


def wrapped_perimeter(outlines: list[Shape]) -> float:
    """Length of a band stretched round bodies [m]."""
    return outlines[0].perimeter if len(outlines) == 1 else Polygon(tuple(band(outlines))).perimeter


def band(outlines: list[Shape], chords: int = 180) -> list[Place]:
    """Corners of a band stretched round bodies, counter-clockwise [m]; each outline is taken as so many ``chords``."""
    points = sorted({(float(x), float(y)) for outline in outlines for x, y in outline.outline(chords + 1)})
    hull: list[Place] = []
    for way in (points, points[::-1]):
        begin = len(hull)
        for point in way:
            while len(hull) >= begin + 2 and _turns_right(hull[-2], hull[-1], point):
                hull.pop()
            hull.append(point)
        hull.pop()
    return hull


def touching_groups(outlines: list[Shape], nearer: float) -> list[list[int]]:
    """Numbers of the round or flat bodies that lie less than ``nearer`` [m] apart, in groups of two and more."""
    group = list(range(len(outlines)))
    for later in range(len(outlines)):
        for earlier in range(later):
            if clearance(outlines[later], outlines[earlier]) < nearer:
                group = [group[earlier] if number == group[later] else number for number in group]
    members = [[number for number, of in enumerate(group) if of == one] for one in sorted(set(group))]
    return [found for found in members if len(found) > 1]


def clearance(one: Shape, other: Shape) -> float:
    """Clear distance between two round or flat bodies that do not overlap [m]."""
    (ends, radius), (other_ends, other_radius) = _spine(one), _spine(other)
    between = [_to_line(end, other_ends) for end in ends] + [_to_line(end, ends) for end in other_ends]
    return min(between) - radius - other_radius


def _to_line(point: Place, ends: list[Place]) -> float:
    """Distance of a point from the straight line between ``ends`` (one or two)."""
    (x0, y0), (x1, y1) = ends[0], ends[-1]
    length = (x1 - x0) ** 2 + (y1 - y0) ** 2
    along = 0.0 if length == 0 else ((point[0] - x0) * (x1 - x0) + (point[1] - y0) * (y1 - y0)) / length
    along = min(max(along, 0.0), 1.0)
    return math.dist(point, (x0 + along * (x1 - x0), y0 + along * (y1 - y0)))


def _turns_right(a: Place, b: Place, c: Place) -> bool:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) <= 0
