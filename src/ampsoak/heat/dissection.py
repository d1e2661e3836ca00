"""Nested dissection: Cholesky factors of large meshes in fronts, so that work per cell hardly grows with their number.

The grid is halved again and again by lines of cells, the longer side first; each piece is eliminated before the line
that parts it from its neighbour (A. George, SIAM J. Numer. Anal. 10 (1973) 345). What a piece leaves behind acts on
the ring of cells round it only, so every elimination is a small dense matrix, a *front*: its own cells (pivots) and
the ring. Fronts are worked on one after the other in one *room*, children first, and what they leave is kept on a
stack until their parent takes it (the multifrontal method: I. S. Duff and J. K. Reid, ACM Trans. Math. Softw. 9 (1983)
302, from memory).

Everything is in tiles. In the room, groups of panels hold the tiles of one row side by side, so that what is multiplied
lies in one piece; in the factor, panels lie one behind the other in the order in which solutions read them. It is kept
in single precision (``banded`` tells why that is enough): on a large mesh, reading it is what solutions spend their
time on.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ampsoak.heat.compiling import roomy_inner, roomy_kernel
from ampsoak.heat.tiles import (
    SIDE,
    TILE,
    aligned_zeros,
    backward,
    clear,
    divide,
    forward,
    invert_diagonal,
    scatter,
    subtract_products,
    sum_columns,
)

_LEAF = 64  # cells of a piece that is not halved any further
_GROUP = 8  # panels that are eliminated before the rest of a front hears of them

# columns of ``Plan.front``
_PIVOTS, _RING, _LOWER, _LEFT, _ENTRIES, _CHILD, _OTHER = range(7)


class Plan(NamedTuple):
    """Order of elimination and where everything goes; fronts are numbered children first.

    position (cells,): where a cell is in the order of elimination, which has gaps: each front's pivots are filled up to
    whole tiles
    front (fronts + 1, 7): where the parts of each front begin: the positions of its pivots, its ring in ``ring``, its
    factor in ``lower``, what it leaves in ``scratch``, its part of ``entry``; and two fronts whose
    remainder is added in, -1 for none
    ring (3, n): positions of the cells round a front in order, filled up with a position past all others; and where in
    the parent's room their entries are: place of one as a column + place of the other as a row
    entry (2, n): places in the room and numbers of ``stencil`` that go there
    sizes (3,): positions, numbers of ``scratch``, which begins with the room, and rows of the largest front
    """

    position: np.ndarray
    front: np.ndarray
    ring: np.ndarray
    entry: np.ndarray
    sizes: np.ndarray


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
    return np.concatenate(sides) if sides else np.zeros(0, dtype=np.int64)


def _starts(counts) -> np.ndarray:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def _filled(counts: np.ndarray) -> np.ndarray:
    """Counts rounded up to whole tiles."""
    return -(-counts // SIDE) * SIDE


def _column_place(column, rows):
    """Where a column of a front of ``rows`` begins in the room, its rows being counted by ``_row_place``."""
    panel = column // SIDE
    return ((panel // _GROUP * rows // SIDE * _GROUP) + panel % _GROUP) * TILE + column % SIDE * SIDE


def _row_place(row):
    return row // SIDE * (_GROUP * TILE) + row % SIDE


def _stack(children: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, int]:
    """Where what each front leaves is kept, in the place of what it took from its children; and the highest place."""
    start, top, highest = np.zeros(len(sizes), dtype=np.int64), 0, 0
    for front, (size, below) in enumerate(zip(sizes.tolist(), children.tolist(), strict=True)):
        top = min([top, *(start[child] for child in below if child >= 0)])
        start[front] = top
        top += size
        highest = max(highest, top)
    return start, int(highest)


def make_plan(nx: int, ny: int, stride_x: int, stride_y: int) -> Plan:
    """Order the cells of a grid (nx, ny), cell (i, j) being number i * stride_x + j * stride_y."""
    number = np.arange(nx)[:, None] * stride_x + np.arange(ny)[None, :] * stride_y
    boxes, children = _pieces(nx, ny)
    fronts, child = len(boxes), np.array(children, dtype=np.int64).reshape(-1, 2)
    pivots = [_cells(number, box) for box, _ in boxes]
    pivot_count = np.array([len(chosen) for chosen in pivots])
    of_pivot = np.repeat(np.arange(fronts), pivot_count)
    pivot_start = _starts(_filled(pivot_count))
    position = np.empty(nx * ny, dtype=np.int64)
    within = np.arange(nx * ny) - _starts(pivot_count)[of_pivot]
    position[np.concatenate(pivots)] = pivot_start[of_pivot] + within
    past = int(pivot_start[-1])
    front_at = np.repeat(np.arange(fronts), _filled(pivot_count))  # front of a position

    rings = [position[_ring(number, whole)] for _, whole in boxes]
    ring_count = np.array([len(ring) for ring in rings])
    ring_start = _starts(_filled(ring_count))
    of_ring = np.repeat(np.arange(fronts), ring_count)
    ring = np.concatenate(rings)
    keys = np.sort(of_ring * past + ring)  # fronts in order, and in each the order of elimination
    ring = keys - of_ring * past
    slot = ring_start[of_ring] + np.arange(len(ring)) - _starts(ring_count)[of_ring]
    rows = np.diff(pivot_start) + np.diff(ring_start)

    def place_in(front, at):
        """Place of a position in a front: among its pivots, or behind them in the ring."""
        in_ring = np.diff(pivot_start)[front] + np.searchsorted(keys, front * past + at) - _starts(ring_count)[front]
        return np.where(front_at[at] == front, at - pivot_start[front], in_ring)

    parent = np.full(fronts, -1, dtype=np.int64)
    for side in child.T:
        parent[side[side >= 0]] = np.flatnonzero(side >= 0)
    rings = np.zeros((3, ring_start[-1]), dtype=np.int32)
    rings[0] = past
    place = place_in(parent[of_ring], ring)  # every front with a ring has a parent
    rings[:, slot] = ring, _column_place(place, rows[parent[of_ring]]), _row_place(place)

    first, second, source = _edges(number)
    first, second = np.minimum(position[first], position[second]), np.maximum(position[first], position[second])
    owner = front_at[first]
    order = np.argsort(owner, kind="stable")
    first, second, source, owner = first[order], second[order], source[order], owner[order]
    entry_place = _column_place(first - pivot_start[owner], rows[owner]) + _row_place(place_in(owner, second))
    panels, tiles = np.diff(pivot_start) // SIDE, rows // SIDE
    left = (tiles - panels) * (tiles - panels + 1) // 2 * TILE
    left_start, left_size = _stack(child, left)
    room = int((-(-tiles // _GROUP) * _GROUP * tiles * TILE).max())
    front = np.zeros((fronts + 1, 7), dtype=np.int64)
    front[:, _PIVOTS], front[:, _RING] = pivot_start, ring_start
    front[:, _LOWER] = _starts((panels * tiles - panels * (panels - 1) // 2) * TILE)
    front[:-1, _LEFT], front[:-1, _CHILD :] = room + left_start, child
    front[:, _ENTRIES] = _starts(np.bincount(owner, minlength=fronts))
    return Plan(
        position.astype(np.int32), front, rings,
        np.array([entry_place, source], dtype=np.int32), np.array([past, room + left_size, rows.max()]),
    )  # fmt: skip


def empty_fronts(plan: Plan, dtype: type) -> tuple[np.ndarray, np.ndarray]:
    """Room for a factor (``lower``), and ``scratch`` to make it in."""
    return aligned_zeros(1, int(plan.front[-1, _LOWER]), dtype)[0], aligned_zeros(1, int(plan.sizes[1]), dtype)[0]


def _edges(number: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every entry off the diagonal: its two cells, and its place in a flat ``stencil`` (5, cells)."""
    pairs = (
        (number[:-1], number[1:]), (number[:, :-1], number[:, 1:]),
        (number[:-1, :-1], number[1:, 1:]), (number[1:, :-1], number[:-1, 1:]),
    )  # fmt: skip
    holders = (number[:-1], number[:, :-1], number[:-1, :-1], number[:-1, :-1])
    return (
        np.concatenate([a.ravel() for a, _ in pairs]),
        np.concatenate([b.ravel() for _, b in pairs]),
        np.concatenate([kind * number.size + holder.ravel() for kind, holder in enumerate(holders, 1)]),
    )


