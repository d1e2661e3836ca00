"""Cables of a scenario: from the library or from layers, laid into the section as parts, strokes and conductors."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import dataclass

from ampsoak.base.errors import nearest_name
from ampsoak.base.sources import Value
from ampsoak.library import load as library
from ampsoak.library.cables import CableEntry, CoreEntry
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path, key_text
from ampsoak.scenario.materials import MaterialShelf
from ampsoak.scenario.model_section import CableKeys, CableLayers, CoreKeys
from ampsoak.scenario.plan import Plan, PlannedConductor, PlannedPart, Stroke, tidy
from ampsoak.scenario.quantities import Given
from ampsoak.scenario.shapes import Circle, Shape, Stadium

TOLERANCE = 1e-6  # [m], less than any drawing of a cable states
FROM_LAYERS = "derived from the layers of the cable"


@dataclass
class LaidCable:
    """A cable in its place: ``outline`` is what may not overlap anything else, ``inside`` the conduit it lies in."""

    keys: CableKeys
    entry: CableEntry
    outline: Shape
    path: Path
    inside: str = ""

    @property
    def surface(self) -> str:
        """Material of its surface."""
        layers = self.entry.cores[0].insulation_layers
        return self.entry.jacket_material or (layers[-1][0] if layers else self.entry.cores[0].metal)


def find_cable(keys: CableKeys, path: Path, shelf: MaterialShelf, findings: Findings) -> CableEntry | None:
    """Return the construction of a cable, None with a fault where it has none."""
    given = [key for key in ("type", "layers") if findings.has((*path, key))]
    if len(given) != 1:
        findings.fault(path, "needs either type (a cable of the library) or layers, and not both")
        return None
    if keys.type is not None:
        try:
            return library.cable(keys.type)
        except KeyError:
            findings.fault((*path, "type"), "no such cable", nearest_name(keys.type, library.cable_names()))
            return None
    if keys.layers is None or None in keys.layers.core:
        return None
    return _own_cable(keys.name, keys.layers, (*path, "layers"), shelf, findings)


def _own_cable(name: str, keys: CableLayers, path: Path, shelf: MaterialShelf, findings: Findings) -> CableEntry | None:
    cores = [_own_core(core, (*path, "core", index), shelf, findings) for index, core in enumerate(keys.core)]
    if any(core is None for core in cores):
        return None
    diameters = [core.outer_diameter for core in cores]
    jacketed = keys.form != "single"
    if not jacketed and len(cores) != 1:
        findings.fault((*path, "core"), 'a "single" has exactly one core; use "flat" or "round" for several')
        return None
    for key in ("jacket_thickness", "jacket_material") if jacketed else ():
        if getattr(keys, key) is None:
            findings.missing((*path, key), f'a "{keys.form}" cable has a jacket')
    for key in (
        "jacket_thickness",
        "jacket_material",
        "filler_material",
        "overall_width",
        "overall_height",
        "core_spacing",
    ):
        if not jacketed and getattr(keys, key) is not None:
            findings.fault((*path, key), 'has no place in a "single", whose size follows from its layers')
    jacket = 0.0 if keys.jacket_thickness is None else keys.jacket_thickness.value
    filler = keys.filler_material
    if jacketed and filler is None and keys.jacket_material is not None:
        filler = keys.jacket_material
        findings.assume(f'cable "{name}": filler_material not given: the jacket material taken')
    spacing, width, height = _own_sizes(name, keys, diameters, jacket, findings)
    metal = shelf.find(cores[0].metal, (*path, "core", 0, "metal"))
    if keys.continuous_limit is None:
        findings.assume(f'cable "{name}" states no continuous_limit')
    return CableEntry(
        name=name,
        description=f"cable of the scenario with {metal.name} conductors",
        form=keys.form,
        cores=tuple(cores),
        core_spacing=spacing,
        overall_width=width,
        overall_height=height,
        jacket_thickness=keys.jacket_thickness.as_value() if keys.jacket_thickness and jacketed else None,
        jacket_material=keys.jacket_material or "",
        filler_material=filler or "",
        continuous_limit=_value_or(keys.continuous_limit, math.nan),
        limits=(),
        adiabatic_k=keys.adiabatic_constant.as_value() if keys.adiabatic_constant else None,
        source="given by the user",
    )


def _own_core(keys: CoreKeys, path: Path, shelf: MaterialShelf, findings: Findings) -> CoreEntry | None:
    if any(layer is None for layer in keys.insulation):
        return None
    area, resistance, coefficient = metal_values(keys, keys.metal, path, shelf, findings)
    diameter = keys.diameter
    if diameter is None:
        solid = 2 * math.sqrt(area.typical / math.pi)
        findings.take(None, (*path, "diameter"), "wire_diameter", solid, "a solid wire of the conductor's area")
        diameter = Given(solid, "wire_diameter", source="solid wire of the conductor's area")
    if math.pi * diameter.value**2 / 4 < area.typical * 0.995:
        findings.fault(
            (*path, "diameter"), f"is too small: a wire of {area.typical * 1e6:.4g} mm2 has at least "
            f"{2000 * math.sqrt(area.typical / math.pi):.4g} mm"
        )  # fmt: skip
    loaded = keys.loaded
    if loaded is None:
        loaded = bool(keys.insulation)
        state = "loaded, as it is insulated" if loaded else "unloaded, as it is bare"
        findings.assume(f'core "{keys.name}" of a cable of the scenario: {state}')
    return CoreEntry(
        name=keys.name,
        insulated=bool(keys.insulation),
        conductor_diameter=diameter.as_value(),
        metal_area=area,
        resistance=resistance,
        metal=keys.metal,
        temperature_coefficient=coefficient,
        insulation_layers=tuple((layer.material, layer.thickness.as_value()) for layer in keys.insulation),
        loaded=loaded,
    )


def metal_values(keys, metal: str, path: Path, shelf: MaterialShelf, findings: Findings) -> tuple[Value, Value, Value]:
    """Return area, resistance at 20 °C and temperature coefficient of a conductor by size, or resistance and area.

    Parameters
    ----------
    keys : CoreKeys or DrawnConductor     with size, resistance and area
    metal : str                           material name
    path : tuple                          where the conductor stands
    shelf : MaterialShelf
    findings : Findings
    """
    where = (*path, "metal" if "metal" in type(keys).model_fields else "material")
    material = shelf.find(metal, where)
    nothing = Value.exact(math.nan)
    if (keys.size is None) == (keys.area is None):
        findings.fault(path, "needs size, or resistance and area" if keys.size is None else "has both size and area")
        return nothing, nothing, nothing
    area = (keys.size or keys.area).as_value()
    if keys.resistance is not None:
        resistance = keys.resistance.as_value()
    elif keys.size is None:
        findings.missing((*path, "resistance"), "area alone does not tell what heats")
        resistance = nothing
    elif material.resistivity is None:
        resistance = nothing
        if material.name != "unknown":
            findings.fault(where, "has no resistivity; give resistance, or a metal")
    else:
        source = f"resistivity of {material.name} over the area"
        resistance = Value.exact(material.resistivity.typical / area.typical, source, "derived", "derived")
        findings.assume(f"{key_text(path)}: resistance taken as the {source}")
    coefficient = material.temperature_coefficient
    if coefficient is None:
        coefficient = Value.exact(0.0)
        if material.name != "unknown":
            findings.fault(where, "has no temperature_coefficient of resistance; use a metal")
    return area, resistance, coefficient


def _value_or(given: Given | None, otherwise: float, source: str = FROM_LAYERS) -> Value:
    return Value.exact(otherwise, source, "derived", "derived") if given is None else given.as_value()


def _own_sizes(name: str, keys: CableLayers, diameters: list[float], jacket: float, findings: Findings):
    """Return core spacing (None for one core), overall width and height."""
    most, count = max(diameters), len(diameters)
    touching = max((a + b) / 2 for a, b in itertools.pairwise(diameters)) if count > 1 else 0.0
    if keys.form == "flat":
        room = (count - 1) * touching + (diameters[0] + diameters[-1]) / 2
        if keys.core_spacing is not None:
            room = (count - 1) * keys.core_spacing.value + max(diameters[0], diameters[-1])
        width = _value_or(keys.overall_width, room + 2 * jacket)
        height = _value_or(keys.overall_height, most + 2 * jacket)
        spread = (width.typical - 2 * jacket - max(diameters[0], diameters[-1])) / max(count - 1, 1)
        spacing = _value_or(keys.core_spacing, spread if count > 1 else 0.0)
    else:
        ring = 2 * math.sin(math.pi / count) if count > 1 else 1.0
        spacing = _value_or(keys.core_spacing, most if count > 1 else 0.0)
        across = (2 * spacing.typical / ring if count > 1 else 0.0) + most + 2 * jacket
        width = _value_or(keys.overall_width or keys.overall_height, across)
        height = _value_or(keys.overall_height or keys.overall_width, across)
    if keys.form != "single":
        for key in ("overall_width", "overall_height", *(("core_spacing",) if count > 1 else ())):
            if getattr(keys, key) is None:
                findings.assume(f'cable "{name}": {key} not given: taken from the sizes of its cores and jacket')
    return (spacing if count > 1 else None), width, height


def core_centres(entry: CableEntry) -> list[tuple[float, float]]:
    """Centres of the cores [m] about the cable's own centre, flat side along x."""
    count = len(entry.cores)
    if count == 1:
        return [(0.0, 0.0)]
    spacing = entry.core_spacing.typical
    if entry.form == "flat":
        return [((index - (count - 1) / 2) * spacing, 0.0) for index in range(count)]
    radius = spacing / (2 * math.sin(math.pi / count))
    angles = [math.pi / 2 + 2 * math.pi * index / count for index in range(count)]
    return [(radius * math.cos(angle), radius * math.sin(angle)) for angle in angles]


