"""Nested dissection: Cholesky factors of large meshes in fronts, so that work per cell hardly grows with their number.

The grid is halved again and again by lines of cells, the longer side first; each piece is eliminated before the line
that parts it from its neighbour (A. George, SIAM J. Numer. Anal. 10 (1973) 345). What a piece leaves behind acts on
the ring of cells round it only, so every elimination is a small dense matrix, a *front*: its own cells (pivots) and
the ring. Fronts are worked on one after the other in one *room*, children first, and what they leave is kept on a
stack until their parent takes it (the multifrontal method: I. S. Duff and J. K. Reid, ACM Trans. Math. Softw. 9 (1983)
302, from memory).

Everything is in tiles. In the room of a front, groups of panels hold the tiles of one row side by side, so that what is
multiplied lies in one piece; in the factor, panels lie one behind the other in the order in which solutions read them.

The two halves of the grid have nothing to do with each other before the line between them is eliminated, and again
after it is solved for: a second thread can take one of them (``crew``).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ampsoak.heat.compiling import roomy_inner, roomy_kernel
from ampsoak.heat.crew import (
    COUNT,
    DONE,
    GOOD,
    KIND,
    PRESENT,
    listen,
    new_signal,
    offer,
    present,
    taken_back,
    wait,
    write,
)
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
_FACTOR, _DOWN, _UP = 1, 2, 3  # what the other thread is called for
_GROUP = 8  # panels that are eliminated before the rest of a front hears of them

# columns of ``Plan.front``
_PIVOTS, _RING, _LOWER, _ROOM, _ENTRIES, _CHILD, _OTHER = range(7)


class Plan(NamedTuple):
    """Order of elimination and where everything goes; fronts are numbered children first, so one half of the grid, the other,
    and the line between them.

    position (cells,): where a cell is in the order of elimination, which has gaps: each front's pivots are filled up to
    whole tiles
    front (fronts + 1, 7): where the parts of each front begin: the positions of its pivots, its ring in ``ring``, its
    factor in ``lower``, its room in ``rooms``, its part of ``entry``; and two fronts whose remainder is added in, -1 for none
    ring (3, n): positions of the cells round a front in order, filled up with a position past all others; and where in
    the parent's room their entries are: place of one as a column + place of the other as a row
    entry (2, n): places in the room and numbers of ``stencil`` that go there
    half (3,): fronts that come before the end of the first half, of the second half, and in all
    sizes (3,): positions, numbers of ``rooms``, and rows of the largest front
    """

    position: np.ndarray
    front: np.ndarray
    ring: np.ndarray
    entry: np.ndarray
    half: np.ndarray
    sizes: np.ndarray


class FrontMatrix(NamedTuple):
    """The cells' part of a step matrix on a large mesh.

    stencil (5, cells): sum of each row, and entries to the next cell along x, along y, along both, and from the next along x
    to the next along y; lower: the factor; rooms: in which it is made; sums (2, positions + 1): of the rows, as
    elimination leaves them, one line for each half; work (2, at least count * (positions + 1)): right sides, likewise, of the one whose matrix it is; signal:
    to the thread that takes half of the work (see ``crew``)
    """

    stencil: np.ndarray
    plan: Plan
    lower: np.ndarray
    rooms: np.ndarray
    sums: np.ndarray
    work: np.ndarray
    signal: np.ndarray


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


def _rooms(children: np.ndarray, half: np.ndarray, sizes: np.ndarray) -> tuple[np.ndarray, int]:
    """Where the room of each front begins, and where the last one ends.

    A room is needed until the parent's is made. Those of one depth and those of the next are on two stacks, a pair for each
    half: then the rooms of its children are on top of the other stack when one is made.
    """
    fronts = len(sizes)
    depth = np.zeros(fronts, dtype=np.int64)
    for front in range(fronts - 1, -1, -1):
        below = children[front][children[front] >= 0]
        depth[below] = depth[front] + 1
    stack = depth % 2 + 2 * ((np.arange(fronts) >= half[0]) & (np.arange(fronts) < half[1]))
    start, top, highest = np.zeros(fronts, dtype=np.int64), [0] * 4, [0] * 4
    for front in range(fronts):
        own = stack[front]
        start[front] = top[own]
        top[own] += int(sizes[front])
        highest[own] = max(highest[own], top[own])
        for child in children[front][::-1]:
            if child >= 0:
                top[stack[child]] = int(start[child])
    return start + _starts(highest)[stack], int(sum(highest))


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
    front = np.zeros((fronts + 1, 7), dtype=np.int64)
    front[:, _PIVOTS], front[:, _RING] = pivot_start, ring_start
    front[:, _LOWER] = _starts((panels * tiles - panels * (panels - 1) // 2) * TILE)
    half = np.array([child[-1, 0] + 1, fronts - 1, fronts])
    front[:-1, _ROOM], end = _rooms(child, half, -(-tiles // _GROUP) * _GROUP * tiles * TILE)
    front[:-1, _CHILD:] = child
    front[:, _ENTRIES] = _starts(np.bincount(owner, minlength=fronts))
    return Plan(
        position.astype(np.int32), front, rings, np.array([entry_place, source], dtype=np.int32), half,
        np.array([past, end, rows.max()]),
    )  # fmt: skip


def empty_fronts(plan: Plan, count: int, dtype: type) -> FrontMatrix:
    """A matrix to be filled in, whose factor solves for up to ``count`` right sides at once."""
    positions = int(plan.sizes[0]) + 1
    return FrontMatrix(
        np.zeros((5, len(plan.position))), plan, aligned_zeros(1, int(plan.front[-1, _LOWER]), dtype)[0],
        aligned_zeros(1, int(plan.sizes[1]), dtype)[0], np.zeros((2, positions)), np.zeros((2, count * positions)), new_signal(),
    )  # fmt: skip


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
def _eliminate(rooms, origin, panels, tiles, excess, strands, lower, start):
    """Eliminate the first ``panels`` panels of a front of ``tiles`` whose room is at ``origin``, put their factor into ``lower`` from ``start``,
    and take what they leave from the others; False if not positive definite. excess: sums of the rows of the front.
    """
    group = tiles * _GROUP * TILE  # numbers of a group of panels
    line = _GROUP * TILE  # numbers of one row of tiles in it
    for first in range(0, panels, _GROUP):
        base = origin + first // _GROUP * group
        last = min(first + _GROUP, panels)
        for column in range(first, last):
            depth = (column - first) * TILE
            diagonal = base + column * line + depth
            strands[:] = 0.0
            for row in range(column, tiles):
                here = base + row * line + depth
                subtract_products(rooms, here, here - depth, diagonal - depth, column - first)
                if row > column:
                    sum_columns(rooms, here, strands)
            if not invert_diagonal(rooms, diagonal, strands, excess, SIDE * column, lower, start):
                return False
            for row in range(column + 1, tiles):
                divide(rooms, base + row * line + depth, diagonal, lower, start + (row - column) * TILE)
            forward(lower, start, tiles - column, excess, SIDE * column)
            start += (tiles - column) * TILE
        for row in range(last, tiles):
            for column in range(last, row + 1):
                here = origin + column // _GROUP * group + row * line + column % _GROUP * TILE
                subtract_products(rooms, here, base + row * line, base + column * line, last - first)
    return True


@roomy_inner
def _take_child(plan, child, panels, tiles, origin, rooms):
    """Add what front ``child`` of ``tiles`` tiles, ``panels`` of them pivots, left to the room of its parent at ``origin``."""
    ring, start, begin = plan.ring, plan.front[child, _ROOM], plan.front[child, _RING]
    across, along = ring[1], ring[2]
    line = _GROUP * TILE
    for column in range(panels, tiles):
        base = start + column // _GROUP * (tiles * line) + column % _GROUP * TILE
        first = begin + (column - panels) * SIDE
        here = base + column * line
        for k in range(SIDE):
            for m in range(k + 1, SIDE):
                rooms[origin + across[first + k] + along[first + m]] += rooms[here + SIDE * k + m]
        for row in range(column + 1, tiles):
            scatter(rooms, base + row * line, origin, across, first, along, begin + (row - panels) * SIDE)


@roomy_inner
def _extent(plan, front):
    """Panels of pivots of a front, and tiles of it and its ring."""
    panels = (plan.front[front + 1, _PIVOTS] - plan.front[front, _PIVOTS]) // SIDE
    return panels, panels + (plan.front[front + 1, _RING] - plan.front[front, _RING]) // SIDE


@roomy_inner
def _factorise_some(plan, flat, lower, rooms, sums, first_front, last_front):
    """Factorise fronts ``first_front`` up to ``last_front``, whose children are; False if not positive definite."""
    line = _GROUP * TILE
    excess, strands = np.empty(plan.sizes[2]), np.empty(TILE, lower.dtype)
    for f in range(first_front, last_front):
        panels, tiles = _extent(plan, f)
        group, start = tiles * line, plan.front[f, _ROOM]
        for first in range(0, tiles, _GROUP):
            base = start + first // _GROUP * group
            for row in range(first, tiles):
                for k in range(min(row - first + 1, _GROUP)):
                    clear(rooms, base + row * line + k * TILE)
        for e in range(plan.front[f, _ENTRIES], plan.front[f + 1, _ENTRIES]):
            rooms[start + plan.entry[0, e]] += flat[plan.entry[1, e]]
        for side in range(2):
            c = plan.front[f, _CHILD + side]
            if c >= 0:
                below = _extent(plan, c)
                _take_child(plan, c, below[0], below[1], start, rooms)
        pivots, around, ring = panels * SIDE, (tiles - panels) * SIDE, plan.front[f, _RING]
        for k in range(pivots):
            excess[k] = sums[plan.front[f, _PIVOTS] + k]
        for k in range(around):
            excess[pivots + k] = 0.0
        if not _eliminate(rooms, start, panels, tiles, excess, strands, lower, plan.front[f, _LOWER]):
            return False
        for k in range(around):
            sums[plan.ring[0, ring + k]] += excess[pivots + k]
    return True


@roomy_kernel
def factorise_fronts(matrix):
    """Fill ``lower`` with the factors of all fronts; False if the matrix is not positive definite."""
    plan, stencil, lower, rooms, sums, signal = matrix.plan, matrix.stencil, matrix.lower, matrix.rooms, matrix.sums, matrix.signal
    flat = stencil.reshape(stencil.size)
    first, second = sums
    middle, end, past = plan.front[plan.half[0], _PIVOTS], plan.front[plan.half[1], _PIVOTS], plan.sizes[0]
    first[:], second[:] = 1.0, 1.0
    second[end:] = 0.0
    for cell in range(len(plan.position)):
        place = plan.position[cell]
        if middle <= place < end:
            second[place] = stencil[0, cell]
        else:
            first[place] = stencil[0, cell]
    ticket = offer(signal, _FACTOR, 0) if present(signal) else 0
    good = _factorise_some(plan, flat, lower, rooms, first, 0, plan.half[0])
    if ticket == 0 or taken_back(signal, ticket):
        other = _factorise_some(plan, flat, lower, rooms, second, plan.half[0], plan.half[1])
    else:
        other = wait(signal, ticket)
    if not (good and other):
        return False
    for place in range(end, past):
        first[place] += second[place]
    return _factorise_some(plan, flat, lower, rooms, first, plan.half[1], plan.half[2])


@roomy_inner
def _solve_some(plan, lower, work, count, first_front, last_front, down):
    """Solve for fronts ``first_front`` up to ``last_front``, on the way ``down`` or up, with ``count`` right sides in ``work``.

    Each front is read once for all of them, and not at all on the way down while nothing has come to it: of the
    columns of a border most begin with zeros.
    """
    stride, most = plan.sizes[0] + 1, plan.sizes[2]
    local = np.empty(count * most)
    for turn in range(last_front - first_front):
        f = first_front + turn if down else last_front - 1 - turn
        ring, start = plan.front[f, _RING], plan.front[f if down else f + 1, _LOWER]
        panels, tiles = _extent(plan, f)
        pivots, around = panels * SIDE, (tiles - panels) * SIDE
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


@roomy_inner
def _solve_halves(matrix, work, count, down, shared):
    """Both halves; with ``shared`` one of them by the other thread."""
    plan, lower, signal = matrix.plan, matrix.lower, matrix.signal
    ticket = offer(signal, _DOWN if down else _UP, count) if shared else 0
    _solve_some(plan, lower, work[0], count, 0, plan.half[0], down)
    if ticket == 0 or taken_back(signal, ticket):
        _solve_some(plan, lower, work[1], count, plan.half[0], plan.half[1], down)
    else:
        wait(signal, ticket)


@roomy_kernel
def solve_fronts_columns(matrix, rights):
    """Overwrite ``rights`` (count, at least cells) by the solutions for factorised fronts."""
    plan, lower, shared = matrix.plan, matrix.lower, present(matrix.signal)
    count, cells, stride = len(rights), len(plan.position), plan.sizes[0] + 1
    work = matrix.work
    if not shared:
        work = np.zeros((2, count * stride))  # others may solve with this factor at the same time
    middle, end = plan.front[plan.half[0], _PIVOTS], plan.front[plan.half[1], _PIVOTS]
    first, second = work
    for n in range(count):
        for place in range(n * stride + end, (n + 1) * stride):
            second[place] = 0.0
        for cell in range(cells):
            place = plan.position[cell]
            if middle <= place < end:
                second[n * stride + place] = rights[n, cell]
            else:
                first[n * stride + place] = rights[n, cell]
    _solve_halves(matrix, work, count, True, shared)
    for n in range(count):
        for place in range(n * stride + end, (n + 1) * stride):
            first[place] += second[place]
    for way in range(2):
        _solve_some(plan, lower, first, count, plan.half[1], plan.half[2], way == 0)
    for n in range(count):
        for place in range(n * stride + end, (n + 1) * stride):
            second[place] = first[place]
    _solve_halves(matrix, work, count, False, shared)
    for n in range(count):
        for cell in range(cells):
            place = plan.position[cell]
            rights[n, cell] = second[n * stride + place] if middle <= place < end else first[n * stride + place]


@roomy_kernel
def attend(matrix):
    """Take half of the work on ``matrix`` whenever it is called for, until dismissed."""
    plan, stencil, lower, signal = matrix.plan, matrix.stencil, matrix.lower, matrix.signal
    flat = stencil.reshape(stencil.size)
    write(signal, PRESENT, 1)
    ticket = listen(signal)
    while ticket != 0:
        signal[GOOD] = 1
        if signal[KIND] == _FACTOR:
            if not _factorise_some(plan, flat, lower, matrix.rooms, matrix.sums[1], plan.half[0], plan.half[1]):
                signal[GOOD] = 0
        else:
            _solve_some(plan, lower, matrix.work[1], signal[COUNT], plan.half[0], plan.half[1], signal[KIND] == _DOWN)
        write(signal, DONE, ticket)
        ticket = listen(signal)
    write(signal, PRESENT, 0)
