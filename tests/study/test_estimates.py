"""What a job is said to cost, before it is run (issue 4: cost told first)."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from ampsoak.scenario import load_scenario
from ampsoak.study.estimate import estimate

CASES = Path(__file__).parents[2] / "scenarios"


def test_a_log_of_hundreds_of_readings_does_not_cost_hundreds_of_times_one_current():
    """The evening's log of 226 readings took 361 steps, a case of three currents 27 (measured): readings are no jumps of full size."""
    logged = load_scenario(CASES / "12awg_evening_dense_pack_bay.toml")
    (circuit,) = logged.circuits
    profile = circuit.profile
    steady = dataclasses.replace(
        circuit, profile=dataclasses.replace(profile, time=np.array([0.0, profile.time[-1]]), start=profile.start[:1], stop=profile.stop[:1])
    )
    constant = dataclasses.replace(logged, circuits=(steady,))
    one, many = (estimate(case)["expected_seconds_run"] for case in (constant, logged))
    assert 5 < many / one < 40


def test_open_air_is_said_to_cost_more_for_a_limit_curve():
    """The same bay open took 21 s, packed 2.6 s for 36 currents (measured): films and radiation leave no matrix to share."""
    packed, open_bay = (
        estimate(load_scenario(CASES / f"12awg_evening_{name}_bay.toml"))["expected_seconds_curve"] for name in ("dense_pack", "open")
    )
    assert 4 < open_bay / packed < 16
