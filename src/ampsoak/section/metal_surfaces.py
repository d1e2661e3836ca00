"""Conductors that meet open air: outlines that are a surface of a zone, and coatings too thin to hold a mesh point.

A conductor is as hot all round, so its bare outline is a surface without a path through any cell. It is taken from the
outline itself, in pieces, and hangs on no mesh. Where a layer between a conductor and the air is so thin that no point
lies in it, grid links lead from the conductor through that layer to its surface.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import outline_pieces
from ampsoak.scenario.shapes import Circle, Ring, Shape, Stadium
from ampsoak.section.interfaces import parts_at, reference_conductivity
from ampsoak.section.rays import ASIDE, AirRays, crossings, onto_outline, outward_normals

# [W/(m² K)] between bare metal and its surface: in any film the two are within 1e-6 K, far from rounding in Newton's method
BARE = 1e10
_LOOKS = 24  # through a thin coating, for what it is made of


class SurfacePoints(NamedTuple):
    """Places on surfaces that meet open air.

    x, y (n,) [m]; normal (n, 2) into the air; area (n,) [m² per m]; zone, solid (n,): zone and part that meet
    hollow (n,): diameter of the round outline there if the air lies inside it, else 0 [m]
    axis, i, j, upper (n,): link from the solid, by its lower cell; i and j -1 where the solid is a conductor
    distance (n,): from the solid's point along the link [m]
    conductor (n,): -1 where a cell is the solid; layer (n,): conductance from conductor to surface [W/(m² K)]
    """

    x: np.ndarray
    y: np.ndarray
    normal: np.ndarray
    area: np.ndarray
    zone: np.ndarray
    solid: np.ndarray
    hollow: np.ndarray
    axis: np.ndarray
    i: np.ndarray
    j: np.ndarray
    upper: np.ndarray
    distance: np.ndarray
    conductor: np.ndarray
    layer: np.ndarray

    def chosen(self, rows) -> SurfacePoints:
        """Those of the points that ``rows`` names."""
        return SurfacePoints(*(column[rows] for column in self))

    @staticmethod
    def joined(several) -> SurfacePoints:
        """All points of ``several``."""
        return SurfacePoints(*(np.concatenate(columns) for columns in zip(*several, strict=True)))


def outlines_of(shape: Shape) -> list[Shape]:
    """Closed outlines that bound a conductor."""
    if isinstance(shape, Ring):
        return [Circle(shape.x, shape.y, radius) for radius in (shape.radius, shape.inner)]
    return [shape]


def bare_points(scenario: Scenario, rays: AirRays, finest: float) -> SurfacePoints:
    """Pieces of the outlines of conductors that meet open air.

    Parameters
    ----------
    scenario : Scenario
    rays : AirRays
    finest : float      smallest cell side [m]
    """
    found = []
    for number, conductor in enumerate(scenario.conductors):
        for outline in outlines_of(conductor.shape):
            middle, vector = outline_pieces(outline, finest / 4)
            length = np.hypot(vector[:, 0], vector[:, 1])
            length *= outline.perimeter / length.sum()
            normal = outward_normals(outline, *middle.T)
            place, away = onto_outline(outline, middle), ASIDE * finest * normal
            one, other = parts_at(scenario, *(place + away).T), parts_at(scenario, *(place - away).T)
            within = ((place > 1e-9) & (place < np.array([scenario.width, scenario.height]) - 1e-9)).all(axis=1)
            for sign, air, metal in ((1.0, one, other), (-1.0, other, one)):
                here = (rays.zone_of_part[air] >= 0) & (metal == conductor.part) & within
                count = int(here.sum())
                nothing = np.full(count, -1)
                hollow = outline.perimeter / np.pi if sign < 0 and isinstance(outline, Circle | Stadium) else 0.0
                found.append(
                    SurfacePoints(
                        x=place[here, 0], y=place[here, 1], normal=sign * normal[here], area=length[here],
                        zone=rays.zone_of_part[air[here]], solid=metal[here],
                        hollow=np.full(count, hollow), axis=np.zeros(count, np.int64), i=nothing, j=nothing,
                        upper=np.zeros(count, bool), distance=np.zeros(count), conductor=np.full(count, number),
                        layer=np.full(count, BARE),
                    )
                )  # fmt: skip
    return SurfacePoints.joined(found) if found else no_points()


def no_points() -> SurfacePoints:
    """No surface at all."""
    none, number = np.zeros(0), np.zeros(0, np.int64)
    return SurfacePoints(
        none, none, np.zeros((0, 2)), none, number, number, none, number, number, number, np.zeros(0, bool), none,
        number, none,
    )  # fmt: skip


def through_coatings(scenario: Scenario, points: SurfacePoints, start: np.ndarray, owner: np.ndarray) -> SurfacePoints:
    """Turn places that links from conductors reach into surfaces of the layers between, with what these conduct.

    Layers round a round conductor conduct as shells, others as slabs; conductivities are those at which parts are compared.

    Parameters
    ----------
    scenario : Scenario
    points : SurfacePoints        where links from inside conductors first meet air, on a coating
    start : (n, 2) float64        where the links begin [m]
    owner : (n,) int64            conductor there
    """
    conductivity = reference_conductivity(scenario)
    layer = np.zeros(len(points.x))
    end = np.column_stack([points.x, points.y])
    for number in np.unique(owner):
        rows = np.flatnonzero(owner == number)
        way = (end[rows] - start[rows]) / np.maximum(points.distance[rows], 1e-300)[:, None]
        shape = scenario.conductors[number].shape
        cuts = np.concatenate([crossings(o, *start[rows].T, *way.T) for o in outlines_of(shape)])
        leaves = np.where((cuts > 0) & (cuts <= points.distance[rows]), cuts, 0.0).max(axis=0)
        deep = (points.distance[rows] - leaves) * np.abs((way * points.normal[rows]).sum(axis=1))
        share = (np.arange(_LOOKS) + 0.5) / _LOOKS
        looks = leaves[:, None] + share * (points.distance[rows] - leaves)[:, None]
        at = start[rows][:, None] + looks[..., None] * way[:, None]
        k = conductivity[parts_at(scenario, at[..., 0].ravel(), at[..., 1].ravel())].reshape(looks.shape)
        solid = np.isfinite(k)  # the outline that links see lies a hair off the real one
        mean = np.maximum(solid.sum(axis=1), 1) / np.maximum(np.where(solid, 1.0 / k, 0.0).sum(axis=1), 1e-6)
        radius = shape.radius if isinstance(shape, Circle) else np.inf
        shell = np.log1p(deep / radius) * (radius + deep) if np.isfinite(radius) else deep
        layer[rows] = mean / np.maximum(shell, 1e-12)
    none = np.full(len(points.x), -1)
    return points._replace(i=none, j=none, conductor=owner, layer=layer)
