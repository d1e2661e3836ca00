"""Cables put in their place: positions by word or number, inside the bay, none overlapping another."""

from __future__ import annotations

from ampsoak.base.units import describe
from ampsoak.scenario.cables import LaidCable, check_construction, find_cable, lay_cable, outline_of
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.geometry import outside, overlap
from ampsoak.scenario.lines import Path
from ampsoak.scenario.materials import MaterialShelf
from ampsoak.scenario.model_section import CableKeys
from ampsoak.scenario.open_air import add_gaps
from ampsoak.scenario.plan import Plan, tidy


def lay_cables(
    cables: list[CableKeys | None], plan: Plan | None, shelf: MaterialShelf, findings: Findings
) -> list[LaidCable]:
    """Lay every cable into the plan and return those laid; without a plan only their construction is checked."""
    laid = []
    for index, keys in enumerate(cables):
        if keys is None:
            continue
        path: Path = ("cable", index)
        entry = find_cable(keys, path, shelf, findings)
        if entry is None:
            continue
        if keys.layers is not None:
            check_construction(entry, (*path, "layers"), findings)
        if plan is None:
            continue
        angle = 0.0 if keys.rotation is None else keys.rotation.value
        flat = entry.overall_width.typical != entry.overall_height.typical and entry.form == "flat"
        if keys.rotation is None and flat:
            findings.assume(f'cable "{keys.name}": rotation not given: flat side along x')
        centre = _centre(keys, outline_of(entry, (0.0, 0.0), angle).bounds, plan, path, findings)
        if centre is None:
            continue
        cable = LaidCable(keys, entry, outline_of(entry, centre, angle), path)
        beyond = outside(cable.outline, plan.cavity)
        left, bottom, right, top = (describe(value, "length") for value in plan.cavity)
        if beyond > 0 and not (plan.cavity[0] >= plan.cavity[2] or plan.cavity[1] >= plan.cavity[3]):
            findings.fault(
                path,
                f'cable "{keys.name}" reaches {describe(beyond, "length")} outside the space it may lie in, '
                f"x {left} to {right}, y {bottom} to {top}",
            )
        laid.append((cable, centre, angle))
    for cable, _, _ in laid:
        add_gaps(cable.keys.name, cable.outline, cable.path, plan, findings)
    for cable, centre, angle in laid:
        lay_cable(cable, centre, angle, plan)
    return [cable for cable, _, _ in laid]


def _centre(keys: CableKeys, bounds, plan: Plan, path: Path, findings: Findings) -> tuple[float, float] | None:
    """Centre of a cable [m], None with a fault where nothing tells it."""
    left, bottom, right, top = plan.cavity
    place = keys.place
    if keys.y is not None and place is not None:
        findings.fault((*path, "place"), "has no place beside y, which says the same in numbers")
    if place is None and keys.y is None:
        if not plan.place:
            findings.missing((*path, "y"), "a cable in a drawing needs x and y of its centre")
            return None
        place = plan.place
        findings.assume(f'cable "{keys.name}": place not given: "{place}" taken')
    x = tidy((left + right) / 2) if keys.x is None else keys.x.value
    if keys.x is None and not plan.place and place is None:
        findings.missing((*path, "x"), "a cable in a drawing needs x and y of its centre")
        return None
    if keys.y is not None:
        return x, keys.y.value
    if place == "centred":
        return x, tidy((bottom + top) / 2)
    return x, tidy(top - bounds[3] if place == "touching_outer" else bottom - bounds[1])


def check_overlaps(cables: list[LaidCable], plan: Plan, findings: Findings) -> None:
    """Record a fault for every two cables or drawn conductors that overlap."""
    things = [(f'cable "{cable.keys.name}"', cable.outline, cable.path) for cable in cables]
    things += [
        (f'conductor "{item.name}"', item.shape, item.path) for item in plan.conductors if item.path[0] == "drawing"
    ]
    for later in range(len(things)):
        name, shape, path = things[later]
        for other, other_shape, _ in things[:later]:
            if overlap(shape, other_shape):
                findings.fault(path, f"{name} overlaps {other}; move one of them (x, y)")
