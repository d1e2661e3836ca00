"""Narrow gaps of air: which parts are one, how large it is, and the material that its size makes of it."""

from __future__ import annotations

import math
from dataclasses import replace

from ampsoak.base.units import describe
from ampsoak.library import load as library
from ampsoak.library.materials import USUAL_EMISSIVITY, Material
from ampsoak.scenario.arrangement import wrapped_perimeter
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.materials import MaterialShelf
from ampsoak.scenario.open_air import NARROW
from ampsoak.scenario.plan import Gap, Plan, PlannedPart, Room
from ampsoak.scenario.shapes import Shape

AIR_GAP = "air_gap"
PLACES = "bored_hole.filling, conduit.filling, and fill or rest of a stud_bay"
REFERENCE = 297.15  # [K] at which the value of a conductivity stands


def is_air_gap(name: str | None) -> bool:
    """Whether a material's name, or an alias of it, is that of a narrow air gap."""
    try:
        return name is not None and library.material(name).name == AIR_GAP
    except KeyError:
        return False


def gap_in_room(room: Room, bodies: list[tuple[Shape, str]]) -> Gap:
    """Size of the gap between a round space and the bodies in it.

    A band stretched round the bodies, taken as a circle of radius a in the middle of a space of radius b: heat that leaves
    by radiation as if through a depth of a ln(b/a), which is b - a where the gap is thin.

    Parameters
    ----------
    room : Room
    bodies : list of (outline, material of its surface)     what lies in it
    """
    radius = room.outline.radius
    if not bodies:
        # ISO 10077-2 clause 6.3.3 (from memory, medium confidence): a cavity of another shape counts as a rectangle of its area
        side = math.sqrt(math.pi) * radius
        return Gap(side, side, (room.face, room.face))
    inner = min(wrapped_perimeter([outline for outline, _ in bodies]) / (2 * math.pi), 0.999 * radius)
    return Gap(inner * math.log(radius / inner), math.inf, (bodies[0][1], room.face), radius / inner)


def size_gaps(plan: Plan, bodies: dict[str, list[tuple[Shape, str]]]) -> None:
    """Tell the parts that fill round spaces how large a gap they are; ``bodies`` by name of the space."""
    parts = {part.name: part for part in plan.parts}
    for name, room in plan.rooms.items():
        part = parts[room.part]
        if is_air_gap(part.material) and math.isfinite(room.outline.radius):
            part.gap = gap_in_room(room, bodies.get(name, []))


def gap_material(planned: PlannedPart, base: Material, shelf: MaterialShelf, findings: Findings) -> Material:
    """Return the material of a part of narrow air; a fault where nothing tells its size."""
    gap = planned.gap
    if gap is None:
        law = '{ law = "cavity", depth = "8 mm" }'
        findings.fault(
            planned.path, f"nothing tells how large this gap is: {AIR_GAP} has a place in {PLACES}; elsewhere give a "
            f"[[material]] based on it with conductivity = {law}"
        )  # fmt: skip
        return base
    if not math.isfinite(gap.depth):
        return base  # faults were found in these lengths
    near, far = (_emissivity(name, planned, shelf, findings) for name in gap.faces)
    # where the far face is larger, exchange between concentric bodies has 1/e1 + (A1/A2) (1/e2 - 1)
    seen = 1 / (1 + (1 / far - 1) / gap.growth)
    size: dict[str, float] = {"depth": gap.depth, "emissivity": near, "far_emissivity": seen}
    if math.isfinite(gap.width):
        size["width"] = gap.width
    course = replace(base.conductivity, parameters=tuple(size.items()))
    typical = float(course.at(REFERENCE))
    value = replace(base.conductivity.value, typical=typical, low=typical, high=typical)
    made = replace(
        base, name=f"{AIR_GAP} of {planned.name}", conductivity=replace(course, value=value),
        description=f"Air gap, {1e3 * gap.depth:.3g} mm deep on the whole",
    )  # fmt: skip
    shelf.used[made.name] = made
    findings.assume(
        f"{planned.name}: a gap {1e3 * gap.depth:.3g} mm deep on the whole, emissivities {near:.3g} and {far:.3g}, by "
        f"ISO 10077-2 for a difference of 10 K: {typical:.3g} W/m/K at 24 degC"
    )
    if gap.depth > NARROW:
        findings.assume(f"{planned.name}: deeper than {describe(NARROW, 'length')}, where air moves more than this law says")
    return made


def _emissivity(name: str, planned: PlannedPart, shelf: MaterialShelf, findings: Findings) -> float:
    """Emissivity of the surface of a material, the usual one where none is known."""
    found = shelf.find(name, planned.path).emissivity if name else None
    if found is None:
        reason = "usual for building materials and plastics; its surface faces a narrow gap"
        return findings.take(None, ("material", name or "surface", "emissivity"), "number", USUAL_EMISSIVITY, reason)
    return found.typical
