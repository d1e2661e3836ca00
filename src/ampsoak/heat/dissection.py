"""Nested dissection: Cholesky factors of large meshes in fronts, so that the work per cell hardly grows with their number.

The grid is halved again and again by lines of cells, the longer side first; each piece is eliminated before the line that
parts it from its neighbour (A. George, SIAM J. Numer. Anal. 10 (1973) 345). What a piece leaves behind acts on the ring of
cells round it only, so every elimination is a small dense matrix, a *front*: its own cells (pivots) and the ring. A front is
stored like a band that reaches to its end, so the kernels of ``banded`` serve here as well.
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np

from ampsoak.heat.banded import (
    PAD_COLUMNS,
    PAD_ROWS,
    _backward,
    _block_products,
    _factorise_diagonal,
    _finish_rows,
    _forward,
)

_LEAF = 40  # cells of a piece that is not halved any further


class Plan(NamedTuple):
    """Order of elimination and where everything goes; fronts are numbered children first.

    pivot_start (fronts + 1,), pivot_cell: cells of each front, filled up to a multiple of four by -1
    ring_start (fronts + 1,), ring_cell: cells round it
    lower_start (fronts + 1,): place of its factor in ``lower``; update_start (fronts + 1,): of what it leaves behind
    entry_start (fronts + 1,), entry_column, entry_row, entry_source: matrix entries that are added in, numbers of ``stencil``
    child (fronts, 2): fronts whose remainder is added in, -1 for none; place_start (fronts + 1,), place: where in the parent
    each ring cell of a front is
    """

    pivot_start: np.ndarray
    pivot_cell: np.ndarray
    ring_start: np.ndarray
    ring_cell: np.ndarray
    lower_start: np.ndarray
    update_start: np.ndarray
    entry_start: np.ndarray
    entry_column: np.ndarray
    entry_row: np.ndarray
    entry_source: np.ndarray
    child: np.ndarray
    place: np.ndarray


def _pieces(nx: int, ny: int) -> tuple[list, list]:
    """Rectangles of pivots and whole rectangles in order of elimination, and the two children of each."""
    found, children = [], []

    def halve(i0, i1, j0, j1) -> int:
        wide, high = i1 - i0, j1 - j0
        if wide * high <= _LEAF or max(wide, high) < 3:
            pivots, below = (i0, i1, j0, j1), (-1, -1)
        elif wide >= high:
            middle = (i0 + i1) // 2
            below = (halve(i0, middle, j0, j1), halve(middle + 1, i1, j0, j1))
            pivots = (middle, middle + 1, j0, j1)
        else:
            middle = (j0 + j1) // 2
            below = (halve(i0, i1, j0, middle), halve(i0, i1, middle + 1, j1))
            pivots = (i0, i1, middle, middle + 1)
        found.append((pivots, (i0, i1, j0, j1)))
        children.append(below)
        return len(found) - 1

    halve(0, nx, 0, ny)
    return found, children


def _cells(number: np.ndarray, box) -> np.ndarray:
    i0, i1, j0, j1 = box
    return number[i0:i1, j0:j1].ravel()


def _ring(number: np.ndarray, box) -> np.ndarray:
    i0, i1, j0, j1 = box
    wide = slice(max(i0 - 1, 0), i1 + 1)
    sides = [number[wide, j] for j in (j0 - 1, j1) if 0 <= j < number.shape[1]]
    sides += [number[i, j0:j1] for i in (i0 - 1, i1) if 0 <= i < number.shape[0]]
    return np.sort(np.concatenate(sides)) if sides else np.zeros(0, dtype=np.int64)


def _starts(counts) -> np.ndarray:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def make_plan(nx: int, ny: int, stride_x: int, stride_y: int) -> Plan:
    """Order the cells of a grid (nx, ny), cell (i, j) being number i * stride_x + j * stride_y."""
    number = np.arange(nx)[:, None] * stride_x + np.arange(ny)[None, :] * stride_y
    cells = nx * ny
    boxes, children = _pieces(nx, ny)
    pivots, rings = [_cells(number, box) for box, _ in boxes], [_ring(number, whole) for _, whole in boxes]
    front_of, pivot_of = np.empty(cells, dtype=np.int64), np.empty(cells, dtype=np.int64)
    for front, chosen in enumerate(pivots):
        front_of[chosen], pivot_of[chosen] = front, np.arange(len(chosen))
    padded = np.array([-(-len(chosen) // 4) * 4 for chosen in pivots])
    ring_count = np.array([len(ring) for ring in rings])
    pivot_start, ring_start = _starts(padded), _starts(ring_count)
    pivot_cell = np.full(pivot_start[-1], -1, dtype=np.int64)
    pivot_cell[pivot_start[front_of] + pivot_of] = np.arange(cells)
    ring_cell = np.concatenate(rings) if rings else np.zeros(0, dtype=np.int64)
    of_ring = np.repeat(np.arange(len(boxes)), ring_count)
    keys = of_ring * cells + ring_cell  # sorted: fronts in order, and cells in order inside each

    def place_in(front, cell):
        """Place of ``cell`` in ``front``: among its pivots, or behind them in the ring."""
        in_ring = padded[front] + np.searchsorted(keys, front * cells + cell) - ring_start[front]
        return np.where(front_of[cell] == front, pivot_of[cell], in_ring)

    parent = np.full(len(boxes), -1, dtype=np.int64)
    for front, below in enumerate(children):
        for child in below:
            if child >= 0:
                parent[child] = front
    place = np.zeros(len(ring_cell), dtype=np.int64)
    inner = parent[of_ring] >= 0
    place[inner] = place_in(parent[of_ring][inner], ring_cell[inner])
    first, second, source = _edges(number)
    swap = front_of[first] > front_of[second]
    first[swap], second[swap] = second[swap], first[swap]
    owner = front_of[first]
    one, other = pivot_of[first], place_in(owner, second)
    order = np.argsort(owner, kind="stable")
    width = padded + ring_count + PAD_COLUMNS
    return Plan(
        pivot_start, pivot_cell, ring_start, ring_cell, _starts(padded * width), _starts(ring_count**2),
        _starts(np.bincount(owner, minlength=len(boxes))), np.minimum(one, other)[order], np.maximum(one, other)[order],
        source[order], np.array(children, dtype=np.int64).reshape(-1, 2), place,
    )  # fmt: skip


def _edges(number: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every entry of the matrix: its two cells, and its place in a flat ``stencil`` (5, cells)."""
    pairs = (
        (number, number), (number[:-1], number[1:]), (number[:, :-1], number[:, 1:]),
        (number[:-1, :-1], number[1:, 1:]), (number[1:, :-1], number[:-1, 1:]),
    )  # fmt: skip
    holders = (number, number[:-1], number[:, :-1], number[:-1, :-1], number[:-1, :-1])
    return (
        np.concatenate([a.ravel() for a, _ in pairs]),
        np.concatenate([b.ravel() for _, b in pairs]),
        np.concatenate([kind * number.size + holder.ravel() for kind, holder in enumerate(holders)]),
    )


