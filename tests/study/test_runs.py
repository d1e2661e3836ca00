"""Runs and limit curves: what happens when nothing flows, when everything melts, and what "no steady state" means."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from wire_case import ROOM, curve_settings, small_case

from ampsoak.scenario.case import CurrentProfile, Probe
from ampsoak.study.curve import limit_curve
from ampsoak.study.run import COPPER_MELTS, simulate
from ampsoak.study.steady import steady


def test_an_idle_section_stays_as_it_is_and_closes():
    """Nothing flows, so the closure of energy is not measured against a turnover of rounding."""
    run = simulate(small_case(CurrentProfile.constant(0.0, 600.0), 600.0))
    assert np.abs(run.part_maximum - ROOM).max() < 1e-9
    assert np.abs(run.energy_residual).max() < 1e-6


def test_a_probe_of_heat_flow_reads_the_soaked_start():
    """In the steady state the edges carry away exactly the Joule heat, from the first row on (energy balance)."""
    case = small_case(CurrentProfile.constant(20.0, 60.0), 60.0)
    edges = tuple(Probe(edge, "edge_heat_flow", edge=edge) for edge in ("left", "right", "bottom", "top"))
    case = dataclasses.replace(
        case, probes=edges, start=dataclasses.replace(case.start, kind="soaked", currents=(20.0,))
    )
    run = simulate(case)
    assert run.probe_value[0].sum() == pytest.approx(run.conductor_heat[0].sum(), rel=1e-6)


def test_a_run_ends_where_copper_melts_and_says_so():
    """A runaway is not followed to temperatures at which no section stands (copper melts at 1357.77 K, ITS-90)."""
    run = simulate(small_case(CurrentProfile.constant(400.0, 3600.0), 3600.0))
    assert run.time[-1] < 3600.0
    assert run.events[-1].kind == "runaway"
    assert run.conductor_temperature[-1].max() > COPPER_MELTS
    assert run.conductor_temperature[-2].max() <= COPPER_MELTS


def test_a_curve_knows_a_steady_state_above_the_limits():
    """Being hotter than every limit is not the same as having no steady state."""
    case = small_case(CurrentProfile.constant(10.0, 60.0), 60.0, curve=curve_settings())
    curve = limit_curve(case, workers=1)
    for current, exists, temperature in zip(curve.current, curve.steady, curve.steady_temperature.T, strict=True):
        found = steady(case, [current])
        assert exists == found.exists
        if exists:
            assert temperature == pytest.approx(found.conductor_temperature, abs=1e-3)
    hotter = curve.steady & (curve.time_to_limit < np.inf).all(axis=0)
    assert hotter.any(), "the case is meant to have a current that passes all limits and still settles"
