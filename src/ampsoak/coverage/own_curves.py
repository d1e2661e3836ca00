"""A device from one drawn line: the line moved by its tolerance makes the two edges."""

from __future__ import annotations

import math

from ampsoak.base.errors import Fault, ScenarioError
from ampsoak.coverage.device_faults import device_faults
from ampsoak.scenario.device_case import DeviceChoice
from ampsoak.scenario.drawn_edges import edges_of_line, line_source

MEAN_CURVE_TOLERANCE = (
    0.10  # in current: how far a fuse maker's drawn mean curve may deviate (IEC 60269-1 cl. 5.6.1, read)
)


def device_from_line(
    name: str,
    points,
    *,
    current_tolerance: float = 0.0,
    time_tolerance: float = 0.0,
    rating: float = 0.0,
    magnetic: tuple[float, float] | None = None,
    start_state: str = "cold",
    source: str = "given by the user",
) -> DeviceChoice:
    """A device whose edges are one line with a tolerance.

    Parameters
    ----------
    name : str
    points : sequence of (current [A], time [s])    the drawn line, current increasing, time not increasing
    current_tolerance : float    share either way in current; a fuse maker's mean curve: ``MEAN_CURVE_TOLERANCE``
    time_tolerance : float       share either way in time
    rating : float               rated current [A], 0 where unknown
    magnetic : tuple or None     (hold, trip) of an instantaneous release [A]
    start_state : str            "cold" or "hot": what the line was taken from
    source : str                 where the line comes from

    Returns
    -------
    DeviceChoice

    Raises
    ------
    ScenarioError    a tolerance outside 0 to below 1, or faults of the points, all at once
    """
    faults = [
        Fault("scenario", None, f'device "{name}".{key}', f"{value:g}", "must lie in 0 to below 1: 10 % is 0.1")
        for key, value in (("current_tolerance", current_tolerance), ("time_tolerance", time_tolerance))
        if not (math.isfinite(value) and 0.0 <= value < 1.0)
    ]
    if faults:
        raise ScenarioError(faults)
    fast, slow = edges_of_line(points, current_tolerance, time_tolerance)
    choice = DeviceChoice(
        name,
        "points",
        rating=rating,
        fast=fast,
        slow=slow,
        magnetic=magnetic,
        start_state=start_state,
        source=line_source(source, current_tolerance, time_tolerance),
        nominal=tuple(tuple(point) for point in points),
    )
    if faults := device_faults(choice):
        raise ScenarioError(faults)
    return choice
