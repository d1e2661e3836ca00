"""Reference problems P1-P4 for the general-purpose solvers: drawing, materials, loads, laws of temperature.

A flat two-core cable with earth lies with its flat side along x in a stud bay (P1, P2, P4) or in a bored hole (P3).
Contacts are perfect, everything starts at 25 °C, Joule heat is uniform over each loaded conductor and follows that
conductor's mean: rho_e = RESISTIVITY (1 + COEFFICIENT (T_mean - 20)). P1-P3 are linear. P4 is P1 with k(T), c(T), natural
convection and radiation. Lengths are in mm, temperatures in °C, everything else in SI.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

MM = 1e-3
START = AIR = 25.0  # [°C]
RESISTIVITY, COEFFICIENT = 1.724e-8, 0.00393  # [Ω m], [1/K] at 20 °C
CONDUCTOR_AREA = np.pi * (1.628 * MM) ** 2 / 4  # [m²]
COPPER_CAPACITY = 8960.0 * 385.0  # [J/(m³ K)]
LIMITS = (60.0, 75.0, 90.0, 160.0)  # [°C]
CURRENTS = np.geomspace(12.0, 240.0, 24)  # of the limit curves [A]
HORIZON = 4 * 3600.0  # of the limit curves [s]

PROPERTIES = {  # conductivity [W/(m K)], density [kg/m³], specific heat [J/(kg K)]
    "gypsum": (0.17, 700.0, 950.0),
    "batt": (0.040, 12.0, 840.0),
    "osb": (0.13, 620.0, 1600.0),
    "wood": (0.12, 430.0, 1600.0),
    "copper": (400.0, 8960.0, 385.0),
    "pvc": (0.17, 1400.0, 1000.0),
    "paper": (0.07, 700.0, 1340.0),
    "conducting_fill": (0.30, 1.2, 1007.0),
    "hole_air": (0.05, 1.2, 1007.0),
}
LOADED = ("copper_left", "copper_right")
SCALED = ("gypsum", "batt", "osb", "wood", "pvc", "paper")  # materials whose properties differ between members

# the cable, mm
OFFSET, CONDUCTOR, INSULATION = 2.5, 0.814, 1.4  # of a loaded conductor from the middle; radii
JACKET_WIDTH, JACKET_HEIGHT, JACKET_WALL = 10.0, 4.6, 0.76
FILLER_WIDTH, FILLER_HEIGHT = JACKET_WIDTH - 2 * JACKET_WALL, JACKET_HEIGHT - 2 * JACKET_WALL
STUD, GYPSUM, CAVITY_TOP, HOLE = 19.0, 12.7, 101.7, 8.0  # half stud, board, upper end of the cavity; radius of the hole

_STAGES = ((15.5, 1500.0), (22.0, 1200.0), (8.0, 900.0), (33.0, 1200.0))


@dataclass(frozen=True)
class Problem:
    """One reference problem.

    Parameters
    ----------
    name : str
    width, height : float         of the section [mm]
    centre : (float, float)       of the cable [mm]
    surround : str                material round the cable
    film : float                  constant coefficient on the lower and upper edge [W/(m² K)]; 0 insulates
    loads : tuple of (A, s)       current and length of each stage
    """

    name: str
    width: float
    height: float
    centre: tuple[float, float]
    surround: str
    film: float
    loads: tuple[tuple[float, float], ...]

    @property
    def bored(self) -> bool:
        """Whether the cable lies in a bored hole rather than in a bay."""
        return self.surround == "hole_air"

    @property
    def stages(self) -> np.ndarray:
        """Beginning and end of each stage, (n, 2) [s]."""
        ends = np.cumsum([length for _, length in self.loads])
        return np.column_stack([np.r_[0.0, ends[:-1]], ends])


PROBLEMS = {
    "P1": Problem("P1", 368.0, 114.2, (184.0, 57.2), "batt", 8.0, _STAGES),
    "P2": Problem("P2", 368.0, 114.2, (184.0, 57.2), "conducting_fill", 8.0, ((49.0, 3600.0),)),
    "P3": Problem("P3", 38.0, 89.0, (19.0, 44.5), "hole_air", 0.0, ((31.0, 3600.0),)),
    "P4": Problem("P4", 368.0, 114.2, (184.0, 57.2), "batt", 8.0, _STAGES),
}


def properties(material: str) -> tuple[float, float, float]:
    """Constant conductivity, density and specific heat of a material or conductor."""
    return PROPERTIES["copper" if material.startswith("copper") else material]


def source_strength(current):
    """Heat per conductor volume at 20 °C [W/m³]."""
    return np.square(current) * RESISTIVITY / CONDUCTOR_AREA**2


def _in_stadium(x, y, width, height):
    radius = height / 2
    return np.hypot(np.maximum(np.abs(x) - (width / 2 - radius), 0.0), y) < radius


def material_at(problem: Problem, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Material names at points [mm]; conductors are copper_left, copper_right and copper_earth."""
    u, v = x - problem.centre[0], y - problem.centre[1]
    names = np.full(np.shape(x), "wood" if problem.bored else problem.surround, dtype="U16")
    if problem.bored:
        names[np.hypot(u, v) < HOLE] = problem.surround
    else:
        names[(x < STUD) | (x > problem.width - STUD)] = "wood"
        names[y < GYPSUM] = "gypsum"
        names[y > CAVITY_TOP] = "osb"
    names[_in_stadium(u, v, JACKET_WIDTH, JACKET_HEIGHT)] = "pvc"
    names[_in_stadium(u, v, FILLER_WIDTH, FILLER_HEIGHT)] = "paper"
    for side, name in zip((-1, 1), LOADED, strict=True):
        radius = np.hypot(u - side * OFFSET, v)
        names[radius < INSULATION] = "pvc"
        names[radius < CONDUCTOR] = name
    names[np.hypot(u, v) < CONDUCTOR] = "copper_earth"
    return names


