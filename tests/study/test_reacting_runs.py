"""Reactions in what a user gets: records, answers, figures and limit curves say that they are on and how rough they are."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from wire_case import curve_settings, small_case

from ampsoak.base.sources import Value
from ampsoak.coverage.opening import worst_opening
from ampsoak.library.materials import Reaction
from ampsoak.report import words
from ampsoak.report.figures import history_figure, protected_history_figure, section_figure, time_current_figure
from ampsoak.runfile.read import open_run
from ampsoak.runfile.write import write_run
from ampsoak.scenario.case import Circuit, CurrentProfile
from ampsoak.study.curve import limit_curve
from ampsoak.study.protection import protected_run
from ampsoak.study.run import simulate

ROUGH = "rough model of chemical heat"


def binder(heat: float, half: float) -> Reaction:
    """A made-up binder of which half is gone in ``half`` [s] at 330 K, first order, nothing below 310 K."""
    energy = 6e4
    rate = np.log(2.0) / half * np.exp(energy / (8.314462618 * 330.0))
    return Reaction("binder", Value.exact(heat), Value.exact(rate), Value.exact(energy), 1.0, 310.0, 340.0)


def reacting(scenario, *, on: bool = True, heat: float = 4e4, half: float = 600.0):
    fill, *others = scenario.parts
    fill = replace(fill, material=replace(fill.material, reactions=(binder(heat, half),)))
    return replace(scenario, parts=(fill, *others), run=replace(scenario.run, reactions=on, snapshot_times=(0.0, 1800.0, 3600.0)))


@pytest.fixture(scope="module")
def run():
    return simulate(reacting(small_case(CurrentProfile.constant(32.0, 3600.0), 3600.0)))


def curve_of(scenario):
    return limit_curve(replace(scenario, curve=curve_settings()), currents=[10.0, 14.0, 32.0], workers=1)


@pytest.fixture(scope="module")
def curve():
    return curve_of(reacting(small_case(CurrentProfile.constant(32.0, 3600.0), 3600.0), heat=4e3))


@pytest.fixture(scope="module")
def inert_curve():
    return curve_of(small_case(CurrentProfile.constant(32.0, 3600.0), 3600.0))


def test_the_run_keeps_what_is_left_of_each_reactant(run, tmp_path):
    assert run.reactant_names == ["fill: binder"]
    assert run.snapshot_remaining.shape == (3, 1)
    left = run.snapshot_remaining[:, 0]
    assert left[0] == 1.0 and np.all(np.diff(left) < 0) and left[-1] > 0.0
    assert np.abs(run.energy_residual).max() < 1e-9
    path = tmp_path / "run.h5"
    assert write_run(path, run) == run.canonical_hash
    back = open_run(path)
    assert back.reactant_names == run.reactant_names
    assert np.array_equal(back.snapshot_remaining, run.snapshot_remaining)
    assert back.canonical_hash == run.canonical_hash
    assert ROUGH in back.resolved["chemical_heat"]["note"]
    assert back.resolved["chemical_heat"]["valid"] == {"fill: binder": {"value": [310.0, 340.0], "unit": "K"}}


def test_its_heat_is_in_the_balance(run):
    # invariance: generated = Joule heat + mass x heat x share gone; 40 kg/m³ of fill, area by the mesh
    off = simulate(reacting(small_case(CurrentProfile.constant(32.0, 3600.0), 3600.0), on=False))
    gone = 1.0 - run.snapshot_remaining[-1, 0]
    chemical = 40.0 * run.section.part_area_mesh[0] * 4e4 * gone
    joule = np.trapezoid(run.conductor_heat.sum(axis=1), run.time)
    assert chemical > 0.05 * joule
    assert run.energy_generated[-1] - joule == pytest.approx(chemical, abs=2e-3 * joule)
    assert run.part_maximum.max() > off.part_maximum.max()
    assert off.snapshot_remaining.shape == (3, 0) and "chemical_heat" not in off.resolved


def test_every_answer_and_figure_of_it_says_rough(run, curve):
    assert any("hotter than its kinetics are known for" in line for line in words.history_lines(run))
    assert any("% of the reactant left" in line for line in words.history_lines(run))
    for lines in (words.history_lines(run), words.curve_lines(curve)):
        assert ROUGH in lines[-1].lower() and "not a statement on ignition" in lines[-1]
    for figure in (history_figure(run), section_figure(run), time_current_figure(curve)):
        assert ROUGH in figure.get_label().lower()
    assert "rough chemical heat" in words.origin_words(run)


def test_nothing_of_it_is_said_where_reactions_are_off():
    off = simulate(reacting(small_case(CurrentProfile.constant(32.0, 600.0), 600.0), on=False))
    said = " ".join([*words.history_lines(off), words.origin_words(off), history_figure(off).get_label()])
    assert "rough" not in said.lower()


def test_a_limit_curve_rests_on_no_steady_state_where_reactions_are_on(curve, inert_curve):
    # a steady state leaves the heat of reactions out, so a limit above it may still fall: beyond the horizon, not never
    names = np.array(["reached", "never", "beyond_horizon", "at_start"])
    assert (names[inert_curve.outcome] == "never").any()
    assert not (names[curve.outcome] == "never").any()
    assert not curve.steady.any() and np.isnan(curve.steady_temperature).all()
    both = (names[inert_curve.outcome] == "reached") & (names[curve.outcome] == "reached")
    assert both.any() and np.all(curve.time_to_limit[both] <= inert_curve.time_to_limit[both] * (1 + 1e-3))
    assert "never reached" not in " ".join(words.curve_lines(curve))


def test_a_device_that_never_opens_is_not_said_to_leave_no_steady_state(curve, inert_curve):
    never = SimpleNamespace(time=lambda _: np.inf, stretches=())
    asked = [(31.0, 32.0)]
    hopeless = replace(inert_curve, steady=np.zeros(3, dtype=bool), steady_temperature=np.full((1, 3), np.nan))
    assert worst_opening(hopeless, never, asked).outcome == "no_steady_state"
    assert worst_opening(curve, never, asked).outcome == "unknown"


def test_devices_in_the_loop_go_on_with_what_is_left():
    # two ways to one answer: the history cut where the device opens, stepped whole with reactions
    scenario = reacting(small_case(CurrentProfile.constant(24.0, 7200.0), 7200.0), heat=1.5e5, half=40.0)
    found = protected_run(scenario, edges=("slow",))
    assert any(ROUGH in note for note in found.notes)
    assert ROUGH in protected_history_figure(found).get_label().lower()
    edge = found.edges[0]
    opens = edge.operating.opens.time
    run = replace(scenario.run, snapshot_times=(0.0, opens, 7200.0))
    whole = simulate(replace(scenario, circuits=(Circuit("main", edge.operating.profile),), run=run))
    assert whole.snapshot_remaining[1, 0] < 0.9  # some has reacted before it opens
    end = edge.reached.time[-1]
    assert edge.reached.peak == pytest.approx(whole.part_maximum.max(axis=0), abs=0.1)
    at_end = [np.interp(end, whole.time, column) for column in whole.part_maximum.T]
    assert edge.reached.final == pytest.approx(at_end, abs=0.3)