def check_construction(entry: CableEntry, path: Path, findings: Findings) -> None:
    """Record a fault where cores overlap, or where the jacket is smaller than its cores."""
    centres = core_centres(entry)
    radii = [core.outer_diameter / 2 for core in entry.cores]
    if entry.jacket_thickness is not None and not _fits_jacket(entry, centres, radii, path, findings):
        return
    for i in range(len(radii)):
        for j in range(i + 1, len(radii)):
            apart = math.dist(centres[i], centres[j])
            if apart < radii[i] + radii[j] - TOLERANCE:
                findings.fault(
                    (*path, "core_spacing"),
                    f'cores "{entry.cores[i].name}" and "{entry.cores[j].name}" overlap: their centres are '
                    f"{apart * 1e3:.3g} mm apart, but need {(radii[i] + radii[j]) * 1e3:.3g} mm",
                )


def _fits_jacket(entry: CableEntry, centres, radii: list[float], path: Path, findings: Findings) -> bool:
    """Whether every core lies inside the jacket; a fault where one does not."""
    jacket = entry.jacket_thickness.typical
    width, height = (value.typical - 2 * jacket for value in (entry.overall_width, entry.overall_height))
    if width <= 0 or height <= 0:
        findings.fault((*path, "jacket_thickness"), "leaves no room inside the jacket")
        return False
    radius = min(width, height) / 2
    half = max(width, height) / 2 - radius
    for core, (x, y), r in zip(entry.cores, centres, radii, strict=True):
        along, across = (x, y) if width >= height else (y, x)
        if math.hypot(max(abs(along) - half, 0.0), across) + r > radius + TOLERANCE:
            findings.fault(
                (*path, "jacket_thickness"),
                f"the jacket is smaller than its cores: inside it leaves {width * 1e3:.3g} x {height * 1e3:.3g} mm, "
                f'and core "{core.name}" of {2e3 * r:.3g} mm does not fit at its place',
            )
            return False
    return True


