"""The resolved case: what a scenario means, in SI, frozen, with nothing left to look up.

``load_scenario`` turns a TOML file into a :class:`Scenario`; everything above the scenario floor reads only these
types. Temperatures are in kelvin, times in seconds, lengths in metres, currents in amperes r.m.s. The section spans
0..width in x and 0..height in y; y points up on every figure.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np

from ampsoak.library.materials import Material
from ampsoak.scenario.device_case import DeviceChoice, LoadPoint, Reclosing, RelayChoice
from ampsoak.scenario.shapes import Shape

EDGES = ("left", "right", "bottom", "top")


@dataclass(frozen=True)
class TimeTable:
    """A quantity constant in time, or linear between given times and held at both ends.

    Parameters
    ----------
    time : tuple of float     (n,) [s], increasing; one entry means constant
    value : tuple of float    (n,) [unit of the quantity, SI]
    """

    time: tuple[float, ...]
    value: tuple[float, ...]

    @classmethod
    def constant(cls, value: float) -> TimeTable:
        """Return the table of a constant."""
        return cls((0.0,), (float(value),))

    def at(self, time):
        """Value at ``time`` [s]; float or (n,) array."""
        return np.interp(time, self.time, self.value)

    @property
    def is_constant(self) -> bool:
        """True where the value never changes."""
        return len(set(self.value)) == 1


@dataclass(frozen=True)
class CurrentProfile:
    """Current against time in segments that are linear in current; it may jump between segments.

    Parameters
    ----------
    time : tuple of float     (n + 1,) segment borders [s], increasing, first one 0
    start : tuple of float    (n,) current at the beginning of each segment [A]
    stop : tuple of float     (n,) current at the end of each segment [A]
    """

    time: tuple[float, ...]
    start: tuple[float, ...]
    stop: tuple[float, ...]

    @classmethod
    def constant(cls, current: float, duration: float) -> CurrentProfile:
        """Return a profile of one constant segment."""
        return cls((0.0, float(duration)), (float(current),), (float(current),))

    @property
    def duration(self) -> float:
        """End of the last segment [s]."""
        return self.time[-1]

    def at(self, time):
        """Current [A] at ``time`` [s], float or (n,); on a border the segment that begins there; 0 after the end."""
        if np.ndim(time) == 0:
            # histories of thousands of segments are asked at every stage of every step
            if time > self.time[-1]:
                return 0.0
            number = min(max(bisect_right(self.time, time) - 1, 0), len(self.start) - 1)
            share = (time - self.time[number]) / (self.time[number + 1] - self.time[number])
            return self.start[number] + (self.stop[number] - self.start[number]) * min(max(share, 0.0), 1.0)
        time = np.asarray(time, dtype=float)
        border = np.asarray(self.time)
        segment = np.clip(np.searchsorted(border, time, side="right") - 1, 0, len(self.start) - 1)
        start, stop = np.asarray(self.start)[segment], np.asarray(self.stop)[segment]
        fraction = (time - border[segment]) / (border[segment + 1] - border[segment])
        value = start + (stop - start) * np.clip(fraction, 0.0, 1.0)
        return np.where(time > border[-1], 0.0, value)[()]


@dataclass(frozen=True)
class HeatSource:
    """Heat put into a part besides Joule heating.

    Parameters
    ----------
    kind : str             "volume" [W/m³] or "length" [W/m, spread evenly over the part]
    value : TimeTable      strength in time
    """

    kind: str
    value: TimeTable


@dataclass(frozen=True)
class AirZone:
    """Open air in a part: one well-mixed air temperature, films and grey radiation on every surface it touches.

    Parameters
    ----------
    gravity : str                      "down" (towards smaller y), "left" (towards smaller x) or "along" (the section is cut
                                       horizontally)
    height : float                     height of vertical surfaces when gravity is along the cable [m]
    temperature : TimeTable or None    air and radiant temperature when the zone is open to a room [K]; None: it floats
    law : str                          "natural" (correlations by form and size, radiation by emissivity) or "iec_60287"
                                       (cylinders only: h = (Z / D^g + E) dT^(1/4), radiation included)
    law_constants : tuple of float     iec_60287: Z, E, g
    """

    gravity: str = "along"
    height: float = 2.4
    temperature: TimeTable | None = None
    law: str = "natural"
    law_constants: tuple[float, ...] = ()


@dataclass(frozen=True)
class Part:
    """A named region of one material.

    Parameters
    ----------
    name : str                          unique in the scenario, dotted for cables: ``cable.jacket``
    material : Material                 resolved, from the library or the scenario
    role : str                          conductor, insulation, jacket, filler, fill, board, framing, air or other
    start_temperature : float or None   [K]; None follows the scenario's start state
    heat_source : HeatSource or None    heat put into the part
    air : AirZone or None               the part is open air, not a conducting solid
    """

    name: str
    material: Material
    role: str = "other"
    start_temperature: float | None = None
    heat_source: HeatSource | None = None
    air: AirZone | None = None


@dataclass(frozen=True)
class Paint:
    """One stroke of the painting order: everything inside ``shape`` becomes part number ``part``."""

    shape: Shape
    part: int


@dataclass(frozen=True)
class Conductor:
    """A current-carrying (or bare earth) conductor, solved as one isothermal unknown.

    Parameters
    ----------
    name : str                        e.g. ``cable.line``
    part : int                        index into ``Scenario.parts``; the part belongs to this conductor alone
    shape : Shape                     its outline, also present in the painting order
    metal_area : float                metal cross-section that stores heat [m²]
    resistance : float                at 20 °C per metre [Ω/m]; what heats
    temperature_coefficient : float   of resistance at 20 °C [1/K]
    circuit : int                     index into ``Scenario.circuits``; -1 carries no current
    current_factor : float            conductor current over circuit current
    """

    name: str
    part: int
    shape: Shape
    metal_area: float
    resistance: float
    temperature_coefficient: float
    circuit: int = -1
    current_factor: float = 1.0


@dataclass(frozen=True)
class Contact:
    """Resistance to heat on the faces that two parts share.

    Parameters
    ----------
    first, second : int     indices into ``Scenario.parts``
    resistance : float      [m² K/W]
    """

    first: int
    second: int
    resistance: float


@dataclass(frozen=True)
class Circuit:
    """A current history shared by conductors."""

    name: str
    profile: CurrentProfile


@dataclass(frozen=True)
class Boundary:
    """What happens on one span of one edge; spans not named are adiabatic.

    Parameters
    ----------
    edge : str                         left, right, bottom or top
    start, stop : float                span along the edge [m]
    kind : str                         "adiabatic", "fixed", "flux" or "film"
    temperature : TimeTable or None    fixed: surface temperature [K]; film: air temperature [K]
    flux : TimeTable or None           flux: heat into the section [W/m²]
    coefficient : TimeTable or None    film: convection coefficient [W/(m² K)]; None when a correlation is named
    correlation : str or None          film: key of ``heat.laws.CORRELATIONS``
    correlation_parameters : tuple     film: (("height", 2.4), ...) in SI, what the correlation needs
    emissivity : float                 film: grey radiation to ``surroundings``; 0 for none
    surroundings : TimeTable or None   film: radiant temperature [K]; None means the air temperature
    resistance : TimeTable or None     film or fixed: extra surface resistance [m² K/W] between section and film
    """

    edge: str
    start: float
    stop: float
    kind: str
    temperature: TimeTable | None = None
    flux: TimeTable | None = None
    coefficient: TimeTable | None = None
    correlation: str | None = None
    correlation_parameters: tuple[tuple[str, float], ...] = ()
    emissivity: float = 0.0
    surroundings: TimeTable | None = None
    resistance: TimeTable | None = None


@dataclass(frozen=True)
class Limit:
    """A temperature that must not be passed.

    Parameters
    ----------
    name : str              label for figures and tables
    temperature : float     [K]
    parts : tuple of int    indices into ``Scenario.parts``; reached when any of them passes it anywhere
    source : str            where the limit comes from
    damage : bool           past it the material is no longer what the model assumes
    """

    name: str
    temperature: float
    parts: tuple[int, ...]
    source: str = "given by the user"
    damage: bool = False


@dataclass(frozen=True)
class Probe:
    """Something to record.

    Parameters
    ----------
    name : str
    kind : str        "point", "mean", "maximum" (over a part) or "edge_heat_flow" (out of the section) [W/m]
    x, y : float      point position [m]
    part : int        mean, maximum: index into ``Scenario.parts``
    edge : str        edge_heat_flow
    """

    name: str
    kind: str
    x: float = 0.0
    y: float = 0.0
    part: int = -1
    edge: str = ""


@dataclass(frozen=True)
class Start:
    """State before the profile begins.

    Parameters
    ----------
    kind : str                       "cold" (uniform, parts may differ) or "soaked" (steady at ``currents``)
    temperature : float              cold: start temperature [K]; soaked: first guess [K]
    currents : tuple of float        soaked: current of each circuit [A]
    """

    kind: str
    temperature: float
    currents: tuple[float, ...] = ()


CHEMICAL_HEAT = (
    "rough model of chemical heat: one-step kinetics of other samples, no oxygen, no gas; not a statement on ignition"
)


@dataclass(frozen=True)
class RunSettings:
    """How the history is stepped and what is kept.

    Parameters
    ----------
    duration : float                     [s]
    tolerance : float                    allowed time-stepping error of a temperature [K]
    snapshot_times : tuple of float      times at which the whole temperature field is kept [s]
    reactions : bool                     whether the reactions of materials give off their heat: a rough model
    """

    duration: float
    tolerance: float = 0.1
    snapshot_times: tuple[float, ...] = ()
    reactions: bool = False


@dataclass(frozen=True)
class CurveSettings:
    """The limit curve: constant currents of one circuit from the stated start state.

    Parameters
    ----------
    circuit : int                    index into ``Scenario.circuits``
    lowest, highest : float          range of circuit current [A]; highest is the prospective fault current
    count : int                      number of currents on a logarithmic grid before refinement at the knee
    horizon : float                  longest time computed [s]
    tolerance : float                allowed time-stepping error [K]
    start : Start                    start state of the curve
    """

    circuit: int
    lowest: float
    highest: float
    count: int
    horizon: float
    tolerance: float
    start: Start


@dataclass(frozen=True)
class MeshSettings:
    """Mesh controls; zeros choose the automatic value.

    Parameters
    ----------
    finest : float      largest cell side in and round the cables [m]; 0 for automatic
    growth : float      growth of neighbouring cells away from them; 0 for automatic
    coarsest : float    largest cell side anywhere [m]; 0 for automatic
    """

    finest: float = 0.0
    growth: float = 0.0
    coarsest: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """A fully resolved case.

    Parameters
    ----------
    title, description : str
    width, height : float            section size [m]
    depth_note : str                 what the section represents, for captions
    parts : tuple of Part            part 0 is the background that fills the whole section
    paints : tuple of Paint          painting order, first painted first; part 0 needs none
    conductors : tuple of Conductor
    circuits : tuple of Circuit
    boundaries : tuple of Boundary
    contacts : tuple of Contact
    limits : tuple of Limit
    probes : tuple of Probe
    devices : tuple of DeviceChoice or RelayChoice    of one circuit in series, upstream first
    start : Start
    run : RunSettings
    curve : CurveSettings or None
    mesh : MeshSettings
    adiabatic_k : float or None      k of the adiabatic line [A s½/m²] for the first circuit's smallest conductor
    adiabatic_limit : str            words: from which to which temperature ``adiabatic_k`` leads, "70 °C to 160 °C"
    fault_current : float or None    prospective fault current [A]
    load_points : tuple of LoadPoint     what loads draw in ordinary service, which must not open a device
    reclosing : Reclosing or None    how opened devices are closed again
    assumptions : tuple of str       every value that was not given but taken as a default, in words
    source_file : str                scenario file name as given, without folders
    source_text : str                the file's text
    inputs : tuple of (str, str)     name and text of every other file the scenario was read from, for its hash
    resolved : dict                  JSON-ready resolved values with units and sources, for the run file and reports
    """

    title: str
    description: str
    width: float
    height: float
    depth_note: str
    parts: tuple[Part, ...]
    paints: tuple[Paint, ...]
    conductors: tuple[Conductor, ...]
    circuits: tuple[Circuit, ...]
    boundaries: tuple[Boundary, ...]
    limits: tuple[Limit, ...]
    probes: tuple[Probe, ...]
    devices: tuple[DeviceChoice | RelayChoice, ...]
    start: Start
    run: RunSettings
    curve: CurveSettings | None = None
    contacts: tuple[Contact, ...] = ()
    mesh: MeshSettings = MeshSettings()
    adiabatic_k: float | None = None
    adiabatic_limit: str = ""
    fault_current: float | None = None
    load_points: tuple[LoadPoint, ...] = ()
    reclosing: Reclosing | None = None
    assumptions: tuple[str, ...] = ()
    source_file: str = ""
    source_text: str = ""
    inputs: tuple[tuple[str, str], ...] = ()
    resolved: dict = field(default_factory=dict)

    def part_index(self, name: str) -> int:
        """Index of the part called ``name``; KeyError when there is none."""
        for index, part in enumerate(self.parts):
            if part.name == name:
                return index
        raise KeyError(name)
