"""Where straight lines through a section enter or leave its air zones, to rounding: no marching, no bisection.

Air begins and ends only on outlines with air on one side of some piece; a line is cut where it crosses those, and the
stretches between cuts are air or not as a whole.
"""

from __future__ import annotations

import numpy as np

from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import outline_pieces
from ampsoak.scenario.shapes import Circle, Polygon, Rectangle, Shape, Stadium
from ampsoak.section.interfaces import parts_at

ASIDE = 1e-5  # of the smallest cell, that is looked off an outline for what lies beside it: wedges end in slivers
_ON_THE_LINE = 1e-12  # [m] behind its start a crossing still counts: a start may lie on an outline


class AirRays:
    """Lines through the air zones of a scenario.

    Parameters
    ----------
    scenario : Scenario
    zone_of_part : (n_parts,) int64    zone of each part, -1 for none
    finest : float                     smallest cell side [m]
    """

    def __init__(self, scenario: Scenario, zone_of_part: np.ndarray, finest: float):
        self.scenario, self.zone_of_part = scenario, zone_of_part
        self.shapes = [paint.shape for paint in scenario.paints if self._bounds_air(paint.shape, finest)]
        self.size = float(np.hypot(scenario.width, scenario.height))

    def _bounds_air(self, shape: Shape, finest: float) -> bool:
        middle, vector = outline_pieces(shape, finest)
        middle = onto_outline(shape, middle)
        away = ASIDE * finest * np.column_stack([vector[:, 1], -vector[:, 0]]) / np.hypot(*vector.T)[:, None]
        return bool(np.any((self.zone_at(*(middle + away).T) < 0) != (self.zone_at(*(middle - away).T) < 0)))

    def zone_at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Zone at each place (n,) [m], (n,) int64, -1 for none."""
        return self.zone_of_part[parts_at(self.scenario, x, y)]

    def first(self, x, y, direction_x, direction_y, reach, air: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distance along each line at which air begins (``air``) or ends, what zone is beyond, and whose outline that is.

        Parameters
        ----------
        x, y : (n,) float64                          starts [m]
        direction_x, direction_y : (n,) float64      unit vectors
        reach : (n,) float64                         how far each line goes [m]
        air : bool                                   True: first place that is air; False: first place that is not

        Returns
        -------
        distance : (n,) float64     [m], inf where there is none within reach
        zone : (n,) int64           zone beyond, -1 for none
        shape : (n,) int64          index into ``shapes`` of the outline crossed there, -1 at the start of a line
        """
        cuts = [crossings(shape, x, y, direction_x, direction_y) for shape in self.shapes]
        owner = np.concatenate([[-1], *(np.full(len(found), n) for n, found in enumerate(cuts))]).astype(np.int64)
        cut = np.concatenate([np.zeros((1, len(x))), *cuts])
        cut = np.where((cut > -_ON_THE_LINE) & (cut < reach), np.maximum(cut, 0.0), np.inf)
        order = cut.argsort(axis=0, kind="stable")
        cut = np.take_along_axis(cut, order, axis=0)
        # the stretch behind each cut ends at the next one or at the line's end
        stop = np.minimum(np.vstack([cut[1:], np.full((1, len(x)), np.inf)]), reach)
        number, line = np.nonzero((cut < np.inf) & (stop > cut))
        middle = (cut[number, line] + stop[number, line]) / 2
        zone = self.zone_at(x[line] + middle * direction_x[line], y[line] + middle * direction_y[line])
        wanted = (zone >= 0) == air
        # rows come in rising order, so that the first entry of a line is its nearest
        chosen, at = np.unique(line[wanted], return_index=True)
        row = number[wanted][at]
        distance, beyond = np.full(len(x), np.inf), np.full(len(x), -1, dtype=np.int64)
        shape = np.full(len(x), -1, dtype=np.int64)
        distance[chosen], beyond[chosen] = cut[row, chosen], zone[wanted][at]
        shape[chosen] = owner[order[row, chosen]]
        return distance, beyond, shape

    def normals(self, x: np.ndarray, y: np.ndarray, shape: np.ndarray, off: float) -> np.ndarray:
        """Unit normals into the air at places (n,) on the outlines of ``shape`` (n,), (n, 2); ``off`` [m] is a look aside."""
        normal = np.zeros((len(x), 2))
        for index in np.unique(shape):
            at = shape == index
            normal[at] = outward_normals(self.shapes[index], x[at], y[at])
        outside = self.zone_at(x + off * normal[:, 0], y + off * normal[:, 1]) >= 0
        return np.where(outside[:, None], normal, -normal)


