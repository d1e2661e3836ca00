"""The matrix of a step: cells as a band or in fronts, bordered by conductors and air zones."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba.extending import overload

from ampsoak.heat.arrays import WIDEST_BAND, Network
from ampsoak.heat.banded import PAD_ROWS, empty_band, factorise, solve_band
from ampsoak.heat.compiling import inner, kernel
from ampsoak.heat.dissection import Plan, factorise_fronts, make_plan, solve_fronts
from ampsoak.heat.sums import dot


class BandMatrix(NamedTuple):
    """The cells' part of a step matrix as a band.

    stencil (5, cells): diagonal, and entries to the next cell along x, along y, along both, and from the next along x to the
    next along y; strides (2,); band as in ``banded``
    """

    stencil: np.ndarray
    strides: np.ndarray
    band: np.ndarray


class FrontMatrix(NamedTuple):
    """The same on a large mesh, in fronts: plan, lower, update as in ``dissection``."""

    stencil: np.ndarray
    plan: Plan
    lower: np.ndarray
    update: np.ndarray


class Factor(NamedTuple):
    """A factorised matrix: all of it that does not depend on the currents, and what went into it.

    matrix: of the cells; border (lumps, cells): their coupling to conductors and air zones, the lumps; reduced (lumps, cells): matrix⁻¹
    border; schur (lumps, lumps): -border matrix⁻¹ border; corner (lumps, lumps): coupling of lumps, without the slope of the
    Joule heat, with the skins eliminated; skin_pivot (n_skins,) [J/(m K)], skin_pull (n_skins,): diagonal of each skin, and
    how far it follows its conductor; capacity (unknowns,) [J/(m K)]; flow, slope (n_faces,): of the border faces [W/m], [W/(m K)]
    """

    matrix: BandMatrix | FrontMatrix
    border: np.ndarray
    reduced: np.ndarray
    schur: np.ndarray
    corner: np.ndarray
    skin_pivot: np.ndarray
    skin_pull: np.ndarray
    capacity: np.ndarray
    flow: np.ndarray
    slope: np.ndarray


def empty_factor(network: Network, plan: Plan | None = None, band: np.ndarray | None = None) -> Factor:
    """A factor for ``network``; with a ``plan`` in fronts, else in ``band``, a new one where none is given."""
    stride_x, stride_y, cells, _, bandwidth = (int(value) for value in network.shape[2:])
    unknowns, skins, faces = len(network.main_area), len(network.skin_conductor), len(network.face_cell)
    lumps = unknowns - cells - skins
    stencil = np.zeros((5, cells))
    if plan is None:
        band = empty_band(cells, bandwidth) if band is None else band
        matrix = BandMatrix(stencil, np.array([stride_x, stride_y]), band)
    else:
        matrix = FrontMatrix(stencil, plan, np.zeros(plan.lower_start[-1]), np.zeros(plan.update_start[-1]))
    wide, square = (lumps, cells), (lumps, lumps)
    return Factor(
        matrix, np.zeros(wide), np.zeros(wide), np.zeros(square), np.zeros(square), np.zeros(skins), np.zeros(skins),
        np.zeros(unknowns), np.zeros(faces), np.zeros(faces),
    )  # fmt: skip


def plan_of(network: Network) -> Plan | None:
    """The order of elimination in fronts where that is the quicker way, else None."""
    nx, ny, stride_x, stride_y, _, _, bandwidth = (int(value) for value in network.shape)
    return make_plan(nx, ny, stride_x, stride_y) if bandwidth > WIDEST_BAND else None


@inner
def _factorise_band(matrix):
    stencil, band, stride_x, stride_y = matrix.stencil, matrix.band, matrix.strides[0], matrix.strides[1]
    band[:] = 0.0
    first, apart = min(stride_x, stride_y), abs(stride_x - stride_y)
    for cell in range(stencil.shape[1]):
        band[cell, 0] += stencil[0, cell]
        band[cell, stride_x] += stencil[1, cell]
        band[cell, stride_y] += stencil[2, cell]
        band[cell, stride_x + stride_y] += stencil[3, cell]
        band[cell + first, apart] += stencil[4, cell]
    return factorise(band)


@inner
def _factorise_fronts(matrix):
    return factorise_fronts(matrix.plan, matrix.stencil, matrix.lower, matrix.update)


@inner
def _solve_band(matrix, right):
    solve_band(matrix.band, right)


@inner
def _solve_fronts(matrix, right):
    solve_fronts(matrix.plan, matrix.lower, right)


def _factorise_cells(matrix):
    """Factorise what the stencil holds; False when it is not positive definite."""
    return _factorise_fronts(matrix) if isinstance(matrix, FrontMatrix) else _factorise_band(matrix)


def _solve_cells(matrix, right):
    """Overwrite ``right`` (cells + PAD_ROWS,), zero past the cells, by the solution for a factorised ``matrix``."""
    if isinstance(matrix, FrontMatrix):
        _solve_fronts(matrix, right)
    else:
        _solve_band(matrix, right)


# the compiler chooses by the type of the matrix, so that fronts are compiled only for meshes that need them
@overload(_factorise_cells)
def _choose_factorise(matrix):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix: _factorise_fronts(matrix)
    return lambda matrix: _factorise_band(matrix)


@overload(_solve_cells)
def _choose_solve(matrix, right):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix, right: _solve_fronts(matrix, right)
    return lambda matrix, right: _solve_band(matrix, right)


@kernel
def reduce_border(factor):
    """Factorise the cells' matrix as its stencil says; fill ``reduced`` and ``schur``.

    Nothing here depends on the currents. Returns False when the matrix is not positive definite.
    """
    matrix, border, reduced = factor.matrix, factor.border, factor.reduced
    if not _factorise_cells(matrix):
        return False
    lumps, cells = border.shape
    right = np.zeros(cells + PAD_ROWS)
    for a in range(lumps):
        right[:cells] = border[a]
        _solve_cells(matrix, right)
        reduced[a] = right[:cells]
    for a in range(lumps):
        for b in range(lumps):
            factor.schur[a, b] = -dot(border[a], reduced[b])
    return True


@kernel
def invert_corner(factor, gain, inverse):
    """Fill ``inverse`` of schur + corner - gain, (lumps, lumps); gain (conductors,): slope of the Joule heat [J/(m K)].

    Returns False when it is not positive definite: the conductors gain heat faster than the section takes it.
    """
    corner = factor.corner
    lumps = len(corner)
    small = factor.schur + corner
    for a in range(len(gain)):
        small[a, a] -= gain[a]
    work = small.copy()
    for a in range(lumps):
        if not (work[a, a] > 1e-12 * abs(corner[a, a])):
            return False
        for b in range(a + 1, lumps):
            ratio = work[b, a] / work[a, a]
            for c in range(a, lumps):
                work[b, c] -= ratio * work[a, c]
    for a in range(lumps):
        for b in range(lumps):
            inverse[a, b] = 1.0 if a == b else 0.0
    for a in range(lumps):
        pivot = small[a, a]
        for b in range(lumps):
            small[a, b] /= pivot
            inverse[a, b] /= pivot
        for c in range(lumps):
            if c != a:
                ratio = small[c, a]
                if ratio != 0.0:
                    for b in range(lumps):
                        small[c, b] -= ratio * small[a, b]
                        inverse[c, b] -= ratio * inverse[a, b]
    return True


@kernel
def solve_bordered(network, factor, inverse, right):
    """Overwrite ``right`` (unknowns,) by the solution of the bordered system; covered cells get 0."""
    cells, reduced = network.shape[4], factor.reduced
    lumps = len(reduced)
    first_skin = cells + lumps
    for s in range(len(network.skin_conductor)):
        right[cells + network.skin_conductor[s]] += factor.skin_pull[s] * right[first_skin + s]
    for n in range(len(network.covered_cell)):
        right[network.covered_cell[n]] = 0.0
    padded = np.zeros(cells + PAD_ROWS)
    inner = padded[:cells]
    inner[:] = right[:cells]
    for a in range(lumps):
        right[cells + a] -= dot(reduced[a], inner)
    _solve_cells(factor.matrix, padded)
    answer = np.zeros(lumps)
    for a in range(lumps):
        for b in range(lumps):
            answer[a] += inverse[a, b] * right[cells + b]
    for a in range(lumps):
        right[cells + a] = value = answer[a]
        column = reduced[a]
        for cell in range(cells):
            inner[cell] -= column[cell] * value
    right[:cells] = inner
    for s in range(len(network.skin_conductor)):
        own = right[first_skin + s] / factor.skin_pivot[s]
        right[first_skin + s] = own + factor.skin_pull[s] * right[cells + network.skin_conductor[s]]
