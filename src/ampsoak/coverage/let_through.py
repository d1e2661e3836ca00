"""The I²t a device lets through when it breaks a fault, by value or by energy class."""

from __future__ import annotations

import math

from ampsoak.scenario.device_case import DeviceChoice

# Largest let-through I²t [A² s] of type B, energy class 3, by (largest rating [A], breaking capacity [A])
# (European annex to IEC 60898-1, memory, medium confidence)
ENERGY_CLASS_3 = {
    (16.0, 3000.0): 15_000.0,
    (16.0, 6000.0): 35_000.0,
    (16.0, 10_000.0): 70_000.0,
    (32.0, 3000.0): 18_000.0,
    (32.0, 6000.0): 45_000.0,
    (32.0, 10_000.0): 90_000.0,
}


def energy_class_3(rating: float, breaking_capacity: float) -> float:
    """Largest let-through I²t [A² s] of a type B breaker of energy class 3; nan where the table has no row.

    Parameters
    ----------
    rating : float               [A]
    breaking_capacity : float    [A]; the next larger row stands for what lies between

    Source
    ------
    European annex to IEC 60898-1 (memory, medium confidence). Worked example: 20 A, 6 kA: 45 000 A² s.
    """
    rows = [key for key in ENERGY_CLASS_3 if rating <= key[0] and breaking_capacity <= key[1]]
    return ENERGY_CLASS_3[min(rows)] if rows else math.nan


def let_through_energy(choice: DeviceChoice) -> float:
    """Largest I²t [A² s] that ``choice`` lets through up to the prospective current it is stated for; nan if not stated."""
    stated = choice.let_through
    if stated is None:
        return math.nan
    if stated.energy_class != 3:
        return stated.energy
    if choice.type != "B" or "60898" not in choice.standard or choice.breaking_capacity is None:
        return math.nan
    return energy_class_3(choice.rating, choice.breaking_capacity)
