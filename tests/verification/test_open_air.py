"""Cables in open air: the standard's rating chain, the wiring-rule tables, closed forms, conservation and symmetry.

Constants of the film law, chain and worked values: IEC 60287-1-1 and 60287-2-1 (from memory, high confidence, recomputed to
every digit). Ratings: IEC 60364-5-52 tables B.52.2 and B.52.10 (from memory).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from heat_cases import (
    COPPER_CAPACITY,
    COPPER_COEFFICIENT,
    ZERO,
    case,
    film,
    fixed,
    march,
    model_for,
    simple,
    solve_steady,
    transposed,
    wire,
)
from scipy.optimize import brentq
from two_core_cables import LIMIT, MM, ROWS, SHEATH, Row, exact_rating, exact_resistance

from ampsoak.base.sources import Value
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.laws import air_layer_resistance, thin_cylinder_coefficient
from ampsoak.heat.steady import SteadySolver
from ampsoak.heat.stepping import start_state
from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.case import AirZone, CurrentProfile, HeatSource, Paint, Part, TimeTable
from ampsoak.scenario.shapes import Circle, Rectangle, Stadium
from ampsoak.section.build import section_lines

SIGMA = 5.670374419e-8
AMBIENT = 30.0 + ZERO
AIR = simple("air", 0.026, 1169.0)
COPPER = simple("copper", 400.0, COPPER_CAPACITY)
FREE, CLIPPED = (0.21, 3.94, 0.60), (1.69, 0.63, 0.25)  # Z, E, g of a single cable in free air, clipped to a wall


def plastic(name: str, resistivity: float, emissivity: float = 0.92) -> Part:
    """A part of thermal ``resistivity`` [K m/W]."""
    return Part(name, replace(simple(name, 1 / resistivity, 1.7e6), emissivity=Value.exact(emissivity)))


def room(constants=None, gravity="down", temperature: float | TimeTable = AMBIENT) -> Part:
    """Open air at a given temperature; with ``constants`` under the standard's film law."""
    table = temperature if isinstance(temperature, TimeTable) else TimeTable.constant(temperature)
    law = {} if constants is None else {"law": "iec_60287", "law_constants": constants}
    return Part("air", AIR, air=AirZone(gravity, temperature=table, **law))


def single_core(diameter, layers, resistance, air: Part, *, emissivity: float = 0.92, place=(30.1 * MM, 29.93 * MM)):
    """A single-core cable hung in air; ``layers`` holds (thickness [m], resistivity [K m/W]) outwards."""
    radii = diameter / 2 + np.cumsum([thickness for thickness, _ in layers])
    parts, paints = [air], []
    for number in reversed(range(len(layers))):
        parts.append(plastic(f"layer{number}", layers[number][1], emissivity))
        paints.append(Paint(Circle(*place, radii[number]), len(parts) - 1))
    shape = Circle(*place, diameter / 2)
    parts.append(Part("wire", COPPER))
    paints.append(Paint(shape, len(parts) - 1))
    metal = wire(len(parts) - 1, shape, per_metre=resistance, coefficient=COPPER_COEFFICIENT)
    return case(60 * MM, 60 * MM, parts, paints, [metal], start=AMBIENT)


def rating(scenario, limit: float, guess: float) -> float:
    """Current that brings the hottest conductor to ``limit`` [K] in the end [A], sought round ``guess``."""
    model = model_for(scenario)
    solver = SteadySolver(model, BoundaryTables(scenario.boundaries))
    state = start_state(model, AMBIENT)

    def excess(current):
        nonlocal state
        found = solver.solve(np.array([current]), state)
        assert found.exists, found.reason
        state = found.temperature
        return state[model.conductor_unknown].max() - limit

    return brentq(excess, 0.8 * guess, 1.2 * guess, xtol=1e-3 * guess / 10)


# -- one core: the chain of the standard -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("diameter", "layers", "resistance", "limit", "expected"),
    [
        (5.9 * MM, [(0.9 * MM, 3.5), (1.4 * MM, 5.0)], 0.727e-3, 90.0, 179.90748),
        (2.76 * MM, [(0.8 * MM, 5.0)], 3.08e-3, 70.0, 55.438571),
    ],
)
def test_single_core_carries_what_the_standard_says(diameter, layers, resistance, limit, expected):
    # IEC 60287 chain for 25 mm² XLPE/PVC and 6 mm² PVC in free air, fixed point to 1e-12: 0.2 % in current
    scenario = single_core(diameter, layers, resistance, room(FREE))
    assert rating(scenario, limit + ZERO, expected) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("emissivity", [0.05, 0.5, 0.92])
