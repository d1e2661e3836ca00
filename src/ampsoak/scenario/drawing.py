"""The free drawing: its parts, shapes and conductors turned into a plan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import describe
from ampsoak.scenario.cables import metal_values
from ampsoak.scenario.case import AirZone, HeatSource, TimeTable
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.geometry import crosses_itself, outside
from ampsoak.scenario.lines import Path, key_text
from ampsoak.scenario.materials import MaterialShelf
from ampsoak.scenario.model_base import HeatSourceKeys
from ampsoak.scenario.model_section import AirKeys, Drawing, DrawnConductor, ShapeKeys
from ampsoak.scenario.open_air import film_zone, is_open_air
from ampsoak.scenario.plan import Plan, PlannedConductor, PlannedPart, Stroke
from ampsoak.scenario.quantities import Given
from ampsoak.scenario.shapes import Circle, Polygon, Rectangle, Shape, Stadium

BACKGROUND = "background"
SHAPES = ("rectangle", "circle", "stadium", "polygon")


def plan_drawing(keys: Drawing, findings: Findings, room: Callable[[], TimeTable]) -> Plan:
    """Return the plan of a drawing without its conductors, which are painted after the cables; ``room`` is not used."""
    path: Path = ("drawing",)
    width, height = keys.width.value, keys.height.value
    zone = _zone(keys.background_air, keys.background, (*path, "background_air"), findings)
    plan = Plan(
        width,
        height,
        keys.represents or "section as drawn",
        parts=[PlannedPart(BACKGROUND, keys.background, _role(keys.background_role, zone), (*path, "background"), air=zone)],
        cavity=(0.0, 0.0, width, height),
    )
    for index, part in enumerate(keys.part):
        if part is None:
            continue
        where = (*path, "part", index)
        if part.name == BACKGROUND:
            plan.parts[0].material, plan.parts[0].role = part.material, part.role
            findings.fault((*where, "name"), '"background" exists already; drawing.background names its material')
            continue
        start = part.start_temperature.value if part.start_temperature else None
        source = heat_source(part.heat_source, (*where, "heat_source"), findings)
        zone = _zone(part.air, part.material, (*where, "air"), findings)
        role = _role(part.role, zone)
        plan.parts.append(PlannedPart(part.name, part.material, role, (*where, "material"), start, source, zone))
    _shapes(plan, keys, path, findings)
    return plan


def _zone(keys: AirKeys | None, material: str, path: Path, findings: Findings) -> AirZone | None:
    """Return the zone that the air table at ``path`` makes of a part, None where there is none."""
    if keys is None:
        if is_open_air(material):
            findings.missing(path, 'a part of open air needs it, such as { gravity = "down" }')
        return None
    zone = film_zone(keys, path, findings)
    if keys.temperature is None:
        findings.assume(f"{key_text(path)}.temperature not given: the air takes that of the surfaces round it")
        return zone
    return replace(zone, temperature=time_table(keys.temperature))


def _role(written: str, zone: AirZone | None) -> str:
    return "air" if zone is not None and written == "other" else written


def _shapes(plan: Plan, keys: Drawing, path: Path, findings: Findings) -> None:
    """Add the strokes, and record parts without any."""
    names = [part.name for part in plan.parts]
    written = findings.names(("drawing", "part"))
    painted = set()
    for index, item in enumerate(keys.shape):
        if item is None:
            continue
        where = (*path, "shape", index)
        if item.part not in names and item.part not in written:
            findings.fault((*where, "part"), "no such part in the drawing", nearest_name(item.part, names))
        painted.add(item.part)
        shape = shape_of(item, where, findings)
        if shape is not None:
            check_inside(shape, plan, where, findings)
            if item.part in names:
                plan.strokes.append(Stroke(shape, item.part, where))
    for index, part in enumerate(keys.part):
        if part is not None and part.name not in painted and part.name != BACKGROUND and None not in keys.shape:
            findings.fault((*path, "part", index), f'part "{part.name}" is never drawn; give it a [[drawing.shape]]')


def add_drawn_conductors(keys: Drawing, plan: Plan, shelf: MaterialShelf, findings: Findings) -> None:
    """Paint the conductors of a drawing over everything else."""
    for index, item in enumerate(keys.conductor):
        if item is None:
            continue
        where: Path = ("drawing", "conductor", index)
        shape = shape_of(item, where, findings)
        area, resistance, coefficient = metal_values(item, item.material, where, shelf, findings)
        if shape is None:
            continue
        check_inside(shape, plan, where, findings)
        if shape.area < area.typical * 0.995:
            findings.fault(
                where, f"its shape of {describe(shape.area, 'area')} is smaller than its metal of "
                f"{describe(area.typical, 'area')}"
            )  # fmt: skip
        start = item.start_temperature.value if item.start_temperature else None
        plan.parts.append(PlannedPart(item.name, item.material, "conductor", (*where, "material"), start))
        plan.strokes.append(Stroke(shape, item.name, where))
        plan.conductors.append(
            PlannedConductor(
                name=item.name,
                shape=shape,
                metal_area=area.typical,
                resistance=resistance.typical,
                temperature_coefficient=coefficient.typical,
                circuit=item.circuit,
                factor=_factor(item, where, findings),
                path=where,
            )
        )


def _factor(item: DrawnConductor, where: Path, findings: Findings) -> float:
    if item.factor is not None and item.circuit is None:
        findings.fault((*where, "factor"), "has no place without circuit")
    return 1.0 if item.factor is None else item.factor.value


def check_inside(shape: Shape, plan: Plan, where: Path, findings: Findings) -> None:
    """Record a fault where a shape reaches beyond the section."""
    beyond = outside(shape, (0.0, 0.0, plan.width, plan.height))
    if beyond > 0:
        size = f"{describe(plan.width, 'length')} x {describe(plan.height, 'length')}"
        findings.fault(where, f"reaches {describe(beyond, 'length')} outside the drawing of {size}")


def shape_of(keys: ShapeKeys, where: Path, findings: Findings) -> Shape | None:
    """Return the one shape of a table, None with a fault where there is none."""
    given = [name for name in SHAPES if findings.has((*where, name))]
    if len(given) != 1:
        findings.fault(where, "needs exactly one of " + ", ".join(SHAPES))
        return None
    name = given[0]
    item = getattr(keys, name)
    where = (*where, name)
    if item is None:
        return None
    if name == "rectangle":
        for low, high in (("left", "right"), ("bottom", "top")):
            if getattr(item, high).value <= getattr(item, low).value:
                findings.fault((*where, high), f"must be greater than {low}")
        return Rectangle(item.left.value, item.bottom.value, item.right.value, item.top.value)
    if name == "circle":
        if (item.diameter is None) == (item.radius is None):
            findings.fault(where, "needs either diameter or radius, and not both")
            return None
        radius = item.radius.value if item.diameter is None else item.diameter.value / 2
        return Circle(item.x.value, item.y.value, radius)
    if name == "stadium":
        angle = item.angle.value if item.angle else 0.0
        return Stadium(item.x.value, item.y.value, item.width.value, item.height.value, angle)
    return _polygon(item, where, findings)


def _polygon(pairs, where: Path, findings: Findings) -> Polygon | None:
    if not pairs.ok:
        return None
    points = list(zip(pairs.first, pairs.second, strict=True))
    if len(points) > 3 and points[0] == points[-1]:
        points.pop()
    shape = Polygon(tuple(points))
    if len(set(points)) < len(points):
        findings.fault(where, "two of its corners are the same")
    elif shape.area <= 0 or math.isclose(shape.area, 0.0, abs_tol=1e-18):
        findings.fault(where, "its corners lie on one line")
    elif crosses_itself(shape):
        findings.fault(where, "its sides cross each other")
    return shape


def heat_source(keys: HeatSourceKeys | None, where: Path, findings: Findings) -> HeatSource | None:
    """Return the heat source of a part, None where there is none or it has faults."""
    if keys is None:
        return None
    if (keys.per_volume is None) == (keys.per_length is None):
        findings.fault(where, "needs either per_volume or per_length, and not both")
        return None
    if keys.per_volume is not None:
        return HeatSource("volume", time_table(keys.per_volume))
    return HeatSource("length", time_table(keys.per_length))


def time_table(given: Given) -> TimeTable:
    """Return a given value as a table in time."""
    if given.table is not None and given.table.ok:
        return TimeTable(given.table.first, given.table.second)
    return TimeTable.constant(given.value)
