"""Bases of the scenario models: strict tables and the field types they share."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from ampsoak.scenario.quantities import DROPPABLE, Dimensional, Given

ROLES = ("conductor", "insulation", "jacket", "filler", "fill", "board", "framing", "air", "other")


class Keys(BaseModel):
    """A table of the scenario file: no unknown keys, nothing converted from another type."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)


Name = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^\S(.*\S)?$")]
Text = Annotated[str, Field(max_length=20_000)]
Count = Annotated[int, Field(ge=1, le=100_000)]

Size = Annotated[Given, Dimensional("length", above=0)]
Position = Annotated[Given, Dimensional("length")]
Angle = Annotated[Given, Dimensional("angle")]
Temperature = Annotated[Given, Dimensional("temperature")]
Difference = Annotated[Given, Dimensional("temperature_difference", above=0)]
Time = Annotated[Given, Dimensional("time", at_least=0)]
Duration = Annotated[Given, Dimensional("time", above=0)]
Current = Annotated[Given, Dimensional("current", at_least=0)]
PositiveCurrent = Annotated[Given, Dimensional("current", above=0)]
WireArea = Annotated[Given, Dimensional("area", above=0)]
WireDiameter = Annotated[Given, Dimensional("wire_diameter", above=0)]
ResistancePerLength = Annotated[Given, Dimensional("resistance_per_length", above=0)]
AdiabaticConstant = Annotated[Given, Dimensional("adiabatic_constant", above=0)]
Factor = Annotated[Given, Dimensional("number", at_least=0)]
Emissivity = Annotated[Given, Dimensional("number", at_least=0, at_most=1)]
AirTemperature = Annotated[Given, Dimensional("temperature", table="time")]


class Layer(Keys):
    """One layer of a lining or of an insulation."""

    material: Name
    thickness: Size


class HeatSourceKeys(Keys):
    """Heat put into a part; exactly one of the two, each constant or a table in time."""

    per_volume: Annotated[Given, Dimensional("heat_per_volume", table="time")] | None = None
    per_length: Annotated[Given, Dimensional("heat_per_length", table="time")] | None = None


Layers = list[Annotated[Layer, DROPPABLE]]
HeatSourceTable = Annotated[HeatSourceKeys, DROPPABLE]
