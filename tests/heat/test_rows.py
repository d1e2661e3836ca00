"""What is done to eight members at once, against numpy, in double and single precision, compiled and plain."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys

import numpy as np
import pytest

from ampsoak.heat.banded import empty_band, factorise_band, solve_band_rows
from ampsoak.heat.compiling import roomy_kernel
from ampsoak.heat.dissection import make_plan
from ampsoak.heat.fronts import empty_fronts, factorise_fronts, solve_fronts_rows
from ampsoak.heat.rows import dot_rows, largest_rows, miss_rows, read_rows, shift_rows, take_products
from ampsoak.heat.tiles import SIDE

SINGLE, DOUBLE = np.float32, np.float64
SHAPES = [(1, 1), (1, 30), (2, 9), (7, 5), (8, 8), (13, 16), (24, 24), (61, 40)]


class Grid:
    """Random links of a grid, and the capacity and losses of its cells."""

    def __init__(self, nx: int, ny: int, seed: int = 0):
        rng = np.random.default_rng([seed, nx, ny])
        self.shape = nx, ny, *((ny, 1) if ny <= nx else (1, nx))
        self.strides = np.array(self.shape[2:])
        self.cells = nx * ny
        number = np.arange(nx)[:, None] * self.shape[2] + np.arange(ny) * self.shape[3]
        # one, other and the cell that holds the link between them, as the docstring of ``factorise_band`` numbers kinds
        ends = (
            (number[:-1], number[1:], number[:-1]), (number[:, :-1], number[:, 1:], number[:, :-1]),
            (number[:-1, :-1], number[1:, 1:], number[:-1, :-1]), (number[1:, :-1], number[:-1, 1:], number[:-1, :-1]),
        )  # fmt: skip
        self.links, self.own = np.zeros((4, self.cells)), 0.1 + rng.random((3, self.cells))
        laplacian = np.zeros((self.cells, self.cells))
        for kind, (one, other, holder) in enumerate(ends):
            one, other, holder = one.ravel(), other.ravel(), holder.ravel()
            value = rng.random(one.size)
            self.links[kind, holder] = value
            np.add.at(laplacian, (one, other), -value)
            np.add.at(laplacian, (other, one), -value)
            np.add.at(laplacian, (one, one), value)
            np.add.at(laplacian, (other, other), value)
        self.laplacian = laplacian
        self.given, self.leak, self.capacity = self.own

    def matrix(self, weight: float) -> np.ndarray:
        """Capacity + weight * (links and losses), dense."""
        return self.laplacian * weight + np.diag(self.capacity + weight * self.leak)

    def stencil(self, weight: float) -> np.ndarray:
        """The same as a stencil: sums of its rows, then its entries beside the diagonal."""
        return np.concatenate([(self.capacity + weight * self.leak)[None], -weight * self.links])


def solve_in_band(grid: Grid, weight: float, rights: np.ndarray, dtype: type) -> np.ndarray:
    """Solutions (cells, 8) by a band; what lies behind the cells stays."""
    band = empty_band(grid.cells, int(grid.strides.sum()), dtype)
    assert factorise_band(grid.stencil(weight), grid.strides, band)
    rows = np.full((grid.cells + SIDE, SIDE), 7.0)
    rows[: grid.cells] = rights
    solve_band_rows(band, grid.cells, rows.reshape(-1))
    assert (rows[grid.cells :] == 7.0).all()
    return rows[: grid.cells].copy()


def solve_in_fronts(grid: Grid, weight: float, rights: np.ndarray, dtype: type) -> np.ndarray:
    """The same by fronts."""
    matrix = empty_fronts(make_plan(*grid.shape), 1, dtype)
    matrix.stencil[:] = grid.stencil(weight)
    assert factorise_fronts(matrix)
    rows = rights.copy()
    solve_fronts_rows(matrix, rows.reshape(-1))
    return rows


both_ways = pytest.mark.parametrize("solve", [solve_in_band, solve_in_fronts])


@both_ways
@pytest.mark.parametrize(("nx", "ny"), SHAPES)
def test_eight_solutions_against_numpy(solve, nx, ny):
    # numpy.linalg.solve (LAPACK dgesv); 1e-6: some ten roundings of single precision
    grid = Grid(nx, ny)
    rights = np.random.default_rng(1).normal(size=(grid.cells, SIDE))
    expected = np.linalg.solve(grid.matrix(3.0), rights)
    assert solve(grid, 3.0, rights, DOUBLE) == pytest.approx(expected, rel=1e-10, abs=1e-11)
    assert solve(grid, 3.0, rights, SINGLE) == pytest.approx(expected, abs=1e-6 * np.abs(expected).max())


@both_ways
@pytest.mark.parametrize("dtype", [DOUBLE, SINGLE])
def test_members_know_nothing_of_each_other(solve, dtype):
    # the same bits in whatever column a right side stands, and whatever stands beside it
    grid = Grid(31, 22)
    rights = np.random.default_rng(3).normal(size=(grid.cells, SIDE))
    together = solve(grid, 1.0, rights, dtype)
    turned = solve(grid, 1.0, rights[:, ::-1].copy(), dtype)
    assert np.array_equal(together, turned[:, ::-1])
    alone = np.zeros_like(rights)
    alone[:, 5] = rights[:, 2]
    assert np.array_equal(solve(grid, 1.0, alone, dtype)[:, 5], together[:, 2])
    assert not solve(grid, 1.0, alone, dtype)[:, :5].any()


# -- rows ------------------------------------------------------------------------------------------------------------


@roomy_kernel
def miss_of(grid, links, own, temperature, first, change, weight, miss):
    miss_rows((grid[0], grid[1], grid[2]), links, own, temperature, first, change, weight, miss)


@roomy_kernel
def dot_of(weights, rows, result):
    dot_rows(weights, rows, len(weights), result, 0)


@roomy_kernel
def taken(columns, cells, values, lumps, rows):
    take_products(columns, cells, values, 1, lumps, rows)


@roomy_kernel
def largest_of(rows, count, result):
    largest_rows(rows, count, result, 0)


@roomy_kernel
def shifted(rows, count, shift):
    shift_rows(rows, count, shift)


@roomy_kernel
def read_of(before, rate_before, after, rate_after, weights, chosen, result):
    read_rows(before, rate_before, after, rate_after, weights, chosen, 1, len(chosen), result, 0)


def missed(grid: Grid, weight: float, temperature: np.ndarray, change: np.ndarray) -> np.ndarray:
    """``miss_rows`` of a grid, (cells, 8)."""
    room = int(grid.strides.sum())
    padded = np.zeros((grid.cells + 2 * room, SIDE))
    padded[room : room + grid.cells] = temperature
    links = np.concatenate([np.zeros((4, room)), grid.links], axis=1)
    miss = np.full((grid.cells, SIDE), np.nan)
    shape = np.array([grid.cells, *grid.strides])
    own = np.ascontiguousarray(grid.own.T).reshape(-1)
    miss_of(shape, links.reshape(-1), own, padded.reshape(-1), room, change.reshape(-1), weight, miss.reshape(-1))
    return miss


@pytest.mark.parametrize(("nx", "ny"), SHAPES)
def test_what_a_cell_misses_of_its_balance(nx, ny):
    # definition: weight * (heat given - losses - links) - capacity * change, with a dense matrix
    grid, rng = Grid(nx, ny), np.random.default_rng(2)
    temperature, change = 300.0 + rng.random((grid.cells, SIDE)), rng.normal(size=(grid.cells, SIDE))
    flows = grid.given[:, None] - grid.leak[:, None] * temperature - grid.laplacian @ temperature
    expected = 2.5 * flows - grid.capacity[:, None] * change
    assert missed(grid, 2.5, temperature, change) == pytest.approx(expected, rel=1e-10, abs=1e-10)


@pytest.mark.parametrize("count", [1, 3, 4, 41])
def test_sums_products_shifts_and_largest_values_against_numpy(count):
    rng = np.random.default_rng(count)
    rows, weights, result = rng.normal(size=(count, SIDE)), rng.normal(size=count), np.full(SIDE, np.nan)
    dot_of(weights, rows.reshape(-1), result)
    assert result == pytest.approx(weights @ rows, rel=1e-12, abs=1e-13)
    largest_of(rows.reshape(-1), count, result)
    assert np.array_equal(result, np.abs(rows).max(axis=0))
    columns, values = rng.normal(size=(2, count)), rng.normal(size=(3, SIDE))
    expected = rows - columns.T @ values[1:]
    taken(columns.reshape(-1), count, values.reshape(-1), 2, rows.reshape(-1))
    assert rows == pytest.approx(expected, rel=1e-12, abs=1e-13)
    shifted(rows.reshape(-1), count, values[0])
    assert rows == pytest.approx(expected + values[0], rel=1e-12, abs=1e-13)


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_a_largest_value_tells_what_is_not_finite(odd):
    rows, result = np.ones((5, SIDE)), np.zeros(SIDE)
    rows[3, 2] = odd
    largest_of(rows.reshape(-1), 5, result)
    assert np.flatnonzero(~np.isfinite(result)).tolist() == [2]


def test_the_largest_of_chosen_cubics():
    rng = np.random.default_rng(4)
    ends, weights, result = rng.normal(size=(4, 20, SIDE)), rng.normal(size=4), np.zeros(SIDE)
    chosen = np.array([19, 3, 0, 7, 7])
    read_of(*(part.reshape(-1) for part in ends), weights, chosen, result)  # from the second of the chosen on
    values = np.einsum("k,kqm->qm", weights, ends)
    assert result == pytest.approx(values[[3, 0, 7]].max(axis=0), rel=1e-12, abs=1e-13)


# -- processors and plain Python -------------------------------------------------------------------------------------

_ELSEWHERE = """
import json, sys
sys.path[:0] = {paths!r}
from test_rows import answers
print(json.dumps([answer.ravel().tolist() for answer in answers({fronts})]))
"""


def answers(fronts: bool) -> list[np.ndarray]:
    """Balances and solutions of a small grid, in double and single precision."""
    grid, rng = Grid(12, 9), np.random.default_rng(5)
    rights = rng.normal(size=(grid.cells, SIDE))
    ways = (solve_in_band, solve_in_fronts) if fronts else (solve_in_band,)
    found = [solve(grid, 2.0, rights, dtype) for dtype in (DOUBLE, SINGLE) for solve in ways]
    return [missed(grid, 2.0, rights, rng.normal(size=rights.shape)), *found]


def elsewhere(fronts: bool, **variables: str) -> list[np.ndarray]:
    """The same computed in a process of its own."""
    paths = [os.path.dirname(__file__), *sys.path]
    done = subprocess.run(
        [sys.executable, "-c", _ELSEWHERE.format(paths=paths, fronts=fronts)], env={**os.environ, **variables},
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    return [np.array(answer) for answer in json.loads(done.stdout)]


def test_plain_python_gives_the_same_numbers():
    # but for the last bits: it rounds products before it adds them, which may tip the rounding to single precision
    within = (1e-12, 1e-12, 1e-12, 1e-6, 1e-6)
    for plain, compiled, share in zip(elsewhere(True, NUMBA_DISABLE_JIT="1"), answers(True), within, strict=True):
        assert plain == pytest.approx(compiled.ravel(), abs=share * np.abs(compiled).max())


def test_a_processor_without_wide_vectors_and_fused_instructions_gives_the_same_bits(tmp_path):
    # IEEE 754-2008, 5.4.1: fusedMultiplyAdd is rounded correctly, in hardware or not
    if platform.machine().lower() not in ("x86_64", "amd64"):
        pytest.skip("stands in for another processor of this kind only")
    old = elsewhere(False, NUMBA_CPU_NAME="nehalem", NUMBA_CPU_FEATURES="", NUMBA_CACHE_DIR=str(tmp_path))
    assert all(np.array_equal(one, other.ravel()) for one, other in zip(old, answers(False), strict=True))
