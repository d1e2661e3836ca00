"""Curved triangles of the reference sections by netgen."""

from __future__ import annotations

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


def netgen_mesh(problem: Problem, size: float, curve: int):
    """Mesh in mm whose regions are materials and whose lower and upper edges are called "outer".

    Parameters
    ----------
    problem : Problem
    size : float        factor on all element sizes; 1 gives about ten thousand unknowns with elements of order 2
    curve : int         order to which element sides follow the outlines
    """
    import ngsolve
    from netgen.occ import Axes, Glue, OCCGeometry, WorkPlane

    x, y = problem.centre

    def plane():
        return WorkPlane(Axes((0, 0, 0), (0, 0, 1), (1, 0, 0)))

    def rectangle(left, bottom, width, height):
        return plane().MoveTo(left, bottom).Rectangle(width, height).Face()

    def circle(centre, radius):
        return plane().Circle(centre, y, radius).Face()

    def stadium(width, height):
        radius, straight = height / 2, width - height
        path = plane().MoveTo(x - straight / 2, y - radius)
        return path.Line(straight).Arc(radius, 180).Line(straight).Arc(radius, 180).Face()

    outer, inner = stadium(JACKET_WIDTH, JACKET_HEIGHT), stadium(FILLER_WIDTH, FILLER_HEIGHT)
    left, right = circle(x - OFFSET, CONDUCTOR), circle(x + OFFSET, CONDUCTOR)
    left_insulation, right_insulation = circle(x - OFFSET, INSULATION), circle(x + OFFSET, INSULATION)
    earth = circle(x, CONDUCTOR)
    regions = [
        (left, "copper_left", 0.25),
        (right, "copper_right", 0.25),
        (earth, "copper_earth", 0.3),
        (left_insulation - left, "pvc", 0.25),
        (right_insulation - right, "pvc", 0.25),
        (inner - left_insulation - right_insulation - earth, "paper", 0.25),
        (outer - inner, "pvc", 0.35),
    ]
    if problem.bored:
        hole = circle(x, HOLE)
        wood = rectangle(0, 0, problem.width, problem.height) - hole
        regions += [(hole - outer, problem.surround, 0.8), (wood, "wood", 4.0)]
    else:
        near, inside = circle(x, 14.0), CAVITY_TOP - GYPSUM
        cavity = rectangle(STUD, GYPSUM, problem.width - 2 * STUD, inside)
        regions += [
            (near - outer, problem.surround, 1.2),
            (cavity - near, problem.surround, 8.0),
            (rectangle(0, GYPSUM, STUD, inside), "wood", 8.0),
            (rectangle(problem.width - STUD, GYPSUM, STUD, inside), "wood", 8.0),
            (rectangle(0, 0, problem.width, GYPSUM), "gypsum", 6.0),
            (rectangle(0, CAVITY_TOP, problem.width, problem.height - CAVITY_TOP), "osb", 6.0),
        ]
    for face, name, largest in regions:
        face.faces.name = name
        face.faces.maxh = largest * size
    shape = Glue([face for face, _, _ in regions])
    for edge in shape.edges:
        on_outside = abs(edge.center.y) < 1e-6 or abs(edge.center.y - problem.height) < 1e-6
        edge.name = "outer" if problem.film and on_outside else "inside"
    mesh = ngsolve.Mesh(OCCGeometry(shape, dim=2).GenerateMesh(maxh=10 * size, grading=0.35))
    mesh.Curve(curve)
    return mesh
