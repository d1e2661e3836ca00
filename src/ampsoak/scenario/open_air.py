"""Open air in a section: on what terms a part is an air zone, and what the rest of the scenario may say beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ampsoak.library import load as library
from ampsoak.library.materials import USUAL_EMISSIVITY
from ampsoak.scenario.arrangement import band, beyond_round, touching_groups
from ampsoak.scenario.case import AirZone, Part
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.geometry import SLACK, outline_pieces, outside, painted_parts
from ampsoak.scenario.lines import Path, key_text
from ampsoak.scenario.materials import UNKNOWN
from ampsoak.scenario.model_section import FilmLaw, Upright
from ampsoak.scenario.plan import Plan, PlannedPart, Room, Stroke
from ampsoak.scenario.shapes import Rectangle, Shape, Stadium, Wedge, Wrap

OPEN_AIR = "open_air"
USUAL_HEIGHT = "2.4 m"
NARROW = 0.025  # [m] films of open air hold from about here on: ISO 6946, where cavities conduct below (from memory)
TOUCHING = 0.5e-3  # [m] between cable and board, up to which the air beside the contact stands still
PLACES = "stud_bay (fill, rest), clipped, free_air, conduit.filling and drawn parts with an air table"
CHORDS = 48  # of each outline in the band round a group
ARC = 32  # chords to the radian along the wall of a wedge in a tube
SAMPLES = 400  # pieces of an outline, and looks along an edge


def is_open_air(name: str | None) -> bool:
    """Whether a material's name, or an alias of it, is that of open air."""
    try:
        return name is not None and library.material(name).name == OPEN_AIR
    except KeyError:
        return False


def upright_zone(keys: Upright, path: Path, findings: Findings, usual: str = "down") -> AirZone:
    """Return a zone with the gravity (else ``usual``) and height that ``keys`` state or leave to be assumed."""
    gravity = keys.gravity
    if gravity is None:
        gravity = usual
        if findings.has((*path, "gravity")):
            return AirZone(gravity)  # its fault is recorded
        findings.assume(f'{key_text(path)}.gravity not given: "{gravity}" taken')
    where = (*path, "height")
    if gravity == "along":
        height = findings.take(keys.height, where, "length", USUAL_HEIGHT, "a usual storey")
        return AirZone(gravity, height)
    if keys.height is not None:
        findings.fault(where, 'has no place unless gravity is "along"; the drawing shows how high surfaces are')
    return AirZone(gravity)


def film_zone(keys: FilmLaw, path: Path, findings: Findings) -> AirZone:
    """Return a zone with the gravity, height and film law that ``keys`` state or leave to be assumed."""
    zone = upright_zone(keys, path, findings)
    where = (*path, "constants")
    if keys.law != "iec_60287":
        if keys.constants is not None:
            findings.fault(where, 'has no place unless law is "iec_60287"')
        return zone
    if keys.constants is None:
        findings.missing(where, "iec_60287 needs Z, E and g of its table, such as [0.21, 3.94, 0.60] for a single cable")
        return zone
    return replace(zone, law=keys.law, law_constants=tuple(given.value for given in keys.constants))


def add_gaps(name: str, outline: Shape, path: Path, plan: Plan, findings: Findings) -> None:
    """Where a cable touches what bounds open air below or above, fill the wedges beside the contact with still air.

    The wedge reaches from the surface to where the outline turns back, its own radius away.
    """
    if plan.open_air is None or outside(outline, plan.open_air) > 0:
        return
    left, bottom, right, top = outline.bounds
    radius = outline.spine[1] if isinstance(outline, Stadium) else min(right - left, top - bottom) / 2
    strokes = []
    for surface, edge, inwards in ((plan.open_air[1], bottom, 1), (plan.open_air[3], top, -1)):
        if abs(surface - edge) <= TOUCHING:
            back = edge + inwards * radius
            low, high = (float(end[0, 0]) for end in outline.spans(0, np.array([back])))
            strokes.append(Stroke(Rectangle(low, min(surface, back), high, max(surface, back)), f"{name}.gap", path))
    if strokes:
        plan.parts.append(PlannedPart(f"{name}.gap", "air", "air", path))
        plan.strokes += strokes
        findings.assume(f'cable "{name}" touches a surface in open air: still air beside the contact, "{name}.gap"')


