"""What can be wrong with a device named in a scenario, said all at once."""

from __future__ import annotations

import math

import numpy as np

from ampsoak.base.errors import Fault, UsageError, nearest_name
from ampsoak.coverage.ambient import pickup_factor
from ampsoak.coverage.let_through import let_through_energy
from ampsoak.library.load import device_family, device_standards
from ampsoak.scenario.device_case import DeviceChoice, RelayChoice
from ampsoak.scenario.drawn_edges import crossing_of, look_swapped

FEWEST_POINTS = 2


def device_faults(choice: DeviceChoice | RelayChoice, file: str = "scenario", key: str = "") -> list[Fault]:
    """Return every fault of a device, an empty list if there is none.

    Parameters
    ----------
    choice : DeviceChoice or RelayChoice
    file : str               file named in the faults
    key : str                dotted key of the device; its name by default
    """
    if isinstance(choice, RelayChoice):
        return []  # a relay's settings are checked where it is built
    report = _Report(file, key or f'device "{choice.name}"')
    if choice.standard == "points":
        _point_faults(choice, report)
    else:
        _family_faults(choice, report)
    if choice.magnetic is not None:
        hold, trip = choice.magnetic
        if not (math.isfinite(trip) and 0.0 < hold < trip):
            report("magnetic", choice.magnetic, "must be two positive currents, holding below tripping")
        elif hold <= choice.rating:
            report("magnetic", choice.magnetic, f"an instantaneous release holds above the rating, {choice.rating:g} A")
    return report.faults


class _Report:
    def __init__(self, file: str, key: str):
        self.file, self.key, self.faults = file, key, []

    def __call__(self, field: str, written, message: str, nearest: str | None = None) -> None:
        self.faults.append(Fault(self.file, None, f"{self.key}.{field}", str(written), message, nearest))


def _family_faults(choice: DeviceChoice, report: _Report) -> None:
    standards = device_standards()
    try:
        family = device_family(choice.standard)
    except KeyError:
        known = [*standards, "points"]
        allowed = f"must be one of {', '.join(known)}"
        report("standard", choice.standard, allowed, nearest_name(choice.standard, known))
        return
    type = choice.type or (family.types[0] if len(family.types) == 1 else "")
    if type not in family.types:
        allowed = f"{family.standard} has types {', '.join(family.types)}"
        report("type", choice.type or "(nothing)", allowed, nearest_name(choice.type, family.types))
    if choice.rating not in family.ratings:
        report("rating", f"{choice.rating:g} A", _nearest_ratings(family, choice.rating))
    elif type in family.types and not family.points(choice.rating, type):
        report("rating", f"{choice.rating:g} A", f"no data for {family.standard} {type} of this rating")
    if not report.faults:
        _ambient_faults(choice, family, type, report)
        _let_through_faults(choice, report)
    if choice.fast or choice.slow:
        report("standard", choice.standard, 'points are read only with standard = "points"')


def _ambient_faults(choice: DeviceChoice, family, type: str, report: _Report) -> None:
    if choice.ambient is None:
        return
    images, points = family.thermal_images(choice.rating, type), family.points(choice.rating, type)
    if not images:
        report("ambient", f"{choice.ambient:g} K", f"there is no law for the air at a device of {family.standard}; leave it out")
    try:
        for edge, image in images.items():
            pickup_factor(edge, choice.ambient, family.reference_ambient.typical, image.pickup, points)
    except UsageError as error:
        report("ambient", f"{choice.ambient - 273.15:g} °C", str(error))


def _let_through_faults(choice: DeviceChoice, report: _Report) -> None:
    stated = choice.let_through
    if stated is not None and not let_through_energy(choice) > 0.0:
        allowed = "must be a positive energy"
        if stated.energy_class:
            allowed = "the table has type B of IEC 60898-1 up to 32 A and 10 kA; give energy and current instead"
        report("let_through", f"energy class {stated.energy_class}" if stated.energy_class else stated.energy, allowed)


def _nearest_ratings(family, rating: float) -> str:
    below = [known for known in family.ratings if known < rating]
    above = [known for known in family.ratings if known > rating]
    near = [f"{known:g} A" for known in (*below[-1:], *above[:1])]
    known = ", ".join(f"{known:g}" for known in family.ratings)
    return f"no data for this rating; nearest are {' and '.join(near)}; {family.standard} has {known} A"


def _point_faults(choice: DeviceChoice, report: _Report) -> None:
    if not choice.fast and not choice.slow:
        report("slow", "(nothing)", "a device from points needs (current, time) points of its slow or fast edge")
        return
    if not math.isfinite(choice.rating) or choice.rating < 0.0:
        report("rating", choice.rating, "must be a positive current, or left out")
    if choice.start_state not in ("cold", "hot"):
        nearest = nearest_name(choice.start_state, ("cold", "hot"))
        report("start_state", choice.start_state, "must be cold or hot: what the points were taken from", nearest)
    before = len(report.faults)
    for side in ("fast", "slow"):
        if points := getattr(choice, side):
            _edge_faults(side, points, choice.rating, report)
    if choice.fast and choice.slow and len(report.faults) == before:
        _crossing_faults(choice, report)


def _edge_faults(side: str, points, rating: float, report: _Report) -> None:
    if len(points) < FEWEST_POINTS:
        report(side, points, "one point is no edge; give at least two (current, time) points")
        return
    current, time = np.array(points, dtype=float).T
    for index, point in enumerate(points):
        if not (all(math.isfinite(number) for number in point) and min(point) > 0.0):
            report(f"{side}[{index}]", point, "current and time must be positive finite numbers")
            return
    if look_swapped(current, time, rating):
        report(side, points[0], "current and time look swapped; each point is (current, time)")
        return
    for index in range(1, len(points)):
        if current[index] <= current[index - 1]:
            report(f"{side}[{index}]", points[index], "currents must increase from point to point")
        elif time[index] > time[index - 1]:
            report(f"{side}[{index}]", points[index], "a larger current cannot take longer; times must not increase")


def _crossing_faults(choice: DeviceChoice, report: _Report) -> None:
    crossed = crossing_of(choice.fast, choice.slow)
    if crossed is not None and math.isnan(crossed):
        report("fast", f"{choice.fast[0]} ...", "fast and slow edge have no current in common")
    elif crossed is not None:
        report("fast", f"{choice.fast[0]} ...", f"edges cross: at {crossed:g} A the fast edge is the later one")
