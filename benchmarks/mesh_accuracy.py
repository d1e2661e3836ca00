"""Error of the section against exact solutions as cells shrink and as the cable slides through the mesh.

Run: python benchmarks/mesh_accuracy.py

A heated conductor in layered rings has the closed form T = q ln(r_out / r_in) / (2 pi k) per ring; the outermost ring ends in
a square of known shape factor (exact collocation values, w/D = 5: 3.728452). Prints the relative error in the thermal resistance.
With rings the closed form takes the outermost ring as isothermal and the cable as centred, which is off by about 0.02 %: errors
below that say nothing, and neither do their orders.
"""

from __future__ import annotations

import numpy as np

from ampsoak import steady
from ampsoak.library.materials import constant_material
from ampsoak.scenario.case import (
    EDGES,
    Boundary,
    Circuit,
    Conductor,
    CurrentProfile,
    MeshSettings,
    Paint,
    Part,
    RunSettings,
    Scenario,
    Start,
    TimeTable,
)  # fmt: skip
from ampsoak.scenario.shapes import Circle

RADIUS = 0.814e-3  # [m]
SQUARE_SHAPE_FACTOR = 3.728452  # isothermal cylinder in a square of five diameters, exact harmonic collocation


def ring_case(rings: list[tuple[float, float]], outer_k: float, cell: float, slide: tuple[float, float]) -> Scenario:
    """A conductor in rings (outer radius [m], k) inside a square five times the outermost ring's diameter."""
    outermost = rings[0][0] if rings else RADIUS
    width = 10 * outermost
    centre = (width / 2 + slide[0], width / 2 + slide[1])
    parts = [Part("fill", constant_material("fill", outer_k, 1000.0, 1000.0))]
    paints = []
    for number, (radius, k) in enumerate(rings):
        parts.append(Part(f"ring {number}", constant_material(f"ring {number}", k, 1000.0, 1000.0)))
        paints.append(Paint(Circle(*centre, radius), len(parts) - 1))
    parts.append(Part("conductor", constant_material("copper", 400.0, 8960.0, 385.0)))
    shape = Circle(*centre, RADIUS)
    paints.append(Paint(shape, len(parts) - 1))
    conductor = Conductor("conductor", len(parts) - 1, shape, shape.area, 0.01, 0.0, 0)
    fixed = TimeTable.constant(300.0)
    return Scenario(
        title="rings", description="", width=width, height=width, depth_note="", parts=tuple(parts),
        paints=tuple(paints), conductors=(conductor,), circuits=(Circuit("c", CurrentProfile.constant(10.0, 1.0)),),
        boundaries=tuple(Boundary(edge, 0.0, width, "fixed", temperature=fixed) for edge in EDGES), limits=(),
        probes=(), devices=(), start=Start("cold", 300.0), run=RunSettings(1.0),
        mesh=MeshSettings(finest=cell, growth=1.2, coarsest=2.5 * cell),
    )  # fmt: skip


def exact_resistance(rings: list[tuple[float, float]], outer_k: float) -> float:
    """Thermal resistance conductor to square [K m/W]; the square sees an isothermal outermost ring."""
    radii = [radius for radius, _ in rings] + [RADIUS]
    total = 1 / (SQUARE_SHAPE_FACTOR * outer_k)
    for (outer, k), inner in zip(rings, radii[1:], strict=True):
        total += np.log(outer / inner) / (2 * np.pi * k)
    return total


def main() -> None:
    """Print the table."""
    cases = {
        "bare conductor": ([], 0.17),
        "PVC ring in fibre": ([(1.6e-3, 0.17)], 0.04),
        "PVC, paper, PVC in foam": ([(2.3e-3, 0.17), (1.54e-3, 0.07), (1.4e-3, 0.17)], 0.026),
    }
    print(f"{'case':26s} {'cell mm':>8s} {'error %, four positions':>34s} {'order':>6s}")
    for name, (rings, outer_k) in cases.items():
        exact = exact_resistance(rings, outer_k)
        previous = None
        for cell in (0.32e-3, 0.16e-3, 0.08e-3):
            slides = [(0.0, 0.0), (0.3 * cell, 0.4 * cell), (0.5 * cell, 0.2 * cell), (0.7 * cell, 0.9 * cell)]
            errors = []
            for slide in slides:
                found = steady(ring_case(rings, outer_k, cell, slide))
                errors.append((found.conductor_temperature[0] - 300.0) / (100.0 * 0.01) / exact - 1)
            size = np.abs(errors).max()
            order = "" if previous is None else f"{np.log2(previous / size):.2f}"
            print(f"{name:26s} {1e3 * cell:8.2f} {' '.join(f'{100 * e:8.4f}' for e in errors)} {order:>6s}")
            previous = size


if __name__ == "__main__":
    main()
