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
        away = 0.02 * finest * np.column_stack([vector[:, 1], -vector[:, 0]]) / np.hypot(*vector.T)[:, None]
        return bool(np.any((self.zone_at(*(middle + away).T) < 0) != (self.zone_at(*(middle - away).T) < 0)))

    def zone_at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Zone at each place (n,) [m], (n,) int64, -1 for none."""
        return self.zone_of_part[parts_at(self.scenario, x, y)]

    def first(self, x, y, direction_x, direction_y, reach, air: bool) -> tuple[np.ndarray, np.ndarray]:
        """Distance along each line at which air begins (``air``) or ends, and the zone beyond.

        Parameters
        ----------
        x, y : (n,) float64                          starts [m]
        direction_x, direction_y : (n,) float64      unit vectors
        reach : (n,) float64                         how far each line goes [m]
        air : bool                                   True: first place that is air; False: first place that is not

        Returns
        -------
        distance : (n,) float64 [m], inf where there is none within reach;  zone : (n,) int64, -1 for none
        """
        cuts = [crossings(shape, x, y, direction_x, direction_y) for shape in self.shapes]
        cut = np.concatenate([np.zeros((1, len(x))), *cuts])
        cut = np.where((cut > -_ON_THE_LINE) & (cut < reach), np.maximum(cut, 0.0), np.inf)
        cut.sort(axis=0)
        # the stretch behind each cut ends at the next one or at the line's end
        stop = np.minimum(np.vstack([cut[1:], np.full((1, len(x)), np.inf)]), reach)
        number, line = np.nonzero(np.isfinite(cut))
        middle = (cut[number, line] + stop[number, line]) / 2
        zone = self.zone_at(x[line] + middle * direction_x[line], y[line] + middle * direction_y[line])
        wanted = ((zone >= 0) == air) & (stop[number, line] > cut[number, line])
        distance, beyond = np.full(len(x), np.inf), np.full(len(x), -1, dtype=np.int64)
        number, line, zone = number[wanted], line[wanted], zone[wanted]
        nearest = np.lexsort((number, line))
        chosen, at = np.unique(line[nearest], return_index=True)
        distance[chosen] = cut[number[nearest][at], chosen]
        beyond[chosen] = zone[nearest][at]
        return distance, beyond


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
        corners = [(u - out * s * radius, v + out * c * radius) for u, v in ends for out in (-1, 1)]
        sides = [(corners[0], corners[2]), (corners[1], corners[3])]
        found = [_circle(*end, radius, x, y, direction_x, direction_y) for end in ends]
        return np.concatenate([*found, *(_side(*side, x, y, direction_x, direction_y) for side in sides)])
    if isinstance(shape, Rectangle):
        left, bottom, right, top = shape.bounds
        corners = [(left, bottom), (right, bottom), (right, top), (left, top)]
    elif isinstance(shape, Polygon):
        corners = list(shape.points)
    else:
        raise TypeError(f"no crossings of {type(shape).__name__}")
    sides = zip(corners, corners[1:] + corners[:1], strict=True)
    return np.concatenate([_side(*side, x, y, direction_x, direction_y) for side in sides])


def _circle(centre_x, centre_y, radius, x, y, direction_x, direction_y) -> np.ndarray:
    """Distances to a circle, (2, n)."""
    u, v = x - centre_x, y - centre_y
    along = u * direction_x + v * direction_y
    square = along**2 - (u**2 + v**2 - radius**2)
    root = np.sqrt(np.where(square > 0, square, np.nan))
    return np.stack([-along - root, -along + root])


def _side(start, stop, x, y, direction_x, direction_y) -> np.ndarray:
    """Distances to a straight side, (1, n)."""
    side_x, side_y = stop[0] - start[0], stop[1] - start[1]
    slant = direction_x * side_y - direction_y * side_x
    u, v = start[0] - x, start[1] - y
    length = np.hypot(side_x, side_y)
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (u * side_y - v * side_x) / slant
        share = (u * direction_y - v * direction_x) / slant
        # a hair beyond the ends counts, so that no line slips through a corner
        met = (np.abs(slant) > 1e-14 * length) & (share > -1e-12) & (share < 1 + 1e-12)
    return np.where(met, distance, np.nan)[None]
