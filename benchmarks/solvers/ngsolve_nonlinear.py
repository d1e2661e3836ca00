"""P4 with ngsolve: curved elements of order 2, only what follows temperature assembled again, symbolic factors kept.

The three forms that follow temperature (heat in PVC and gypsum, conduction in fill and wood, the outer faces) are assembled
on their own and added into one fixed pattern. Step rule and mesh are the fastest found that keep within 0.5 K and 1 %.
"""

from __future__ import annotations

import numpy as np

from solvers.frozen_coefficients import StepRule
from solvers.netgen_mesh import netgen_mesh
from solvers.problems import (
    AIR,
    COEFFICIENT,
    CONVECTION,
    EMISSIVITY,
    FIBRE_DENSITY,
    FIBRE_RADIATION,
    FIBRE_SOLID,
    LOADED,
    MM,
    PROBLEMS,
    SCALED,
    START,
    STEFAN_BOLTZMANN,
    properties,
)

HISTORY_RULE = StepRule(first=4.0, growth=1.7, longest=400.0, change=30.0)
CURVE_RULE = StepRule(first=3.0, growth=1.6, longest=500.0, change=25.0)
MESH_SIZE = 4.0
_HEAT_FOLLOWS, _CONDUCTION_FOLLOWS = ("pvc", "gypsum"), ("batt", "wood")


def _laws(ng, mesh, t, conductivity_scale, capacity_scale):
    """Conductivity and heat capacity per volume as functions of ``t`` [°C], scaled by material."""
    ratio = (t + 273.15) / 297.15
    fill = (
        0.0257 * ((t + 273.15) / 293.15) ** 0.85
        + FIBRE_SOLID * FIBRE_DENSITY
        + FIBRE_RADIATION / FIBRE_DENSITY * ratio * ratio * ratio
    )
    conduction = {"batt": fill, "wood": 0.12 * (1 + 0.002 * (t - 20))}
    up, down = 8050 / 30.0, 8050 / 40.0
    plain = ng.CF(950.0)
    falling = ng.IfPos(t - 110, 9000 - down * (t - 110), ng.IfPos(t - 80, 950 + up * (t - 80), plain))
    heat = {
        "pvc": ng.IfPos(t - 150, ng.CF(1390.0), 1000 * (1 + 0.003 * (t - 20))),
        "gypsum": ng.IfPos(t - 150, plain, falling),
    }

    def scaled(value, scale, name):
        return scale[name] * value if name in scale else value

    names = set(mesh.GetMaterials())
    k = {n: scaled(conduction.get(n, ng.CF(properties(n)[0])), conductivity_scale, n) for n in names}
    c = {n: scaled(properties(n)[1] * heat.get(n, ng.CF(properties(n)[2])), capacity_scale, n) for n in names}
    return mesh.MaterialCF(k), mesh.MaterialCF(c)


