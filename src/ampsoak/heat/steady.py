"""Steady states: what a constant current tends to, or the plain statement that there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.heat import kernels
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel

CEILING = 1300.0  # [K] short of the melting point of copper; hotter than this nothing in a section still stands
_MOST = 400
_SETTLED = 1e-8  # [K] last change


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
        network, n, cells = model.network, model.unknowns, model.cells
        conductors, faces = n - cells, len(network.face_cell)
        self.links = model.new_links()
        self.band = np.zeros((cells, int(network.shape[6]) + 1))
        self.border, self.reduced = np.zeros((conductors, cells)), np.zeros((conductors, cells))
        self.inverse = np.zeros((conductors, conductors))
        self.flow, self.slope = np.zeros(faces), np.zeros(faces)
        self.content, self.capacity = np.zeros(n), np.zeros(n)

    def _update(self, temperature, surface, joule, source, inverse_step) -> tuple[int, np.ndarray]:
        """One Newton step with frozen conductivities and a pseudo time step; (status, change)."""
        model, network = self.model, self.model.network
        ones = np.ones(len(model.materials))
        kernels.conductances(network, temperature, ones, self.links)
        kernels.border_flow(
            network, self.links, self.boundaries.at(self.time), temperature, surface, self.flow, self.slope
        )
        heat = source.copy()
        heat[model.cells :] += joule * (1 + model.temperature_coefficient * (temperature[model.cells :] - 293.15))
        net = np.zeros(model.unknowns)
        kernels.net_heat(network, self.links, temperature, heat, self.flow, net)
        kernels.heat_content(network, temperature, ones, self.content, self.capacity)
        corner = np.zeros(len(joule))
        kernels.assemble(
            network, self.links, self.capacity * inverse_step, self.slope, joule * model.temperature_coefficient,
            1.0, self.band, self.border, corner,
        )  # fmt: skip
        status = kernels.factorise_bordered(self.band, self.border, corner, self.reduced, self.inverse)
        if status == 0:
            kernels.solve_bordered(network, self.band, self.border, self.reduced, self.inverse, net)
        return status, net

    def solve(self, currents: np.ndarray, guess: np.ndarray) -> Steady:
        """Steady state at circuit ``currents`` (n_circuits,) [A], starting from ``guess`` (unknowns,) [K].

        A linear section is decided by one factorisation: when the heat that conductors gain with temperature outruns what
        the section takes, the matrix is not positive definite and no steady state exists. Otherwise pseudo time steps of
        growing length follow the physical path until the state settles or passes ``CEILING``.
        """
        model = self.model
        joule = model.joule_at_20(currents)
        source = model.part_sources(self.time)
        temperature = np.array(guess, dtype=float)
        kernels.spread_conductors(model.network, temperature)
        surface = temperature[model.network.face_cell].copy()
        linear = model.linear and self.boundaries.linear
        inverse_step = 0.0 if linear else 1e-3
        last = np.inf
        for _ in range(_MOST):
            status, change = self._update(temperature, surface, joule, source, inverse_step)
            if status == 1 and inverse_step == 0.0:
                return Steady(False, "no edge takes heat away, so it rises for ever", temperature)
            if status != 0:
                if linear:
                    return Steady(False, _RUNAWAY, temperature)
                inverse_step = max(4 * inverse_step, 1e-6)
                if inverse_step > 1e3:
                    return Steady(False, _RUNAWAY, temperature)
                continue
            size = float(np.abs(change).max(initial=0.0))
            if not linear and size > 150.0 and inverse_step < 1.0:
                inverse_step = max(4 * inverse_step, 1e-6)  # too long a stride for properties that change on the way
                continue
            temperature += change
            kernels.spread_conductors(model.network, temperature)
            if not linear and temperature.max() > CEILING:
                return Steady(False, f"{_RUNAWAY}; passed {CEILING - 273.15:.0f} °C on the way", temperature)
            if size < _SETTLED * max(1.0, float(np.abs(temperature).max()) * 1e-3) and inverse_step == 0.0:
                return Steady(True, "", temperature)
            if not linear:
                inverse_step = inverse_step / 8 if size < 60.0 or size < last else inverse_step
                if inverse_step < 1e-9:
                    inverse_step = 0.0
            elif size < 1e-9 * float(np.abs(temperature).max()) or size >= last:
                return Steady(True, "", temperature)  # rounding: a linear section is solved by the first stride
            last = size
        return Steady(False, f"did not settle in {_MOST} strides (last change {size:.2g} K)", temperature)


_RUNAWAY = "no steady state: resistance rises faster with temperature than the section can take the heat"

