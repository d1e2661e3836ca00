"""Template of a bored hole: a framing member with a round hole, cut across the cable that runs through it."""

from __future__ import annotations

from collections.abc import Callable

from ampsoak.base.units import describe
from ampsoak.scenario.case import TimeTable
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model_section import BoredHole
from ampsoak.scenario.plan import Plan, PlannedPart, Room, Stroke, tidy
from ampsoak.scenario.shapes import Circle
from ampsoak.scenario.templates import add_lining, thickness_of

REPRESENTS = {
    "stud": "vertical cut in a bored stud, x runs up the wall, room side at the bottom",
    "joist": "vertical cut in a bored joist, room below",
    "plate": "horizontal cut in a bored plate, room side at the bottom",
}
DOWN = {"stud": (-1.0, 0.0), "joist": (0.0, -1.0), "plate": None}


def plan_bored_hole(keys: BoredHole, findings: Findings, room: Callable[[], TimeTable]) -> Plan:
    """Return the plan of a bored framing member; the room face is at the bottom.

    Parameters
    ----------
    keys : BoredHole
    findings : Findings      takes faults and defaults
    room : callable          returns the air temperature of the surroundings; not used
    """
    path: Path = ("bored_hole",)
    reason = "wide enough that its ends matter little: faces half the depth away take most of the heat"
    width = findings.take(keys.extent, (*path, "extent"), "length", "300 mm", reason)
    depth, radius = keys.depth.value, keys.hole_diameter.value / 2
    inner, outer = thickness_of(keys.inner_lining), thickness_of(keys.outer_lining)
    middle = findings.take(keys.hole_from_inner, (*path, "hole_from_inner"), "length", depth / 2, "middle of the member")
    if middle - radius < 0 or middle + radius > depth:
        key = "hole_diameter" if keys.hole_from_inner is None else "hole_from_inner"
        findings.fault((*path, key), f"the hole breaks out of the member, which is {describe(depth, 'length')} deep")
    if 2 * radius > width:
        findings.fault((*path, "extent"), "must be greater than hole_diameter")
    hole = Circle(tidy(width / 2), tidy(inner + middle), radius)
    plan = Plan(
        width,
        tidy(inner + depth + outer),
        REPRESENTS[keys.member],
        parts=[
            PlannedPart("member", keys.material, "framing", (*path, "material")),
            PlannedPart("hole", keys.filling, "air" if "air" in keys.filling else "fill", (*path, "filling")),
        ],
        strokes=[Stroke(hole, "hole", path)],
        cavity=hole.bounds,
        rooms={"": Room(hole, "hole", keys.material, "the hole")},
        down=DOWN[keys.member],
    )
    plan.faces = {"inner": [("bottom", 0.0, width)], "outer": [("top", 0.0, width)]}
    add_lining(plan, keys.inner_lining, "inner_lining", inner, -1, (*path, "inner_lining"))
    add_lining(plan, keys.outer_lining, "outer_lining", tidy(inner + depth), 1, (*path, "outer_lining"))
    findings.assume("bored_hole: heat that the conductors carry along themselves out of the hole is not in the section")
    return plan
