"""Conductors as surfaces of open air: lengths, forms, views and grey exchange, whatever the mesh beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import case, model_for, simple, wire

from ampsoak.base.sources import Value
from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.case import AirZone, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle, Ring, Stadium
from ampsoak.section.build import build_section

MM = 1e-3
ROOM = TimeTable.constant(293.15)
AIR = simple("air", 0.026, 1200.0)


def solid(name: str, emissivity: float = 1.0) -> Part:
    return Part(name, replace(simple(name, 0.2, 1e6), emissivity=Value.exact(emissivity)))


def section_of(*shapes, emissivity: float = 1.0, gravity: str = "down", side: float = 80 * MM, **zone):
    """Bare conductors of ``shapes`` in a square of air with a frame of wood; a ring has air of its own inside."""
    frame = 2 * MM
    parts = [solid("frame", emissivity), Part("air", AIR, air=AirZone(**({"gravity": gravity} | zone)))]
    paints = [Paint(Rectangle(frame, frame, side - frame, side - frame), 1)]
    wires = []
    for number, shape in enumerate(shapes):
        parts.append(solid(f"metal{number}", emissivity))
        outer = Circle(shape.x, shape.y, shape.radius) if isinstance(shape, Ring) else shape
        paints.append(Paint(outer, len(parts) - 1))
        wires.append(wire(len(parts) - 1, shape))
        if isinstance(shape, Ring):
            parts.append(Part("inside", AIR, air=AirZone(gravity)))
            paints.append(Paint(Circle(shape.x, shape.y, shape.inner), len(parts) - 1))
    return case(side, side, parts, paints, wires)


def surfaces(scenario):
    """Air surfaces with the owner of each patch, and areas by name and form."""
    air = build_section(scenario).air
    owner = np.array([air.group[air.patch == p][0] for p in range(len(air.patch_area))])
    area = np.bincount(owner, air.patch_area, len(air.group_names))
    return air, owner, {(n, f): a for n, f, a in zip(air.group_names, air.group_form, area, strict=True)}


@pytest.mark.parametrize("shift", [0.0, 0.13 * MM, 0.37 * MM])
def test_bare_outlines_have_their_exact_length_wherever_they_lie(shift):
    # circumference, sides of a bar, both outlines of a tube: to rounding, since no mesh is asked
    round_, bar = Circle(20 * MM + shift, 55 * MM, 3 * MM), Rectangle(12 * MM, 12 * MM + shift, 16 * MM, 38 * MM + shift)
    ring = Ring(52 * MM, 40 * MM + shift, 14 * MM, 12.5 * MM)
    _, _, found = surfaces(section_of(round_, bar, ring))
    expected = {
        ("metal0", "cylinder"): 2 * np.pi * 3 * MM, ("metal1", "up"): 4 * MM, ("metal1", "down"): 4 * MM,
        ("metal2", "cylinder"): 2 * np.pi * 14 * MM, ("metal2", "hollow"): 2 * np.pi * 12.5 * MM,
    }  # fmt: skip
    for key, length in expected.items():
        assert found[key] == pytest.approx(length, rel=1e-9), key


@pytest.mark.parametrize(
    ("gravity", "outside", "inside", "faces"),
    [
        ("down", "cylinder", "hollow", {"up", "down", "vertical"}), ("along", "vertical_cylinder", "upright_hollow", {"vertical"}),
    ],
)
def test_bare_metal_has_the_film_of_its_form_and_size(gravity, outside, inside, faces):
    # a tube is a cylinder of its own diameter outside and a hollow one inside, a bar is plates: half its width for a face
    # that looks up or down (area over perimeter of a long strip), its height for one that stands
    ring, bar = Ring(52 * MM, 40 * MM, 14 * MM, 12.5 * MM), Rectangle(12 * MM, 12 * MM, 16 * MM, 38 * MM)
    air, _, _ = surfaces(section_of(bar, ring, gravity=gravity, height=1.7))
    size = {(n, f): s for n, f, s in zip(air.group_names, air.group_form, air.group_size, strict=True)}
    assert size["metal1", outside] == pytest.approx(28 * MM) and size["metal1", inside] == pytest.approx(25 * MM)
    assert {form for name, form in size if name == "metal0"} == faces
    assert size["metal0", "vertical"] == pytest.approx(1.7 if gravity == "along" else 26 * MM)
    if gravity == "down":
        assert size["metal0", "up"] == size["metal0", "down"] == pytest.approx(2 * MM)


@pytest.mark.parametrize("emissivity", [1.0, 0.3, 0.05])
def test_grey_exchange_with_bare_metal_is_reciprocal_and_loses_nothing(emissivity):
    # A_i e_i G_ij e_j = A_j e_j G_ji e_i, and irradiation of equal emitters is their emission: any text on radiation; rounding
    shapes = (Circle(20 * MM, 55 * MM, 3 * MM), Rectangle(12 * MM, 12 * MM, 16 * MM, 38 * MM), Stadium(60 * MM, 65 * MM, 12 * MM, 6 * MM))
    ring = Ring(52 * MM, 40 * MM, 14 * MM, 12.5 * MM)
    for zone in ({}, {"temperature": ROOM}):
        air, _, _ = surfaces(section_of(*shapes, ring, emissivity=emissivity, **zone))
        flow = (air.patch_area * air.patch_emissivity)[:, None] * air.exchange
        assert np.abs(flow - flow.T).max() < 1e-12 * air.patch_area.max()
        assert air.exchange.sum(axis=1) + air.ambient_view == pytest.approx(np.ones(len(flow)), abs=1e-9)


def view(air, owner, one: int, other: int) -> float:
    """View factor of black surface ``one`` to ``other``."""
    area = air.patch_area[:, None]
    return float((area * air.exchange)[np.ix_(owner == one, owner == other)].sum() / area[owner == one].sum())


def test_two_bare_wires_see_each_other_by_crossed_strings():
    # crossed strings, from memory: F = (sqrt(X² - 1) + asin(1 / X) - X) / pi with X = distance of axes over diameter: 0.003
    air, owner, _ = surfaces(section_of(Circle(30 * MM, 40 * MM, 4 * MM), Circle(46 * MM, 40 * MM, 4 * MM)))
    one, other = (air.group_names.index(name) for name in ("metal0", "metal1"))
    expected = (np.sqrt(3) + np.arcsin(0.5) - 2) / np.pi
    assert view(air, owner, one, other) == pytest.approx(expected, abs=3e-3)
    assert view(air, owner, one, one) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("hollow_of_metal", [True, False])
def test_two_wires_in_a_tube_see_each_other_and_the_rest_of_it(hollow_of_metal):
    # the same between the wires, the rest to the tube, and pi d / (pi D) of that back: 0.005. A hollow outline lies on its own
    # side of every tangent: rays that began a step aside in the wall would end there
    side, inner = 80 * MM, 15 * MM
    one, two = Circle(34 * MM, 40 * MM, 3 * MM), Circle(46 * MM, 40 * MM, 3 * MM)
    parts = [solid("outside"), solid("tube"), Part("inside", AIR, air=AirZone("down")), solid("one"), solid("two")]
    paints = [Paint(Circle(40 * MM, 40 * MM, 18 * MM), 1), Paint(Circle(40 * MM, 40 * MM, inner), 2), Paint(one, 3), Paint(two, 4)]
    wires = [wire(3, one), wire(4, two)]
    if hollow_of_metal:
        wires.append(wire(1, Ring(40 * MM, 40 * MM, 18 * MM, inner)))
    air, owner, _ = surfaces(case(side, side, parts, paints, wires))
    a, b, wall = (air.group_names.index(name) for name in ("one", "two", "tube"))
    between = (np.sqrt(3) + np.arcsin(0.5) - 2) / np.pi
    assert view(air, owner, a, b) == pytest.approx(between, abs=5e-3)
    assert view(air, owner, a, wall) == pytest.approx(1 - between, abs=5e-3)
    assert view(air, owner, wall, wall) == pytest.approx(1 - 2 * (1 - between) * 3 * MM / inner, abs=5e-3)


def test_a_bare_conductor_is_one_unknown_in_the_kernels_and_a_coated_one_too():
    # definition: zones.cell of metal is the conductor's unknown, one entry for each of its patches; through a coating of 20 µm
    # several, with the conductance of a shell in all: 2 pi k / ln(r2 / r1), 0.5 %
    bare = model_for(section_of(Circle(40 * MM, 40 * MM, 3 * MM)))
    entries = bare.grid.zones.cell == bare.conductor_unknown[0]
    assert entries.sum() == len(np.unique(bare.grid.zones.patch[entries]))
    assert bare.grid.zones.area[entries].sum() == pytest.approx(2 * np.pi * 3 * MM)
    outer, inner = Circle(40 * MM, 40 * MM, 3.02 * MM), Circle(40 * MM, 40 * MM, 3 * MM)
    parts = [solid("frame"), Part("air", AIR, air=AirZone("down")), solid("coat"), solid("metal")]
    paints = [Paint(Rectangle(2 * MM, 2 * MM, 78 * MM, 78 * MM), 1), Paint(outer, 2), Paint(inner, 3)]
    coated = model_for(case(80 * MM, 80 * MM, parts, paints, [wire(3, inner)]))
    entries = coated.grid.zones.cell == coated.conductor_unknown[0]
    assert coated.grid.zones.scale[entries].sum() == pytest.approx(2 * np.pi * 0.2 / np.log(3.02 / 3), rel=5e-3)
    assert "metal" not in coated.section.air.group_names


@pytest.mark.parametrize("finest", [0.37, 0.2, 0.07])
def test_a_bare_wire_clipped_to_a_board_shows_its_upper_half_to_the_room(finest):
    # half a circumference of the wire and both sides of the still wedge below it, a radius high each: 1e-3, although wedge and
    # wire part by less than any cell where they touch
    text = f"""format = 1
title = "t"
[clipped]
gravity = "left"
board = {{ material = "plywood", thickness = "18 mm" }}
[surroundings]
air_temperature = "30 degC"
[run]
duration = "1 h"
[mesh]
finest = "{finest} mm"
[[cable]]
name = "b"
[cable.layers]
form = "single"
[[cable.layers.core]]
name = "line"
size = "12.56637 mm2"
diameter = "4 mm"
"""
    _, _, found = surfaces(load_scenario_text(text))
    assert found["b.line", "cylinder"] == pytest.approx(np.pi * 2 * MM, rel=1e-3)
    assert found["b.gap", "up"] == pytest.approx(2 * MM, rel=1e-3)
    assert found["b.gap", "down"] == pytest.approx(2 * MM, rel=1e-3)
