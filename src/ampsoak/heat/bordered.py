"""The matrix of a step: cells as a band or in fronts, bordered by conductors and air zones."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba.extending import overload

from ampsoak.heat.arrays import WIDEST_BAND, Network
from ampsoak.heat.banded import empty_band, factorise_band, solve_band_columns, solve_band_rows
from ampsoak.heat.compiling import roomy_kernel
from ampsoak.heat.dissection import Plan, make_plan
from ampsoak.heat.fronts import (
    FrontMatrix,
    empty_fronts,
    factorise_fronts,
    room_for_columns,
    solve_fronts_columns,
    solve_fronts_rows,
)
from ampsoak.heat.rows import dot_rows, take_products
from ampsoak.heat.sums import copy_to, dot, total
from ampsoak.heat.tiles import PAD_ROWS, SIDE

PRECISION = np.float32  # of factors; tests that look at last digits take double


class BandMatrix(NamedTuple):
    """The cells' part of a step matrix as a band.

    stencil (5, cells): sum of each row, and entries to the next cell along x, along y, along both, and from the next along x to the
    next along y; strides (2,); band as in ``banded``
    """

    stencil: np.ndarray
    strides: np.ndarray
    band: np.ndarray


class Factor(NamedTuple):
    """A factorised matrix: all of it that does not depend on the currents, and what went into it.

    matrix: of the cells; border (lumps, cells): their coupling to conductors and air zones, the lumps; reduced (lumps, cells): matrix⁻¹
    border; schur (lumps, lumps): -border matrix⁻¹ border; corner (lumps, lumps): coupling of lumps, without the slope of the
    Joule heat, with the skins eliminated; skin (n_skins, 2): diagonal of each skin [J/(m K)], and how far it follows its
    conductor; excess (unknowns,): sums of the columns of the whole matrix, without the Joule heat; felt (lumps + 1,): those of cells
    times each line of ``reduced``, and the sum of all; near (n,): cells that are coupled to a lump; capacity (unknowns,) [J/(m K)];
    flow, slope (n_faces,): of the border faces [W/m], [W/(m K)]
    """

    matrix: BandMatrix | FrontMatrix
    border: np.ndarray
    reduced: np.ndarray
    schur: np.ndarray
    corner: np.ndarray
    skin: np.ndarray
    excess: np.ndarray
    felt: np.ndarray
    near: np.ndarray
    capacity: np.ndarray
    flow: np.ndarray
    slope: np.ndarray


def empty_factor(network: Network, plan: Plan | None = None, band: np.ndarray | None = None) -> Factor:
    """A factor for ``network``; with a ``plan`` in fronts, else in ``band``, a new one where none is given."""
    stride_x, stride_y, cells, _, bandwidth = (int(value) for value in network.shape[2:])
    unknowns, skins, faces = len(network.main_area), len(network.skin_conductor), len(network.face_cell)
    lumps = unknowns - cells - skins
    if plan is None:
        band = empty_band(cells, bandwidth, PRECISION) if band is None else band
        matrix = BandMatrix(np.zeros((5, cells)), np.array([stride_x, stride_y]), band)
    else:
        matrix = empty_fronts(plan, max(lumps, 1), PRECISION)
    wide, square = (lumps, cells), (lumps, lumps)
    touching = np.concatenate([network.cut_cell, network.zones.cell])
    near = np.unique(touching[touching < cells]).astype(np.int64)
    return Factor(
        matrix, np.zeros(wide), np.zeros(wide), np.zeros(square), np.zeros(square), np.zeros((skins, 2)),
        np.zeros(unknowns), np.zeros(lumps + 1), near, np.zeros(unknowns), np.zeros(faces), np.zeros(faces),
    )  # fmt: skip


def plan_of(network: Network) -> Plan | None:
    """The order of elimination in fronts where that is the quicker way, else None."""
    nx, ny, stride_x, stride_y, _, _, bandwidth = (int(value) for value in network.shape)
    return make_plan(nx, ny, stride_x, stride_y) if bandwidth > WIDEST_BAND else None


def _factorise_cells(matrix):
    """Factorise what the stencil holds; False when it is not positive definite."""
    if isinstance(matrix, FrontMatrix):
        return factorise_fronts(matrix)
    return factorise_band(matrix.stencil, matrix.strides, matrix.band)


def _solve_cells(matrix, rights):
    """Overwrite ``rights`` (count, cells + PAD_ROWS), zero past the cells, by the solutions for a factorised ``matrix``."""
    if isinstance(matrix, FrontMatrix):
        solve_fronts_columns(matrix, rights)
    else:
        solve_band_columns(matrix.band, rights)


def _right_sides(matrix, count):
    """Room for ``count`` right sides, (count, cells + PAD_ROWS), zero past the cells."""
    if isinstance(matrix, FrontMatrix):
        return room_for_columns(matrix, count)
    return np.zeros((count, matrix.stencil.shape[1] + PAD_ROWS))


# the compiler chooses by the type of the matrix, so that fronts are compiled only for meshes that need them
@overload(_factorise_cells)
def _choose_factorise(matrix):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix: factorise_fronts(matrix)
    return lambda matrix: factorise_band(matrix.stencil, matrix.strides, matrix.band)


@overload(_solve_cells)
def _choose_solve(matrix, rights):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix, rights: solve_fronts_columns(matrix, rights)
    return lambda matrix, rights: solve_band_columns(matrix.band, rights)


@overload(_right_sides)
def _choose_room(matrix, count):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix, count: room_for_columns(matrix, count)
    return lambda matrix, count: np.zeros((count, matrix.stencil.shape[1] + PAD_ROWS))


@roomy_kernel
def reduce_border(factor, covered_cell):
    """Factorise the cells' matrix as its stencil says; fill ``reduced`` and ``schur``.

    Nothing here depends on the currents. Returns False when the matrix is not positive definite.
    """
    matrix, border, reduced, schur, corner = factor.matrix, factor.border, factor.reduced, factor.schur, factor.corner
    if not _factorise_cells(matrix):
        return False
    lumps, cells = border.shape
    # one column is what cells hold and lose by themselves: what of it is felt at the lumps closes the sums of their rows. It
    # stands for the first lump's own, as a kelvin more in all lumps and cells is what all of them together hold and lose
    rights = _right_sides(matrix, max(lumps, 1))
    own, excess, felt = rights[0], factor.excess, factor.felt
    copy_to(own[:cells], excess)
    for a in range(1, lumps):
        copy_to(rights[a, :cells], border[a])
    _solve_cells(matrix, rights)
    if lumps > 0:
        first = reduced[0]
        for q in range(cells):
            first[q] = own[q] - 1.0
        for a in range(1, lumps):
            solved, other = rights[a], reduced[a]
            for q in range(cells):
                other[q] = solved[q]
                first[q] -= solved[q]
        for n in range(len(covered_cell)):
            first[covered_cell[n]] = 0.0
    for a in range(lumps):
        kept = corner[a, a] + total(border[a]) - dot(border[a], own)
        for b in range(lumps):
            if b != a:
                schur[a, b] = -dot(border[a], reduced[b])
                kept += corner[a, b] - (schur[a, b] + corner[a, b])
        schur[a, a] = kept - corner[a, a]
        felt[a] = dot(reduced[a], excess)
    felt[lumps] = total(excess)
    return True


@roomy_kernel
def invert_corner(factor, gain, inverse):
    """Fill ``inverse`` of schur + corner - gain, (lumps, lumps); gain (conductors,): slope of the Joule heat [J/(m K)].

    Returns False when it is not positive definite: the conductors gain heat faster than the section takes it.
    """
    corner = factor.corner
    lumps = len(corner)
    small, work = np.empty((lumps, lumps)), np.empty((lumps, lumps))
    for a in range(lumps):
        for b in range(lumps):
            small[a, b] = factor.schur[a, b] + corner[a, b]
    for a in range(len(gain)):
        small[a, a] -= gain[a]
    for a in range(lumps):
        for b in range(lumps):
            work[a, b] = small[a, b]
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


@roomy_kernel
def solve_bordered(factor, covered_cell, skin_conductor, is_open, gain, inverse, right):
    """Overwrite ``right`` (unknowns,) by the solution of the bordered system; covered cells and open zones get 0.

    The sum of all equations holds to rounding in double precision: by how much single precision misses it is spread evenly,
    which is also where its digits end in a section that loses next to no heat.
    """
    reduced, border, near = factor.reduced, factor.border, factor.near
    lumps, cells = reduced.shape
    first_skin, first_zone = cells + lumps, cells + len(gain)
    skin, excess, felt = factor.skin, factor.excess, factor.felt
    for n in range(len(covered_cell)):
        right[covered_cell[n]] = 0.0
    for z in range(len(is_open)):
        if is_open[z]:
            right[first_zone + z] = 0.0
    short = total(right)
    for s in range(len(skin_conductor)):
        right[cells + skin_conductor[s]] += skin[s, 1] * right[first_skin + s]
    padded = _right_sides(factor.matrix, 1)
    inner = padded[0, :cells]
    copy_to(inner, right)
    _solve_cells(factor.matrix, padded)
    known, answer = np.zeros(lumps), np.zeros(lumps)
    for a in range(lumps):
        known[a] = right[cells + a]
        for n in range(len(near)):
            known[a] -= border[a, near[n]] * inner[near[n]]
    for a in range(lumps):
        for b in range(lumps):
            answer[a] += inverse[a, b] * known[b]
        right[cells + a] = answer[a]
    for s in range(len(skin_conductor)):
        own = right[first_skin + s] / skin[s, 0]
        right[first_skin + s] = own + skin[s, 1] * right[cells + skin_conductor[s]]
    # what the sum of all equations is short of, and by how much a kelvin everywhere changes it
    short, slope = short - dot(inner, excess), felt[lumps]
    for a in range(lumps):
        short += felt[a] * answer[a]
    for q in range(cells, len(right)):
        short -= excess[q] * right[q]
    for a in range(len(gain)):
        short += gain[a] * answer[a]
        slope -= gain[a]
    shift = short / slope if slope > 0.0 else 0.0
    for cell in range(cells):
        right[cell] = inner[cell] + shift
    for a in range(lumps):
        value, column = answer[a], reduced[a]
        for cell in range(cells):
            right[cell] -= column[cell] * value
    for q in range(cells, len(right)):
        right[q] += shift
    for n in range(len(covered_cell)):
        right[covered_cell[n]] = 0.0
    for z in range(len(is_open)):
        if is_open[z]:
            right[first_zone + z] = 0.0


def _solve_cell_rows(matrix, rows):
    """Overwrite the cells' part of ``rows``, eight right sides side by side, by the solutions for a factorised ``matrix``."""
    if isinstance(matrix, FrontMatrix):
        solve_fronts_rows(matrix, rows)
    else:
        solve_band_rows(matrix.band, matrix.stencil.shape[1], rows)


