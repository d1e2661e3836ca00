"""Compiled loops of the section: painting along grid lines. Plain arrays in and out."""

from __future__ import annotations

import numba
import numpy as np

PIECES = 64  # most pieces a line may be cut into


@numba.njit(cache=True)
def paint_lines(low, high, part, background, column, weight, row, amount):
    """Add to ``amount`` the painted length of every line in every column, times the line's weight.

    Later shapes cover earlier ones, so lines are resolved from the last shape backwards: each takes what is still free.

    Parameters
    ----------
    low, high : (n_spans, n_lines) float64    span of each shape piece on each line [m], nan for none; painting order
    part : (n_spans,) int64                   part painted by each span
    background : int                          part of what no span covers
    column : (n_columns + 1,) float64         column borders along the lines [m]
    weight : (n_lines,) float64               width that the line stands for [m], or 1 to get lengths
    row : (n_lines,) int64                    row of ``amount`` the line adds to
    amount : (n_rows, n_columns, n_parts) float64   added to [m²] or [m]
    """
    spans, lines = low.shape
    columns = len(column) - 1
    free_low, free_high = np.empty(PIECES), np.empty(PIECES)
    rest_low, rest_high = np.empty(PIECES), np.empty(PIECES)
    for line in range(lines):
        free_low[0], free_high[0] = column[0], column[columns]
        free = 1
        for span in range(spans, -1, -1):
            if span > 0:
                a, b, painted = low[span - 1, line], high[span - 1, line], part[span - 1]
                if not (a < b):
                    continue
            else:
                a, b, painted = column[0], column[columns], background
            rest = 0
            for piece in range(free):
                start, stop = max(free_low[piece], a), min(free_high[piece], b)
                if stop <= start:
                    rest_low[rest], rest_high[rest] = free_low[piece], free_high[piece]
                    rest += 1
                    continue
                if free_low[piece] < start:
                    rest_low[rest], rest_high[rest] = free_low[piece], start
                    rest += 1
                if free_high[piece] > stop:
                    rest_low[rest], rest_high[rest] = stop, free_high[piece]
                    rest += 1
                first = np.searchsorted(column, start, side="right") - 1
                for index in range(max(first, 0), columns):
                    if column[index] >= stop:
                        break
                    length = min(column[index + 1], stop) - max(column[index], start)
                    if length > 0.0:
                        amount[row[line], index, painted] += length * weight[line]
            free = rest
            for piece in range(rest):
                free_low[piece], free_high[piece] = rest_low[piece], rest_high[piece]
            if free == 0:
                break
