"""Property laws of materials: one function each, plain numpy, with equation, span and source."""

from __future__ import annotations

import numpy as np

STEFAN_BOLTZMANN = 5.670374419e-8  # [W/(m² K⁴)], CODATA 2018
GAS_CONSTANT = 8.314462618  # [J/(mol K)], CODATA 2018


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


def cavity_conductivity(temperature, depth, width=np.inf, difference=10.0, emissivity=0.9, far_emissivity=None):
    """Equivalent conductivity of a narrow unventilated air cavity [W/(m K)]: k = d (h_a + h_r).

    h_a = max(k_air / d, 0.73 dT^(1/3)) W/(m² K), h_r = 4 sigma T³ E F, E = 1 / (1/e1 + 1/e2 - 1),
    F = (1 + sqrt(1 + (d/b)²) - d/b) / 2. Below b = 5 mm the air only conducts.

    Parameters
    ----------
    temperature : float or (n,) array       of the air, mean of both faces [K], 223..623 K
    depth : float                           d, along the heat flow [m]; meant for up to 25 mm
    width : float                           b, across it [m]; endless where the gap closes round a body
    difference : float                      between the two faces, for convection with level heat flow [K]
    emissivity, far_emissivity : float      e1, e2 of the faces; the second as the first where None

    Source
    ------
    ISO 10077-2:2003 clause 6.3 with C1 = 0.025 W/(m K) and C3 = 0.73 W/(m² K^(4/3)) (from memory, medium confidence); C1 is
    the conductivity of air at 10 °C, whose course is taken in its place. Worked example: 20 x 20 mm at 10 °C: 0.0911.
    """
    temperature = np.asarray(temperature, dtype=float)
    stirred = 0.73 * difference ** (1 / 3) if width >= 5e-3 else 0.0
    between = 1.0 / (1 / emissivity + 1 / (emissivity if far_emissivity is None else far_emissivity) - 1)
    ratio = depth / width
    seen = (1 + np.sqrt(1 + ratio**2) - ratio) / 2
    radiation = 4 * STEFAN_BOLTZMANN * temperature**3 * between * seen
    return np.maximum(air_conductivity(temperature), depth * stirred) + depth * radiation


cavity_conductivity.span = (223.15, 623.15)


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
    fitted to the glass-fibre rows of ASHRAE Fundamentals 2013 ch. 26 (read in a reproduction). Worked example:
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


def wood_conductivity(temperature, specific_gravity, moisture):
    """Thermal conductivity of wood across the grain [W/(m K)].

    k = G (0.1941 + 0.004064 x) + 0.01864 at 24 °C, x in percent, times 1 + 0.002 (T - 297.15).

    Parameters
    ----------
    temperature : float or (n,) array    [K], 253..393 K
    specific_gravity : float             G, oven-dry mass over volume at that moisture over water's density, 0.3..0.7
    moisture : float                     water over oven-dry mass, 0..0.25

    Source
    ------
    Wood Handbook, USDA FPL-GTR-190 (2010) ch. 4 eq. 4-15, read in an open reproduction; 0.2 %/K below 100 °C from
    memory, high confidence. Worked example: spruce-pine-fir, 0.37 on green volume and so G 0.393 at 12 %, gives 0.114 at
    24 °C.
    """
    reference = specific_gravity * (0.1941 + 0.4064 * moisture) + 0.01864
    return reference * (1 + 0.002 * (np.asarray(temperature, dtype=float) - 297.15))


wood_conductivity.span = (253.15, 393.15)


def wood_specific_heat(temperature, moisture):
    """Specific heat of moist wood [J/(kg K)], per mass of moist wood, without drying.

    c = (c0 + 4.18 x/100) / (1 + x/100) + x (-0.06191 + 2.36e-4 T - 1.33e-4 x), c0 = 0.1031 + 0.003867 T, all in
    kJ/(kg K), x in percent.

    Parameters
    ----------
    temperature : float or (n,) array    [K], 280..420 K in the handbook; continued as it stands down to 253 K
    moisture : float                     water over oven-dry mass, 0..0.25

    Source
    ------
    Wood Handbook, USDA FPL-GTR-190 (2010) ch. 4 eq. 4-16a to 4-18, read in an open reproduction; range of temperature
    from memory, medium confidence. Worked example: 20 °C and 12 % give 1620 J/(kg K).
    """
    temperature = np.asarray(temperature, dtype=float)
    percent = 100 * moisture
    dry = 0.1031 + 0.003867 * temperature
    bound = percent * (-0.06191 + 2.36e-4 * temperature - 1.33e-4 * percent)
    return 1000 * ((dry + 4.18 * moisture) / (1 + moisture) + bound)


wood_specific_heat.span = (253.15, 420.0)


def arrhenius_rate(temperature, pre_exponential, activation_energy):
    """Return the rate constant of a reaction [1/s]: k = A exp(-E / (R T)).

    Parameters
    ----------
    temperature : float or (n,) array    [K]
    pre_exponential : float              A [1/s]
    activation_energy : float            E [J/mol]

    Source
    ------
    Arrhenius 1889, any text of physical chemistry; the span is that of the experiment A and E come from. Worked example: A 1e13
    1/s and E 150 kJ/mol at 500 K give 2.1e-3 1/s.
    """
    return pre_exponential * np.exp(-activation_energy / (GAS_CONSTANT * np.asarray(temperature, dtype=float)))


def remaining_after(remaining, exposure, order=1.0):
    """Return the share of a reactant that is left: d(share)/d(k t) = -share^n, integrated exactly.

    exp(-k t) for n = 1, else (share^(1-n) - (1-n) k t)^(1/(1-n)), and 0 where that is used up.

    Parameters
    ----------
    remaining : float or (n,) array    share before, 0..1
    exposure : float or (n,) array     rate constant times time
    order : float or (n,) array        n, at least 0

    Source
    ------
    Separation of variables. Worked example: half is left after ln 2 at n = 1, after 1 at n = 2, after 0.5 at n = 0.
    """
    remaining, exposure, order = np.broadcast_arrays(
        np.asarray(remaining, dtype=float), np.asarray(exposure, dtype=float), np.asarray(order, dtype=float)
    )
    first = remaining * np.exp(-exposure)
    power = np.where(order == 1.0, 2.0, 1.0 - order)
    with np.errstate(divide="ignore", invalid="ignore"):
        base = remaining**power - power * exposure
        other = np.where((base > 0) & (remaining > 0), np.maximum(base, 0.0) ** (1.0 / power), 0.0)
    return np.where(order == 1.0, first, other)[()]


def resistance_at(resistance_20, temperature_coefficient, temperature):
    """Return resistance at ``temperature``, R = R20 (1 + α20 (T - 293.15)), in the unit of ``resistance_20``.

    Parameters
    ----------
    resistance_20 : float                at 20 °C [Ω/m or Ω]
    temperature_coefficient : float      α20 [1/K]
    temperature : float or (n,) array    [K], 233..473 K; copper lies 2.4 % above the line at 300 °C, 6 % at 600 °C

    Source
    ------
    IEC 60287-1-1 cl. 5.1.1 (from memory, high confidence); deviations from Matula, J. Phys. Chem. Ref. Data 8 (1979)
    1147 (from memory, high confidence). Worked example: copper, 12 AWG, 5.211 Ω/km at 75 °C gives 6.337 Ω/km.
    """
    return resistance_20 * (1 + temperature_coefficient * (np.asarray(temperature, dtype=float) - 293.15))


resistance_at.span = (233.15, 473.15)
