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
from scipy.linalg import solve

from ampsoak.heat import bordered, kernels
from ampsoak.heat.bordered import empty_factor, invert_corner, reduce_border, solve_bordered
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.dissection import make_plan
from ampsoak.scenario.case import Paint, Part
from ampsoak.scenario.shapes import Circle
from ampsoak.study.curve import limit_curve
from ampsoak.study.run import simulate

MM = 1e-3


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
    sums = stencil[0]  # of rows: the rest of each is on the diagonal
    np.fill_diagonal(full, 0.0)
    np.fill_diagonal(full, sums - full.sum(axis=1))
    return full


@pytest.mark.parametrize(("precision", "within"), [(np.float64, 1e-8), (np.float32, 1e-6)])
def test_a_run_in_fronts_is_the_run_in_a_band(precision, within, monkeypatch):
    monkeypatch.setattr(bordered, "PRECISION", precision)
    scenario = refined(reference_problem("P4"), 0.4 * MM)
    scenario = replace(scenario, run=replace(scenario.run, duration=400.0))
    band = simulate(scenario)
    monkeypatch.setattr(bordered, "WIDEST_BAND", 1)
    fronts = simulate(scenario)
    assert fronts.conductor_temperature == pytest.approx(band.conductor_temperature, abs=within)


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


@pytest.mark.parametrize("problem", ["P1", "P3", "P4"])
def test_single_precision_factors_give_the_history_of_double_ones(problem, monkeypatch):
    # a history may miss by its tolerance, 0.1 K; of that the precision of the factors takes less than a thousandth part
    scenario = reference_problem(problem)
    single = simulate(scenario)
    monkeypatch.setattr(bordered, "PRECISION", np.float64)
    double = simulate(scenario)
    assert np.array_equal(single.time, double.time)
    assert single.conductor_temperature == pytest.approx(double.conductor_temperature, abs=1e-4)
    assert not np.array_equal(single.conductor_temperature, double.conductor_temperature)


@pytest.mark.parametrize("precision", [np.float64, np.float32])
@pytest.mark.parametrize("in_fronts", [False, True])
def test_bordered_system_against_dense(in_fronts, precision, monkeypatch):
    # matrix and right side assembled by the kernels, solved by scipy.linalg.solve; covered cells carry no equation
    scenario = _small_section()
    model = model_for(scenario, (np.linspace(0, 12 * MM, 21), np.linspace(0, 10 * MM, 19)))
    network, cells, unknowns = model.network, model.cells, model.unknowns
    plan = make_plan(*(int(value) for value in network.shape[:4])) if in_fronts else None
    state = np.linspace(300.0, 350.0, unknowns)
    balance = Balance(model, BoundaryTables(scenario.boundaries))
    balance.flow(state)
    lumps, share = model.lumps, 3.0
    monkeypatch.setattr(bordered, "PRECISION", precision)
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
    assert reduce_border(factor, network.covered_cell)
    gain = 0.02 * np.diag(factor.corner)[: len(model.keeper)]  # of the Joule heat
    full[np.arange(cells, cells + len(gain)), np.arange(cells, cells + len(gain))] -= gain
    assert invert_corner(factor, gain, inverse)
    answer = right.copy()
    solve_bordered(factor, network.covered_cell, network.skin_conductor, network.zones.is_open, gain, inverse, answer)
    right[network.covered_cell] = 0.0
    expected = solve(full, right)
    if precision == np.float64:
        assert answer == pytest.approx(expected, rel=1e-9, abs=1e-12)
    else:
        # some ten roundings of single precision; the sum of all equations holds to that of double precision
        assert answer == pytest.approx(expected, abs=1e-6 * np.abs(expected).max())
        assert (full @ answer - right).sum() == pytest.approx(0.0, abs=1e-13 * np.abs(full).max() * np.abs(answer).sum())


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
    """Conductor temperatures of a small section on a very coarse mesh [K], with factors in double, then single precision."""
    lines = (np.linspace(0, 12 * MM, 18), np.linspace(0, 10 * MM, 16))
    found, kept = [], bordered.PRECISION
    for bordered.PRECISION in (np.float64, np.float32):
        found += march(_small_section(), lines, tolerance=0.5, until=60.0).conductors([5.0, 60.0]).ravel().tolist()
    bordered.PRECISION = kept
    return found


def test_kernels_without_the_compiler_give_the_same_numbers():
    # the compiled loops are ordinary Python: run uncompiled in a process of its own
    here = Path(__file__).parent
    paths = [str(here), str(here.parent / "verification"), *sys.path]
    plain = subprocess.run(
        [sys.executable, "-c", _PLAIN.format(paths=paths)], env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    found, expected = np.array(json.loads(plain.stdout)), np.array(plain_numbers())
    half = len(expected) // 2
    assert found[:half] == pytest.approx(expected[:half], rel=1e-12)
    # plain Python does not fuse, which tips last bits of single precision
    assert found[half:] - 300.0 == pytest.approx(expected[half:] - 300.0, rel=3e-7)
    assert expected[half:] == pytest.approx(expected[:half], abs=1e-5)
    assert hasattr(kernels.assemble, "py_func")
    assert expected.max() > 305.0


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
