"""Devices and load points as a result file keeps them, so that a stored curve can be compared again without its scenario."""

from __future__ import annotations

import math
from dataclasses import asdict, fields

from ampsoak.scenario.device_case import DeviceChoice, LetThrough, LoadPoint, RelayChoice

_PAIRS = ("fast", "slow", "nominal")
_TWO = ("magnetic", "instantaneous")
_RELAY = "relay"


def device_record(device: DeviceChoice | RelayChoice) -> dict:
    """JSON-ready record of a device or relay; currents [A], times [s], temperatures [K], let-through [A² s]."""
    record = asdict(device)
    record |= {key: [list(pair) for pair in record[key]] for key in _PAIRS if key in record}
    record |= {key: None if record[key] is None else list(record[key]) for key in _TWO if key in record}
    if record.get("let_through") is not None:
        record["let_through"] = {
            key: None if isinstance(value, float) and math.isnan(value) else value
            for key, value in record["let_through"].items()
        }
    return {"kind": _RELAY if isinstance(device, RelayChoice) else "device", **record}


def device_of_record(record: dict) -> DeviceChoice | RelayChoice:
    """The device a record was made of; what a newer ampsoak added to it is left out."""
    made = RelayChoice if record.get("kind") == _RELAY else DeviceChoice
    given = _known(made, record)
    given |= {key: tuple(tuple(pair) for pair in given[key]) for key in _PAIRS if key in given}
    given |= {key: tuple(given[key]) for key in _TWO if given.get(key) is not None}
    if given.get("let_through") is not None:
        kept = _known(LetThrough, given["let_through"])
        given["let_through"] = LetThrough(**{key: math.nan if value is None else value for key, value in kept.items()})
    return made(**given)


def load_point_record(point: LoadPoint) -> dict:
    """JSON-ready record of a load point; current [A], duration [s]."""
    return asdict(point)


def load_point_of_record(record: dict) -> LoadPoint:
    """The load point a record was made of."""
    return LoadPoint(**_known(LoadPoint, record))


def _known(made: type, record: dict) -> dict:
    known = {field.name for field in fields(made)}
    return {key: value for key, value in record.items() if key in known}