def add_tube_gaps(name: str, outline: Shape, path: Path, room: Room, plan: Plan, findings: Findings) -> None:
    """Where a cable touches the wall of a round space of open air, fill the wedges beside the contact with still air.

    As ``add_gaps``: from the wall to where the outline turns back, in the direction of the contact.
    """
    space = room.outline
    middle = np.array([outline.x - space.x, outline.y - space.y])
    away = float(np.hypot(*middle))
    if beyond_round(outline, replace(space, radius=space.radius - TOUCHING)) == 0 or away == 0:
        return
    along = middle / away
    aside = np.array([-along[1], along[0]])
    half = max(abs((outline.outline() - [outline.x, outline.y]) @ aside))
    half = min(half, math.sqrt(max(space.radius**2 - away**2, 0.0)))
    reach = math.asin(min(half / space.radius, 1.0))
    # corners beyond the wall, sides on it: a sliver of air left there would be one with two surfaces
    turns = np.linspace(-reach, reach, 2 * math.ceil(ARC * reach) + 1)
    beyond = space.radius / math.cos((turns[1] - turns[0]) / 2)
    arc = beyond * (np.cos(turns)[:, None] * along + np.sin(turns)[:, None] * aside)
    corners = np.array([space.x, space.y]) + np.vstack([middle + half * aside, middle - half * aside, arc])
    plan.parts.append(PlannedPart(f"{name}.gap", "air", "air", path))
    plan.strokes.append(Stroke(Wedge(tuple((float(x), float(y)) for x, y in corners)), f"{name}.gap", path))
    findings.assume(f'cable "{name}" touches {room.words}: still air beside the contact, "{name}.gap"')


def add_wraps(
    bodies: list[tuple[str, Shape, Path]], plan: Plan, findings: Findings, inside: str = ""
) -> None:
    """Where bodies touch each other in open air, fill what they leave of a band round them with still air.

    Their boundary layers grow into one: the band is one surface with one film, of the size of the whole, as films of groups are
    in IEC 60287-2-1, whose own law already holds the group and is left alone.

    Parameters
    ----------
    bodies : list of (name, outline, path)
    inside : str          name of the conduit of open air that holds them all, if one does
    """
    if not inside:
        zones = [part.air for part in plan.parts if part.air is not None]
        if plan.open_air is None or any(zone.law != "natural" for zone in zones):
            return
        bodies = [body for body in bodies if outside(body[1], plan.open_air) == 0]
    for group in touching_groups([outline for _, outline, _ in bodies], TOUCHING):
        names = [bodies[number][0] for number in group]
        name, path = f"{names[0]}.group", bodies[group[0]][2]
        plan.parts.append(PlannedPart(name, "air", "air", path))
        plan.strokes.append(Stroke(Wrap(tuple(band([bodies[number][1] for number in group], CHORDS))), name, path))
        findings.assume(f'{", ".join(names)} touch each other in open air: one film round them, still air between, "{name}"')


def air_along(plan: Plan, edge: str, start: float, stop: float) -> tuple[float, bool]:
    """Share of a span of an edge [m] that open air meets, and whether all that air is held at a given temperature."""
    if not math.isfinite(stop - start + plan.width + plan.height):
        return 0.0, False  # faults were found in these lengths
    strokes = _strokes(plan)
    along = start + (np.arange(SAMPLES) + 0.5) / SAMPLES * (stop - start)
    aside = np.full(SAMPLES, SLACK if edge in ("left", "bottom") else plan.edges[_across(edge)] - SLACK)
    x, y = (aside, along) if edge in ("left", "right") else (along, aside)
    zones = [plan.parts[number].air for number in painted_parts(strokes, x, y)]
    met = [zone for zone in zones if zone is not None]
    return len(met) / SAMPLES, bool(met) and all(zone.temperature is not None for zone in met)


def _across(edge: str) -> str:
    """An edge whose length is the distance from ``edge`` to the one opposite."""
    return "bottom" if edge in ("left", "right") else "left"


