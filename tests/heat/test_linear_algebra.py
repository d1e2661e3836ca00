"""Cholesky factors of bands and fronts against LAPACK and SuperLU, in double and single precision, compiled and
plain.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys

import numpy as np
import pytest
from scipy.linalg import cholesky
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu, spsolve

from ampsoak.heat.banded import empty_band, empty_bands, factorise_band, solve_band_columns
from ampsoak.heat.dissection import make_plan
from ampsoak.heat.fronts import empty_fronts, factorise_fronts, solve_fronts_columns
from ampsoak.heat.tiles import PAD_ROWS, SIDE, TILE

SINGLE, DOUBLE = np.float32, np.float64
SHAPES = [(1, 1), (1, 30), (2, 9), (7, 5), (8, 8), (13, 16), (24, 24), (61, 40)]


class Matrix:
    """A matrix of a grid as stencil (5, cells) and as a sparse matrix.

    links: four arrays, between cells next to each other along x (nx - 1, ny), along y (nx, ny - 1), along both and
    across (nx - 1, ny - 1); extra (nx, ny): what the diagonal has more than the sum of its links, so the sums of the rows
    """

    def __init__(self, links, extra):
        nx, ny = extra.shape
        self.shape = nx, ny, *((ny, 1) if ny <= nx else (1, nx))
        self.strides = np.array(self.shape[2:])
        self.cells = nx * ny
        number = np.arange(nx)[:, None] * self.shape[2] + np.arange(ny) * self.shape[3]
        ends = (
            (number[:-1], number[1:], number[:-1]), (number[:, :-1], number[:, 1:], number[:, :-1]),
            (number[:-1, :-1], number[1:, 1:], number[:-1, :-1]), (number[1:, :-1], number[:-1, 1:], number[:-1, :-1]),
        )  # fmt: skip
        self.stencil = np.zeros((5, self.cells))
        diagonal = np.empty(self.cells)
        diagonal[number.ravel()] = extra.ravel()
        rows, columns, values = [], [], []
        for kind, ((one, other, holder), value) in enumerate(zip(ends, links, strict=True), start=1):
            value = value.ravel()
            self.stencil[kind, holder.ravel()] = -value
            np.add.at(diagonal, one.ravel(), value)
            np.add.at(diagonal, other.ravel(), value)
            rows += [one.ravel(), other.ravel()]
            columns += [other.ravel(), one.ravel()]
            values += [-value, -value]
        self.stencil[0, number.ravel()] = extra.ravel()
        where = np.concatenate([*rows, np.arange(self.cells)]), np.concatenate([*columns, np.arange(self.cells)])
        values = np.concatenate([*values, diagonal])
        self.sparse = coo_matrix((values, where), shape=(self.cells, self.cells)).tocsc()


def random_matrix(nx: int, ny: int, seed: int = 0) -> Matrix:
    """Links between 0 and 1, and a diagonal that is hardly more than their sum."""
    rng = np.random.default_rng([seed, nx, ny])
    links = [rng.random(size) for size in ((nx - 1, ny), (nx, ny - 1), (nx - 1, ny - 1), (nx - 1, ny - 1))]
    return Matrix(links, np.full((nx, ny), 0.01))


def wall(nx: int, ny: int, step: float, seed: int) -> Matrix:
    """Step matrix capacity + step * links of blocks of air, insulation, board and copper, and films all round.

    Square cells of 0.1 mm; conductivities of 0.02 to 400 W/(m K) and heat capacities of 1.2 kJ to 3.45 MJ/(m³ K), as
    air and copper have them (from memory); films of 8 W/(m² K). The falling diagonal has the sign that a slanted
    interface gives it.
    """
    rng = np.random.default_rng(seed)
    size, film = 1e-4, 8.0
    conductivity, capacity = np.full((nx, ny), 0.02), np.full((nx, ny), 1.2e3)
    for _ in range(14):
        i, j = rng.integers(nx), rng.integers(ny)
        block = slice(i, i + rng.integers(1, nx // 3)), slice(j, j + rng.integers(1, ny // 3))
        kind = rng.integers(4)
        conductivity[block], capacity[block] = (0.02, 0.17, 1.0, 400.0)[kind], (1.2e3, 1.4e6, 1.5e6, 3.45e6)[kind]

    def between(one, other):
        return step * 2.0 * one * other / (one + other)

    k = conductivity
    across = [0.1 * between(k[:-1, :-1], k[1:, 1:]), -0.05 * between(k[1:, :-1], k[:-1, 1:])]
    links = [between(k[:-1], k[1:]), between(k[:, :-1], k[:, 1:]), *across]
    extra = capacity * size**2
    extra[[0, -1], :] += step * film * size
    extra[:, [0, -1]] += step * film * size
    return Matrix(links, extra)


def solve_in_band(matrix: Matrix, rights: np.ndarray, dtype: type) -> np.ndarray:
    """Solutions (count, cells) for ``rights`` by a band."""
    band = empty_band(matrix.cells, int(matrix.strides.sum()), dtype)
    assert factorise_band(matrix.stencil, matrix.strides, band)
    padded = np.zeros((len(rights), matrix.cells + PAD_ROWS))
    padded[:, : matrix.cells] = rights
    solve_band_columns(band, padded)
    assert not padded[:, matrix.cells :].any()
    return padded[:, : matrix.cells].copy()


def solve_in_fronts(matrix: Matrix, rights: np.ndarray, dtype: type) -> np.ndarray:
    """The same by fronts."""
    plan = make_plan(*matrix.shape)
    fronts = empty_fronts(plan, len(rights), dtype)
    for room in (fronts.rooms, fronts.sums, fronts.lower):
        room[:] = np.nan  # what is there does not matter
    fronts.stencil[:] = matrix.stencil
    assert factorise_fronts(fronts)
    padded = np.zeros((len(rights), matrix.cells + PAD_ROWS))
    padded[:, : matrix.cells] = rights
    solve_fronts_columns(fronts, padded)
    assert not padded[:, matrix.cells :].any()
    return padded[:, : matrix.cells].copy()


both_ways = pytest.mark.parametrize("solve", [solve_in_band, solve_in_fronts])


@both_ways
@pytest.mark.parametrize(("nx", "ny"), SHAPES)
def test_solutions_against_sparse_lu(solve, nx, ny):
    # scipy.sparse.linalg.spsolve; sizes that tiles of eight do not divide, wide and high, and single rows
    matrix = random_matrix(nx, ny)
    rights = np.random.default_rng(1).normal(size=(3, nx * ny))
    expected = np.array([np.atleast_1d(spsolve(matrix.sparse, right)) for right in rights])
    assert solve(matrix, rights, DOUBLE) == pytest.approx(expected, rel=1e-10, abs=1e-11)
    assert solve(matrix, rights, SINGLE) == pytest.approx(expected, abs=1e-6 * np.abs(expected).max())


@both_ways
def test_every_small_size_against_sparse_lu(solve):
    # scipy.sparse.linalg.spsolve; every number of cells up to 40, and forty larger ones to 200, in random shapes
    rng = np.random.default_rng(7)
    for cells in [*range(1, 41), *rng.integers(41, 201, size=40)]:
        nx = int(rng.integers(1, min(cells, 15) + 1))
        matrix = random_matrix(nx, max(1, int(cells) // nx), seed=int(cells))
        rights = rng.normal(size=(2, matrix.cells))
        answer = solve(matrix, rights, DOUBLE)
        assert np.abs(answer @ matrix.sparse - rights).max() < 1e-11
        # and not only the residual, on a matrix that is nearly singular
        assert answer[0] == pytest.approx(np.atleast_1d(spsolve(matrix.sparse, rights[0])), rel=1e-9, abs=1e-10)


def test_band_factor_against_lapack():
    # scipy.linalg.cholesky; the tiles on the diagonal hold inverses, which numpy inverts back
    matrix = random_matrix(9, 7)
    band = empty_band(63, 8, DOUBLE)
    assert factorise_band(matrix.stencil, matrix.strides, band)
    factor = np.zeros((72, 72))
    for panel, numbers in enumerate(band):
        for ahead, tile in enumerate(numbers.reshape(-1, SIDE, SIDE)[: len(band) - panel]):
            row, column = SIDE * (panel + ahead), SIDE * panel
            factor[row : row + SIDE, column : column + SIDE] = np.linalg.inv(tile) if ahead == 0 else tile.T
    expected = cholesky(matrix.sparse.toarray(), lower=True)
    assert factor[:63, :63] == pytest.approx(expected, rel=1e-11, abs=1e-13)


@pytest.mark.parametrize("wrong", [-100.0, np.nan])
@pytest.mark.parametrize("dtype", [DOUBLE, SINGLE])
def test_what_is_not_positive_definite_is_refused(wrong, dtype):
    # a negative diagonal has no Cholesky factor (LAPACK dpotrf, info > 0)
    matrix = random_matrix(20, 13)
    band, fronts = empty_band(260, 14, dtype), empty_fronts(make_plan(*matrix.shape), 1, dtype)
    for cell in (0, 101, 259):
        kept = matrix.stencil[0, cell]
        matrix.stencil[0, cell] = wrong
        assert not factorise_band(matrix.stencil, matrix.strides, band)
        fronts.stencil[:] = matrix.stencil
        assert not factorise_fronts(fronts)
        matrix.stencil[0, cell] = kept
    assert factorise_band(matrix.stencil, matrix.strides, band)


@both_ways
@pytest.mark.parametrize("dtype", [DOUBLE, SINGLE])
def test_several_at_once_are_each_alone_to_the_last_bit(solve, dtype):
    # also those that begin with zeros, which are passed over on the way down
    matrix = random_matrix(31, 22)
    rights = np.random.default_rng(3).normal(size=(5, matrix.cells))
    rights[1, :600] = rights[2] = rights[3, 300:400] = 0.0
    together = solve(matrix, rights, dtype)
    alone = np.concatenate([solve(matrix, right[None], dtype) for right in rights])
    assert np.array_equal(together, alone)
    assert not together[2].any()
    expected = spsolve(matrix.sparse, rights[1])
    assert together[1] == pytest.approx(expected, abs=1e-6 * np.abs(expected).max())


# -- single precision --------------------------------------------------------------------------------------------------


@both_ways
@pytest.mark.parametrize("step", [1e-3, 1.0, 1e3, 1e6])
def test_single_precision_keeps_its_digits_on_stiff_matrices(solve, step):
    # against scipy.sparse.linalg.splu in double precision, once refined; 1e-5 is some hundred roundings of single
    # precision, which sums of one sign may gather (N. J. Higham, Accuracy and Stability of Numerical Algorithms, ch. 8,
    # from memory)
    for seed in range(3):
        matrix = wall(70, 50, step, seed)
        rng = np.random.default_rng(seed)
        exact = splu(matrix.sparse)
        rights = np.array([rng.random(matrix.cells), rng.normal(size=matrix.cells)])
        expected = np.array([exact.solve(right) for right in rights])
        left = rights - expected @ matrix.sparse  # symmetric
        expected += np.array([exact.solve(right) for right in left])
        miss = np.abs(solve(matrix, rights, SINGLE) - expected).max(axis=1) / np.abs(expected).max(axis=1)
        assert miss.max() < 1e-5


@pytest.mark.parametrize("step", [1.0, 1e6])
def test_corrections_with_a_single_precision_factor_converge(step):
    # the worst right side is one that cancels, matrix @ temperatures; each correction of x by what is left of it gains
    # digits (J. H. Wilkinson's iterative refinement; Higham, ch. 12, from memory)
    matrix = wall(70, 50, step, 1)
    wanted = 300.0 + 50.0 * np.random.default_rng(0).random(matrix.cells)
    right = matrix.sparse @ wanted
    answer = solve_in_fronts(matrix, right[None], SINGLE)[0]
    first = np.abs(answer - wanted).max()
    assert first < 1.0
    answer += solve_in_fronts(matrix, (right - matrix.sparse @ answer)[None], SINGLE)[0]
    assert np.abs(answer - wanted).max() < max(0.01 * first, 1e-7)


@both_ways
@pytest.mark.parametrize("step", [1e3, 1e6, 1e9])
def test_single_precision_knows_how_much_a_section_holds_however_much_it_conducts(solve, step):
    # nothing leaves this one, so the mean of the answer is the sum of the right side over the sum of the capacities, and at long
    # steps all of it is; plain elimination in single precision forms that as a difference of links and has no digit of
    # it left (A. S. Alfa, J. Xue and Q. Ye, Math. Comp. 71 (2002) 217, why sums of rows do not lose any, from memory)
    nx, ny = 70, 50
    rng = np.random.default_rng(8)
    links = [step * rng.random(size) for size in ((nx - 1, ny), (nx, ny - 1))]
    links += [np.zeros((nx - 1, ny - 1))] * 2
    matrix = Matrix(links, 1e-2 * (0.5 + rng.random((nx, ny))))
    answer = solve(matrix, np.ones((1, matrix.cells)), SINGLE)[0]
    assert answer @ matrix.stencil[0] == pytest.approx(matrix.cells, rel=1e-5)
    rounded = matrix.sparse.toarray().astype(SINGLE)
    plain = np.linalg.inv(rounded).sum(axis=1)
    if step >= 1e6:
        assert plain @ matrix.stencil[0] != pytest.approx(matrix.cells, rel=1e-2)


# -- memory ------------------------------------------------------------------------------------------------------------


def test_every_vector_lies_in_one_line_of_the_cache():
    # 64 bytes on all current processors (common knowledge, no source)
    for dtype in (SINGLE, DOUBLE):
        assert all(band.ctypes.data % 64 == 0 for band in empty_bands(3, 100, 17, dtype))
        assert empty_bands(3, 100, 17, dtype).shape == (3, 13, 4 * TILE)
        fronts = empty_fronts(make_plan(9, 8, 8, 1), 1, dtype)
        assert all(part.ctypes.data % 64 == 0 for part in (fronts.lower, fronts.rooms))


def test_fronts_need_little_memory():
    # 31/4 n log2 n numbers (A. George 1973; A. J. Hoffman et al., SIAM J. Numer. Anal. 10 (1973) 364, from memory), to
    # which tiles that are not full add up to a half; remainders on a stack are a small part of that
    plan = make_plan(160, 150, 150, 1)
    fronts = empty_fronts(plan, 1, SINGLE)
    cells = 160 * 150
    least = 31 / 4 * cells * np.log2(cells) / 2
    assert fronts.lower.dtype == np.float32
    assert 0.5 * least < fronts.lower.size < 1.5 * least
    assert fronts.rooms.size < 0.8 * fronts.lower.size


# -- processors and plain Python ---------------------------------------------------------------------------------------

_ELSEWHERE = """
import json, sys
sys.path[:0] = {paths!r}
from test_linear_algebra import answers
print(json.dumps([list(answer) for answer in answers({fronts})]))
"""


def answers(fronts: bool) -> list[np.ndarray]:
    """Solutions of a small system by a band, or by ``fronts`` too, in double and single precision."""
    matrix = random_matrix(12, 9)
    rights = np.random.default_rng(5).normal(size=(2, matrix.cells))
    ways = (solve_in_band, solve_in_fronts) if fronts else (solve_in_band,)
    return [solve(matrix, rights, dtype).ravel() for solve in ways for dtype in (DOUBLE, SINGLE)]


def elsewhere(fronts: bool, **variables: str) -> list[np.ndarray]:
    """The same computed in a process of its own."""
    paths = [os.path.dirname(__file__), *sys.path]
    done = subprocess.run(
        [sys.executable, "-c", _ELSEWHERE.format(paths=paths, fronts=fronts)], env={**os.environ, **variables},
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    return [np.array(answer) for answer in json.loads(done.stdout)]


def test_plain_python_gives_the_same_numbers():
    # but for the last bits: it rounds products before it adds them; and a last bit may tip the rounding to single
    # precision
    for plain, compiled, within in zip(
        elsewhere(True, NUMBA_DISABLE_JIT="1"), answers(True), (1e-12, 1e-6) * 2, strict=True
    ):
        assert plain == pytest.approx(compiled, abs=within * np.abs(compiled).max())


def test_a_processor_without_wide_vectors_and_fused_instructions_gives_the_same_bits(tmp_path):
    # a band goes through all the arithmetic that fronts do
    # IEEE 754-2008, 5.4.1: fusedMultiplyAdd, division and squareRoot are rounded correctly, in hardware or not
    if platform.machine().lower() not in ("x86_64", "amd64"):
        pytest.skip("stands in for another processor of this kind only")
    old = elsewhere(False, NUMBA_CPU_NAME="nehalem", NUMBA_CPU_FEATURES="", NUMBA_CACHE_DIR=str(tmp_path))
    assert all(np.array_equal(one, other) for one, other in zip(old, answers(False), strict=True))
