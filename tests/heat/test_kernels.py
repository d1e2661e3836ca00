"""Compiled loops against dense linear algebra, against plain Python, and against themselves."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from heat_cases import ZERO, Balance, all_edges, case, film, march, model_for, refined, simple, wire
from reference_cases import reference_problem
from scipy.linalg import cholesky_banded, solve
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import spsolve

from ampsoak.heat import bordered, kernels
from ampsoak.heat.banded import PAD_COLUMNS, PAD_ROWS, empty_band, factorise, solve_band
from ampsoak.heat.bordered import empty_factor, invert_corner, reduce_border, solve_bordered
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.dissection import factorise_fronts, make_plan, solve_fronts
from ampsoak.scenario.case import Paint, Part
from ampsoak.scenario.shapes import Circle
from ampsoak.study.curve import limit_curve
from ampsoak.study.run import simulate

MM = 1e-3


# -- linear algebra ----------------------------------------------------------------------------------------------------


def _random_band(cells: int, reach: int, seed: int) -> np.ndarray:
    """A diagonally dominant symmetric band, column k of row c holding entry (c + k, c)."""
    rng = np.random.default_rng(seed)
    band = empty_band(cells, reach)
    for k in range(1, min(reach, cells - 1) + 1):
        band[: cells - k, k] = -rng.random(cells - k)
    band[:cells, 0] = 2.0 * reach + rng.random(cells)
    return band


def _dense(band: np.ndarray) -> np.ndarray:
    cells, width = band.shape[0] - PAD_ROWS, band.shape[1] - PAD_COLUMNS
    full = np.diag(band[:cells, 0].copy())
    for k in range(1, min(width, cells)):
        full += np.diag(band[: cells - k, k], -k) + np.diag(band[: cells - k, k], k)
    return full


@pytest.mark.parametrize(("cells", "reach"), [(1, 1), (3, 2), (7, 9), (30, 1), (41, 5), (64, 17), (90, 30)])
def test_band_solver_against_dense(cells, reach):
    # scipy.linalg.solve; block sizes of four do not divide all of these
    band = _random_band(cells, reach, seed=cells)
    right = np.zeros(cells + PAD_ROWS)
    right[:cells] = np.random.default_rng(1).normal(size=cells)
    expected = solve(_dense(band), right[:cells], assume_a="pos")
    factor, answer = band.copy(), right.copy()
    assert factorise(factor)
    solve_band(factor, answer)
    assert not answer[cells:].any()
    assert answer[:cells] == pytest.approx(expected, rel=1e-10, abs=1e-13)


def test_factor_against_lapack():
    # scipy.linalg.cholesky_banded; column 0 holds the inverse diagonal
    band = _random_band(80, 12, seed=3)
    expected = cholesky_banded(band[:80, :13].T.copy(), lower=True).T
    factor = band.copy()
    assert factorise(factor)
    assert not factor[:, 13:].any()
    factor = factor[:80, :13]
    assert 1 / factor[:, 0] == pytest.approx(expected[:, 0], rel=1e-12)
    assert factor[:, 1:] == pytest.approx(expected[:, 1:], rel=1e-10, abs=1e-13)


def test_indefinite_band_is_refused():
    band = _random_band(20, 3, seed=5)
    band[11, 0] = -1.0
    assert not factorise(band)


def _dense_of(network, stencil: np.ndarray) -> np.ndarray:
    nx, ny, stride_x, stride_y = (int(value) for value in network.shape[:4])
    full = np.zeros((nx * ny, nx * ny))
    for i in range(nx):
        for j in range(ny):
            here = i * stride_x + j * stride_y
            for (a, b), value in zip(
                ((0, 0), (stride_x, 0), (stride_y, 0), (stride_x + stride_y, 0), (stride_x, stride_y)), stencil[:, here], strict=True
            ):
                if value != 0.0:
                    full[here + a, here + b] = full[here + b, here + a] = value
    return full


def _grid_matrix(nx: int, ny: int):
    """A stencil of a grid, diagonally dominant, and what it means as a sparse matrix."""
    stride_x, stride_y = (ny, 1) if ny <= nx else (1, nx)
    rng = np.random.default_rng(nx)
    stencil = np.zeros((nx, ny, 5))
    stencil[:-1, :, 1] = -rng.random((nx - 1, ny))
    stencil[:, :-1, 2] = -rng.random((nx, ny - 1))
    stencil[:-1, :-1, 3:] = -rng.random((nx - 1, ny - 1, 2))
    number = np.arange(nx)[:, None] * stride_x + np.arange(ny) * stride_y
    rows, columns, values = [], [], []
    ends = {1: (number[:-1], number[1:]), 2: (number[:, :-1], number[:, 1:])}
    ends |= {3: (number[:-1, :-1], number[1:, 1:]), 4: (number[1:, :-1], number[:-1, 1:])}
    for kind, (one, other) in ends.items():
        value = stencil[: one.shape[0], : one.shape[1], kind].ravel()
        rows += [one.ravel(), other.ravel()]
        columns += [other.ravel(), one.ravel()]
        values += [value, value]
    where = np.concatenate(rows), np.concatenate(columns)
    links = coo_matrix((np.concatenate(values), where), shape=(nx * ny, nx * ny)).tocsr()
    flat = np.zeros((5, nx * ny))
    flat[:, number.ravel()] = stencil.reshape(-1, 5).T
    flat[0] = 0.01 - np.asarray(links.sum(axis=1)).ravel()
    return (nx, ny, stride_x, stride_y), flat, links + diags(flat[0])


@pytest.mark.parametrize(("nx", "ny"), [(1, 1), (2, 9), (7, 5), (24, 24), (61, 40)])
def test_fronts_against_sparse_lu(nx, ny):
    # scipy.sparse.linalg.spsolve; pieces of every shape, whose cells are no multiple of four
    shape, stencil, matrix = _grid_matrix(nx, ny)
    plan = make_plan(*shape)
    lower, update = np.zeros(plan.lower_start[-1]), np.zeros(plan.update_start[-1])
    right = np.random.default_rng(1).normal(size=nx * ny)
    answer = right.copy()
    assert factorise_fronts(plan, stencil, lower, update)
    solve_fronts(plan, lower, answer)
    assert answer == pytest.approx(np.atleast_1d(spsolve(matrix.tocsc(), right)), rel=1e-9, abs=1e-12)
    stencil[0, nx * ny // 2] = -1.0
    assert not factorise_fronts(plan, stencil, lower, update)


def test_a_run_in_fronts_is_the_run_in_a_band(monkeypatch):
    scenario = refined(reference_problem("P4"), 0.4 * MM)
    scenario = replace(scenario, run=replace(scenario.run, duration=400.0))
    band = simulate(scenario)
    monkeypatch.setattr(bordered, "WIDEST_BAND", 1)
    fronts = simulate(scenario)
    assert fronts.conductor_temperature == pytest.approx(band.conductor_temperature, abs=1e-8)


def _small_section():
    one, two = Circle(4.1 * MM, 5.2 * MM, 1.0 * MM), Circle(7.6 * MM, 5.0 * MM, 0.8 * MM)
    copper = simple("copper", 400.0, 3.45e6)
    parts = [
        Part("fill", simple("fill", 0.04, 1.2e4)),
        Part("ring", simple("pvc", 0.17, 1.4e6)),
        Part("one", copper),
        Part("two", copper),
    ]
    paints = [Paint(Circle(4.1 * MM, 5.2 * MM, 1.8 * MM), 1), Paint(one, 2), Paint(two, 3)]
    conductors = [wire(n, shape, per_metre=8e-3, coefficient=0.0039) for n, shape in ((2, one), (3, two))]
    return case(
        12 * MM, 10 * MM, parts, paints, conductors, all_edges(film, 12 * MM, 10 * MM, 8.0, 300.0), start=300.0,
        current=25.0, duration=200.0,
    )  # fmt: skip


@pytest.mark.parametrize("in_fronts", [False, True])
def test_bordered_system_against_dense(in_fronts):
    # matrix and right side assembled by the kernels, solved by scipy.linalg.solve; covered cells carry no equation
    scenario = _small_section()
    model = model_for(scenario, (np.linspace(0, 12 * MM, 21), np.linspace(0, 10 * MM, 19)))
    network, cells, unknowns = model.network, model.cells, model.unknowns
    plan = make_plan(*(int(value) for value in network.shape[:4])) if in_fronts else None
    state = np.linspace(300.0, 350.0, unknowns)
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    balance.flow(state)
    lumps, share = model.lumps, 3.0
    factor = empty_factor(network, plan)
    factor.capacity[: model.first_skin] = balance.capacity(state)[: model.first_skin]
    factor.slope[:] = 0.01
    exchange = model.new_exchange(state)
    kernels.assemble(network, balance.links, exchange, share, factor)  # skins that store nothing leave no trace
    full = np.zeros((unknowns, unknowns))
    full[: model.first_skin, : model.first_skin] = np.block(
        [[_dense_of(network, factor.matrix.stencil), factor.border.T], [factor.border, factor.corner]]
    )
    factor.capacity[:] = balance.capacity(state)
    assert len(network.skin_conductor) == 2
    for skin, conductor in enumerate(network.skin_conductor):
        ends, g = [cells + conductor, model.first_skin + skin], share * balance.links.skin[skin]
        full[np.ix_(ends, ends)] += [[g, -g], [-g, g + factor.capacity[ends[1]]]]
    kernels.assemble(network, balance.links, exchange, share, factor)
    right = np.random.default_rng(2).normal(size=unknowns)
    inverse = np.zeros((lumps, lumps))
    assert reduce_border(factor)
    assert invert_corner(factor, np.zeros(lumps), inverse)
    answer = right.copy()
    solve_bordered(network, factor, inverse, answer)
    right[network.covered_cell] = 0.0
    assert answer == pytest.approx(solve(full, right), rel=1e-9, abs=1e-12)


def test_heat_flow_conserves_heat_and_vanishes_in_a_uniform_state():
    # what leaves one unknown enters another: the sum over the section is what crosses its border
    scenario = _small_section()
    model = model_for(scenario)
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    state = 300.0 + 50.0 * np.random.default_rng(4).random(model.unknowns)
    kernels.spread_conductors(model.network, state)
    net = balance.flow(state)
    assert abs(balance.border_loss) > 0.1
    assert net.sum() == pytest.approx(-balance.border_loss, abs=1e-12 * np.abs(net).sum())
    inside = np.ones(model.unknowns, dtype=bool)
    inside[model.network.face_cell] = False
    assert np.abs(balance.flow(np.full(model.unknowns, 321.0))[inside]).max() == 0.0


# -- plain Python ------------------------------------------------------------------------------------------------------

_PLAIN = """
import json, sys
sys.path[:0] = {paths!r}
from test_kernels import kernels, plain_numbers
assert not hasattr(kernels.assemble, "py_func"), "still compiled"
print(json.dumps(plain_numbers()))
"""


def plain_numbers() -> list[float]:
    """Conductor temperatures of a small section on a very coarse mesh [K]."""
    lines = (np.linspace(0, 12 * MM, 18), np.linspace(0, 10 * MM, 16))
    return march(_small_section(), lines, tolerance=0.5, until=60.0).conductors([5.0, 60.0]).ravel().tolist()


def test_kernels_without_the_compiler_give_the_same_numbers():
    # the compiled loops are ordinary Python: run uncompiled in a process of its own
    here = Path(__file__).parent
    paths = [str(here), str(here.parent / "verification"), *sys.path]
    plain = subprocess.run(
        [sys.executable, "-c", _PLAIN.format(paths=paths)], env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert json.loads(plain.stdout) == pytest.approx(plain_numbers(), rel=1e-12)
    assert hasattr(kernels.assemble, "py_func")
    assert max(plain_numbers()) > 305.0


# -- the same bits -----------------------------------------------------------------------------------------------------


def test_same_run_twice_is_the_same_bits():
    scenario = refined(reference_problem("P4"), 0.4 * MM)
    scenario = replace(scenario, run=replace(scenario.run, duration=400.0))
    one, two = simulate(scenario), simulate(scenario)
    assert np.array_equal(one.time, two.time)
    assert np.array_equal(one.conductor_temperature, two.conductor_temperature)
    assert np.array_equal(one.probe_value, two.probe_value)


@pytest.mark.parametrize("problem", ["P2", "P4"])
def test_limit_curve_has_the_same_bits_whatever_the_number_of_workers(problem):
    scenario = refined(reference_problem(problem), 0.4 * MM, growth=1.6)
    currents = [20.0, 40.0, 80.0, 160.0]
    alone, pair = (limit_curve(scenario, currents=currents, workers=workers) for workers in (1, 2))
    assert np.array_equal(alone.time_to_limit, pair.time_to_limit)
    assert np.array_equal(alone.conductor_temperature, pair.conductor_temperature, equal_nan=True)
    assert np.array_equal(alone.steady_temperature, pair.steady_temperature, equal_nan=True)
    assert alone.canonical_hash == pair.canonical_hash
    assert np.isfinite(alone.time_to_limit).any()
    assert alone.start_temperature == pytest.approx(25.0 + ZERO)
