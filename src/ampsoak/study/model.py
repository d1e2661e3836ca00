"""From a scenario to a model ready to step, and the records that describe it."""

from __future__ import annotations

import numpy as np

from ampsoak.base.compile_cache import compile_aside
from ampsoak.base.errors import NumericalError
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.fold import folded
from ampsoak.heat.network import HeatModel, build_model
from ampsoak.heat.steady import SteadySolver
from ampsoak.heat.stepping import start_state
from ampsoak.runfile.provenance import collect
from ampsoak.runfile.records import SectionRecord
from ampsoak.scenario.case import CHEMICAL_HEAT, Limit, Scenario, Start
from ampsoak.section.build import Section, build_section


def model_of(scenario: Scenario) -> HeatModel:
    """Mesh the scenario and build its heat model, cut at its mirrors."""
    compile_aside()
    return folded(build_model(build_section(scenario)))


def record_of_section(section: Section) -> SectionRecord:
    """What figures need of a section."""
    scenario = section.scenario
    return SectionRecord(
        x_edges=section.x_lines,
        y_edges=section.y_lines,
        part_index=section.cell_area.argmax(axis=-1).T.astype(np.int16),
        part_names=[part.name for part in scenario.parts],
        part_roles=[part.role for part in scenario.parts],
        part_materials=[part.material.name for part in scenario.parts],
        outlines=[(scenario.parts[paint.part].name, paint.shape.outline()) for paint in scenario.paints],
        part_area_exact=section.part_area_exact,
        part_area_mesh=section.part_area_mesh,
    )


def limit_records(limits: tuple[Limit, ...], scenario: Scenario) -> list[dict]:
    """Limits as the run file keeps them."""
    return [
        {
            "name": limit.name,
            "temperature": limit.temperature,
            "parts": [scenario.parts[part].name for part in limit.parts],
            "source": limit.source,
            "damage": limit.damage,
        }
        for limit in limits
    ]


def initial_state(model: HeatModel, start: Start, boundaries: BoundaryTables) -> np.ndarray:
    """State before the profile begins, (unknowns,) [K].

    Raises
    ------
    NumericalError    a soaked start was asked for at currents that have no steady state
    """
    cold = start_state(model, start.temperature)
    if start.kind == "cold":
        return cold
    steady = SteadySolver(model, boundaries).solve(np.asarray(start.currents, dtype=float), cold)
    if not steady.exists:
        carried = ", ".join(f"{current:g} A" for current in start.currents)
        raise NumericalError(f"the soaked start at {carried} cannot be found: {steady.reason}")
    return steady.temperature


def start_words(start: Start) -> str:
    """Words for captions: "cold at 25 °C" or "soaked at 16 A"."""
    if start.kind == "cold":
        return f"cold at {start.temperature - 273.15:.0f} °C"
    return "soaked at " + ", ".join(f"{current:g} A" for current in start.currents)


def provenance_of(scenario: Scenario) -> dict:
    """Provenance with the scenario text and every file it names as inputs."""
    return collect({scenario.source_file or "scenario": scenario.source_text, **dict(scenario.inputs)})


def resolved_of(scenario: Scenario) -> dict:
    """Resolved values for a record; with reactions on also what must be said of them, and the span of each [K]."""
    if not scenario.run.reactions:
        return scenario.resolved
    spans = {
        f"{part.name}: {reaction.name}": {"value": [reaction.valid_from, reaction.valid_to], "unit": "K"}
        for part in scenario.parts
        for reaction in part.material.reactions
    }
    return scenario.resolved | {"chemical_heat": {"note": CHEMICAL_HEAT, "valid": spans}}


def rough_notes(scenario: Scenario) -> tuple[str, ...]:
    """Notes that belong to any answer with reactions on; none where they are off."""
    return (CHEMICAL_HEAT,) if scenario.run.reactions else ()
