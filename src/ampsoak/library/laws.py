"""Property laws of materials: one function each, plain numpy, with equation, span and source."""

from __future__ import annotations

import numpy as np


def air_conductivity(temperature):
    """Thermal conductivity of air at 1 atm [W/(m K)]: k = 0.0257 (T/293.15)^0.85.

    Parameters
    ----------
    temperature : float or (n,) array    [K], 273..623 K

    Source
    ------
    Fit within 1.5 % to Incropera et al., Fundamentals of Heat and Mass Transfer, table A.4 (from memory, high
    confidence). Worked example: 400 K gives 0.0335 against 0.0338 in the table.
    """
    return 0.0257 * (np.asarray(temperature, dtype=float) / 293.15) ** 0.85


air_conductivity.span = (223.15, 623.15)


def fibre_conductivity(temperature, density, solid=5.5e-5, radiation=0.196):
    """Thermal conductivity of a fibre fill [W/(m K)]: k = k_air(T) + s rho + r (T/297.15)^3 / rho.

    Parameters
    ----------
    temperature : float or (n,) array    [K], 273..573 K
    density : float                      [kg/m³], 7..100
    solid : float                        s [W m²/(kg K)], solid conduction
    radiation : float                    r [W kg/(m⁴ K)] at 297.15 K, radiation between fibres

    Source
    ------
    Form: radiative T³/rho term as in studies of reference fibrous-glass board (Zarr et al. 2014, abstract read); s and r
    fitted to the glass-fibre rows of ASHRAE Fundamentals 2013 ch. 26 (read in a transcription). Worked example:
    12 kg/m³ at 24 °C gives 0.043, the table's value.
    """
    temperature = np.asarray(temperature, dtype=float)
    return air_conductivity(temperature) + solid * density + radiation * (temperature / 297.15) ** 3 / density


fibre_conductivity.span = (223.15, 623.15)


def linear_in_temperature(temperature, value, slope, reference=293.15, ceiling=1e9, floor=0.0):
    """Property linear in temperature: value (1 + slope (T - reference)), T held to floor..ceiling.

    Parameters
    ----------
    temperature : float or (n,) array    [K]
    value : float                        at ``reference`` [SI]
    slope : float                        relative change [1/K]
    reference, ceiling, floor : float    [K]

    Source
    ------
    Definition; slopes are cited where they are used.
    """
    temperature = np.clip(np.asarray(temperature, dtype=float), floor, ceiling)
    return value * (1 + slope * (temperature - reference))


linear_in_temperature.span = (0.0, np.inf)
