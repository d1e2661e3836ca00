"""ampsoak on the same problems through its public parts, with the tolerance a user gets who states none."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tests" / "verification"))

from reference_cases import CURRENTS, LIMITS, reference_problem

from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.stepping import Member, Stepper, run_members, start_state
from ampsoak.scenario.case import CurrentProfile, MeshSettings
from ampsoak.study.curve import limit_curve
from ampsoak.study.model import model_of

ZERO = 273.15
OFF_CENTRE = (0.13e-3, 0.08e-3)  # the cable moved this far leaves no mirror, so that every cell is solved


def stepper_of(scenario, threads: int = 1) -> Stepper:
    """From a scenario object to a stepper at its start."""
    model = model_of(scenario)
    profiles = tuple(circuit.profile for circuit in scenario.circuits)
    start = start_state(model, scenario.start.temperature)
    return Stepper(model, Member(profiles, start), scenario.run.tolerance, BoundaryTables(scenario.boundaries), threads=threads)


def _loaded_only(step, loaded):
    """A step that remembers the loaded conductors only."""
    names = ("before", "after", "rate_before", "rate_after")
    return replace(step, **{name: getattr(step, name)[loaded] for name in names})


def history(scenario) -> tuple[Stepper, list]:
    """Step to the end; the stepper and its steps at the loaded conductors."""
    stepper = stepper_of(scenario)
    loaded = stepper.model.conductor_unknown[:2]
    return stepper, [_loaded_only(step, loaded) for step in stepper.steps(scenario.run.duration)]


def curve_scenario(problem: str):
    """Scenario of a limit curve; the table of P1 holds its last limit only."""
    scenario = reference_problem(problem)
    return replace(scenario, limits=scenario.limits[-1:]) if problem == "P1" else scenario


def curve(scenario, workers: int):
    """Limit curve at the 24 currents."""
    return limit_curve(scenario, currents=CURRENTS, workers=workers)


def curve_times(found) -> tuple[dict[float, np.ndarray], np.ndarray, int]:
    """Times per limit (nan where not reached), conductor at the horizon [°C], steps."""
    times = {
        limit["temperature"] - ZERO: np.where(np.isfinite(row), row, np.nan)
        for limit, row in zip(found.limits, found.time_to_limit, strict=True)
    }
    return times, found.conductor_temperature[:2, :, -1].max(axis=0) - ZERO, found.statistics["steps"]


class Ensemble:
    """Members with their own properties, each at every current until the last limit or the horizon.

    Parameters
    ----------
    scales : list of (dict, dict)     factors on conductivity and on heat capacity, by material name
    """

    def __init__(self, scales):
        self.scenario = reference_problem("P4")
        self.model = model_of(self.scenario)
        self.boundaries = BoundaryTables(self.scenario.boundaries)
        self.start = start_state(self.model, self.scenario.start.temperature)
        names = [material.name for material in self.model.materials]
        self.scales = [tuple(np.array([by.get(name, 1.0) for name in names]) for by in pair) for pair in scales]

    def run(self, workers: int) -> tuple[np.ndarray, int]:
        """Times to the limits (members, currents, limits) [s], nan where not reached; steps."""
        count = len(CURRENTS)
        found = run_members(lambda n: self._one(n // count, CURRENTS[n % count]), len(self.scales) * count, workers)
        times = np.array([times for times, _ in found]).reshape(len(self.scales), count, len(LIMITS))
        return times, sum(steps for _, steps in found)

    def _one(self, member: int, current: float) -> tuple[np.ndarray, int]:
        horizon = self.scenario.curve.horizon
        conductivity, capacity = self.scales[member]
        entry = Member((CurrentProfile.constant(float(current), horizon),), self.start, conductivity, capacity)
        tolerance = self.scenario.curve.tolerance
        stepper = Stepper(self.model, entry, tolerance, self.boundaries)
        loaded = self.model.conductor_unknown[:2]
        times = np.full(len(LIMITS), np.nan)
        for step in stepper.steps(horizon):
            low, high = step.before[loaded].max() - ZERO, step.after[loaded].max() - ZERO
            for index, limit in enumerate(LIMITS):
                if low < limit <= high:
                    times[index] = brentq(
                        lambda t, step=step, limit=limit: step.at(t, loaded).max() - ZERO - limit, step.begin, step.end
                    )
            if high >= LIMITS[-1]:
                break
        return times, stepper.accepted


def mesh_scenario(settings: tuple[float, float, float]):
    """P4 on a mesh of own ``settings`` (finest, growth, coarsest), without a mirror."""
    return replace(reference_problem("P4", OFF_CENTRE), mesh=MeshSettings(*settings))
