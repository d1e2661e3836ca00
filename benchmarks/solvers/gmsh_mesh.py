"""Second-order triangles of the reference sections by gmsh."""

from __future__ import annotations

import numpy as np

from solvers.problems import (
    CAVITY_TOP,
    CONDUCTOR,
    FILLER_HEIGHT,
    FILLER_WIDTH,
    GYPSUM,
    HOLE,
    INSULATION,
    JACKET_HEIGHT,
    JACKET_WIDTH,
    OFFSET,
    STUD,
    Problem,
)


def _painted(model, problem: Problem) -> list:
    """Surfaces of the drawing, to be cut by each other."""
    x, y = problem.centre

    def disk(centre, radius):
        return 2, model.addDisk(centre, y, 0, radius, radius)

    def rectangle(left, bottom, width, height):
        return 2, model.addRectangle(left, bottom, 0, width, height)

    def stadium(width, height):
        radius = height / 2
        low, high = x - width / 2 + radius, x + width / 2 - radius

        def point(px, py):
            return model.addPoint(px, py, 0)

        corner = [point(low, y - radius), point(high, y - radius), point(high, y + radius), point(low, y + radius)]
        left, right = point(low, y), point(high, y)
        far_left, far_right = point(low - radius, y), point(high + radius, y)
        lines = [
            model.addLine(corner[0], corner[1]),
            model.addCircleArc(corner[1], right, far_right),
            model.addCircleArc(far_right, right, corner[2]),
            model.addLine(corner[2], corner[3]),
            model.addCircleArc(corner[3], left, far_left),
            model.addCircleArc(far_left, left, corner[0]),
        ]
        return 2, model.addPlaneSurface([model.addCurveLoop(lines)])

    parts = [stadium(JACKET_WIDTH, JACKET_HEIGHT), stadium(FILLER_WIDTH, FILLER_HEIGHT)]
    parts += [disk(x + side * OFFSET, radius) for side in (-1, 1) for radius in (INSULATION, CONDUCTOR)]
    parts.append(disk(x, CONDUCTOR))
    width, inside = problem.width, CAVITY_TOP - GYPSUM
    if problem.bored:
        return [*parts, rectangle(0, 0, width, problem.height), disk(x, HOLE)]
    return [
        *parts,
        rectangle(0, 0, width, GYPSUM),
        rectangle(0, CAVITY_TOP, width, problem.height - CAVITY_TOP),
        rectangle(0, GYPSUM, STUD, inside),
        rectangle(width - STUD, GYPSUM, STUD, inside),
        rectangle(STUD, GYPSUM, width - 2 * STUD, inside),
    ]


def gmsh_mesh(problem: Problem, near: float, far: float, growth: float) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 2) [mm] and six-node triangles (m, 6).

    Parameters
    ----------
    near, far : float     element size at the cable and largest [mm]
    growth : float        size gained per distance from the cable
    """
    import gmsh

    x, y = problem.centre
    gmsh.initialize()
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.model.add("section")
        parts = _painted(gmsh.model.occ, problem)
        gmsh.model.occ.fragment(parts[:1], parts[1:])
        gmsh.model.occ.synchronize()
        field = gmsh.model.mesh.field.add("MathEval")
        radius = f"Sqrt((x-{x})^2+(y-{y})^2)"
        size = f"{near}+0.5*{growth}*(({radius}-5.2)+Fabs({radius}-5.2))"
        gmsh.model.mesh.field.setString(field, "F", size)
        gmsh.model.mesh.field.setAsBackgroundMesh(field)
        for source in ("MeshSizeFromPoints", "MeshSizeFromCurvature", "MeshSizeExtendFromBoundary"):
            gmsh.option.setNumber("Mesh." + source, 0)
        gmsh.option.setNumber("Mesh.MeshSizeMax", far)
        gmsh.option.setNumber("Mesh.Algorithm", 6)
        gmsh.model.mesh.generate(2)
        gmsh.model.mesh.setOrder(2)
        tags, points, _ = gmsh.model.mesh.getNodes()
        kinds, _, nodes = gmsh.model.mesh.getElements(2)
        six_nodes = 9  # gmsh's number of that element
        triangles = np.concatenate(
            [np.reshape(n, (-1, 6)) for kind, n in zip(kinds, nodes, strict=True) if kind == six_nodes]
        )
    finally:
        gmsh.finalize()
    place = np.zeros(int(tags.max()) + 1, int)
    place[tags.astype(int)] = np.arange(len(tags))
    triangles = place[triangles.astype(int)]
    used = np.unique(triangles)
    number = np.zeros(len(tags), int)
    number[used] = np.arange(len(used))
    return points.reshape(-1, 3)[used, :2], number[triangles]
