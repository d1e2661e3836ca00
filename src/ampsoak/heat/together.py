"""Members of a linear section stepped side by side, with one step length for all.

A linear section's matrix depends on the step alone, so members that step together share it, and eight of them cost
about as much as two on their own (``abreast``). The step is what the member with the largest error asks for; members
of like currents ask for about the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from ampsoak.heat.abreast import Linear, Work, read_maxima_rows, step_rows
from ampsoak.heat.bordered import Factor, invert_corners
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel
from ampsoak.heat.pace import LADDER, SMALLEST, on_ladder, within
from ampsoak.heat.stepping import (
    ABSURD,
    COLLAPSED,
    ENDLESS,
    GAMMA,
    SCHEME,
    FactorShelf,
    Member,
    Stepper,
    Stretch,
    failure,
)
from ampsoak.heat.tiles import PAD_ROWS, SIDE, aligned_zeros
from ampsoak.scenario.case import CurrentProfile

MOST_MEMBERS = SIDE


def can_step_together(model: HeatModel, boundaries: BoundaryTables) -> bool:
    """Whether nothing but the currents tells members of a section apart, and nothing but temperature changes in time."""
    parts = model.section.scenario.parts
    steady = all(parts[part].heat_source.value.is_constant for part, _ in model.source_area)
    return model.linear and boundaries.linear and boundaries.constant and steady


@dataclass
class CommonStep:
    """One accepted step of members side by side; its arrays hold until the step after it is asked for.

    Parameters
    ----------
    begin, end : float                        [s]
    before, after : (unknowns, 8) float64     temperature [K]; a column per member
    rate_before, rate_after : (unknowns, 8)   slope [K/s]
    generated, lost, stored : (8,)            heat in the step [J/m]
    error, highest : (8,)                     estimated error of the step, and highest temperature at its end [K]
    """

    begin: float
    end: float
    before: np.ndarray
    after: np.ndarray
    rate_before: np.ndarray
    rate_after: np.ndarray
    generated: np.ndarray
    lost: np.ndarray
    stored: np.ndarray
    error: np.ndarray
    highest: np.ndarray

    def of(self, member: int) -> Stretch:
        """The step of one member."""
        ends = (self.before, self.after, self.rate_before, self.rate_after)
        return Stretch(self.begin, self.end, *(values[:, member] for values in ends))

    def maxima(self, shares: np.ndarray, chosen: np.ndarray, start: np.ndarray) -> np.ndarray:
        """Largest temperature [K] of groups of unknowns at ``shares`` (n,) of the step, (n, groups, 8).

        Group g is chosen[start[g] : start[g + 1]], int64.
        """
        found = np.empty((len(shares), len(start) - 1, SIDE))
        ends = (values.reshape(-1) for values in (self.before, self.rate_before, self.after, self.rate_after))
        read_maxima_rows(*ends, self.end - self.begin, shares, chosen, start, np.empty(4), found)
        return found


class Together:
    """Steps up to ``MOST_MEMBERS`` members of a section that can_step_together from one start state at constant currents.

    Parameters
    ----------
    model : HeatModel
    currents : (members, n_circuits)   [A]
    start : (unknowns,)                [K]
    tolerance : float                  allowed error of a temperature [K]
    boundaries : BoundaryTables
    shelf : FactorShelf                shared by all members of a batch

    Attributes
    ----------
    members : list of int    those that still step
    accepted, rejected : int     steps
    """

    def __init__(
        self,
        model: HeatModel,
        currents: Sequence[np.ndarray],
        start: np.ndarray,
        tolerance: float,
        boundaries: BoundaryTables,
        shelf: FactorShelf,
    ):
        self.model = model
        profiles = tuple(CurrentProfile.constant(0.0, 1.0) for _ in model.section.scenario.circuits)
        # a member without current brings all that does not depend on it
        self._idle = idle = Stepper(model, Member(profiles, start), tolerance, boundaries, shelf)
        self.pace = idle.pace
        self.members = list(range(len(currents)))
        self.time = 0.0
        self.accepted = self.rejected = 0
        source = model.part_sources(0.0)
        self._heat = np.zeros((len(model.keeper), SIDE))
        for member, of_circuits in enumerate(currents):
            self._heat[:, member] = model.heat_at_20(np.asarray(of_circuits, dtype=float))
        self._linear = _linear_section(idle, source)
        rows = model.unknowns + PAD_ROWS
        room = int(self._linear.strides.sum())
        self._work = Work(
            state=aligned_zeros(1, SIDE * (rows + 2 * room))[0], change=aligned_zeros(3, SIDE * model.unknowns),
            miss=aligned_zeros(1, SIDE * rows)[0], inverse=np.zeros((model.lumps, model.lumps, SIDE)),
            ones=np.ones(model.unknowns), sums=np.zeros((4, SIDE)),
            result=np.zeros((5, SIDE)),
        )  # fmt: skip
        # temperature and slope at both ends of a step
        self._ends = [aligned_zeros(2, SIDE * model.unknowns) for _ in range(2)]
        self._begin()
        self._settled: list[tuple[float, np.ndarray]] = []  # length and errors of the last two steps
        self._inverted: float | None = None  # step that the corners are inverted for

    def _begin(self) -> None:
        """Fill the start state and its slopes."""
        model = self.model
        temperature, rate = (values.reshape(-1, SIDE) for values in self._ends[0])
        temperature[:] = self._idle.temperature[:, None]
        rate[:] = self._idle.initial_rate(np.zeros(len(model.section.scenario.circuits)))[:, None]
        metal = slice(model.cells, model.first_zone)
        there, capacity = self._idle.temperature[metal], self._idle.capacity[metal]
        rate[metal] += self._heat * ((1 + model.coefficient * (there - 293.15)) / capacity)[:, None]
        rate[model.network.covered_cell] = rate[model.cells + model.network.covered_by]
        self.pace.begin(float(np.abs(rate[:, self.members]).max(initial=0.0)))

    def leave(self, member: int) -> None:
        """Step ``member`` no further."""
        self.members.remove(member)
        self._heat[:, member] = 0.0  # it cools on beside the others, which nobody looks at
        self._inverted = None

    def steps(self, until: float) -> Iterator[CommonStep]:
        """Yield accepted steps up to ``until`` [s], or while there are members left."""
        while self.time < until and self.members:
            yield self._next_step(until)

    def _next_step(self, stop: float) -> CommonStep:
        if self._settled:
            self.pace.accept(self._settled[-1][0], min(self._growth(member) for member in self.members))
        wanted = on_ladder(self.pace.suggested)
        while True:
            left = stop - self.time
            step = within(wanted, left)
            if step < SMALLEST and left > SMALLEST:
                raise self._failure(COLLAPSED, step)
            outcome = self._try(step, stop if step == left else self.time + step)
            if isinstance(outcome, CommonStep):
                return outcome
            self.rejected += 1
            wanted = on_ladder(min(outcome, step / LADDER))

    def _growth(self, member: int) -> float:
        """How much longer the next step may be for ``member``; who has left has no say in it."""
        *before, last = ((step, float(error[member])) for step, error in self._settled)
        return self.pace.growth(*last, before[0] if before else None)

    def _try(self, step: float, end: float) -> CommonStep | float:
        """One attempt; a step when accepted, else the step length to try next [s]."""
        factor = self._idle.linear_factor(step)
        if factor is None or not self._invert(factor, step):
            self._inverted = None
            return step / 4
        (before, rate_before), (after, rate_after) = self._ends
        step_rows(self._linear, factor, self._work, self._heat, step, SCHEME, before, rate_before, after, rate_after)
        generated, lost, stored, error, highest = self._work.result.copy()
        largest = float(error[self.members].max())
        if not np.isfinite(largest):
            return step / 4
        if largest > self.pace.allowed:
            return self.pace.shorter(step, largest)
        if not (highest[self.members] < ABSURD).all():
            raise self._failure(ENDLESS, step)
        copies = self.model.copies
        result = CommonStep(
            self.time, end, *(values.reshape(-1, SIDE) for values in (before, after, rate_before, rate_after)),
            copies * generated, copies * lost, copies * stored, error, highest,
        )  # fmt: skip
        self._ends.reverse()
        self._settled, self.time = [*self._settled[-1:], (step, error)], end
        self.accepted += 1
        return result

    def _invert(self, factor: Factor, step: float) -> bool:
        """Invert the corner of every member; False when one gains heat faster than the section takes it."""
        if self._inverted == step:
            return True
        self._inverted = step
        gain = GAMMA * step * self.model.coefficient[:, None] * self._heat
        return invert_corners(factor, gain, self._work.inverse) < 0

    def _failure(self, what: str, step: float):
        states = self._ends[0][0].reshape(-1, SIDE)[:, self.members]
        hottest = states[:, int(states.max(axis=0).argmax())]
        return failure(self.model, hottest, self.time, what, step)


def _linear_section(idle: Stepper, source: np.ndarray) -> Linear:
    """What steps side by side read of the section of a member; source (unknowns,): heat of parts [W/m]."""
    model, network, links = idle.model, idle.model.network, idle.links
    stride_x, stride_y, cells = (int(value) for value in network.shape[2:5])
    both, unknowns = stride_x + stride_y, model.unknowns
    ahead = np.zeros((4, both + cells))
    kinds = (links.x, stride_x), (links.y, stride_y), (links.rising, both), (links.falling, both)
    for row, (values, span) in zip(ahead, kinds, strict=True):
        row[both : both + cells - span] = values[: cells - span]
    flow, slope = idle.border_flow()
    pull = slope * idle.temperature[network.face_cell] - flow
    leak, given = np.zeros(unknowns), source.copy()
    np.add.at(leak, network.face_cell, slope)
    np.add.at(given, network.face_cell, pull)
    skins = model.first_skin + np.arange(len(network.skin_conductor))
    return Linear(
        strides=np.array([stride_x, stride_y]), links=ahead.reshape(-1),
        own=np.stack([given, leak, idle.level], axis=1).reshape(-1), leak=leak, capacity=idle.level,
        low=np.concatenate([network.cut_cell, skins]).astype(np.int64),
        high=(cells + np.concatenate([network.cut_conductor, network.skin_conductor])).astype(np.int64),
        between=np.concatenate([links.cut, links.skin]), covered_cell=network.covered_cell, covered_by=network.covered_by,
        skin_conductor=network.skin_conductor, coefficient=model.coefficient, wide=np.repeat(idle.level, SIDE),
        sums=np.array([source.sum(), -pull.sum()]),
    )  # fmt: skip
