"""Surfaces of open-air zones: where solids meet the air, which way they face, and how they see each other.

An air zone is a region that convects: its points carry one well-mixed air temperature. Every grid link from a solid into
the zone ends on the solid's surface at the exact distance; the surface passes heat on by a film and by grey radiation.
Links along x and along y share the surface: a link of width w on a surface whose normal makes an angle a with the link
stands for w cos a of it, and these shares are scaled so that each surface has its exact length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.library.materials import USUAL_EMISSIVITY
from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import outline_pieces
from ampsoak.scenario.shapes import Circle, Stadium, Wrap
from ampsoak.section.interfaces import parts_at
from ampsoak.section.rays import AirRays
from ampsoak.section.views import split_into_patches, view_factors

_UP = {"down": (0.0, 1.0), "left": (1.0, 0.0)}
_BODIES = (Circle, Stadium, Wrap)  # convect all round
_ROUND = ("cylinder", "vertical_cylinder")
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
    area : (n,) float64                            surface that the link stands for [m² per m]
    zone, group, patch : (n,) int64
    group_zone : (n_groups,) int64
    group_form : list of str                       "cylinder", "vertical_cylinder", "vertical", "up" or "down"
                                                   (which way the solid's face looks)
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


def _links(x, y, owner):
    """Links that may look from a solid into a zone: arrays axis, i, j, upper, start x, y and end x, y."""
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


def _side(normal: np.ndarray) -> np.ndarray:
    """Which way normals (n, 2) look, by their larger component: -1 left, 1 right, -2 down, 2 up."""
    level = np.abs(normal[:, 0]) > np.abs(normal[:, 1])
    return np.where(level, np.sign(normal[:, 0]), 2 * np.sign(normal[:, 1])).astype(int)


def _form(scenario, part, normal, zone_part, bounds):
    """Film form and size [m] of the surface of ``part`` with mean ``normal`` into the air."""
    air = scenario.parts[zone_part].air
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
    upward = normal[0] * up_x + normal[1] * up_y
    left, bottom, right, top = bounds
    tall, wide = (right - left, top - bottom) if up_x else (top - bottom, right - left)
    if abs(upward) < np.sqrt(0.5):
        return "vertical", max(tall, _LEAST_SIZE)
    return ("up" if upward > 0 else "down"), max(wide / 2, _LEAST_SIZE)


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
    finest = min(widths[0].min(), widths[1].min())
    rays = AirRays(scenario, zone_of_part, finest)
    axis, i, j, upper, hx, hy, tx, ty = _links(x, y, owner)
    length = np.abs(tx - hx) + np.abs(ty - hy)
    way_x, way_y = (tx - hx) / length, (ty - hy) / length
    distance, zone, shape = rays.first(hx, hy, way_x, way_y, length, air=True)
    keep = np.isfinite(distance) & (shape >= 0)
    axis, i, j, upper, distance, zone, shape = (a[keep] for a in (axis, i, j, upper, distance, zone, shape))
    sx, sy = hx[keep] + distance * way_x[keep], hy[keep] + distance * way_y[keep]
    normal = rays.normals(sx, sy, shape, 0.02 * finest)
    solid = parts_at(scenario, sx - 0.05 * finest * normal[:, 0], sy - 0.05 * finest * normal[:, 1])
    across = np.where(axis == 0, widths[1][j + (upper & (axis == 1))], widths[0][i + (upper & (axis == 0))])
    area = across * np.abs(np.where(axis == 0, normal[:, 0], normal[:, 1]))
    rounded = {p.part for p in scenario.paints if isinstance(p.shape, _BODIES)}
    side = np.where(np.isin(solid, list(rounded)), 0, _side(normal))
    keys, group = np.unique(np.column_stack([zone, solid, side]), axis=0, return_inverse=True)
    group = group.ravel()
    forms, sizes = [], []
    for number, (z, part, _) in enumerate(keys):
        members = group == number
        half = area[members] / 2
        low_x, low_y = (sx[members] - half).min(), (sy[members] - half).min()
        reach = (low_x, low_y, (sx[members] + half).max(), (sy[members] + half).max())
        form, size = _form(scenario, part, normal[members].mean(axis=0), parts[z], reach)
        forms.append(form)
        sizes.append(size)
    area = _exact_lengths(scenario, zone_of_part, area, group, keys, finest)
    curved = np.array([form in _ROUND for form in forms])
    patch, patch_group = split_into_patches(sx, sy, group, curved)
    emissivity = _emissivities(scenario, parts, keys, curved)[patch_group]
    is_open = np.array([scenario.parts[part].air.temperature is not None for part in parts])
    view, ambient = view_factors(rays, sx, sy, normal, area, zone, patch, is_open)
    reflected = np.linalg.inv(np.eye(len(patch_group)) - (1 - emissivity)[:, None] * view)
    # irradiation H = F J + f_ambient e_ambient with radiosity J = (I - (1 - e) F)^-1 (e E + (1 - e) f_ambient e_ambient)
    return AirSurfaces(
        zone_parts=parts, axis=axis, i=i, j=j, upper=upper, conductor=np.full(len(axis), -1), distance=distance,
        area=area, zone=zone, group=group, patch=patch, group_zone=keys[:, 0].copy(), group_form=forms,
        group_size=np.asarray(sizes), group_names=[scenario.parts[part].name for part in keys[:, 1]],
        patch_area=np.bincount(patch, area), patch_emissivity=emissivity,
        exchange=view @ reflected * emissivity[None, :],
        ambient_view=ambient + view @ reflected @ ((1 - emissivity) * ambient),
    )  # fmt: skip


def _emissivities(scenario: Scenario, parts, keys, curved) -> np.ndarray:
    """Emissivity of each surface, (n_groups,); 0 for cylinders under the law of IEC 60287, which holds the radiation."""
    given = [scenario.parts[part].material.emissivity for part in keys[:, 1]]
    emissivity = np.array([USUAL_EMISSIVITY if value is None else value.typical for value in given])
    standard = np.array([scenario.parts[parts[z]].air.law == "iec_60287" for z in keys[:, 0]])
    return np.where(standard & curved, 0.0, emissivity)


def _exact_lengths(scenario, zone_of_part, area, group, keys, finest):
    """Scale the link areas of each surface to the visible length of its outlines."""
    found = []
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
            found.append(np.column_stack([zone_of_part[one], other, _side(sign * normal), length])[at])
    zone, solid, side, length = np.concatenate(found).T
    scaled = area.copy()
    for number, key in enumerate(keys):
        members = group == number
        exact = length[(zone == key[0]) & (solid == key[1]) & ((key[2] == 0) | (side == key[2]))].sum()
        # two outlines may coincide and be counted twice: a scale far from one is then not a length but a mistake
        total = area[members].sum()
        if total > 0 and 0.8 < exact / total < 1.25:
            scaled[members] *= exact / total
    return scaled
