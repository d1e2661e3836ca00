"""P1-P3 with scikit-fem: quadratic elements on gmsh's second-order triangles."""

from __future__ import annotations

import numpy as np

from solvers.gmsh_mesh import gmsh_mesh
from solvers.held_factors import LinearSystem
from solvers.problems import LOADED, MM, START, Problem, material_at, properties

# element sizes [mm] and their growth: the coarsest that keep within 0.5 K on every problem
_NEAR, _FAR, _GROWTH = 0.75, 20.0, 0.4


def skfem_system(problem: Problem) -> LinearSystem:
    """Mesh and assemble."""
    import meshio
    import skfem
    import skfem.io
    from skfem.helpers import dot, grad

    points, triangles = gmsh_mesh(problem, _NEAR, _FAR, _GROWTH)
    mesh = skfem.io.from_meshio(meshio.Mesh(points, [("triangle6", triangles)]))
    element = skfem.ElementTriP2()
    basis = skfem.Basis(mesh, element, intorder=5)
    centre = mesh.mapping().F(np.array([[1 / 3], [1 / 3]]))[:, :, 0]
    names = material_at(problem, centre[0], centre[1])
    table = np.array([properties(name) for name in names])
    conductivity, capacity = table[:, :1], (table[:, 1] * table[:, 2])[:, None] * MM**2
    stiffness = skfem.BilinearForm(lambda u, v, w: conductivity * dot(grad(u), grad(v))).assemble(basis)
    mass = skfem.BilinearForm(lambda u, v, w: capacity * u * v).assemble(basis)
    loads = np.array(
        [
            skfem.LinearForm(lambda v, w, inside=(names == name)[:, None]: inside * MM**2 * v).assemble(basis)
            for name in LOADED
        ]
    ).T
    films = np.zeros(len(loads))
    if problem.film:
        facets = mesh.facets_satisfying(
            lambda x: (np.abs(x[1]) < 1e-6) | (np.abs(x[1] - problem.height) < 1e-6), boundaries_only=True
        )
        edge = skfem.FacetBasis(mesh, element, facets=facets, intorder=4)
        film = problem.film * MM
        stiffness = stiffness + skfem.BilinearForm(lambda u, v, w: film * u * v).assemble(edge)
        films = skfem.LinearForm(lambda v, w: film * START * v).assemble(edge)
    return LinearSystem(mass.tocsr(), stiffness.tocsr(), loads, loads.sum(axis=0), films, np.full(len(loads), START))
