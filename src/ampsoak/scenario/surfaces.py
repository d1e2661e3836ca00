"""Boundaries: films, fixed temperatures, fluxes and adiabatic spans on faces and edges, and the templates' defaults."""

from __future__ import annotations

from ampsoak.base.units import describe
from ampsoak.library.materials import USUAL_EMISSIVITY
from ampsoak.scenario.case import EDGES, Boundary, TimeTable
from ampsoak.scenario.drawing import time_table
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.geometry import SLACK
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model import ScenarioFile
from ampsoak.scenario.model_case import CORRELATIONS, BoundaryKeys
from ampsoak.scenario.open_air import air_along
from ampsoak.scenario.plan import Plan, Span

PARAMETERS = ("height", "length", "diameter", "at_one_kelvin", "exponent")
FILM_KEYS = (
    "air_temperature", "convection", "correlation", *PARAMETERS, "emissivity", "radiant_temperature",
    "surface_resistance",
)  # fmt: skip
KIND_KEYS = {
    "film": FILM_KEYS,
    "fixed": ("surface_temperature", "surface_resistance"),
    "flux": ("heat_flux",),
    "adiabatic": (),
}
USUAL_AIR = "25 degC"
# Convection beside radiation for still indoor air, by direction of heat flow: ISO 6946, surface resistances (from memory,
# high confidence).
CONVECTION = {"horizontal": 2.5, "up": 5.0, "down": 0.7}
# template: face to direction of the heat that leaves by it; None stands for another default
FACE_FLOW = {
    "stud_bay": {"inner": "horizontal", "outer": "horizontal"},
    "ceiling": {"inner": "down", "outer": "up"},
    "clipped": {"inner": None, "outer": None},
    "bored_hole": {"inner": "horizontal", "outer": "horizontal"},
    "bored_joist": {"inner": "down", "outer": "up"},
}


def air_temperature(document: ScenarioFile, findings: Findings) -> TimeTable:
    """Temperature of the air round the section where nothing else is said [K]."""
    if document.surroundings is not None:
        return time_table(document.surroundings.air_temperature)
    path = ("surroundings", "air_temperature")
    return TimeTable.constant(findings.take(None, path, "temperature", USUAL_AIR, "a usual room"))


def boundaries_of(document: ScenarioFile, plan: Plan, findings: Findings) -> tuple[Boundary, ...]:
    """Return every boundary of the section; spans without one stay adiabatic and are listed as such."""
    found: list[tuple[Boundary, Path]] = []
    for index, keys in enumerate(document.boundary):
        if keys is None:
            continue
        path: Path = ("boundary", index)
        spans = _spans(keys, plan, path, findings)
        _look_for_air(keys, spans, plan, path, findings)
        values = _values(keys, document, path, findings)
        for span in spans:
            boundary = Boundary(*span, kind=keys.kind, **values)
            for other, other_path in found:
                if (
                    other.edge == boundary.edge
                    and min(other.stop, boundary.stop) - max(other.start, boundary.start) > SLACK
                ):
                    findings.fault(path, f"overlaps boundary[{other_path[1]}] on the {boundary.edge} edge")
            found.append((boundary, path))
    result = [boundary for boundary, _ in found]
    result += _template_defaults(document, plan, result, findings)
    for edge in EDGES:
        if not any(boundary.edge == edge for boundary in result) and not _edge_in_doubt(edge, findings):
            share, is_open = air_along(plan, edge, 0.0, plan.edges[edge])
            if share == 1.0 and is_open:
                continue
            why = " (symmetry)" if plan.faces and edge in ("left", "right") else ""
            findings.assume(f"{edge} edge: no boundary given: no heat passes it{why}")
    return tuple(result)


def _edge_in_doubt(edge: str, findings: Findings) -> bool:
    return any(item.get("edge") == edge for _, item in findings.tables(("boundary",)))


def _spans(keys: BoundaryKeys, plan: Plan, path: Path, findings: Findings) -> list[Span]:
    if (keys.face is None) == (keys.edge is None):
        findings.fault(path, "needs either face (inner, outer) or edge (left, right, bottom, top), and not both")
        return []
    if keys.face is not None:
        for key in ("start", "stop"):
            if getattr(keys, key) is not None:
                findings.fault((*path, key), "has no place beside face; use edge for a part of it")
        if not plan.faces:
            findings.fault((*path, "face"), "a drawing has no faces; use edge = left, right, bottom or top")
        elif keys.face not in plan.faces:
            findings.fault((*path, "face"), "has no place here: open air of the surroundings lies there")
        return plan.faces.get(keys.face, [])
    length = plan.edges[keys.edge]
    start = 0.0 if keys.start is None else keys.start.value
    stop = length if keys.stop is None else keys.stop.value
    if stop <= start:
        findings.fault((*path, "stop"), "must be greater than start")
    for key, value in (("start", start), ("stop", stop)):
        if value < -SLACK or value > length + SLACK:
            findings.fault((*path, key), f"lies outside the {keys.edge} edge of {describe(length, 'length')}")
    # what sums of lengths rounded to is drawn onto the ends of the edge
    start, stop = (0.0 if abs(start) < SLACK else start), (length if abs(stop - length) < SLACK else stop)
    return [(keys.edge, start, stop)]


