"""Surfaces of open-air zones: where solids meet the air, which way they face, and how they see each other.

An air zone is a region that convects: its points carry one well-mixed air temperature. Every grid link from a solid into
the zone ends on the solid's surface at the exact distance; the surface passes heat on by a film and by grey radiation.
Links along x and along y share the surface: a link of width w on a surface whose normal makes an angle a with the link
stands for w cos a of it, and these shares are scaled so that each surface has its exact length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ampsoak.scenario.case import Scenario
from ampsoak.scenario.shapes import Rectangle
from ampsoak.section.interfaces import outline_pieces, parts_at

_LOOKS = 48  # samples along a link to find the surface before bisection
_BISECTIONS = 30
_RING = 128  # directions round a surface point that tell its normal
_RAYS = 400  # rays per patch, cosine weighted
_BOUNCES = 12  # mirror reflections at section edges before a ray is given up


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
    area : (n,) float64                            surface that the link stands for [m² per m]
    zone, group, patch : (n,) int64
    group_zone : (n_groups,) int64
    group_form : list of str                       "cylinder", "vertical_cylinder", "vertical", "up" or "down"
                                                   (which way the solid's face looks)
    group_size : (n_groups,) float64               diameter, height or area over perimeter [m]
    group_names : list of str
    patch_area, patch_emissivity : (n_patches,)    [m], [1]
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


def _links(x, y, owner, zone_of_part, scenario):
    """Link ends that look into a zone: arrays axis, i, j, upper, solid x, y and far x, y."""
    found = []
    for axis in (0, 1):
        low = owner[:-1] if axis == 0 else owner[:, :-1]
        high = owner[1:] if axis == 0 else owner[:, 1:]
        i, j = np.indices(low.shape)
        # a link is of interest when one end is solid and the other air, or when both are solid and air lies between
        mixed = (low < 0) != (high < 0)
        both = (low < 0) & (high < 0)
        for upper, solid in ((False, low < 0), (True, high < 0)):
            chosen = (mixed & solid) | both
            ci, cj = i[chosen], j[chosen]
            here = (x[ci + (upper and axis == 0)], y[cj + (upper and axis == 1)])
            there = (x[ci + (not upper and axis == 0)], y[cj + (not upper and axis == 1)])
            found.append((np.full(len(ci), axis), ci, cj, np.full(len(ci), upper), *here, *there))
    return [np.concatenate(column) for column in zip(*found, strict=True)]


def _surface_points(scenario, zone_of_part, hx, hy, tx, ty):
    """Share of each link at which air begins, nan where none is met; and the zone met."""
    share = (np.arange(_LOOKS) + 1.0) / _LOOKS
    count = len(hx)
    px = hx[:, None] + share * (tx - hx)[:, None]
    py = hy[:, None] + share * (ty - hy)[:, None]
    zone = zone_of_part[parts_at(scenario, px.ravel(), py.ravel())].reshape(count, _LOOKS)
    met = zone >= 0
    first = met.argmax(axis=1)
    any_met = met.any(axis=1)
    low, high = np.where(first > 0, share[first - 1], 0.0), share[first]
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        inside = zone_of_part[parts_at(scenario, hx + middle * (tx - hx), hy + middle * (ty - hy))] >= 0
        high, low = np.where(inside, middle, high), np.where(inside, low, middle)
    return np.where(any_met, (low + high) / 2, np.nan), zone[np.arange(count), first]


def _normals(scenario, zone_of_part, x, y, radius):
    """Unit normals into the air at surface points, (n, 2), from which part of a small ring round them is air."""
    angle = 2 * np.pi * (np.arange(_RING) + 0.5) / _RING
    ring_x, ring_y = x[:, None] + radius * np.cos(angle), y[:, None] + radius * np.sin(angle)
    air = zone_of_part[parts_at(scenario, ring_x.ravel(), ring_y.ravel())].reshape(len(x), _RING) >= 0
    normal = np.column_stack([(air * np.cos(angle)).sum(axis=1), (air * np.sin(angle)).sum(axis=1)])
    return normal / np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-12)[:, None]


def _form(scenario, part, normal, zone_part, bounds):
    """Film form and size [m] of the surface of ``part`` with mean ``normal`` into the air."""
    air = scenario.parts[zone_part].air
    curved = [paint.shape for paint in scenario.paints if paint.part == part and not isinstance(paint.shape, Rectangle)]
    if curved:
        return ("vertical_cylinder" if air.gravity == "along" else "cylinder"), curved[-1].perimeter / np.pi
    left, bottom, right, top = bounds
    if air.gravity == "along":
        return "vertical", air.height
    if abs(normal[0]) > abs(normal[1]):
        return "vertical", max(top - bottom, 1e-3)
    return ("up" if normal[1] > 0 else "down"), max((right - left) / 2, 1e-3)


def air_surfaces(scenario: Scenario, x: np.ndarray, y: np.ndarray, owner: np.ndarray, widths) -> AirSurfaces | None:
    """Find the surfaces of all air zones.

    Parameters
    ----------
    scenario : Scenario
    x, y : (nx,), (ny,) float64    unknown positions [m]
    owner : (nx, ny) int64         conductor or zone that covers each point, -1 for none
    widths : pair of (n,) float64  cell sizes along x and y [m]

    Returns
    -------
    AirSurfaces, or None where the scenario has no air zone
    """
    parts = zone_parts(scenario)
    if not len(parts):
        return None
    zone_of_part = np.full(len(scenario.parts), -1, dtype=np.int64)
    zone_of_part[parts] = np.arange(len(parts))
    axis, i, j, upper, hx, hy, tx, ty = _links(x, y, owner, zone_of_part, scenario)
    share, zone = _surface_points(scenario, zone_of_part, hx, hy, tx, ty)
    keep = np.isfinite(share)
    axis, i, j, upper, hx, hy, tx, ty = (a[keep] for a in (axis, i, j, upper, hx, hy, tx, ty))
    share, zone = share[keep], zone[keep]
    sx, sy = hx + share * (tx - hx), hy + share * (ty - hy)
    finest = min(widths[0].min(), widths[1].min())
    normal = _normals(scenario, zone_of_part, sx, sy, 0.1 * finest)
    solid = parts_at(scenario, sx - 0.05 * finest * normal[:, 0], sy - 0.05 * finest * normal[:, 1])
    across = np.where(axis == 0, widths[1][j + (upper & (axis == 1))], widths[0][i + (upper & (axis == 0))])
    area = across * np.abs(np.where(axis == 0, normal[:, 0], normal[:, 1]))
    distance = share * (np.abs(tx - hx) + np.abs(ty - hy))
    group, names, forms, sizes, group_zone = np.zeros(len(axis), np.int64), [], [], [], []
    curved_parts = {p.part for p in scenario.paints if not isinstance(p.shape, Rectangle)}
    side = np.where(np.abs(normal[:, 0]) > np.abs(normal[:, 1]), np.sign(normal[:, 0]), 2 * np.sign(normal[:, 1]))
    side = np.where(np.isin(solid, list(curved_parts)), 0, side).astype(int)
    for key in sorted(set(zip(zone.tolist(), solid.tolist(), side.tolist(), strict=True))):
        members = (zone == key[0]) & (solid == key[1]) & (side == key[2])
        reach = (sx[members].min(), sy[members].min(), sx[members].max(), sy[members].max())
        form, size = _form(scenario, key[1], normal[members].mean(axis=0), parts[key[0]], reach)
        group[members] = len(names)
        names.append(scenario.parts[key[1]].name)
        forms.append(form)
        sizes.append(size)
        group_zone.append(key[0])
    area = _exact_lengths(scenario, zone_of_part, area, group, zone, solid, side, finest)
    patch, patch_group = _patches(sx, sy, group, len(names), scenario)
    patch_area = np.bincount(patch, area, len(patch_group))
    patch_solid = np.array([solid[patch == p][0] for p in range(len(patch_group))])
    emissivity = np.array(
        [
            scenario.parts[p].material.emissivity.typical if scenario.parts[p].material.emissivity else 0.9
            for p in patch_solid
        ]
    )
    view, ambient = _view_factors(
        scenario, zone_of_part, parts, sx, sy, normal, area, patch, patch_area, np.asarray(group_zone)[patch_group]
    )
    reflected = np.linalg.inv(np.eye(len(patch_area)) - (1 - emissivity)[:, None] * view)
    # irradiation H = F J + f_ambient e_ambient with radiosity J = (I - (1 - e) F)^-1 (e E + (1 - e) f_ambient e_ambient)
    exchange = view @ reflected * emissivity[None, :]
    ambient_view = ambient + view @ reflected @ ((1 - emissivity) * ambient)
    return AirSurfaces(
        zone_parts=parts, axis=axis, i=i, j=j, upper=upper, conductor=np.full(len(axis), -1), distance=distance,
        area=area, zone=zone, group=group, patch=patch, group_zone=np.asarray(group_zone), group_form=forms,
        group_size=np.asarray(sizes), group_names=names, patch_area=patch_area, patch_emissivity=emissivity,
        exchange=exchange, ambient_view=ambient_view,
    )  # fmt: skip


def _exact_lengths(scenario, zone_of_part, area, group, zone, solid, side, finest):
    """Scale the link areas of each surface to the visible length of its outlines."""
    exact: dict[tuple[int, int, int], float] = {}
    for paint in scenario.paints:
        middle, vector = outline_pieces(paint.shape, finest / 4)
        length = np.hypot(vector[:, 0], vector[:, 1])
        normal = np.column_stack([vector[:, 1], -vector[:, 0]]) / length[:, None]
        away = 0.02 * finest * normal
        inside_box = (
            (middle[:, 0] > 1e-9) & (middle[:, 0] < scenario.width - 1e-9)
            & (middle[:, 1] > 1e-9) & (middle[:, 1] < scenario.height - 1e-9)
        )  # fmt: skip
        for sign in (1.0, -1.0):
            one, other = parts_at(scenario, *(middle + sign * away).T), parts_at(scenario, *(middle - sign * away).T)
            at = (zone_of_part[one] >= 0) & (zone_of_part[other] < 0) & inside_box
            into = sign * normal
            which = np.where(np.abs(into[:, 0]) > np.abs(into[:, 1]), np.sign(into[:, 0]), 2 * np.sign(into[:, 1]))
            for z, s, f, piece in zip(zone_of_part[one][at], other[at], which[at].astype(int), length[at], strict=True):
                for key in ((z, s, f), (z, s, 0)):
                    exact[key] = exact.get(key, 0.0) + piece
    scaled = area.copy()
    for number in range(int(group.max()) + 1):
        members = np.flatnonzero(group == number)
        key = (int(zone[members[0]]), int(solid[members[0]]), int(side[members[0]]))
        length = exact.get(key, 0.0)
        # two outlines may coincide and be counted twice: a scale far from one is then not a length but a mistake
        total = area[members].sum()
        if total > 0 and 0.8 < length / total < 1.25:
            scaled[members] *= length / total
    return scaled


def _patches(sx, sy, group, groups, scenario):
    """Split each surface into patches that are small against the zone, for radiation."""
    patch = np.zeros(len(group), dtype=np.int64)
    owner = []
    for number in range(groups):
        members = np.flatnonzero(group == number)
        mid_x, mid_y = sx[members].mean(), sy[members].mean()
        span_x, span_y = np.ptp(sx[members]), np.ptp(sy[members])
        if min(span_x, span_y) > 0.05 * max(span_x, span_y):  # a closed outline: sectors
            sector = (np.floor((np.arctan2(sy[members] - mid_y, sx[members] - mid_x) + np.pi) / (2 * np.pi) * 8)).astype(int)
            label = np.clip(sector, 0, 7)
        else:
            along = sx[members] if span_x >= span_y else sy[members]
            pieces = 10 if max(span_x, span_y) > 0.05 else 3
            label = np.clip(((along - along.min()) / max(np.ptp(along), 1e-9) * pieces).astype(int), 0, pieces - 1)
        for value in np.unique(label):
            patch[members[label == value]] = len(owner)
            owner.append(number)
    return patch, np.asarray(owner)


def _view_factors(scenario, zone_of_part, parts, sx, sy, normal, area, patch, patch_area, patch_zone):
    """View factors between patches and to open surroundings, by marching cosine-weighted rays through the zone."""
    count = len(patch_area)
    view, ambient = np.zeros((count, count)), np.zeros(count)
    rng = np.random.default_rng(20240229)  # fixed: the same section always gives the same factors
    start = np.concatenate(
        [
            rng.choice(members, _RAYS, p=area[members] / area[members].sum())
            for members in (np.flatnonzero(patch == number) for number in range(count))
        ]
    )
    # cosine law in the plane: the sine of the angle to the normal is uniform; stratified within each patch
    sine = (2 * (np.arange(_RAYS) + rng.random((count, _RAYS))) / _RAYS - 1).ravel()
    cosine = np.sqrt(1 - sine**2)
    n = normal[start]
    direction = np.column_stack([n[:, 0] * cosine - n[:, 1] * sine, n[:, 1] * cosine + n[:, 0] * sine])
    zone_open = np.array([scenario.parts[part].air.temperature is not None for part in parts])
    source = np.repeat(np.arange(count), _RAYS)
    hit, place = _march(scenario, zone_of_part, sx[start], sy[start], direction, zone_open[patch_zone[source]])
    for zone in range(len(parts)):
        landed = np.flatnonzero((hit == 1) & (patch_zone[source] == zone))
        links = np.flatnonzero(patch_zone[patch] == zone)
        if len(landed):
            _, nearest = cKDTree(np.column_stack([sx[links], sy[links]])).query(place[landed])
            np.add.at(view, (source[landed], patch[links[nearest]]), 1.0 / _RAYS)
    np.add.at(ambient, source[hit == 2], 1.0 / _RAYS)
    found = np.maximum(view.sum(axis=1) + ambient, 1e-12)
    view, ambient = view / found[:, None], ambient / found
    # reciprocity A_i F_ij = A_j F_ji, then closure, in turns
    for _ in range(200):
        flow = patch_area[:, None] * view
        flow = (flow + flow.T) / 2
        view = flow / patch_area[:, None]
        total = view.sum(axis=1) + ambient
        scale = np.sqrt(total)
        view = view / scale[:, None] / scale[None, :]
        ambient = ambient / total
    # what closure still lacks a patch sees of itself: exact reciprocity and exact sums, so no radiation is lost
    flow = patch_area[:, None] * view
    view = (flow + flow.T) / 2 / patch_area[:, None]
    np.fill_diagonal(view, view.diagonal() + 1 - view.sum(axis=1) - ambient)
    return view, ambient


def _march(scenario, zone_of_part, x, y, direction, is_open):
    """March rays until they land on a solid (1) or leave into open surroundings (2); 0 where given up.

    Edges of the section mirror rays, except where the zone is open to its surroundings.
    """
    size = min(scenario.width, scenario.height)
    place = np.column_stack([x, y])
    heading = direction.copy()
    hit = np.zeros(len(x), dtype=int)
    bounces = np.zeros(len(x), dtype=int)
    alive = np.arange(len(x))
    step = size / 4000
    place += heading * step
    corner = np.array([scenario.width, scenario.height])
    while len(alive):
        ahead = place[alive] + heading[alive] * step
        out = (ahead < 0) | (ahead > corner)
        gone = out.any(axis=1)
        hit[alive[gone & is_open[alive]]] = 2
        turned = alive[gone & ~is_open[alive]]
        heading[turned] = np.where(out[gone & ~is_open[alive]], -heading[turned], heading[turned])
        bounces[turned] += 1
        hit[turned[bounces[turned] > _BOUNCES]] = -1
        inside = alive[~gone]
        place[inside] = ahead[~gone]
        solid = zone_of_part[parts_at(scenario, place[inside, 0], place[inside, 1])] < 0
        hit[inside[solid]] = 1
        step = min(step * 1.12, size / 150)
        alive = alive[hit[alive] == 0]
    return np.maximum(hit, 0), place