def test_single_core_agrees_with_the_closed_chain_under_our_correlation(emissivity):
    # I² R(T) = (T - Ts) 2 pi k / ln(r2/r1) = pi d [h (Ts - Ta) + e sigma (Ts⁴ - Ta⁴)], h by Morgan 1975: 0.3 % of the rise
    diameter, thickness, resistivity, resistance, current = 2.76 * MM, 0.8 * MM, 5.0, 3.08e-3, 55.0
    outer = diameter + 2 * thickness
    layer = resistivity / (2 * np.pi) * np.log(outer / diameter)

    def lost(surface):
        h = thin_cylinder_coefficient(surface - AMBIENT, AMBIENT, outer)
        return np.pi * outer * (h * (surface - AMBIENT) + emissivity * SIGMA * (surface**4 - AMBIENT**4))

    def heated(surface):
        metal = surface + lost(surface) * layer
        return current**2 * resistance * (1 + COPPER_COEFFICIENT * (metal - 20 - ZERO)) - lost(surface)

    surface = brentq(heated, AMBIENT + 1.0, AMBIENT + 300.0)
    expected = surface + lost(surface) * layer - AMBIENT
    scenario = single_core(diameter, [(thickness, resistivity)], resistance, room(), emissivity=emissivity)
    assert solve_steady(scenario, current=current).conductors[0] - AMBIENT == pytest.approx(expected, rel=3e-3)


# -- two and three cores: chain, exact field, tables -------------------------------------------------------------------


def multicore(cores: int, diameter: float, insulation: float, resistance: float, constants):
    """Touching cores in a round cable of one plastic, hung in air under the standard's film law."""
    core = diameter + 2 * insulation
    pitch = core / 2 / np.sin(np.pi / cores)
    side = 60 * MM
    sheath = Circle(side / 2, side / 2, pitch + core / 2 + SHEATH)
    parts, paints, wires = [room(constants), plastic("pvc", 5.0)], [Paint(sheath, 1)], []
    for number in range(cores):
        turn = 2 * np.pi * number / cores
        shape = Circle(side / 2 + pitch * np.cos(turn), side / 2 + pitch * np.sin(turn), diameter / 2)
        parts.append(Part(f"core{number}", COPPER))
        paints.append(Paint(shape, number + 2))
        wires.append(wire(number + 2, shape, per_metre=resistance, coefficient=COPPER_COEFFICIENT))
    return case(side, side, parts, paints, wires, start=AMBIENT)


@pytest.mark.parametrize(("size", "factor"), [(1.5, 1.2292), (2.5, 1.1574), (6.0, 0.9221), (16.0, 0.7462)])
def test_the_exact_field_has_the_geometric_factor_of_the_chain(size, factor):
    # the chain's T1 = 5 G / (2 pi), G of two touching cores in a circle of even temperature, recomputed: 1e-4
    assert exact_resistance(ROWS[size], 1e9, sheath=0.0) * 2 * np.pi * 0.2 * 2 == pytest.approx(factor, abs=1e-4)


@pytest.mark.parametrize("constants", [FREE, CLIPPED], ids=["free", "clipped"])
@pytest.mark.parametrize("size", ROWS)
def test_two_cores_under_the_film_law_of_the_standard(size, constants):
    row = ROWS[size]
    chain = row.free if constants == FREE else row.clipped
    found = rating(multicore(2, row.diameter, row.insulation, row.resistance, constants), LIMIT, chain)
    # exact field of the same cable in the same film, computed here: 0.2 % in current
    assert found == pytest.approx(exact_rating(row, constants), rel=2e-3)
    # IEC 60287 chain: 2 %. It holds the circle round the cores at one temperature, which it is not: at 16 mm² the exact
    # field itself lies 2.4 % below the chain, so no field code can meet it there
    if size < 16.0:
        assert found == pytest.approx(chain, rel=0.02)
    else:
        assert chain * 0.97 < found < chain * 0.98