@numba.njit(cache=True, nogil=True)
def _eliminate(front, pivots, rows):
    """Factorise the first ``pivots`` columns of a front and take what they leave from the others; False if not definite."""
    products = np.empty((4, 8))
    for t in range(0, rows, 4):
        done = min(t, pivots)
        if t < pivots:
            _block_products(front, 0, done, t, t, products)
            if not _factorise_diagonal(front, t, products):
                return False
            for row in range(t + 8, rows, 8):
                _block_products(front, 0, done, row, t, products)
                _finish_rows(front, t, row, products)
        else:
            for row in range(t, rows, 8):
                _block_products(front, 0, done, row, t, products)
                for j in range(4):
                    for i in range(max(0, t + j - row), 8):
                        front[t + j, row + i - t - j] -= products[j, i]
    return True


@numba.njit(cache=True, nogil=True)
def factorise_fronts(plan, stencil, lower, update):
    """Fill ``lower`` with the factors of all fronts; False if the matrix is not positive definite.

    stencil (5, cells): diagonal, entries to the next cell along x, along y, along both, and across from the next along x to
    the next along y; update: scratch for what fronts leave behind
    """
    flat = stencil.ravel()
    most = 0
    for f in range(len(plan.child)):
        rows = plan.pivot_start[f + 1] - plan.pivot_start[f] + plan.ring_start[f + 1] - plan.ring_start[f]
        most = max(most, rows)
    room = np.empty((most + PAD_ROWS) * (most + PAD_COLUMNS))
    for f in range(len(plan.child)):
        pivots = plan.pivot_start[f + 1] - plan.pivot_start[f]
        ring = plan.ring_start[f + 1] - plan.ring_start[f]
        rows = pivots + ring
        width = rows + PAD_COLUMNS
        front = room[: (rows + PAD_ROWS) * width].reshape((rows + PAD_ROWS, width))
        front[:] = 0.0
        for k in range(plan.pivot_start[f], plan.pivot_start[f + 1]):
            if plan.pivot_cell[k] < 0:
                front[k - plan.pivot_start[f], 0] = 1.0
        for e in range(plan.entry_start[f], plan.entry_start[f + 1]):
            front[plan.entry_column[e], plan.entry_row[e] - plan.entry_column[e]] += flat[plan.entry_source[e]]
        for side in range(2):
            c = plan.child[f, side]
            if c < 0:
                continue
            first, size = plan.ring_start[c], plan.ring_start[c + 1] - plan.ring_start[c]
            left = update[plan.update_start[c] : plan.update_start[c + 1]].reshape((size, size))
            for a in range(size):
                column = plan.place[first + a]
                for b in range(a, size):
                    row = plan.place[first + b]
                    if row >= column:
                        front[column, row - column] += left[a, b]
                    else:
                        front[row, column - row] += left[a, b]
        if not _eliminate(front, pivots, rows):
            return False
        lower[plan.lower_start[f] : plan.lower_start[f + 1]] = room[: pivots * width]
        left = update[plan.update_start[f] : plan.update_start[f + 1]].reshape((ring, ring))
        for a in range(ring):
            for b in range(a, ring):
                left[a, b] = front[pivots + a, b - a]
    return True


