"""Adaptive stepping of one member in time, and of many members side by side.

Method: Alexander's three-stage singly diagonally implicit Runge-Kutta method, order 3, L-stable, stiffly accurate
(R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006), applied to heat content so that what a step stores is exactly what
flowed in. Its error is estimated against an embedded second-order solution, filtered through the step's own matrix.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock
from typing import NamedTuple

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.heat import bordered, kernels
from ampsoak.heat.advance import (
    DONE,
    GAINS,
    GUESS,
    NOT_DEFINITE,
    PREDICT,
    SOLVE,
    Behind,
    Load,
    Properties,
    Stages,
    Start,
    advance,
    make_matrix,
)
from ampsoak.heat.banded import empty_band, empty_bands
from ampsoak.heat.bordered import Factor, empty_factor, invert_corner, reduce_border
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.crew import Crew
from ampsoak.heat.fronts import attend
from ampsoak.heat.network import HeatModel
from ampsoak.heat.pace import LADDER, LOCAL_SHARE, SMALLEST, Pace, on_ladder, within
from ampsoak.heat.reactions import Reactions
from ampsoak.scenario.case import CurrentProfile

GAMMA = 0.43586652150845906  # root of x³ - 3x² + 3x/2 - 1/6 in (1/6, 1/2)
_B1 = -(6 * GAMMA**2 - 16 * GAMMA + 1) / 4
_B2 = (6 * GAMMA**2 - 20 * GAMMA + 5) / 4
_NODES = (GAMMA, (1 + GAMMA) / 2, 1.0)
_A21 = (1 - GAMMA) / 2
_E2 = (0.5 - GAMMA) / (_NODES[1] - GAMMA)  # embedded second-order weights on the first two stages
_ERROR = (_B1 - (1 - _E2), _B2 - _E2, GAMMA)
SCHEME = np.array(  # flows of stages 0, 1, 2; error estimate; gamma, one row per stage
    [
        [GAMMA, 0.0, 0.0, _ERROR[0], GAMMA],
        [_A21, GAMMA, 0.0, _ERROR[1], GAMMA],
        [_B1, _B2, GAMMA, _ERROR[2], GAMMA],
    ]
)
_MOST_ITERATIONS = 8
_STAGE_SHARE = 0.05  # of the tolerance that the iteration of one stage may leave open
_TIGHT_SHARE = 0.01
_PIECE = 12_000_000  # [bytes] of memory taken for bands at once
_LEVEL = 300.0  # [K] any temperature inside the tables
ABSURD = 1e5  # [K] nothing is left that could be that hot
ENDLESS = "heat runs away without end"
COLLAPSED = "the time step collapsed"
# how a matrix comes: as it is; by inverting its corner; made with capacities as they are, or as means over the step ahead
_NOTHING, _INVERT, _MAKE, _CHORD = range(4)
_MOST_MATRICES = 8  # matrices tried in one stage
_MOST_ROUNDS = 6  # corrections of the heat of reactions within one step
_OVERDRAWN = 1e-4  # share of a reactant that a step may take more than there is


@dataclass(frozen=True)
class Member:
    """One member of a batch: everything in which it may differ from its siblings.

    Parameters
    ----------
    profiles : tuple of CurrentProfile            one per circuit
    start : (unknowns,) float64                   start state [K]
    conductivity_scale : (n_materials,) or None   factors on conductivity
    capacity_scale : (n_materials,) or None       factors on heat capacity
    """

    profiles: tuple[CurrentProfile, ...]
    start: np.ndarray
    conductivity_scale: np.ndarray | None = None
    capacity_scale: np.ndarray | None = None


@dataclass
class Stretch:
    """A stretch of time in which temperature is a cubic through both ends and their slopes.

    Parameters
    ----------
    begin, end : float                        [s]
    before, after : (unknowns,) float64       temperature [K]
    rate_before, rate_after : (unknowns,)     slope [K/s]
    """

    begin: float
    end: float
    before: np.ndarray
    after: np.ndarray
    rate_before: np.ndarray
    rate_after: np.ndarray

    def at(self, time, unknowns=slice(None)) -> np.ndarray:
        """Temperature [K] of ``unknowns`` at ``time`` inside the step; (n, unknowns) at several times (n,)."""
        shares = (np.asarray(time, dtype=float) - self.begin) / (self.end - self.begin)
        known = [values[unknowns] for values in self.cubic]
        states = np.empty((*shares.shape, len(known[0])))
        length = self.end - self.begin
        kernels.read_cubics(*known, length, shares.reshape(-1), states.reshape(-1, len(known[0])))
        return states

    @property
    def cubic(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Temperature and slope at the begin, then at the end."""
        return self.before, self.rate_before, self.after, self.rate_after


