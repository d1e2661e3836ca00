"""Surfaces of open air: their lengths, sizes and directions, where lines meet them, and how they see each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import case, model_for, simple

from ampsoak.base.sources import Value
from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.case import AirZone, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle, Polygon, Rectangle, Stadium
from ampsoak.section.build import build_section
from ampsoak.section.rays import crossings, outward_normals

MM = 1e-3
ROOM = TimeTable.constant(293.15)
AIR = simple("air", 0.026, 1200.0)


def solid(name: str, emissivity: float = 1.0) -> Part:
    return Part(name, replace(simple(name, 0.2, 1e6), emissivity=Value.exact(emissivity)))


def box(wide: float, tall: float, *bodies, frame: float = 2 * MM, emissivities=(1.0, 1.0), **zone):
    """A rectangle of air in a solid frame, with round or straight bodies in it; sizes and places from its corner [m]."""
    parts = [solid("frame", emissivities[0]), Part("air", AIR, air=AirZone(**({"gravity": "down"} | zone)))]
    paints = [Paint(Rectangle(frame, frame, frame + wide, frame + tall), 1)]
    for number, shape in enumerate(bodies):
        parts.append(solid(f"body{number}", emissivities[1]))
        paints.append(Paint(shape, number + 2))
    return case(wide + 2 * frame, tall + 2 * frame, parts, paints)


class Surfaces:
    """Views between whole surfaces of a section, (surface, surface); black surfaces emit what they see of each other."""

    def __init__(self, scenario):
        self.air = build_section(scenario).air
        self.owner = np.array([self.air.group[self.air.patch == p][0] for p in range(len(self.air.patch_area))])
        self.area = np.bincount(self.owner, self.air.patch_area)
        flow = self.air.patch_area[:, None] * self.air.exchange
        self.view = np.array([[flow[np.ix_(self.owner == i, self.owner == j)].sum() for j in self] for i in self])
        self.view /= self.area[:, None]
        self.ambient = np.bincount(self.owner, self.air.patch_area * self.air.ambient_view) / self.area

    def __iter__(self):
        return iter(range(len(self.air.group_names)))

    def number(self, name: str, form: str | None = None) -> int:
        (found,) = [n for n in self if self.air.group_names[n] == name and form in (None, self.air.group_form[n])]
        return found


# -- lines -------------------------------------------------------------------------------------------------------------

SHAPES = [
    Rectangle(1.0, 2.0, 4.0, 3.0),
    Circle(2.0, 1.0, 1.5),
    Stadium(0.5, -0.5, 4.0, 1.0, 0.7),
    Polygon(((0.0, 0.0), (3.0, 0.5), (1.0, 2.0))),
    Polygon(((1.0, 2.0), (3.0, 0.5), (0.0, 0.0))),  # the same, clockwise
]


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: type(shape).__name__)
def test_lines_cross_an_outline_where_inside_and_outside_meet(shape):
    # definition: just before and just behind an outline membership differs; between two crossings it does not
    rng = np.random.default_rng(5)
    x, y, angle = rng.uniform(-4, 6, 400), rng.uniform(-4, 6, 400), rng.uniform(0, 2 * np.pi, 400)
    dx, dy = np.cos(angle), np.sin(angle)
    cut = np.sort(crossings(shape, x, y, dx, dy), axis=0)
    look = np.linspace(-12.0, 12.0, 4001)
    inside = shape.contains(x + look[:, None] * dx, y + look[:, None] * dy)
    stretch = (cut[None] < look[:, None, None]).sum(axis=1)
    changed = inside[1:] != inside[:-1]
    assert changed.any()
    assert np.all(stretch[1:][changed] > stretch[:-1][changed])


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: type(shape).__name__)
def test_normals_point_out_of_a_shape(shape):
    # definition, a hundredth of the size off the outline
    corners = shape.outline()
    middle = (corners[1:] + corners[:-1]) / 2
    middle = middle[np.hypot(*(corners[1:] - corners[:-1]).T) > 0]
    normal = outward_normals(shape, *middle.T)
    assert np.hypot(*normal.T) == pytest.approx(np.ones(len(normal)), rel=1e-12)
    assert not shape.contains(*(middle + 0.01 * normal).T).any()
    assert shape.contains(*(middle - 0.01 * normal).T).all()


# -- surfaces ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [0.0, 0.13 * MM, 0.37 * MM])
def test_surfaces_have_the_length_of_their_outlines_wherever_they_lie(shift):
    # circumferences of a circle and a stadium, sides of the box
    round_, flat = Circle(20 * MM + shift, 22 * MM, 4 * MM), Stadium(45 * MM, 20 * MM + shift, 12 * MM, 5 * MM, 0.4)
    found = Surfaces(box(60 * MM, 40 * MM, round_, flat))
    for name, length in (("body0", round_.perimeter), ("body1", flat.perimeter)):
        assert found.area[found.number(name)] == pytest.approx(length, rel=2e-4)
    for form, length in (("up", 60 * MM), ("down", 60 * MM)):
        assert found.area[found.number("frame", form)] == pytest.approx(length, rel=1e-9)


@pytest.mark.parametrize(
    ("gravity", "forms"),
    [
        ("down", {"bottom": ("up", 30 * MM), "left": ("vertical", 40 * MM), "top": ("down", 30 * MM)}),
        ("left", {"bottom": ("vertical", 60 * MM), "left": ("up", 20 * MM), "top": ("vertical", 60 * MM)}),
        ("along", {"bottom": ("vertical", 1.7), "left": ("vertical", 1.7), "top": ("vertical", 1.7)}),
    ],
)
def test_gravity_says_which_way_surfaces_face_and_how_large_they_are(gravity, forms):
    # half the width (area over perimeter of a long strip) for what faces up or down, the height for what stands
    air = build_section(box(60 * MM, 40 * MM, Circle(30 * MM, 20 * MM, 4 * MM), gravity=gravity, height=1.7)).air
    for wall, (form, size) in forms.items():
        distance = {"bottom": air.j, "left": air.i, "top": -air.j}[wall]
        frame = np.array([air.group_names[g] == "frame" for g in air.group])
        level = air.axis == (0 if wall == "left" else 1)
        (group,) = set(air.group[frame & level & (distance == distance[frame & level].min())])
        assert air.group_form[group] == form
        assert air.group_size[group] == pytest.approx(size, rel=2e-3)
    cylinder = air.group_names.index("body0")
    assert air.group_form[cylinder] == ("vertical_cylinder" if gravity == "along" else "cylinder")
    assert air.group_size[cylinder] == pytest.approx(8 * MM, rel=1e-9)


def test_a_flat_cable_counts_as_a_cylinder_of_its_perimeter():
    flat = Stadium(30 * MM, 20 * MM, 12 * MM, 5 * MM)
    found = build_section(box(60 * MM, 40 * MM, flat)).air
    assert found.group_size[found.group_names.index("body0")] == pytest.approx(flat.perimeter / np.pi, rel=1e-9)


# -- views -------------------------------------------------------------------------------------------------------------


def test_views_are_reciprocal_and_complete_to_rounding():
    # A_i F_ij = A_j F_ji and sum_j F_ij + F_i,open = 1 (any text on radiation); black surfaces, so exchange is the view
    bodies = (Circle(20 * MM, 22 * MM, 4 * MM), Stadium(45 * MM, 20 * MM, 12 * MM, 5 * MM))
    for zone in ({}, {"temperature": ROOM}):
        air = build_section(box(60 * MM, 40 * MM, *bodies, **zone)).air
        flow = air.patch_area[:, None] * air.exchange
        assert np.abs(flow - flow.T).max() < 1e-12 * air.patch_area.max()
        assert air.exchange.sum(axis=1) + air.ambient_view == pytest.approx(np.ones(len(flow)), abs=1e-12)
        assert air.exchange.min() > -1e-6


@pytest.mark.parametrize(("width", "height"), [(40, 40), (80, 40), (100, 20)])
def test_walls_of_a_rectangle_by_crossed_strings(width, height):
    # Hottel: (crossed - uncrossed) / (2 A), from memory: opposite sqrt(1 + r²) - r with r = gap over width, 0.005
    found = Surfaces(box(width * MM, height * MM))
    floor, ceiling = found.number("frame", "up"), found.number("frame", "down")
    ratio = height / width
    assert found.view[floor, ceiling] == pytest.approx(np.sqrt(1 + ratio**2) - ratio, abs=5e-3)
    beside = (1 + ratio - np.sqrt(1 + ratio**2)) / 2
    assert [v for n, v in enumerate(found.view[floor]) if n not in (floor, ceiling)] == pytest.approx([beside] * 2, abs=5e-3)
    assert found.view[floor, floor] == pytest.approx(0.0, abs=1e-9)


def test_a_cylinder_in_the_middle_of_a_square_sees_each_wall_alike():
    # by symmetry a quarter each, none of itself; each wall sees pi d / (4 w) of it by reciprocity: 0.003
    side, radius = 40 * MM, 8 * MM
    found = Surfaces(box(side, side, Circle(22 * MM, 22 * MM, radius)))
    body = found.number("body0")
    walls = [n for n in found if n != body]
    assert found.view[body, walls] == pytest.approx([0.25] * 4, abs=3e-3)
    assert found.view[walls, body] == pytest.approx([np.pi * 2 * radius / (4 * side)] * 4, abs=3e-3)
    assert found.view[body, body] == pytest.approx(0.0, abs=1e-3)


def test_cylinder_above_a_strip():
    # crossed strings, from memory: a long strip of half width a at distance h below the axis: F = atan(a / h) / pi
    found = Surfaces(box(100 * MM, 50 * MM, Circle(52 * MM, 17 * MM, 8 * MM)))
    assert found.view[found.number("body0"), found.number("frame", "up")] == pytest.approx(
        np.arctan(50 / 15) / np.pi, abs=3e-3
    )


def test_two_cylinders_side_by_side():
    # crossed strings, from memory: F = (sqrt(X² - 1) + asin(1 / X) - X) / pi with X = distance of axes over diameter
    radius, apart = 5 * MM, 20 * MM
    found = Surfaces(box(80 * MM, 60 * MM, Circle(32 * MM, 32 * MM, radius), Circle(32 * MM + apart, 32 * MM, radius)))
    x = apart / (2 * radius)
    assert found.view[found.number("body0"), found.number("body1")] == pytest.approx(
        (np.sqrt(x**2 - 1) + np.arcsin(1 / x) - x) / np.pi, abs=3e-3
    )


def test_a_body_shadows_what_is_behind_it():
    # a shelf as wide as the box: floor and ceiling do not see each other, but each its side of the shelf (crossed strings)
    width, gap = 60 * MM, 18 * MM
    found = Surfaces(box(width, 40 * MM, Rectangle(2 * MM, 20 * MM, 62 * MM, 24 * MM)))
    floor, ceiling = found.number("frame", "up"), found.number("frame", "down")
    assert found.view[floor, ceiling] < 1e-6
    assert found.view[floor, found.number("body0", "down")] == pytest.approx(
        np.sqrt(1 + (gap / width) ** 2) - gap / width, abs=5e-3
    )


def test_edges_mirror_in_a_closed_zone_and_let_out_in_an_open_one():
    # two plates that reach from edge to edge: closed, each sees the other whole; open, as in the rectangle above
    width, gap = 60 * MM, 20 * MM

    def plates(**zone):
        parts = [Part("air", AIR, air=AirZone("down", **zone)), solid("low"), solid("high")]
        paints = [Paint(Rectangle(0, 0, width, 5 * MM), 1), Paint(Rectangle(0, 5 * MM + gap, width, 10 * MM + gap), 2)]
        return Surfaces(case(width, gap + 10 * MM, parts, paints))

    closed, outside = plates(), plates(temperature=ROOM)
    low, high = closed.number("low"), closed.number("high")
    assert closed.view[low, high] == pytest.approx(1.0, abs=1e-3)
    ratio = gap / width
    assert outside.view[low, high] == pytest.approx(np.sqrt(1 + ratio**2) - ratio, abs=5e-3)
    assert outside.ambient[low] == pytest.approx(1 - outside.view[low, high], abs=1e-9)


# -- grey exchange -----------------------------------------------------------------------------------------------------


def radiated(found: Surfaces, number: int, emissivity: float, power) -> float:
    """Net heat that a surface radiates per area when each surface emits ``power`` [W/m²] if black."""
    patch_power = np.asarray(power)[found.owner]
    irradiation = found.air.exchange @ patch_power
    mine = found.owner == number
    return emissivity * (power[number] - np.average(irradiation[mine], weights=found.air.patch_area[mine]))


@pytest.mark.parametrize(("one", "other"), [(1.0, 1.0), (0.9, 0.9), (0.9, 0.3), (0.05, 0.9)])
def test_two_endless_parallel_plates(one, other):
    # q = (E1 - E2) / (1/e1 + 1/e2 - 1), any text on radiation
    width, gap = 60 * MM, 20 * MM
    parts = [Part("air", AIR, air=AirZone("down")), solid("low", one), solid("high", other)]
    paints = [Paint(Rectangle(0, 0, width, 5 * MM), 1), Paint(Rectangle(0, 5 * MM + gap, width, 10 * MM + gap), 2)]
    found = Surfaces(case(width, gap + 10 * MM, parts, paints))
    power = np.zeros(2)
    low, high = found.number("low"), found.number("high")
    power[low], power[high] = 700.0, 450.0
    expected = (700.0 - 450.0) / (1 / one + 1 / other - 1)
    assert radiated(found, low, one, power) == pytest.approx(expected, rel=2e-3)
    assert radiated(found, high, other, power) == pytest.approx(-expected, rel=2e-3)


@pytest.mark.parametrize(("one", "other"), [(0.9, 0.9), (0.5, 0.8)])
def test_a_cylinder_in_a_round_duct(one, other):
    # Q / A1 = (E1 - E2) / (1/e1 + A1/A2 (1/e2 - 1)), Incropera et al. table 13.3 (from memory, high confidence): 1 %
    side, outer, inner = 60 * MM, 25 * MM, 8 * MM
    parts = [solid("duct", other), Part("air", AIR, air=AirZone("along")), solid("body", one)]
    paints = [Paint(Circle(side / 2, side / 2, outer), 1), Paint(Circle(side / 2, side / 2, inner), 2)]
    found = Surfaces(case(side, side, parts, paints))
    power = np.where([name == "body" for name in found.air.group_names], 700.0, 450.0)
    expected = (700.0 - 450.0) / (1 / one + inner / outer * (1 / other - 1))
    assert radiated(found, found.number("body"), one, power) == pytest.approx(expected, rel=0.01)


def test_the_film_law_of_the_standard_holds_the_radiation_of_cylinders_only():
    # IEC 60287-2-1: h is that of convection and radiation together, so a cylinder under it neither emits nor absorbs
    body = Circle(30 * MM, 20 * MM, 4 * MM)
    zone = {"law": "iec_60287", "law_constants": (0.21, 3.94, 0.60), "temperature": ROOM}
    scenario = box(60 * MM, 40 * MM, body, emissivities=(0.9, 0.9), **zone)
    found = Surfaces(scenario)
    cylinder = found.owner == found.number("body0")
    assert set(found.air.patch_emissivity[cylinder]) == {0.0} and set(found.air.patch_emissivity[~cylinder]) == {0.9}
    assert np.abs(found.air.exchange[:, cylinder]).max() < 1e-12
    kind = model_for(scenario).network.zones.group_kind
    assert [int(k) for k in kind] == [int(name == "body0") for name in found.air.group_names]


@pytest.mark.parametrize("name", ["h07v_1_5", "h07v_2_5", "h07v_16", "thhn_12", "nm_b_14_2"])
def test_a_small_body_on_few_cells_keeps_its_surface(name):
    # perimeter of the library's cable; chords of its outline lie off it by more than the hair that is looked aside
    text = 'format = 1\ntitle = "t"\n[free_air]\ngravity = "down"\n[surroundings]\nair_temperature = "30 degC"\n[run]\nduration = "1 h"\n'
    scenario = load_scenario_text(text + f'[[cable]]\nname = "c"\ntype = "{name}"\n')
    outline = next(p.shape for p in scenario.paints if scenario.parts[p.part].role in ("jacket", "insulation"))
    assert build_section(scenario).air.area.sum() == pytest.approx(outline.perimeter, rel=1e-6)