def _look_for_air(keys: BoundaryKeys, spans: list[Span], plan: Plan, path: Path, findings: Findings) -> None:
    """A boundary acts on solids: record a fault where its spans meet nothing but open air, and say so where they do partly."""
    shares = [air_along(plan, *span)[0] for span in spans if keys.kind != "adiabatic"]
    if shares and min(shares) == 1.0:
        findings.fault(path, "meets nothing but open air, which takes heat by the films of its surfaces")
    elif any(shares):
        findings.assume(f"boundary[{path[1]}] has no effect where open air meets the edge")


def _values(keys: BoundaryKeys, document: ScenarioFile, path: Path, findings: Findings) -> dict:
    """Fields of the boundary that its kind takes."""
    for key in sorted({key for keys_of in KIND_KEYS.values() for key in keys_of} - set(KIND_KEYS[keys.kind])):
        if getattr(keys, key) is not None:
            findings.fault((*path, key), f'has no place in kind "{keys.kind}"')
    if keys.kind == "fixed":
        if keys.surface_temperature is None:
            findings.missing((*path, "surface_temperature"), 'kind "fixed" needs it')
            return {}
        return {"temperature": time_table(keys.surface_temperature), "resistance": _table(keys.surface_resistance)}
    if keys.kind == "flux":
        if keys.heat_flux is None:
            findings.missing((*path, "heat_flux"), 'kind "flux" needs it')
            return {}
        return {"flux": time_table(keys.heat_flux)}
    return _film(keys, document, path, findings) if keys.kind == "film" else {}


def _film(keys: BoundaryKeys, document: ScenarioFile, path: Path, findings: Findings) -> dict:
    correlation = keys.correlation
    if (keys.convection is None) == (correlation is None) and not findings.has((*path, "correlation")):
        findings.fault(path, 'kind "film" needs convection, such as "8 W/m2/K", or a correlation')
    elif keys.convection is not None and correlation is not None:
        findings.fault((*path, "convection"), "has no place beside correlation")
    needed = CORRELATIONS.get(correlation or "", {})
    parameters = []
    for key in PARAMETERS:
        given = getattr(keys, key)
        if key in needed and given is None:
            findings.missing((*path, key), f'the correlation "{correlation}" needs it')
        elif key in needed:
            parameters.append((needed[key], given.value))
        elif given is not None and (correlation or not findings.has((*path, "correlation"))):
            findings.fault(
                (*path, key), "has no place here" + (f'; "{correlation}" does not use it' if correlation else "")
            )
    if keys.emissivity is None:
        findings.assume(f"boundary[{path[1]}].emissivity not given: no radiation from this surface")
    if keys.air_temperature is None:
        air = air_temperature(document, findings)
        findings.assume(f"boundary[{path[1]}].air_temperature not given: that of the surroundings taken")
    else:
        air = time_table(keys.air_temperature)
    return {
        "temperature": air,
        "coefficient": _table(keys.convection),
        "correlation": correlation,
        "correlation_parameters": tuple(parameters),
        "emissivity": 0.0 if keys.emissivity is None else keys.emissivity.value,
        "surroundings": _table(keys.radiant_temperature),
        "resistance": _table(keys.surface_resistance),
    }


def _table(given) -> TimeTable | None:
    return None if given is None else time_table(given)


def _template_defaults(document: ScenarioFile, plan: Plan, given: list[Boundary], findings: Findings) -> list[Boundary]:
    """Boundaries of the template faces on which the scenario says nothing."""
    template = next((name for name in FACE_FLOW if getattr(document, name, None) is not None), None)
    if template is None:
        return []
    if template == "bored_hole" and document.bored_hole.member == "joist":
        template = "bored_joist"
    result = []
    for face, spans in plan.faces.items():
        touched = any(item.get("face") == face for _, item in findings.tables(("boundary",)))
        touched = touched or any(boundary.edge == span[0] for boundary in given for span in spans)
        if touched:
            continue
        flow = FACE_FLOW[template][face]
        if flow is not None:
            air = air_temperature(document, findings)
            coefficient = TimeTable.constant(CONVECTION[flow])
            result += [
                Boundary(*span, kind="film", temperature=air, coefficient=coefficient, emissivity=USUAL_EMISSIVITY)
                for span in spans
            ]
            findings.assume(
                f"{face} face: no boundary given: still surrounding air, convection {CONVECTION[flow]:g} W/m2/K "
                f"and emissivity {USUAL_EMISSIVITY:g} (ISO 6946 surface resistances, from memory)"
            )
        elif face == "outer":
            air = air_temperature(document, findings)
            result += [Boundary(*span, kind="fixed", temperature=air) for span in spans]
            findings.assume(
                "outer face: no boundary given: the rim of the layer on the board is held at the temperature of the surroundings"
            )
        else:
            findings.assume("inner face: no boundary given: no heat passes the back of the board")
    return result
