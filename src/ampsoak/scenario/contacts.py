"""Contact resistances: which parts they stand between, and whether these meet at all."""

from __future__ import annotations

import numpy as np

from ampsoak.base.errors import nearest_name
from ampsoak.scenario.case import Contact, Part
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.geometry import visible_pieces
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model_section import ContactKeys
from ampsoak.scenario.open_air import SAMPLES
from ampsoak.scenario.plan import Plan


def contacts_of(
    given: list[ContactKeys | None], plan: Plan, parts: tuple[Part, ...], findings: Findings
) -> tuple[Contact, ...]:
    """Return the contact resistances of a section.

    Parameters
    ----------
    given : list of ContactKeys or None
    plan : Plan
    parts : tuple of Part                 in the order of the plan
    findings : Findings                   takes faults: parts that are not there, are open air, or do not meet
    """
    names = [part.name for part in parts]
    found: dict[frozenset[int], Contact] = {}
    pairs = _meeting(plan, names) if any(keys is not None for keys in given) else set()
    for index, keys in enumerate(given):
        if keys is None:
            continue
        path: Path = ("contact", index)
        numbers = []
        for place, name in enumerate(keys.between):
            where = (*path, "between", place)
            if name not in names:
                findings.fault(where, "no such part", nearest_name(name, names))
            elif parts[names.index(name)].air is not None:
                findings.fault(where, "is open air, which meets its surfaces by films")
            else:
                numbers.append(names.index(name))
        if len(numbers) < 2:
            continue
        pair = frozenset(numbers)
        if len(pair) < 2:
            findings.fault((*path, "between"), "needs two different parts")
        elif pair in found:
            findings.fault((*path, "between"), "names two parts that have a contact already")
        elif pair not in pairs and not findings.faults:
            findings.fault(
                (*path, "between"), f'"{keys.between[0]}" and "{keys.between[1]}" share no face; a contact needs one'
            )
        else:
            found[pair] = Contact(*numbers, keys.resistance.value)
    return tuple(found.values())


def _meeting(plan: Plan, names: list[str]) -> set[frozenset[int]]:
    """Pairs of parts, by number, that lie on both sides of some outline."""
    shapes = [stroke.shape for stroke in plan.strokes]
    bounds = np.array([shape.bounds for shape in shapes]).reshape(-1, 4)
    if not np.isfinite(bounds).all():
        return set()  # faults were found in these lengths
    part = np.array([0, *(names.index(stroke.part) for stroke in plan.strokes)])
    found = set()
    for number, shape in enumerate(shapes):
        least = min(bounds[number, 2] - bounds[number, 0], bounds[number, 3] - bounds[number, 1])
        aside = 1e-3 * least
        pieces = visible_pieces(shapes, number + 1, shape.perimeter / SAMPLES, aside)
        chosen = pieces.own & pieces.within(plan.width, plan.height)
        sides = np.column_stack([part[pieces.one], part[pieces.other]])[chosen]
        found |= {frozenset((int(a), int(b))) for a, b in np.unique(sides, axis=0) if a != b}
    return found
