"""Models of what the section shows: a template or a free drawing; and its conduits and cables."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ampsoak.scenario.model_base import (
    AdiabaticConstant,
    AirTemperature,
    Angle,
    Factor,
    HeatSourceTable,
    Keys,
    Layer,
    Layers,
    Name,
    Position,
    ResistancePerLength,
    Size,
    Temperature,
    Text,
    WireArea,
    WireDiameter,
)
from ampsoak.scenario.quantities import DROPPABLE, Dimensional, Given, PairList, Pairs

PLACES = Literal["centred", "touching_inner", "touching_outer", "on_board", "resting"]
Role = Literal["conductor", "insulation", "jacket", "filler", "fill", "board", "framing", "air", "other"]


class Upright(Keys):
    """Which way is down in open air, and how high it reaches where that is along the cable."""

    gravity: Literal["down", "left", "along"] | None = None
    height: Size | None = None


class FilmLaw(Upright):
    """Open air with a choice of the film law of cables."""

    law: Literal["natural", "iec_60287"] | None = None
    constants: Annotated[list[Annotated[Given, Dimensional("number", at_least=0)]], Field(min_length=3, max_length=3)] | None = None


class AirKeys(FilmLaw):
    """air = { .. }: the drawn part is open air, at a given temperature or floating."""

    temperature: AirTemperature | None = None


class StudBay(Keys):
    """[stud_bay]: one bay of a framed wall."""

    plane: Literal["across_studs", "between_studs"]
    depth: Size
    stud_spacing: Size | None = None
    stud_width: Size | None = None
    stud_material: Name | None = None
    extent: Size | None = None
    fill: Name
    fill_depth: Size | None = None
    fill_against: Literal["inner", "outer"] | None = None
    rest: Name | None = None
    height: Size | None = None
    inner_lining: Layers = Field(default_factory=list)
    outer_lining: Layers = Field(default_factory=list)


class Ceiling(Keys):
    """[ceiling]: joist space with a board below and fill on it, open to the loft above."""

    plane: Literal["across_joists", "between_joists"]
    joist_spacing: Size | None = None
    joist_width: Size | None = None
    joist_depth: Size | None = None
    joist_material: Name | None = None
    extent: Size | None = None
    lining: Layers
    fill: Name
    fill_thickness: Size


class Clipped(Upright):
    """[clipped]: a cable on a board in open air, or under a layer of the material that ``air`` names."""

    board: Annotated[Layer, DROPPABLE]
    air: Name | None = None
    air_layer: Size | None = None
    extent: Size | None = None


class FreeAir(FilmLaw):
    """[free_air]: a cable hung in the open air of a room."""

    extent: Size | None = None


class BoredHole(Keys):
    """[bored_hole]: a hole bored through a framing member, cut across the cable in it."""

    member: Literal["stud", "joist", "plate"]
    material: Name
    depth: Size
    extent: Size | None = None
    hole_diameter: Size
    hole_from_inner: Size | None = None
    filling: Name
    inner_lining: Layers = Field(default_factory=list)
    outer_lining: Layers = Field(default_factory=list)


class ConduitKeys(Keys):
    """[[conduit]]: a round tube in the section that holds cables."""

    name: Name
    material: Name
    outer_diameter: Size
    wall_thickness: Size
    filling: Name | None = None
    place: PLACES | None = None
    x: Position | None = None
    y: Position | None = None


class ContactKeys(Keys):
    """[[contact]]: resistance to heat where two parts meet."""

    between: Annotated[list[Name], Field(min_length=2, max_length=2)]
    resistance: Annotated[Given, Dimensional("surface_resistance", above=0)]


class RectangleKeys(Keys):
    """Axis-parallel rectangle."""

    left: Position
    bottom: Position
    right: Position
    top: Position


class CircleKeys(Keys):
    """Circle; exactly one of diameter and radius."""

    x: Position
    y: Position
    diameter: WireDiameter | None = None
    radius: Size | None = None


class StadiumKeys(Keys):
    """Rectangle with round short ends."""

    x: Position
    y: Position
    width: Size
    height: Size
    angle: Angle | None = None


class ShapeKeys(Keys):
    """Exactly one shape."""

    rectangle: Annotated[RectangleKeys, DROPPABLE] | None = None
    circle: Annotated[CircleKeys, DROPPABLE] | None = None
    stadium: Annotated[StadiumKeys, DROPPABLE] | None = None
    polygon: Annotated[Pairs, PairList("length", "length", at_least=3)] | None = None


class DrawnPart(Keys):
    """[[drawing.part]]: a named region of one material."""

    name: Name
    material: Name
    role: Role = "other"
    start_temperature: Temperature | None = None
    heat_source: HeatSourceTable | None = None
    air: Annotated[AirKeys, DROPPABLE] | None = None


class DrawnShape(ShapeKeys):
    """[[drawing.shape]]: one stroke of the painting order."""

    part: Name


class DrawnConductor(ShapeKeys):
    """[[drawing.conductor]]: an isothermal conductor, painted after all shapes and cables."""

    name: Name
    material: Name = "copper"
    size: WireArea | None = None
    resistance: ResistancePerLength | None = None
    area: WireArea | None = None
    circuit: Name | None = None
    factor: Factor | None = None
    start_temperature: Temperature | None = None


class Drawing(Keys):
    """[drawing]: a free drawing."""

    width: Size
    height: Size
    background: Name
    background_role: Role = "other"
    background_air: Annotated[AirKeys, DROPPABLE] | None = None
    represents: Text = ""
    part: list[Annotated[DrawnPart, DROPPABLE]] = Field(default_factory=list)
    shape: list[Annotated[DrawnShape, DROPPABLE]] = Field(default_factory=list)
    conductor: list[Annotated[DrawnConductor, DROPPABLE]] = Field(default_factory=list)


class CoreKeys(Keys):
    """[[cable.layers.core]]: one conductor with its insulation, in order across the cable."""

    name: Name
    metal: Name = "copper"
    size: WireArea | None = None
    resistance: ResistancePerLength | None = None
    area: WireArea | None = None
    diameter: WireDiameter | None = None
    insulation: Layers = Field(default_factory=list)
    loaded: bool | None = None


class CableLayers(Keys):
    """[cable.layers]: a cable of one's own."""

    form: Literal["flat", "single", "round"]
    core: Annotated[list[Annotated[CoreKeys, DROPPABLE]], Field(min_length=1, max_length=60)]
    core_spacing: Size | None = None
    overall_width: Size | None = None
    overall_height: Size | None = None
    jacket_thickness: Size | None = None
    jacket_material: Name | None = None
    filler_material: Name | None = None
    continuous_limit: Temperature | None = None
    adiabatic_constant: AdiabaticConstant | None = None


class CoreLoad(Keys):
    """[[cable.load]]: which circuit loads one core, when the cable does not carry one circuit out and back."""

    core: Name
    circuit: Name | None = None
    factor: Factor | None = None


class CableKeys(Keys):
    """[[cable]]: a cable of the library (``type``) or of one's own (``layers``), and where it lies."""

    name: Name
    type: Name | None = None
    layers: Annotated[CableLayers, DROPPABLE] | None = None
    circuit: Name | None = None
    load: list[Annotated[CoreLoad, DROPPABLE]] = Field(default_factory=list)
    count: Annotated[int, Field(ge=1, le=60)] | None = None
    arrangement: Literal["row", "stack", "packed"] | None = None
    spacing: Annotated[Given, Dimensional("length", at_least=0)] | None = None
    inside: Name | None = None
    place: PLACES | None = None
    x: Position | None = None
    y: Position | None = None
    rotation: Angle | None = None
