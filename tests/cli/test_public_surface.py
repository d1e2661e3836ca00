"""The public Python surface, pinned (issue 2, "Public Python surface"); adding to it is a decision, not an accident."""

from __future__ import annotations

import inspect

import pytest

import ampsoak

SURFACE = [
    "AmpsoakError", "Coverage", "Curve", "FileError", "NumericalError", "Run", "Scenario", "ScenarioError", "SteadyState",
    "__version__", "cover", "limit_curve", "load_scenario", "open_run", "simulate", "steady",
]  # fmt: skip
SIGNATURES = {
    "load_scenario": ["path"],
    "simulate": ["scenario", "path", "force", "progress"],
    "steady": ["scenario", "currents"],
    "limit_curve": ["scenario", "path", "currents", "force", "workers", "progress"],
    "cover": ["curve", "devices", "basis", "preload", "load_points"],
    "open_run": ["path"],
}


def test_the_surface_is_exactly_this():
    assert sorted(ampsoak.__all__) == sorted(SURFACE)
    assert set(SURFACE) <= set(dir(ampsoak))


@pytest.mark.parametrize("name", SURFACE)
def test_every_name_is_there_and_says_what_it_is(name):
    thing = getattr(ampsoak, name)
    if name != "__version__":
        assert inspect.getdoc(thing)


@pytest.mark.parametrize(("name", "parameters"), SIGNATURES.items())
def test_functions_take_these_arguments(name, parameters):
    function = getattr(ampsoak, name)
    assert list(inspect.signature(function).parameters) == parameters
    # numpydoc sections: units and shapes under Parameters, then what comes back and what goes wrong
    assert "Parameters\n----------" in inspect.getdoc(function)


def test_errors_are_one_tree():
    for name in ("ScenarioError", "NumericalError", "FileError"):
        assert issubclass(getattr(ampsoak, name), ampsoak.AmpsoakError)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'simulat'"):
        ampsoak.simulat  # noqa: B018


def test_the_job_runs_from_python_as_from_the_command_line(small, solved):
    scenario = ampsoak.load_scenario(small)
    run, curve = (ampsoak.open_run(solved / name) for name in ("run.h5", "curve.h5"))
    assert isinstance(scenario, ampsoak.Scenario)
    assert isinstance(run, ampsoak.Run)
    assert isinstance(curve, ampsoak.Curve)
    coverage = ampsoak.cover(curve, scenario.devices)
    assert isinstance(coverage, ampsoak.Coverage)
    settled = ampsoak.steady(scenario, [20.0])
    assert isinstance(settled, ampsoak.SteadyState)
    assert settled.exists
    # the history holds 20 A for ten minutes first: it cannot be hotter than what 20 A settles at
    early = run.time <= 600
    assert run.conductor_temperature[early].max() <= settled.conductor_temperature[0] + scenario.run.tolerance