class NgsolveNonlinear:
    """The section of P4, for ``frozen_coefficients``.

    Parameters
    ----------
    size : float        factor on element sizes
    """

    def __init__(self, size: float = MESH_SIZE):
        import ngsolve as ng

        ng.SetNumThreads(1)
        mesh = netgen_mesh(PROBLEMS["P4"], size, 3)
        self.space = space = ng.H1(mesh, order=2)
        u, v = space.TnT()
        self.ahead = ahead = ng.GridFunction(space)
        ahead.Set(START)
        self.cold = ahead.vec.FV().NumPy().copy()
        self.conductivity_scale = {name: ng.Parameter(1.0) for name in SCALED}
        self.capacity_scale = {name: ng.Parameter(1.0) for name in SCALED}
        k, c = _laws(ng, mesh, ahead, self.conductivity_scale, self.capacity_scale)
        rise = ahead - AIR
        size_of_rise, kelvin = ng.sqrt(rise * rise + 1e-6), ahead + 273.15  # |rise| smoothed over 1 mK
        convected = CONVECTION * size_of_rise ** (1 / 3)
        slope = 4 / 3 * convected + 4 * EMISSIVITY * STEFAN_BOLTZMANN * kelvin * kelvin * kelvin
        radiated = kelvin * kelvin * kelvin * kelvin - (AIR + 273.15) ** 4
        flux = convected * rise + EMISSIVITY * STEFAN_BOLTZMANN * radiated

        def form(term):
            return ng.BilinearForm(term, symmetric=True).Assemble()

        def on(names):
            return ng.dx(definedon=mesh.Materials("|".join(names)))

        def others(names):
            return sorted(set(mesh.GetMaterials()) - set(names))

        conduct, store = ng.grad(u) * ng.grad(v), u * v
        heat, k = (c * MM**2).Compile(), k.Compile()
        self.matrix, self.mass = form(heat * store * ng.dx), form(heat * store * ng.dx)
        self.constant = [
            form(heat * store * on(others(_HEAT_FOLLOWS))),
            form(k * conduct * on(others(_CONDUCTION_FOLLOWS))),
        ]
        self.heat_form, self.conduction_form = (
            form(heat * store * on(_HEAT_FOLLOWS)),
            form(k * conduct * on(_CONDUCTION_FOLLOWS)),
        )
        edge = ng.ds("outer")
        self.face_form = form((MM * slope).Compile() * u * v * edge)
        self.face_load = ng.LinearForm((MM * (slope * ahead - flux)).Compile() * v * edge)
        self._place_in_pattern()
        self.loads = np.array(
            [ng.LinearForm(MM**2 * v * on((name,))).Assemble().vec.FV().NumPy().copy() for name in LOADED]
        ).T
        one = ng.GridFunction(space)
        one.Set(1.0)
        self.area = one.vec.FV().NumPy() @ self.loads
        self._left, self._right = ahead.vec.CreateVector(), ahead.vec.CreateVector()
        self._inverse = None
        self._assemble_constants()

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return len(self.cold)

    @staticmethod
    def _values(form):
        return form.mat.AsVector().FV().NumPy()

    def _place_in_pattern(self) -> None:
        row, column, _ = self.matrix.mat.COO()
        unknowns = self.space.ndof
        key = np.array(row, np.int64) * unknowns + np.array(column)
        order = np.argsort(key)

        def place(form):
            row, column, _ = form.mat.COO()
            wanted = np.array(row, np.int64) * unknowns + np.array(column)
            return order[np.searchsorted(key[order], wanted)]

        following = (self.heat_form, self.conduction_form, self.face_form)
        self._heat_at, self._conduction_at, self._face_at = map(place, following)
        self._constant_at = [place(form) for form in self.constant]

    def _assemble_constants(self) -> None:
        """Forms that do not follow temperature, in the pattern of the matrix."""
        size = len(self._values(self.matrix))
        self.constant_heat, self.constant_conduction = np.zeros(size), np.zeros(size)
        targets = (self.constant_heat, self.constant_conduction)
        for target, form, at in zip(targets, self.constant, self._constant_at, strict=True):
            form.Assemble()
            target[at] += self._values(form)

    def scale(self, conductivity: dict[str, float], capacity: dict[str, float]) -> None:
        """Become another member: factors by material; mesh, spaces, patterns and symbolic factors stay."""
        for name in SCALED:
            self.conductivity_scale[name].Set(conductivity[name])
            self.capacity_scale[name].Set(capacity[name])
        self._assemble_constants()

    def conductor(self, state: np.ndarray) -> float:
        """Mean of the hotter loaded conductor [°C]."""
        return float((self.loads.T @ state / self.area).max())

    def _apply(self, operator, vector: np.ndarray) -> np.ndarray:
        self._left.FV().NumPy()[:] = vector
        self._right.data = operator * self._left
        return self._right.FV().NumPy().copy()

    def prepare(self, ahead: np.ndarray, strength: float, g: float):
        """Solver, product with mass and right-hand side, with everything frozen at ``ahead``."""
        self.ahead.vec.FV().NumPy()[:] = ahead
        for form in (self.heat_form, self.conduction_form, self.face_form, self.face_load):
            form.Assemble()
        mass, matrix = self._values(self.mass), self._values(self.matrix)
        mass[:] = self.constant_heat
        mass[self._heat_at] += self._values(self.heat_form)
        matrix[:] = mass + g * self.constant_conduction
        matrix[self._conduction_at] += g * self._values(self.conduction_form)
        matrix[self._face_at] += g * self._values(self.face_form)
        if self._inverse is None:
            self._inverse = self.matrix.mat.Inverse(self.space.FreeDofs(), inverse="sparsecholesky")
        else:
            self._inverse.Update()
        joule = strength * (1 + COEFFICIENT * (self.loads.T @ ahead / self.area - 20))
        right = self.face_load.vec.FV().NumPy() + self.loads @ joule
        return lambda b: self._apply(self._inverse, b), lambda b: self._apply(self.mass.mat, b), right
