"""Cholesky factors of large meshes in fronts.

Fronts are worked on one after the other, children first, each in a *room* of its own from which its parent takes what it
leaves (the multifrontal method: I. S. Duff and J. K. Reid, ACM Trans. Math. Softw. 9 (1983) 302, from memory).

Everything is in tiles. In a room, groups of panels hold the tiles of one row side by side, so that what is multiplied
lies in one piece; in the factor, panels lie one behind the other in the order in which solutions read them.

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
from ampsoak.heat.dissection import CHILD, ENTRIES, GROUP, LOWER, PIVOTS, RING, ROOM, Plan
from ampsoak.heat.rows import backward_rows, forward_rows
from ampsoak.heat.tiles import (
    PAD_ROWS,
    SIDE,
    TILE,
    aligned_room,
    backward,
    clear,
    divide,
    forward,
    invert_diagonal,
    scatter,
    subtract_products,
    sum_columns,
)

_FACTOR, _DOWN, _UP = 1, 2, 3  # what the other thread is called for


class FrontMatrix(NamedTuple):
    """The cells' part of a step matrix on a large mesh.

    stencil (5, cells): sum of each row, and entries to the next cell along x, along y, along both, and from the next along x
    to the next along y; lower: the factor; rooms: in which it is made; sums (2, positions + 1): of the rows, as
    elimination leaves them, one line for each half; given (count, cells + PAD_ROWS), work (2, count * (positions + 1)): right
    sides, by cell and in order of elimination, likewise, of the one whose matrix it is; signal: to the thread that takes
    half of the work (see ``crew``)
    """

    stencil: np.ndarray
    plan: Plan
    lower: np.ndarray
    rooms: np.ndarray
    sums: np.ndarray
    given: np.ndarray
    work: np.ndarray
    signal: np.ndarray


def empty_fronts(plan: Plan, count: int, dtype: type) -> FrontMatrix:
    """A matrix to be filled in, whose factor solves for up to ``count`` right sides at once."""
    positions, cells = int(plan.sizes[0]) + 1, len(plan.position)
    return FrontMatrix(
        np.zeros((5, cells)), plan, aligned_room(1, int(plan.front[-1, LOWER]), dtype)[0],
        aligned_room(1, int(plan.sizes[1]), dtype)[0], np.zeros((2, positions)), np.zeros((count, cells + PAD_ROWS)),
        np.zeros((2, count * positions)), new_signal(),
    )  # fmt: skip


@roomy_inner
def _eliminate(rooms, origin, panels, tiles, excess, strands, lower, start):
    """Eliminate the first ``panels`` panels of a front of ``tiles`` whose room is at ``origin``, put their factor into ``lower`` from ``start``,
    and take what they leave from the others; False if not positive definite. excess: sums of the rows of the front.
    """
    group = tiles * GROUP * TILE  # numbers of a group of panels
    line = GROUP * TILE  # numbers of one row of tiles in it
    for first in range(0, panels, GROUP):
        base = origin + first // GROUP * group
        last = min(first + GROUP, panels)
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
                here = origin + column // GROUP * group + row * line + column % GROUP * TILE
                subtract_products(rooms, here, base + row * line, base + column * line, last - first)
    return True


@roomy_inner
def _take_child(plan, child, panels, tiles, origin, rooms):
    """Add what front ``child`` of ``tiles`` tiles, ``panels`` of them pivots, left to the room of its parent at ``origin``."""
    ring, start, begin = plan.ring, plan.front[child, ROOM], plan.front[child, RING]
    across, along = ring[1], ring[2]
    line = GROUP * TILE
    for column in range(panels, tiles):
        base = start + column // GROUP * (tiles * line) + column % GROUP * TILE
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
    panels = (plan.front[front + 1, PIVOTS] - plan.front[front, PIVOTS]) // SIDE
    return panels, panels + (plan.front[front + 1, RING] - plan.front[front, RING]) // SIDE


@roomy_inner
def _factorise_some(plan, flat, lower, rooms, sums, first_front, last_front):
    """Factorise fronts ``first_front`` up to ``last_front``, whose children are; False if not positive definite."""
    line = GROUP * TILE
    front, rings, places, sources = plan.front, plan.ring[0], plan.entry[0], plan.entry[1]
    excess, strands = np.empty(plan.sizes[2]), np.empty(TILE, lower.dtype)
    begin, end, between = front[first_front, PIVOTS], front[last_front, PIVOTS], front[plan.half[1], PIVOTS]
    cells, among = plan.cell, len(plan.position)
    if end <= between:
        sums[between:] = 0.0  # what this half leaves to the line between the halves
        sums[begin:end] = 0.0
    for place in range(begin, end):
        sums[place] += flat[cells[place]] if cells[place] < among else 1.0
    for f in range(first_front, last_front):
        panels, tiles = _extent(plan, f)
        group, start = tiles * line, front[f, ROOM]
        for first in range(0, tiles, GROUP):
            base = start + first // GROUP * group
            for row in range(first, tiles):
                for k in range(min(row - first + 1, GROUP)):
                    clear(rooms, base + row * line + k * TILE)
        for e in range(front[f, ENTRIES], front[f + 1, ENTRIES]):
            rooms[start + places[e]] += flat[sources[e]]
        for side in range(2):
            c = front[f, CHILD + side]
            if c >= 0:
                below = _extent(plan, c)
                _take_child(plan, c, below[0], below[1], start, rooms)
        pivots, around, ring = panels * SIDE, (tiles - panels) * SIDE, front[f, RING]
        for k in range(pivots):
            excess[k] = sums[front[f, PIVOTS] + k]
        for k in range(around):
            excess[pivots + k] = 0.0
        if not _eliminate(rooms, start, panels, tiles, excess, strands, lower, front[f, LOWER]):
            return False
        for k in range(around):
            sums[rings[ring + k]] += excess[pivots + k]
    return True


@roomy_kernel
def factorise_fronts(matrix):
    """Fill ``lower`` with the factors of all fronts; False if the matrix is not positive definite."""
    plan, stencil, lower, rooms, sums, signal = matrix.plan, matrix.stencil, matrix.lower, matrix.rooms, matrix.sums, matrix.signal
    flat = stencil.reshape(stencil.size)
    first, second = sums
    ticket = offer(signal, _FACTOR, 0) if present(signal) else 0
    good = _factorise_some(plan, flat, lower, rooms, first, 0, plan.half[0])
    if ticket == 0 or taken_back(signal, ticket):
        other = _factorise_some(plan, flat, lower, rooms, second, plan.half[0], plan.half[1])
    else:
        other = wait(signal, ticket)
    if not (good and other):
        return False
    for place in range(plan.front[plan.half[1], PIVOTS], plan.sizes[0]):
        first[place] += second[place]
    return _factorise_some(plan, flat, lower, rooms, first, plan.half[1], plan.half[2])


@roomy_inner
def _solve_some(plan, lower, given, work, count, first_front, last_front, down):
    """Solve for fronts ``first_front`` up to ``last_front``, on the way ``down`` or up, with ``count`` right sides.

    Each front is read once for all of them, and not at all on the way down while nothing has come to it: of the
    columns of a border most begin with zeros. given (count, at least cells + 1): right sides, and in the end solutions, by cell
    """
    stride, most = plan.sizes[0] + 1, plan.sizes[2]
    # a name for each array: to take one out of the plan counts its users, at every turn of a loop
    front, rings, cells = plan.front, plan.ring[0], plan.cell
    local = np.empty(count * most)
    # right sides in a piece, not front by front: then many reads wait for memory at the same time
    begin, end, between = front[first_front, PIVOTS], front[last_front, PIVOTS], front[plan.half[1], PIVOTS]
    if down:
        for n in range(count):
            values, own = given[n], work[n * stride : (n + 1) * stride]
            if end <= between:
                own[between:] = 0.0  # what this half leaves to the line between the halves
                for place in range(begin, end):
                    own[place] = values[cells[place]]
            else:
                for place in range(begin, end):
                    own[place] += values[cells[place]]
    for turn in range(last_front - first_front):
        f = first_front + turn if down else last_front - 1 - turn
        ring, start = front[f, RING], front[f if down else f + 1, LOWER]
        panels, tiles = _extent(plan, f)
        pivots, around, first = panels * SIDE, (tiles - panels) * SIDE, front[f, PIVOTS]
        busy = not down
        for n in range(count):
            here, start_of = n * most, n * stride + first
            for k in range(pivots):
                local[here + k] = work[start_of + k]
                busy = busy or work[start_of + k] != 0.0
            for k in range(around):
                local[here + pivots + k] = 0.0 if down else work[n * stride + rings[ring + k]]
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
            here, start_of = n * most, n * stride + first
            for k in range(pivots):
                work[start_of + k] = local[here + k]
            if down:
                for k in range(around):
                    work[n * stride + rings[ring + k]] += local[here + pivots + k]
    if not down:
        for n in range(count):
            values, own = given[n], work[n * stride : (n + 1) * stride]
            for place in range(begin, end):
                values[cells[place]] = own[place]


@roomy_inner
def _solve_halves(matrix, given, work, count, down, shared):
    """Both halves; with ``shared`` one of them by the other thread."""
    plan, lower, signal = matrix.plan, matrix.lower, matrix.signal
    ticket = offer(signal, _DOWN if down else _UP, count) if shared else 0
    _solve_some(plan, lower, given, work[0], count, 0, plan.half[0], down)
    if ticket == 0 or taken_back(signal, ticket):
        _solve_some(plan, lower, given, work[1], count, plan.half[0], plan.half[1], down)
    else:
        wait(signal, ticket)


@roomy_kernel
def room_for_columns(matrix, count):
    """Room for ``count`` right sides, (count, cells + PAD_ROWS), zero past the cells: where another thread finds them if it is there."""
    if present(matrix.signal):
        return matrix.given[:count]
    return np.zeros((count, len(matrix.plan.position) + PAD_ROWS))


@roomy_kernel
def solve_fronts_columns(matrix, given):
    """Overwrite ``given`` (count, cells + PAD_ROWS), zero past the cells, by the solutions for factorised fronts."""
    plan, lower, work = matrix.plan, matrix.lower, matrix.work
    count, stride = len(given), plan.sizes[0] + 1
    shared = present(matrix.signal) and given.ctypes.data == matrix.given.ctypes.data
    if not shared:
        work = np.empty((2, count * stride))  # others may solve with this factor at the same time
    between = plan.front[plan.half[1], PIVOTS]
    first, second = work
    _solve_halves(matrix, given, work, count, True, shared)
    for n in range(count):
        for place in range(n * stride + between, (n + 1) * stride):
            first[place] += second[place]
    for way in range(2):
        _solve_some(plan, lower, given, first, count, plan.half[1], plan.half[2], way == 0)
    for n in range(count):
        for place in range(n * stride + between, (n + 1) * stride):
            second[place] = first[place]
    _solve_halves(matrix, given, work, count, False, shared)


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
            _solve_some(plan, lower, matrix.given, matrix.work[1], signal[COUNT], plan.half[0], plan.half[1], signal[KIND] == _DOWN)
        write(signal, DONE, ticket)
        ticket = listen(signal)
    write(signal, PRESENT, 0)


@roomy_kernel
def solve_fronts_rows(matrix, rows):
    """``solve_fronts_columns`` for eight right sides side by side: rows (at least cells, 8) as one array of numbers."""
    plan, lower = matrix.plan, matrix.lower
    cells, fronts = len(plan.position), plan.half[2]
    # others may solve with this factor at the same time, so all that is written to is its own
    work, local = np.zeros((plan.sizes[0] + 1) * SIDE), np.empty(plan.sizes[2] * SIDE)
    for cell in range(cells):
        for m in range(SIDE):
            work[SIDE * plan.position[cell] + m] = rows[SIDE * cell + m]
    for turn in range(2 * fronts):
        down = turn < fronts
        f = turn if down else 2 * fronts - 1 - turn
        ring, start = plan.front[f, RING], plan.front[f if down else f + 1, LOWER]
        panels, tiles = _extent(plan, f)
        begin, far, around = SIDE * plan.front[f, PIVOTS], panels * TILE, (tiles - panels) * SIDE
        for k in range(far):
            local[k] = work[begin + k]
        for k in range(around):
            for m in range(SIDE):
                local[far + SIDE * k + m] = 0.0 if down else work[SIDE * plan.ring[0, ring + k] + m]
        for step in range(panels):
            panel = step if down else panels - 1 - step
            size = (tiles - panel) * TILE
            if down:
                forward_rows(lower, start, tiles - panel, local, TILE * panel)
                start += size
            else:
                start -= size
                backward_rows(lower, start, tiles - panel, local, TILE * panel)
        for k in range(far):
            work[begin + k] = local[k]
        if down:
            for k in range(around):
                for m in range(SIDE):
                    work[SIDE * plan.ring[0, ring + k] + m] += local[far + SIDE * k + m]
    for cell in range(cells):
        for m in range(SIDE):
            rows[SIDE * cell + m] = work[SIDE * plan.position[cell] + m]
