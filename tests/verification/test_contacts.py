"""Contact resistances against one-dimensional exact solutions, wherever the face lies on the mesh."""

from __future__ import annotations

import math

import numpy as np
import pytest
from heat_cases import (
    ZERO,
    case,
    even,
    fixed,
    march,
    model_for,
    simple,
    solve_steady,
    transposed,
    turned,
    wire,
)

from ampsoak.scenario.case import Contact, MeshSettings, Paint, Part
from ampsoak.scenario.shapes import Circle, Rectangle, Ring

MM = 1e-3
WIDTH, HEIGHT, FACE = 40 * MM, 30 * MM, 15 * MM
RESISTANCES = (1e-4, 1e-2, 1.0)  # [m² K/W], from pressed metal to a hand's breadth of wool


def two_slabs(resistance: float, *, left: float = 0.2, right: float = 0.05, **more):
    """Two slabs side by side, held at 100 and 0 °C."""
    parts = [Part("left", simple("left", left, 1e6)), Part("right", simple("right", right, 1e6))]
    edges = (fixed("left", HEIGHT, 100.0 + ZERO), fixed("right", HEIGHT, ZERO))
    paint = Paint(Rectangle(FACE, 0.0, WIDTH, HEIGHT), 1)
    return case(WIDTH, HEIGHT, parts, [paint], (), edges, contacts=(Contact(0, 1, resistance),), **more)


@pytest.mark.parametrize("resistance", RESISTANCES)
@pytest.mark.parametrize("right", [0.2, 0.05, 50.0])
def test_two_slabs_with_a_contact_are_exact(resistance, right):
    # resistances in series: d1/k1 + R + d2/k2
    field = solve_steady(two_slabs(resistance, right=right))
    expected = 100.0 / (FACE / 0.2 + resistance + (WIDTH - FACE) / right)
    assert field.leaving("right") / HEIGHT == pytest.approx(expected, rel=1e-9)
    # both faces of the contact, by the gradients on either side
    assert field.at(FACE - 2 * MM, 10 * MM) - ZERO == pytest.approx(100.0 - expected * (FACE - 2 * MM) / 0.2, abs=1e-6)
    assert field.at(FACE + 2 * MM, 10 * MM) - ZERO == pytest.approx(expected * (WIDTH - FACE - 2 * MM) / right, abs=1e-6)


def test_a_turned_contact_gives_the_turned_answer():
    # invariance
    upright, lying = (solve_steady(s) for s in (two_slabs(0.01), transposed(two_slabs(0.01))))
    assert lying.leaving("top") == pytest.approx(upright.leaving("right"), rel=1e-10)


def test_a_contact_is_there_in_time_as_well():
    # two quickly even halves joined by a contact: difference falls as exp(-2 t / (R C)), C of each half per area, here with
    # k so large that the contact is a ten-thousandth of nothing else; 0.5 %
    parts = [Part("left", simple("left", 50.0, 1e6), start_temperature=ZERO + 100.0), Part("right", simple("right", 50.0, 1e6))]
    paint = Paint(Rectangle(WIDTH / 2, 0.0, WIDTH, HEIGHT), 1)
    resistance, capacity = 0.5, 1e6 * WIDTH / 2
    scenario = case(WIDTH, HEIGHT, parts, [paint], contacts=(Contact(0, 1, resistance),), duration=5000.0)
    history = march(scenario, (even(WIDTH, 20), even(HEIGHT, 4)), tolerance=0.01)
    model = history.model
    for time in (1000.0, 5000.0):
        state = history.state(time)
        left, right = (state[model.part_cells[part]] @ model.part_weights[part] for part in (0, 1))
        assert left - right == pytest.approx(100.0 * math.exp(-2 * time / (resistance * capacity)), rel=5e-3)


# -- concentric cylinders ----------------------------------------------------------------------------------------------

RADII = 2.0 * MM, 5.0 * MM, 20.0 * MM  # of the wire, its insulation, and the tube round the medium


