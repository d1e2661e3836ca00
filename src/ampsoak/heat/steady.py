"""Steady states: what a constant current tends to, or the plain statement that there is none."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ampsoak.heat import kernels
from ampsoak.heat.bordered import empty_factor, invert_corner, reduce_border, solve_bordered
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel
from ampsoak.heat.stepping import Member, Stepper
from ampsoak.scenario.case import CurrentProfile, TimeTable

CEILING = 1300.0  # [K] short of the melting point of copper; hotter than this nothing in a section still stands
_MOST = 60
_LONG = 1e9  # [s]
_FOLLOW_TOLERANCE = 0.3  # [K]
_SETTLED = 1e-7  # [K] last change
_STRIDE = 60.0  # [K] change that a pseudo time step aims at
_MIXED = 3  # earlier strides that a stride is mixed with
_HELD = 0.1  # [K] last change, from where on the matrix serves as it is
_CLOSE = 2.0  # [K] last change, from where on strides are as long as they like


@dataclass(frozen=True)
class Steady:
    """A steady state, or the reason why there is none.

    Parameters
    ----------
    exists : bool
    reason : str                              "" or why there is none
    temperature : (unknowns,) float64         [K]; where there is none the last state looked at
    """

    exists: bool
    reason: str
    temperature: np.ndarray


class _Mixing:
    """Strides made better by what the last ones did (D. G. Anderson, J. ACM 12 (1965) 547).

    A stride knows neither how conductivity nor how films change on the way; the few strides before it tell.
    """

    def __init__(self):
        self.states, self.changes = [], []

    def better(self, state: np.ndarray, change: np.ndarray, astray: bool) -> np.ndarray:
        """The stride to take from ``state`` (unknowns,) [K] instead of ``change``; ``astray`` forgets what went before."""
        if astray:
            self.states, self.changes = [], []
        self.states = [*self.states[-_MIXED:], state.copy()]
        self.changes = [*self.changes[-_MIXED:], change]
        if len(self.changes) == 1:
            return change
        bends = np.diff(self.changes, axis=0)
        weight = np.linalg.lstsq(bends @ bends.T, bends @ change, rcond=1e-12)[0]
        return change - weight @ (np.diff(self.states, axis=0) + bends)


class SteadySolver:
    """Finds steady states of one model; keeps its work arrays between calls.

    Parameters
    ----------
    model : HeatModel
    boundaries : BoundaryTables    taken at ``time``
    time : float                   [s]
    """

    def __init__(self, model: HeatModel, boundaries: BoundaryTables, time: float = 0.0):
        self.model, self.boundaries, self.time = model, boundaries, time
        network = model.network
        self.links = model.new_links()
        self.factor, self.inverse = empty_factor(network, model.plan), np.zeros((model.lumps, model.lumps))
        self.exchange = None

    def _update(self, temperature, surface, joule, source, inverse_step, held=False) -> tuple[int, np.ndarray]:
        """One Newton step with frozen conductivities and a pseudo time step; (status, change). ``held`` keeps the last matrix.

        Status 0: done; 1: the cells lose no heat; 2: the conductors gain heat faster than they lose it.
        """
        model, network = self.model, self.model.network
        ones = np.ones(len(model.materials))
        zones, exchange, factor = network.zones, self.exchange, self.factor
        gain = joule * model.coefficient
        kernels.conductances(network, temperature, ones, self.links)
        if len(zones.cell):
            kernels.zone_exchange(network, self.links, temperature, exchange)
        kernels.border_flow(
            network, self.links, self.boundaries.at(self.time), 0, temperature, surface, factor.flow, factor.slope
        )
        heat = source.copy()
        metal = slice(model.cells, model.first_zone)
        heat[metal] += joule * (1 + model.coefficient * (temperature[metal] - 293.15))
        net = np.zeros(model.unknowns)
        kernels.net_heat(network, self.links, exchange, temperature, heat, factor.flow, net)
        net[model.first_zone : model.first_skin][zones.is_open] = 0.0
        status = 0
        if not held:
            kernels.heat_content(network, temperature, ones, np.empty(model.unknowns), factor.capacity)
            factor.capacity[:] *= inverse_step
            kernels.assemble(network, self.links, exchange, 1.0, factor)
            if not reduce_border(factor, network.covered_cell):
                status = 1
            elif not invert_corner(factor, gain, self.inverse):
                status = 2
        if status == 0:
            solve_bordered(factor, network.covered_cell, network.skin_conductor, zones.is_open, gain, self.inverse, net)
        return status, net

    def solve(
        self, currents: np.ndarray, guess: np.ndarray, ceiling: float = CEILING, near: bool = False
    ) -> Steady:
        """Steady state at circuit ``currents`` (n_circuits,) [A], starting from ``guess`` (unknowns,) [K].

        ``ceiling`` [K]: a path that rises past it is not followed further; only sections whose properties bend need it.
        ``near``: the guess is thought to lie a few kelvin away, so the first stride is as long as it likes.

        A linear section is decided by one factorisation: when the heat that conductors gain with temperature outruns what
        the section takes, the matrix is not positive definite and no steady state exists. Otherwise pseudo time steps of
        growing length follow the physical path until the state settles or passes ``CEILING``.
        """
        model = self.model
        joule = model.heat_at_20(currents)
        source = model.part_sources(self.time)
        temperature = np.array(guess, dtype=float)
        kernels.spread_conductors(model.network, temperature)
        model.hold_open_air(temperature, self.time)
        surface = temperature[model.network.face_cell].copy()
        self.exchange = model.new_exchange(temperature)
        linear = model.linear and self.boundaries.linear
        inverse_step = 0.0 if linear or near else 1e-3
        mixing, last, reached = _Mixing(), np.inf, np.inf  # reached: inverse step that the matrix was made with
        for _ in range(_MOST):
            held = inverse_step == 0.0 and reached == 0.0 and last < (np.inf if linear else _HELD)
            reached = inverse_step
            status, change = self._update(temperature, surface, joule, source, inverse_step, held)
            size = float(np.abs(change).max(initial=0.0)) if status == 0 else np.inf
            if status == 1 and inverse_step == 0.0:
                return Steady(False, "no edge takes heat away, so it rises for ever", temperature)
            if status != 0 and (linear or inverse_step > 1e3):
                return Steady(False, _RUNAWAY, temperature)
            if not linear and size > 2 * _STRIDE and inverse_step < 1.0 and not mixing.changes:
                inverse_step = max(4 * inverse_step, 1e-6)  # too long a stride for properties that change on the way
                continue
            if inverse_step == 0.0 and not linear:
                change = mixing.better(temperature, change, size > 2 * last)
            temperature += change
            kernels.spread_conductors(model.network, temperature)
            if not linear and temperature.max() > ceiling:
                return Steady(False, f"no steady state below {ceiling - 273.15:.0f} °C", temperature)
            settled = size < _SETTLED * max(1.0, float(np.abs(temperature).max()) * 1e-3)
            # the first stride solves a linear section; a later one that does not shrink the change is rounding
            if inverse_step == 0.0 and (settled or (linear and size > 0.1 * last)):
                return Steady(True, "", temperature)
            last = size
            # so close nothing stands between here and the state
            inverse_step = 0.0 if size < _CLOSE else inverse_step * float(np.clip(size / _STRIDE, 0.125, 2.0))
        return self._follow(currents, guess, ceiling)

    def _follow(self, currents: np.ndarray, guess: np.ndarray, ceiling: float) -> Steady:
        """Step in time until nothing moves; slower, but sure where properties bend too much for strides."""
        profiles = tuple(CurrentProfile.constant(current, _LONG) for current in currents)
        held = BoundaryTables(tuple(_held(boundary, self.time) for boundary in self.boundaries.boundaries))
        stepper = Stepper(self.model, Member(profiles, guess), _FOLLOW_TOLERANCE, held)
        marked = None
        for step in stepper.steps(_LONG):
            if step.after.max() > ceiling:
                return Steady(False, f"no steady state below {ceiling - 273.15:.0f} °C", step.after)
            if marked is None or step.end > 10 * marked[0]:
                if marked is not None and np.abs(step.after - marked[1]).max() < _FOLLOW_TOLERANCE:
                    break
                marked = (step.end, step.after)
        return Steady(True, "", step.after)


def _held(boundary, time: float):
    """The boundary as it is at ``time``."""
    names = ("temperature", "flux", "coefficient", "surroundings", "resistance")
    now = {name: getattr(boundary, name) for name in names}
    return replace(boundary, **{name: TimeTable.constant(t.at(time)) for name, t in now.items() if t is not None})


_RUNAWAY = "no steady state: resistance rises faster with temperature than the section can take the heat"

