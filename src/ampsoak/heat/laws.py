"""Laws of films, of air layers and of what lies on conductors: one function each, with equation, span and source. Temperatures in kelvin."""

from __future__ import annotations

import numpy as np

from ampsoak.heat.arrays import STEFAN_BOLTZMANN
from ampsoak.library.laws import air_conductivity

GRAVITY = 9.80665  # [m/s²], standard gravity


def air_film_properties(temperature):
    """Conductivity, kinematic viscosity, thermal diffusivity and expansion of air at 1 atm.

    Parameters
    ----------
    temperature : float or (n,) array    film temperature [K], 300..600 K (held outside)

    Returns
    -------
    (k [W/(m K)], nu [m²/s], alpha [m²/s], beta [1/K])

    Source
    ------
    Incropera et al., Fundamentals of Heat and Mass Transfer, table A.4 (from memory, high confidence); ideal-gas
    expansion. Worked example: 300 K gives nu 15.9e-6 and alpha 22.5e-6, the table's row.
    """
    temperature = np.asarray(temperature, dtype=float)
    grid = [250.0, 300.0, 350.0, 400.0, 450.0, 500.0, 550.0, 600.0]
    nu = np.interp(temperature, grid, [11.44e-6, 15.9e-6, 20.9e-6, 26.4e-6, 32.4e-6, 38.8e-6, 45.6e-6, 52.7e-6])
    alpha = np.interp(temperature, grid, [15.9e-6, 22.5e-6, 29.9e-6, 38.3e-6, 47.2e-6, 56.7e-6, 66.7e-6, 76.9e-6])
    return air_conductivity(np.clip(temperature, *air_conductivity.span)), nu, alpha, 1.0 / temperature


def skin_conductance(conductivity, area, perimeter):
    """Conductance between a hot body and a thin layer on it, kept as one lump: G = 3 k P² / A.

    A slab of thickness d = A / P whose face follows a rising temperature T + r t and whose back is closed settles to
    T + r t - (r / a) (d x - x² / 2) with a = k / (rho c); its mean lags behind the face by d² / (3 a). A lump of heat capacity
    rho c A that takes G (face - lump) lags by rho c A / G. Both are the same for G = 3 k P / d: the first moment of the
    response to any face temperature is exact, and at last the lump is as warm as the face.

    Parameters
    ----------
    conductivity : float or (n,) array    of the layer [W/(m K)]
    area : float                          of its cross section [m²]
    perimeter : float                     length of the outline that it lies on [m]

    Returns
    -------
    float or (n,) array                   [W/(m K)] per metre of length; layers much thinner than the body

    Source
    ------
    Derived above; the series of the slab that it is checked against is Carslaw and Jaeger, Conduction of Heat in Solids,
    section 3.4 (from memory, high confidence). Worked example: 0.17 W/(m K), 0.25 mm² round an outline of 5 mm give
    51 W/(m K).
    """
    return 3.0 * conductivity * perimeter**2 / area


def _rayleigh(difference, air_temperature, length):
    k, nu, alpha, beta = air_film_properties(air_temperature + difference / 2)
    return k, nu / alpha, GRAVITY * beta * difference * length**3 / (nu * alpha)


def vertical_plate_coefficient(difference, air_temperature, height):
    """Natural convection on a vertical plate: Nu = {0.825 + 0.387 Ra^(1/6) / [1 + (0.492/Pr)^(9/16)]^(8/27)}².

    Parameters
    ----------
    difference : float or (n,) array    surface minus air, >= 0 [K]
    air_temperature : float             [K]
    height : float                      [m]

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]; all Ra

    Source
    ------
    Churchill and Chu 1975, Int. J. Heat Mass Transfer 18, 1323 (read in a reproduction). Worked example:
    2.4 m, 10 K above 20 °C: about 2.6 W/(m² K).
    """
    k, prandtl, rayleigh = _rayleigh(difference, air_temperature, height)
    nusselt = (0.825 + 0.387 * rayleigh ** (1 / 6) / (1 + (0.492 / prandtl) ** (9 / 16)) ** (8 / 27)) ** 2
    return nusselt * k / height


def horizontal_cylinder_coefficient(difference, air_temperature, diameter):
    """Natural convection on a horizontal cylinder: Nu = {0.60 + 0.387 Ra^(1/6) / [1 + (0.559/Pr)^(9/16)]^(8/27)}².

    Parameters
    ----------
    difference : float or (n,) array    surface minus air, >= 0 [K]
    air_temperature : float             [K]
    diameter : float                    [m]; perimeter / pi for a flat cable

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]; 1e-5 < Ra < 1e12

    Source
    ------
    Churchill and Chu 1975, Int. J. Heat Mass Transfer 18, 1049 (read in a reproduction). Worked example: 8 mm,
    40 K above 30 °C: about 9.7 W/(m² K).
    """
    k, prandtl, rayleigh = _rayleigh(difference, air_temperature, diameter)
    nusselt = (0.60 + 0.387 * rayleigh ** (1 / 6) / (1 + (0.559 / prandtl) ** (9 / 16)) ** (8 / 27)) ** 2
    return nusselt * k / diameter