@pytest.mark.parametrize(("constants", "chain"), [(FREE, 24.825681), (CLIPPED, 23.214349)], ids=["free", "clipped"])
def test_three_cores_under_the_film_law_of_the_standard(constants, chain):
    # IEC 60287 chain for 3 x 2.5 mm² with an ideal round filler, recomputed: 2 %
    found = rating(multicore(3, 1.784 * MM, 0.8 * MM, 7.41e-3, constants), LIMIT, chain)
    assert found == pytest.approx(chain, rel=0.02)


def installed(row: Row, section: str, cores: int = 2, place: str = ""):
    """The cable of a row as a scenario file in an installation of our own templates."""
    text = f"""format = 1
title = "rating"
{section}
[surroundings]
air_temperature = "30 degC"
[[circuit]]
name = "load"
current = "1 A"
duration = "1 h"
[[material]]
name = "rated"
based_on = "pvc_jacket"
conductivity = "0.2 W/m/K"
[[cable]]
name = "cable"
{place}
[cable.layers]
form = "round"
jacket_thickness = "1.8 mm"
jacket_material = "rated"
continuous_limit = "70 degC"
"""
    for name in ("one", "two", "three")[:cores]:
        text += f"""[[cable.layers.core]]
name = "{name}"
resistance = "{row.resistance} ohm/m"
area = "{row.size} mm2"
diameter = "{row.diameter / MM} mm"
loaded = true
insulation = [{{ material = "rated", thickness = "{row.insulation / MM} mm" }}]
"""
    return load_scenario_text(text)


ON_A_WALL = '[clipped]\ngravity = "left"\nboard = { material = "plywood", thickness = "18 mm" }'


@cache
def natural(size: float, section: str) -> float:
    """Rating under our own correlations [A]."""
    return rating(installed(ROWS[size], section), LIMIT, ROWS[size].free)


@pytest.mark.parametrize("size", ROWS)
def test_free_air_by_correlations_is_within_three_percent_of_the_chain(size):
    # IEC 60287 chain in free air; correlations Morgan 1975 and grey radiation at the emissivity of PVC
    assert natural(size, "[free_air]") == pytest.approx(ROWS[size].free, rel=0.03)


@pytest.mark.parametrize(
    "size",
    [
        1.5,
        2.5,
        pytest.param(
            6.0, marks=pytest.mark.xfail(strict=True, raises=AssertionError, reason="6 % below the table, which is 4 % above the standard's chain")
        ),
        16.0,
    ],
)
def test_free_air_by_correlations_against_the_table(size):
    # table B.52.10 column E: 5 %
    assert natural(size, "[free_air]") == pytest.approx(ROWS[size].table_free, rel=0.05)


@pytest.mark.parametrize(
    "size",
    [
        pytest.param(
            1.5, marks=pytest.mark.xfail(strict=True, raises=AssertionError, reason="7 % above the table, which is 4 % below the standard's chain")
        ),
        2.5,
        6.0,
        16.0,
    ],
)
def test_clipped_to_a_board_by_correlations_against_the_table(size):
    # table B.52.2 column C, a cable run level on an upright wooden board: 5 %
    assert natural(size, ON_A_WALL) == pytest.approx(ROWS[size].table_clipped, rel=0.05)


def test_three_cores_clipped_to_a_board_against_the_table():
    # table B.52.4 column C, 2.5 mm²: 24 A: 5 %
    row = replace(ROWS[2.5], diameter=1.784 * MM)
    assert rating(installed(row, ON_A_WALL, cores=3), LIMIT, 24.0) == pytest.approx(24.0, rel=0.05)


# -- conservation ------------------------------------------------------------------------------------------------------


def bay(gravity: str = "along", *, slide=(0.0, 0.0), filled: bool = False, source: float | None = None, edges=True, **more):
    """Flat cable in a closed bay between two boards, films of 7.7 W/(m² K) outside."""
    width, height = 200 * MM, 110 * MM
    x, y = 100 * MM + slide[0], 52 * MM + slide[1]
    inside = Part("bay", simple("fibre", 0.04, 1.7e4)) if filled else Part("bay", AIR, air=AirZone(gravity, 2.4))
    heat = None if source is None else HeatSource("length", TimeTable.constant(source))
    parts = [inside, plastic("board", 5.0, 0.9), replace(plastic("sheath", 5.0), heat_source=heat)]
    paints = [
        Paint(Rectangle(0.0, 0.0, width, 12 * MM), 1),
        Paint(Rectangle(0.0, 98 * MM, width, height), 1),
        Paint(Stadium(x, y, 10 * MM, 5.4 * MM), 2),
    ]
    shapes = [Circle(x + side * 2.2 * MM, y, 0.9 * MM) for side in (-1, 1)]
    for number, shape in enumerate(shapes, 3):
        parts.append(Part(f"core{number}", COPPER))
        paints.append(Paint(shape, number))
    wires = [
        wire(n, shape, per_metre=7.41e-3, coefficient=COPPER_COEFFICIENT) for n, shape in enumerate(shapes, 3)
    ]
    films = (film("bottom", width, 7.7, AMBIENT), film("top", width, 7.7, AMBIENT)) if edges else ()
    return case(width, height, parts, paints, wires, films, start=AMBIENT, **more)


