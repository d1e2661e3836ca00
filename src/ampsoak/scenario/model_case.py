"""Models of what happens to the section: materials, currents, boundaries, start, limits, probes, settings."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ampsoak.scenario.model_base import (
    AirTemperature,
    Count,
    Current,
    Difference,
    Duration,
    Emissivity,
    Factor,
    HeatSourceTable,
    Keys,
    Name,
    Position,
    PositiveCurrent,
    Size,
    Temperature,
    Text,
    Time,
)
from ampsoak.scenario.model_section import Role
from ampsoak.scenario.quantities import DROPPABLE, Dimensional, Given, PairList, Pairs

# What each film correlation is written with, and what the case calls it. The correlations themselves are laws of the
# heat floor; only their names stand here, since this floor may not import that one.
CORRELATIONS = {
    "vertical_plate": {"height": "height"},
    "horizontal_cylinder": {"diameter": "diameter"},
    "thin_cylinder": {"diameter": "diameter"},
    "plate_facing_up": {"length": "length"},
    "plate_facing_down": {"length": "length"},
    "power_law": {"at_one_kelvin": "factor", "exponent": "exponent"},
}
Edge = Literal["left", "right", "bottom", "top"]


class LatentKeys(Keys):
    """Heat taken up between two temperatures."""

    start: Temperature
    stop: Temperature
    heat: Annotated[Given, Dimensional("heat_per_mass", above=0)]


class ReactionKeys(Keys):
    """A reaction that gives off (or, negative, takes up) heat and uses itself up."""

    name: Name
    heat: Annotated[Given, Dimensional("heat_per_mass")]
    pre_exponential: Annotated[Given, Dimensional("rate", above=0)]
    activation_energy: Annotated[Given, Dimensional("molar_energy", above=0)]
    order: Factor | None = None
    valid_from: Temperature
    valid_to: Temperature


class MaterialKeys(Keys):
    """[[material]]: a material of one's own, whole or as changes to one of the library."""

    name: Name
    based_on: Name | None = None
    family: Literal["metal", "polymer", "fibre", "foam", "wood", "board", "masonry", "air", "other"] | None = None
    description: Text | None = None
    conductivity: Annotated[Given, Dimensional("conductivity", above=0, table="temperature", laws=True)] | None = None
    density: Annotated[Given, Dimensional("density", above=0)] | None = None
    specific_heat: Annotated[Given, Dimensional("specific_heat", above=0, table="temperature", laws=True)] | None = None
    volumetric_heat_capacity: (
        Annotated[Given, Dimensional("volumetric_heat_capacity", above=0, table="temperature")] | None
    ) = None
    latent: list[Annotated[LatentKeys, DROPPABLE]] | None = None
    emissivity: Emissivity | None = None
    resistivity: Annotated[Given, Dimensional("resistivity", above=0)] | None = None
    temperature_coefficient: Annotated[Given, Dimensional("per_kelvin", at_least=0)] | None = None
    reaction: list[Annotated[ReactionKeys, DROPPABLE]] | None = None


class PartKeys(Keys):
    """[[part]]: start temperature or heat source of a part that a template or a cable makes."""

    name: Name
    start_temperature: Temperature | None = None
    heat_source: HeatSourceTable | None = None


class Ramp(Keys):
    """Current rising or falling evenly."""

    start: Current
    stop: Current
    duration: Duration


class Cycle(Keys):
    """On and off in turn."""

    on_current: Current
    on_time: Duration
    off_current: Current | None = None
    off_time: Duration
    count: Count


class CurrentLog(Keys):
    """Current against time from a CSV file beside the scenario."""

    file: Name
    time_column: Name
    current_column: Name
    time_unit: Name
    current_unit: Name
    between: Literal["hold", "linear"] | None = None
    gap: Literal["error", "hold", "zero"] | None = None
    maximum_gap: Duration | None = None


class CircuitKeys(Keys):
    """[[circuit]]: a current history; exactly one of current, steps, ramp, cycle and csv."""

    name: Name
    current: Current | None = None
    duration: Duration | None = None
    steps: Annotated[Pairs, PairList(Dimensional("current", at_least=0), Dimensional("time", above=0))] | None = None
    ramp: Annotated[Ramp, DROPPABLE] | None = None
    cycle: Annotated[Cycle, DROPPABLE] | None = None
    csv: Annotated[CurrentLog, DROPPABLE] | None = None


class Surroundings(Keys):
    """[surroundings]: the air round the section where nothing else is said."""

    air_temperature: AirTemperature


class BoundaryKeys(Keys):
    """[[boundary]]: what happens on a face of a template, or on an edge or a span of an edge."""

    face: Literal["inner", "outer"] | None = None
    edge: Edge | None = None
    start: Position | None = None
    stop: Position | None = None
    kind: Literal["film", "fixed", "flux", "adiabatic"]
    air_temperature: AirTemperature | None = None
    convection: Annotated[Given, Dimensional("film_coefficient", at_least=0, table="time")] | None = None
    correlation: Literal[tuple(CORRELATIONS)] | None = None
    height: Size | None = None
    length: Size | None = None
    diameter: Size | None = None
    at_one_kelvin: Annotated[Given, Dimensional("film_coefficient", above=0)] | None = None
    exponent: Annotated[Given, Dimensional("number", at_least=0, at_most=1)] | None = None
    emissivity: Emissivity | None = None
    radiant_temperature: AirTemperature | None = None
    surface_resistance: Annotated[Given, Dimensional("surface_resistance", at_least=0, table="time")] | None = None
    surface_temperature: AirTemperature | None = None
    heat_flux: Annotated[Given, Dimensional("heat_flux", table="time")] | None = None


class StartKeys(Keys):
    """[start]: cold at a temperature, or soaked (steady) at a current of each circuit."""

    temperature: Temperature | None = None
    soaked_at: dict[str, Current] | None = None


class LimitKeys(Keys):
    """[[limit]]: a temperature, and where it holds (parts, or all parts of a role; else all conductors)."""

    name: Name
    temperature: Temperature
    parts: Annotated[list[Name], Field(min_length=1)] | None = None
    role: Role | None = None
    source: Text | None = None
    damage: bool | None = None


class Point(Keys):
    """A place in the section."""

    x: Position
    y: Position


class ProbeKeys(Keys):
    """[[probe]]: exactly one of point, mean, maximum (of a part) and edge_heat_flow (of an edge or face)."""

    name: Name
    point: Annotated[Point, DROPPABLE] | None = None
    mean: Name | None = None
    maximum: Name | None = None
    edge_heat_flow: Literal["left", "right", "bottom", "top"] | None = None


class CurveKeys(Keys):
    """[curve]: time to each limit at constant currents of one circuit."""

    circuit: Name | None = None
    lowest: PositiveCurrent | None = None
    highest: PositiveCurrent | None = None
    count: Annotated[int, Field(ge=2, le=500)] | None = None
    horizon: Duration | None = None
    tolerance: Difference | None = None
    start_temperature: Temperature | None = None
    soaked_at: dict[str, Current] | None = None


class RunKeys(Keys):
    """[run]: how the history is stepped and what is kept."""

    duration: Duration | None = None
    tolerance: Difference | None = None
    snapshots: list[Time] | None = None
    reactions: bool | None = None


class MeshKeys(Keys):
    """[mesh]: cell sizes; what is not given is chosen automatically."""

    finest: Size | None = None
    growth: Annotated[Given, Dimensional("number", above=1, at_most=3)] | None = None
    coarsest: Size | None = None
