"""Cables as data: construction, dimensions with tolerances, resistance, limits; each value with range and source."""

from __future__ import annotations

from dataclasses import dataclass

from ampsoak.base.sources import Value

FORMS = ("flat", "single", "round")


@dataclass(frozen=True)
class CoreEntry:
    """One conductor with its own insulation.

    Parameters
    ----------
    name : str                          "line", "earth", "neutral"
    insulated : bool                    False for a bare earth
    conductor_diameter : Value          over the strands [m]
    metal_area : Value                  metal cross-section that stores heat [m²]
    resistance : Value                  at 20 °C [Ω/m]; what heats
    metal : str                         material name
    temperature_coefficient : Value     of resistance at 20 °C [1/K]
    insulation_layers : tuple           ((material name, thickness Value [m]), ...) from the conductor outwards
    loaded : bool                       carries the circuit current
    """

    name: str
    insulated: bool
    conductor_diameter: Value
    metal_area: Value
    resistance: Value
    metal: str
    temperature_coefficient: Value
    insulation_layers: tuple[tuple[str, Value], ...]
    loaded: bool

    @property
    def outer_diameter(self) -> float:
        """Diameter over the insulation at typical values [m]."""
        return self.conductor_diameter.typical + 2 * sum(thickness.typical for _, thickness in self.insulation_layers)


@dataclass(frozen=True)
class CableEntry:
    """A cable as bought.

    A flat cable has its cores in one row, in the order of ``cores``, inside a stadium of ``overall_width`` by
    ``overall_height``; a single has one core and no jacket, and its overall size is its outer diameter.

    Parameters
    ----------
    name, description : str
    form : str                          "flat", "single" or "round"
    cores : tuple of CoreEntry          left to right
    core_spacing : Value or None        centre distance between neighbours [m]; None with one core
    overall_width, overall_height : Value   [m]
    jacket_thickness : Value or None    [m]; None without a jacket
    jacket_material : str               material name, "" without a jacket
    filler_material : str               what lies between cores and jacket, "" without a jacket
    continuous_limit : Value            continuous conductor temperature the insulation is made for [K]
    limits : tuple                      ((name, conductor temperature [K], source), ...)
    adiabatic_k : Value or None         k of the adiabatic equation t = (k S / I)² [A s½/m²]
    source : str                        construction standard and how it is held, in words
    """

    name: str
    description: str
    form: str
    cores: tuple[CoreEntry, ...]
    core_spacing: Value | None
    overall_width: Value
    overall_height: Value
    jacket_thickness: Value | None
    jacket_material: str
    filler_material: str
    continuous_limit: Value
    limits: tuple[tuple[str, float, str], ...]
    adiabatic_k: Value | None
    source: str
