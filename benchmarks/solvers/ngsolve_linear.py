"""P1-P3 with ngsolve: curved elements of order 2, matrices handed to scipy for held factors."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from solvers.held_factors import LinearSystem
from solvers.netgen_mesh import netgen_mesh
from solvers.problems import LOADED, MM, START, Problem, properties

MESH_SIZE = 4.0  # the coarsest worth having: larger saves nothing, and all problems stay within 0.3 K


def ngsolve_system(problem: Problem) -> LinearSystem:
    """Mesh and assemble."""
    import ngsolve as ng

    ng.SetNumThreads(1)
    mesh = netgen_mesh(problem, MESH_SIZE, 2)
    space = ng.H1(mesh, order=2)
    u, v = space.TnT()
    names = mesh.GetMaterials()
    conductivity = mesh.MaterialCF({name: properties(name)[0] for name in names})
    capacity = mesh.MaterialCF({name: properties(name)[1] * properties(name)[2] for name in names})
    plane, edge = ng.dx(bonus_intorder=2), ng.ds("outer", bonus_intorder=2)
    film = problem.film * MM

    def matrix(form):
        row, column, value = ng.BilinearForm(form).Assemble().mat.COO()
        return sparse.csr_matrix((np.array(value), (np.array(row), np.array(column))), shape=(space.ndof,) * 2)

    def vector(form):
        return ng.LinearForm(form).Assemble().vec.FV().NumPy().copy()

    loads = np.array([vector(MM**2 * v * ng.dx(definedon=mesh.Materials(name), bonus_intorder=2)) for name in LOADED]).T
    one = ng.GridFunction(space)
    one.Set(1.0)  # in a hierarchical basis constants are not vectors of equal entries
    ones = one.vec.FV().NumPy().copy()
    return LinearSystem(
        mass=matrix(capacity * MM**2 * u * v * plane),
        stiffness=matrix(conductivity * ng.grad(u) * ng.grad(v) * plane + film * u * v * edge),
        loads=loads,
        area=ones @ loads,
        films=vector(film * START * v * edge) if film else np.zeros(space.ndof),
        cold=START * ones,
    )
