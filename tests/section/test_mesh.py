"""Graded lines, painted areas and the mesh round conductors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_cases import ZERO, case, even, fixed, refined, simple, wire
from reference_cases import reference_problem

from ampsoak.base.errors import NumericalError
from ampsoak.scenario.case import MeshSettings, Paint, Part
from ampsoak.scenario.shapes import Circle, Polygon, Rectangle, Stadium
from ampsoak.section.build import build_section, section_lines
from ampsoak.section.grid import graded_lines, unknown_positions
from ampsoak.section.interfaces import parts_at

MM = 1e-3
FILL = simple("fill", 0.04, 1e4)
PVC = simple("pvc", 0.17, 1.4e6)
COPPER = simple("copper", 400.0, 3.45e6)


# -- grid lines --------------------------------------------------------------------------------------------------------


def test_lines_hold_every_border_and_both_ends():
    borders = [12.7 * MM, 101.7 * MM, 19 * MM]
    lines = graded_lines(114.2 * MM, borders, [(50 * MM, 60 * MM, 0.3 * MM)], 1.25, 8 * MM)
    assert lines[0] == 0.0
    assert lines[-1] == 114.2 * MM
    assert (np.diff(lines) > 0).all()
    assert np.isin(borders, lines).all()


@pytest.mark.parametrize("growth", [1.1, 1.25, 1.5])
def test_cells_are_fine_in_the_focus_and_grow_steadily_away_from_it(growth):
    # own requirement: the size asked for inside, and outside a size that grows by (growth - 1) per length, which makes
    # neighbours differ by exp(growth - 1); 2 % for fitting whole cells
    low, high, size, coarsest = 40 * MM, 50 * MM, 0.25 * MM, 6 * MM
    lines = graded_lines(200 * MM, [], [(low, high, size)], growth, coarsest)
    cells = np.diff(lines)
    inside = (lines[:-1] >= low) & (lines[1:] <= high)
    assert inside.sum() >= 38
    assert cells[inside].max() <= size * (1 + 1e-9)
    assert cells.max() <= coarsest * (1 + 1e-9)
    ratios = cells[1:] / cells[:-1]
    assert np.maximum(ratios, 1 / ratios).max() < 1.02 * np.exp(growth - 1)


def test_thin_layers_get_their_cells():
    lines = graded_lines(100 * MM, [50 * MM, 50.5 * MM], [], 1.25, 10 * MM, cells_per_layer=5)
    assert ((lines >= 50 * MM) & (lines <= 50.5 * MM)).sum() == 6


def test_unknowns_sit_inside_their_cells_and_in_the_middle_of_equal_ones():
    even_lines = np.linspace(0.0, 1.0, 11)
    assert unknown_positions(even_lines) == pytest.approx((even_lines[1:] + even_lines[:-1]) / 2)
    growing = np.concatenate([[0.0], np.cumsum(1.4 ** np.arange(12))])
    points = unknown_positions(growing)
    assert ((points > growing[:-1]) & (points < growing[1:])).all()
    assert (points[1:-1] < ((growing[1:] + growing[:-1]) / 2)[1:-1]).all()  # towards the smaller neighbour


def test_lines_of_a_mirrored_focus_are_mirrored():
    one = graded_lines(0.1, [0.02], [(0.03, 0.04, 2e-4)], 1.25, 5e-3)
    two = graded_lines(0.1, [0.08], [(0.06, 0.07, 2e-4)], 1.25, 5e-3)
    assert 0.1 - two[::-1] == pytest.approx(one, abs=1e-13)


# -- painted areas -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("problem", ["P1", "P3"])
@pytest.mark.parametrize("slide", [(0.0, 0.0), (0.13 * MM, -0.07 * MM)])
def test_areas_of_a_cable_are_conserved(problem, slide):
    # areas of stadiums and circles in closed form; own requirement 0.1 % of each part
    scenario = reference_problem(problem, slide)
    section = build_section(scenario)
    mesh = dict(zip((part.name for part in scenario.parts), section.part_area_mesh, strict=True))
    outer, inner = Stadium(0, 0, 10 * MM, 4.6 * MM).area, Stadium(0, 0, 8.48 * MM, 3.08 * MM).area
    core, copper = np.pi * (1.4 * MM) ** 2, np.pi * (0.814 * MM) ** 2
    assert mesh["jacket"] == pytest.approx(outer - inner, rel=1e-3)
    assert mesh["insulation"] == pytest.approx(2 * (core - copper), rel=2e-3)
    assert mesh["filler"] == pytest.approx(
        inner - 2 * core - copper + 2 * _overlap(1.4 * MM, 0.814 * MM, 2.5 * MM), rel=2e-3
    )
    for name in ("line", "neutral", "earth"):
        assert mesh[name] == pytest.approx(copper, rel=1e-3)
    assert section.part_area_mesh.sum() == pytest.approx(scenario.width * scenario.height, rel=1e-12)
    assert section.part_area_exact.sum() == pytest.approx(scenario.width * scenario.height, rel=1e-9)
    assert section.part_area_mesh == pytest.approx(section.part_area_exact, rel=2e-3)


def _overlap(one: float, two: float, apart: float) -> float:
    """Area common to two circles."""
    if apart >= one + two:
        return 0.0
    a = one**2 * np.arccos((apart**2 + one**2 - two**2) / (2 * apart * one))
    b = two**2 * np.arccos((apart**2 + two**2 - one**2) / (2 * apart * two))
    root = (-apart + one + two) * (apart + one - two) * (apart - one + two) * (apart + one + two)
    return float(a + b - np.sqrt(root) / 2)


def test_later_shapes_cover_earlier_ones_exactly():
    parts = [Part("fill", FILL), Part("one", PVC), Part("two", PVC), Part("hidden", PVC)]
    paints = [
        Paint(Rectangle(4 * MM, 4 * MM, 6 * MM, 6 * MM), 3),
        Paint(Rectangle(2 * MM, 2 * MM, 10 * MM, 8 * MM), 1),
        Paint(Polygon(((6 * MM, 0.0), (14 * MM, 0.0), (14 * MM, 8 * MM))), 2),
    ]
    section = build_section(case(20 * MM, 12 * MM, parts, paints))
    triangle = 32.0  # mm²: legs of 8 mm, y < x - 6
    covered = (4 - 2) ** 2 / 2  # of it inside the rectangle: x < 10, y > 2
    expected = np.array([240 - 48 - triangle + covered, 48 - covered, triangle, 0.0]) * MM**2
    assert section.part_area_exact == pytest.approx(expected, rel=1e-9, abs=1e-15)
    assert section.part_area_mesh == pytest.approx(expected, rel=1e-3, abs=1e-15)


def test_straight_sided_parts_are_exact_on_any_mesh():
    parts = [Part("fill", FILL), Part("bar", PVC)]
    scenario = case(20 * MM, 12 * MM, parts, [Paint(Rectangle(3.3 * MM, 1.7 * MM, 9.1 * MM, 12 * MM), 1)])
    section = build_section(scenario, (even(20 * MM, 7), even(12 * MM, 5)))
    assert section.part_area_mesh[1] == pytest.approx(5.8 * 10.3 * MM**2, rel=1e-12)


def test_shapes_that_stick_out_are_cut_at_the_edge():
    section = build_section(
        case(20 * MM, 20 * MM, [Part("fill", FILL), Part("disc", PVC)], [Paint(Circle(0.0, 10 * MM, 4 * MM), 1)])
    )
    assert section.part_area_exact[1] == pytest.approx(np.pi * 8 * MM**2, rel=1e-9)
    assert section.part_area_mesh[1] == pytest.approx(np.pi * 8 * MM**2, rel=1e-3)


def test_parts_at_places_follow_the_painting_order():
    scenario = reference_problem("P1")
    names = [part.name for part in scenario.parts]
    y = 57.2 * MM
    places = [
        (1 * MM, y),
        (184 * MM, 5 * MM),
        (184 * MM, 110 * MM),
        (60 * MM, y),
        (181.5 * MM, y),
        (181.5 * MM, y + 1.1 * MM),
        (184 * MM, y + 2 * MM),
    ]
    found = [names[p] for p in parts_at(scenario, *np.array(places).T)]
    assert found == ["studs", "gypsum", "osb", "fill", "line", "insulation", "jacket"]


# -- conductors --------------------------------------------------------------------------------------------------------


def _wire_in_box(radius: float, mesh: MeshSettings = MeshSettings(), centre=(10 * MM, 10 * MM)):  # noqa: B008
    shape = Circle(*centre, radius)
    return case(
        20 * MM, 20 * MM, [Part("fill", FILL), Part("wire", COPPER)], [Paint(shape, 1)], [wire(1, shape)],
        [fixed("left", 20 * MM, ZERO)], mesh=mesh,
    )  # fmt: skip


def test_conductor_smaller_than_its_cells_is_refused_with_advice():
    # own lines far too coarse for the wire; the advice must be enough
    scenario = _wire_in_box(0.4 * MM)
    coarse = (even(20 * MM, 25), even(20 * MM, 25))
    with pytest.raises(
        NumericalError, match=r"conductor wire1: only 1 mesh points lie inside it; set mesh\.finest to at most"
    ) as caught:
        build_section(scenario, coarse)
    advised = float(str(caught.value).split("at most ")[1].split(" mm")[0]) * MM
    fine = build_section(refined(scenario, advised))
    assert (fine.point_conductor == 0).sum() >= 4


def test_automatic_mesh_resolves_every_conductor():
    # own requirement: five cells across at least, whatever the size and the place
    for radius in (0.3 * MM, 0.9 * MM, 4.0 * MM):
        for slide in (0.0, 0.05 * MM):
            scenario = _wire_in_box(radius, centre=(10 * MM + slide, 10 * MM - 0.7 * slide))
            x, y = section_lines(scenario)
            for lines, centre in ((x, scenario.conductors[0].shape.x), (y, scenario.conductors[0].shape.y)):
                across = np.diff(lines)[(lines[:-1] > centre - radius) & (lines[1:] < centre + radius)]
                assert across.max() <= 2 * radius / 5


def test_finest_and_growth_are_obeyed():
    scenario = _wire_in_box(0.9 * MM)
    x, _ = section_lines(replace(scenario, mesh=MeshSettings(finest=0.1 * MM)))
    assert np.diff(x).min() <= 0.1 * MM
    slow, fast = (section_lines(replace(scenario, mesh=MeshSettings(growth=growth)))[0] for growth in (1.1, 1.6))
    assert len(slow) > len(fast)
    capped, _ = section_lines(replace(scenario, mesh=MeshSettings(coarsest=0.5 * MM)))
    assert np.diff(capped).max() <= 0.5 * MM * (1 + 1e-9)


def test_links_end_on_the_conductor_at_its_true_distance():
    # the outline acts a hair larger than drawn (cell² / (24 R)); distances within that of the circle's own
    radius = 0.9 * MM
    section = build_section(_wire_in_box(radius, centre=(10.03 * MM, 9.96 * MM)))
    cut = section.cut
    assert len(cut.i) > 16
    for axis, i, j, upper, distance in zip(cut.axis, cut.i, cut.j, cut.upper, cut.distance, strict=True):
        live = (i + (upper and axis == 0), j + (upper and axis == 1))
        assert section.point_conductor[live] == -1
        place = np.array([section.x_points[live[0]], section.y_points[live[1]]])
        towards = np.array([1.0, 0.0]) if axis == 0 else np.array([0.0, 1.0])
        foot = place + (-1 if upper else 1) * distance * towards
        size = np.diff(section.x_lines).min()
        gap = np.hypot(*(foot - [10.03 * MM, 9.96 * MM])) - radius
        assert -1e-9 * MM <= gap <= 1.1 * size**2 / (24 * radius)
