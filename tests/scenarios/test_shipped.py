"""The shipped scenarios say what they are and run with sane physics; the published cases give what was published."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq
from typer.testing import CliRunner

from ampsoak.cli.main import app
from ampsoak.coverage.device_faults import device_faults
from ampsoak.heat.stepping import _STAGE_SHARE
from ampsoak.runfile.read import open_run
from ampsoak.scenario.case import MeshSettings, Scenario
from ampsoak.scenario.load import load_scenario, load_scenario_text
from ampsoak.scenario.model import scenario_schema
from ampsoak.study.curve import limit_curve
from ampsoak.study.run import simulate
from ampsoak.study.steady import steady

FOLDER = Path(__file__).parents[2] / "scenarios"
SHIPPED = tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))
PUBLISHED = ("iso10211_case1_half_column", "nafems_t4_convection_corner")
CABLES = tuple(name for name in SHIPPED if name not in PUBLISHED)
DENSE, FIBRE = "12awg_evening_dense_pack_bay", "12awg_evening_glass_fibre_bay"
OPEN = "12awg_evening_open_bay"
LOFT, CLIPPED = "6mm2_shower_loft_mineral_fibre_b40", "6mm2_shower_clipped_open_b40"
RADIAL = "2p5mm2_radial_stud_wall_gg"
PLATE = "14awg_four_in_caulked_plate"
ZERO = 273.15
COPPER = 3.45e6  # heat capacity [J/(m³ K)], IEC 60853-2 annex, from memory


@cache
def case(name: str) -> Scenario:
    """A shipped scenario as it is."""
    return load_scenario(FOLDER / f"{name}.toml")


def document(name: str) -> dict:
    """A shipped scenario as TOML, without being resolved."""
    return tomllib.loads((FOLDER / f"{name}.toml").read_text())


@cache
def coarse_run(name: str):
    """The first 2.5 h of a cable scenario on a coarse mesh; enough for the claims below, not for figures."""
    scenario = case(name)
    duration = min(scenario.run.duration, 2.5 * 3600.0)
    settings = replace(scenario.run, duration=duration, tolerance=0.5, snapshot_times=(0.0, duration))
    return simulate(replace(scenario, run=settings, mesh=MeshSettings(growth=1.8)))


# -- what the files say ------------------------------------------------------------------------------------------------


def test_the_cases_that_were_asked_for_are_there():
    assert {DENSE, FIBRE, OPEN, LOFT, CLIPPED, RADIAL, PLATE, *PUBLISHED} <= set(SHIPPED)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_case_opens_with_the_case_the_values_and_what_to_expect(name):
    text = (FOLDER / f"{name}.toml").read_text()
    comment = text[: text.index("format = 1\n")]
    assert all(line.startswith("#") for line in comment.splitlines())
    places = [
        comment.index(f"# {heading}") for heading in ("The case.", "Where the values come from.", "What to expect")
    ]
    assert places == sorted(places)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_case_is_sound(name):
    scenario = case(name)
    assert [fault for device in scenario.devices for fault in device_faults(device, name)] == []
    said = CliRunner().invoke(app, ["check", str(FOLDER / f"{name}.toml")])
    assert said.exit_code == 0, said.output
    assert "is sound" in said.output


@pytest.mark.parametrize("name", SHIPPED)
def test_a_case_satisfies_the_schema(name):
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft4Validator(scenario_schema()).validate(document(name))


@pytest.mark.parametrize("name", CABLES)
def test_a_cable_case_has_what_a_study_compares(name):
    scenario = case(name)
    assert scenario.curve is not None and scenario.devices and scenario.fault_current and scenario.adiabatic_k
    rating = min(device.rating for device in scenario.devices)
    assert scenario.curve.lowest < rating < 10 * rating < scenario.curve.highest == scenario.fault_current
    assert all(limit.source != "given by the user" for limit in scenario.limits)


def test_the_evening_log_is_one_reading_a_minute_and_says_that_it_is_invented():
    profile = case(DENSE).circuits[0].profile
    assert profile.duration == 6 * 3600.0
    assert len(profile.start) > 200  # neighbours of the same current are one segment
    assert all(time % 60.0 == 0.0 for time in profile.time)
    # above the rating for hours, and never where UL 489 obliges a 20 A breaker to open: 135 %, read in its text
    current = np.array(profile.start)
    assert (np.diff(profile.time)[current > 20.0].sum() > 3 * 3600.0) and current.max() <= 27.0
    assert "INVENTED" in (FOLDER / "12awg_evening_current_log.csv").read_text()


def test_a_run_hashes_the_current_log_too():
    """Every input is traceable (ASTM E678 asks that data be identified): the log's own SHA-256 is in the provenance."""
    log = case(DENSE).inputs[0][0]
    written = (FOLDER / log).read_bytes()
    assert coarse_run(DENSE).provenance["inputs_sha256"][log] == hashlib.sha256(written).hexdigest()