def onto_outline(shape: Shape, place: np.ndarray) -> np.ndarray:
    """Middles of chords (n, 2) [m] moved onto the outline of ``shape`` itself."""
    if isinstance(shape, Circle | Stadium):
        half, radius, c, s = shape.spine if isinstance(shape, Stadium) else (0.0, shape.radius, 1.0, 0.0)
        along = np.clip((place - [shape.x, shape.y]) @ [c, s], -half, half)
        spine = np.array([shape.x, shape.y]) + along[:, None] * np.array([c, s])
        return spine + radius * outward_normals(shape, *place.T)
    return place


def outward_normals(shape: Shape, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Unit normals out of ``shape`` at places (n,) on its outline [m], (n, 2)."""
    if isinstance(shape, Circle | Stadium):
        half, _, c, s = shape.spine if isinstance(shape, Stadium) else (0.0, 0.0, 1.0, 0.0)
        u, v = x - shape.x, y - shape.y
        along = np.clip(u * c + v * s, -half, half)
        normal = np.column_stack([u - along * c, v - along * s])
        return normal / np.hypot(normal[:, 0], normal[:, 1])[:, None]
    starts, sides = _sides(shape)
    length = np.hypot(sides[:, 0], sides[:, 1])
    u, v = x[:, None] - starts[:, 0], y[:, None] - starts[:, 1]
    along = np.clip((u * sides[:, 0] + v * sides[:, 1]) / length**2, 0.0, 1.0)
    nearest = np.hypot(u - along * sides[:, 0], v - along * sides[:, 1]).argmin(axis=1)
    turn = np.sign(np.dot(starts[:, 0], sides[:, 1]) - np.dot(starts[:, 1], sides[:, 0]))  # 1 counter-clockwise
    return turn * np.column_stack([sides[:, 1], -sides[:, 0]])[nearest] / length[nearest, None]


def _sides(shape: Rectangle | Polygon) -> tuple[np.ndarray, np.ndarray]:
    """Starts and vectors of the sides of a straight-sided shape, (n, 2) each [m]."""
    starts = shape.outline()[:-1]
    return starts, np.roll(starts, -1, axis=0) - starts


def crossings(shape: Shape, x, y, direction_x, direction_y) -> np.ndarray:
    """Distances at which lines cross the outline of ``shape``, (k, n) [m], nan where they miss.

    A stadium is crossed as two circles and the rectangle between them; what of these lies inside it does no harm, since
    callers look at what lies between crossings.
    """
    if isinstance(shape, Circle):
        return _circle(shape.x, shape.y, shape.radius, x, y, direction_x, direction_y)
    if isinstance(shape, Stadium):
        half, radius, c, s = shape.spine
        ends = [(shape.x + side * half * c, shape.y + side * half * s) for side in (-1, 1)]
        starts = np.array([(ends[0][0] - out * s * radius, ends[0][1] + out * c * radius) for out in (-1, 1)])
        sides = np.array([(2 * half * c, 2 * half * s)] * 2)
        found = [_circle(*end, radius, x, y, direction_x, direction_y) for end in ends]
    else:
        starts, sides = _sides(shape)
        found = []
    found += [_side(*pair, x, y, direction_x, direction_y) for pair in zip(starts, sides, strict=True)]
    return np.concatenate(found)


def _circle(centre_x, centre_y, radius, x, y, direction_x, direction_y) -> np.ndarray:
    """Distances to a circle, (2, n)."""
    u, v = x - centre_x, y - centre_y
    along = u * direction_x + v * direction_y
    square = along**2 - (u**2 + v**2 - radius**2)
    root = np.sqrt(np.where(square > 0, square, np.nan))
    return np.stack([-along - root, -along + root])


def _side(start, side, x, y, direction_x, direction_y) -> np.ndarray:
    """Distances to a straight side, (1, n)."""
    side_x, side_y = side
    slant = direction_x * side_y - direction_y * side_x
    u, v = start[0] - x, start[1] - y
    length = np.hypot(side_x, side_y)
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (u * side_y - v * side_x) / slant
        share = (u * direction_y - v * direction_x) / slant
        # a hair beyond the ends counts, so that no line slips through a corner
        met = (np.abs(slant) > 1e-14 * length) & (share > -1e-12) & (share < 1 + 1e-12)
    return np.where(met, distance, np.nan)[None]
