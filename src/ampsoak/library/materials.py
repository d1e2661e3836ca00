"""Materials as the solver needs them: conductivity and heat capacity against temperature, with sources."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.base.sources import Value
from ampsoak.library import laws

PROPERTY_LAWS = {
    "fibre": laws.fibre_conductivity,
    "air": laws.air_conductivity,
    "cavity": laws.cavity_conductivity,
    "linear": laws.linear_in_temperature,
    "wood_conductivity": laws.wood_conductivity,
    "wood_specific_heat": laws.wood_specific_heat,
}

USUAL_EMISSIVITY = 0.9  # of building materials and plastics where none is known: ISO 6946 (from memory, high confidence)
FAMILIES = ("metal", "polymer", "fibre", "foam", "wood", "board", "masonry", "air", "other")


@dataclass(frozen=True)
class Property:
    """One property against temperature: a constant, a table, or a named law scaled to nothing else.

    Parameters
    ----------
    value : Value                  constant, or the value at the reference temperature that carries range and source
    temperature : tuple of float   (n,) [K] increasing, empty unless a table
    table : tuple of float         (n,) [SI] values at ``temperature``; linear between, held outside
    law : str                      key of ``PROPERTY_LAWS``, "" if none
    parameters : tuple             (("density", 12.0), ...) handed to the law, SI
    course_source : str            where the dependence on temperature comes from, "" for a constant
    course_grade, course_held : str   its grade and how it is held, see ``base.sources``
    """

    value: Value
    temperature: tuple[float, ...] = ()
    table: tuple[float, ...] = ()
    law: str = ""
    parameters: tuple[tuple[str, float], ...] = ()
    course_source: str = ""
    course_grade: str = ""
    course_held: str = ""

    @property
    def is_constant(self) -> bool:
        """True when the property does not depend on temperature."""
        return not self.temperature and not self.law

    @property
    def span(self) -> tuple[float, float]:
        """Temperatures [K] between which the property is known; constants claim everything."""
        if self.temperature:
            return self.temperature[0], self.temperature[-1]
        if self.law:
            return PROPERTY_LAWS[self.law].span
        return 0.0, np.inf

    def at(self, temperature):
        """Property [SI] at ``temperature`` [K], held constant outside the span; float or (n,) array."""
        temperature = np.asarray(temperature, dtype=float)
        if self.temperature:
            return np.interp(temperature, self.temperature, self.table)
        if self.law:
            low, high = self.span
            return PROPERTY_LAWS[self.law](np.clip(temperature, low, high), **dict(self.parameters))
        return np.full(temperature.shape, self.value.typical)[()]


@dataclass(frozen=True)
class Latent:
    """Heat taken up between two temperatures on heating (water, crystal change, melting).

    Parameters
    ----------
    start, stop : float   temperatures [K] between which it is spread evenly
    heat : Value          heat per mass of the material [J/kg]
    """

    start: float
    stop: float
    heat: Value


@dataclass(frozen=True)
class Reaction:
    """A reaction of a material that gives off or takes up heat and uses itself up: a rough model, off unless asked for.

    The share that has reacted grows by A exp(-E/(R T)) (1 - share)^n; below ``valid_from`` nothing reacts (the
    rate sets in over the first 10 K above it), and above ``valid_to`` the rate stays what it is there.

    Parameters
    ----------
    name : str
    heat : Value                  given off by the whole reaction per mass of the material [J/kg]; negative takes it up
    pre_exponential : Value       A [1/s]
    activation_energy : Value     E [J/mol]
    order : float                 n
    valid_from, valid_to : float  temperatures [K] between which rate and heat are meant to hold
    """

    name: str
    heat: Value
    pre_exponential: Value
    activation_energy: Value
    order: float
    valid_from: float
    valid_to: float


@dataclass(frozen=True)
class Material:
    """A material with everything the heat solver, the mesh and the reports ask of it.

    Parameters
    ----------
    name : str
    family : str                              metal, polymer, fibre, foam, wood, board, masonry, air or other
    description : str
    conductivity : Property                   [W/(m K)]
    density : Value                           [kg/m³]
    specific_heat : Property                  [J/(kg K)], without latent heat
    latent : tuple of Latent
    emissivity : Value or None
    resistivity : Value or None               at 20 °C [Ω m]
    temperature_coefficient : Value or None   of resistance at 20 °C [1/K]
    reactions : tuple of Reaction             used only where a run asks for reactions
    """

    name: str
    family: str
    description: str
    conductivity: Property
    density: Value
    specific_heat: Property
    latent: tuple[Latent, ...] = ()
    emissivity: Value | None = None
    resistivity: Value | None = None
    temperature_coefficient: Value | None = None
    reactions: tuple[Reaction, ...] = ()

    @property
    def is_constant(self) -> bool:
        """True when neither conductivity nor heat capacity depends on temperature."""
        return self.conductivity.is_constant and self.specific_heat.is_constant and not self.latent

    def thermal_conductivity(self, temperature):
        """Conductivity [W/(m K)] at ``temperature`` [K]."""
        return self.conductivity.at(temperature)

    def volumetric_heat_capacity(self, temperature):
        """Heat capacity per volume [J/(m³ K)] at ``temperature`` [K], latent heat included as extra capacity."""
        temperature = np.asarray(temperature, dtype=float)
        capacity = self.density.typical * self.specific_heat.at(temperature)
        for latent in self.latent:
            inside = (temperature >= latent.start) & (temperature < latent.stop)
            capacity = capacity + inside * (
                self.density.typical * latent.heat.typical / (latent.stop - latent.start)
            )
        return capacity

    def volumetric_enthalpy(self, temperature):
        """Heat content per volume [J/m³] above 0 °C at ``temperature`` [K], increasing (n,) array.

        The sensible part is integrated on a 0.25 K grid (exact for constants and tables linear on that grid); the
        latent part is exact.
        """
        temperature = np.asarray(temperature, dtype=float)
        if self.specific_heat.is_constant:
            sensible = self.specific_heat.value.typical * (temperature - 273.15)
        else:
            low, high = min(float(np.min(temperature)), 273.15), max(float(np.max(temperature)), 273.15)
            count = max(2, int(np.ceil((high - low) / 0.25)) + 1)
            grid = np.linspace(low, high, count)
            capacity = self.specific_heat.at(grid)
            integral = np.concatenate([[0.0], np.cumsum((capacity[1:] + capacity[:-1]) / 2 * np.diff(grid))])
            integral -= np.interp(273.15, grid, integral)
            sensible = np.interp(temperature, grid, integral)
        enthalpy = self.density.typical * sensible
        for latent in self.latent:
            share = np.clip((temperature - latent.start) / (latent.stop - latent.start), 0.0, 1.0)
            enthalpy = enthalpy + self.density.typical * latent.heat.typical * share
        return enthalpy


def constant_material(
    name: str, conductivity: float, density: float, specific_heat: float, family: str = "other", **more
) -> Material:
    """Return a material of constants given in SI (W/(m K), kg/m³, J/(kg K)), for tests and own materials."""
    return Material(
        name=name,
        family=family,
        description=name,
        conductivity=Property(Value.exact(conductivity)),
        density=Value.exact(density),
        specific_heat=Property(Value.exact(specific_heat)),
        **more,
    )
