"""Bodies laid by word: rows, stacks, packs, and bodies at rest in a round space, against plane geometry."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from ampsoak.scenario.arrangement import (
    arranged,
    at_rest,
    beyond_round,
    clearance,
    touching_groups,
    wrapped_perimeter,
)
from ampsoak.scenario.geometry import overlap
from ampsoak.scenario.shapes import Circle, Stadium

ROUND = Circle(0.0, 0.0, 2.0)
FLAT = Stadium(0.0, 0.0, 10.0, 4.0)
UPRIGHT = Stadium(0.0, 0.0, 10.0, 4.0, math.pi / 2)
SLANTED = Stadium(0.0, 0.0, 10.0, 4.0, 0.5)
SPACE = Circle(30.0, 40.0, 12.0)
DOWN = (0.0, -1.0)


def moved(shape, place):
    return type(shape)(*place, *(getattr(shape, name) for name in list(shape.__dataclass_fields__)[2:]))


# -- arrangements ------------------------------------------------------------------------------------------------------


def test_a_row_lies_along_x_and_a_stack_along_y_about_their_middle():
    assert arranged(3, "row", FLAT) == [(-10.0, 0.0), (0.0, 0.0), (10.0, 0.0)]
    assert arranged(3, "stack", FLAT) == [(0.0, -4.0), (0.0, 0.0), (0.0, 4.0)]
    assert arranged(2, "row", ROUND, spacing=1.0) == [(-2.5, 0.0), (2.5, 0.0)]
    assert arranged(2, "row", UPRIGHT) == [pytest.approx((-2.0, 0.0)), pytest.approx((2.0, 0.0))]


@pytest.mark.parametrize("count", range(1, 20))
@pytest.mark.parametrize("outline", [ROUND, FLAT, UPRIGHT, SLANTED])
def test_packed_bodies_touch_and_do_not_overlap(count, outline):
    bodies = [moved(outline, place) for place in arranged(count, "packed", outline)]
    assert len(bodies) == count
    assert not any(overlap(one, other) for one, other in combinations(bodies, 2))
    xs, ys = np.array([(body.x, body.y) for body in bodies]).T
    assert xs.min() + xs.max() == pytest.approx(0.0, abs=1e-9)
    assert ys.min() + ys.max() == pytest.approx(0.0, abs=1e-9)
    if outline is ROUND and count > 1:
        nearest = [min(math.dist((b.x, b.y), (c.x, c.y)) for c in bodies if c is not b) for b in bodies]
        assert nearest == pytest.approx([4.0] * count)


@pytest.mark.parametrize(
    ("count", "radius"),
    # circumscribed radius over the radius of one: 2; 1 + 2/sqrt(3); rhombus 1 + sqrt(3); one round which six lie 3
    [(2, 2.0), (3, 1 + 2 / math.sqrt(3)), (4, 1 + math.sqrt(3)), (7, 3.0)],
)
def test_few_round_bodies_pack_as_closely_as_a_triangular_lattice_lets_them(count, radius):
    places = arranged(count, "packed", Circle(0.0, 0.0, 1.0))
    # middle of the box and of the circle round it agree for 2, 4 and 7; for 3 the circle's lies a third up
    middle = (0.0, 0.0) if count != 3 else (0.0, min(y for _, y in places) + 1 / math.sqrt(3))
    assert max(math.dist(place, middle) for place in places) + 1 == pytest.approx(radius)


def test_flat_bodies_pack_into_columns_near_a_square():
    # four of 10 x 4: one column of 10 x 16 would be longer than two of 20 x 8 are wide
    assert len({x for x, _ in arranged(2, "packed", FLAT)}) == 1
    assert len({x for x, _ in arranged(4, "packed", FLAT)}) == 1
    assert len({x for x, _ in arranged(8, "packed", FLAT)}) == 2


# -- at rest -----------------------------------------------------------------------------------------------------------


def test_a_round_body_alone_lies_at_the_bottom():
    assert at_rest(ROUND, SPACE, [], DOWN) == pytest.approx((30.0, 30.0), abs=1e-9)
    assert at_rest(ROUND, SPACE, [], (-1.0, 0.0)) == pytest.approx((20.0, 40.0), abs=1e-9)
    assert at_rest(ROUND, SPACE, [], (1.0, 0.0)) == pytest.approx((40.0, 40.0), abs=1e-9)


def test_a_flat_body_lies_on_both_its_ends():
    # ends of radius 2, 3 either side of the middle, in a circle of 12: centres on a circle of 10
    assert at_rest(FLAT, SPACE, [], DOWN) == pytest.approx((30.0, 40.0 - math.sqrt(10**2 - 3**2)), abs=1e-7)
    assert at_rest(UPRIGHT, SPACE, [], DOWN) == pytest.approx((30.0, 40.0 - 10.0 + 3.0), abs=1e-7)


def test_a_second_round_body_lies_against_the_first_and_the_wall():
    first = moved(ROUND, at_rest(ROUND, SPACE, [], DOWN))
    x, y = at_rest(ROUND, SPACE, [first], DOWN)
    assert math.dist((x, y), (first.x, first.y)) == pytest.approx(4.0, abs=1e-8)
    assert math.dist((x, y), (30.0, 40.0)) == pytest.approx(10.0, abs=1e-8)
    assert abs(x - 30.0) > 1.0


def test_a_flat_body_lies_on_top_of_a_flat_one():
    # in a space little wider than itself it can lie nowhere but on the first
    space = Circle(0.0, 0.0, 6.0)
    first = moved(FLAT, at_rest(FLAT, space, [], DOWN))
    x, y = at_rest(FLAT, space, [first], DOWN)
    assert (x, y - first.y) == (pytest.approx(0.0, abs=0.5), pytest.approx(4.0, abs=1e-6))


@pytest.mark.parametrize("outline", [ROUND, FLAT, UPRIGHT, SLANTED])
@pytest.mark.parametrize("down", [DOWN, (-1.0, 0.0)])
def test_whatever_lies_at_rest_is_inside_and_overlaps_nothing(outline, down):
    laid = [moved(ROUND, at_rest(ROUND, SPACE, [], down))]
    while (place := at_rest(outline, SPACE, laid, down)) is not None:
        laid.append(moved(outline, place))
    assert len(laid) > 4  # round bodies of 4 fill a space of 24 with more than 20, flat ones with more than 5
    assert all(beyond_round(body, SPACE) == 0.0 for body in laid)
    assert not any(overlap(one, other) for one, other in combinations(laid, 2))


def test_a_body_that_does_not_fit_has_no_place():
    assert at_rest(Circle(0.0, 0.0, 13.0), SPACE, [], DOWN) is None
    assert at_rest(Stadium(0.0, 0.0, 30.0, 2.0), SPACE, [], DOWN) is None


def test_reach_beyond_a_round_space():
    assert beyond_round(Circle(30.0, 33.0, 6.0), SPACE) == pytest.approx(1.0)
    assert beyond_round(moved(FLAT, (30.0, 40.0)), SPACE) == 0.0
    assert beyond_round(moved(FLAT, (40.0, 40.0)), SPACE) == pytest.approx(10.0 + 5.0 - 12.0)


def test_band_round_bodies():
    # one: its own outline; two circles of radius 2 in touch: 2 pi r + 2 d; four in a square: 2 pi r + 4 d
    assert wrapped_perimeter([FLAT]) == FLAT.perimeter
    pair = [Circle(0.0, 0.0, 2.0), Circle(4.0, 0.0, 2.0)]
    assert wrapped_perimeter(pair) == pytest.approx(2 * math.pi * 2 + 8, rel=1e-3)
    square = [Circle(4.0 * i, 4.0 * j, 2.0) for i in (0, 1) for j in (0, 1)]
    assert wrapped_perimeter(square) == pytest.approx(2 * math.pi * 2 + 16, rel=1e-3)


def test_clear_distance_between_bodies():
    # circles: distance of centres less both radii; a flat one above another: distance of their spines less both radii
    assert clearance(Circle(0.0, 0.0, 2.0), Circle(3.0, 4.0, 1.0)) == pytest.approx(2.0)
    assert clearance(FLAT, Stadium(1.0, 7.0, 10.0, 4.0)) == pytest.approx(3.0)
    # end to end, and the end of an upright one over the middle of a level one
    assert clearance(FLAT, Stadium(12.0, 0.0, 10.0, 4.0)) == pytest.approx(2.0)
    assert clearance(FLAT, Stadium(0.0, 8.0, 10.0, 4.0, math.pi / 2)) == pytest.approx(1.0)
    assert clearance(FLAT, Circle(0.0, 5.0, 1.0)) == pytest.approx(2.0)


def test_bodies_that_touch_one_another_form_groups():
    bodies = [Circle(x, 0.0, 1.0) for x in (0.0, 2.0, 4.0, 7.0, 9.1, 20.0)]
    assert touching_groups(bodies, 0.05) == [[0, 1, 2]]
    assert touching_groups(bodies, 0.2) == [[0, 1, 2], [3, 4]]
    assert touching_groups(bodies, 1.5) == [[0, 1, 2, 3, 4]]
