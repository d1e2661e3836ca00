"""Section templates: stud bay, ceiling, clipped cable and free air, each turned into parts and strokes of a drawing."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from ampsoak.base.units import describe
from ampsoak.scenario.case import AirZone, TimeTable
from ampsoak.scenario.cavities import is_air_gap
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model_base import Layer
from ampsoak.scenario.model_section import Ceiling, Clipped, FreeAir, StudBay
from ampsoak.scenario.open_air import NARROW, OPEN_AIR, USUAL_HEIGHT, film_zone, is_open_air, upright_zone
from ampsoak.scenario.plan import Gap, Plan, PlannedPart, Stroke, tidy
from ampsoak.scenario.shapes import Rectangle

NOTHING = float("nan")
DOWN = {"down": (0.0, -1.0), "left": (-1.0, 0.0), "along": None}
STILL = "open air of a room at the temperature of the surroundings; its films are those of still air"


def plan_stud_bay(keys: StudBay, findings: Findings, room: Callable[[], TimeTable]) -> Plan:
    """Return the plan of a stud bay; the room face is at the bottom.

    Parameters
    ----------
    keys : StudBay
    findings : Findings      takes faults and defaults
    room : callable          returns the air temperature of the surroundings, which a stud bay does not ask for
    """
    path: Path = ("stud_bay",)
    across = keys.plane == "across_studs"
    names = ("stud_spacing", "stud_width", "stud_material")
    zone = _bay_air(keys, across, path, findings)
    half, width = _framing(keys, across, names, path, findings, None if zone is None or across else zone.height)
    inner, outer = thickness_of(keys.inner_lining), thickness_of(keys.outer_lining)
    depth = keys.depth.value
    plan = Plan(
        width,
        tidy(inner + depth + outer),
        "horizontal cut across the studs, room side at the bottom"
        if across
        else "vertical cut between the studs, x runs up the wall, room side at the bottom",
        parts=[_filling("fill", keys.fill, "fill", zone, path)],
        cavity=(half, inner, tidy(width - half), tidy(inner + depth)),
        place="centred",
        down=None if across else (-1.0, 0.0),
    )
    plan.faces = {"inner": [("bottom", 0.0, width)], "outer": [("top", 0.0, width)]}
    _partial_fill(plan, keys, zone, path, findings)
    if zone is not None:
        _check_bay_air(plan, keys, path, findings)
    if across:
        plan.parts.append(PlannedPart("studs", keys.stud_material or "", "framing", (*path, "stud_material")))
        bottom, top = plan.cavity[1], plan.cavity[3]
        plan.strokes += [Stroke(Rectangle(left, bottom, right, top), "studs", path) for left, right in _ends(plan)]
    add_lining(plan, keys.inner_lining, "inner_lining", inner, -1, (*path, "inner_lining"))
    add_lining(plan, keys.outer_lining, "outer_lining", plan.cavity[3], 1, (*path, "outer_lining"))
    _size_bay_gaps(plan, keys, across)
    return plan


def plan_ceiling(keys: Ceiling, findings: Findings, room: Callable[[], TimeTable]) -> Plan:
    """Return the plan of a joist space with fill; the underside of the board is at the bottom. See plan_stud_bay."""
    path: Path = ("ceiling",)
    across = keys.plane == "across_joists"
    names = ("joist_spacing", "joist_width", "joist_material")
    half, width = _framing(keys, across, names, path, findings)
    board, fill = thickness_of(keys.lining), keys.fill_thickness.value
    plan = Plan(
        width,
        tidy(board + fill),
        f"vertical cut {'across' if across else 'between'} the joists, room below, loft above",
        parts=[PlannedPart("fill", keys.fill, "fill", (*path, "fill"))],
        cavity=(half, board, tidy(width - half), tidy(board + fill)),
        place="on_board",
    )
    plan.faces = {"inner": [("bottom", 0.0, width)], "outer": [("top", 0.0, width)]}
    if across:
        if keys.joist_depth is None:
            findings.missing((*path, "joist_depth"), 'plane "across_joists" needs it')
        depth = fill if keys.joist_depth is None else keys.joist_depth.value
        if depth > fill:
            findings.assume("ceiling: joists stand above the fill; they are cut off at its top")
        top = tidy(board + min(depth, fill))
        plan.parts.append(PlannedPart("joists", keys.joist_material or "", "framing", (*path, "joist_material")))
        plan.strokes += [Stroke(Rectangle(left, board, right, top), "joists", path) for left, right in _ends(plan)]
    add_lining(plan, keys.lining, "lining", board, -1, (*path, "lining"))
    return plan


def plan_clipped(keys: Clipped, findings: Findings, room: Callable[[], TimeTable]) -> Plan:
    """Return the plan of a board with air on it; the back of the board is at the bottom. See plan_stud_bay."""
    path: Path = ("clipped",)
    zone = None
    if keys.air is None or is_open_air(keys.air):
        zone = replace(upright_zone(keys, path, findings, usual="left"), temperature=room())
        findings.assume(f"clipped: {STILL}")
    else:
        for key in ("gravity", "height"):
            if getattr(keys, key) is not None:
                findings.fault((*path, key), f'has no place with air = "{keys.air}", which does not convect')
    reason = "deep enough to show; open air has no depth of its own" if zone else "the depth of a usual boundary layer"
    layer = findings.take(keys.air_layer, (*path, "air_layer"), "length", "60 mm", reason)
    width = findings.take(keys.extent, (*path, "extent"), "length", "200 mm", "wide enough for what the board carries off")
    board = NOTHING if keys.board is None else keys.board.thickness.value
    plan = Plan(
        width,
        tidy(board + layer),
        "cut across a cable clipped to a board, back of the board at the bottom",
        parts=[PlannedPart("air", keys.air or OPEN_AIR, "air", (*path, "air"), air=zone)],
        cavity=(0.0, board, width, tidy(board + layer)),
        place="on_board",
        down=DOWN[zone.gravity] if zone else (0.0, -1.0),
    )
    if keys.board is not None:
        plan.parts.append(PlannedPart("board", keys.board.material, "board", (*path, "board", "material")))
        plan.strokes.append(Stroke(Rectangle(0.0, 0.0, width, board), "board", (*path, "board")))
    plan.faces = {"inner": [("bottom", 0.0, width)]}
    if zone is not None:
        plan.open_air = (NOTHING, board, NOTHING, NOTHING)
    else:
        plan.faces["outer"] = [("top", 0.0, width), *((edge, board, plan.height) for edge in ("left", "right"))]
    return plan


def plan_free_air(keys: FreeAir, findings: Findings, room: Callable[[], TimeTable]) -> Plan:
    """Return the plan of nothing but the open air of a room. See plan_stud_bay."""
    path: Path = ("free_air",)
    zone = replace(film_zone(keys, path, findings), temperature=room())
    findings.assume(f"free_air: {STILL}")
    reason = "wide enough to show; open air has no width of its own"
    size = findings.take(keys.extent, (*path, "extent"), "length", "100 mm", reason)
    return Plan(
        size,
        size,
        "cut across a cable hung in open air",
        parts=[PlannedPart("air", OPEN_AIR, "air", path, air=zone)],
        cavity=(0.0, 0.0, size, size),
        place="centred",
        open_air=(NOTHING, NOTHING, NOTHING, NOTHING),
        down=DOWN[zone.gravity],
    )


def _framing(
    keys, across: bool, names: tuple[str, str, str], path: Path, findings: Findings, whole: float | None = None
) -> tuple[float, float]:
    """Return half the width of a framing member (0 without framing) and the width of the section [m].

    ``whole`` [m] is the width where what is shown is not ours to choose.
    """
    spacing, member, _ = (getattr(keys, name) for name in names)
    if across:
        for name in names:
            if getattr(keys, name) is None:
                findings.missing((*path, name), f'plane "{keys.plane}" needs it')
        if keys.extent is not None:
            findings.fault((*path, "extent"), f'has no place with plane "{keys.plane}"; the spacing sets the width')
        half, width = (float("nan") if given is None else given.value for given in (member, spacing))
        if half >= width:
            findings.fault((*path, names[1]), f"must be less than {names[0]}")
        return half / 2, width
    for name in names:
        if getattr(keys, name) is not None:
            findings.fault((*path, name), f'has no place with plane "{keys.plane}", which shows no framing')
    if whole is not None:
        if keys.extent is not None:
            findings.fault((*path, "extent"), "has no place with open air, which mixes over the whole height; give height")
        return 0.0, whole
    reason = "wide enough that its ends do not matter for a cable in a filled bay"
    return 0.0, findings.take(keys.extent, (*path, "extent"), "length", "400 mm", reason)


def _ends(plan: Plan) -> list[tuple[float, float]]:
    """Left and right end of the half members at both sides [m]."""
    left, _, right, _ = plan.cavity
    return [(0.0, left), (right, plan.width)]


def thickness_of(layers: list[Layer | None]) -> float:
    """Thickness of a lining [m], nan where a layer has faults."""
    return tidy(sum((float("nan") if layer is None else layer.thickness.value for layer in layers), 0.0))


def add_lining(plan: Plan, layers, name: str, start: float, direction: int, path: Path) -> None:
    """Add the layers of a lining, from ``start`` in ``direction`` (1 up, -1 down) [m]."""
    for index, layer in enumerate(layers):
        if layer is None:
            continue
        part = name if len(layers) == 1 else f"{name}_{index + 1}"
        stop = tidy(start + direction * layer.thickness.value)
        low, high = sorted((start, stop))
        plan.parts.append(PlannedPart(part, layer.material, "board", (*path, index, "material")))
        plan.strokes.append(Stroke(Rectangle(0.0, low, plan.width, high), part, (*path, index)))
        start = stop


def _bay_air(keys: StudBay, across: bool, path: Path, findings: Findings) -> AirZone | None:
    """Zone of the open air in a bay, None where it has none; gravity runs along studs, and they run along x otherwise."""
    if not (is_open_air(keys.fill) or is_open_air(keys.rest)):
        if keys.height is not None:
            findings.fault((*path, "height"), f'has no place without "{OPEN_AIR}" as fill or rest')
        return None
    height = findings.take(keys.height, (*path, "height"), "length", USUAL_HEIGHT, "a usual storey; air mixes over it")
    return AirZone("along" if across else "left", height)


def _filling(part: str, material: str, role: str, zone: AirZone | None, path: Path) -> PlannedPart:
    """A part of the bay, open air if its material is."""
    if zone is not None and is_open_air(material):
        return PlannedPart(part, material, "air", (*path, part), air=zone)
    return PlannedPart(part, material, role, (*path, part))


def _size_bay_gaps(plan: Plan, keys: StudBay, across: bool) -> None:
    """Tell the fill and the rest of a bay how large they are, if they are a narrow gap of air."""
    left, low, right, high = plan.cavity
    width = right - left if across else math.inf
    beside = [layers[0].material if layers and layers[0] else "" for layers in (keys.inner_lining, keys.outer_lining)]
    filled = 0.0 if keys.fill_depth is None else keys.fill_depth.value
    for part, material, depth in (("fill", keys.fill, filled or high - low), ("rest", keys.rest, high - low - filled)):
        if not is_air_gap(material):
            continue
        other = keys.rest if part == "fill" else keys.fill
        inner_side = (keys.fill_against == "inner") == (part == "fill")
        faces = tuple(beside) if not filled else (beside[0] if inner_side else beside[1], other or "")
        for planned in plan.parts:
            if planned.name == part:
                planned.gap, planned.role = Gap(depth, width, faces), "air"


def _check_bay_air(plan: Plan, keys: StudBay, path: Path, findings: Findings) -> None:
    """Say where the open air of a bay is, and record faults where nothing holds it in."""
    if is_open_air(keys.fill) and is_open_air(keys.rest):
        findings.fault((*path, "rest"), "is open air like the fill; leave fill_depth, fill_against and rest out")
    left, low, right, high = plan.cavity
    (rest,) = [stroke.shape for stroke in plan.strokes if stroke.part == "rest"] or [None]
    if rest is not None:
        in_rest = is_open_air(keys.rest)
        lower = (rest.bottom == low) == in_rest
        border = rest.top if rest.bottom == low else rest.bottom
        low, high = (low, border) if lower else (border, high)
    plan.open_air = (left, low, right, high)
    for name, bare in (("inner_lining", low == 0.0), ("outer_lining", high == plan.height)):
        if bare and not (findings.has((*path, name)) and getattr(keys, name)):
            findings.fault((*path, name), "is missing; open air in the bay needs a lining on this side")
    if high - low < NARROW:
        findings.assume(
            f"stud_bay: the open space is only {describe(high - low, 'length')} deep; films of open air hold from about "
            f"{describe(NARROW, 'length')} on"
        )


def _partial_fill(plan: Plan, keys: StudBay, zone: AirZone | None, path: Path, findings: Findings) -> None:
    """Add the part of the bay that a partial fill leaves."""
    if keys.fill_depth is None:
        for name in ("rest", "fill_against"):
            if getattr(keys, name) is not None:
                findings.fault((*path, name), "has no place without fill_depth")
        return
    if keys.rest is None:
        findings.missing((*path, "rest"), "fill_depth leaves a space whose material it names")
        return
    if keys.fill_depth.value >= keys.depth.value:
        findings.fault((*path, "fill_depth"), "must be less than depth; leave it out for a full bay")
    if keys.fill_against is None:
        findings.assume('stud_bay.fill_against not given: "outer" taken (fill lies against the outer lining)')
    left, bottom, right, top = plan.cavity
    fill = keys.fill_depth.value
    low, high = (tidy(bottom + fill), top) if keys.fill_against == "inner" else (bottom, tidy(top - fill))
    plan.parts.append(_filling("rest", keys.rest, "air", zone, path))
    plan.strokes.append(Stroke(Rectangle(left, low, right, high), "rest", path))
