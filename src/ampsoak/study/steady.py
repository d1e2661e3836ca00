"""What a constant current tends to, as a record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.steady import SteadySolver
from ampsoak.heat.stepping import start_state
from ampsoak.heat.watch import PartReader
from ampsoak.scenario.case import Scenario
from ampsoak.study.model import model_of


@dataclass(frozen=True)
class SteadyState:
    """A steady state, or the reason why there is none.

    Parameters
    ----------
    exists : bool
    reason : str                                       "" or why there is no steady state
    conductor_temperature : (n_conductors,) float64    [K]; nan where there is none
    part_maximum : (n_parts,) float64                  [K]; nan where there is none
    temperature : (ny, nx) float64                     [K]; nan where there is none
    x_edges, y_edges : (nx + 1,), (ny + 1,) float64    cell borders [m]
    """

    exists: bool
    reason: str
    conductor_temperature: np.ndarray
    part_maximum: np.ndarray
    temperature: np.ndarray
    x_edges: np.ndarray
    y_edges: np.ndarray


def steady(scenario: Scenario, currents=None) -> SteadyState:
    """Find the steady state at constant currents, or say that there is none.

    Parameters
    ----------
    scenario : Scenario
    currents : (n_circuits,) floats or None    circuit currents [A]; None takes each profile's last current

    Returns
    -------
    SteadyState    without the heat of reactions, also where the scenario lets them run; with ``exists`` False where resistance outruns cooling (runaway) or no edge takes heat away

    Source
    ------
    Balance of Joule heat R(T) and conduction; criterion: definiteness of the linearised balance (heat/steady.py)
    """
    model = model_of(scenario)
    if currents is None:
        currents = [circuit.profile.stop[-1] for circuit in scenario.circuits]
    found = SteadySolver(model, BoundaryTables(scenario.boundaries)).solve(
        np.asarray(currents, dtype=float), start_state(model, scenario.start.temperature)
    )
    state = found.temperature if found.exists else np.full(model.unknowns, np.nan)
    return SteadyState(
        exists=found.exists,
        reason=found.reason,
        conductor_temperature=state[model.conductor_unknown].copy(),
        part_maximum=PartReader(model).maximum(state),
        temperature=model.field(state),
        x_edges=model.section.x_lines,
        y_edges=model.section.y_lines,
    )
