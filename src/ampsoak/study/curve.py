"""The limit curve: time to each limit at constant currents, as one batch of members."""

from __future__ import annotations

import time as clock
from collections.abc import Callable
from dataclasses import dataclass
from threading import Lock

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel
from ampsoak.heat.reactions import asked_reactions
from ampsoak.heat.steady import Steady, SteadySolver
from ampsoak.heat.stepping import FactorShelf, Member, Stepper, run_members
from ampsoak.heat.together import MOST_MEMBERS, Together, can_step_together
from ampsoak.heat.watch import LimitWatch, PartReader
from ampsoak.runfile.records import OUTCOMES, Curve
from ampsoak.runfile.write import record_hash, write_curve
from ampsoak.scenario.case import CurrentProfile, Scenario
from ampsoak.study.model import (
    initial_state,
    limit_records,
    model_of,
    provenance_of,
    record_of_section,
    resolved_of,
    start_words,
)

_REACHED, _NEVER, _BEYOND, _AT_START = range(len(OUTCOMES))
_BESIDE_KNEE = (0.998, 1.003, 1.02, 1.08)  # currents added around each knee, as multiples of it
_KNEE_WITHIN = 1e-3  # relative width to which knees are located before currents are set beside them
_PER_DECADE = 24  # stored history times per decade
_FIRST_TIME = 1e-3  # [s]
_BEYOND_LIMIT = 200.0  # [K] past the highest limit a member goes on, so that late openings find a temperature
_LEAST_CEILING = 673.15  # [K]
_REACTING = "steady states leave reactions out, so none is used where they are on"


@dataclass
class _Outcome:
    """What one member found."""

    time: np.ndarray
    outcome: np.ndarray
    conductor: np.ndarray
    parts: np.ndarray
    steps: int = 0

    def passes(self, crossing) -> None:
        """Note a crossing of a limit."""
        index, when, _, upwards = crossing
        if upwards and self.outcome[index] == _BEYOND:
            self.time[index], self.outcome[index] = when, _REACHED