def lay_cable(laid: LaidCable, centre: tuple[float, float], angle: float, plan: Plan) -> None:
    """Add a cable's parts, strokes and conductors (without their circuits) to the plan, centred at ``centre`` [m]."""
    entry, name, path = laid.entry, laid.keys.name, laid.path
    jacket = entry.jacket_thickness.typical if entry.jacket_thickness else 0.0
    if jacket:
        _add(plan, f"{name}.jacket", entry.jacket_material, "jacket", laid.outline, path)
        _add(plan, f"{name}.filler", entry.filler_material, "filler", outline_of(entry, centre, angle, jacket), path)
    turn = complex(math.cos(angle), math.sin(angle))
    for core, place in zip(entry.cores, core_centres(entry), strict=True):
        turned = complex(*place) * turn
        spot = complex(tidy(centre[0] + turned.real), tidy(centre[1] + turned.imag))
        layers = core.insulation_layers
        radius = core.outer_diameter / 2
        for index in range(len(layers) - 1, -1, -1):
            material, thickness = layers[index]
            part = f"{name}.{core.name}.insulation" + (f"_{index + 1}" if len(layers) > 1 else "")
            _add(plan, part, material, "insulation", Circle(spot.real, spot.imag, radius), path)
            radius -= thickness.typical
        shape = Circle(spot.real, spot.imag, core.conductor_diameter.typical / 2)
        _add(plan, f"{name}.{core.name}", core.metal, "conductor", shape, path)
        plan.conductors.append(
            PlannedConductor(
                name=f"{name}.{core.name}",
                shape=shape,
                metal_area=core.metal_area.typical,
                resistance=core.resistance.typical,
                temperature_coefficient=core.temperature_coefficient.typical,
                circuit=None,
                factor=1.0,
                path=path,
                adiabatic_k=entry.adiabatic_k.typical if entry.adiabatic_k else None,
                adiabatic_limit=adiabatic_limit(entry),
            )
        )


def adiabatic_limit(entry: CableEntry) -> str:
    """From which to which temperature the adiabatic constant leads, as its source says; "" where it does not."""
    found = re.search(r"(\d+) to (\d+) °C", entry.adiabatic_k.source) if entry.adiabatic_k else None
    return f"{found[1]} °C to {found[2]} °C" if found else ""


def outline_of(entry: CableEntry, centre: tuple[float, float], angle: float, inset: float = 0.0) -> Shape:
    """Outline of a cable at its place, or ``inset`` [m] inside it."""
    if entry.form == "single":
        return Circle(*centre, entry.cores[0].outer_diameter / 2)
    width, height = (value.typical - 2 * inset for value in (entry.overall_width, entry.overall_height))
    if math.isclose(width, height, rel_tol=1e-9):
        return Circle(*centre, width / 2)
    return Stadium(*centre, width, height, angle)


def _add(plan: Plan, part: str, material: str, role: str, shape: Shape, path: Path) -> None:
    plan.parts.append(PlannedPart(part, material, role, path))
    plan.strokes.append(Stroke(shape, part, path))
