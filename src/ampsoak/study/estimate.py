"""What a scenario will cost, before it is run."""

from __future__ import annotations

import numpy as np

from ampsoak.runfile.records import SectionRecord
from ampsoak.scenario.case import Scenario
from ampsoak.section.build import Section, build_section
from ampsoak.study.model import record_of_section

# Rates measured on two cores of a 2020s server with the shipped scenarios; they only serve to tell seconds from hours. Members of
# a limit curve share factorised matrices, which open air leaves less of.
_SECONDS_PER_FLOP = 5e-10
_MEMBER_SECONDS_PER_FLOP, _MEMBER_SECONDS_PER_FLOP_OPEN_AIR = 2e-10, 1.3e-9
_STEPS_OF_A_RUN, _STEPS_PER_JUMP = 20, 2
_MEMBER_STEPS = 20
_BESIDE_KNEE = 4


def section_record(scenario: Scenario) -> SectionRecord:
    """Mesh the scenario and return what a preview figure needs."""
    return record_of_section(build_section(scenario))


def _factorisation_flops(section: Section) -> float:
    nx, ny = section.shape
    return float(nx * ny) * (min(nx, ny) + 2.0) ** 2


def estimate(scenario: Scenario) -> dict:
    """Cells, part areas and expected cost of a scenario.

    Parameters
    ----------
    scenario : Scenario

    Returns
    -------
    dict    cells, grid (nx, ny), unknowns, finest_cell [m], part_areas {name: (exact, mesh)} [m²], expected_seconds_run,
            expected_seconds_curve, expected_memory_bytes, expected_file_bytes, warnings (list of str)

    Raises
    ------
    NumericalError    as ``build_section``
    """
    section = build_section(scenario)
    nx, ny = section.shape
    jumps = sum(len(circuit.profile.start) for circuit in scenario.circuits)
    steps = _STEPS_OF_A_RUN + _STEPS_PER_JUMP * jumps
    open_air = any(part.air is not None for part in scenario.parts)
    flops = _factorisation_flops(section)
    members = 0
    if scenario.curve is not None:
        members = scenario.curve.count + _BESIDE_KNEE * len(scenario.limits)
    names = [part.name for part in scenario.parts]
    snapshots = len(scenario.run.snapshot_times)
    warnings = [
        f"{name}: the mesh holds {1e6 * mesh:.4g} mm² of {1e6 * exact:.4g} mm²"
        for name, exact, mesh in zip(names, section.part_area_exact, section.part_area_mesh, strict=True)
        if exact > 0 and abs(mesh / exact - 1) > 0.01
    ]
    warnings += [
        f"{name}: nothing of it is visible; later shapes cover it"
        for name, exact in zip(names, section.part_area_exact, strict=True)
        if exact <= 0
    ]
    return {
        "cells": nx * ny,
        "grid": (nx, ny),
        "unknowns": nx * ny + len(scenario.conductors),
        "finest_cell": float(min(np.diff(section.x_lines).min(), np.diff(section.y_lines).min())),
        "part_areas": {
            name: (float(exact), float(mesh))
            for name, exact, mesh in zip(names, section.part_area_exact, section.part_area_mesh, strict=True)
        },
        "expected_seconds_run": steps * flops * _SECONDS_PER_FLOP,
        "expected_seconds_curve": members * _MEMBER_STEPS * flops
        * (_MEMBER_SECONDS_PER_FLOP_OPEN_AIR if open_air else _MEMBER_SECONDS_PER_FLOP),
        "expected_memory_bytes": int(1.5e8 + nx * ny * (min(nx, ny) + 40) * 8 * 4),
        "expected_file_bytes": int(2e5 + snapshots * nx * ny * 3 + steps * 8 * (len(names) * 2 + 20)),
        "warnings": warnings,
    }