class _Batch:
    """Everything the members share."""

    def __init__(self, scenario: Scenario, model: HeatModel):
        settings = scenario.curve
        self.scenario, self.model, self.settings = scenario, model, settings
        self.boundaries = BoundaryTables(scenario.boundaries)
        self.solver = SteadySolver(model, self.boundaries)
        self.shelf = FactorShelf()
        self.reactions = asked_reactions(model)
        self.together = self.reactions is None and can_step_together(model, self.boundaries)
        self.watch, self.reader = LimitWatch(model, scenario.limits), PartReader(model)
        self.start = initial_state(model, settings.start, self.boundaries)
        highest = max((limit.temperature for limit in scenario.limits), default=0.0)
        self.ceiling = max(highest + _BEYOND_LIMIT, _LEAST_CEILING)
        decades = np.log10(settings.horizon / _FIRST_TIME)
        count = max(2, int(np.ceil(decades * _PER_DECADE)) + 1)
        self.times = np.concatenate([[0.0], np.geomspace(_FIRST_TIME, settings.horizon, count)])
        self.steady_currents = np.array(
            list(settings.start.currents) if settings.start.currents else [0.0] * len(scenario.circuits)
        )

    def currents(self, current: float) -> np.ndarray:
        """Circuit currents with the curve's circuit at ``current`` [A] and the others as in the start state."""
        all_currents = self.steady_currents.copy()
        all_currents[self.settings.circuit] = current
        return all_currents

    def steady_at(self, current: float, guess: np.ndarray, near: bool = False, solver: SteadySolver | None = None) -> Steady:
        """Steady state with the curve's circuit at ``current`` [A]; ``solver`` where others use the batch's at the same time."""
        return (solver or self.solver).solve(self.currents(current), guess, self.ceiling, near)

    def groups(self, currents: np.ndarray) -> list[np.ndarray]:
        """Which currents are stepped in one go: of those in rising order neighbours, as the currents alone say."""
        count = -(-len(currents) // MOST_MEMBERS) if self.together else len(currents)
        return np.array_split(currents, count) if count else []

    def members(self, currents: np.ndarray, told: Callable[[float], None]) -> list[_Outcome]:
        """Step constant currents until the horizon or, with every limit reached, the ceiling; ``told`` of each when it ends."""
        if self.together:
            return self._side_by_side(currents, told)
        found = []
        for current in currents:
            found.append(self._alone(current))
            told(current)
        return found

    def _begun(self) -> tuple[_Outcome, LimitWatch]:
        """What a member has found at its start, and its watch."""
        scenario, watch = self.scenario, self.watch.again()
        limits, shape = len(scenario.limits), (len(scenario.conductors), len(scenario.parts))
        conductor, parts = (np.full((rows, len(self.times)), np.nan) for rows in shape)
        found = _Outcome(np.full(limits, np.inf), np.full(limits, _BEYOND, dtype=np.int8), conductor, parts)
        for index, _, _, _ in watch.begin(self.start):
            found.time[index], found.outcome[index] = 0.0, _AT_START
        conductor[:, 0], parts[:, 0] = self.start[self.model.conductor_unknown], self.reader.maximum(self.start)
        return found, watch

    def _past(self, end: float) -> int:
        """How many stored times a step that ends at ``end`` [s] leads past."""
        return int(np.searchsorted(self.times, end * (1 + 1e-12), side="right"))

    def _alone(self, current: float) -> _Outcome:
        model, settings, reader = self.model, self.settings, self.reader
        profiles = tuple(CurrentProfile.constant(value, settings.horizon) for value in self.currents(current))
        member = Member(profiles, self.start)
        stepper = Stepper(model, member, settings.tolerance, self.boundaries, self.shelf, self.reactions)
        (found, watch), kept = self._begun(), 1
        for step in stepper.steps(settings.horizon):
            for crossing in watch.crossings(step):
                found.passes(crossing)
            past = self._past(step.end)
            if past > kept:
                times = np.minimum(self.times[kept:past], step.end)
                found.conductor[:, kept:past] = step.at(times, model.conductor_unknown).T
                found.parts[:, kept:past] = reader.course_of_maximum(step, times).T
                kept = past
            if step.after.max() > self.ceiling and (found.outcome != _BEYOND).all():
                break
        found.steps = stepper.accepted
        return found

    def _side_by_side(self, currents: np.ndarray, told: Callable[[float], None]) -> list[_Outcome]:
        model, settings, reader = self.model, self.settings, self.reader
        circuits = [self.currents(current) for current in currents]
        stepper = Together(model, circuits, self.start, settings.tolerance, self.boundaries, self.shelf)
        found, watches = zip(*(self._begun() for _ in currents), strict=True)
        watches, kept = dict(enumerate(watches)), 1
        each = np.arange(len(model.conductor_unknown) + 1)
        for step in stepper.steps(settings.horizon):
            for member, crossing in self.watch.crossings_side_by_side(step, watches):
                found[member].passes(crossing)
            past = self._past(step.end)
            if past > kept:
                times = np.minimum(self.times[kept:past], step.end)
                shares = (times - step.begin) / (step.end - step.begin)
                conductor = step.maxima(shares, model.conductor_unknown, each)
                parts = reader.courses_of_maximum(step, times)
                for member in stepper.members:
                    found[member].conductor[:, kept:past] = conductor[:, :, member].T
                    found[member].parts[:, kept:past] = parts[member].T
                kept = past
            for member in tuple(stepper.members):
                found[member].steps += 1
                done = step.highest[member] > self.ceiling and (found[member].outcome != _BEYOND).all()
                if done or not step.end < settings.horizon:
                    stepper.leave(member)
                    watches.pop(member)
                    told(currents[member])
        return list(found)

    def margins(self, steady: Steady) -> np.ndarray:
        """Steady temperature above each limit (n_limits,) [K]; inf without a steady state."""
        if not steady.exists:
            return np.full(len(self.scenario.limits), np.inf)
        return np.array(
            [
                max(steady.temperature[self.model.part_cells[part]].max() for part in limit.parts) - limit.temperature
                for limit in self.scenario.limits
            ]
        )


def _steady_states(batch: _Batch, grid: np.ndarray) -> list[Steady]:
    """Steady states up the grid, each from the one below; past the first current without one there is none either."""
    states: list[Steady] = []
    for number, current in enumerate(grid):
        if states and not states[-1].exists:
            states.append(states[-1])
        elif number < 2:
            states.append(batch.steady_at(current, states[-1].temperature if states else batch.start))
        else:
            # temperatures rise about as the heat does
            last, one_before = states[-1].temperature, states[-2].temperature
            on = (current**2 - grid[number - 1] ** 2) / (grid[number - 1] ** 2 - grid[number - 2] ** 2)
            states.append(batch.steady_at(current, last + on * (last - one_before), near=True))
    return states


def _knees(batch: _Batch, grid: np.ndarray, states: list[Steady]) -> list[float]:
    """Currents whose steady state just touches a limit, one per limit that has its knee on the grid."""
    from scipy.optimize import brentq  # a tenth of a second to import, so only where it is needed

    margins = np.array([batch.margins(state) for state in states])
    knees = []
    for index in range(margins.shape[1] if margins.size else 0):
        above = np.flatnonzero(margins[:, index] > 0)
        if len(above) == 0 or above[0] == 0:
            continue
        low, high = above[0] - 1, above[0]
        guess = states[low].temperature

        def excess(current, index=index, guess=guess):
            # bounded: without a steady state the excess has no size, only a sign
            return min(float(batch.margins(batch.steady_at(current, guess))[index]), 1e3)

        knees.append(float(brentq(excess, grid[low], grid[high], rtol=_KNEE_WITHIN)))
    return knees


def _solve(batch: _Batch, grid: np.ndarray, with_knees: bool, workers, progress):
    """Currents (grid and, ``with_knees``, some beside every knee), their steady states and what their members found.

    Steady states follow one from the other, so all of them are one job, beside those of the members.
    """
    done, count, lock = 0, len(grid), Lock()

    def told(current: float) -> None:
        nonlocal done
        with lock:
            done += 1
            if progress is not None:
                progress(done, count, float(current))

    groups = batch.groups(grid)

    def first(number: int):
        if number > 0:
            return batch.members(groups[number - 1], told)
        states = _steady_states(batch, grid)
        return states, _knees(batch, grid, states) if with_knees else []

    (states, knees), *members = run_members(first, len(groups) + 1, workers)
    members = [found for group in members for found in group]
    extra = np.sort([knee * factor for knee in knees for factor in _BESIDE_KNEE if grid[0] < knee * factor < grid[-1]])
    count, beside = len(grid) + len(extra), batch.groups(extra)

    def second(number: int):
        if number >= len(extra):
            return batch.members(beside[number - len(extra)], told)
        below = int(np.searchsorted(grid, extra[number], side="right")) - 1
        solver = SteadySolver(batch.model, batch.boundaries)
        return batch.steady_at(extra[number], states[below].temperature, states[below].exists, solver)

    if len(extra):
        more = run_members(second, len(extra) + len(beside), workers)
        states = [*states, *more[: len(extra)]]
        members += [found for group in more[len(extra) :] for found in group]
    order = np.argsort(np.concatenate([grid, extra]), kind="stable")
    grid = np.concatenate([grid, extra])[order]
    states, members = [states[place] for place in order], [members[place] for place in order]
    if batch.reactions is not None:
        # a steady state knows nothing of what reacts on the way to it: it has placed the currents, but decides nothing
        states = [Steady(False, _REACTING, state.temperature) for state in states]
    for state, member in zip(states, members, strict=True):
        member.outcome[(member.outcome == _BEYOND) & (batch.margins(state) < 0)] = _NEVER
    return grid, states, members


def _current_grid(settings, given) -> np.ndarray:
    if given is not None:
        grid = np.unique(np.asarray(given, dtype=float))
        if len(grid) == 0 or grid[0] <= 0 or not np.all(np.isfinite(grid)):
            raise UsageError("currents of a limit curve must be positive numbers")
        return grid
    return np.geomspace(settings.lowest, settings.highest, settings.count)


def limit_curve(
    scenario: Scenario,
    path=None,
    *,
    currents=None,
    force: bool = False,
    workers: int | None = None,
    progress: Callable[[int, int, float], None] | None = None,
) -> Curve:
    """Time to each limit at constant currents of one circuit, from the stated start state.

    Parameters
    ----------
    scenario : Scenario           with ``curve`` settings
    path : str, Path or None      curve file to write
    currents : floats or None     own currents [A]; None takes the scenario's grid and adds some around every knee
    force : bool                  replace an existing file
    workers : int or None         threads; None takes one per core
    progress : callable or None   called with (members done, members in all, current [A])

    Returns
    -------
    Curve

    Raises
    ------
    UsageError        the scenario states no curve, or a current is not positive
    NumericalError    as ``simulate``
    FileError         the file exists or cannot be written

    Source
    ------
    As ``simulate``; "never" rests on a steady state below the limit, found on its own, and is not said with reactions on
    """
    if scenario.curve is None:
        raise UsageError("the scenario has no [curve] table, so there is no limit curve to compute")
    began = clock.perf_counter()
    model = model_of(scenario)
    batch = _Batch(scenario, model)
    grid = _current_grid(scenario.curve, currents)
    grid, states, members = _solve(batch, grid, currents is None, workers, progress)
    curve = _record(scenario, batch, grid, states, members)
    curve.statistics["wall_seconds"] = clock.perf_counter() - began
    if path is not None:
        curve.canonical_hash = write_curve(path, curve, force)
    else:
        curve.canonical_hash = record_hash  # when it is asked for
    return curve


def _record(scenario, batch, grid, states, members) -> Curve:
    model, settings = batch.model, batch.settings
    loaded = [
        conductor
        for conductor in scenario.conductors
        if conductor.circuit == settings.circuit and conductor.current_factor != 0
    ]
    smallest = min((conductor.metal_area for conductor in loaded), default=np.nan)
    steady_temperature = np.full((len(scenario.conductors), len(grid)), np.nan)
    for column, state in enumerate(states):
        if state.exists:
            steady_temperature[:, column] = state.temperature[model.conductor_unknown]
    return Curve(
        title=scenario.title,
        circuit=scenario.circuits[settings.circuit].name,
        current=grid,
        limits=limit_records(scenario.limits, scenario),
        time_to_limit=np.array([member.time for member in members]).T,
        outcome=np.array([member.outcome for member in members], dtype=np.int8).T,
        steady=np.array([state.exists for state in states]),
        steady_temperature=steady_temperature,
        history_time=batch.times,
        conductor_names=[conductor.name for conductor in scenario.conductors],
        conductor_temperature=np.stack([member.conductor for member in members], axis=1),
        part_names=[part.name for part in scenario.parts],
        part_maximum=np.stack([member.parts for member in members], axis=1),
        start_description=start_words(settings.start),
        start_temperature=batch.start[model.conductor_unknown].copy(),
        adiabatic_k=scenario.adiabatic_k if scenario.adiabatic_k is not None else np.nan,
        adiabatic_area=float(smallest),
        adiabatic_limit=scenario.adiabatic_limit,
        fault_current=scenario.fault_current if scenario.fault_current is not None else np.nan,
        horizon=settings.horizon,
        section=record_of_section(model.section),
        statistics={
            "cells": model.cells,
            "unknowns": model.unknowns,
            "members": len(grid),
            "steps": int(sum(member.steps for member in members)),
            "tolerance_kelvin": settings.tolerance,
        },
        scenario_text=scenario.source_text,
        scenario_file=scenario.source_file,
        resolved=resolved_of(scenario),
        assumptions=list(scenario.assumptions),
        provenance=provenance_of(scenario),
    )
