"""How the surfaces of an air zone see each other and open surroundings: patches and their view factors.

View factors come from rays on a fixed lattice of places and directions, followed to the exact outline they end on, so the
same section always gives the same factors. Edges of the section mirror rays where the zone is closed; where it is open
they leave to the surroundings. The factors then obey reciprocity and closure exactly, so no radiation is lost.
"""

from __future__ import annotations

import numpy as np

from ampsoak.section.rays import AirRays

_RAYS, _TURN = 610, 377  # per patch: neighbours in Fibonacci's series make the most even lattice of this kind
_BOUNCES = 12  # mirror reflections at section edges before a ray is given up
_SECTORS = 8  # patches of a closed outline
_PIECES = 6  # patches at least along a straight surface longer than _LONG
_LONG = 0.05  # [m]


def split_into_patches(x, y, group, curved) -> tuple[np.ndarray, np.ndarray]:
    """Split each surface into patches on each of which radiation may be taken as even.

    A closed outline becomes sectors. A straight surface is cut at distances from its nearest round bodies that double
    outwards, beginning with the gap between them, because that is how fast what they send it falls off.

    Parameters
    ----------
    x, y : (n,) float64       surface points [m]
    group : (n,) int64        surface of each point
    curved : (n_groups,) bool

    Returns
    -------
    patch : (n,) int64;  patch_group : (n_patches,) int64
    """
    patch, owner = np.zeros(len(group), dtype=np.int64), []
    bodies = [(x[group == g].mean(), y[group == g].mean(), np.ptp(x[group == g])) for g in np.flatnonzero(curved)]
    for number in range(len(curved)):
        members = np.flatnonzero(group == number)
        here_x, here_y = x[members], y[members]
        if curved[number]:
            angle = np.arctan2(here_y - here_y.mean(), here_x - here_x.mean())
            label = np.clip(np.floor((angle + np.pi) / (2 * np.pi) * _SECTORS), 0, _SECTORS - 1)
        else:
            level = np.ptp(here_x) >= np.ptp(here_y)
            along, across = (here_x, here_y) if level else (here_y, here_x)
            ends = along.min(), along.max()
            pieces = _PIECES if ends[1] - ends[0] > _LONG else _PIECES // 2
            cuts = np.linspace(*ends, pieces + 1)[1:-1]
            for body in bodies:
                middle, off = (body[0], body[1]) if level else (body[1], body[0])
                gap = max(abs(off - across.mean()), body[2] / 2, (ends[1] - ends[0]) / 500)
                reach = gap * 0.5 * 2.0 ** np.arange(12)
                cuts = _joined(cuts, np.concatenate([middle - reach, middle + reach]), gap / 3)
            label = np.searchsorted(np.sort(cuts), along)
        for value in np.unique(label):
            patch[members[label == value]] = len(owner)
            owner.append(number)
    return patch, np.asarray(owner)


def _joined(cuts: np.ndarray, more: np.ndarray, apart: float) -> np.ndarray:
    """``more`` and those of ``cuts`` that are not within ``apart`` of them [m]."""
    return np.concatenate([cuts[np.abs(cuts[:, None] - more).min(axis=1) > apart], more]) if len(cuts) else more


def view_factors(rays: AirRays, x, y, normal, area, zone, patch, is_open) -> tuple[np.ndarray, np.ndarray]:
    """View factors between patches, and to open surroundings.

    Parameters
    ----------
    rays : AirRays
    x, y : (n,) float64          surface points [m]
    normal : (n, 2) float64      unit normals into the air
    area : (n,) float64          surface that each point stands for [m² per m]
    zone, patch : (n,) int64
    is_open : (n_zones,) bool    whether the zone's edges let radiation out

    Returns
    -------
    view : (n_patches, n_patches) float64;  ambient : (n_patches,) float64
        rows and ambient sum to one; patch areas times view are symmetric
    """
    from scipy.spatial import cKDTree  # two tenths of a second to import, so only where there is open air

    patch_area = np.bincount(patch, area)
    count = len(patch_area)
    patch_zone = np.zeros(count, dtype=np.int64)
    patch_zone[patch] = zone
    start_x, start_y, direction = _lattice(rays, x, y, normal, area, patch, count)
    source = np.repeat(np.arange(count), _RAYS)
    end_x, end_y, heading, fate = _follow(rays, start_x, start_y, direction, is_open[patch_zone[source]])
    view, ambient = np.zeros((count, count)), np.zeros(count)
    for number in range(len(is_open)):
        landed = np.flatnonzero((fate == _LANDED) & (patch_zone[source] == number))
        points = np.flatnonzero(zone == number)
        if len(landed) and len(points):
            near = min(4, len(points))
            _, nearest = cKDTree(np.column_stack([x[points], y[points]])).query(
                np.column_stack([end_x[landed], end_y[landed]]), k=[*range(1, near + 1)]
            )
            # in corners the nearest point may lie on the wall beside the one that was hit
            facing = (normal[points[nearest]] * heading[landed][:, None, :]).sum(axis=2) < 0
            hit = nearest[np.arange(len(landed)), facing.argmax(axis=1)]
            np.add.at(view, (source[landed], patch[points[hit]]), 1.0 / _RAYS)
    np.add.at(ambient, source[fate == _LEFT], 1.0 / _RAYS)
    return _balanced(view, ambient, patch_area)