# -- P4: laws of temperature -------------------------------------------------------------------------------------------

EMISSIVITY, STEFAN_BOLTZMANN, CONVECTION = 0.9, 5.670374419e-8, 1.31
FIBRE_SOLID, FIBRE_RADIATION, FIBRE_DENSITY = 5.5e-5, 0.196, 12.0
_GYPSUM_KNOTS, _GYPSUM_HEAT = (80.0, 110.0, 150.0), (950.0, 9000.0, 950.0)


def fill_conductivity(t):
    """Fibre fill: air, solid, radiation [W/(m K)]."""
    kelvin = t + 273.15
    return (
        0.0257 * (kelvin / 293.15) ** 0.85
        + FIBRE_SOLID * FIBRE_DENSITY
        + FIBRE_RADIATION * (kelvin / 297.15) ** 3 / FIBRE_DENSITY
    )


def wood_conductivity(t):
    """Softwood [W/(m K)]."""
    return 0.12 * (1 + 0.002 * (t - 20))


def pvc_heat(t):
    """Specific heat of PVC [J/(kg K)]."""
    return 1000 * (1 + 0.003 * (np.minimum(t, 150.0) - 20))


def gypsum_heat(t):
    """Specific heat of gypsum with its water [J/(kg K)]."""
    return np.interp(t, _GYPSUM_KNOTS, _GYPSUM_HEAT)


def face_flux(t):
    """Heat leaving an outer face by natural convection and radiation [W/m²]."""
    rise = t - AIR
    radiated = (t + 273.15) ** 4 - (AIR + 273.15) ** 4
    return CONVECTION * np.cbrt(np.abs(rise)) * rise + EMISSIVITY * STEFAN_BOLTZMANN * radiated


def face_slope(t):
    """Derivative of ``face_flux`` [W/(m² K)]."""
    return CONVECTION * 4 / 3 * np.cbrt(np.abs(t - AIR)) + 4 * EMISSIVITY * STEFAN_BOLTZMANN * (t + 273.15) ** 3