def cylinders(resistance: float, pair, *, insulation=0.17, medium=0.17, slide=0.0, finest=0.0):
    """A wire in insulation in a medium in a metal tube held at 0 °C through the ground; contact between a ``pair`` of parts."""
    x, y = 30 * MM + slide, 30 * MM - 0.7 * slide
    wall = Ring(x, y, RADII[2] + 1.5 * MM, RADII[2])
    materials = {"ground": 1.0, "wall": 50.0, "medium": medium, "insulation": insulation, "wire": 400.0}
    parts = [Part(name, simple(name, k, 1e6)) for name, k in materials.items()]
    core = Circle(x, y, RADII[0])
    circles = [Circle(x, y, wall.radius), Circle(x, y, wall.inner), Circle(x, y, RADII[1]), core]
    paints = [Paint(circle, number) for number, circle in enumerate(circles, 1)]
    conductors = [wire(1, wall, per_metre=0.0, circuit=-1), wire(4, core)]
    names = list(materials)
    contact = Contact(names.index(pair[0]), names.index(pair[1]), resistance)
    return case(
        60 * MM, 60 * MM, parts, paints, conductors, (fixed("bottom", 60 * MM, ZERO),), contacts=(contact,),
        mesh=MeshSettings(finest=finest),
    )  # fmt: skip


FACES = {
    "wire and insulation": (("wire", "insulation"), RADII[0]),
    "insulation and medium": (("insulation", "medium"), RADII[1]),
    "medium and tube": (("wall", "medium"), RADII[2]),
}


def from_wire_to_tube(scenario) -> float:
    """Resistance between both metals [K m/W]; the wire carries 1 W/m."""
    wall, core = solve_steady(scenario).conductors
    return core - wall


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("resistance", RESISTANCES)
@pytest.mark.parametrize("slide", [0.0, 0.17 * MM, 0.31 * MM])
def test_a_contact_between_cylinders_adds_its_resistance_over_the_circumference(face, resistance, slide):
    # ln(r2/r1) / (2 pi k) + R / (2 pi r) + ln(r3/r2) / (2 pi k); 0.5 % of the whole
    pair, radius = FACES[face]
    expected = math.log(RADII[2] / RADII[0]) / (2 * math.pi * 0.17) + resistance / (2 * math.pi * radius)
    assert from_wire_to_tube(cylinders(resistance, pair, slide=slide)) == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize("resistance", RESISTANCES)
def test_a_contact_between_unlike_cylinders(resistance):
    # the same with a jump of conductivity of four; faces with a contact conduct along links only: 1 %, better when finer
    pair, radius = FACES["insulation and medium"]
    bulk = math.log(RADII[1] / RADII[0]) / 0.17 + math.log(RADII[2] / RADII[1]) / 0.04
    expected = bulk / (2 * math.pi) + resistance / (2 * math.pi * radius)
    errors = [
        abs(from_wire_to_tube(cylinders(resistance, pair, medium=0.04, finest=finest)) / expected - 1)
        for finest in (0.0, 0.3 * MM)
    ]
    assert errors[0] < 0.01
    assert errors[1] < 0.6 * errors[0]


def test_a_turned_section_with_contacts_gives_the_same():
    # invariance under a quarter turn
    scenario = cylinders(0.01, ("insulation", "medium"), slide=0.31 * MM)
    assert from_wire_to_tube(_turned(scenario)) == pytest.approx(from_wire_to_tube(scenario), rel=1e-9)


def _turned(scenario):
    """A quarter turn, with the ring, which the shared mover does not know, moved by hand."""
    wall, core = scenario.conductors
    plain = turned(case(
        scenario.width, scenario.height, scenario.parts, scenario.paints, [core], scenario.boundaries,
        contacts=scenario.contacts, mesh=scenario.mesh,
    ))  # fmt: skip
    outer = plain.paints[0].shape
    ring = wire(1, Ring(outer.x, outer.y, wall.shape.radius, wall.shape.inner), per_metre=0.0, circuit=-1)
    return case(
        plain.width, plain.height, plain.parts, plain.paints, [ring, *plain.conductors], plain.boundaries,
        contacts=plain.contacts, mesh=plain.mesh,
    )  # fmt: skip


def test_a_contact_does_not_touch_what_it_does_not_cross():
    # conductances away from the face stay as they were, to the bit
    plain, with_contact = (model_for(two_slabs(r)) for r in (1e-12, 0.1))
    changed = plain.grid.link_state_x != with_contact.grid.link_state_x
    assert np.flatnonzero(changed.any(axis=1)).tolist() == [int(np.searchsorted(plain.section.x_points, FACE)) - 1]
    assert np.array_equal(plain.grid.link_state_y, with_contact.grid.link_state_y)