@roomy_inner
def _eliminate(room, panels, tiles, excess, strands, lower, start):
    """Eliminate the first ``panels`` panels of a front of ``tiles``, put their factor into ``lower`` from ``start``,
    and take what they leave from the others; False if not positive definite. excess: sums of the rows of the front.
    """
    group = tiles * _GROUP * TILE  # numbers of a group of panels
    line = _GROUP * TILE  # numbers of one row of tiles in it
    for first in range(0, panels, _GROUP):
        base = first // _GROUP * group
        last = min(first + _GROUP, panels)
        for column in range(first, last):
            depth = (column - first) * TILE
            diagonal = base + column * line + depth
            strands[:] = 0.0
            for row in range(column, tiles):
                here = base + row * line + depth
                subtract_products(room, here, here - depth, diagonal - depth, column - first)
                if row > column:
                    sum_columns(room, here, strands)
            if not invert_diagonal(room, diagonal, strands, excess, SIDE * column, lower, start):
                return False
            for row in range(column + 1, tiles):
                divide(room, base + row * line + depth, diagonal, lower, start + (row - column) * TILE)
            forward(lower, start, tiles - column, excess, SIDE * column)
            start += (tiles - column) * TILE
        for row in range(last, tiles):
            for column in range(last, row + 1):
                here = column // _GROUP * group + row * line + column % _GROUP * TILE
                subtract_products(room, here, base + row * line, base + column * line, last - first)
    return True