@pytest.mark.parametrize("gravity", ["down", "left", "along"])
def test_a_closed_bay_passes_on_all_the_heat_in_the_end(gravity):
    # conservation: what the cores give leaves by the boards, 1e-6
    scenario = bay(gravity)
    field = solve_steady(scenario, current=25.0)
    made = field.model.joule(np.array([25.0]), field.state).sum()
    assert field.leaving("bottom") + field.leaving("top") == pytest.approx(made, rel=1e-6)
    air = field.state[field.model.first_zone]
    assert AMBIENT < air < field.conductors[:2].min()


def test_every_step_of_a_closed_bay_closes_its_energy_balance():
    # the same, stored + lost = generated in each step: 1e-6 of what passes
    history = march(bay(duration=1800.0, current=30.0), tolerance=0.05)
    for step in history.steps:
        turnover = step.generated + abs(step.lost) + abs(step.stored)
        assert abs(step.stored + step.lost - step.generated) < 1e-6 * turnover


def test_an_insulated_bay_stores_all_that_its_cable_gives():
    # conservation: mean enthalpy rises by heat over capacity; boards, cable and air together: 1e-6
    source, duration = 20.0, 600.0
    scenario = bay(source=source, edges=False, duration=duration, current=CurrentProfile.constant(0.0, duration))
    history = march(scenario, tolerance=0.05)
    stored = sum(step.stored for step in history.steps)
    assert stored == pytest.approx(source * duration, rel=1e-6)
    assert sum(step.lost for step in history.steps) == pytest.approx(0.0, abs=1e-6 * stored)


def test_uniform_temperature_stays_uniform():
    # no differences, no flows
    history = march(bay(duration=3600.0, current=0.0), tolerance=0.05)
    assert np.abs(history.state(3600.0) - AMBIENT).max() < 1e-9


def test_open_air_follows_its_table_and_takes_the_heat():
    # a thin sheath of little heat in air that warms by 20 K in an hour follows it, behind by tau = C R' times the rate; C per
    # metre and R' from the film at small differences are so small that it is behind by less than a tenth of the rise
    ramp = TimeTable((0.0, 600.0, 4200.0), (AMBIENT, AMBIENT, AMBIENT + 20.0))
    scenario = single_core(2.76 * MM, [(0.8 * MM, 5.0)], 3.08e-3, room(temperature=ramp))
    history = march(replace(scenario, circuits=case(1, 1, [], duration=9e3, current=0.0).circuits), tolerance=0.02, until=9e3)
    assert 600.0 in history.ends and 4200.0 in history.ends  # corners of the table are not stepped over
    assert history.conductors([600.0])[0, 0] == pytest.approx(AMBIENT, abs=1e-6)
    assert AMBIENT + 18.0 < history.conductors([4200.0])[0, 0] < AMBIENT + 20.0
    assert history.conductors([9e3])[0, 0] == pytest.approx(AMBIENT + 20.0, abs=0.1)
    for step in history.steps:
        turnover = step.generated + abs(step.lost) + abs(step.stored)
        assert abs(step.stored + step.lost - step.generated) <= 1e-6 * turnover + 1e-9


# -- symmetry and mesh -------------------------------------------------------------------------------------------------


def test_turning_the_section_with_gravity_changes_nothing():
    # down in one section is left in the transposed one; grid and rays differ by rounding and order only: 0.05 K
    upright = bay("down")
    parts = [replace(p, air=replace(p.air, gravity="left")) if p.air else p for p in upright.parts]
    level = replace(transposed(upright), parts=tuple(parts))
    one, other = (solve_steady(scenario, current=27.0) for scenario in (upright, level))
    assert one.conductors == pytest.approx(other.conductors, abs=0.05)