@numba.njit(cache=True, nogil=True)
def solve_fronts(plan, lower, right):
    """Overwrite ``right`` (at least cells,) by the solution for factorised fronts."""
    fronts = len(plan.child)
    four, sums = np.empty(4), np.empty((4, 8))
    most = 0
    for f in range(fronts):
        most = max(most, plan.pivot_start[f + 1] - plan.pivot_start[f] + plan.ring_start[f + 1] - plan.ring_start[f])
    local = np.zeros(most + PAD_ROWS)
    for f in range(fronts):
        pivots = plan.pivot_start[f + 1] - plan.pivot_start[f]
        rows = pivots + plan.ring_start[f + 1] - plan.ring_start[f]
        factor = lower[plan.lower_start[f] : plan.lower_start[f + 1]].reshape((pivots, rows + PAD_COLUMNS))
        for k in range(pivots):
            cell = plan.pivot_cell[plan.pivot_start[f] + k]
            local[k] = right[cell] if cell >= 0 else 0.0
        local[pivots : rows + PAD_ROWS] = 0.0
        for t in range(0, pivots, 4):
            _forward(factor, t, rows, four, local)
        for k in range(pivots):
            cell = plan.pivot_cell[plan.pivot_start[f] + k]
            if cell >= 0:
                right[cell] = local[k]
        for k in range(pivots, rows):
            right[plan.ring_cell[plan.ring_start[f] + k - pivots]] += local[k]
    for f in range(fronts - 1, -1, -1):
        pivots = plan.pivot_start[f + 1] - plan.pivot_start[f]
        rows = pivots + plan.ring_start[f + 1] - plan.ring_start[f]
        factor = lower[plan.lower_start[f] : plan.lower_start[f + 1]].reshape((pivots, rows + PAD_COLUMNS))
        for k in range(pivots):
            cell = plan.pivot_cell[plan.pivot_start[f] + k]
            local[k] = right[cell] if cell >= 0 else 0.0
        for k in range(pivots, rows):
            local[k] = right[plan.ring_cell[plan.ring_start[f] + k - pivots]]
        local[rows : rows + PAD_ROWS] = 0.0
        for t in range(pivots - 4, -1, -4):
            _backward(factor, t, rows, sums, local)
        for k in range(pivots):
            cell = plan.pivot_cell[plan.pivot_start[f] + k]
            if cell >= 0:
                right[cell] = local[k]
