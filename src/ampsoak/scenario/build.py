"""The resolved case out of the models: section, cables, circuits, start, and everything that refers to them."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path as FilePath

from pydantic import BaseModel

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import describe
from ampsoak.library.cables import CableEntry
from ampsoak.scenario.bored_hole import plan_bored_hole
from ampsoak.scenario.cables import LaidCable
from ampsoak.scenario.case import (
    CHEMICAL_HEAT,
    Circuit,
    Conductor,
    MeshSettings,
    Paint,
    Part,
    Probe,
    RunSettings,
    Scenario,
    Start,
)
from ampsoak.scenario.cavities import AIR_GAP, gap_material
from ampsoak.scenario.contacts import contacts_of
from ampsoak.scenario.device_record import device_record, load_point_record
from ampsoak.scenario.devices import devices_of, load_points_of, reclosing_of
from ampsoak.scenario.drawing import add_drawn_conductors, heat_source, plan_drawing
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.materials import UNKNOWN, MaterialShelf, material_record, value_record
from ampsoak.scenario.model import SECTIONS, ScenarioFile
from ampsoak.scenario.open_air import air_along, check_open_air, zone_record
from ampsoak.scenario.placement import check_overlaps, lay_cables, lay_conduits
from ampsoak.scenario.plan import Plan
from ampsoak.scenario.profiles import profile_of
from ampsoak.scenario.protection import TOLERANCE, check_limits, curve_of, limits_of
from ampsoak.scenario.quantities import Given, Pairs
from ampsoak.scenario.surfaces import air_temperature, boundaries_of
from ampsoak.scenario.templates import plan_ceiling, plan_clipped, plan_free_air, plan_stud_bay

PLANNERS = {
    "stud_bay": plan_stud_bay,
    "ceiling": plan_ceiling,
    "clipped": plan_clipped,
    "free_air": plan_free_air,
    "bored_hole": plan_bored_hole,
    "drawing": plan_drawing,
}
NOTHING = Plan(math.nan, math.nan, "")


def build_scenario(document: ScenarioFile, findings: Findings, text: str, name: str, folder: FilePath) -> Scenario:
    """Return the frozen case.

    Parameters
    ----------
    document : ScenarioFile
    findings : Findings       faults so far; more are added
    text, name : str          text of the file and its name without folders
    folder : pathlib.Path     where files named in it are sought

    Raises
    ------
    ScenarioError             with every fault found
    """
    check_names(findings)
    shelf = MaterialShelf(document.material, findings)
    circuits = tuple(
        Circuit(keys.name, profile_of(keys, ("circuit", index), folder, findings))
        for index, keys in enumerate(document.circuit)
        if keys is not None
    )
    known_circuits = [circuit.name for circuit in circuits]
    plan = _plan(document, findings)
    conduits = lay_conduits(document.conduit, plan, shelf, findings)
    cables = lay_cables(document.cable, conduits, plan, shelf, findings)
    if plan is not None:
        if document.drawing is not None:
            add_drawn_conductors(document.drawing, plan, shelf, findings)
        check_overlaps(cables, conduits, plan, findings)
        _load_cables(cables, plan, known_circuits, findings)
    parts = _parts(document, plan or NOTHING, shelf, findings)
    conductors = _conductors(plan or NOTHING, parts, known_circuits, findings)
    contacts = ()
    if plan is not None:
        check_open_air(plan, parts, findings)
        contacts = contacts_of(document.contact, plan, parts, findings)
    boundaries = boundaries_of(document, plan, findings) if plan is not None else ()

    def start_of(keys, path: Path, temperature_key: str) -> Start:
        return _start(keys, path, temperature_key, document, known_circuits, findings)

    start = start_of(document.start, ("start",), "temperature")
    limits = limits_of(document, parts, conductors, cables, findings)
    devices = devices_of(document, known_circuits, folder, findings)
    load_points = load_points_of(document, known_circuits, findings)
    reclosing = reclosing_of(document, known_circuits, findings)
    curve = curve_of(document, known_circuits, devices, start, start_of, findings)
    run = _run(document, circuits, findings)
    probes = _probes(document, plan, parts, findings)
    check_limits(document, limits, parts, boundaries, start, findings)
    if curve is not None and not findings.faults:
        if not limits:
            findings.fault(("curve",), "needs a limit; give a [[limit]], or continuous_limit of the cable")
        if not any(conductor.circuit == curve.circuit for conductor in conductors):
            findings.fault(("curve", "circuit"), f'circuit "{known_circuits[curve.circuit]}" loads no conductor')
    findings.raise_faults()
    for index, circuit in enumerate(circuits):
        if not any(conductor.circuit == index for conductor in conductors):
            findings.assume(f'circuit "{circuit.name}" loads no conductor')
    if run.reactions:
        _assume_chemical_heat(shelf, findings)
    adiabatic_k, adiabatic_limit = _adiabatic(plan, conductors, 0 if curve is None else curve.circuit, findings)
    return Scenario(
        title=document.title,
        description=document.description,
        width=plan.width,
        height=plan.height,
        depth_note=plan.represents,
        parts=parts,
        paints=tuple(Paint(stroke.shape, _index(parts, stroke.part)) for stroke in plan.strokes),
        conductors=conductors,
        circuits=circuits,
        boundaries=boundaries,
        contacts=contacts,
        limits=limits,
        probes=probes,
        devices=devices,
        start=start,
        run=run,
        curve=curve,
        mesh=_mesh(document),
        adiabatic_k=adiabatic_k,
        adiabatic_limit=adiabatic_limit,
        fault_current=document.fault_current.value if document.fault_current else None,
        load_points=load_points,
        reclosing=reclosing,
        assumptions=tuple(findings.assumptions),
        source_file=name,
        source_text=text,
        inputs=tuple(sorted(findings.inputs.items())),
        resolved=_resolved(document, findings, shelf, cables, parts, conductors, circuits, devices)
        | {"load_points": [load_point_record(point) for point in load_points]},
    )


def check_names(findings: Findings) -> None:
    """Record a fault for every name used twice in a list of tables."""
    lists = [(key,) for key in ("cable", "conduit", "material", "part", "circuit", "limit", "probe", "device", "relay", "load_point")]
    lists += [("drawing", "part"), ("drawing", "conductor")]
    lists += [("cable", index, "layers", "core") for index, _ in findings.tables(("cable",))]
    for path in lists:
        seen: set[str] = set()
        for index, item in findings.tables(path):
            name = item.get("name")
            if isinstance(name, str) and name in seen:
                findings.fault((*path, index, "name"), "is used twice; names must differ")
            elif isinstance(name, str):
                seen.add(name)


def _plan(document: ScenarioFile, findings: Findings) -> Plan | None:
    given = [name for name in SECTIONS if findings.has((name,))]
    if len(given) != 1:
        tables = ", ".join(f"[{name}]" for name in SECTIONS)
        where: Path = (given[1],) if given else ("section",)
        findings.fault(where, f"a scenario needs exactly one of {tables}")
    keys = getattr(document, given[0]) if given else None
    return None if keys is None else PLANNERS[given[0]](keys, findings, lambda: air_temperature(document, findings))


def _load_cables(cables: list[LaidCable], plan: Plan, circuits: list[str], findings: Findings) -> None:
    """Tell the conductors of every cable which circuit loads them, and how."""
    by_name = {conductor.name: conductor for conductor in plan.conductors}
    for cable in cables:
        keys, path = cable.keys, cable.path
        only = circuits[0] if len(circuits) == 1 else None
        if keys.load or findings.has((*path, "load")):
            cores = [core.name for core in cable.entry.cores]
            for index, load in enumerate(keys.load):
                if load is None:
                    continue
                where = (*path, "load", index)
                circuit = load.circuit or keys.circuit or only
                if load.core not in cores:
                    findings.fault(
                        (*where, "core"), f"no such core; there are {', '.join(cores)}", nearest_name(load.core, cores)
                    )
                elif circuit is None:
                    findings.missing((*where, "circuit"), "name the circuit that loads this core")
                else:
                    conductor = by_name[f"{keys.name}.{load.core}"]
                    conductor.circuit = circuit
                    conductor.factor = 1.0 if load.factor is None else load.factor.value
                    conductor.path = (*where, "circuit") if load.circuit else (*path, "circuit")
            continue
        circuit = keys.circuit or only
        if circuit is None:
            if findings.has(("circuit",)):
                findings.missing((*path, "circuit"), "there are several circuits")
            continue
        loaded = [core.name for core in cable.entry.cores if core.loaded]
        idle = [core.name for core in cable.entry.cores if not core.loaded]
        for core in loaded:
            by_name[f"{keys.name}.{core}"].circuit = circuit
            by_name[f"{keys.name}.{core}"].path = (*path, "circuit")
        findings.assume(
            f'cable "{keys.name}": {" and ".join(loaded) or "no core"} {"carry" if len(loaded) > 1 else "carries"} '
            f'the current of circuit "{circuit}"' + (f"; {' and '.join(idle)} none" if idle else "")
        )


def _parts(document: ScenarioFile, plan: Plan, shelf: MaterialShelf, findings: Findings) -> tuple[Part, ...]:
    changes = {keys.name: (index, keys) for index, keys in enumerate(document.part) if keys is not None}
    names: set[str] = set()
    found = []
    for planned in plan.parts:
        material = shelf.find(planned.material, planned.path) if planned.material else UNKNOWN
        if material.name == AIR_GAP:
            material = gap_material(planned, material, shelf, findings)
        if planned.name in names:
            findings.fault(planned.path[:3], f'there are two parts called "{planned.name}"; rename one')
        names.add(planned.name)
        part = Part(planned.name, material, planned.role, planned.start_temperature, planned.heat_source, planned.air)
        if planned.name in changes:
            index, keys = changes.pop(planned.name)
            if keys.start_temperature is not None:
                part = replace(part, start_temperature=keys.start_temperature.value)
            if keys.heat_source is not None:
                part = replace(
                    part, heat_source=heat_source(keys.heat_source, ("part", index, "heat_source"), findings)
                )
        found.append(part)
    for name, (index, _) in changes.items():
        if names:
            findings.fault(("part", index, "name"), "no such part", nearest_name(name, names))
    return tuple(found)


def _conductors(plan: Plan, parts: tuple[Part, ...], circuits: list[str], findings: Findings) -> tuple[Conductor, ...]:
    written = findings.names(("circuit",))
    found = []
    for planned in plan.conductors:
        circuit = -1
        if planned.circuit is not None:
            if planned.circuit in circuits:
                circuit = circuits.index(planned.circuit)
            elif planned.circuit not in written:
                where = planned.path if planned.path[-1] == "circuit" else (*planned.path, "circuit")
                findings.fault(where, "no such circuit", nearest_name(planned.circuit, circuits))
        found.append(
            Conductor(
                planned.name,
                _index(parts, planned.name),
                planned.shape,
                planned.metal_area,
                planned.resistance,
                planned.temperature_coefficient,
                circuit,
                planned.factor,
            )
        )
    return tuple(found)


def _index(parts: tuple[Part, ...], name: str) -> int:
    return next(index for index, part in enumerate(parts) if part.name == name)


def _start(
    keys, path: Path, temperature_key: str, document: ScenarioFile, circuits: list[str], findings: Findings
) -> Start:
    """Return the start state that ``keys`` ([start] or [curve], or None) state."""
    given = None if keys is None else getattr(keys, temperature_key)
    if given is None:
        temperature = float(air_temperature(document, findings).at(0.0))
        findings.assume(f"{path[0]}.{temperature_key} not given: that of the surroundings taken")
    else:
        temperature = given.value
    soaked = None if keys is None else keys.soaked_at
    if soaked is None:
        return Start("cold", temperature)
    for name in soaked:
        if name not in circuits:
            findings.fault((*path, "soaked_at", name), "no such circuit", nearest_name(name, circuits))
    for name in circuits:
        if name not in soaked:
            findings.assume(f"{path[0]}.soaked_at.{name} not given: 0 A taken")
    return Start("soaked", temperature, tuple(soaked[name].value if name in soaked else 0.0 for name in circuits))


def _run(document: ScenarioFile, circuits: tuple[Circuit, ...], findings: Findings) -> RunSettings:
    keys = document.run
    path: Path = ("run",)
    longest = max((circuit.profile.duration for circuit in circuits), default=math.nan)
    duration = None if keys is None else keys.duration
    if duration is None and not circuits and not findings.has(("circuit",)):
        findings.missing((*path, "duration"), "without a circuit nothing tells how long to run")
        return RunSettings(math.nan)
    length = findings.take(duration, (*path, "duration"), "time", longest, "the longest current history")
    tolerance = findings.take(
        None if keys is None else keys.tolerance,
        (*path, "tolerance"),
        "temperature_difference",
        TOLERANCE,
        "usual accuracy",
    )
    if keys is None or keys.snapshots is None:
        snapshots = tuple(length * quarter / 4 for quarter in range(5))
        findings.assume("run.snapshots not given: temperature fields kept at the start, each quarter and the end")
    else:
        for index, time in enumerate(keys.snapshots):
            if time.value > length:
                findings.fault(
                    (*path, "snapshots", index), f"lies after the end of the run, {describe(length, 'time')}"
                )
        snapshots = tuple(sorted({time.value for time in keys.snapshots}))
    return RunSettings(length, tolerance, snapshots, keys is not None and bool(keys.reactions))


def _assume_chemical_heat(shelf: MaterialShelf, findings: Findings) -> None:
    """Say that reactions are on, how rough that is, and what reacts."""
    reacting = (
        f"{name}: {', '.join(reaction.name for reaction in material.reactions)}"
        for name, material in sorted(shelf.used.items())
        if material.reactions
    )
    findings.assume(f"run.reactions: {CHEMICAL_HEAT}; what reacts: {'; '.join(reacting) or 'none of the materials'}")
    findings.assume("run.reactions: steady states, and with them soaked starts, leave the heat of reactions out")


def _probes(
    document: ScenarioFile, plan: Plan | None, parts: tuple[Part, ...], findings: Findings
) -> tuple[Probe, ...]:
    names = [part.name for part in parts]
    found = []
    for index, keys in enumerate(document.probe):
        if keys is None:
            continue
        path: Path = ("probe", index)
        given = [key for key in ("point", "mean", "maximum", "edge_heat_flow") if findings.has((*path, key))]
        if len(given) != 1:
            findings.fault(path, "needs exactly one of point, mean, maximum, edge_heat_flow")
            continue
        kind, value = given[0], getattr(keys, given[0])
        if value is None or plan is None:
            continue
        if kind == "point":
            x, y = value.x.value, value.y.value
            if x < 0 or x > plan.width or y < 0 or y > plan.height:
                size = f"{describe(plan.width, 'length')} x {describe(plan.height, 'length')}"
                findings.fault((*path, "point"), f"lies outside the section of {size}")
            found.append(Probe(keys.name, kind, x=x, y=y))
        elif kind == "edge_heat_flow":
            if air_along(plan, value, 0.0, plan.edges[value])[0] == 1.0:
                findings.fault((*path, kind), "open air meets this edge; heat leaves by the films of its surfaces instead")
            found.append(Probe(keys.name, kind, edge=value))
        elif value in names:
            found.append(Probe(keys.name, kind, part=names.index(value)))
        else:
            findings.fault((*path, kind), "no such part", nearest_name(value, names))
    return tuple(found)


def _mesh(document: ScenarioFile) -> MeshSettings:
    keys = document.mesh
    if keys is None:
        return MeshSettings()
    return MeshSettings(*(0.0 if given is None else given.value for given in (keys.finest, keys.growth, keys.coarsest)))


def _adiabatic(
    plan: Plan, conductors: tuple[Conductor, ...], circuit: int, findings: Findings
) -> tuple[float | None, str]:
    """k of the smallest conductor that ``circuit`` loads [A s½/m²], None if there is none, and its temperatures."""
    loaded = [
        planned
        for planned, conductor in zip(plan.conductors, conductors, strict=True)
        if conductor.circuit == circuit and conductor.current_factor > 0
    ]
    if not loaded:
        return None, ""
    smallest = min(loaded, key=lambda planned: planned.metal_area)
    if smallest.adiabatic_k is None:
        findings.assume("no adiabatic constant known for the smallest loaded conductor: no adiabatic line")
    return smallest.adiabatic_k, smallest.adiabatic_limit


def _resolved(document, findings: Findings, shelf: MaterialShelf, cables, parts, conductors, circuits, devices) -> dict:
    """JSON-ready dict of every value with unit and source."""
    return {
        "given": _plain(document),
        "defaults": list(findings.defaults),
        "materials": {name: material_record(material) for name, material in shelf.used.items()},
        "open_air": {part.name: zone_record(part.air) for part in parts if part.air is not None},
        "cables": {cable.keys.name: cable_record(cable.entry) for cable in cables},
        "conductors": [
            {
                "name": conductor.name,
                "metal_area": {"value": conductor.metal_area, "unit": "m2"},
                "resistance": {"value": conductor.resistance, "unit": "ohm m-1"},
                "temperature_coefficient": {"value": conductor.temperature_coefficient, "unit": "K-1"},
                "circuit": circuits[conductor.circuit].name if conductor.circuit >= 0 else None,
                "current_factor": conductor.current_factor,
            }
            for conductor in conductors
        ],
        "circuits": [
            {
                "name": circuit.name,
                "duration": {"value": circuit.profile.duration, "unit": "s"},
                "highest_current": {"value": max(*circuit.profile.start, *circuit.profile.stop), "unit": "A"},
                "segments": len(circuit.profile.start),
            }
            for circuit in circuits
        ],
        "devices": [device_record(device) for device in devices],
    }


def _plain(item):
    """What the user gave, without what was left out."""
    if isinstance(item, Given):
        return item.record()
    if isinstance(item, Pairs):
        return [list(item.first), list(item.second)]
    if isinstance(item, BaseModel):
        return {key: _plain(getattr(item, key)) for key in type(item).model_fields if key in item.model_fields_set}
    if isinstance(item, dict):
        return {key: _plain(value) for key, value in item.items()}
    return [_plain(value) for value in item] if isinstance(item, list) else item


def cable_record(entry: CableEntry) -> dict:
    """Return a JSON-ready record of a cable's construction with units and sources."""
    record: dict = {"type": entry.name, "description": entry.description, "form": entry.form, "source": entry.source}
    for key in ("core_spacing", "overall_width", "overall_height", "jacket_thickness"):
        if getattr(entry, key) is not None:
            record[key] = value_record(getattr(entry, key), "m")
    record |= {"jacket_material": entry.jacket_material, "filler_material": entry.filler_material}
    if not math.isnan(entry.continuous_limit.typical):
        record["continuous_limit"] = value_record(entry.continuous_limit, "K")
    if entry.adiabatic_k is not None:
        record["adiabatic_k"] = value_record(entry.adiabatic_k, "A s0.5 m-2")
    record["cores"] = [
        {
            "name": core.name,
            "metal": core.metal,
            "loaded": core.loaded,
            "conductor_diameter": value_record(core.conductor_diameter, "m"),
            "metal_area": value_record(core.metal_area, "m2"),
            "resistance": value_record(core.resistance, "ohm m-1"),
            "temperature_coefficient": value_record(core.temperature_coefficient, "K-1"),
            "insulation": [
                {"material": material, "thickness": value_record(thickness, "m")}
                for material, thickness in core.insulation_layers
            ],
        }
        for core in entry.cores
    ]
    return record