def thin_cylinder_coefficient(difference, air_temperature, diameter):
    """Natural convection on a horizontal cylinder of any thickness: Nu = C Ra^n, C and n by range of Ra.

    Parameters
    ----------
    difference : float or (n,) array    surface minus air, >= 0 [K]
    air_temperature : float             [K]
    diameter : float                    [m]; perimeter / pi for a flat cable

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]; 1e-10 < Ra < 1e12

    Source
    ------
    Morgan 1975, Adv. Heat Transfer 11, 199 (read in a reproduction): 0.675, 0.058 to Ra 1e-2; 1.02, 0.148 to 1e2; 0.850,
    0.188 to 1e4; 0.480, 0.250 to 1e7; 0.125, 0.333 beyond. Worked example: Ra 1e3 gives Nu 3.11. On cables it lies
    about a tenth above Churchill and Chu, nearer to the standard's rating law.
    """
    k, _, rayleigh = _rayleigh(np.maximum(difference, 1e-9), air_temperature, diameter)
    edges = [1e-2, 1e2, 1e4, 1e7]
    row = np.searchsorted(edges, rayleigh)
    factor = np.array([0.675, 1.02, 0.850, 0.480, 0.125])[row]
    exponent = np.array([0.058, 0.148, 0.188, 0.250, 1 / 3])[row]
    return factor * rayleigh**exponent * k / diameter


def vertical_cylinder_coefficient(difference, air_temperature, diameter, height):
    """Natural convection on a slender vertical cylinder.

    Nu = 4/3 [7 Ra Pr / (5 (20 + 21 Pr))]^(1/4) + 4 (272 + 315 Pr) H / (35 (64 + 63 Pr) D), Nu and Ra on the height H.

    Parameters
    ----------
    difference : float or (n,) array    surface minus air, >= 0 [K]
    air_temperature : float             [K]
    diameter, height : float            [m]; laminar, Ra below about 1e9 on the height, used beyond as an estimate

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]

    Source
    ------
    Le Fevre and Ede 1956, Proc. 9th Int. Congr. Appl. Mech. 4, 175 (from memory, medium confidence). Worked example: an
    endless thin cylinder (no buoyancy term) keeps Nu D/H = 0.52 at Pr 0.7.
    """
    k, prandtl, rayleigh = _rayleigh(difference, air_temperature, height)
    plate = 4 / 3 * (7 * rayleigh * prandtl / (5 * (20 + 21 * prandtl))) ** 0.25
    round_part = 4 * (272 + 315 * prandtl) * height / (35 * (64 + 63 * prandtl) * diameter)
    return (plate + round_part) * k / height


def hollow_cylinder_coefficient(difference, air_temperature, diameter):
    """Natural convection inside a horizontal round tube, against the mean temperature of the air in it.

    Nu = -2 / ln(1 - 2 / N), N = {[a^(5/3) + (0.587 G Ra^(1/4))^(5/3)]^9 + (0.1 Ra^(1/3))^15}^(1/15), a = 2 / (1 - e^(-1/4)),
    G = [(1 + 0.6 / Pr^0.7)^-5 + (0.4 + 2.6 Pr^0.7)^-5]^(-1/5).

    Parameters
    ----------
    difference : float or (n,) array    wall from air, >= 0 [K]
    air_temperature : float             [K]
    diameter : float                    inside the tube [m]

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]; all Ra on the diameter

    Source
    ------
    Kuehn and Goldstein 1976, Int. J. Heat Mass Transfer 19, 1127, the outer of two cylinders (from memory, medium
    confidence). Worked example: still air, Ra to 0, keeps Nu 8.
    """
    k, prandtl, rayleigh = _rayleigh(difference, air_temperature, diameter)
    strength = ((1 + 0.6 / prandtl**0.7) ** -5 + (0.4 + 2.6 * prandtl**0.7) ** -5) ** (-1 / 5)
    still = 2 / (1 - np.exp(-1 / 4))
    laminar = still ** (5 / 3) + (0.587 * strength * rayleigh ** (1 / 4)) ** (5 / 3)
    whole = (laminar**9 + (0.1 * rayleigh ** (1 / 3)) ** 15) ** (1 / 15)
    return -2 / np.log(1 - 2 / whole) * k / diameter


