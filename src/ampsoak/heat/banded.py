"""Symmetric band matrices: Cholesky factors and solutions.

A band is kept in tiles, panel by panel, in single precision: half the memory, and twice as fast, as a vector holds twice as
many numbers. What makes that enough is that no diagonal is ever formed as a difference. A matrix comes as the sums of
its rows (what a cell holds and loses) and its links, elimination carries the sums along as it would a right side, and
each pivot is what its row sums up to less all else in it. Links being what they are, every sum is of one sign, so all numbers keep
their digits, however much links outweigh what is held and lost (A. S. Alfa, J. Xue and Q. Ye, Math. Comp. 71 (2002) 217, from
memory). Plain elimination in single precision has lost all of them at steps of some 1e5 s. Slanted interfaces bring in a
few links of the other sign; they cost no more than what they cancel.
"""

from __future__ import annotations

import numpy as np

from ampsoak.heat.compiling import roomy_inner, roomy_kernel
from ampsoak.heat.rows import backward_rows, forward_rows
from ampsoak.heat.tiles import (
    SIDE,
    TILE,
    add_diagonal,
    aligned_room,
    backward,
    clear,
    divide,
    forward,
    invert_diagonal,
    subtract_products,
    sum_columns,
)


def empty_band(cells: int, bandwidth: int, dtype: type) -> np.ndarray:
    """Room for the factor of a band of ``cells`` unknowns that reach ``bandwidth`` places ahead: a row for each
    panel.
    """
    return empty_bands(1, cells, bandwidth, dtype)[0]


def empty_bands(count: int, cells: int, bandwidth: int, dtype: type) -> np.ndarray:
    """The same for ``count`` bands, (count, panels, numbers of a panel), in one piece of memory."""
    panels, numbers = -(-cells // SIDE), (-(-bandwidth // SIDE) + 1) * TILE
    return aligned_room(count * panels, numbers, dtype).reshape(count, panels, numbers)


@roomy_inner
def _fill_panel(flat, reach, before, panel, window, at, eight):
    """Fill the tiles of eight columns, which begin at the places ``at`` of ``window``, but for the diagonal.

    flat: the stencil, kind by kind; reach, before (5,): how far ahead of its column an entry of each kind is, and how
    far before it the cell that holds it; eight (8,): scratch
    """
    cells = flat.size // 5
    for start in at:
        clear(window, start)
    first = SIDE * panel
    for kind in range(1, 5):
        ahead, holder = reach[kind] // SIDE, first - before[kind]
        near, far = at[min(ahead, at.size - 1)], at[min(ahead + 1, at.size - 1)]
        if holder >= 0 and first + SIDE <= cells:
            add_diagonal(window, near, far, reach[kind] % SIDE, flat, kind * cells + holder)
        else:
            for k in range(SIDE):
                inside = holder + k >= 0 and first + k < cells
                eight[k] = flat[kind * cells + holder + k] if inside else 0.0
            add_diagonal(window, near, far, reach[kind] % SIDE, eight, 0)


@roomy_kernel
def factorise_band(stencil, strides, band):
    """Fill ``band`` (see ``empty_band``) with the Cholesky factor of the matrix that ``stencil`` stands for.

    Only the last few panels are at work: as tiles of a *window* that holds, for as many rows of tiles as the band is
    wide, the tiles to the left of the diagonal one behind the other; finished ones are copied to ``band``.

    Parameters
    ----------
    stencil (5, cells): sum of each row, entries to the next cell along x, along y, along both, and across from the next
    along x to the next along y; zero where there is no next; strides (2,): distance of cells that are next to each other
    along x and y

    Returns
    -------
    bool    False if the matrix is not positive definite
    """
    panels, tiles = band.shape[0], band.shape[1] // TILE
    cells = stencil.shape[1]
    window, strands = np.empty(tiles * tiles * TILE, band.dtype), np.empty(TILE, band.dtype)
    factor = band.reshape(band.size)
    flat = stencil.reshape(stencil.size)
    stride_x, stride_y = strides[0], strides[1]
    reach = np.array([0, stride_x, stride_y, stride_x + stride_y, abs(stride_x - stride_y)])
    before = np.array([0, 0, 0, 0, min(stride_x, stride_y)])
    at, eight = np.empty(tiles, dtype=np.int64), np.empty(SIDE)
    excess = np.ones(panels * SIDE)
    for q in range(cells):
        excess[q] = stencil[0, q]
    slot = 0  # row of the window that holds the diagonal
    for panel in range(panels):
        for k in range(tiles):
            line = slot + k if slot + k < tiles else slot + k - tiles
            at[k] = (line * tiles + tiles - 1 - k) * TILE
        _fill_panel(flat, reach, before, panel, window, at, eight)
        place, high = panel * tiles * TILE, min(tiles, panels - panel)
        strands[:] = 0.0
        for k in range(high):
            count = min(panel, tiles - 1 - k)
            subtract_products(window, at[k], at[k] - count * TILE, at[0] - count * TILE, count)
            if k > 0:
                sum_columns(window, at[k], strands)
        if not invert_diagonal(window, at[0], strands, excess, SIDE * panel, factor, place):
            return False
        for k in range(1, high):
            divide(window, at[k], at[0], factor, place + k * TILE)
        forward(factor, place, high, excess, SIDE * panel)
        slot = slot + 1 if slot + 1 < tiles else 0
    return True


@roomy_kernel
def solve_band_columns(band, rights):
    """Overwrite ``rights`` (count, cells + PAD_ROWS), zero past the cells, by the solutions for a factorised ``band``.

    Each panel is read once for all of them. The zeros that a right side begins with cost nothing on the way down.
    """
    panels, tiles = band.shape[0], band.shape[1] // TILE
    factor, values = band.reshape(band.size), rights.reshape(rights.size)
    count, length = rights.shape
    begin = np.zeros(count, dtype=np.int64)
    for k in range(count):
        while begin[k] < length and rights[k, begin[k]] == 0.0:
            begin[k] += 1
        begin[k] //= SIDE
    for panel in range(panels):
        for k in range(count):
            if panel >= begin[k]:
                forward(factor, panel * tiles * TILE, min(tiles, panels - panel), values, k * length + SIDE * panel)
    for panel in range(panels - 1, -1, -1):
        for k in range(count):
            backward(factor, panel * tiles * TILE, min(tiles, panels - panel), values, k * length + SIDE * panel)


@roomy_kernel
def solve_band_rows(band, cells, rows):
    """``solve_band_columns`` for eight right sides side by side: rows (at least ``cells`` filled up to whole panels, 8) as one
    array of numbers. Rows past the cells are left as they are.
    """
    panels, tiles = band.shape[0], band.shape[1] // TILE
    factor = band.reshape(band.size)
    begin, end = SIDE * cells, TILE * panels
    kept = np.empty(end - begin)
    for k in range(end - begin):
        kept[k] = rows[begin + k]
        rows[begin + k] = 0.0
    for panel in range(panels):
        forward_rows(factor, panel * tiles * TILE, min(tiles, panels - panel), rows, TILE * panel)
    for panel in range(panels - 1, -1, -1):
        backward_rows(factor, panel * tiles * TILE, min(tiles, panels - panel), rows, TILE * panel)
    for k in range(end - begin):
        rows[begin + k] = kept[k]