def test_sliding_the_cable_through_a_held_mesh_changes_less_than_a_third_of_a_kelvin():
    # own requirement, on the lines of the cable in its first place: whole spread below 0.3 K
    lines = section_lines(bay())
    cell = np.diff(lines[0]).min()
    found = [
        solve_steady(bay(slide=(share * cell, 0.6 * share * cell)), lines, current=27.0).conductors[:2]
        for share in (0.0, 0.2, 0.4, 0.6, 0.8)
    ]
    assert np.ptp(found, axis=0).max() < 0.3


def test_a_clipped_cable_does_not_feel_where_it_lies_on_its_mesh():
    # own requirement, along the board on held lines, contact and wedge of still air included: below 0.3 K
    def placed(slide):
        return installed(ROWS[2.5], ON_A_WALL, place=f'x = "{100 + slide} mm"\nplace = "on_board"')

    lines = section_lines(placed(0.0))
    cell = np.diff(lines[0]).min() / MM
    found = [
        solve_steady(placed(share * cell), lines, current=27.0).conductors[:2] for share in (0.0, 0.2, 0.4, 0.6, 0.8)
    ]
    assert np.ptp(found, axis=0).max() < 0.3


def test_a_finer_mesh_moves_an_open_bay_by_less_than_a_fifth_of_a_kelvin():
    # own requirement
    scenario = bay()
    coarse = solve_steady(scenario, current=27.0).conductors[:2]
    fine = solve_steady(replace(scenario, mesh=replace(scenario.mesh, finest=0.15 * MM)), current=27.0).conductors[:2]
    assert fine == pytest.approx(coarse, abs=0.2)


def test_an_open_bay_is_cooler_than_a_filled_one_and_warmer_than_a_room():
    # the case the program is for: the same cable and current in free air, in an open bay and in a filled one
    free = case(
        200 * MM, 110 * MM, [room(gravity="along"), *bay().parts[1:]], bay().paints[2:], bay().conductors, start=AMBIENT
    )
    rises = [
        solve_steady(scenario, current=20.0).conductors[0] - AMBIENT for scenario in (free, bay(), bay(filled=True))
    ]
    assert 1.02 * rises[0] < rises[1] < 0.6 * rises[2]


@pytest.mark.parametrize("depth", [50.0, 89.0, 140.0])
def test_an_empty_bay_has_the_resistance_of_an_air_layer(depth):
    # ISO 6946 annex D for level heat flow (from memory, high confidence), 0.18 m² K/W at 10 °C: 10 %; faces about 5 K apart
    width, board, conductivity = 600 * MM, 10 * MM, 0.2
    height = 2 * board + depth * MM
    boards = plastic("board", 1 / conductivity, 0.9)
    paints = [Paint(Rectangle(0.0, 0.0, width, board), 1), Paint(Rectangle(0.0, height - board, width, height), 1)]
    warm, cold = 10.0 + ZERO + 3.9, 10.0 + ZERO - 3.9
    edges = (fixed("bottom", width, warm), fixed("top", width, cold))
    field = solve_steady(case(width, height, [Part("bay", AIR, air=AirZone("along", 2.4)), boards], paints, boundaries=edges))
    flux = field.leaving("top") / width
    across = (warm - cold - 2 * flux * board / conductivity) / flux
    assert across == pytest.approx(air_layer_resistance(depth * MM), rel=0.10)


def test_films_of_correlations_and_edges_agree_on_a_wall():
    # a wall warmed at its back: an open zone before it passes what a film boundary of the same law and emissivity passes
    thickness, height = 20 * MM, 300 * MM
    heat = HeatSource("volume", TimeTable.constant(2e4))
    wall = replace(plastic("wall", 1.0, 0.9), heat_source=heat)
    zone = case(
        60 * MM, height, [room(), wall], [Paint(Rectangle(0.0, 0.0, thickness, height), 1)], start=AMBIENT
    )
    edge = case(
        thickness, height, [wall], start=AMBIENT,
        boundaries=(
            film("right", height, 0.0, AMBIENT, correlation="vertical_plate", correlation_parameters=(("height", height),),
                 emissivity=0.9),
        ),
    )  # fmt: skip
    assert solve_steady(zone).at(0.0, height / 2) == pytest.approx(solve_steady(edge).at(0.0, height / 2), abs=0.05)
