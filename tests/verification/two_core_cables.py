"""Round two-core cables in a film: published data, and their exact temperature field by expansion, for comparison."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from heat_cases import COPPER_COEFFICIENT, ZERO
from scipy.optimize import brentq

from ampsoak.heat.laws import iec_60287_film_constant

MM = 1e-3
SHEATH = 1.8 * MM


@dataclass(frozen=True)
class Row:
    """A round PVC cable (5 K m/W throughout, sheath 1.8 mm), its ratings by the chain and by the wiring rules [A]."""

    size: float
    diameter: float
    insulation: float
    resistance: float
    free: float
    table_free: float
    clipped: float
    table_clipped: float

    @property
    def overall(self) -> float:
        return 2 * (self.diameter + 2 * self.insulation + SHEATH)


# resistances IEC 60228 (read in makers' sheets); tables B.52.10 column E and B.52.2 column C (from memory)
ROWS = {
    row.size: row
    for row in (
        Row(1.5, 1.38 * MM, 0.7 * MM, 12.1e-3, 21.76, 22.0, 20.35, 19.5),
        Row(2.5, 1.78 * MM, 0.8 * MM, 7.41e-3, 29.14, 30.0, 27.30, 27.0),
        Row(6.0, 2.76 * MM, 0.8 * MM, 3.08e-3, 48.94, 51.0, 45.89, 46.0),
        Row(16.0, 5.10 * MM, 1.0 * MM, 1.15e-3, 92.39, 94.0, 86.81, 85.0),
    )
}
LIMIT = 70.0 + ZERO


TERMS, POINTS = 24, 160


@cache
def expansion(row: Row, sheath: float):
    """Fields of two cores and of the rest of the plane: values and outward slopes at the rim, values at a core."""
    pitch, radius, rim = row.diameter / 2 + row.insulation, row.diameter / 2, row.diameter + 2 * row.insulation + sheath
    centres = np.array([pitch, -pitch], dtype=complex)
    turn = np.exp(2j * np.pi * (np.arange(POINTS) + 0.5) / POINTS)

    def fields(z):
        values = [sum(-np.log(abs(z - c) / rim) for c in centres)]
        slopes = [sum(-(turn / (z - c)).real for c in centres)]
        for order in range(1, TERMS):
            for phase in (1, 1j):  # both cores alike, turned into each other
                about = [((z - c) * np.sign(c), np.sign(c)) for c in centres]
                values.append(sum((phase * (radius / w) ** order).real for w, _ in about))
                slopes.append(sum((-phase * order * radius**order / w ** (order + 1) * c * turn).real for w, c in about))
        for order in range(0, 2 * TERMS, 2):
            values.append(((z / rim) ** order).real)
            slopes.append((order * z ** max(order - 1, 0) / rim**order * turn).real)
        return np.array(values).T, np.array(slopes).T

    return *fields(rim * turn), fields(centres[0] + radius * turn)[0]


def exact_resistance(row: Row, coefficient: float, sheath: float = SHEATH) -> float:
    """Rise of both cores over the air per heat of the cable [K m/W], by least squares on an exact expansion.

    Potentials of both cores (logarithm and multipoles) and of the rest of the plane (harmonics), made to fit even core
    surfaces and the film ``coefficient`` [W/(m² K)] at the rim; the residual is at rounding.
    """
    k = 0.2
    at_rim, slope, at_core = expansion(row, sheath)
    rows = np.vstack([k / coefficient * slope + at_rim, at_core])
    columns = np.hstack([rows[:, 1:], np.concatenate([np.zeros(POINTS), -np.ones(POINTS)])[:, None]])
    given = rows[:, 0] / (4 * np.pi * k)  # half a watt per metre from each core
    answer, *_ = np.linalg.lstsq(columns, -given, rcond=None)
    assert np.abs(columns @ answer + given).max() < 1e-9
    return float(answer[-1])


def exact_rating(row: Row, constants) -> float:
    """Rating of the exact field under the standard's film law, taken at the mean rise of the surface [A]."""

    def excess(current):
        heat = 2 * current**2 * row.resistance * (1 + COPPER_COEFFICIENT * 50)
        coefficient = iec_60287_film_constant(row.overall, *constants)
        rise = (heat / (np.pi * row.overall * coefficient)) ** 0.8
        return exact_resistance(row, coefficient * rise**0.25) * heat - 40.0

    return brentq(excess, 0.8 * row.free, 1.1 * row.free, xtol=1e-4 * row.free)
