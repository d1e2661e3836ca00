"""What the user writes, validated and resolved to SI.

``load_scenario`` and ``scenario_schema`` are imported only when asked for: they bring in the models and their checks.
"""

from __future__ import annotations

_DOORS = {
    "load_scenario": "ampsoak.scenario.load",
    "load_scenario_text": "ampsoak.scenario.load",
    "scenario_schema": "ampsoak.scenario.model",
}
__all__ = ["load_scenario", "load_scenario_text", "scenario_schema"]


def __getattr__(name: str):
    if name not in _DOORS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_DOORS[name]), name)
