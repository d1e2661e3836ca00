"""P4 with numpy: finite volumes on a graded rectangular grid, and CHOLMOD (cvxopt) for the symmetric five-point matrix.

Curved outlines enter by samples: area fractions for heat content and source, and face conductances from centre-to-centre
resistances along sub-lines in parallel. Symbolic analysis once, numeric factorisation per step. Grid and step rule are the
fastest found that keep the conductor within 0.5 K, partly by errors that cancel: a finer grid is not better.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from solvers.frozen_coefficients import StepRule
from solvers.problems import (
    COEFFICIENT,
    CONDUCTOR_AREA,
    JACKET_HEIGHT,
    JACKET_WIDTH,
    LOADED,
    MM,
    PROBLEMS,
    START,
    face_flux,
    face_slope,
    fill_conductivity,
    gypsum_heat,
    material_at,
    properties,
    pvc_heat,
    wood_conductivity,
)

HISTORY_RULE = StepRule(first=3.0, growth=1.6, longest=350.0, change=25.0)
_FINE, _GROWTH, _LARGEST, _MARGIN, _SAMPLES = 0.3, 1.3, 10.0, 0.4, 16  # mm, -, mm, mm, per cell and direction
_NAMES = ("batt", "wood", "pvc", "gypsum", "osb", "paper", "copper_left", "copper_right", "copper_earth")


def _graded_side(begin: float, end: float, breaks: list[float]) -> list[float]:
    """Lines from ``begin`` outwards to ``end``, growing, with every break on a line."""
    sign = np.sign(end - begin)
    stops = [place for place in [*breaks, end] if (place - begin) * sign > 1e-9 and (end - place) * sign > -1e-9]
    lines, here, width = [], begin, _FINE
    for stop in sorted(stops, key=lambda place: sign * place):
        length, widths, total, growing = abs(stop - here), [], 0.0, width
        while total < length - 1e-12:
            growing = min(growing * _GROWTH, _LARGEST)
            widths.append(growing)
            total += growing
        widths = np.array(widths)
        if len(widths) > 1 and total - length > 0.5 * widths[-1]:
            widths = widths[:-1]
        widths *= length / widths.sum()
        lines += list(here + sign * np.cumsum(widths))
        lines[-1] = here = stop
        width = widths[-1]
    return lines


def _lines(length: float, breaks: list[float], low: float, high: float) -> np.ndarray:
    count = max(1, round((high - low) / _FINE))
    middle = list(np.linspace(low, high, count + 1))
    return MM * np.array(_graded_side(low, 0.0, breaks)[::-1] + middle + _graded_side(high, length, breaks))


class FiniteVolumes:
    """The section of P4, for ``frozen_coefficients``."""

    def __init__(self):
        problem = PROBLEMS["P4"]
        x, y = problem.centre
        half_width, half_height = JACKET_WIDTH / 2 + _MARGIN, JACKET_HEIGHT / 2 + _MARGIN
        x_lines = _lines(problem.width, [19.0, problem.width - 19.0], x - half_width, x + half_width)
        y_lines = _lines(problem.height, [12.7, 101.7], y - half_height, y + half_height)
        self.dx, self.dy = np.diff(x_lines), np.diff(y_lines)
        self.shape = len(self.dx), len(self.dy)
        self.unknowns = self.shape[0] * self.shape[1]
        self.cold = np.full(self.unknowns, START)
        samples = self._samples(problem, x_lines, y_lines)
        self._heat(samples)
        self._faces(samples)
        self._pattern()
        self.factors = _Cholmod(self.pattern)

    def _samples(self, problem, x_lines, y_lines) -> np.ndarray:
        """Material number of every sample, (nx, samples, ny, samples)."""
        inside = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
        xs = (x_lines[:-1, None] + self.dx[:, None] * inside).ravel() / MM
        ys = (y_lines[:-1, None] + self.dy[:, None] * inside).ravel() / MM
        numbers = np.zeros((len(xs), len(ys)), np.int8)
        for row in range(0, len(xs), _SAMPLES):  # a column of cells at a time keeps the memory small
            names = material_at(problem, *np.meshgrid(xs[row : row + _SAMPLES], ys, indexing="ij"))
            for number, name in enumerate(_NAMES):
                numbers[row : row + _SAMPLES][names == name] = number
        return numbers.reshape(self.shape[0], _SAMPLES, self.shape[1], _SAMPLES)

    def _heat(self, samples: np.ndarray) -> None:
        area = self.dx[:, None] * self.dy
        share = [((samples == number).mean((1, 3)) * area).ravel() for number in range(len(_NAMES))]
        self.constant_heat = np.zeros(self.unknowns)
        for part, name in zip(share, _NAMES, strict=True):
            _, density, heat = properties(name)
            if name not in ("pvc", "gypsum"):
                self.constant_heat += part * density * heat
        self.pvc_mass, self.gypsum_mass = share[2] * properties("pvc")[1], share[3] * properties("gypsum")[1]
        self.in_pvc, self.in_gypsum = np.flatnonzero(self.pvc_mass), np.flatnonzero(self.gypsum_mass)
        loads = np.stack([share[_NAMES.index(name)] for name in LOADED], axis=1)
        loads *= CONDUCTOR_AREA / loads.sum(axis=0)
        self.in_conductors = np.flatnonzero(loads.sum(axis=1))
        self.loads = loads[self.in_conductors]

    def _faces(self, samples: np.ndarray) -> None:
        """Resistance of every face: constant part, and lengths in fill and wood, by sub-line."""
        constant = np.array([0.0 if name in ("batt", "wood") else 1 / properties(name)[0] for name in _NAMES])
        half, sub_lines = _SAMPLES // 2, []
        for value in (constant[samples], (samples == 0).astype(float), (samples == 1).astype(float)):
            halves = slice(half), slice(half, None)
            left, right = (value[:, part].mean(1) * self.dx[:, None, None] / 2 for part in halves)
            lower, upper = (value[..., part].mean(3) * self.dy / 2 for part in halves)
            across_x = (right[:-1] + left[1:]).reshape(-1, _SAMPLES)
            across_y = (upper[:, :, :-1] + lower[:, :, 1:]).transpose(0, 2, 1).reshape(-1, _SAMPLES)
            sub_lines.append(np.concatenate([across_x, across_y]))
            if len(sub_lines) == 1:  # the boards on the outside have constant conductivity
                self.edge_resistance = np.concatenate([1 / (1 / r).mean(1) for r in (lower[:, :, 0], upper[:, :, -1])])
        number = np.arange(self.unknowns).reshape(self.shape)
        self.low = np.concatenate([number[:-1].ravel(), number[:, :-1].ravel()])
        self.high = np.concatenate([number[1:].ravel(), number[:, 1:].ravel()])
        (nx, ny), dx, dy = self.shape, self.dx[:, None], self.dy

        def on_faces(for_x, for_y):
            return np.concatenate(
                [np.broadcast_to(for_x, (nx - 1, ny)).ravel(), np.broadcast_to(for_y, (nx, ny - 1)).ravel()]
            )

        self.length = on_faces(dy, dx)
        before, after = on_faces(dx[:-1], dy[:-1]), on_faces(dx[1:], dy[1:])
        self.weight = after / (before + after)
        resistance, in_fill, in_wood = sub_lines
        follows = (in_fill.max(1) > 0) | (in_wood.max(1) > 0)
        mixed = follows & np.any([np.ptp(part, axis=1) > 1e-12 for part in sub_lines], axis=0)
        self.plain, self.mixed = np.flatnonzero(follows & ~mixed), np.flatnonzero(mixed)
        self.constant_conductance = np.zeros(len(self.low))
        still = ~follows
        self.constant_conductance[still] = self.length[still] * (1 / resistance[still]).mean(1)
        self.plain_lines = tuple(part[self.plain, :1] for part in sub_lines)
        self.mixed_lines = tuple(part[self.mixed] for part in sub_lines)
        self.edge_cell = np.concatenate([number[:, 0], number[:, -1]])
        self.edge_length = np.concatenate([self.dx, self.dx])

    def _pattern(self) -> None:
        """Five-point pattern and the place of every entry in it."""
        own = np.arange(self.unknowns)
        row, column = np.r_[self.low, self.high, own], np.r_[self.high, self.low, own]
        keys, self.place = np.unique(column * self.unknowns + row, return_inverse=True)
        shape = (self.unknowns, self.unknowns)
        self.pattern = sparse.csc_matrix((np.ones(len(keys)), (keys % self.unknowns, keys // self.unknowns)), shape)
        self.pattern.sort_indices()
        self.diagonal = self.place[2 * len(self.low) :]

    def _capacity(self, state: np.ndarray) -> np.ndarray:
        capacity = self.constant_heat.copy()
        capacity[self.in_pvc] += self.pvc_mass[self.in_pvc] * pvc_heat(state[self.in_pvc])
        capacity[self.in_gypsum] += self.gypsum_mass[self.in_gypsum] * gypsum_heat(state[self.in_gypsum])
        return capacity

    def _conductance(self, state: np.ndarray) -> np.ndarray:
        conductance = self.constant_conductance.copy()
        for faces, (constant, fill, wood) in ((self.plain, self.plain_lines), (self.mixed, self.mixed_lines)):
            weight = self.weight[faces]
            between = (weight * state[self.low[faces]] + (1 - weight) * state[self.high[faces]])[:, None]
            resistance = constant + fill / fill_conductivity(between) + wood / wood_conductivity(between)
            conductance[faces] = self.length[faces] * (1 / resistance).mean(axis=1)
        return conductance

    def conductor(self, state: np.ndarray) -> float:
        """Mean of the hotter loaded conductor [°C]."""
        return float((self.loads.T @ state[self.in_conductors] / CONDUCTOR_AREA).max())

    def prepare(self, ahead: np.ndarray, strength: float, g: float):
        """Solver, product with mass and right-hand side, with everything frozen at ``ahead``."""
        conductance, capacity = self._conductance(ahead), self._capacity(ahead)
        cell, resistance = ahead[self.edge_cell], self.edge_resistance
        surface = cell.copy()
        for _ in range(4):
            miss = surface - cell + resistance * face_flux(surface)
            surface -= miss / (1 + resistance * face_slope(surface))
        flow = self.edge_length * (cell - surface) / resistance
        slope = self.edge_length * face_slope(surface) / (1 + resistance * face_slope(surface))
        diagonal = sum(np.bincount(side, conductance, self.unknowns) for side in (self.low, self.high))
        diagonal[self.edge_cell] += slope
        values = g * np.bincount(self.place, np.r_[-conductance, -conductance, diagonal], self.pattern.nnz)
        values[self.diagonal] += capacity
        right = np.zeros(self.unknowns)
        np.add.at(right, self.edge_cell, slope * cell - flow)
        mean = self.loads.T @ ahead[self.in_conductors] / CONDUCTOR_AREA
        right[self.in_conductors] += self.loads @ (strength * (1 + COEFFICIENT * (mean - 20)))
        return self.factors.solver(values), lambda vector: capacity * vector, right


class _Cholmod:
    """Symbolic analysis of a pattern, numeric factorisation of values in it."""

    def __init__(self, pattern: sparse.csc_matrix):
        import cvxopt
        import cvxopt.cholmod

        self.cvxopt, self.cholmod = cvxopt, cvxopt.cholmod
        column = np.repeat(np.arange(pattern.shape[0]), np.diff(pattern.indptr))
        self.lower = pattern.indices >= column
        row, column = pattern.indices[self.lower], column[self.lower]
        self.cholmod.options["supernodal"] = 2
        entries = [row.astype(np.int64), column.astype(np.int64)]
        values = np.where(row == column, 10.0, -1.0)
        self.matrix = cvxopt.spmatrix(*map(cvxopt.matrix, (values, *entries)), pattern.shape)
        self.factor = self.cholmod.symbolic(self.matrix)

    def solver(self, values: np.ndarray):
        """Factorise and return a function that solves."""
        self.matrix.V = self.cvxopt.matrix(values[self.lower])
        self.cholmod.numeric(self.matrix, self.factor)

        def solve(right):
            found = self.cvxopt.matrix(right)
            self.cholmod.solve(self.factor, found)
            return np.array(found).ravel()

        return solve