def upright_hollow_coefficient(difference, air_temperature, diameter, height):
    """Natural convection inside a vertical round tube: the larger of a vertical plate and of still air, Nu = 8.

    Parameters
    ----------
    difference : float or (n,) array    wall from air, >= 0 [K]
    air_temperature : float             [K]
    diameter, height : float            inside the tube [m]

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]

    Source
    ------
    Judgement: both limits, no source between them; Nu 8 as in ``hollow_cylinder_coefficient``. Worked example: 30 mm wide,
    2.4 m high, 1 K: 7.0 W/(m² K), of still air.
    """
    k = _rayleigh(difference, air_temperature, diameter)[0]
    return np.maximum(8 * k / diameter, vertical_plate_coefficient(difference, air_temperature, height))


def plate_facing_up_coefficient(difference, air_temperature, length):
    """Natural convection above a warm horizontal plate: Nu = 0.54 Ra^(1/4), 0.15 Ra^(1/3) from Ra 1e7.

    Parameters
    ----------
    difference : float or (n,) array    surface minus air, >= 0 [K]
    air_temperature : float             [K]
    length : float                      area over perimeter [m]

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]; 1e4 < Ra < 1e11

    Source
    ------
    McAdams, as in Incropera et al. section 9.6.2 (from memory, high confidence). The larger of both is taken, which
    joins them without a jump near Ra 4.7e6. Worked example: Ra 1e6 gives Nu 17.1.
    """
    k, _, rayleigh = _rayleigh(difference, air_temperature, length)
    return np.maximum(0.54 * rayleigh**0.25, 0.15 * rayleigh ** (1 / 3)) * k / length


def plate_facing_down_coefficient(difference, air_temperature, length):
    """Natural convection below a warm horizontal plate: Nu = 0.27 Ra^(1/4).

    Parameters
    ----------
    difference : float or (n,) array    surface minus air, >= 0 [K]
    air_temperature : float             [K]
    length : float                      area over perimeter [m]

    Returns
    -------
    float or (n,) array                 mean coefficient [W/(m² K)]; 1e5 < Ra < 1e10

    Source
    ------
    McAdams, as in Incropera et al. section 9.6.2 (from memory, high confidence). Worked example: Ra 1e6 gives Nu 8.54.
    """
    k, _, rayleigh = _rayleigh(difference, air_temperature, length)
    return 0.27 * rayleigh**0.25 * k / length


def iec_60287_film_constant(diameter, z, e, g):
    """Film coefficient of a cable in still air at a rise of 1 K: h = Z / D^g + E; the film is h dT^(1/4).

    Parameters
    ----------
    diameter : float     external diameter [m]
    z, e, g : float      constants of the arrangement; single cable 0.21, 3.94, 0.60; clipped to a wall 1.69, 0.63, 0.25

    Returns
    -------
    float                [W/(m² K^(5/4))]; convection and radiation of a black surface together

    Source
    ------
    IEC 60287-2-1 clause 4.2.1.1 and its table of constants (from memory, high confidence for the two rows named).
    Worked example: 10 mm, single cable: 7.268276.
    """
    return z / diameter**g + e


def air_layer_resistance(thickness, emissivity=(0.9, 0.9), mean_temperature=283.15):
    """Thermal resistance of an unventilated air layer with level heat flow: R = 1 / (h_a + E h_r0).

    h_a = max(1.25, 0.025 / d) W/(m² K), E = 1 / (1/e1 + 1/e2 - 1), h_r0 = 4 sigma Tm³.

    Parameters
    ----------
    thickness : float or (n,) array      d along the heat flow, up to 0.3 m [m]; the other sides at least ten times as long
    emissivity : pair of float           of both faces
    mean_temperature : float             of the layer [K]

    Returns
    -------
    float or (n,) array                  [m² K/W]; differences of temperature up to 5 K

    Source
    ------
    ISO 6946:2017 annex D (from memory, high confidence). Worked example: 25 mm at 10 °C: 0.183 m² K/W, 0.18 in its table.
    """
    convection = np.maximum(1.25, 0.025 / np.asarray(thickness, dtype=float))
    between = 1.0 / (1 / emissivity[0] + 1 / emissivity[1] - 1)
    return 1.0 / (convection + between * 4 * STEFAN_BOLTZMANN * mean_temperature**3)


CORRELATIONS = {
    "vertical_plate": (vertical_plate_coefficient, "height"),
    "horizontal_cylinder": (horizontal_cylinder_coefficient, "diameter"),
    "thin_cylinder": (thin_cylinder_coefficient, "diameter"),
    "plate_facing_up": (plate_facing_up_coefficient, "length"),
    "plate_facing_down": (plate_facing_down_coefficient, "length"),
}
