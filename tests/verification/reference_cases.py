"""The reference problems P1 to P4: a flat cable in a stud bay or a bored hole, and their converged solutions.

The solutions in ``data`` were computed with curved high-order finite elements and a fourth-order L-stable stepper;
mesh, order and step were varied until nothing moved by more than 0.01 K (the header of each file says so).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from heat_cases import ZERO, film

from ampsoak.base.sources import Value
from ampsoak.library.materials import Material, Property, constant_material
from ampsoak.scenario.case import (
    Boundary,
    Circuit,
    Conductor,
    CurrentProfile,
    CurveSettings,
    Limit,
    Paint,
    Part,
    Probe,
    RunSettings,
    Scenario,
    Start,
    TimeTable,
)
from ampsoak.scenario.shapes import Circle, Rectangle, Stadium

DATA = Path(__file__).parent / "data"
LIMITS = (60.0, 75.0, 90.0, 160.0)  # [°C]
START = 25.0 + ZERO  # [K], and the air outside
CURRENTS = np.geomspace(12.0, 240.0, 24)  # of the limit curves [A]

_MM = 1e-3
_CONDUCTOR_AREA = np.pi * (1.628 * _MM) ** 2 / 4  # [m²]
_RESISTIVITY, _COEFFICIENT = 1.724e-8, 0.00393  # [Ω m], [1/K] at 20 °C
_PROPERTIES = {  # conductivity [W/(m K)], density [kg/m³], specific heat [J/(kg K)]
    "gypsum": (0.17, 700.0, 950.0),
    "batt": (0.040, 12.0, 840.0),
    "osb": (0.13, 620.0, 1600.0),
    "wood": (0.12, 430.0, 1600.0),
    "copper": (400.0, 8960.0, 385.0),
    "pvc": (0.17, 1400.0, 1000.0),
    "paper": (0.07, 700.0, 1340.0),
    "conducting_fill": (0.30, 1.2, 1007.0),
    "hole_air": (0.05, 1.2, 1007.0),
}
_FILL = {"P1": "batt", "P2": "conducting_fill", "P4": "batt"}
_LOADS = {  # (current [A], length [s])
    "P1": ((15.5, 1500.0), (22.0, 1200.0), (8.0, 900.0), (33.0, 1200.0)),
    "P2": ((49.0, 3600.0),),
    "P3": ((31.0, 3600.0),),
    "P4": ((15.5, 1500.0), (22.0, 1200.0), (8.0, 900.0), (33.0, 1200.0)),
}


def _law(typical: float, law: str, /, **parameters: float) -> Property:
    return Property(Value.exact(typical), law=law, parameters=tuple(parameters.items()))


def _materials(problem: str) -> dict[str, Material]:
    """Constants, and for P4 the courses with temperature."""
    materials = {name: constant_material(name, *values) for name, values in _PROPERTIES.items()}
    if problem != "P4":
        return materials

    def with_course(name: str, conductivity: Property | None = None, specific_heat: Property | None = None):
        k, rho, c = _PROPERTIES[name]
        return Material(
            name, "other", name, conductivity or Property(Value.exact(k)), Value.exact(rho),
            specific_heat or Property(Value.exact(c)),
        )  # fmt: skip

    knots = tuple(t + ZERO for t in (0.0, 80.0, 110.0, 150.0, 500.0))
    materials["batt"] = with_course("batt", _law(0.04, "fibre", density=12.0))
    materials["wood"] = with_course("wood", _law(0.12, "linear", value=0.12, slope=0.002))
    materials["pvc"] = with_course("pvc", None, _law(1000.0, "linear", value=1000.0, slope=0.003, ceiling=150.0 + ZERO))
    materials["gypsum"] = with_course(
        "gypsum", None, Property(Value.exact(950.0), knots, (950.0, 950.0, 9000.0, 950.0, 950.0))
    )
    return materials


def _profile(problem: str) -> CurrentProfile:
    currents, lengths = zip(*_LOADS[problem], strict=True)
    return CurrentProfile((0.0, *np.cumsum(lengths).tolist()), currents, currents)


def load_changes(problem: str) -> tuple[float, ...]:
    """Times at which the current jumps or the history ends [s]."""
    return _profile(problem).time[1:]


def _faces(problem: str, width: float) -> tuple[Boundary, ...]:
    if problem == "P3":
        return ()
    if problem == "P4":
        natural = {
            "correlation": "power_law",
            "correlation_parameters": (("factor", 1.31), ("exponent", 1.0 / 3.0)),
            "emissivity": 0.9,
            "surroundings": TimeTable.constant(START),
        }
        return tuple(film(edge, width, None, START, **natural) for edge in ("bottom", "top"))
    return tuple(film(edge, width, 8.0, START) for edge in ("bottom", "top"))


def reference_problem(problem: str, slide: tuple[float, float] = (0.0, 0.0)) -> Scenario:
    """P1, P2, P3 or P4 with the cable moved by ``slide`` [m]."""
    materials = _materials(problem)
    width, height = (38.0 * _MM, 89.0 * _MM) if problem == "P3" else (368.0 * _MM, 114.2 * _MM)
    centre_x, centre_y = (19.0 * _MM, 44.5 * _MM) if problem == "P3" else (184.0 * _MM, 57.2 * _MM)
    parts, paints = [], []

    def part(name: str, material: str, role: str = "other") -> int:
        parts.append(Part(name, materials[material], role))
        return len(parts) - 1

    if problem == "P3":
        part("joist", "wood", "framing")
        paints.append(Paint(Circle(centre_x, centre_y, 8.0 * _MM), part("hole", "hole_air", "air")))
    else:
        part("fill", _FILL[problem], "fill")
        stud, board, sheathing = part("studs", "wood", "framing"), part("gypsum", "gypsum"), part("osb", "osb")
        paints += [
            Paint(Rectangle(0.0, 0.0, 19.0 * _MM, height), stud),
            Paint(Rectangle(width - 19.0 * _MM, 0.0, width, height), stud),
            Paint(Rectangle(0.0, 0.0, width, 12.7 * _MM), board),
            Paint(Rectangle(0.0, 101.7 * _MM, width, height), sheathing),
        ]
    x, y = centre_x + slide[0], centre_y + slide[1]
    jacket, filler, insulation = part("jacket", "pvc"), part("filler", "paper"), part("insulation", "pvc")
    paints += [
        Paint(Stadium(x, y, 10.0 * _MM, 4.6 * _MM), jacket),
        Paint(Stadium(x, y, 8.48 * _MM, 3.08 * _MM), filler),
    ]
    conductors = []
    for name, offset, circuit in (("line", -2.5 * _MM, 0), ("neutral", 2.5 * _MM, 0), ("earth", 0.0, -1)):
        if circuit == 0:
            paints.append(Paint(Circle(x + offset, y, 1.4 * _MM), insulation))
        shape = Circle(x + offset, y, 0.814 * _MM)
        metal = part(name, "copper", "conductor")
        paints.append(Paint(shape, metal))
        conductors.append(
            Conductor(name, metal, shape, _CONDUCTOR_AREA, _RESISTIVITY / _CONDUCTOR_AREA, _COEFFICIENT, circuit)
        )
    loaded = tuple(conductor.part for conductor in conductors[:2])
    probes = [Probe("cable_top", "point", x=x, y=y + 2.3 * _MM)]
    if problem != "P3":
        probes.append(Probe("gypsum_face", "point", x=centre_x, y=0.0))
    profile = _profile(problem)
    run = RunSettings(profile.duration)  # with the tolerance a user gets who states none
    return Scenario(
        title=problem, description="", width=width, height=height, depth_note="",
        parts=tuple(parts), paints=tuple(paints),
        conductors=tuple(conductors), circuits=(Circuit("circuit", profile),), boundaries=_faces(problem, width),
        limits=tuple(Limit(f"{limit:.0f}", limit + ZERO, loaded) for limit in LIMITS), probes=tuple(probes), devices=(),
        start=Start("cold", START), run=run,
        curve=CurveSettings(0, 12.0, 240.0, 24, 4 * 3600.0, run.tolerance, Start("cold", START)),
    )  # fmt: skip


def table(name: str) -> np.ndarray:
    """A reference table as a structured array; the header line names the columns."""
    return np.genfromtxt(DATA / f"{name}.csv", delimiter=",", names=True, skip_header=1)