def _lattice(rays: AirRays, x, y, normal, area, patch, count):
    """Starts and directions of the rays of every patch, ``_RAYS`` each: places and angles on one lattice."""
    number = np.arange(_RAYS)
    # cosine law in the plane: the sine of the angle to the normal is uniform
    sine = 2 * ((number * _TURN / _RAYS + 0.5 / _RAYS) % 1.0) - 1
    cosine = np.sqrt(1 - sine**2)
    start_x, start_y, direction = [], [], []
    for p in range(count):
        members = np.flatnonzero(patch == p)
        way = np.arctan2(y[members] - y[members].mean(), x[members] - x[members].mean())
        spread = np.ptp(x[members]), np.ptp(y[members])
        if min(spread) <= 1e-3 * max(spread):
            way = x[members] if spread[0] >= spread[1] else y[members]
        members = members[np.argsort(way, kind="stable")]
        share = np.cumsum(area[members]) / area[members].sum()
        place = (number + 0.5) / _RAYS
        chosen = np.minimum(np.searchsorted(share, place), len(members) - 1)
        within = 0.5 + (place - share[chosen]) * area[members].sum() / area[members[chosen]]
        n, span = normal[members[chosen]], within * area[members[chosen]]
        # along the surface inside the stretch that the point stands for, and a hair off it
        sign = np.where(np.abs(n[:, 0]) > np.abs(n[:, 1]), np.sign(n[:, 0]), -np.sign(n[:, 1]))
        off = 1e-7 * rays.size
        at_x, at_y = x[members[chosen]] + off * n[:, 0], y[members[chosen]] + off * n[:, 1]
        aside_x, aside_y = at_x - sign * n[:, 1] * span, at_y + sign * n[:, 0] * span
        if min(spread) > 1e-3 * max(spread):  # aside of a place on a hollow outline lies the solid
            in_air = rays.zone_at(aside_x, aside_y) >= 0
            aside_x, aside_y = np.where(in_air, aside_x, at_x), np.where(in_air, aside_y, at_y)
        start_x.append(aside_x)
        start_y.append(aside_y)
        direction.append(np.column_stack([n[:, 0] * cosine - n[:, 1] * sine, n[:, 1] * cosine + n[:, 0] * sine]))
    return np.concatenate(start_x), np.concatenate(start_y), np.concatenate(direction)


_UNDER_WAY, _LANDED, _LEFT = 0, 1, 2


def _follow(rays: AirRays, x, y, direction, is_open):
    """Follow rays to the solid they land on or out of the section; (x, y, direction at the end, fate)."""
    width, height = rays.scenario.width, rays.scenario.height
    x, y, heading = x.copy(), y.copy(), direction.copy()
    fate = np.zeros(len(x), dtype=np.int64)
    alive = np.arange(len(x))
    for _ in range(_BOUNCES + 1):
        at_x, at_y, dx, dy = x[alive], y[alive], heading[alive, 0], heading[alive, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            reach_x = np.where(dx > 0, (width - at_x) / dx, np.where(dx < 0, -at_x / dx, np.inf))
            reach_y = np.where(dy > 0, (height - at_y) / dy, np.where(dy < 0, -at_y / dy, np.inf))
        reach = np.maximum(np.minimum(reach_x, reach_y), 0.0)
        distance, _, _ = rays.first(at_x, at_y, dx, dy, reach, air=False)
        landed = np.isfinite(distance)
        go = np.where(landed, distance, reach)
        x[alive], y[alive] = at_x + go * dx, at_y + go * dy
        fate[alive[landed]] = _LANDED
        fate[alive[~landed & is_open[alive]]] = _LEFT
        mirrored = ~landed & ~is_open[alive]
        turned = alive[mirrored]
        by_side = (reach_x <= reach_y)[mirrored]
        heading[turned, 0] *= np.where(by_side, -1.0, 1.0)
        heading[turned, 1] *= np.where(by_side, 1.0, -1.0)
        alive = turned
        if not len(alive):
            break
    return x, y, heading, fate


def _balanced(view: np.ndarray, ambient: np.ndarray, area: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """View factors with exact reciprocity A_i F_ij = A_j F_ji and exact sums; rays given up are shared out."""
    found = np.maximum(view.sum(axis=1) + ambient, 1e-12)
    view, ambient = view / found[:, None], ambient / found
    for _ in range(200):
        flow = area[:, None] * view
        view = (flow + flow.T) / 2 / area[:, None]
        total = view.sum(axis=1) + ambient
        scale = np.sqrt(total)
        view = view / scale[:, None] / scale[None, :]
        ambient = ambient / total
    # what closure still lacks a patch sees of itself
    flow = area[:, None] * view
    view = (flow + flow.T) / 2 / area[:, None]
    np.fill_diagonal(view, view.diagonal() + 1 - view.sum(axis=1) - ambient)
    return view, ambient
