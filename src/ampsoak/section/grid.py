"""Graded grid lines and the position of the unknown between them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

# Where the unknown of a cell sits between its centre (0) and the place that puts every border midway between two
# unknowns (1). On geometrically growing cells the two classical choices err in opposite directions; two thirds of the
# way the far-field error of a cable in fill vanishes to the order measured (benchmarks/mesh_accuracy.py).
POINT_SHIFT = 2.0 / 3.0


def graded_lines(
    length: float,
    borders: Sequence[float],
    focus: Sequence[tuple[float, float, float]],
    growth: float,
    coarsest: float,
    cells_per_layer: int = 5,
) -> np.ndarray:
    """Return cell borders on 0..length, fine in the focus intervals and growing away from them.

    Parameters
    ----------
    length : float                     [m]
    borders : sequence of float        positions that must be cell borders (straight material faces) [m]
    focus : sequence of (low, high, size)   intervals with the largest cell side allowed inside [m]
    growth : float                     1 + growth of the cell side per length away; neighbours differ by about this ratio, > 1
    coarsest : float                   largest cell side [m]
    cells_per_layer : int              least number of cells between neighbouring borders

    Returns
    -------
    (n + 1,) float64    increasing, first 0 and last ``length`` [m]
    """
    scale = length * 1e-9
    stops = [0.0]
    for border in sorted(borders):
        if border > stops[-1] + scale and border < length - scale:
            stops.append(float(border))
    stops.append(float(length))
    zones = [(low, high, size) for low, high, size in focus]
    zones += [(low, high, (high - low) / cells_per_layer) for low, high in pairwise(stops)]

    def wanted(position: np.ndarray) -> np.ndarray:
        size = np.full(position.shape, coarsest)
        for low, high, finest in zones:
            away = np.maximum(0.0, np.maximum(low - position, position - high))
            np.minimum(size, finest + (growth - 1.0) * away, out=size)
        return size

    lines = [0.0]
    finest = min(min(size for _, _, size in zones), coarsest)
    for low, high in pairwise(stops):
        sample = np.linspace(low, high, int(np.clip(4 * (high - low) / finest, 64, 4000)) + 1)
        density = 1.0 / wanted(sample)
        count = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(sample))])
        cells = max(1, int(np.ceil(count[-1] - 1e-6)))
        inner = np.interp(np.arange(1, cells) * count[-1] / cells, count, sample)
        lines.extend([*inner, high])
    return np.asarray(lines)


def unknown_positions(lines: np.ndarray) -> np.ndarray:
    """Return where the unknown of each cell sits, (n,) [m], for cell borders ``lines`` (n + 1,) [m].

    On equal cells this is the centre. On growing cells it moves towards the smaller neighbour by ``POINT_SHIFT`` of the
    way to the position at which every border is midway between two unknowns.
    """
    size = np.diff(lines)
    after, before = np.append(size[1:], size[-1]), np.insert(size[:-1], 0, size[0])
    centre = (lines[1:] + lines[:-1]) / 2
    return centre - POINT_SHIFT * size / 2 * (after - before) / (after + 2 * size + before)
