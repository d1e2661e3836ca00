"""Laws of protection: adiabatic heating of a conductor, relay times, thermal images of a device.

One function each: equation, span, source; ``tests/coverage/test_protection_laws.py`` checks the worked examples.
Currents are amperes r.m.s. unless a law works in multiples of a rated or set current.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CIRCULAR_MIL = np.pi / 4 * (25.4e-6) ** 2  # area of a circle one thousandth of an inch across [m²]
SQUARE_MILLIMETRE = 1e-6  # [m²]


@dataclass(frozen=True)
class AdiabaticMetal:
    """Constants of a conductor metal for adiabatic heating.

    Parameters
    ----------
    constant : float          K as the standard prints it [A s½/m²]
    beta : float              reciprocal of the temperature coefficient of resistance at 0 °C, as a positive °C figure
    volumetric_heat : float   at 20 °C [J/(K m³)]
    resistivity : float       at 20 °C [Ω m]
    source, held : str        see ``base.sources``
    """

    constant: float
    beta: float
    volumetric_heat: float
    resistivity: float
    source: str = "IEC 60949:1988, table I"
    held: str = "memory_high"


ADIABATIC_METALS = {
    "copper": AdiabaticMetal(226e6, 234.5, 3.45e6, 1.7241e-8),
    "aluminium": AdiabaticMetal(148e6, 228.0, 2.5e6, 2.8264e-8),
    "lead": AdiabaticMetal(41e6, 230.0, 1.45e6, 21.4e-8),
    "steel": AdiabaticMetal(78e6, 202.0, 3.8e6, 13.8e-8),
}

# (constant of the base-ten logarithm [A² s per circular mil²], β [°C]); copper read, aluminium from memory
ICEA_METALS = {"copper": (0.0297, 234.0), "aluminium": (0.0125, 228.0)}


@dataclass(frozen=True)
class RelayCurve:
    """Constants of an inverse-time relay: t = setting (k / (M^alpha - 1) + c)."""

    k: float
    alpha: float
    c: float
    source: str


# "Very" and "extremely inverse" mean different constants in the two standards, so the letter is the key.
RELAY_CURVES = {
    "A": RelayCurve(0.14, 0.02, 0.0, "IEC 60255-151 A, standard inverse (read in makers' manuals)"),
    "B": RelayCurve(13.5, 1.0, 0.0, "IEC 60255-151 B, very inverse (read in makers' manuals)"),
    "C": RelayCurve(80.0, 2.0, 0.0, "IEC 60255-151 C, extremely inverse (read in makers' manuals)"),
    "D": RelayCurve(0.0515, 0.02, 0.114, "IEC 60255-151 D = IEEE C37.112 moderately inverse (read in makers' manuals)"),
    "E": RelayCurve(19.61, 2.0, 0.491, "IEC 60255-151 E = IEEE C37.112 very inverse (read in makers' manuals)"),
    "F": RelayCurve(28.2, 2.0, 0.1217, "IEC 60255-151 F = IEEE C37.112 extremely inverse (read in makers' manuals)"),
    "long-time inverse": RelayCurve(120.0, 1.0, 0.0, "trade practice (read in makers' manuals)"),
    "short-time inverse": RelayCurve(0.05, 0.04, 0.0, "trade practice (read in makers' manuals)"),
}

# Reset time at no current from full travel, at a time dial of 1 [s]: t = TD t_r / (1 - M²) (IEEE C37.112, memory, high
# confidence); IEC 60255-151 fixes none for A to C
RESET_TIMES = {"D": 4.85, "E": 21.6, "F": 29.1}


def adiabatic_constant(volumetric_heat, beta, resistivity):
    """Material constant of adiabatic heating [A s½/m²]: K = sqrt(σc (β + 20) / ρ20).

    Parameters
    ----------
    volumetric_heat : float    σc at 20 °C [J/(K m³)]
    beta : float               β [°C]
    resistivity : float        ρ20 at 20 °C [Ω m]

    Source
    ------
    IEC 60949:1988 clause 3 (memory, high confidence). Worked example: copper gives 225.669 A s½/mm², printed 226.
    """
    return np.sqrt(volumetric_heat * (beta + 20.0) / resistivity)


def adiabatic_k(constant, beta, start, stop):
    """Wiring-rule k [A s½/m²]: k = K sqrt(ln((θf + β) / (θi + β))).

    Parameters
    ----------
    constant : float       K [A s½/m²]
    beta : float           β [°C]
    start, stop : float    temperatures before and after [K]

    Source
    ------
    IEC 60949:1988 clause 3; IEC 60364-5-54 annex A (memory, high confidence). Worked example: copper from 70 to 160 °C
    gives 115.0 A s½/mm², printed 115.
    """
    return constant * np.sqrt(np.log((stop - 273.15 + beta) / (start - 273.15 + beta)))


def adiabatic_energy(k, area):
    """I²t [A² s] that a conductor takes up without loss of heat: I²t = k² S².

    Parameters
    ----------
    k : float       [A s½/m²]
    area : float    S, metal cross-section [m²]

    Source
    ------
    IEC 60364-4-43 clause 434.5.2 (memory, high confidence). Worked example: 2.5 mm², k = 115 gives 82 656 A² s.
    """
    return (k * area) ** 2


def adiabatic_withstand_time(current, k, area):
    """Time [s] a conductor stands a fault current: t = (k S / I)²; nan outside 0.1..5 s, where the law is not meant.

    Parameters
    ----------
    current : float or (n,) array    I [A], > 0
    k : float                        [A s½/m²]
    area : float                     S [m²]

    Source
    ------
    IEC 60364-4-43 clause 434.5.2, which holds it to 0.1..5 s: shorter needs the let-through I²t of the device,
    longer loses heat (memory, high confidence). Worked example: 16.5 mm², k = 115, 3000 A gives 0.4 s.
    """
    time = adiabatic_energy(k, area) / np.asarray(current, dtype=float) ** 2
    shortest, longest = adiabatic_withstand_time.span
    return np.where((time >= shortest) & (time <= longest), time, np.nan)[()]


adiabatic_withstand_time.span = (0.1, 5.0)  # [s]


def adiabatic_heating_time(current, area, constant, beta, start, stop):
    """Time [s] of heating without loss: t = K² S² ln((θf + β) / (θi + β)) / I²; a lower bound at any duration.

    Parameters
    ----------
    current : float or (n,) array    I [A], > 0
    area : float                     S [m²]
    constant, beta : float           K [A s½/m²], β [°C]
    start, stop : float              temperatures before and after [K]

    Source
    ------
    IEC 60949:1988 clause 3 (memory, high confidence). Worked example: 2.5 mm² copper, 70 to 160 °C, 100 A gives
    8.266269 s with K = 226 A s½/mm².
    """
    return adiabatic_energy(adiabatic_k(constant, beta, start, stop), area) / np.asarray(current, dtype=float) ** 2


def icea_short_circuit_current(time, area, metal, start, stop):
    """Short-circuit current [A] for a time: (I / A)² t = c log10((T2 + λ) / (T1 + λ)), A in circular mils.

    Parameters
    ----------
    time : float or (n,) array    t [s]
    area : float                  metal cross-section [m²]
    metal : str                   key of ``ICEA_METALS``
    start, stop : float           temperatures before and after [K]

    Source
    ------
    ICEA P-32-382 (copper read in course notes, aluminium from memory). Worked example: 6530 circular mils of copper,
    75 to 150 °C, 1 s gives 345.712 A.
    """
    constant, beta = ICEA_METALS[metal]
    ratio = (stop - 273.15 + beta) / (start - 273.15 + beta)
    return area / CIRCULAR_MIL * np.sqrt(constant * np.log10(ratio) / np.asarray(time, dtype=float))


def relay_time(multiple, curve, setting=1.0, threshold=1.1):
    """Operating time [s] of an inverse-time relay: t = setting (k / (M^alpha - 1) + c), M held to 20 above 20.

    Parameters
    ----------
    multiple : float or (n,) array    M, current over set current
    curve : str                       key of ``RELAY_CURVES``
    setting : float                   time multiplier (IEC) or time dial (IEEE); it multiplies c too
    threshold : float                 declared least multiple at which the time holds, 1..1.3

    Returns
    -------
    float or (n,) array    inf at M <= 1; nan between 1 and the threshold, where no time is stated

    Source
    ------
    IEC 60255-151 clause 4.3 and IEEE C37.112-1996 equation 1 (constants read in makers' manuals). Worked example:
    standard inverse, 2000 A on 400/1 with a 50 % plug (M = 10) gives 2.97 s.
    """
    row = RELAY_CURVES[curve]
    multiple = np.asarray(multiple, dtype=float)
    held = np.clip(multiple, max(threshold, 1.0 + 1e-9), 20.0)
    time = setting * (row.k / (held**row.alpha - 1.0) + row.c)
    return np.where(multiple <= 1.0, np.inf, np.where(multiple < threshold, np.nan, time))[()]


def electronic_long_time(multiple, time_at_six, pickup=1.05):
    """Operating time [s] of an electronic long-time release: t = t6 · 36 / M²; inf up to the pickup.

    Parameters
    ----------
    multiple : float or (n,) array    M, current over set current
    time_at_six : float               t6, declared at six times the set current [s]
    pickup : float                    M up to which it does not operate

    Source
    ------
    Trade practice, anchor at 6 read in a trip unit's manual; the times 25, 16, 9, 4 ... 0.7 s at 1.2 ... 7.2 for
    t6 = 1 s are printed in a motor protector's manual (read).
    """
    multiple = np.asarray(multiple, dtype=float)
    return np.where(multiple > pickup, time_at_six * 36.0 / np.maximum(multiple, pickup) ** 2, np.inf)[()]


def first_order_time(current, pickup, time_constant, preload=0.0):
    """Operating time [s] of the first-order image: t = tau ln((I² - Ip²) / (I² - Ik²)); inf at I <= Ik.

    Parameters
    ----------
    current : float or (n,) array    I, in the unit of ``pickup``
    pickup : float                   Ik, least current that ever operates it
    time_constant : float            tau [s]
    preload : float                  Ip < Ik, current carried to the steady state before; 0 means cold

    Source
    ------
    IEC 60255-149 (form read in relay makers' manuals). Worked example: tau 600 s, Ik = 1.05, cold, I = 2: 193.47 s.
    """
    square = np.asarray(current, dtype=float) ** 2
    above = square > pickup**2
    square = np.where(above, square, 4.0 * pickup**2)  # placeholder that keeps the logarithm quiet
    time = time_constant * np.log((square - preload**2) / (square - pickup**2))
    return np.where(above, time, np.inf)[()]


def first_order_step(state, load, step, time_constant):
    """State of the first-order image after a step of constant load: H+ = q + (H - q) exp(-dt / tau).

    Parameters
    ----------
    state : float or (n,) array    H before the step; the device operates at H = 1
    load : float or (n,) array     q = (I / Ik)², the mean of I² over the step, never the square of the mean current
    step : float                   dt [s]
    time_constant : float          tau, which may differ while cooling [s]

    Source
    ------
    Exact solution of tau dH/dt = q - H, IEC 60255-149. Worked example: 100 s at I = 2 from cold, tau 600 s, Ik = 1.05:
    H = 0.556982.
    """
    return load + (state - load) * np.exp(-step / time_constant)


def first_order_crossing(state, load, time_constant):
    """Time [s] from ``state`` until the first-order image reaches 1 at constant load: tau ln((q - H) / (q - 1)).

    Parameters
    ----------
    state, load : float      H < 1 and q; inf for q <= 1
    time_constant : float    tau [s]

    Source
    ------
    As ``first_order_step``. Worked example: 100 s at 2, 300 s at 0.5, then 2: 118.330 s after the last change.
    """
    if load <= 1.0:
        return np.inf
    return time_constant * np.log((load - state) / (load - 1.0))


def first_order_recursion(state, load, step, time_constant):
    """State after a step as relays compute it: H+ = dt / (tau + dt) q + tau / (tau + dt) H (backward Euler).

    Parameters
    ----------
    state, load, step, time_constant : as in ``first_order_step``

    Source
    ------
    IEC 60255-149 annex, the recursion given for sampled relays (memory, high confidence). Worked example: step 1 s,
    I = 2 reaches 1 on step 194, the exact time being 193.468 s.
    """
    return step / (time_constant + step) * load + time_constant / (time_constant + step) * state


def two_node_time(current, pickup, share, fast, slow, preload=0.0):
    """Operating time [s] of the two-node image at constant current; inf at I <= pickup.

    Nodes x_j' = (I² - x_j) / tau_j; operates when share x_1 + (1 - share) x_2 = pickup². From the steady state at
    ``preload`` this is share e^(-t/tau_1) + (1 - share) e^(-t/tau_2) = (I² - Ik²) / (I² - Ip²).

    Parameters
    ----------
    current : float or (n,) array    I, in the unit of ``pickup``
    pickup : float                   Ik
    share : float                    share of the fast node, 0..1
    fast, slow : float               tau_1 <= tau_2 [s]
    preload : float                  Ip < Ik, carried to the steady state before; 0 means cold

    Source
    ------
    Derived here as the usual picture of a bimetal and its case; not from a standard. Worked example: pickup 1.28,
    share 0.5, 30 and 900 s, cold, I = 2: 44.3 s.
    """
    square = np.asarray(current, dtype=float) ** 2
    above = square > pickup**2
    square = np.where(above, square, 4.0 * pickup**2)
    target = np.log((square - pickup**2) / (square - preload**2))
    # log(share e^-t/fast + (1 - share) e^-t/slow) falls and is convex: Newton from the left climbs without overshoot.
    time = -fast * target
    for _ in range(100):
        first = share * np.exp(-time / fast)
        second = (1.0 - share) * np.exp(-time / slow)
        slope = (first / fast + second / slow) / (first + second)
        advance = (np.log(first + second) - target) / slope
        time = time + advance
        if np.all(np.abs(advance) <= 1e-13 * time):
            break
    return np.where(above, time, np.inf)[()]


def two_node_step(state, square, step, fast, slow):
    """Both nodes of the two-node image after a step: x_j+ = I² + (x_j - I²) exp(-dt / tau_j).

    Parameters
    ----------
    state : (2, ...) array           x_1, x_2, in the square of the unit of current
    square : float or (...) array    mean of I² over the step
    step : float                     dt [s]
    fast, slow : float               tau_1, tau_2 [s]

    Source
    ------
    Exact solution of the equations of ``two_node_time``. Worked example: stepped to 44.3 s at I = 2, the weighted sum
    reaches pickup².
    """
    state = np.asarray(state, dtype=float)
    return np.stack([square + (node - square) * np.exp(-step / tau) for node, tau in zip(state, (fast, slow))])
