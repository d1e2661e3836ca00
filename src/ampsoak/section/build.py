"""From a resolved scenario to a section: grid lines, painted areas, outlines cut by the grid, conductors embedded.

Cells lie between grid lines; each holds one unknown at its *point*, which on growing cells sits off centre (grid.py).
The boxes between neighbouring points are called *elements*; conductances are made from elements, heat contents from
cells. Both are built from *quarters*, the pieces into which lines and points together cut the plane, so that straight
faces on grid lines are exact and every curved outline enters by its exact area, never as a staircase.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.scenario.case import Scenario
from ampsoak.scenario.shapes import Circle, Rectangle, Ring, Wedge
from ampsoak.section.air import AirSurfaces, air_surfaces, zone_parts
from ampsoak.section.contacts import ContactLinks, contact_links, resistance_at_ends
from ampsoak.section.grid import graded_lines, unknown_positions
from ampsoak.section.interfaces import interface_tensors
from ampsoak.section.kernels import paint_lines

CELLS_PER_DIAMETER = 5.0  # conductor diameters are resolved by at least this many cells
MOST_CELLS_PER_DIAMETER = 6.5  # thinner layers are left to the sub-cell treatment
CELLS_PER_TUBE = 24  # cells across curved outlines without a conductor in them, and across tubes
LINES_PER_QUARTER = 8
_SLIVER = 1e-9  # shares of a quarter under this are rounding
GROWTH = 1.3
CELLS_ACROSS = 10  # no cell is larger than the shorter side of the section over this


@dataclass(frozen=True)
class CutEdge:
    """Grid links that end on a conductor instead of at the next point.

    Parameters
    ----------
    axis : (n,) int64         0: link along x, 1: along y
    i, j : (n,) int64         cell at the lower end of the link
    upper : (n,) bool         False: the live point is the lower end, True: the upper end
    conductor : (n,) int64
    distance : (n,) float64   from the live point to the conductor along the link [m]
    """

    axis: np.ndarray
    i: np.ndarray
    j: np.ndarray
    upper: np.ndarray
    conductor: np.ndarray
    distance: np.ndarray


@dataclass(frozen=True)
class Section:
    """A painted, meshed section.

    Parameters
    ----------
    x_lines, y_lines : (nx + 1,), (ny + 1,) float64      cell borders [m]
    x_points, y_points : (nx,), (ny,) float64            where unknowns sit [m]
    quarter_area : (2 nx, 2 ny, n_parts) float64         painted area of each part in each quarter [m²]
    cell_area : (nx, ny, n_parts) float64                the same per cell [m²]
    interface : (nx + 1, ny + 1, 3) float64              weighted normals of the interfaces in each element
    contact : ContactLinks or None                       links that cross contact resistances
    contact_at_ends : (n_cut,) float64                   contact resistance at the ends of ``cut`` [K m/W]
    point_part : (nx, ny) int64                          part at each point
    point_conductor : (nx, ny) int64                     conductor that covers the point, -1 for none; air zones are
                                                         numbered after the conductors
    air : AirSurfaces or None                            surfaces of the air zones
    cut : CutEdge
    part_area_exact : (n_parts,) float64                 painted area resolved on a grid-independent fine set of lines [m²]
    scenario : Scenario
    """

    x_lines: np.ndarray
    y_lines: np.ndarray
    x_points: np.ndarray
    y_points: np.ndarray
    quarter_area: np.ndarray
    cell_area: np.ndarray
    interface: np.ndarray
    contact: ContactLinks | None
    contact_at_ends: np.ndarray
    point_part: np.ndarray
    point_conductor: np.ndarray
    cut: CutEdge
    air: AirSurfaces | None
    part_area_exact: np.ndarray
    scenario: Scenario

    @property
    def shape(self) -> tuple[int, int]:
        """(nx, ny)."""
        return len(self.x_points), len(self.y_points)

    @property
    def part_area_mesh(self) -> np.ndarray:
        """Area of each part as the mesh holds it, (n_parts,) [m²]."""
        return self.cell_area.sum(axis=(0, 1))

    def locate(self, x: float, y: float) -> tuple[int, int]:
        """Cell (i, j) that holds the place (x, y) [m]."""
        nx, ny = self.shape
        i = int(np.clip(np.searchsorted(self.x_lines, x, side="right") - 1, 0, nx - 1))
        j = int(np.clip(np.searchsorted(self.y_lines, y, side="right") - 1, 0, ny - 1))
        return i, j


class _Painting:
    """The painting order as spans, ready to be cut by any set of lines."""

    def __init__(self, scenario: Scenario):
        self.paints = scenario.paints
        self.parts = len(scenario.parts)

    def spans(self, axis: int, coordinate: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        lows, highs, parts = [np.empty((0, len(coordinate)))], [np.empty((0, len(coordinate)))], []
        for paint in self.paints:
            low, high = paint.shape.spans(axis, coordinate)
            lows.append(low)
            highs.append(high)
            parts.extend([paint.part] * len(low))
        return np.concatenate(lows), np.concatenate(highs), np.asarray(parts, dtype=np.int64)

    def amounts(self, axis, coordinate, weight, row, rows, column):
        low, high, part = self.spans(axis, coordinate)
        amount = np.zeros((rows, len(column) - 1, self.parts))
        paint_lines(low, high, part, 0, column, weight, row, amount)
        return amount

    def curved_bands(self, axis: int) -> list[tuple[float, float]]:
        """Intervals on the other axis in which some outline is not straight along ``axis``."""
        bands = []
        for paint in self.paints:
            if not isinstance(paint.shape, Rectangle):
                left, bottom, right, top = paint.shape.bounds
                bands.append((bottom, top) if axis == 0 else (left, right))
        return bands

    def ends(self, axis: int, first: float, last: float) -> list[float]:
        """Where shapes begin and end across lines along ``axis``, inside first..last [m]."""
        bounds = [paint.shape.bounds[1 - axis :: 2] for paint in self.paints]
        return [end for pair in bounds for end in pair if first < end < last]


def _interleave(lines: np.ndarray, points: np.ndarray) -> np.ndarray:
    quarters = np.empty(2 * len(points) + 1)
    quarters[0::2], quarters[1::2] = lines, points
    return quarters


def _quarter_areas(painting: _Painting, x_quarters: np.ndarray, y_quarters: np.ndarray) -> np.ndarray:
    """Area per quarter and part, (2 nx, 2 ny, n_parts): the mean of painting along x and along y."""
    total = 0.0
    for axis, along, across in ((0, x_quarters, y_quarters), (1, y_quarters, x_quarters)):
        # sides along the lines are met by a border between lines, so that straight sides are exact wherever they are
        strips = np.union1d(across, painting.ends(axis, across[0], across[-1]))
        size = np.diff(strips)
        fine = np.zeros(len(size), dtype=bool)
        for low, high in painting.curved_bands(axis):
            fine |= (strips[1:] > low) & (strips[:-1] < high)
        count = np.where(fine, LINES_PER_QUARTER, 1)
        strip = np.repeat(np.arange(len(size)), count)
        step = np.concatenate([(np.arange(n) + 0.5) / n for n in count])
        coordinate = strips[strip] + step * size[strip]
        row = np.searchsorted(across, coordinate) - 1
        amount = painting.amounts(axis, coordinate, (size / count)[strip], row, len(across) - 1, along)
        total = total + (amount.transpose(1, 0, 2) if axis == 0 else amount)
    return total / 2


def _mixed_elements(quarters: np.ndarray) -> np.ndarray:
    """Elements with a quarter in which parts meet, (nx + 1, ny + 1) bool; from (2 nx, 2 ny, n_parts)."""
    largest = np.maximum.reduce([quarters[..., part] for part in range(quarters.shape[-1])])
    mixed = np.pad(largest < (1 - _SLIVER) * (quarters @ np.ones(quarters.shape[-1])), 1)
    west, east = mixed[0::2], mixed[1::2]
    return west[:, 0::2] | east[:, 0::2] | west[:, 1::2] | east[:, 1::2]


@lru_cache(maxsize=1)
def _gauss_nodes() -> tuple[np.ndarray, np.ndarray]:
    return np.polynomial.legendre.leggauss(48)


def _exact_areas(painting: _Painting, width: float, height: float) -> np.ndarray:
    """Visible area of each part, (n_parts,) [m²], from lines placed without regard to the mesh."""
    stops = {0.0, height}
    for paint in painting.paints:
        _, bottom, _, top = paint.shape.bounds
        stops.update((min(max(bottom, 0.0), height), min(max(top, 0.0), height)))
    stops = np.array(sorted(stops))
    # Chebyshev-like spacing in each strip: outlines meet the strip's ends with a vertical tangent at worst
    node, gauss_weight = _gauss_nodes()
    angle = (node + 1) * np.pi / 2
    position, slope = (1 - np.cos(angle)) / 2, np.sin(angle) * np.pi / 4
    low, size = stops[:-1], np.diff(stops)
    coordinate = (low[:, None] + size[:, None] * position).ravel()
    weight = (size[:, None] * (gauss_weight * slope)).ravel()
    row = np.zeros(len(coordinate), dtype=np.int64)
    return painting.amounts(0, coordinate, weight, row, 1, np.array([0.0, width]))[0, 0]


def _focus(scenario: Scenario) -> tuple[list, list, float]:
    """Intervals to resolve along x and y as (low, high, size), and the finest size [m]."""
    limit = scenario.mesh.finest or np.inf
    curved = [paint.shape for paint in scenario.paints if not isinstance(paint.shape, Rectangle | Wedge)]
    boxes, sizes = [], []
    for conductor in scenario.conductors:
        left, bottom, right, top = conductor.shape.bounds
        diameter = min(right - left, top - bottom)
        size = diameter / CELLS_PER_DIAMETER
        if isinstance(conductor.shape, Ring):
            # no element may hold what lies on both sides of the wall
            size = min(diameter / CELLS_PER_TUBE, (conductor.shape.radius - conductor.shape.inner) / 1.5)
        for shape in curved:
            a, b, c, d = shape.bounds
            thickness = min(left - a, c - right, bottom - b, d - top)
            if 0 < thickness < diameter:
                size = min(size, max(thickness / 2, diameter / MOST_CELLS_PER_DIAMETER))
        size = min(size, limit)
        boxes.append((left, bottom, right, top))
        sizes.append(size)
    for shape in curved:
        left, bottom, right, top = shape.bounds
        inner = [
            size
            for (a, b, c, d), size in zip(boxes[: len(scenario.conductors)], sizes, strict=False)
            if a >= left - 1e-12 and b >= bottom - 1e-12 and c <= right + 1e-12 and d <= top + 1e-12
        ]
        span = min(right - left, top - bottom)
        size = span / CELLS_PER_TUBE
        if inner and span < 40 * min(inner):
            size = min(size, min(inner))
        boxes.append((left, bottom, right, top))
        sizes.append(min(max(size, min(inner, default=size)), limit))
    margin = [0.5 * size for size in sizes]
    x = [(box[0] - m, box[2] + m, s) for box, m, s in zip(boxes, margin, sizes, strict=True)]
    y = [(box[1] - m, box[3] + m, s) for box, m, s in zip(boxes, margin, sizes, strict=True)]
    finest = min(sizes, default=min(limit, min(scenario.width, scenario.height) / 40))
    if not boxes:
        x = [(0.0, scenario.width, finest)]
        y = [(0.0, scenario.height, finest)]
    return x, y, finest


def _straight_borders(scenario: Scenario) -> tuple[list[float], list[float]]:
    x, y = [], []
    for paint in scenario.paints:
        if isinstance(paint.shape, Rectangle):
            x += [paint.shape.left, paint.shape.right]
            y += [paint.shape.bottom, paint.shape.top]
    for boundary in scenario.boundaries:
        (y if boundary.edge in ("left", "right") else x).extend([boundary.start, boundary.stop])
    return x, y


def section_lines(scenario: Scenario) -> tuple[np.ndarray, np.ndarray]:
    """Return the grid lines (nx + 1,), (ny + 1,) [m] that ``build_section`` uses for the scenario."""
    focus_x, focus_y, _ = _focus(scenario)
    border_x, border_y = _straight_borders(scenario)
    growth = scenario.mesh.growth or GROWTH
    coarsest = scenario.mesh.coarsest or min(scenario.width, scenario.height) / CELLS_ACROSS
    return (
        graded_lines(scenario.width, border_x, focus_x, growth, coarsest),
        graded_lines(scenario.height, border_y, focus_y, growth, coarsest),
    )


def _spacing_near(points: np.ndarray, centre: float, reach: float) -> float:
    """Median distance between the points within ``reach`` of ``centre``; of the two around it where there are none."""
    first, last = np.searchsorted(points, [centre - reach, centre + reach])
    if last - first < 2:
        first = min(max(first - 1, 0), len(points) - 2)
        last = first + 2
    return float(np.median(np.diff(points[first:last])))


def _link_outlines(scenario: Scenario, x: np.ndarray, y: np.ndarray) -> list:
    """Outline of each conductor as links see it, a hair larger than the real one.

    A link that ends on a conductor keeps its full width although its cell is shorter there, which keeps the matrix
    symmetric but makes a round conductor of radius R act smaller by cell² / (24 R) on average: on a field u the link's
    balance errs by (distance - cell) / 2 u'', which averages to cell² / 12 u'' over all distances, and u'' along the
    grid directions averages to half the curvature term 1 / R² of a logarithmic field.
    """
    outlines = []
    for conductor in scenario.conductors:
        shape = conductor.shape
        if isinstance(shape, Circle):
            cell = [_spacing_near(points, centre, 1.5 * shape.radius) for points, centre in ((x, shape.x), (y, shape.y))]
            shape = Circle(shape.x, shape.y, shape.radius + np.mean(np.square(cell)) / (24 * shape.radius))
        elif isinstance(shape, Ring):  # seen from inside the sign of the curvature turns, and the side with it
            x_size, y_size = _spacing_near(x, shape.x, shape.radius), _spacing_near(y, shape.y, shape.radius)
            square = (x_size**2 + y_size**2) / 48
            shape = Ring(shape.x, shape.y, shape.radius + square / shape.radius, shape.inner + square / shape.inner)
        outlines.append(shape)
    return outlines


def _point_parts(
    scenario: Scenario, x: np.ndarray, y: np.ndarray, outlines: list
) -> tuple[np.ndarray, np.ndarray]:
    part = np.zeros((len(x), len(y)), dtype=np.int64)
    for paint in scenario.paints:
        left, bottom, right, top = paint.shape.bounds
        i0, i1 = np.searchsorted(x, [left, right])
        j0, j1 = np.searchsorted(y, [bottom, top])
        if i1 > i0 and j1 > j0:
            window = part[i0:i1, j0:j1]
            window[paint.shape.contains(x[i0:i1, None], y[None, j0:j1])] = paint.part
    owner = np.full(part.shape, -1, dtype=np.int64)
    for index, shape in enumerate(outlines):
        owner[shape.contains(x[:, None], y[None, :])] = index
    for number, zone in enumerate(zone_parts(scenario)):
        owner[(part == zone) & (owner < 0)] = len(outlines) + number
    return part, owner


def _cut_links(outlines: list, x: np.ndarray, y: np.ndarray, covered: np.ndarray) -> CutEdge:
    """Find the links between neighbouring points that a conductor outline cuts, with exact distances."""
    found = {name: [] for name in ("axis", "i", "j", "upper", "conductor", "distance")}
    for index, outline in enumerate(outlines):
        for axis, along, across in ((0, x, y), (1, y, x)):
            lows, highs = outline.spans(axis, across)
            for low, high in zip(lows, highs, strict=True):
                for line in np.flatnonzero(~np.isnan(low)):
                    before = np.searchsorted(along, low[line], side="left") - 1  # last point below the conductor
                    after = np.searchsorted(along, high[line], side="right")  # first point above it
                    for point, upper, distance in (
                        (before, False, low[line] - along[before] if before >= 0 else 0.0),
                        (after, True, along[after] - high[line] if after < len(along) else 0.0),
                    ):
                        if 0 <= point < len(along):
                            i, j = (point, line) if axis == 0 else (line, point)
                            if covered[i, j] < 0:
                                low_end = point - 1 if upper else point
                                found["axis"].append(axis)
                                found["i"].append(low_end if axis == 0 else line)
                                found["j"].append(line if axis == 0 else low_end)
                                found["upper"].append(upper)
                                found["conductor"].append(index)
                                found["distance"].append(max(distance, 0.0))
    types = {"upper": bool, "distance": float}
    return CutEdge(**{name: np.asarray(value, dtype=types.get(name, np.int64)) for name, value in found.items()})


def _without_air(cut: CutEdge, air: AirSurfaces | None) -> CutEdge:
    """``cut`` without the links that meet open air on their way to the conductor: they end on a surface instead."""
    if air is None:
        return cut
    met = set(zip(air.axis, air.i, air.j, air.upper, strict=True))
    kept = [link not in met for link in zip(cut.axis, cut.i, cut.j, cut.upper, strict=True)]
    return CutEdge(**{name: getattr(cut, name)[kept] for name in ("axis", "i", "j", "upper", "conductor", "distance")})


def _refuse_touching_conductors(scenario: Scenario, owner: np.ndarray, finest: float) -> None:
    """Refuse two conductors that lie so close that no mesh point lies between them."""
    count = len(scenario.conductors)
    for one, other in ((owner[1:], owner[:-1]), (owner[:, 1:], owner[:, :-1])):
        close = (one >= 0) & (other >= 0) & (one < count) & (other < count) & (one != other)
        if close.any():
            names = [scenario.conductors[side[close][0]].name for side in (one, other)]
            raise NumericalError(
                f"conductors {' and '.join(sorted(names))} lie so close that no mesh point lies between them; "
                f"set mesh.finest to less than {1e3 * finest:.2g} mm, or part them"
            )


def build_section(scenario: Scenario, lines: tuple[np.ndarray, np.ndarray] | None = None) -> Section:
    """Mesh and paint the scenario's section.

    Parameters
    ----------
    scenario : Scenario
    lines : pair of arrays or None    own grid lines (nx + 1,), (ny + 1,) [m]; None for the automatic ones

    Returns
    -------
    Section

    Raises
    ------
    NumericalError    a conductor is smaller than the cells around it
    """
    x_lines, y_lines = section_lines(scenario) if lines is None else lines
    x_points, y_points = unknown_positions(x_lines), unknown_positions(y_lines)
    painting = _Painting(scenario)
    quarters = _quarter_areas(painting, _interleave(x_lines, x_points), _interleave(y_lines, y_points))
    nx, ny = len(x_points), len(y_points)
    cell_area = quarters.reshape(nx, 2, ny, 2, -1).sum(axis=(1, 3))
    finest = float(min(np.diff(x_lines).min(), np.diff(y_lines).min()))
    outlines = _link_outlines(scenario, x_points, y_points)
    point_part, point_conductor = _point_parts(scenario, x_points, y_points, outlines)
    _refuse_touching_conductors(scenario, point_conductor, finest)
    for index, conductor in enumerate(scenario.conductors):
        inside = int((point_conductor == index).sum())
        if inside < 4 and not isinstance(conductor.shape, Ring):
            raise NumericalError(
                f"conductor {conductor.name}: only {inside} mesh points lie inside it; "
                f"set mesh.finest to at most {1e3 * np.sqrt(conductor.shape.area) / 4:.3g} mm"
            )
    cut = _cut_links(outlines, x_points, y_points, point_conductor)
    widths = np.diff(x_lines), np.diff(y_lines)
    air = air_surfaces(scenario, x_points, y_points, point_conductor, widths, cut)
    cut = _without_air(cut, air)
    contact = contact_links(scenario, x_points, y_points, widths, point_part)
    mixed = _mixed_elements(quarters)
    if contact is not None:
        mixed |= contact.touched
    return Section(
        x_lines=x_lines,
        y_lines=y_lines,
        x_points=x_points,
        y_points=y_points,
        quarter_area=quarters,
        cell_area=cell_area,
        interface=interface_tensors(scenario, x_points, y_points, finest, mixed),
        contact=contact,
        contact_at_ends=resistance_at_ends(scenario, cut, x_points, y_points, widths),
        point_part=point_part,
        point_conductor=point_conductor,
        cut=cut,
        air=air,
        part_area_exact=_exact_areas(painting, scenario.width, scenario.height),
        scenario=scenario,
    )
