"""A small heat case with a known answer: one wire in a jacket in a square of fill, films on all edges."""

from __future__ import annotations

from ampsoak.library.materials import constant_material
from ampsoak.scenario.case import (
    Boundary,
    Circuit,
    Conductor,
    CurrentProfile,
    CurveSettings,
    DeviceChoice,
    Limit,
    MeshSettings,
    Paint,
    Part,
    RunSettings,
    Scenario,
    Start,
    TimeTable,
)
from ampsoak.scenario.shapes import Circle

ROOM = 298.15  # [K]
SIDE = 0.06  # [m]


def small_case(profile: CurrentProfile, duration: float, **more) -> Scenario:
    """One 2.5 mm² wire (7.41 mΩ/m, IEC 60228, from memory) with a jacket in fill."""
    copper = constant_material("copper", 390.0, 8900.0, 385.0)
    pvc = constant_material("pvc", 0.17, 1400.0, 1200.0)
    fibre = constant_material("fibre", 0.045, 40.0, 800.0)
    middle = SIDE / 2
    core, jacket = Circle(middle, middle, 0.9e-3), Circle(middle, middle, 3.0e-3)
    film = {"kind": "film", "coefficient": TimeTable.constant(8.0), "temperature": TimeTable.constant(ROOM)}
    given = {
        "title": "one wire",
        "description": "",
        "depth_note": "",
        "width": SIDE,
        "height": SIDE,
        "parts": (Part("fill", fibre, "fill"), Part("jacket", pvc, "jacket"), Part("line", copper, "conductor")),
        "paints": (Paint(jacket, 1), Paint(core, 2)),
        "conductors": (Conductor("line", 2, core, core.area, 7.41e-3, 0.00393, 0),),
        "circuits": (Circuit("main", profile),),
        "boundaries": tuple(Boundary(edge, 0.0, SIDE, **film) for edge in ("left", "right", "bottom", "top")),
        "limits": (Limit("line 70", 343.15, (2,), "IEC 60364-5-52, PVC, from memory"), Limit("fill 60", 333.15, (0,))),
        "probes": (),
        "devices": (DeviceChoice("circuit", "IEC 60898-1", "B", 16.0),),
        "start": Start("cold", ROOM),
        "run": RunSettings(duration, 0.05),
        "mesh": MeshSettings(finest=1e-3, coarsest=6e-3),
    }
    return Scenario(**(given | more))


def curve_settings(start: float = ROOM) -> CurveSettings:
    """Limit curve of the small case, few currents."""
    return CurveSettings(0, 10.0, 200.0, 8, 20000.0, 0.05, Start("cold", start))