def _strokes(plan: Plan) -> list[tuple[Shape, int]]:
    """Shapes in painting order with the number of their part; those in whose lengths faults were found are left out."""
    numbers = {part.name: number for number, part in enumerate(plan.parts)}
    known = [stroke for stroke in plan.strokes if all(math.isfinite(side) for side in stroke.shape.bounds)]
    return [(stroke.shape, numbers[stroke.part]) for stroke in known]


def check_open_air(plan: Plan, parts: tuple[Part, ...], findings: Findings) -> None:
    """Record faults of parts that are open air or meet it, and assume the emissivities that nobody gave."""
    for planned, part in zip(plan.parts, parts, strict=True):
        if part.air is None and part.material.name == OPEN_AIR and planned.path[0] != "drawing":
            findings.fault(planned.path, f'open air convects and radiates; it has a place in {PLACES}; narrow gaps are "air_gap"')
        elif part.air is not None and part.material.family not in ("air", "other"):
            findings.fault(planned.path, "open air needs a material of the family air")
        if part.air is not None and part.air.temperature is not None and part.heat_source is not None:
            findings.fault(planned.path, "a heat source has no place in air that is held at a given temperature")
    metals = {conductor.name for conductor in plan.conductors}
    for number, zones in sorted(_meeting_air(plan, parts).items()):
        material, planned = parts[number].material, plan.parts[number]
        if parts[number].name in metals or material.family == "metal":
            laws = {parts[zone].air.law for zone in zones} if parts[number].name in metals else set()
            _check_bare(planned, parts[number], laws, findings)
        elif material.emissivity is None:
            reason = "usual for building materials and plastics; its surface meets open air"
            findings.take(None, ("material", material.name, "emissivity"), "number", USUAL_EMISSIVITY, reason)


def _check_bare(planned: PlannedPart, part: Part, laws: set[str], findings: Findings) -> None:
    """Record a fault where a bare metal cannot be told what it radiates, and say what was taken for it."""
    given, words = part.material.emissivity, f'"{part.name}" lies bare in open air'
    if "iec_60287" in laws:
        findings.fault(planned.path, f'{words} under law = "iec_60287", which holds for covered cables; use law = "natural"')
    elif given is None and part.material.name != UNKNOWN.name:
        findings.fault(planned.path, f"{words}, and its material has no emissivity; give a [[material]] based on it one")
    elif given is not None and given.low < given.high:
        findings.assume(
            f"{words}: emissivity {given.typical:.3g} of {part.material.name} taken; {given.low:.3g} to {given.high:.3g} by its "
            "surface, polished to weathered; a [[material]] based on it may say so"
        )


def _meeting_air(plan: Plan, parts: tuple[Part, ...]) -> dict[int, set[int]]:
    """Numbers of the parts whose outline meets open air somewhere, with those of the air."""
    is_air = np.array([part.air is not None for part in parts])
    found: dict[int, set[int]] = {}
    if not is_air.any():
        return found
    strokes = _strokes(plan)
    for shape, _ in strokes:
        middle, vector = outline_pieces(shape, shape.perimeter / SAMPLES)
        left, bottom, right, top = shape.bounds
        aside = 1e-3 * min(right - left, top - bottom) / np.hypot(vector[:, 0], vector[:, 1])
        off = np.column_stack([vector[:, 1], -vector[:, 0]]) * aside[:, None]
        one, other = painted_parts(strokes, *(middle + off).T), painted_parts(strokes, *(middle - off).T)
        for air, solid in ((one, other), (other, one)):
            for pair in np.unique(np.column_stack([solid, air])[is_air[air] & ~is_air[solid]], axis=0):
                found.setdefault(int(pair[0]), set()).add(int(pair[1]))
    return found


def zone_record(zone: AirZone) -> dict:
    """Return a JSON-ready record of an air zone with units."""
    record: dict = {"gravity": zone.gravity, "law": zone.law}
    if zone.gravity == "along":
        record["height"] = {"value": zone.height, "unit": "m"}
    if zone.law_constants:
        record["law_constants"] = list(zone.law_constants)
    if zone.temperature is not None:
        record["temperature"] = {
            "time": list(zone.temperature.time), "value": list(zone.temperature.value), "unit": "K",
        }  # fmt: skip
    return record