@pytest.mark.parametrize("other", [FIBRE, OPEN])
def test_the_bays_differ_in_the_fill_only(other):
    one, two = document(DENSE), document(other)
    for words in (one, two):
        del words["title"], words["description"]
        words["stud_bay"].pop("height", None)  # only open air asks how high the bay is
    assert one["stud_bay"].pop("fill") != two["stud_bay"].pop("fill")
    assert one == two


def test_the_two_showers_differ_in_how_the_cable_lies_only():
    one, two = document(LOFT), document(CLIPPED)
    for key in ("circuit", "cable", "limit", "device", "curve", "run", "surroundings", "fault_current"):
        assert one[key] == two[key], key


# -- sane physics on a coarse mesh -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CABLES)
def test_a_history_heats_up_closes_and_keeps_between_what_heats_and_what_cools(name):
    scenario, run = case(name), coarse_run(name)
    hottest = run.conductor_temperature.max(axis=1)
    held = [b.temperature for b in scenario.boundaries] + [p.air.temperature for p in scenario.parts if p.air is not None]
    surroundings = [value for table in held if table is not None for value in table.value]
    assert 15.0 < hottest.max() - hottest[0] < 100.0  # none of the histories is harmless, none burns
    # maximum principle: nothing is colder than the coldest surroundings, and nothing hotter than the conductors that heat
    # it, or than the warmest surroundings
    assert run.snapshot_temperature.min() > min(surroundings) - 1e-3
    loaded = run.circuit_current[:, 0] > 10.0
    parts = np.nanmax(run.part_maximum, axis=1)
    # the iteration of a step ends at this share of the tolerance, so a layer on a conductor may pass it by as much
    open_end = _STAGE_SHARE * run.statistics["tolerance_kelvin"]
    assert (parts[loaded] <= np.maximum(hottest[loaded], max(surroundings)) + open_end).all()
    jacket = run.part_maximum[:, run.section.part_names.index("cable.jacket")]
    assert hottest.max() > jacket.max()
    assert np.abs(run.energy_residual).max() < 1e-6
    # Joule heat of the two loaded cores: I² R20 (1 + alpha (T - 20 °C)) each, IEC 60287-1-1
    last = int(np.argmax(run.circuit_current[:, 0]))
    made = sum(
        run.circuit_current[last, 0] ** 2 * c.resistance * (1 + c.temperature_coefficient * (temperature - 293.15))
        for c, temperature in zip(scenario.conductors, run.conductor_temperature[last], strict=True)
        if c.circuit == 0
    )
    assert run.conductor_heat[last].sum() == pytest.approx(made, rel=1e-6)


def test_the_cable_in_the_open_bay_runs_cooler_than_in_any_fill():
    bay, *fills = (coarse_run(name).conductor_temperature.max() - ZERO for name in (OPEN, FIBRE, DENSE))
    assert bay < min(fills) - 20.0


def test_the_clipped_cable_carries_what_the_wiring_rules_say():
    # BS 7671 table 4D5, reference method C, 6 mm²: 47 A in air of 30 °C at 70 °C (from memory): 5 % in current, which at
    # constant thermal resistance is 10 % of the rise of 40 K
    text = (FOLDER / f"{CLIPPED}.toml").read_text()
    scenario = load_scenario_text(text.replace('air_temperature = "24 degC"', 'air_temperature = "30 degC"'), CLIPPED)
    found = steady(scenario, [47.0])
    assert found.conductor_temperature.max() - ZERO == pytest.approx(70.0, abs=4.0)


def test_the_cable_in_the_loft_runs_hotter_than_its_twin_in_the_open():
    loft, clipped = (coarse_run(name).conductor_temperature.max() - ZERO for name in (LOFT, CLIPPED))
    assert loft > clipped + 15.0


def test_one_cable_in_the_plate_carries_its_table_value_and_four_carry_less_than_the_rule_lets_them():
    # 14 AWG, 90 °C column, 30 °C: 25 A (NEC table 310.16, read); 0.70 of it for eight conductors in one sealed hole (334.80 and
    # table 310.15(C)(1), read). One: 10 %. Four: at most what the rule says, at least what sharing all heat would leave
    text = (FOLDER / f"{PLATE}.toml").read_text().replace('"70 degF"', '"30 degC"').replace('"20 degF"', '"30 degC"')
    alone = text[: text.index('[[cable]]\nname = "beside"')] + text[text.index("[[circuit]]") :]
    four, one = (_settling_at(load_scenario_text(words, PLATE), 90.0 + ZERO) for words in (text, alone))
    assert one == pytest.approx(25.0, rel=0.10)
    assert one / 2 < four < 0.70 * 25.0


def _settling_at(scenario: Scenario, limit: float) -> float:
    """Current at which the hottest conductor settles at ``limit`` [A], on a coarse mesh."""
    coarse = replace(scenario, mesh=MeshSettings(growth=1.8))

    def excess(current):
        found = steady(coarse, [current])
        return found.conductor_temperature.max() - limit if found.exists else 500.0

    return brentq(excess, 8.0, 40.0, xtol=0.05)


