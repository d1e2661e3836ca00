"""The scenario file: every key it may hold, and its JSON schema.

A scenario is TOML. Every dimensional value is text with its unit ("16 A", "89 mm", "3.5 in", "14 AWG", "75 degF"). A
temperature ("25 degC", "300 K") and a temperature difference ("5 K", "9 delta_degF") are different things. A value may
also be a table that says more about it; ``source`` and ``evidence`` are kept with the results::

    depth = { value = "89 mm", low = "88 mm", high = "90 mm", source = "measured on site", evidence = "photo 12" }

Where "in time" is written below, a list of pairs [["0 s", VALUE], ["1 h", VALUE]] may stand: linear between, held at
both ends. Where "in temperature", pairs [["20 degC", VALUE], ...] or a law { law = "fibre", density = "12 kg/m3" }.
The section spans 0..width in x (to the right) and 0..height in y (up). Files named are sought beside the scenario.
(*) marks what is required; what else is left out is taken by default and listed among the assumptions of the result.

::

    format = 1  (*)             title = ".."  (*)            description = ".."
    fault_current = ".."        prospective fault current

    exactly one of [stud_bay], [ceiling], [clipped], [free_air], [bored_hole], [drawing]

    [stud_bay]                  wall; y = 0 is the room ("inner") face, the other face is "outer"
    plane (*)                   "across_studs": horizontal cut, cable along the studs, half a stud on either side
                                "between_studs": vertical cut inside a bay, cable crossing it; x runs up the wall
    depth (*)                   between the linings
    stud_spacing, stud_width, stud_material       across_studs: all three required; spacing centre to centre
    extent                      between_studs: how much of the wall is shown along x
    fill (*)                    material; partly filled: fill_depth, fill_against ("inner" | "outer"), rest (material);
                                "open_air" as fill or rest leaves the bay, or the rest of it, open; "air_gap" makes it a
                                narrow gap of air, up to about 25 mm, that conducts and radiates
    height                      of the bay, with open air only: it mixes over it, and between_studs shows all of it
    inner_lining, outer_lining  lists of { material, thickness }, from the bay outwards
                                parts: fill, rest, studs, inner_lining, outer_lining (.._1, .._2 if several)

    [ceiling]                   y = 0 is the underside of the board (face "inner"), loft above ("outer")
    plane (*)                   "across_joists" or "between_joists" (then extent, and no joists)
    joist_spacing, joist_width, joist_depth, joist_material
    lining (*)                  list of { material, thickness }, from the joists downwards
    fill (*), fill_thickness (*)    measured from the board; joists higher than the fill are cut off at its top
                                parts: fill, joists, lining

    [clipped]                   board below, cable on it, open air of the surroundings above; face "inner" (back of the board)
    board (*)                   { material, thickness };  extent: width of the section
    gravity, height             see below: "left" for a cable that runs level along a wall (usual), "along" for one that
                                runs up it, "down" for one that lies on a board
    air, air_layer              another material instead of open air (then also a face "outer", the rim of that layer);
                                depth above the board
                                parts: air, board, and NAME.gap, the still air beside the contact of a cable

    [free_air]                  cable hung in open air of the surroundings
    gravity, height             "down" for a cable that runs level, "along" for one that hangs
    law, constants              see below;  extent: width and height of the section
                                parts: air

    [bored_hole]                framing member cut across a cable that runs through a hole in it; y = 0 is the room ("inner")
                                face, below a joist
    member (*)                  "stud": x runs up the wall; "joist"; "plate" (top or bottom plate, cable upright)
    material (*), depth (*)     of the member, depth from lining to lining;  extent: how much of it is shown along x
    hole_diameter (*)           hole_from_inner: its middle, from the inner side of the member (middle of the member)
    filling (*)                 what the cable leaves of the hole: "air_gap" (conducts and radiates), foam, sealant, ..
    inner_lining, outer_lining  as in [stud_bay];  parts: member, hole, inner_lining, outer_lining

    gravity                     of open air: "down", "left" (both in the section) or "along" (the cable); height: how high
                                surfaces are, with "along" only
    law                         film of a cable in open air: "natural" (convection by correlation, and grey radiation) or
                                "iec_60287" with constants = [Z, E, g], which holds both (cables only)
    open air needs emissivities: those of the materials, else 0.9. Bare metal in it (a core without insulation, a drawn
                                conductor, a conduit of metal) takes that of its metal, which polish and rust change tenfold:
                                a [[material]] based on it with its own emissivity says so; needs law "natural"

    [drawing]                   width (*), height (*), background (*) (material), background_role, background_air,
                                represents (caption)
    [[drawing.part]]            name (*), material (*), role, start_temperature, heat_source, air; "background" is there
    [[drawing.shape]]           part (*) and one shape, painted in this order:
                                rectangle = { left, bottom, right, top }        circle = { x, y, diameter | radius }
                                stadium = { x, y, width, height, angle }        polygon = [["0 mm", "0 mm"], ..]
    [[drawing.conductor]]       name (*), one shape, size | resistance + area, material ("copper"), circuit, factor,
                                start_temperature; without circuit it carries nothing; painted last
    air, background_air         { gravity, height, law, constants, temperature (in time) }: the part is open air, held at
                                that temperature (a room) or, without one, at what the surfaces round it make of it
    role                        conductor, insulation, jacket, filler, fill, board, framing, air or other
    heat_source                 { per_volume = ".." } or { per_length = ".." }, in time

    [[conduit]]                 round tube: name (*), material (*), outer_diameter (*), wall_thickness (*), filling ("air_gap");
                                place, x, y as of a cable;  parts: NAME.wall, NAME.inside. "open_air" in it convects and
                                radiates, from about 25 mm inside on (then NAME.gap: still air beside what touches the wall)

    [[cable]]                   name (*); type (a cable of the library) or [cable.layers]
    inside                      name of the conduit in which it lies
    place                       "centred", "touching_inner" (= "on_board") or "touching_outer"; x, y: centre, required
                                in a drawing; rotation: turned counter-clockwise, "0 deg" has the flat side along x;
                                in a conduit or a bored hole "centred" or "resting": at the lowest place that is free
    count                       as many of it, NAME_1, NAME_2 and so on; in an arrangement "row" (along x), "stack" (along y)
                                or "packed", spacing clear between them; what is at rest in a conduit needs no arrangement
    circuit                     loads all loaded cores, out and back
    [[cable.load]]              core (*), circuit, factor (current of the core over that of the circuit): instead
    [cable.layers]              form (*) "flat" | "round" | "single", core_spacing, overall_width, overall_height,
                                jacket_thickness, jacket_material, filler_material, continuous_limit, adiabatic_constant
    [[cable.layers.core]]       name (*), metal ("copper"), size | resistance + area, diameter, loaded,
                                insulation = list of { material, thickness } from the metal outwards
                                parts: NAME.CORE, NAME.CORE.insulation (.._1, .._2), NAME.filler, NAME.jacket

    [[material]]                name (*), based_on, family, description, conductivity (in temperature), density,
                                specific_heat | volumetric_heat_capacity (in temperature), emissivity, resistivity,
                                temperature_coefficient, latent = list of { start, stop, heat }; reaction = list of { name,
                                heat (negative: taken up), pre_exponential, activation_energy, order, valid_from,
                                valid_to }, a rough model, used with run.reactions only
    [[contact]]                 between (*) = [PART, PART], resistance (*): to heat that crosses from one to the other where they
                                meet
    [[part]]                    name (*) of a part made by a template or cable; start_temperature, heat_source

    [[circuit]]                 name (*) and exactly one of
                                current + duration          steps = [["15 A", "25 min"], ..]
                                ramp = { start, stop, duration }
                                cycle = { on_current, on_time, off_current, off_time, count }
                                csv = { file, time_column, current_column, time_unit ("s", .. or "datetime"),
                                        current_unit, between = "hold" | "linear", gap = "error" | "hold" | "zero",
                                        maximum_gap }

    [surroundings]              air_temperature (*), in time: films and start take it where nothing else is given
    [[boundary]]                face = "inner" | "outer", or edge = "left" | "right" | "bottom" | "top" with start, stop
    kind (*)                    "film":  air_temperature, convection | correlation (+ what it needs),
                                         emissivity, radiant_temperature, surface_resistance
                                    correlations: vertical_plate (height), horizontal_cylinder, thin_cylinder (diameter),
                                    plate_facing_up, plate_facing_down (length: area over perimeter), power_law
                                    (at_one_kelvin: coefficient at a difference of 1 K, exponent)
                                "fixed": surface_temperature, surface_resistance
                                "flux":  heat_flux, into the section
                                "adiabatic"
                                all but correlation and emissivity in time; edges not named are adiabatic

    [start]                     temperature; soaked_at = { CIRCUIT = "16 A" } for the steady state at these currents
    [[limit]]                   name (*), temperature (*), parts = [..] | role, source, damage = true: past this limit the
                                material is no longer what the model assumes, and figures grey what comes after
    [[probe]]                   name (*) and one of point = { x, y }, mean = PART, maximum = PART, edge_heat_flow = EDGE
    [[device]]                  name (*) and one of
                                standard, type, rating, magnetic = { hold, trip };
                                fast and slow = [["20 A", "1 h"], ..], or fast_csv and slow_csv = { file, current_column,
                                time_column, current_unit, time_unit };
                                line, or line_csv: one drawn line, with current_tolerance and/or time_tolerance (0.1: a
                                tenth either way; a fuse maker's mean line: 0.1 in current);
                                points and lines with rating, start_state ("cold" | "hot"), source
    circuit                     in which it stands; of one circuit, devices and relays stand in series in the order of
                                the file, upstream first
    ambient                     air at the device, for breakers and overload relays of a standard: their default model moves
    breaking_capacity           largest current it can break
    let_through                 { energy = "45000 A2.s", current = prospective current it is stated for, source }, or
                                { energy_class = 3 } (IEC 60898-1 type B, with breaking_capacity)
    opening_time                from operating to the end of the current, where the data leave it out: points, lines and
                                overload relays
    [[relay]]                   name (*), pickup (*), circuit, source and
    curve (*)                   "A" .. "F" (IEC 60255-151), "IEC standard inverse" (A), "IEC very inverse" (B),
                                "IEC extremely inverse" (C), "IEEE moderately inverse" (D), "IEEE very inverse" (E),
                                "IEEE extremely inverse" (F), "long-time inverse", "short-time inverse", "electronic"
    setting                     time multiplier or dial; for "electronic" time_at_six: time at six times the pickup
    reset                       "instant" (usual), "curve" or "memory"; reset_time: from full travel at no current, at this
                                setting, or time constant of the memory
    threshold, tolerance        least multiple of the pickup with a stated time (1.1); of the time, either way (0.05)
    instantaneous               { hold, trip };  opening_time, breaking_capacity of the breaker it trips
    [[load_point]]              what must not open a device: name (*), circuit, source and one of current + duration,
                                transformer = { full_load }, motor = { full_load, start_time, multiple }
    [reclosing]                 closes again what opened, except fuses: circuit and one of delay + attempts,
                                delays = ["1 s", "30 s"] (one for each attempt), times = ["10 min", ..] of the history
    [curve]                     circuit, lowest, highest, count, horizon, tolerance, start_temperature, soaked_at
    [run]                       duration, tolerance (a difference), snapshots = ["10 min", ..], reactions (false)
    [mesh]                      finest, coarsest, growth
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from ampsoak.base.units import DIMENSIONS
from ampsoak.scenario.model_base import Keys, Name, PositiveCurrent, Text
from ampsoak.scenario.model_case import (
    BoundaryKeys,
    CircuitKeys,
    CurveKeys,
    LimitKeys,
    MaterialKeys,
    MeshKeys,
    PartKeys,
    ProbeKeys,
    RunKeys,
    StartKeys,
    Surroundings,
)
from ampsoak.scenario.model_devices import DeviceKeys, LoadPointKeys, ReclosingKeys, RelayKeys
from ampsoak.scenario.model_section import (
    BoredHole,
    CableKeys,
    Ceiling,
    Clipped,
    ConduitKeys,
    ContactKeys,
    Drawing,
    FreeAir,
    StudBay,
)
from ampsoak.scenario.quantities import DROPPABLE, LAWS, REMARKS

FORMAT = 1
SECTIONS = ("stud_bay", "ceiling", "clipped", "free_air", "bored_hole", "drawing")


class ScenarioFile(Keys):
    """The whole file."""

    format: Annotated[int, Field(ge=FORMAT, le=FORMAT)]
    title: Name
    description: Text = ""
    fault_current: PositiveCurrent | None = None
    stud_bay: Annotated[StudBay, DROPPABLE] | None = None
    ceiling: Annotated[Ceiling, DROPPABLE] | None = None
    clipped: Annotated[Clipped, DROPPABLE] | None = None
    free_air: Annotated[FreeAir, DROPPABLE] | None = None
    bored_hole: Annotated[BoredHole, DROPPABLE] | None = None
    drawing: Annotated[Drawing, DROPPABLE] | None = None
    conduit: list[Annotated[ConduitKeys, DROPPABLE]] = Field(default_factory=list)
    cable: list[Annotated[CableKeys, DROPPABLE]] = Field(default_factory=list)
    material: list[Annotated[MaterialKeys, DROPPABLE]] = Field(default_factory=list)
    part: list[Annotated[PartKeys, DROPPABLE]] = Field(default_factory=list)
    contact: list[Annotated[ContactKeys, DROPPABLE]] = Field(default_factory=list)
    circuit: list[Annotated[CircuitKeys, DROPPABLE]] = Field(default_factory=list)
    surroundings: Annotated[Surroundings, DROPPABLE] | None = None
    boundary: list[Annotated[BoundaryKeys, DROPPABLE]] = Field(default_factory=list)
    start: Annotated[StartKeys, DROPPABLE] | None = None
    limit: list[Annotated[LimitKeys, DROPPABLE]] = Field(default_factory=list)
    probe: list[Annotated[ProbeKeys, DROPPABLE]] = Field(default_factory=list)
    device: list[Annotated[DeviceKeys, DROPPABLE]] = Field(default_factory=list)
    relay: list[Annotated[RelayKeys, DROPPABLE]] = Field(default_factory=list)
    load_point: list[Annotated[LoadPointKeys, DROPPABLE]] = Field(default_factory=list)
    reclosing: Annotated[ReclosingKeys, DROPPABLE] | None = None
    curve: Annotated[CurveKeys, DROPPABLE] | None = None
    run: Annotated[RunKeys, DROPPABLE] | None = None
    mesh: Annotated[MeshKeys, DROPPABLE] | None = None


def scenario_schema() -> dict:
    """Return the JSON schema (draft 4) of a scenario file, for editors that complete and check TOML.

    Returns
    -------
    dict      JSON-ready; quantities are text that starts with a number, so that units and bounds are left to loading
    """
    schema = ScenarioFile.model_json_schema()
    definitions = {"quantity_text": {"type": "string", "pattern": r"^\s*([Rr]-|AWG *)?[+-]?(\d|\.\d)"}}
    definitions |= _draft_4(schema.pop("$defs"), definitions)
    body = {key: value for key, value in schema.items() if key not in ("title", "description")}
    return {
        "$schema": "http://json-schema.org/draft-04/schema#",
        "title": f"ampsoak scenario, format {FORMAT}",
        **_draft_4(body, definitions),
        "definitions": definitions,
    }


def _draft_4(node, definitions: dict):
    """Rewrite a schema of pydantic's dialect (2020-12) in draft 4; our own field types go into ``definitions``."""
    if isinstance(node, list):
        return [_draft_4(item, definitions) for item in node]
    if not isinstance(node, dict):
        return node
    if "x-quantity" in node:
        return _quantity_schema(*node["x-quantity"], definitions)
    if "x-pairs" in node:
        return _pairs_schema(*node["x-pairs"])
    if "$ref" in node:
        return {"$ref": node["$ref"].replace("#/$defs/", "#/definitions/")}
    if isinstance(node.get("anyOf"), list):  # only ever "this or null", and TOML has no null
        (choice,) = (choice for choice in node["anyOf"] if choice != {"type": "null"})
        return _draft_4(choice, definitions)
    return {
        key: _draft_4(value, definitions) for key, value in node.items() if not isinstance(value, str) or key != "title"
    }


