"""Surfaces of open-air zones: where solids meet the air, which way they face, and how they see each other.

An air zone is a region that convects: its points carry one well-mixed air temperature. Every grid link from a solid into
the zone ends on the solid's surface at the exact distance; the surface passes heat on by a film and by grey radiation.
Links along x and along y share the surface: a link of width w on a surface whose normal makes an angle a with the link
stands for w cos a of it, and these shares are scaled so that each surface has its exact length. Bare conductors are
surfaces by themselves (``metal_surfaces.py``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.library.materials import USUAL_EMISSIVITY
from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import outline_pieces
from ampsoak.scenario.shapes import Circle, Stadium, Wrap
from ampsoak.section.interfaces import parts_at
from ampsoak.section.metal_surfaces import BARE, SurfacePoints, bare_points, through_coatings
from ampsoak.section.rays import ASIDE, AirRays, onto_outline
from ampsoak.section.views import split_into_patches, view_factors

_UP = {"down": (0.0, 1.0), "left": (1.0, 0.0)}
_BODIES = (Circle, Stadium, Wrap)  # convect all round
_ROUND = ("cylinder", "vertical_cylinder", "hollow", "upright_hollow")
_ROUND_SIDE, _HOLLOW_SIDE = 0, 3  # beside the four ways in which straight faces look
_UNSEEN = 8  # cells along which a surface may go missing: corners of wedges and the like
_LEAST_SIZE = 1e-3  # [m]


@dataclass(frozen=True)
class AirSurfaces:
    """Everything the heat model needs of the air zones of a section.

    Parameters
    ----------
    zone_parts : (n_zones,) int64                  part of each zone
    axis, i, j : (n,) int64                        link, by its lower cell; -1, -1 where a conductor is the surface itself
    upper : (n,) bool                              True where the solid is at the upper end of the link
    conductor : (n,) int64                         conductor that is the surface, -1 where a cell is
    distance : (n,) float64                        from the solid's point to its surface along the link [m]
    layer : (n,) float64                           conductance from a conductor to its surface [W/(m² K)], 0 where a cell
                                                   is the solid
    area : (n,) float64                            surface that the link stands for [m² per m]
    zone, group, patch : (n,) int64
    group_zone : (n_groups,) int64
    group_form : list of str                       "cylinder", "vertical_cylinder", "hollow" or "upright_hollow" (air in a
                                                   round space), "vertical", "up" or "down" (which way a face looks)
    group_size : (n_groups,) float64               diameter, height or area over perimeter [m]
    group_names : list of str
    patch_area, patch_emissivity : (n_patches,)    [m], [1]; emissivity 0 where the film law holds the radiation
    exchange : (n_patches, n_patches) float64      irradiation of patch i per emissive power of patch j
    ambient_view : (n_patches,) float64            irradiation of patch i per emissive power of the open surroundings
    """

    zone_parts: np.ndarray
    axis: np.ndarray
    i: np.ndarray
    j: np.ndarray
    upper: np.ndarray
    conductor: np.ndarray
    distance: np.ndarray
    layer: np.ndarray
    area: np.ndarray
    zone: np.ndarray
    group: np.ndarray
    patch: np.ndarray
    group_zone: np.ndarray
    group_form: list
    group_size: np.ndarray
    group_names: list
    patch_area: np.ndarray
    patch_emissivity: np.ndarray
    exchange: np.ndarray
    ambient_view: np.ndarray


def zone_parts(scenario: Scenario) -> np.ndarray:
    """Parts that are air zones, (n_zones,) int64."""
    return np.array([index for index, part in enumerate(scenario.parts) if part.air is not None], dtype=np.int64)


def _links(x, y, owner, conductors: int):
    """Links that may look from a solid into a zone: arrays axis, i, j, upper, start x, y, end x, y, and the conductor that
    each begins in, -1 for none."""
    found = []
    metal = (owner >= 0) & (owner < conductors)
    for axis in (0, 1):
        low = owner[:-1] if axis == 0 else owner[:, :-1]
        high = owner[1:] if axis == 0 else owner[:, 1:]
        in_metal = (metal[:-1], metal[1:]) if axis == 0 else (metal[:, :-1], metal[:, 1:])
        i, j = np.indices(low.shape)
        # a link is of interest when one end is solid and the other air, or when both are solid and air lies between
        mixed = (low < 0) != (high < 0)
        both = (low < 0) & (high < 0)
        for upper, solid, begins, ends in ((False, low < 0, *in_metal), (True, high < 0, *in_metal[::-1])):
            chosen = (mixed & solid) | both | (begins & ~ends & ~mixed)
            ci, cj = i[chosen], j[chosen]
            here = (x[ci + (upper and axis == 0)], y[cj + (upper and axis == 1)])
            there = (x[ci + (not upper and axis == 0)], y[cj + (not upper and axis == 1)])
            of = np.where(begins, high if upper else low, -1)[chosen]
            found.append((np.full(len(ci), axis), ci, cj, np.full(len(ci), upper), *here, *there, of))
    return [np.concatenate(column) for column in zip(*found, strict=True)]


def _side(normal: np.ndarray) -> np.ndarray:
    """Which way normals (n, 2) look, by their larger component: -1 left, 1 right, -2 down, 2 up."""
    level = np.abs(normal[:, 0]) > np.abs(normal[:, 1])
    return np.where(level, np.sign(normal[:, 0]), 2 * np.sign(normal[:, 1])).astype(int)


def _form(scenario: Scenario, part: int, points: SurfacePoints, zone_part: int) -> tuple[str, float]:
    """Film form and size [m] of the surface of ``part`` with ``points`` on it."""
    air = scenario.parts[zone_part].air
    if points.hollow.any():
        return ("upright_hollow" if air.gravity == "along" else "hollow"), float(points.hollow.max())
    rounded = [p.shape for p in scenario.paints if p.part == part and isinstance(p.shape, _BODIES)]
    if rounded:
        body = rounded[-1]
        for wrap in (p.shape for p in scenario.paints if isinstance(p.shape, Wrap) and not isinstance(body, Wrap)):
            if wrap.contains(body.x, body.y):
                body = wrap  # bodies that touch have one boundary layer
                break
        return ("vertical_cylinder" if air.gravity == "along" else "cylinder"), body.perimeter / np.pi
    if air.gravity == "along":
        return "vertical", air.height
    up_x, up_y = _UP[air.gravity]
    upward = points.normal.mean(axis=0) @ (up_x, up_y)
    tall, wide = (np.max(at + points.area / 2) - np.min(at - points.area / 2) for at in (points.y, points.x))
    if up_x:
        tall, wide = wide, tall
    if abs(upward) < np.sqrt(0.5):
        return "vertical", max(tall, _LEAST_SIZE)
    return ("up" if upward > 0 else "down"), max(wide / 2, _LEAST_SIZE)


def air_surfaces(
    scenario: Scenario, x: np.ndarray, y: np.ndarray, owner: np.ndarray, widths, cut=None
) -> AirSurfaces | None:
    """Find the surfaces of all air zones.

    Parameters
    ----------
    scenario : Scenario
    x, y : (nx,), (ny,) float64    unknown positions [m]
    owner : (nx, ny) int64         conductor or zone that covers each point, -1 for none
    widths : pair of (n,) float64  cell sizes along x and y [m]
    cut : CutEdge or None          links that end on conductors: what they would meet beyond is none of theirs

    Returns
    -------
    AirSurfaces, or None where the scenario has no air zone

    Raises
    ------
    NumericalError    a part that meets open air is too thin for any mesh point
    """
    parts = zone_parts(scenario)
    if not len(parts):
        return None
    zone_of_part = np.full(len(scenario.parts), -1, dtype=np.int64)
    zone_of_part[parts] = np.arange(len(parts))
    finest = min(widths[0].min(), widths[1].min())
    rays = AirRays(scenario, zone_of_part, finest)
    points = _grid_points(scenario, rays, x, y, owner, widths, cut, finest)
    points = SurfacePoints.joined([points, bare_points(scenario, rays, finest)])
    rounded = {p.part for p in scenario.paints if isinstance(p.shape, _BODIES)}
    side = np.where(np.isin(points.solid, list(rounded)), _ROUND_SIDE, _side(points.normal))
    side[points.hollow > 0] = _HOLLOW_SIDE
    keys, group = np.unique(np.column_stack([points.zone, points.solid, side]), axis=0, return_inverse=True)
    group = group.ravel()
    forms, sizes = [], []
    for number, (z, part, _) in enumerate(keys):
        form, size = _form(scenario, part, points.chosen(group == number), parts[z])
        forms.append(form)
        sizes.append(size)
    area = _exact_lengths(scenario, zone_of_part, points.area, group, keys, finest)
    curved = np.array([form in _ROUND for form in forms])
    patch, patch_group = split_into_patches(points.x, points.y, group, curved)
    emissivity = _emissivities(scenario, parts, keys, forms)[patch_group]
    is_open = np.array([scenario.parts[part].air.temperature is not None for part in parts])
    view, ambient = view_factors(rays, points.x, points.y, points.normal, area, points.zone, patch, is_open)
    reflected = np.linalg.inv(np.eye(len(patch_group)) - (1 - emissivity)[:, None] * view)
    patch_area = np.bincount(patch, area)
    rows, area = _one_per_patch(points, patch, area, patch_area)
    points = points.chosen(rows)
    # irradiation H = F J + f_ambient e_ambient with radiosity J = (I - (1 - e) F)^-1 (e E + (1 - e) f_ambient e_ambient)
    return AirSurfaces(
        zone_parts=parts, axis=points.axis, i=points.i, j=points.j, upper=points.upper, conductor=points.conductor,
        distance=points.distance, layer=points.layer, area=area, zone=points.zone, group=group[rows], patch=patch[rows],
        group_zone=keys[:, 0].copy(), group_form=forms, group_size=np.asarray(sizes),
        group_names=[scenario.parts[part].name for part in keys[:, 1]], patch_area=patch_area,
        patch_emissivity=emissivity, exchange=view @ reflected * emissivity[None, :],
        ambient_view=ambient + view @ reflected @ ((1 - emissivity) * ambient),
    )  # fmt: skip


def _grid_points(scenario, rays, x, y, owner, widths, cut, finest) -> SurfacePoints:
    """Where grid links meet air: links from solid cells, and from conductors through coatings without a point."""
    conductors = len(scenario.conductors)
    axis, i, j, upper, hx, hy, tx, ty, of = _links(x, y, owner, conductors)
    length = np.abs(tx - hx) + np.abs(ty - hy)
    way_x, way_y = (tx - hx) / length, (ty - hy) / length
    distance, zone, shape = rays.first(hx, hy, way_x, way_y, length, air=True)
    keep = np.isfinite(distance) & (shape >= 0) & (distance < _up_to(cut, axis, i, j, upper))
    axis, i, j, upper, distance, zone, shape, hx, hy, way_x, way_y, of = (
        a[keep] for a in (axis, i, j, upper, distance, zone, shape, hx, hy, way_x, way_y, of)
    )
    sx, sy = hx + distance * way_x, hy + distance * way_y
    hair = ASIDE * finest
    normal = rays.normals(sx, sy, shape, hair)
    solid = parts_at(scenario, sx - hair * normal[:, 0], sy - hair * normal[:, 1])
    across = np.where(axis == 0, widths[1][j + (upper & (axis == 1))], widths[0][i + (upper & (axis == 0))])
    area = across * np.abs(np.where(axis == 0, normal[:, 0], normal[:, 1]))
    none = np.full(len(axis), -1)
    points = SurfacePoints(
        x=sx, y=sy, normal=normal, area=area, zone=zone, solid=solid,
        hollow=_hollow(rays.shapes, shape, sx + hair * normal[:, 0], sy + hair * normal[:, 1]),
        axis=axis, i=i, j=j, upper=upper, distance=distance, conductor=none, layer=np.zeros(len(axis)),
    )  # fmt: skip
    # a bare conductor is its own surface, whatever the mesh beside it
    bare = np.isin(solid, [conductor.part for conductor in scenario.conductors])
    cells, metal = np.flatnonzero(~bare & (of < 0)), np.flatnonzero(~bare & (of >= 0))
    coated = through_coatings(scenario, points.chosen(metal), np.column_stack([hx, hy])[metal], of[metal])
    return SurfacePoints.joined([points.chosen(cells), coated])


def _up_to(cut, axis, i, j, upper) -> np.ndarray:
    """How far along each link (n,) its conductor lies [m], inf where it ends on none."""
    reach = np.full(len(axis), np.inf)
    if cut is not None and len(cut.axis):
        first, last = min(cut.i.min(), cut.j.min()), 1 + max(i.max(initial=0), j.max(initial=0), cut.i.max(), cut.j.max())
        span = last - first

        def number(axis, i, j, upper):
            return ((axis * span + i - first) * span + j - first) * 2 + upper

        known = number(cut.axis, cut.i, cut.j, cut.upper)
        order = np.argsort(known)
        asked = number(axis, i, j, upper)
        place = order[np.minimum(np.searchsorted(known[order], asked), len(order) - 1)]
        reach = np.where(known[place] == asked, cut.distance[place], np.inf)
    return reach


def _hollow(shapes, shape, x, y) -> np.ndarray:
    """Diameter of the round outlines that hold air at places (n,) just off them, else 0 [m]."""
    hollow = np.zeros(len(x))
    for number in np.unique(shape):
        at = shape == number
        if isinstance(shapes[number], Circle | Stadium):
            hollow[at] = np.where(shapes[number].contains(x[at], y[at]), shapes[number].perimeter / np.pi, 0.0)
    return hollow


def _one_per_patch(points: SurfacePoints, patch, area, patch_area) -> tuple[np.ndarray, np.ndarray]:
    """Points to keep and their areas: a bare conductor is as hot all over, so that one stands for each patch of it."""
    bare = np.flatnonzero(points.layer == BARE)
    _, first = np.unique(patch[bare], return_index=True)
    others = np.flatnonzero(points.layer != BARE)
    area = area.copy()
    area[bare[first]] = patch_area[patch[bare[first]]]
    rows = np.sort(np.concatenate([others, bare[first]]))
    return rows, area[rows]


def _emissivities(scenario: Scenario, parts, keys, forms) -> np.ndarray:
    """Emissivity of each surface, (n_groups,); 0 for cylinders under the law of IEC 60287, which holds the radiation."""
    given = [scenario.parts[part].material.emissivity for part in keys[:, 1]]
    emissivity = np.array([USUAL_EMISSIVITY if value is None else value.typical for value in given])
    standard = np.array([scenario.parts[parts[z]].air.law == "iec_60287" for z in keys[:, 0]])
    return np.where(standard & np.array([form.endswith("cylinder") for form in forms]), 0.0, emissivity)


def _exact_lengths(scenario, zone_of_part, area, group, keys, finest):
    """Scale the link areas of each surface to the visible length of its outlines."""
    found = []
    for paint in scenario.paints:
        middle, vector = outline_pieces(paint.shape, finest / 4)
        middle = onto_outline(paint.shape, middle)
        length = np.hypot(vector[:, 0], vector[:, 1])
        normal = np.column_stack([vector[:, 1], -vector[:, 0]]) / length[:, None]
        length *= paint.shape.perimeter / length.sum()  # of the outline, not of its chords
        away = ASIDE * finest * normal
        inside_box = (
            (middle[:, 0] > 1e-9) & (middle[:, 0] < scenario.width - 1e-9)
            & (middle[:, 1] > 1e-9) & (middle[:, 1] < scenario.height - 1e-9)
        )  # fmt: skip
        for sign in (1.0, -1.0):
            air = middle + sign * away
            one, other = parts_at(scenario, *air.T), parts_at(scenario, *(middle - sign * away).T)
            at = (zone_of_part[one] >= 0) & (zone_of_part[other] < 0) & inside_box
            round_ = isinstance(paint.shape, Circle | Stadium)
            hollow = paint.shape.contains(*air.T) if round_ else np.zeros(len(middle), bool)
            found.append(np.column_stack([zone_of_part[one], other, _side(sign * normal), length, hollow])[at])
    zone, solid, side, length, hollow = np.concatenate(found).T
    scaled = area.copy()
    for number, key in enumerate(keys):
        members = group == number
        mine = (zone == key[0]) & (solid == key[1]) & (hollow == (key[2] == _HOLLOW_SIDE))
        exact = length[mine & (side == key[2] if key[2] not in (_ROUND_SIDE, _HOLLOW_SIDE) else True)].sum()
        # two outlines may coincide and be counted twice: a scale far from one is then not a length but a mistake
        total = area[members].sum()
        if total > 0 and 0.8 < exact / total < 1.25:
            scaled[members] *= exact / total
    _refuse_unseen(scenario, zone, solid, length, keys, finest)
    return scaled


def _refuse_unseen(scenario, zone, solid, length, keys, finest) -> None:
    """Refuse parts that meet air without any mesh point to tell: their surface would be missing."""
    known = {(int(z), int(part)) for z, part, _ in keys}
    for z, part in np.unique(np.column_stack([zone, solid]), axis=0).astype(int):
        seen = length[(zone == z) & (solid == part)].sum()
        if (int(z), int(part)) not in known and seen > _UNSEEN * finest:
            raise NumericalError(
                f"part {scenario.parts[part].name} meets open air along {1e3 * seen:.3g} mm, but is too thin for any mesh "
                f"point; set mesh.finest to less than {1e3 * finest:.2g} mm, or leave it out"
            )
