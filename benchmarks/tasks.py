"""What each solver does for each row of the side-by-side table.

A task has ``run()``, which is timed as a whole, and ``assess(outcome)``, which is not and tells sizes, steps and errors.
Everything heavy is imported by the task that needs it, so that a missing package leaves out its own rows only.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

MEMBERS, QUICK_MEMBERS = 8, 2
SPREAD = 0.15  # standard deviation of the logarithm of each property of each member
MESHES = {  # finest [m], growth, coarsest [m] of P4's mesh
    "5k": (0.0, 0.0, 0.0),
    "10k": (0.0, 1.15, 4e-3),
    "20k": (0.2e-3, 1.1, 3e-3),
    "50k": (0.2e-3, 1.05, 1.4e-3),
    "100k": (0.2e-3, 1.05, 0.8e-3),
    "200k": (0.2e-3, 1.05, 0.5e-3),
}
MESH_STEPS = 6


@dataclass
class Task:
    """One solver on one row."""

    run: Callable[[], object]
    assess: Callable[[object], dict]


def member_scales(count: int) -> list[tuple[dict, dict]]:
    """Factors on conductivity and heat capacity by material, alike for every solver; the first member is P4 itself."""
    from solvers.problems import SCALED

    random = np.random.default_rng(4)
    members = [({name: 1.0 for name in SCALED}, {name: 1.0 for name in SCALED})]
    for _ in range(count - 1):
        factors = np.exp(SPREAD * random.standard_normal((2, len(SCALED))))
        members.append(tuple(dict(zip(SCALED, map(float, row), strict=True)) for row in factors))
    return members


# -- one history -------------------------------------------------------------------------------------------------------


def ampsoak_history(problem: str) -> Task:
    """From the scenario object to the last state."""
    from errors import SteppedHistory, history_errors
    from solvers import ampsoak_side
    from solvers.problems import PROBLEMS

    scenario = ampsoak_side.reference_problem(problem)

    def assess(outcome):
        stepper, steps = outcome
        model = stepper.model
        found = history_errors(problem, SteppedHistory(steps), PROBLEMS[problem].stages)
        return found | {
            "cells": int(np.prod(model.section.cell_area.shape[:2])),
            "unknowns": model.unknowns,
            "steps": stepper.accepted,
        }

    return Task(lambda: ampsoak_side.history(scenario), assess)


def _marched(problem: str, build, march) -> Task:
    from errors import SplinedHistory, history_errors
    from solvers.problems import PROBLEMS

    given = PROBLEMS[problem]

    def run():
        system = build(given)
        return len(system.cold), *march(system, given)

    def assess(outcome):
        unknowns, times, values = outcome
        found = history_errors(problem, SplinedHistory(times, values, given.stages), given.stages)
        return found | {"cells": None, "unknowns": unknowns, "steps": len(times) - 1}

    return Task(run, assess)


def held_history(problem: str, library: str) -> Task:
    """P1-P3 with factors held."""
    from solvers import held_factors

    if library == "ngsolve":
        import ngsolve  # noqa: F401
        from solvers.ngsolve_linear import ngsolve_system as build
    else:
        import gmsh  # noqa: F401
        import meshio  # noqa: F401
        import skfem  # noqa: F401
        from solvers.skfem_linear import skfem_system as build
    return _marched(problem, build, held_factors.march)


def frozen_history(library: str) -> Task:
    """P4 with coefficients frozen step by step."""
    from solvers import frozen_coefficients

    if library == "ngsolve":
        import ngsolve  # noqa: F401
        from solvers.ngsolve_nonlinear import HISTORY_RULE
        from solvers.ngsolve_nonlinear import NgsolveNonlinear as Section
    else:
        import cvxopt  # noqa: F401
        from solvers.finite_volumes import HISTORY_RULE
        from solvers.finite_volumes import FiniteVolumes as Section
    return _marched(
        "P4",
        lambda problem: Section(),
        lambda system, problem: frozen_coefficients.march(system, problem.loads, HISTORY_RULE),
    )


# -- limit curve -------------------------------------------------------------------------------------------------------


def ampsoak_curve(problem: str, workers: int) -> Task:
    """The public ``limit_curve`` at the 24 currents."""
    from errors import curve_errors
    from solvers import ampsoak_side

    scenario = ampsoak_side.curve_scenario(problem)

    def assess(found):
        reached, final, steps = ampsoak_side.curve_times(found)
        cells = (len(found.section.x_edges) - 1) * (len(found.section.y_edges) - 1)
        sizes = {"cells": cells, "unknowns": found.statistics["unknowns"], "steps": steps}
        return curve_errors(problem, reached, final) | sizes

    return Task(lambda: ampsoak_side.curve(scenario, workers), assess)


def held_curve() -> Task:
    """P1's curve, all currents side by side."""
    import ngsolve  # noqa: F401
    from errors import curve_errors
    from solvers import held_factors
    from solvers.ngsolve_linear import ngsolve_system
    from solvers.problems import LIMITS, PROBLEMS

    def run():
        system = ngsolve_system(PROBLEMS["P1"])
        return len(system.cold), *held_factors.limit_curve(system)

    def assess(outcome):
        unknowns, reached, final, steps = outcome
        return curve_errors("P1", {LIMITS[-1]: reached}, final) | {"cells": None, "unknowns": unknowns, "steps": steps}

    return Task(run, assess)


