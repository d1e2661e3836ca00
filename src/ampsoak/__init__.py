"""ampsoak: how hot an overloaded cable in a wall gets, and which device opens first.

The public surface, each name imported only when it is asked for:

load_scenario(path)              scenario file to ``Scenario``
simulate(scenario, path=None)    step its current history; a ``Run``, written to ``path`` if one is given
steady(scenario, currents=None)  the state it settles at, if there is one; a ``SteadyState``
limit_curve(scenario, path=None) time to each limit at constant currents; a ``Curve``
cover(curve, devices)            which device opens before the limits; a ``Coverage``
open_run(path)                   read a ``Run``, ``Curve`` or ``Protected`` from its file

Errors derive from ``AmpsoakError``: ``ScenarioError``, ``NumericalError``, ``FileError``. All values are in SI.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

__version__ = "0.1.0"

_HOMES = {
    "load_scenario": "ampsoak.scenario.load",
    "simulate": "ampsoak.study.run",
    "steady": "ampsoak.study.steady",
    "limit_curve": "ampsoak.study.curve",
    "cover": "ampsoak.coverage.compare",
    "open_run": "ampsoak.runfile.read",
    "Scenario": "ampsoak.scenario.case",
    "Run": "ampsoak.runfile.records",
    "Curve": "ampsoak.runfile.records",
    "Coverage": "ampsoak.coverage.compare",
    "SteadyState": "ampsoak.study.steady",
    "AmpsoakError": "ampsoak.base.errors",
    "ScenarioError": "ampsoak.base.errors",
    "NumericalError": "ampsoak.base.errors",
    "FileError": "ampsoak.base.errors",
}

__all__ = [
    "AmpsoakError",
    "Coverage",
    "Curve",
    "FileError",
    "NumericalError",
    "Run",
    "Scenario",
    "ScenarioError",
    "SteadyState",
    "__version__",
    "cover",
    "limit_curve",
    "load_scenario",
    "open_run",
    "simulate",
    "steady",
]

if TYPE_CHECKING:
    from ampsoak.base.errors import AmpsoakError, FileError, NumericalError, ScenarioError
    from ampsoak.coverage.compare import Coverage, cover
    from ampsoak.runfile.read import open_run
    from ampsoak.runfile.records import Curve, Run
    from ampsoak.scenario.case import Scenario
    from ampsoak.scenario.load import load_scenario
    from ampsoak.study.curve import limit_curve
    from ampsoak.study.run import simulate
    from ampsoak.study.steady import SteadyState, steady


def __getattr__(name: str):
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    # kept in the module, so that a name is looked up once
    found = globals()[name] = getattr(import_module(_HOMES[name]), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
