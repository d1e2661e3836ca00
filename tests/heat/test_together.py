"""Members of a linear section side by side against each on its own, and limit curves stepped either way."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from threading import Event

import numpy as np
import pytest
from heat_cases import ZERO, case, even, film, fixed, flux, model_for, simple, wire
from reference_cases import reference_problem

from ampsoak.base.errors import NumericalError
from ampsoak.heat import bordered, kernels
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.fold import folded
from ampsoak.heat.stepping import FactorShelf, Member, Stepper, start_state
from ampsoak.heat.together import MOST_MEMBERS, Together, can_step_together
from ampsoak.heat.watch import LimitWatch, PartReader
from ampsoak.scenario.case import (
    Circuit,
    Conductor,
    CurrentProfile,
    HeatSource,
    Limit,
    MeshSettings,
    Paint,
    Part,
    TimeTable,
)
from ampsoak.scenario.shapes import Circle, Rectangle
from ampsoak.study import curve as curve_module
from ampsoak.study.curve import limit_curve

MM = 1e-3
TOLERANCE = 0.1  # [K]


def coarse(problem: str):
    """A reference problem on a coarse mesh."""
    return replace(reference_problem(problem), mesh=MeshSettings(finest=0.4 * MM, growth=1.6))


def several(cells: int = 22, heat: float = 0.5, **more):
    """Three round wires in two circuits on cells that their outlines cut, so that all have skins; a part that gives heat,
    and all kinds of linear borders.
    """
    circles = [Circle(x * MM, y * MM, r * MM) for x, y, r in ((4.1, 5.2, 1.05), (8.3, 6.1, 1.45), (11.2, 3.4, 0.8))]
    parts = [
        Part("fill", simple("fill", 0.04, 1.2e5)),
        Part("board", simple("board", 0.3, 1.5e6), heat_source=HeatSource("length", TimeTable.constant(heat))),
        *(Part(f"c{n}", simple("copper", 400.0, 3.45e6)) for n in range(3)),
    ]
    paints = [Paint(Rectangle(0, 7 * MM, 14 * MM, 10 * MM), 1), *(Paint(c, 2 + n) for n, c in enumerate(circles))]
    conductors = [
        wire(2 + n, circle, per_metre=(8e-3, 4e-3, 12e-3)[n], coefficient=0.0039, circuit=(0, 1, 0)[n])
        for n, circle in enumerate(circles)
    ]
    borders = (
        film("left", 10 * MM, 8.0, ZERO + 20.0), fixed("right", 10 * MM, ZERO + 30.0), flux("bottom", 14 * MM, 20.0),
        film("top", 14 * MM, 5.0, ZERO + 15.0),
    )  # fmt: skip
    scenario = case(14 * MM, 10 * MM, parts, paints, conductors, borders, start=ZERO + 25.0, duration=600.0)
    circuits = tuple(Circuit(name, CurrentProfile.constant(0.0, 600.0)) for name in "ab")
    return replace(scenario, circuits=circuits, **more), (even(14 * MM, cells), even(10 * MM, cells - 3))


def symmetric():
    """Two wires alike beside a third in the middle, all round the same: a quarter stands for the whole."""
    circles = [Circle(x * MM, 7.5 * MM, 1.3 * MM) for x in (3.0, 12.0, 7.5)]
    copper = simple("copper", 400.0, 3.45e6)
    parts = [Part("fill", simple("fill", 0.1, 1e6)), *(Part(f"c{n}", copper) for n in range(3))]
    conductors = [
        Conductor(f"c{n}", 1 + n, circle, circle.area, 8e-3, 0.0039, n // 2) for n, circle in enumerate(circles)
    ]
    borders = tuple(film(edge, 15 * MM, 8.0, ZERO + 25.0) for edge in ("left", "right", "bottom", "top"))
    paints = [Paint(circle, 1 + n) for n, circle in enumerate(circles)]
    scenario = case(15 * MM, 15 * MM, parts, paints, conductors, borders, start=ZERO + 25.0, duration=600.0)
    scenario = replace(scenario, circuits=tuple(Circuit(name, CurrentProfile.constant(0.0, 600.0)) for name in "ab"))
    return scenario, (even(15 * MM, 30), even(15 * MM, 30))


class Batch:
    """A section and currents (members, n_circuits), from a cold start."""

    def __init__(self, scenario, lines=None, currents=(), fold=False):
        self.scenario, self.model = scenario, model_for(scenario, lines) if lines else model_for(scenario)
        if fold:
            self.model = folded(self.model)
        self.currents = np.asarray(currents, dtype=float)
        self.boundaries, self.shelf = BoundaryTables(scenario.boundaries), FactorShelf()
        self.start = start_state(self.model, scenario.start.temperature)

    def together(self, tolerance: float = TOLERANCE) -> Together:
        return Together(self.model, self.currents, self.start, tolerance, self.boundaries, self.shelf)

    def alone(self, member: int, until: float, tolerance: float = 2e-3):
        """Steps of one member on its own, far more precise than what is asked of it."""
        profiles = tuple(CurrentProfile.constant(current, until) for current in self.currents[member])
        stepper = Stepper(self.model, Member(profiles, self.start), tolerance, self.boundaries, self.shelf)
        return list(stepper.steps(until))


def wired(name: str) -> Batch:
    """Batches of members by name."""
    if name == "P1":
        return Batch(coarse("P1"), currents=np.geomspace(15.0, 45.0, MOST_MEMBERS)[:, None])
    pairs = np.array([[10.0, 5.0], [14.0, 30.0], [25.0, 0.0], [0.0, 44.0], [30.0, 30.0]])
    if name == "symmetric":
        return Batch(*symmetric(), currents=pairs, fold=True)
    return Batch(*several(), currents=pairs)


batches = pytest.mark.parametrize("name", ["P1", "several", "symmetric"])


def read(steps, times: np.ndarray) -> np.ndarray:
    """States (n, unknowns) [K] at ``times`` from the steps of one member."""
    ends = np.array([step.end for step in steps])
    return np.array([steps[min(int(np.searchsorted(ends, time)), len(steps) - 1)].at(time) for time in times])


@batches
def test_each_member_is_within_the_tolerance(name):
    # own requirement, as of a member on its own (test_stepping): what the user allows is what the user gets at every
    # conductor, between the steps as well
    batch = wired(name)
    stepper, conductors = batch.together(), batch.model.conductor_unknown
    times, found = [], []
    for step in stepper.steps(600.0):
        for share in (0.3, 0.7, 1.0):
            times.append(step.begin + share * (step.end - step.begin))
            found.append([step.of(member).at(times[-1], conductors) for member in stepper.members])
    for member in range(len(batch.currents)):
        expected = read(batch.alone(member, 600.0), times)[:, conductors]
        miss = np.abs(np.array(found)[:, member] - expected)
        assert miss.max() < TOLERANCE
        assert expected.max() > batch.start.max() + 20 * TOLERANCE
    assert stepper.accepted < 60


def test_one_member_steps_as_on_its_own():
    # the same method and the same rules: the same steps, and temperatures to the rounding of factors, which may be in
    # single precision: a ten thousandth of the tolerance
    batch = wired("several")
    batch.currents = batch.currents[1:2]
    steps = [(step.begin, step.end, step.after[:, 0].copy(), step.error[0]) for step in batch.together().steps(600.0)]
    alone = batch.alone(0, 600.0, TOLERANCE)
    assert [step[:2] for step in steps] == [(step.begin, step.end) for step in alone]
    for (_, _, after, error), step in zip(steps, alone, strict=True):
        assert after == pytest.approx(step.after, abs=1e-4 * TOLERANCE)
        assert error == pytest.approx(step.error, abs=1e-4 * TOLERANCE)


@batches
def test_energy_closes_to_rounding(name):
    # first law: what is generated less what is lost is what is stored, in every member
    batch = wired(name)
    sums, stored, capacity = np.zeros((3, 8)), np.zeros(8), np.zeros(batch.model.unknowns)
    ones = np.ones(len(batch.model.materials))
    kernels.heat_content(batch.model.network, batch.start, ones, np.zeros_like(capacity), capacity)
    for step in batch.together().steps(600.0):
        sums += step.generated, step.lost, step.stored
        stored = batch.model.copies * (capacity @ (step.after - batch.start[:, None]))
    members = slice(len(batch.currents))
    generated, lost, kept = sums[:, members]
    assert (generated > 1.0).all()
    assert (np.abs(generated - lost - kept) < 1e-11 * (np.abs(generated) + np.abs(lost))).all()
    assert kept == pytest.approx(stored[members], rel=1e-9)


def test_energy_counts_the_heat_of_conductors_and_parts():
    # definition: at constant resistance I² R of each conductor and the heat of the part, times the time
    scenario, lines = several()
    conductors = tuple(replace(conductor, temperature_coefficient=0.0) for conductor in scenario.conductors)
    batch = Batch(replace(scenario, conductors=conductors), lines, currents=[[10.0, 5.0], [14.0, 30.0]])
    generated = sum(step.generated for step in batch.together().steps(600.0))
    expected = [600.0 * (a**2 * 20e-3 + b**2 * 4e-3 + 0.5) for a, b in batch.currents]
    assert generated[:2] == pytest.approx(expected, rel=1e-12)


def test_fronts_step_as_a_band_does(monkeypatch):
    batch = wired("several")
    band = [step.after.copy() for step in batch.together().steps(100.0)]
    monkeypatch.setattr(bordered, "WIDEST_BAND", 1)
    batch = wired("several")
    assert batch.model.plan is not None
    fronts = [step.after.copy() for step in batch.together().steps(100.0)]
    assert len(fronts) == len(band)
    assert fronts[-1] == pytest.approx(band[-1], abs=1e-4)


def test_a_shelf_without_room_gives_the_same_steps():
    batch = wired("several")
    kept = [step.after.copy() for step in batch.together().steps(100.0)]
    batch.shelf = FactorShelf(0.0)
    for before, step in zip(kept, batch.together().steps(100.0), strict=True):
        assert np.array_equal(before, step.after)


def test_who_wants_another_factor_does_not_wait_for_one_that_is_made():
    shelf, batch = FactorShelf(), wired("several")
    begun, other = Event(), Event()

    def slow():
        begun.set()
        assert other.wait(20.0)
        return shelf.blank(batch.model)

    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(shelf.get, 1.0, slow)
        assert begun.wait(20.0)
        assert shelf.get(2.0, lambda: shelf.blank(batch.model)) is not None
        other.set()
        factor = waiting.result(20.0)
    assert shelf.get(1.0, lambda: pytest.fail("made twice")) is factor


def test_a_shelf_keeps_nothing_where_there_is_no_factor():
    # as of a matrix that is not positive definite
    shelf, batch = FactorShelf(), wired("several")
    assert shelf.get(1.0, lambda: None) is None
    assert shelf.get(1.0, lambda: shelf.blank(batch.model)) is not None


# -- leaving -----------------------------------------------------------------------------------------------------------


def test_who_has_left_has_no_say_in_the_steps():
    batch = wired("several")
    batch.currents = np.array([[5.0, 5.0], [60.0, 60.0]])
    stepper, count, states = batch.together(), 0, []
    for step in stepper.steps(600.0):
        count += 1
        if count == 4:
            stepper.leave(1)
        states.append((step.end, step.after[:, 0].copy()))
    stayed = sum(1 for _ in batch.together().steps(600.0))
    assert stepper.members == [0]
    assert count < 0.8 * stayed
    expected = read(batch.alone(0, 600.0), [time for time, _ in states])
    assert np.abs(np.array([state for _, state in states]) - expected).max() < TOLERANCE


def test_without_members_there_are_no_more_steps():
    stepper = wired("several").together()
    for count, _ in enumerate(stepper.steps(600.0), start=1):
        for member in range(5) if count == 3 else ():
            stepper.leave(member)
    assert count == 3


def test_heat_that_runs_away_is_told_as_of_a_member_on_its_own_unless_it_has_left():
    batch = Batch(*several(), currents=[[10.0, 5.0], [150.0, 5.0]])
    with pytest.raises(NumericalError) as alone:
        batch.alone(1, 6000.0, TOLERANCE)
    with pytest.raises(NumericalError) as together:
        list(batch.together().steps(6000.0))
    words = [str(error.value).split(" at ")[0] for error in (alone, together)]
    assert words == ["heat runs away without end"] * 2
    assert "hottest is conductor wire" in str(together.value)
    stepper = batch.together()
    for step in stepper.steps(6000.0):
        if 1 in stepper.members and step.highest[1] > 1000.0:
            stepper.leave(1)
    assert step.end == 6000.0
    assert step.highest[0] < 400.0


# -- who may -----------------------------------------------------------------------------------------------------------


def test_only_sections_that_nothing_but_the_currents_moves_step_together():
    # temperature-dependent properties (P4), radiation, and what changes in time: films, edges, the heat of a part
    scenario, lines = several()

    def may(changed, where=lines):
        return can_step_together(model_for(changed, where), BoundaryTables(changed.boundaries))

    assert may(scenario)
    assert may(coarse("P1"), None)
    assert not may(coarse("P4"), None)
    ramp = TimeTable((0.0, 100.0), (300.0, 310.0))
    other = scenario.boundaries[1:]
    assert not may(replace(scenario, boundaries=(film("left", 10 * MM, 8.0, ZERO, emissivity=0.9), *other)))
    assert not may(replace(scenario, boundaries=(film("left", 10 * MM, 8.0, ramp), *other)))
    assert not may(replace(scenario, boundaries=(fixed("left", 10 * MM, ramp), *other)))
    heated = replace(scenario.parts[1], heat_source=HeatSource("length", TimeTable((0.0, 9.0), (0.0, 1.0))))
    assert not may(replace(scenario, parts=(scenario.parts[0], heated, *scenario.parts[2:])))


# -- watching ----------------------------------------------------------------------------------------------------------


def test_watches_and_readers_see_side_by_side_what_they_see_of_one():
    limits = Limit("c0 40", 313.15, (2,)), Limit("fill 45", 318.15, (0, 1)), Limit("c1 27", 300.15, (3,))
    scenario, lines = several(limits=limits)
    batch = Batch(scenario, lines, currents=[[10.0, 5.0], [14.0, 30.0], [25.0, 0.0], [0.0, 44.0]])
    model, reader = batch.model, PartReader(batch.model)
    common, apart = ([LimitWatch(model, scenario.limits) for _ in range(4)] for _ in range(2))
    stepper, seen = batch.together(), 0
    for watch in (*common, *apart):
        watch.begin(batch.start)
    for step in stepper.steps(600.0):
        found = list(common[0].crossings_side_by_side(step, dict(enumerate(common))))
        expected = [(member, c) for member in stepper.members for c in apart[member].crossings(step.of(member))]
        assert [(m, index, part, up) for m, (index, _, part, up) in found] == [
            (m, index, part, up) for m, (index, _, part, up) in expected
        ]
        assert [c[1] for _, c in found] == pytest.approx([c[1] for _, c in expected], rel=1e-9)
        seen += len(found)
        times = np.linspace(step.begin, step.end, 4)[1:]
        courses = reader.courses_of_maximum(step, times)
        for member in stepper.members:
            assert courses[member] == pytest.approx(reader.course_of_maximum(step.of(member), times), abs=1e-9)
    assert seen > 4


# -- limit curves ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def either_way():
    """(currents told of, limit curve stepped side by side, the same with each member on its own)."""
    scenario, told = coarse("P1"), []
    currents = np.geomspace(14.0, 240.0, 11)
    together = limit_curve(scenario, currents=currents, progress=lambda *report: told.append(report))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(curve_module, "can_step_together", lambda *_: False)
        alone = limit_curve(scenario, currents=currents)
    return told, together, alone


def test_limit_curves_agree_within_the_tolerance(either_way):
    # each history is within its tolerance, so they differ by no more than twice that, and times by that over the slope
    _, together, alone = either_way
    tolerance = together.statistics["tolerance_kelvin"]
    assert together.statistics["steps"] > 0
    assert np.array_equal(together.outcome, alone.outcome)
    for name in ("conductor_temperature", "part_maximum"):
        one, other = getattr(together, name), getattr(alone, name)
        both = np.isfinite(one) & np.isfinite(other)
        assert both.any(axis=2).all()
        hot = np.nanmax(other[both])
        # past the last limit heat runs away, and the same error in time is more and more of one in kelvin
        assert np.abs(one - other)[both & (other < min(hot, 500.0))].max() < 2 * tolerance
    reached = np.isfinite(alone.time_to_limit)
    assert reached.any() and not reached.all()
    assert together.time_to_limit[reached] == pytest.approx(alone.time_to_limit[reached], rel=5e-3)


def test_progress_is_told_once_of_each_member(either_way):
    told, together, _ = either_way
    assert sorted(current for _, _, current in told) == together.current.tolist()
    assert [done for done, _, _ in told] == list(range(1, 12))
    assert {count for _, count, _ in told} == {11}


def test_limit_curves_have_the_same_bits_whatever_the_number_of_workers():
    scenario = coarse("P1")
    scenario = replace(scenario, curve=replace(scenario.curve, count=17))
    curves = [limit_curve(scenario, workers=workers) for workers in (1, 2, 3)]
    assert len(curves[0].current) > 17  # with currents beside the knees
    for other in curves[1:]:
        for name in ("current", "time_to_limit", "outcome", "conductor_temperature", "part_maximum"):
            assert np.array_equal(getattr(curves[0], name), getattr(other, name), equal_nan=True)


# -- plain Python ------------------------------------------------------------------------------------------------------

_PLAIN = """
import json, sys
sys.path[:0] = {paths!r}
from test_together import plain_numbers
print(json.dumps(plain_numbers()))
"""


def plain_numbers() -> list[float]:
    """Conductor temperatures of three members on a very coarse mesh [K], with what was generated and lost."""
    scenario, lines = several(18)
    batch = Batch(scenario, lines, currents=[[14.0, 30.0], [25.0, 0.0], [0.0, 44.0]])
    stepper = batch.together(0.5)
    for step in stepper.steps(60.0):
        pass
    reader = PartReader(batch.model).courses_of_maximum(step, np.array([60.0]))[:3]
    return [*step.after[batch.model.conductor_unknown, :3].ravel(), *step.generated[:3], *step.lost[:3], *reader.ravel()]


def test_kernels_without_the_compiler_give_the_same_numbers():
    paths = [os.path.dirname(__file__), os.path.join(os.path.dirname(__file__), "../verification"), *sys.path]
    plain = subprocess.run(
        [sys.executable, "-c", _PLAIN.format(paths=paths)], env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    # plain Python does not fuse, which tips last bits, also of what may be kept in single precision
    assert json.loads(plain.stdout) == pytest.approx(plain_numbers(), rel=1e-6)
    assert max(plain_numbers()[:9]) > 305.0