def _times_and_final(marches) -> tuple[np.ndarray, np.ndarray, int]:
    """Times (currents, limits) [s], conductor at the horizon (currents,) [°C], steps."""
    from errors import SplinedHistory
    from solvers.problems import LIMITS

    histories = [SplinedHistory(times, values, [(0.0, times[-1])]) for times, values in marches]
    reached = np.array([[history.first_above(limit) for limit in LIMITS] for history in histories])
    final = np.array([values[-1] for _, values in marches])
    return reached, final, sum(len(times) - 1 for times, _ in marches)


def frozen_curve() -> Task:
    """P4's curve, one current after another on one mesh and one symbolic factorisation."""
    import ngsolve  # noqa: F401
    from errors import curve_errors
    from solvers import frozen_coefficients
    from solvers.ngsolve_nonlinear import CURVE_RULE, NgsolveNonlinear
    from solvers.problems import LIMITS

    def run():
        section = NgsolveNonlinear()
        return section.unknowns, frozen_coefficients.limit_curve(section, CURVE_RULE)

    def assess(outcome):
        unknowns, marches = outcome
        reached, final, steps = _times_and_final(marches)
        errors = curve_errors("P4", dict(zip(LIMITS, reached.T, strict=True)), final)
        return errors | {"cells": None, "unknowns": unknowns, "steps": steps}

    return Task(run, assess)


# -- ensemble ----------------------------------------------------------------------------------------------------------


def _ensemble_sizes(times: np.ndarray, unknowns: int, steps: int, cells) -> dict:
    return {"cells": cells, "unknowns": unknowns, "steps": steps, "members": len(times), "member_times": times.tolist()}


def ampsoak_members(count: int, workers: int) -> Task:
    """Members with their own properties at 24 currents each."""
    from solvers import ampsoak_side

    def run():
        ensemble = ampsoak_side.Ensemble(member_scales(count))
        return ensemble, *ensemble.run(workers)

    def assess(outcome):
        ensemble, times, steps = outcome
        return _ensemble_sizes(
            times, ensemble.model.unknowns, steps, int(np.prod(ensemble.model.section.cell_area.shape[:2]))
        )

    return Task(run, assess)


def frozen_members(count: int) -> Task:
    """The same members one after another; mesh, spaces, patterns and symbolic factors are shared."""
    import ngsolve  # noqa: F401
    from solvers import frozen_coefficients
    from solvers.ngsolve_nonlinear import CURVE_RULE, NgsolveNonlinear

    def run():
        section, found = NgsolveNonlinear(), []
        for conductivity, capacity in member_scales(count):
            section.scale(conductivity, capacity)
            found.append(_times_and_final(frozen_coefficients.limit_curve(section, CURVE_RULE)))
        return section.unknowns, np.array([times for times, _, _ in found]), sum(steps for _, _, steps in found)

    def assess(outcome):
        unknowns, times, steps = outcome
        return _ensemble_sizes(times, unknowns, steps, None)

    return Task(run, assess)


# -- cost per cell -----------------------------------------------------------------------------------------------------


def ampsoak_mesh(size: str, threads: int) -> Task:
    """The first steps of P4 on a mesh of another size; ``stepping`` is the time without meshing and model."""
    from solvers import ampsoak_side

    scenario = ampsoak_side.mesh_scenario(MESHES[size])

    def run():
        stepper = ampsoak_side.stepper_of(scenario, threads)
        begun = time.perf_counter()
        for _ in stepper.steps(scenario.run.duration):
            if stepper.accepted == MESH_STEPS:
                break
        return stepper, time.perf_counter() - begun

    def assess(outcome):
        stepper, stepping = outcome
        cells = int(np.prod(stepper.model.section.cell_area.shape[:2]))
        tried = stepper.accepted + stepper.rejected
        per_cell_step = 1e9 * stepping / tried / stepper.model.unknowns
        sizes = {"cells": cells, "unknowns": stepper.model.unknowns, "steps": tried}
        return sizes | {"stepping_seconds": stepping, "nanoseconds_per_unknown_and_step": per_cell_step}

    return Task(run, assess)


# -- by name -----------------------------------------------------------------------------------------------------------


def make(name: str, quick: bool) -> Task:
    """The task of a name such as "ampsoak history P1".

    Raises
    ------
    ModuleNotFoundError     the solver's library is not installed
    """
    who, what, *rest = name.split()
    count = QUICK_MEMBERS if quick else MEMBERS
    makers = {
        ("ampsoak", "history"): lambda: ampsoak_history(*rest),
        ("ampsoak", "curve"): lambda: ampsoak_curve(rest[0], int(rest[1])),
        ("ampsoak", "members"): lambda: ampsoak_members(count, int(rest[0])),
        ("ampsoak", "mesh"): lambda: ampsoak_mesh(rest[0], int(rest[1])),
        ("ngsolve", "history"): lambda: (
            frozen_history("ngsolve") if rest == ["P4"] else held_history(rest[0], "ngsolve")
        ),
        ("ngsolve", "curve"): lambda: frozen_curve() if rest == ["P4"] else held_curve(),
        ("ngsolve", "members"): lambda: frozen_members(count),
        ("skfem", "history"): lambda: held_history(rest[0], "skfem"),
        ("cvxopt", "history"): lambda: frozen_history("cvxopt"),
    }
    return makers[who, what]()
