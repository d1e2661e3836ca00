"""A second thread on a large matrix: the same bits as without it, whenever it comes and whoever takes the work."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
from heat_cases import refined
from reference_cases import reference_problem
from test_linear_algebra import random_matrix

from ampsoak.heat import bordered, crew
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.compiling import roomy_kernel
from ampsoak.heat.crew import Crew, new_signal
from ampsoak.heat.dissection import make_plan
from ampsoak.heat.fronts import attend, empty_fronts, factorise_fronts, room_for_columns, solve_fronts_columns
from ampsoak.heat.stepping import Member, Stepper, start_state
from ampsoak.heat.tiles import PAD_ROWS
from ampsoak.study.model import model_of

MM = 1e-3


def fronts_of(matrix):
    found = empty_fronts(make_plan(*matrix.shape), 2, np.float32)
    found.stencil[:] = matrix.stencil
    return found


def attended(fronts, work):
    """What ``work`` returns while another thread is there from the beginning."""

    def once_there():
        while not fronts.signal[crew.PRESENT]:
            time.sleep(1e-4)
        return work()

    return Crew(attend).beside(fronts, once_there)


@pytest.mark.parametrize(("nx", "ny"), [(3, 3), (9, 8), (40, 31), (90, 70)])
def test_two_threads_give_the_bits_of_one(nx, ny):
    matrix = random_matrix(nx, ny)
    rights = np.zeros((2, nx * ny + PAD_ROWS))
    rights[:, : nx * ny] = np.random.default_rng(0).normal(size=(2, nx * ny))
    alone, pair = fronts_of(matrix), fronts_of(matrix)
    expected, answer = rights.copy(), rights.copy()
    assert factorise_fronts(alone)
    solve_fronts_columns(alone, expected)

    def work():
        made = factorise_fronts(pair)
        for _ in range(50):  # often enough for either thread to be first
            room = room_for_columns(pair, 2)
            assert np.shares_memory(room, pair.given)
            room[:] = rights
            solve_fronts_columns(pair, room)
            answer[:] = room
        return made

    assert attended(pair, work)
    assert np.array_equal(pair.lower, alone.lower)
    assert np.array_equal(answer, expected)


def test_what_the_other_thread_finds_not_definite_is_told():
    matrix = random_matrix(40, 31)
    fronts = fronts_of(matrix)
    position = fronts.plan.position
    begin = fronts.plan.front[fronts.plan.half[0], 0]  # of the second half
    fronts.stencil[0, int(np.flatnonzero(position == begin)[0])] = -100.0
    assert not attended(fronts, lambda: factorise_fronts(fronts))
    fronts.stencil[:] = matrix.stencil
    assert attended(fronts, lambda: factorise_fronts(fronts))


@roomy_kernel
def offered(signal):
    """The number of a ticket, and whether it can be taken back once and once more."""
    ticket = crew.offer(signal, 1, 0)
    return ticket, crew.taken_back(signal, ticket), crew.taken_back(signal, ticket)


def test_work_that_nobody_has_begun_is_taken_back_once():
    signal = new_signal()
    tickets = [offered(signal) for _ in range(3)]
    assert [ticket[1:] for ticket in tickets] == [(True, False)] * 3
    assert len({ticket[0] for ticket in tickets}) == 3
    assert min(ticket[0] for ticket in tickets) > 0


def test_the_other_thread_goes_when_the_work_ends_in_an_error():
    fronts = fronts_of(random_matrix(9, 8))
    hands = Crew(attend)

    def work():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        hands.beside(fronts, work)
    assert fronts.signal[crew.PRESENT] == 0
    before = threading.active_count()
    assert hands.beside(fronts, lambda: 7) == 7
    assert threading.active_count() == before


def test_a_large_mesh_steps_alike_on_one_and_two_threads(monkeypatch):
    monkeypatch.setattr(bordered, "WIDEST_BAND", 1)
    scenario = refined(reference_problem("P4"), 0.4 * MM)
    model = model_of(scenario)
    profiles = tuple(circuit.profile for circuit in scenario.circuits)
    ends = []
    for threads in (1, 2):
        member = Member(profiles, start_state(model, scenario.start.temperature))
        stepper = Stepper(model, member, 0.1, BoundaryTables(scenario.boundaries), threads=threads)
        assert (stepper.crew is not None) == (threads == 2)
        ends.append([step.after for step in stepper.steps(400.0)])
    assert np.array_equal(ends[0], ends[1])
    assert ends[0][-1].max() > 310.0