@dataclass
class Step(Stretch):
    """One accepted step of a member.

    Parameters
    ----------
    generated, lost, stored : float           heat in the step [J/m]
    current : (n_circuits,) float64           at the end of the step [A]
    joule : (conductors,) float64             at the end of the step [W/m]
    error : float                             estimated error of the step [K]
    surface, surface_flow : (n_faces,)        temperature [K] and heat leaving [W/m] of each border face at the end
    left_before, left_after : (n,) or None    what is left of the reactants, None where nothing reacts
    """

    generated: float
    lost: float
    stored: float
    current: np.ndarray
    joule: np.ndarray
    error: float
    surface: np.ndarray
    surface_flow: np.ndarray
    left_before: np.ndarray | None = None
    left_after: np.ndarray | None = None

    def left_at(self, time: float) -> np.ndarray | None:
        """What is left of the reactants at ``time`` inside the step, (n,); None where nothing reacts."""
        if self.left_before is None:
            return None
        share = (time - self.begin) / (self.end - self.begin)
        return (1.0 - share) * self.left_before + share * self.left_after


class _Place:
    """Where a shelf keeps one factor."""

    def __init__(self):
        self.lock, self.factor = Lock(), None


class FactorShelf:
    """Factorised matrices of a linear section by step length, shared by all members of a batch.

    A linear section's matrix depends on nothing but the step, and steps come from a ladder, so a whole limit curve
    factorises about as often as the ladder has rungs.
    """

    def __init__(self, most_bytes: float = 4e8):
        self._kept: dict[float, _Place] = {}
        self._bands: list[np.ndarray] = []
        self._lock = Lock()
        self._room = most_bytes

    def blank(self, model: HeatModel) -> Factor:
        """An empty factor. Bands are cut from larger pieces: to touch fresh memory bit by bit costs as much as factorising."""
        with self._lock:
            if not self._bands and model.plan is None:
                shape = model.cells, int(model.network.shape[6]), bordered.PRECISION
                count = max(1, _PIECE // empty_band(*shape).nbytes)
                self._bands = list(empty_bands(count, *shape))
            band = self._bands.pop() if self._bands else None
        return empty_factor(model.network, model.plan, band)

    def get(self, step: float, make: Callable[[], Factor | None]) -> Factor | None:
        """The factor for ``step`` [s]; made by ``make`` when it is not there. Who wants another does not wait for that."""
        with self._lock:
            place = self._kept.setdefault(step, _Place())
        with place.lock:
            if place.factor is not None:
                return place.factor
            found = make()
            if found is not None:
                size = sum(part.nbytes for part in (*found.matrix, found.border, found.reduced) if isinstance(part, np.ndarray))
                with self._lock:
                    if self._room >= size:
                        self._room -= size
                        place.factor = found
            return found


class Moment(NamedTuple):
    """What acts from outside on a step: circuit currents (n_circuits,) [A] and I² R20 of each conductor (conductors,) [W/m] at
    its end; the load of its stages; and the heat at its end as bytes, to know it again."""

    current: np.ndarray
    at_20: np.ndarray
    load: Load
    key: bytes


class Stepper:
    """Steps one member.

    Parameters
    ----------
    model : HeatModel
    member : Member
    tolerance : float              allowed error of a temperature [K]
    boundaries : BoundaryTables    shared by the members of a batch
    shelf : FactorShelf or None    shared by the members of a batch whose matrices agree; None keeps an own one
    reactions : Reactions or None  whose heat counts; None lets nothing react
    remaining : (n,) or None       what is left of the reactants at the start; None means all
    threads : int                  two take a half of a large mesh each; for a member that steps alone
    """

    def __init__(
        self,
        model: HeatModel,
        member: Member,
        tolerance: float,
        boundaries: BoundaryTables,
        shelf: FactorShelf | None = None,
        reactions: Reactions | None = None,
        remaining: np.ndarray | None = None,
        threads: int = 1,
    ):
        self.model, self.member, self.boundaries = model, member, boundaries
        large = model.plan is not None  # ordering a large mesh is no part of its first step
        self.crew = Crew(attend) if large and threads > 1 and hasattr(attend, "py_func") else None
        self.tolerance = tolerance
        network = model.network
        n = model.unknowns
        ones = np.ones(len(model.materials))
        k_scale = ones if member.conductivity_scale is None else np.asarray(member.conductivity_scale, float)
        c_scale = ones if member.capacity_scale is None else np.asarray(member.capacity_scale, float)
        self.temperature = np.array(member.start, dtype=float)
        model.hold_open_air(self.temperature, 0.0)
        kernels.spread_conductors(network, self.temperature)
        self.time = 0.0
        self.links = model.new_links()
        self.exchange = model.new_exchange(self.temperature)
        kernels.conductances(network, self.temperature, k_scale, self.links)
        plain = member.conductivity_scale is None and member.capacity_scale is None
        self.linear = model.linear and boundaries.linear and boundaries.steady_films
        tight = bool(len(network.zones.cell))
        self.properties = Properties(k_scale, c_scale, model.coefficient, model.linear, self.linear, tight)
        self.open_tolerance = (_TIGHT_SHARE if tight else _STAGE_SHARE) * min(tolerance, 1.0)
        self.open_air = bool(network.zones.is_open.any())
        self.held: Moment | None = None  # what acts from outside, where it does not change up to the next break
        # members with their own property values have their own matrices
        self.shelf = (shelf if plain and shelf is not None else FactorShelf()) if self.linear else None
        self.own: Factor | None = None
        self.factor_step: float | None = None  # that a linear section's factor is made for
        self.factor: Factor | None = None
        self.surface = self.temperature[network.face_cell].copy()
        self.content, self.capacity = np.zeros(n), np.zeros(n)
        kernels.heat_content(network, self.temperature, c_scale, self.content, self.capacity)
        # of a linear section, the same bits whichever member fills the shelf first
        self.level = np.zeros(n)
        kernels.heat_content(network, np.full(n, _LEVEL), c_scale, np.zeros(n), self.level)
        self.rate: np.ndarray | None = None
        self.behind: Step | None = None  # the step that led here, where nothing has jumped since
        self.no_sources, self.no_air = np.zeros((3, n)), np.zeros((3, len(network.zones.is_open)))
        self.stages = new_stages(model, self.surface)
        self.reactions, self.remaining = reactions, remaining
        if reactions is not None and remaining is None:
            self.remaining = np.ones(len(reactions.mass))
        self.outrun = False  # a reaction was faster than the step last tried
        self.pace = Pace(tolerance)
        self.settled: tuple[float, float] | None = None  # length and error of the last step, where nothing has jumped since
        self.key: tuple | None = None
        self.accepted = self.rejected = self.factorised = self.solved = 0
        self.breaks = sorted(
            {t for profile in member.profiles for t in profile.time} | set(boundaries.times) | _part_times(model)
        )

    # -- pieces ---------------------------------------------------------------------------------------------------
    def currents(self, time: float, before: bool = False) -> np.ndarray:
        """Circuit currents [A] at ``time``; ``before`` takes the segment that ends there."""
        at = np.nextafter(time, -np.inf) if before else time
        return np.array([float(profile.at(at)) for profile in self.member.profiles])

    def border(self) -> tuple[np.ndarray, np.ndarray]:
        """Surface temperature [K] and heat leaving [W/m] of each border face (n_faces,) at the present state."""
        flow, _ = self.border_flow()
        return self.surface.copy(), flow

    def border_flow(self) -> tuple[np.ndarray, np.ndarray]:
        """Heat leaving each border face [W/m] and its slope [W/(m K)] at the present state, (n_faces,) each."""
        surroundings = self.boundaries.at(self.time)
        faces = len(self.model.network.face_cell)
        flow, slope = np.zeros(faces), np.zeros(faces)
        kernels.border_flow(
            self.model.network, self.links, surroundings, 0, self.temperature, self.surface, flow, slope
        )
        return flow, slope

    def _advance(self, step: float, load: Load, tasks: int, first: int = -1) -> int:
        """Call the kernel; a stage that does not settle, or DONE."""
        start = Start(self.temperature, self.content, self.rate)
        return self._beside(
            advance, self.model.network, self.links, self.exchange, self.properties, start, self._behind(), load, self.factor,
            self.stages, step, SCHEME, self.open_tolerance, _MOST_ITERATIONS, first, tasks,
        )  # fmt: skip

    def _beside(self, kernel: Callable[..., int], *given) -> int:
        """What ``kernel`` returns; the crew, if there is one, takes part."""
        if self.crew is None:
            return kernel(*given)
        return self.crew.beside(self.factor.matrix, lambda: kernel(*given))

    def _prepare(self, step: float, load: Load, how: int) -> int:
        """Make the matrix of a step or, of a linear section, invert its corner; DONE, or why there is none."""
        stages, properties, share = self.stages, self.properties, GAMMA * step
        if how == _INVERT:
            stages.gain[:] = share * load.joule[2] * properties.coefficient
            return DONE if invert_corner(self.factor, stages.gain, stages.inverse) else GAINS
        self.factorised += 1
        if self.accepted == 0 and hasattr(advance, "signatures") and not advance.signatures:
            # in a first run another process compiles the kernel below meanwhile (``ahead``)
            self._advance(step, load, 0)
        start = Start(self.temperature, self.content, self.rate)
        return self._beside(
            make_matrix, self.model.network, self.links, self.exchange, properties, start, load.around, load.joule[2],
            self.factor, stages.base, stages.heat, stages.surface, stages.gain, stages.inverse, share, step, how == _CHORD,
        )  # fmt: skip

    def _what_to_make(self, step: float, moment: Moment) -> int | None:
        """Take the factor of a step; what is left to do of it before the stages, None when it cannot be had."""
        key = (step, moment.key)
        if self.linear and key == self.key:
            return _NOTHING
        self.key = key
        if self.linear:
            return None if self.linear_factor(step) is None else _INVERT
        self.factor = self._own_factor()
        if self.model.linear:
            self.factor.capacity[:] = self.level
            return _MAKE
        return _CHORD

    def linear_factor(self, step: float) -> Factor | None:
        """Take the factor of a linear section, where currents change nothing; None when the matrix is not positive definite."""
        if step == self.factor_step:
            return self.factor
        self.factor_step = None
        if step == on_ladder(step):
            self.factor = self.shelf.get(step, lambda: self._made(self.shelf.blank(self.model), step))
        else:
            self.factor = self._made(self._own_factor(), step)
        if self.factor is not None:
            self.factor_step = step
        return self.factor

    def _own_factor(self) -> Factor:
        if self.own is None:
            self.own = empty_factor(self.model.network, self.model.plan)
        return self.own

    def _made(self, factor: Factor, step: float) -> Factor | None:
        self.factorised += 1
        factor.capacity[:] = self.level
        factor.flow[:], factor.slope[:] = self.border_flow()
        network = self.model.network
        kernels.assemble(network, self.links, self.exchange, GAMMA * step, factor)
        given = factor, network.covered_cell
        made = reduce_border(*given) if self.crew is None else self.crew.beside(factor.matrix, lambda: reduce_border(*given))
        return factor if made else None

    def initial_rate(self, current: np.ndarray) -> np.ndarray:
        """Slope [K/s], (unknowns,), just after ``time`` at circuit ``current`` (n_circuits,) [A], from the heat balance.

        What is stiff in it is only a first guess.
        """
        model, network = self.model, self.model.network
        flow, _ = self.border_flow()
        source = model.part_sources(self.time)
        if self.reactions is not None:
            source += self.reactions.power(self.temperature, np.maximum(self.remaining, 0.0))
        heat = model.heat_at_20(current)
        metal = slice(model.cells, model.first_zone)
        source[metal] += heat * (1 + model.coefficient * (self.temperature[metal] - 293.15))
        net = np.zeros(model.unknowns)
        kernels.zone_exchange(network, self.links, self.temperature, self.exchange)
        kernels.net_heat(network, self.links, self.exchange, self.temperature, source, flow, net)
        return np.divide(net, self.capacity, out=np.zeros_like(net), where=self.capacity > 0)

    # -- stepping -------------------------------------------------------------------------------------------------
    def steps(self, until: float) -> Iterator[Step]:
        """Yield accepted steps up to ``until`` [s]; a change of current or boundary is always a step's end."""
        stops = [t for t in self.breaks if self.time < t < until] + [until]
        for stop in stops:
            if not self.time < stop:
                continue
            before = self.initial_rate(self.currents(self.time))
            metal = slice(self.model.cells, self.model.first_zone)
            if self.rate is None or np.abs(before - self.rate)[metal].max(initial=0.0) > 0 or self.pace.suggested is None:
                self.rate, self.behind, self.settled = before, None, None
                self.pace.begin(float(np.abs(before).max(initial=0.0)))
            self.held = self._held_until(stop)
            while self.time < stop:
                yield self._next_step(stop)

    def _held_until(self, stop: float) -> Moment | None:
        """The load up to ``stop``, if it is the same all the way: between breaks everything is linear in time."""
        if not self.boundaries.constant:
            return None
        first, last = self.currents(self.time), self.currents(stop, before=True)
        if (first != last).any():
            return None
        if self.model.heated:
            ends = self.model.part_sources(self.time), self.model.part_sources(np.nextafter(stop, -np.inf))
            if (ends[0] != ends[1]).any():
                return None
        return self._moment(0.0)

    def _moment(self, step: float) -> Moment:
        """Everything that acts from outside at the stages of a ``step`` [s] from here."""
        model = self.model
        currents = [self.currents(self.time + node * step, before=node == 1.0 and step > 0) for node in _NODES]
        at_20 = [model.joule_at_20(current) for current in currents]
        heat = np.array([row[model.keeper] * model.share for row in at_20])
        around = self.boundaries.at(self.time + step * np.array(_NODES))
        sources = self.no_sources
        if model.heated:
            sources = np.array([model.part_sources(self.time + node * step) for node in _NODES])
        return Moment(currents[2], at_20[2], Load(heat, sources, around, self.no_air), heat[2].tobytes())

    def _next_step(self, stop: float) -> Step:
        wanted = on_ladder(self.pace.suggested)
        while True:
            left = stop - self.time
            step = within(wanted, left)
            if step < SMALLEST and left > SMALLEST:
                why = ", with reactions on: one may give heat faster than any step can follow" if self.reactions else ""
                raise failure(self.model, self.temperature, self.time, COLLAPSED + why, step)
            outcome = self._try(step, stop if step == left else self.time + step)
            if isinstance(outcome, Step):
                return outcome
            self.rejected += 1
            wanted = on_ladder(min(outcome, step / LADDER))

    def _try(self, step: float, end: float) -> Step | float:
        """One attempt; a Step when accepted, else the step length to try next [s]."""
        moment = self._moment(step) if self.held is None else self.held
        how = self._what_to_make(step, moment)
        if how is None:
            self.key = None
            return step / 4
        load, speeds = moment.load, None
        if self.open_air:
            load = load._replace(air=self._open_air(step))
        if self.reactions is not None:
            speeds = self._solve_reacting(step, load, how)
            if speeds is None:
                self.key, self.outrun = None, True
                return step / 2
        elif not self._solve_stages(step, load, how, GUESS | PREDICT):
            self.key = None
            return step / 4
        error = float(self.stages.result[3])
        if speeds is not None:
            known = (self.stages.states, self.remaining, step, SCHEME, self.capacity)
            # nothing forgets what is missing of a reactant, so its error gets no more than the tolerance itself
            error = max(error, LOCAL_SHARE * self.reactions.error(speeds, *known))
        if error > self.pace.allowed:
            return self.pace.shorter(step, error)
        return self._accept(step, end, moment, error, speeds)

    def _behind(self) -> Behind:
        if self.behind is None:
            return Behind(0.0, self.temperature, self.rate)
        return Behind(self.behind.end - self.behind.begin, self.behind.before, self.behind.rate_before)

    def _open_air(self, step: float) -> np.ndarray:
        """Temperature of the air of open zones at the stages of a ``step`` [s], (3, zones) [K]."""
        state = np.zeros(self.model.unknowns)
        found = []
        for node in _NODES:
            self.model.hold_open_air(state, self.time + node * step)
            found.append(state[self.model.first_zone : self.model.first_skin].copy())
        return np.array(found)

    def _solve_stages(self, step: float, load: Load, how: int, tasks: int) -> bool:
        """Make the matrix as ``how`` says, and solve the stages; False when one of them does not settle.

        The matrix holds the heat capacities of the step ahead. Where a phase change or drying begins, capacity jumps
        by an order of magnitude and that matrix would never do, however short the step; so when a stage does not settle it
        goes on with capacities taken where it got to, and every other time with the larger of old and new, which cannot
        overshoot.
        """
        stages, first = self.stages, -1
        for attempt in range(_MOST_MATRICES + 1):
            failed = DONE if how == _NOTHING else self._prepare(step, load, how)
            if failed == DONE:
                failed = self._advance(step, load, tasks | SOLVE, first)
            if failed == DONE:
                self.solved += int(stages.result[0])
                return bool(np.isfinite(stages.result[3]))
            stages.contraction[:] = 1.0
            if failed in (NOT_DEFINITE, GAINS) or self.model.linear or attempt == _MOST_MATRICES:
                return False
            reached, network = stages.states[failed], self.model.network
            if not np.isfinite(reached).all():
                return False
            kernels.heat_content(network, reached, self.properties.capacity_scale, stages.content, stages.capacity)
            first, how, tasks, self.key = failed, _MAKE, GUESS, None
            if attempt % 2 == 0:
                self.factor.capacity[:] = stages.capacity
            else:
                np.maximum(self.factor.capacity, stages.capacity, out=self.factor.capacity)
        return False

    def _solve_reacting(self, step: float, load: Load, how: int) -> np.ndarray | None:
        """Solve the stages with the heat of reactions, corrected until both agree.

        The heat that enters the balance is exactly that of the shares that leave the reactants, whatever the correction
        leaves open. None when the stages do not settle, when the reactions outrun the step (their heat would grow faster
        than the corrections can follow), or when a reactant would be used up well inside it; else the speeds (3, n) [1/s].
        """
        found, left, stages = self.reactions, self.remaining, self.stages
        self._advance(step, load, PREDICT)
        speeds = found.stage_speeds(stages.predicted, left, step, SCHEME)
        power, tasks = found.given_off(speeds), GUESS
        most = _STAGE_SHARE * min(self.tolerance, 1.0)
        for _ in range(_MOST_ROUNDS):
            if not self._solve_stages(step, load._replace(source=load.source + power), how, tasks):
                return None
            how, tasks = _NOTHING, 0
            again = found.stage_speeds(stages.states, left, step, SCHEME)
            wanted = found.given_off(again)
            change = GAMMA * step * np.abs(wanted - power).max(axis=0)
            if (change <= most * self.capacity).all():
                used = step * (SCHEME[2, :3] @ speeds)
                return speeds if (used <= np.maximum(left, 0.0) + _OVERDRAWN).all() else None
            speeds, power = again, wanted
        return None

    def _accept(self, step, end, moment, error, speeds=None):
        model, stages = self.model, self.stages
        content, capacity, rate, state = stages.after
        if not (stages.result[5] < ABSURD):
            raise failure(model, self.temperature, self.time, ENDLESS, step)
        result = Step(
            begin=self.time, end=end, before=self.temperature, after=state, rate_before=self.rate, rate_after=rate,
            generated=model.copies * float(stages.result[1]), lost=model.copies * float(stages.result[2]),
            stored=model.copies * float(stages.result[4]), current=moment.current,
            joule=moment.at_20 * model.resistance_at(state), error=error, surface=self.surface.copy(),
            surface_flow=stages.face_flow.copy(),
        )  # fmt: skip
        growth = self.pace.growth(step, error, self.settled)
        if speeds is not None:
            result.left_before = self.remaining
            result.left_after = self.remaining = self.remaining - step * (SCHEME[2, :3] @ speeds)
            if self.outrun:
                growth, self.outrun = min(growth, 1.0), False  # what was too long once may be so again
        self.temperature, self.content, self.capacity, self.rate, self.behind = state, content, capacity, rate, result
        self.stages = stages._replace(after=np.empty_like(stages.after))
        self.time = end
        self.accepted += 1
        self.settled = (step, error)
        self.pace.accept(step, growth)
        return result

def new_stages(model: HeatModel, surface: np.ndarray) -> Stages:
    """Work arrays of a member; ``surface`` (n_faces,) [K] is where its border faces start."""
    n, lumps = model.unknowns, model.lumps
    return Stages(
        predicted=np.zeros((3, n)), follow=np.zeros(3), states=np.zeros((3, n)), flows=np.zeros((3, n)),
        after=np.zeros((4, n)), surface=surface, face_flow=np.zeros(len(surface)), face_slope=np.zeros(len(surface)),
        content=np.zeros(n), capacity=np.zeros(n), net=np.zeros(n), right=np.zeros(n), base=np.zeros(n), heat=np.zeros(n), inverse=np.zeros((lumps, lumps)),
        gain=np.zeros(len(model.keeper)),
        contraction=np.ones(2), result=np.zeros(6),
    )  # fmt: skip


def failure(model: HeatModel, temperature: np.ndarray, time: float, what: str, step: float) -> NumericalError:
    """Why a member cannot go on from ``temperature`` (unknowns,) [K] at ``time`` [s], and where it is hottest."""
    solid = np.append(model.grid.covered, np.zeros(model.first_zone - model.cells)) < model.first_zone - model.cells
    hottest = int(np.argmax(np.where(solid, temperature[: model.first_zone], -np.inf)))
    conductor = hottest - model.cells if hottest >= model.cells else int(model.grid.covered[hottest])
    if conductor >= 0:
        place = f"conductor {model.section.scenario.conductors[model.keeper[conductor]].name}"
    else:
        i, j = np.argwhere(model.cell_order == hottest)[0]
        part = model.section.scenario.parts[model.section.point_part[i, j]]
        place = (
            f"cell at x {1e3 * model.section.x_points[i]:.2f} mm, y {1e3 * model.section.y_points[j]:.2f} mm "
            f"in {part.name} ({part.material.name})"
        )
    return NumericalError(
        f"{what} at {time:.6g} s (last step tried {step:.2g} s); hottest is {place} at "
        f"{temperature[hottest] - 273.15:.1f} °C; the state up to here is kept"
    )


def _part_times(model: HeatModel) -> set[float]:
    """Times at which a part's heat source or the temperature of open air has a corner [s]."""
    parts = model.section.scenario.parts
    tables = [parts[part].heat_source.value for part, _ in model.source_area]
    tables += [part.air.temperature for part in parts if part.air is not None and part.air.temperature is not None]
    return {t for table in tables for t in table.time}


def run_members(work: Callable[[int], object], count: int, workers: int | None = None) -> list:
    """Call ``work`` for every member number and return the results in order.

    Members are independent and the kernels release the interpreter, so threads share one model; the result does not
    depend on how many there are.
    """
    workers = min(count, workers or os.cpu_count() or 1)
    if workers <= 1:
        return [work(number) for number in range(count)]
    pool = ThreadPoolExecutor(workers)
    try:
        return list(pool.map(work, range(count)))
    finally:
        # after an interrupt nobody waits for members that have not begun
        pool.shutdown(wait=False, cancel_futures=True)


def start_state(model: HeatModel, temperature: float) -> np.ndarray:
    """Cold start: ``temperature`` [K] everywhere but in parts with their own start temperature, (unknowns,)."""
    scenario = model.section.scenario
    own = np.array([temperature if p.start_temperature is None else p.start_temperature for p in scenario.parts])
    area = model.section.cell_area
    state = np.full(model.unknowns, float(temperature))
    if (own == temperature).all():
        return state
    capacity = np.array([float(p.material.volumetric_heat_capacity(t)) for p, t in zip(scenario.parts, own, strict=True)])
    weight = area * capacity
    total = weight @ np.ones(len(own))  # sums over a short last axis are slow
    mixed = (weight @ own) / np.where(total > 0, total, 1.0)
    state[model.cell_order.ravel()] = np.where(total > 0, mixed, temperature).ravel()
    for unknown, conductor in zip(model.conductor_unknown, scenario.conductors, strict=True):
        state[unknown] = own[conductor.part]
    if model.section.air is not None:
        state[model.first_zone : model.first_skin] = own[model.section.air.zone_parts]
    of_conductor = [conductor.part for conductor in scenario.conductors]
    for skin, conductor in enumerate(model.grid.skin_conductor):
        held = weight[model.section.point_conductor == model.keeper[conductor]].sum(axis=0)
        held[of_conductor] = 0.0
        state[model.first_skin + skin] = (held @ own) / held.sum()
    return state


def history(steps: Sequence[Step], unknown: int) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and temperature [K] of one unknown at the ends of the steps, both (n + 1,)."""
    times = np.array([steps[0].begin, *(step.end for step in steps)])
    return times, np.array([steps[0].before[unknown], *(step.after[unknown] for step in steps)])