@overload(_solve_cell_rows)
def _choose_solve_rows(matrix, rows):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix, rows: solve_fronts_rows(matrix, rows)
    return lambda matrix, rows: solve_band_rows(matrix.band, matrix.stencil.shape[1], rows)


@roomy_kernel
def invert_corners(factor, gain, inverse):
    """``invert_corner`` for eight members: gain (conductors, 8), inverse (lumps, lumps, 8); the first member without one, or -1."""
    lumps = len(factor.corner)
    own, one = np.zeros(len(gain)), np.zeros((lumps, lumps))
    for m in range(SIDE):
        for c in range(len(gain)):
            own[c] = gain[c, m]
        if not invert_corner(factor, own, one):
            return m
        for a in range(lumps):
            for b in range(lumps):
                inverse[a, b, m] = one[a, b]
    return -1


@roomy_kernel
def solve_bordered_rows(factor, covered_cell, skin_conductor, inverse, rows):
    """``solve_bordered`` for eight members: rows (at least unknowns and whole panels, 8) as one array of numbers, inverse (lumps,
    lumps, 8)."""
    reduced, skin = factor.reduced, factor.skin
    lumps, cells = reduced.shape
    first_skin = cells + lumps
    for s in range(len(skin_conductor)):
        for m in range(SIDE):
            rows[SIDE * (cells + skin_conductor[s]) + m] += skin[s, 1] * rows[SIDE * (first_skin + s) + m]
    for n in range(len(covered_cell)):
        for m in range(SIDE):
            rows[SIDE * covered_cell[n] + m] = 0.0
    known = np.zeros(lumps * SIDE)
    for a in range(lumps):
        dot_rows(reduced[a], rows, cells, known, SIDE * a)
    for a in range(lumps * SIDE):
        known[a] = rows[SIDE * cells + a] - known[a]
    _solve_cell_rows(factor.matrix, rows)
    for a in range(lumps):
        for m in range(SIDE):
            answer = 0.0
            for b in range(lumps):
                answer += inverse[a, b, m] * known[SIDE * b + m]
            rows[SIDE * (cells + a) + m] = answer
    take_products(reduced.reshape(reduced.size), cells, rows, cells, lumps, rows)
    for s in range(len(skin_conductor)):
        for m in range(SIDE):
            own = SIDE * (first_skin + s) + m
            rows[own] = rows[own] / skin[s, 0] + skin[s, 1] * rows[SIDE * (cells + skin_conductor[s]) + m]
