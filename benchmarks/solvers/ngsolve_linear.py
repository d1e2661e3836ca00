"""P1-P3 with ngsolve: curved elements of order 2; for held scipy factors, or refactorised step by step by its own Cholesky."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sparse

from solvers.held_factors import LinearSystem
from solvers.netgen_mesh import netgen_mesh
from solvers.problems import COEFFICIENT, LOADED, MM, START, Problem, properties

ORDER = 2
_SIZE = {"P1": 3.0, "P2": 1.5, "P3": 2.0}  # coarsest meshes that keep within 0.5 K


class NgsolveLinear:
    """Assembled forms of one problem.

    Parameters
    ----------
    problem : Problem
    """

    def __init__(self, problem: Problem):
        import ngsolve as ng

        ng.SetNumThreads(1)
        mesh = netgen_mesh(problem, _SIZE[problem.name], ORDER)
        space = ng.H1(mesh, order=ORDER)
        u, v = space.TnT()
        names = mesh.GetMaterials()
        conductivity = mesh.MaterialCF({name: properties(name)[0] for name in names})
        capacity = mesh.MaterialCF({name: properties(name)[1] * properties(name)[2] for name in names})
        plane, edge = ng.dx(bonus_intorder=2), ng.ds("outer", bonus_intorder=2)
        film = problem.film * MM
        self.stiffness = ng.BilinearForm(
            conductivity * ng.grad(u) * ng.grad(v) * plane + film * u * v * edge, symmetric=True
        ).Assemble()
        self.mass = ng.BilinearForm(capacity * MM**2 * u * v * plane, symmetric=True).Assemble()

        def vector(form):
            return ng.LinearForm(form).Assemble().vec.FV().NumPy().copy()

        self.loads = np.array(
            [vector(MM**2 * v * ng.dx(definedon=mesh.Materials(name), bonus_intorder=2)) for name in LOADED]
        ).T
        self.films = vector(film * START * v * edge) if film else np.zeros(space.ndof)
        one = ng.GridFunction(space)
        one.Set(1.0)  # in a hierarchical basis constants are not vectors of equal entries
        ones = one.vec.FV().NumPy().copy()
        self.area, self.cold, self.space = ones @ self.loads, START * ones, space
        self._matrix = self._inverse = None

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return len(self.cold)

    def system(self) -> LinearSystem:
        """The matrices for scipy."""

        def csr(form):
            row, column, value = form.mat.COO()
            return sparse.csr_matrix((np.array(value), (np.array(row), np.array(column))), shape=(self.unknowns,) * 2)

        return LinearSystem(csr(self.mass), csr(self.stiffness), self.loads, self.area, self.films, self.cold)

    # what ``frozen_coefficients.march`` asks for
    def conductor(self, state: np.ndarray) -> float:
        """Mean of the hotter loaded conductor [°C]."""
        return float((self.loads.T @ state / self.area).max())

    def prepare(self, ahead: np.ndarray, strength: float, g: float):
        """Solver of mass + g stiffness, product with mass, and right-hand side with Joule heat at ``ahead``."""
        if self._matrix is None:
            self._matrix = self.stiffness.mat.CreateMatrix()
            self._left, self._right = self._matrix.CreateRowVector(), self._matrix.CreateColVector()
        mass, stiffness = (form.mat.AsVector().FV().NumPy() for form in (self.mass, self.stiffness))
        self._matrix.AsVector().FV().NumPy()[:] = mass + g * stiffness
        if self._inverse is None:
            self._inverse = self._matrix.Inverse(self.space.FreeDofs(), inverse="sparsecholesky")
        else:
            self._inverse.Update()

        def apply(operator, vector):
            self._left.FV().NumPy()[:] = vector
            self._right.data = operator * self._left
            return self._right.FV().NumPy().copy()

        heat = strength * (1 + COEFFICIENT * (self.loads.T @ ahead / self.area - 20))
        right = self.films + self.loads @ heat
        return lambda b: apply(self._inverse, b), lambda b: apply(self.mass.mat, b), right
