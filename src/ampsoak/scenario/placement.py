"""Conduits and cables put in their place: by word or number, inside the space they may lie in, none overlapping another."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import describe
from ampsoak.library.cables import CableEntry
from ampsoak.scenario.arrangement import Place, arranged, at_rest, beyond_round
from ampsoak.scenario.cables import LaidCable, check_construction, find_cable, lay_cable, outline_of
from ampsoak.scenario.case import AirZone
from ampsoak.scenario.cavities import AIR_GAP, size_gaps
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.geometry import outside, overlap
from ampsoak.scenario.lines import Path
from ampsoak.scenario.materials import MaterialShelf
from ampsoak.scenario.model_section import CableKeys, ConduitKeys
from ampsoak.scenario.open_air import NARROW, USUAL_HEIGHT, add_gaps, add_tube_gaps, add_wraps, is_open_air
from ampsoak.scenario.plan import Plan, PlannedConductor, PlannedPart, Room, Stroke, tidy
from ampsoak.scenario.shapes import Circle, Ring, Shape

TOUCHING = ("touching_inner", "touching_outer", "on_board")


@dataclass
class LaidConduit:
    """A conduit in its place."""

    name: str
    outline: Circle
    material: str
    path: Path


def lay_conduits(
    conduits: list[ConduitKeys | None], plan: Plan | None, shelf: MaterialShelf, findings: Findings
) -> list[LaidConduit]:
    """Lay every conduit into the plan, where cables then find its inside as a room; return those laid."""
    laid: list[LaidConduit] = []
    for index, keys in enumerate(conduits):
        if keys is None:
            continue
        path: Path = ("conduit", index)
        outer, wall = keys.outer_diameter.value / 2, keys.wall_thickness.value
        if wall >= outer:
            findings.fault((*path, "wall_thickness"), "leaves no room inside the conduit")
            continue
        if plan is None:
            continue
        words = f'conduit "{keys.name}"'
        shape, room = Circle(0.0, 0.0, outer), plan.rooms.get("")
        if room is not None:
            (centre,) = _places_in(room, keys, shape, 1, [item.outline for item in laid], words, plan, path, findings)
        else:
            centre = _centre(keys, shape.bounds, plan, words, path, findings)
        if centre is None:
            continue
        outline = Circle(*centre, outer)
        if room is None:
            _check_cavity(words, outline, plan, path, findings)
        laid.append(LaidConduit(keys.name, outline, keys.material, path))
    for conduit in laid:
        if not plan.rooms.get(""):
            add_gaps(conduit.name, conduit.outline, conduit.path, plan, findings)
    if plan is not None:
        add_wraps([(conduit.name, conduit.outline, conduit.path) for conduit in laid], plan, findings)
    for conduit in laid:
        _paint_conduit(conduit, conduits[conduit.path[1]], plan, shelf, findings)
    return laid


def _paint_conduit(conduit: LaidConduit, keys: ConduitKeys, plan: Plan, shelf: MaterialShelf, findings: Findings) -> None:
    """Add the wall and the inside of a conduit to the plan; a wall of metal is as hot all round, like a conductor."""
    name, where = conduit.name, (*conduit.path, "filling")
    filling = keys.filling
    if filling is None:
        filling = AIR_GAP
        findings.assume(f'conduit "{name}": filling not given: air that conducts and radiates ("{AIR_GAP}")')
    inside = replace(conduit.outline, radius=conduit.outline.radius - keys.wall_thickness.value)
    plan.parts.append(PlannedPart(f"{name}.wall", keys.material, "other", (*conduit.path, "material")))
    zone = tube_zone(conduit, inside, plan, findings) if is_open_air(filling) else None
    plan.parts.append(PlannedPart(f"{name}.inside", filling, "air" if "air" in filling else "fill", where, air=zone))
    plan.strokes.append(Stroke(conduit.outline, f"{name}.wall", conduit.path))
    plan.strokes.append(Stroke(inside, f"{name}.inside", conduit.path))
    plan.rooms[name] = Room(inside, f"{name}.inside", keys.material, f'conduit "{name}"')
    if shelf.find(keys.material, (*conduit.path, "material")).family == "metal":
        wall = Ring(inside.x, inside.y, conduit.outline.radius, inside.radius)
        plan.conductors.append(PlannedConductor(f"{name}.wall", wall, wall.area, 0.0, 0.0, None, 1.0, conduit.path))


def tube_zone(conduit: LaidConduit, inside: Circle, plan: Plan, findings: Findings) -> AirZone:
    """Zone of the open air in a conduit; upright ones are as high as the open air round them, or a usual storey."""
    words = f'conduit "{conduit.name}"'
    if 2 * inside.radius < NARROW:
        findings.assume(
            f"{words}: only {describe(2 * inside.radius, 'length')} wide inside; films of open air hold from about "
            f'{describe(NARROW, "length")} on, "{AIR_GAP}" below'
        )
    if plan.down is not None:
        return AirZone("down" if plan.down[1] else "left")
    known = [part.air.height for part in plan.parts if part.air is not None and part.air.gravity == "along"]
    if known:
        return AirZone("along", known[0])
    findings.assume(f"{words}: {USUAL_HEIGHT} high taken, a usual storey")
    return AirZone("along")


def _still_air(laid: list[LaidCable], plan: Plan, findings: Findings) -> None:
    """Fill the wedges beside cables that touch something in open air, and the bands round those that touch each other."""
    airy = {part.name for part in plan.parts if part.air is not None}
    for cable in laid:
        room = plan.rooms.get(cable.inside)
        if room is None:
            add_gaps(cable.keys.name, cable.outline, cable.path, plan, findings)
        elif room.part in airy:
            add_tube_gaps(cable.keys.name, cable.outline, cable.path, room, plan, findings)
    for name in dict.fromkeys(("", *plan.rooms)):
        room = plan.rooms.get(name)
        if room is None or room.part in airy:
            bodies = [(c.keys.name, c.outline, c.path) for c in laid if c.inside == name]
            add_wraps(bodies, plan, findings, inside=name)


def lay_cables(
    cables: list[CableKeys | None], conduits: list[LaidConduit], plan: Plan | None, shelf: MaterialShelf, findings: Findings
) -> list[LaidCable]:
    """Lay every cable into the plan and return those laid; without a plan only their construction is checked."""
    laid: list[tuple[LaidCable, Place, float]] = []
    for index, keys in enumerate(cables):
        if keys is None:
            continue
        path: Path = ("cable", index)
        entry = find_cable(keys, path, shelf, findings)
        if entry is None:
            continue
        if keys.layers is not None:
            check_construction(entry, (*path, "layers"), findings)
        if plan is None or not _room_known(keys, plan, path, findings):
            continue
        angle = 0.0 if keys.rotation is None else keys.rotation.value
        flat = entry.overall_width.typical != entry.overall_height.typical and entry.form == "flat"
        if keys.rotation is None and flat:
            findings.assume(f'cable "{keys.name}": rotation not given: flat side along x')
        inside = keys.inside or ""
        beside = [cable.outline for cable, _, _ in laid if cable.inside == inside]
        beside += [conduit.outline for conduit in conduits] if not inside else []
        for one, centre in zip(_each(keys), _centres(keys, entry, angle, beside, plan, path, findings), strict=True):
            if centre is not None:
                laid.append((LaidCable(one, entry, outline_of(entry, centre, angle), path, inside), centre, angle))
    if plan is not None:
        _still_air([cable for cable, _, _ in laid], plan, findings)
    for cable, centre, angle in laid:
        lay_cable(cable, centre, angle, plan)
    found = [cable for cable, _, _ in laid]
    if plan is not None:
        bodies = {name: [(c.outline, c.surface) for c in found if c.inside == name] for name in plan.rooms}
        bodies.setdefault("", []).extend((conduit.outline, conduit.material) for conduit in conduits)
        size_gaps(plan, bodies)
    return found


def _each(keys: CableKeys) -> Iterator[CableKeys]:
    """The cables that one table stands for: itself, or NAME_1, NAME_2 and so on."""
    if keys.count is None:
        yield keys
    for number in range(1, (keys.count or 0) + 1):
        yield keys.model_copy(update={"name": f"{keys.name}_{number}"})


def _room_known(keys: CableKeys, plan: Plan, path: Path, findings: Findings) -> bool:
    """Whether the conduit that a cable names is there; a fault where it is not."""
    if keys.inside is None or keys.inside in plan.rooms:
        return True
    if keys.inside not in findings.names(("conduit",)):
        known = [name for name in plan.rooms if name]
        findings.fault((*path, "inside"), "no such conduit", nearest_name(keys.inside, known))
    return False


def _centres(keys, entry: CableEntry, angle: float, beside, plan: Plan, path: Path, findings) -> list[Place | None]:
    """Centres of the cables of one table [m], None with a fault where one has no place."""
    outline, count = outline_of(entry, (0.0, 0.0), angle), keys.count or 1
    words, room = f'cable "{keys.name}"', plan.rooms.get(keys.inside or "")
    for key in ("arrangement", "spacing"):
        if keys.count is None and getattr(keys, key) is not None:
            findings.fault((*path, key), "has no place without count")
    if room is not None:
        return _places_in(room, keys, outline, count, beside, words, plan, path, findings)
    if keys.place == "resting":
        findings.fault((*path, "place"), "has a place in a bored hole or a conduit only")
        return [None] * count
    offsets = _offsets(keys, outline, count, findings)
    left, bottom, right, top = outline.bounds
    xs, ys = zip(*offsets, strict=True)
    middle = _centre(keys, (min(xs) + left, min(ys) + bottom, max(xs) + right, max(ys) + top), plan, words, path, findings)
    if middle is None:
        return [None] * count
    centres = [(tidy(middle[0] + x), tidy(middle[1] + y)) for x, y in offsets]
    for centre in centres:
        _check_cavity(words, outline_of(entry, centre, angle), plan, path, findings)
    return centres


def _offsets(keys: CableKeys, outline: Shape, count: int, findings: Findings) -> list[Place]:
    arrangement = keys.arrangement
    if arrangement is None:
        arrangement = "packed"
        if count > 1:
            findings.assume(f'cable "{keys.name}": arrangement not given: "packed" taken')
    spacing = 0.0 if keys.spacing is None else keys.spacing.value
    return arranged(count, arrangement, outline, spacing)


def _places_in(room: Room, keys, outline: Shape, count: int, beside, words: str, plan: Plan, path: Path, findings):
    """Centres of equal bodies in a round space [m], None with a fault where one has no place."""
    place, space = keys.place, room.outline
    in_numbers = keys.x is not None or keys.y is not None
    if place is None and not in_numbers:
        place = "centred" if plan.down is None and count == 1 and not beside else "resting"
        findings.assume(f'{words}: place not given: "{place}" in {room.words} taken')
    if not math.isfinite(space.radius + sum(outline.bounds)):
        return [None] * count  # faults were found in these lengths
    if place in TOUCHING:
        findings.fault((*path, "place"), f'has no place in {room.words}; "centred", "resting", or x and y')
    elif place == "resting":
        for key in ("x", "y", "arrangement", "spacing"):
            if getattr(keys, key, None) is not None:
                findings.fault((*path, key), 'has no place with place = "resting", which lays every cable itself')
        return _resting(room, outline, count, beside, words, plan, path, findings)
    elif place == "centred" and in_numbers:
        findings.fault((*path, "place"), "has no place beside x and y, which say the same in numbers")
    offsets = _offsets(keys, outline, count, findings) if count > 1 else [(0.0, 0.0)]
    middle = (space.x if keys.x is None else keys.x.value, space.y if keys.y is None else keys.y.value)
    centres = [(tidy(middle[0] + x), tidy(middle[1] + y)) for x, y in offsets]
    beyond = max(beyond_round(replace(outline, x=x, y=y), space) for x, y in centres)
    if beyond > 0:
        findings.fault(path, f"{words} reaches {describe(beyond, 'length')} outside {room.words}")
    return centres


def _resting(room: Room, outline: Shape, count: int, beside, words: str, plan: Plan, path: Path, findings: Findings):
    """Centres of equal bodies that are laid into a round space one after the other [m]."""
    down = plan.down
    if down is None:
        down = (0.0, -1.0)
        findings.assume(f"{room.words}: gravity is along the cable; what lies in it leans on the side towards smaller y")
    others, centres = list(beside), []
    for number in range(count):
        centre = at_rest(outline, room.outline, others, down)
        if centre is None:
            which = f"number {number + 1} of {words}" if count > 1 else words
            findings.fault(path, f"{which} does not fit into {room.words} of {describe(2 * room.outline.radius, 'length')}")
            return centres + [None] * (count - number)
        centres.append(centre)
        others.append(replace(outline, x=centre[0], y=centre[1]))
    return centres


def _check_cavity(words: str, outline: Shape, plan: Plan, path: Path, findings: Findings) -> None:
    """Record a fault where something reaches beyond the space it may lie in."""
    beyond = outside(outline, plan.cavity)
    left, bottom, right, top = (describe(value, "length") for value in plan.cavity)
    if beyond > 0 and not (plan.cavity[0] >= plan.cavity[2] or plan.cavity[1] >= plan.cavity[3]):
        findings.fault(
            path,
            f"{words} reaches {describe(beyond, 'length')} outside the space it may lie in, "
            f"x {left} to {right}, y {bottom} to {top}",
        )


def _centre(keys: CableKeys | ConduitKeys, bounds, plan: Plan, words: str, path: Path, findings: Findings) -> Place | None:
    """Centre of a cable, a group or a conduit [m], None with a fault where nothing tells it."""
    left, bottom, right, top = plan.cavity
    place = keys.place
    what = words.partition(" ")[0]
    if keys.y is not None and place is not None:
        findings.fault((*path, "place"), "has no place beside y, which says the same in numbers")
    if place is None and keys.y is None:
        if not plan.place:
            findings.missing((*path, "y"), f"a {what} in a drawing needs x and y of its centre")
            return None
        place = plan.place
        findings.assume(f'{words}: place not given: "{place}" taken')
    x = tidy((left + right) / 2) if keys.x is None else keys.x.value
    if keys.x is None and not plan.place and place is None:
        findings.missing((*path, "x"), f"a {what} in a drawing needs x and y of its centre")
        return None
    if keys.y is not None:
        return x, keys.y.value
    if place == "resting":
        findings.fault((*path, "place"), "has a place in a bored hole or a conduit only")
        return None
    if place == "centred":
        return x, tidy((bottom + top) / 2)
    return x, tidy(top - bounds[3] if place == "touching_outer" else bottom - bounds[1])


def check_overlaps(cables: list[LaidCable], conduits: list[LaidConduit], plan: Plan, findings: Findings) -> None:
    """Record a fault for every two conduits, cables or drawn conductors that overlap."""
    things = [(f'conduit "{conduit.name}"', conduit.outline, conduit.path, "") for conduit in conduits]
    things += [(f'cable "{cable.keys.name}"', cable.outline, cable.path, cable.inside) for cable in cables]
    things += [
        (f'conductor "{item.name}"', item.shape, item.path, "") for item in plan.conductors if item.path[0] == "drawing"
    ]
    for later in range(len(things)):
        name, shape, path, inside = things[later]
        for other, other_shape, _, other_inside in things[:later]:
            # what lies in a conduit is kept in by its room, not kept out by its outline
            if inside == other_inside and overlap(shape, other_shape):
                findings.fault(path, f"{name} overlaps {other}; move one of them (x, y)")
