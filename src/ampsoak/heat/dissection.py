"""Nested dissection: the order in which a large mesh is eliminated, so that work per cell hardly grows with their number.

The grid is halved again and again by lines of cells, the longer side first; each piece is eliminated before the line
that parts it from its neighbour (A. George, SIAM J. Numer. Anal. 10 (1973) 345). What a piece leaves behind acts on
the ring of cells round it only, so every elimination is a small dense matrix, a *front*: its own cells (pivots) and
the ring. ``fronts`` does the sums.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ampsoak.heat.tiles import SIDE, TILE

# Lines that part lie whole multiples of this apart along x and y: pieces of eight cells and one of the next line fill tiles. Pieces of
# 8 x 2 cells take a fifth less memory than of 7 x 6, and as long
_UNITS = 9, 3
_LEAF = 24  # cells of a piece that is not halved any further
GROUP = 8  # panels of a room whose tiles of one row lie side by side

# columns of ``Plan.front``
PIVOTS, RING, LOWER, ROOM, ENTRIES, CHILD, OTHER = range(7)


class Plan(NamedTuple):
    """Order of elimination and where everything goes; fronts are numbered children first, so one half of the grid, the other,
    and the line between them.

    position (cells,): where a cell is in the order of elimination, which has gaps: each front's pivots are filled up to
    whole tiles; cell (positions,): which cell is there, in gaps one more than there are
    front (fronts + 1, 7): where the parts of each front begin: the positions of its pivots, its ring in ``ring``, its
    factor in ``lower``, its room in ``rooms``, its part of ``entry``; and two fronts whose remainder is added in, -1 for none
    ring (3, n): positions of the cells round a front in order, filled up with a position past all others; and where in
    the parent's room their entries are: place of one as a column + place of the other as a row
    entry (2, n): places in the room and numbers of ``stencil`` that go there
    half (3,): fronts that come before the end of the first half, of the second half, and in all
    sizes (3,): positions, numbers of ``rooms``, and rows of the largest front
    """

    position: np.ndarray
    cell: np.ndarray
    front: np.ndarray
    ring: np.ndarray
    entry: np.ndarray
    half: np.ndarray
    sizes: np.ndarray


def _pieces(nx: int, ny: int) -> tuple[list, list]:
    """Rectangles of pivots and whole rectangles in order of elimination, and the two children of each."""
    found, children = [], []

    def line_between(begin, end, unit) -> int:
        return begin + unit * max(1, round((end - begin + 1) / (2 * unit))) - 1

    def halve(i0, i1, j0, j1) -> int:
        wide, high = i1 - i0, j1 - j0
        across, along = wide >= 2 * _UNITS[0] - 1, high >= 2 * _UNITS[1] - 1
        if wide * high <= _LEAF or not (across or along):
            pivots, below = (i0, i1, j0, j1), (-1, -1)
        elif across and (wide >= high or not along):
            line = line_between(i0, i1, _UNITS[0])
            below = (halve(i0, line, j0, j1), halve(line + 1, i1, j0, j1))
            pivots = (line, line + 1, j0, j1)
        else:
            line = line_between(j0, j1, _UNITS[1])
            below = (halve(i0, i1, j0, line), halve(i0, i1, line + 1, j1))
            pivots = (i0, i1, line, line + 1)
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
    return ((panel // GROUP * rows // SIDE * GROUP) + panel % GROUP) * TILE + column % SIDE * SIDE


def _row_place(row):
    return row // SIDE * (GROUP * TILE) + row % SIDE


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
    front[:, PIVOTS], front[:, RING] = pivot_start, ring_start
    front[:, LOWER] = _starts((panels * tiles - panels * (panels - 1) // 2) * TILE)
    half = np.array([child[-1, 0] + 1, fronts - 1, fronts])
    front[:-1, ROOM], end = _rooms(child, half, -(-tiles // GROUP) * GROUP * tiles * TILE)
    front[:-1, CHILD:] = child
    front[:, ENTRIES] = _starts(np.bincount(owner, minlength=fronts))
    cell = np.full(past, nx * ny, dtype=np.int32)
    cell[position] = np.arange(nx * ny)
    return Plan(
        position.astype(np.int32), cell, front, rings, np.array([entry_place, source], dtype=np.int32), half,
        np.array([past, end, rows.max()]),
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
