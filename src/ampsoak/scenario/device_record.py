"""Devices as a result file keeps them, so that a stored curve can be compared again without its scenario's files."""

from __future__ import annotations

from dataclasses import asdict, fields

from ampsoak.scenario.case import DeviceChoice

_PAIRS = ("fast", "slow")


def device_record(device: DeviceChoice) -> dict:
    """JSON-ready record of a device; currents [A], times [s]."""
    record = asdict(device)
    record |= {key: [list(pair) for pair in record[key]] for key in _PAIRS}
    record["magnetic"] = None if device.magnetic is None else list(device.magnetic)
    return record


def device_of_record(record: dict) -> DeviceChoice:
    """The device a record was made of; what a newer ampsoak added to it is left out."""
    known = {field.name for field in fields(DeviceChoice)}
    given = {key: value for key, value in record.items() if key in known}
    given |= {key: tuple(tuple(pair) for pair in given.get(key, ())) for key in _PAIRS}
    if given.get("magnetic") is not None:
        given["magnetic"] = tuple(given["magnetic"])
    return DeviceChoice(**given)