@roomy_inner
def _take_child(ring, begin, end, start, scratch):
    """Add what a front left behind, from ``start`` of ``scratch``, to the room of its parent; its ring: begin to end.
    """
    across, along = ring[1], ring[2]
    for column in range(begin, end, SIDE):
        for k in range(SIDE):
            for m in range(k, SIDE):
                scratch[across[column + k] + along[column + m]] += scratch[start + SIDE * k + m]
        start += TILE
        for row in range(column + SIDE, end, SIDE):
            scatter(scratch, start, across, column, along, row)
            start += TILE


@roomy_kernel
def factorise_fronts(plan, stencil, lower, scratch):
    """Fill ``lower`` with the factors of all fronts; False if the matrix is not positive definite.

    stencil (5, cells): sum of each row, entries to the next cell along x, along y, along both, and across from the next
    along x to the next along y; zero where there is no next; lower, scratch: see ``empty_fronts``
    """
    flat = stencil.reshape(stencil.size)
    line = _GROUP * TILE
    whole, excess, strands = np.ones(plan.sizes[0] + 1), np.empty(plan.sizes[2]), np.empty(TILE, lower.dtype)
    for cell in range(len(plan.position)):
        whole[plan.position[cell]] = stencil[0, cell]
    for f in range(len(plan.front) - 1):
        panels = (plan.front[f + 1, _PIVOTS] - plan.front[f, _PIVOTS]) // SIDE
        tiles = panels + (plan.front[f + 1, _RING] - plan.front[f, _RING]) // SIDE
        group = tiles * line
        for first in range(0, tiles, _GROUP):
            base = first // _GROUP * group
            for row in range(first, tiles):
                for k in range(min(row - first + 1, _GROUP)):
                    clear(scratch, base + row * line + k * TILE)
        for e in range(plan.front[f, _ENTRIES], plan.front[f + 1, _ENTRIES]):
            scratch[plan.entry[0, e]] += flat[plan.entry[1, e]]
        for side in range(2):
            c = plan.front[f, _CHILD + side]
            if c >= 0:
                _take_child(plan.ring, plan.front[c, _RING], plan.front[c + 1, _RING], plan.front[c, _LEFT], scratch)
        pivots, around, ring = panels * SIDE, (tiles - panels) * SIDE, plan.front[f, _RING]
        for k in range(pivots):
            excess[k] = whole[plan.front[f, _PIVOTS] + k]
        for k in range(around):
            excess[pivots + k] = 0.0
        if not _eliminate(scratch, panels, tiles, excess, strands, lower, plan.front[f, _LOWER]):
            return False
        for k in range(around):
            whole[plan.ring[0, ring + k]] += excess[pivots + k]
        start = plan.front[f, _LEFT]
        for column in range(panels, tiles):
            base = column // _GROUP * group + column % _GROUP * TILE
            for row in range(column, tiles):
                here = base + row * line
                for k in range(TILE):
                    scratch[start + k] = scratch[here + k]
                start += TILE
    return True


@roomy_kernel
def solve_fronts_columns(plan, lower, rights):
    """Overwrite ``rights`` (count, at least cells) by the solutions for factorised fronts.

    Each front is read once for all of them, and not at all on the way down while nothing has come to it: of the
    columns of a border most begin with zeros.
    """
    count, cells, fronts = len(rights), len(plan.position), len(plan.front) - 1
    stride, most = plan.sizes[0] + 1, plan.sizes[2]
    work, local = np.zeros(count * stride), np.empty(count * most)
    for n in range(count):
        for cell in range(cells):
            work[n * stride + plan.position[cell]] = rights[n, cell]
    for turn in range(2 * fronts):
        down = turn < fronts
        f = turn if down else 2 * fronts - 1 - turn
        ring, start = plan.front[f, _RING], plan.front[f if down else f + 1, _LOWER]
        pivots, around = plan.front[f + 1, _PIVOTS] - plan.front[f, _PIVOTS], plan.front[f + 1, _RING] - ring
        panels, tiles = pivots // SIDE, (pivots + around) // SIDE
        busy = not down
        for n in range(count):
            begin, here = n * stride + plan.front[f, _PIVOTS], n * most
            for k in range(pivots):
                local[here + k] = work[begin + k]
                busy = busy or work[begin + k] != 0.0
            for k in range(around):
                local[here + pivots + k] = 0.0 if down else work[n * stride + plan.ring[0, ring + k]]
        if not busy:
            continue
        for step in range(panels):
            panel = step if down else panels - 1 - step
            size = (tiles - panel) * TILE
            if down:
                for n in range(count):
                    forward(lower, start, tiles - panel, local, n * most + SIDE * panel)
                start += size
            else:
                start -= size
                for n in range(count):
                    backward(lower, start, tiles - panel, local, n * most + SIDE * panel)
        for n in range(count):
            begin, here = n * stride + plan.front[f, _PIVOTS], n * most
            for k in range(pivots):
                work[begin + k] = local[here + k]
            if down:
                for k in range(around):
                    work[n * stride + plan.ring[0, ring + k]] += local[here + pivots + k]
    for n in range(count):
        for cell in range(cells):
            rights[n, cell] = work[n * stride + plan.position[cell]]