def _quantity_schema(dimension: str, table: str, laws: bool, definitions: dict) -> dict:
    """Reference to the schema of one kind of dimensional field, which is added to ``definitions``."""
    name = dimension + (f"_in_{table}" if table else "") + ("_or_law" if laws else "")
    text, remark = {"$ref": "#/definitions/quantity_text"}, {"type": "string"}
    number = {"type": "number"}
    plain = number if dimension == "number" else text
    values = [plain, {**_pairs_schema(table, dimension), "minItems": 1}] if table else [plain]
    remarks = dict.fromkeys(REMARKS, remark)
    choices = [*values, _table_schema({"value": {"anyOf": values}, "low": plain, "high": plain, **remarks}, ["value"])]
    for law, keys in LAWS.items() if laws else ():
        if dimension in keys.fields:
            parameters = {key: number if unit == "number" else text for key, unit in keys.parameters.items()}
            choices.append(_table_schema({"law": {"enum": [law]}, **parameters, **remarks}, ["law", *keys.required]))
    kind = DIMENSIONS[dimension]
    words = f"{kind.words}, for example {kind.example}" + (f"; units: {', '.join(kind.units)}" if kind.units else "")
    definitions[name] = {"description": words, "anyOf": choices}
    return {"$ref": f"#/definitions/{name}"}


def _table_schema(properties: dict, required: list[str]) -> dict:
    return {"type": "object", "properties": properties, "required": required, "additionalProperties": False}


def _pairs_schema(first: str, second: str) -> dict:
    words = f"pairs of {DIMENSIONS[first].words} and {DIMENSIONS[second].words}"
    pair = {"type": "array", "items": {"$ref": "#/definitions/quantity_text"}, "minItems": 2, "maxItems": 2}
    return {"type": "array", "description": words, "items": pair}