@pytest.mark.parametrize("name", CABLES)
def test_a_limit_curve_falls_and_meets_the_adiabatic_law_with_the_heat_lost_to_the_insulation(name):
    scenario = case(name)
    settings = replace(scenario.curve, horizon=3600.0, tolerance=0.2)
    fault = scenario.fault_current
    curve = limit_curve(replace(scenario, curve=settings), currents=[0.25 * fault, 0.5 * fault, fault])
    assert (np.diff(curve.time_to_limit, axis=1) < 0).all()
    by_temperature = np.argsort([limit["temperature"] for limit in curve.limits])
    assert (np.diff(curve.time_to_limit[by_temperature], axis=0) > 0).all()
    # adiabatic: C dT/dt = I² R20 (1 + alpha (T - 20)), C = S ρc (IEC 60949 clause 3). Heat lost to the insulation makes
    # it longer: ε² = 1 + A sqrt(t/S) + B t/S, A = (2464/σc) sqrt(σi/ρi) = 0.4164, B = (1.22/σc) σi/ρi = 0.1202 for copper
    # and PVC in perfect contact (IEC 60949 clause 4 with F = 1; from memory). The formula is a fit for round cables and
    # one PVC: 4 % of ε², a fifth of what it adds.
    hot = by_temperature[-1]
    conductor = next(c for c in scenario.conductors if c.circuit == 0)
    alpha = conductor.temperature_coefficient
    begin, end = curve.start_temperature[0], curve.limits[hot]["temperature"]
    scale = conductor.metal_area * COPPER / (alpha * conductor.resistance)
    adiabatic = scale * np.log((1 + alpha * (end - 293.15)) / (1 + alpha * (begin - 293.15))) / fault**2
    reached = curve.time_to_limit[hot, -1]
    share = reached / (1e6 * conductor.metal_area)
    assert reached / adiabatic == pytest.approx(1 + 0.4164 * np.sqrt(share) + 0.1202 * share, rel=0.04)


# -- published cases through the public commands -----------------------------------------------------------------------


def probes_through_the_command(name: str, folder: Path, **mesh) -> dict[str, float]:
    """Last reading of every probe [°C] after ``ampsoak run``, of the shipped file or of a copy with another mesh."""
    source = FOLDER / f"{name}.toml"
    if mesh:
        text = source.read_text()
        lines = "".join(f'{key} = "{value}"\n' for key, value in mesh.items())
        source = folder / f"{name}.toml"
        source.write_text(text[: text.index("[mesh]\n")] + "[mesh]\n" + lines)
    said = CliRunner().invoke(app, ["run", str(source), "-o", str(folder / "run.h5")])
    assert said.exit_code == 0, said.output
    run = open_run(folder / "run.h5")
    assert run.complete
    return dict(zip(run.probe_names, run.probe_value[-1] - ZERO, strict=True))


def test_nafems_t4(tmp_path):
    # The Standard NAFEMS Benchmarks, rev. 3 (1990), T4: 18.3 °C at E (from memory, high confidence), 18.254 by the exact
    # series; the others by the same series, recomputed; 0.1 K on 60 by 100 cells
    found = probes_through_the_command("nafems_t4_convection_corner", tmp_path)
    assert found == pytest.approx(
        {
            "E, right edge 0.2 m up": 18.25376,
            "middle 0.2 m up": 62.55367,
            "left edge 0.5 m up": 35.40115,
            "right edge 0.5 m up": 6.38712,
            "top left corner": 3.36777,
        },
        abs=0.1,
    )
    assert round(found["E, right edge 0.2 m up"], 1) == 18.3


# ISO 10211:2017 annex, test case 1: 28 nodes within 0.1 K (demand read); values by the Fourier series, recomputed
COLUMN = np.array(
    [
        [9.6582, 13.3791, 14.7289, 15.0854],
        [5.2517, 8.6406, 10.3155, 10.8106],
        [3.1887, 5.6090, 7.0142, 7.4651],
        [2.0142, 3.6406, 4.6582, 5.0000],
        [1.2625, 2.3086, 2.9858, 3.2185],
        [0.7396, 1.3594, 1.7668, 1.9083],
        [0.3418, 0.6296, 0.8199, 0.8863],
    ]
)


@pytest.mark.parametrize(("mesh", "within"), [({}, 0.02), ({"finest": "25 mm", "coarsest": "25 mm"}, 0.1)])
def test_iso_10211_case_1(mesh, within, tmp_path):
    # 80 by 160 cells as shipped within 0.02 K; 20 by 40 cells within what the standard demands
    found = probes_through_the_command("iso10211_case1_half_column", tmp_path, **mesh)
    nodes = [[found[f"row {row}, {column}/8"] for column in range(1, 5)] for row in range(1, 8)]
    assert len(found) == 28
    np.testing.assert_allclose(nodes, COLUMN, rtol=0, atol=within)


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_run_of_a_published_case_ends_in_the_steady_state(name):
    scenario = replace(case(name), mesh=MeshSettings(finest=0.025, coarsest=0.025))
    run, state = simulate(scenario), steady(scenario)
    assert state.exists
    np.testing.assert_allclose(run.snapshot_temperature[-1], state.temperature, rtol=0, atol=0.01)
