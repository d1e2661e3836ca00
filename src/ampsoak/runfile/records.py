"""What a run and a limit curve are once computed: plain arrays with names and units.

These are the types that figures, coverage and reports read, whether they come from memory or from a file. Temperatures
are in kelvin, times in seconds, currents in amperes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

OUTCOMES = ("reached", "never", "beyond_horizon", "at_start")


@dataclass(frozen=True)
class Event:
    """Something that happened at one time.

    Parameters
    ----------
    time : float     [s]
    kind : str       "limit_reached", "limit_left", "current_change", "outside_table", "outside_reaction", "runaway"
    name : str       limit or material name, or part and reaction
    part : str       part in which it happened, "" if none
    value : float    temperature [K] or current [A]
    """

    time: float
    kind: str
    name: str
    part: str
    value: float


@dataclass
class SectionRecord:
    """The mesh and outlines a run was computed on, as a figure needs them.

    Parameters
    ----------
    x_edges, y_edges : (nx + 1,), (ny + 1,) float64     cell borders [m]
    part_index : (ny, nx) int16                         part that fills most of each cell
    part_names, part_roles, part_materials : list of str
    outlines : list of (str, (n, 2) float64)            part name and closed outline [m], in painting order
    part_area_exact, part_area_mesh : (n_parts,)        [m²]
    """

    x_edges: np.ndarray
    y_edges: np.ndarray
    part_index: np.ndarray
    part_names: list[str]
    part_roles: list[str]
    part_materials: list[str]
    outlines: list[tuple[str, np.ndarray]]
    part_area_exact: np.ndarray
    part_area_mesh: np.ndarray


@dataclass
class Run:
    """A stepped current history.

    Parameters
    ----------
    title : str
    section : SectionRecord
    time : (n_time,) float64                              accepted steps [s]
    circuit_names : list of str
    circuit_current : (n_time, n_circuits) float64        [A]
    conductor_names : list of str
    conductor_temperature : (n_time, n_conductors)        float64 [K]
    conductor_heat : (n_time, n_conductors)               float64 Joule heat [W/m]
    part_maximum, part_mean : (n_time, n_parts)           float64 [K]
    probe_names, probe_units : list of str                units "K" or "W m-1"
    probe_value : (n_time, n_probes)                      float64
    snapshot_time : (n_snap,) float64                     [s]
    snapshot_temperature : (n_snap, ny, nx) float32       [K]; cells inside a conductor carry its temperature
    reactant_names : list of str                          "part: reaction"; empty unless reactions were on (a rough model)
    snapshot_remaining : (n_snap, n_reactants) float64    mean share left of the reactant in the part, 0 to 1
    events : list of Event
    limits : list of dict                                 name, temperature [K], parts, source, damage
    energy_generated, energy_stored, energy_lost : (n_time,) float64    since the start [J/m]
    energy_residual : (n_time,) float64                   stored + lost - generated over the largest of them
    statistics : dict                                     cells, steps, rejected, wall seconds (volatile), ...
    scenario_text, scenario_file : str
    resolved : dict                                       resolved values with sources
    assumptions : list of str
    provenance : dict                                     versions, commit, platform, date (volatile)
    format_version : str
    complete : bool                                       False where the run was interrupted and read from its ``.part``
    canonical_hash : str                                  SHA-256 of the content (``runfile.provenance``); "" if unsaved
    """

    title: str
    section: SectionRecord
    time: np.ndarray
    circuit_names: list[str]
    circuit_current: np.ndarray
    conductor_names: list[str]
    conductor_temperature: np.ndarray
    conductor_heat: np.ndarray
    part_maximum: np.ndarray
    part_mean: np.ndarray
    probe_names: list[str]
    probe_units: list[str]
    probe_value: np.ndarray
    snapshot_time: np.ndarray
    snapshot_temperature: np.ndarray
    events: list[Event]
    limits: list[dict]
    energy_generated: np.ndarray
    energy_stored: np.ndarray
    energy_lost: np.ndarray
    energy_residual: np.ndarray
    reactant_names: list[str] = field(default_factory=list)
    snapshot_remaining: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    statistics: dict = field(default_factory=dict)
    scenario_text: str = ""
    scenario_file: str = ""
    resolved: dict = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    provenance: dict = field(default_factory=dict)
    format_version: str = "1.0"
    complete: bool = True
    canonical_hash: str = ""

    @property
    def run_id(self) -> str:
        """First ten digits of the canonical hash, "" while there is none; what figures and tables carry."""
        return self.canonical_hash[:10]


@dataclass
class Curve:
    """Time to each limit at constant currents of one circuit.

    Parameters
    ----------
    title : str
    circuit : str
    current : (n,) float64                                circuit current [A], increasing
    limits : list of dict                                 name, temperature [K], parts, source, damage
    time_to_limit : (n_limits, n) float64                 [s]; inf unless the outcome is reached or at_start
    outcome : (n_limits, n) int8                          index into ``OUTCOMES``
    steady : (n,) bool                                    True where a steady state was found; False: none, or hotter
                                                          than the ceiling up to which the curve is followed, or not
                                                          used, since reactions are on
    steady_temperature : (n_conductors, n) float64        [K]; nan where ``steady`` is False
    history_time : (n_history,) float64                   [s], logarithmic, common to all currents, first entry 0
    conductor_names : list of str
    conductor_temperature : (n_conductors, n, n_history)  float64 [K]; nan after a member was stopped
    part_names : list of str
    part_maximum : (n_parts, n, n_history) float64        [K]
    start_description : str                               e.g. "cold at 25 °C", "soaked at 16 A"
    start_temperature : (n_conductors,) float64           [K]
    adiabatic_k : float                                   [A s½/m²]; nan if none
    adiabatic_area : float                                [m²]; nan if none
    adiabatic_limit : str                                 words: from which to which temperature
    fault_current : float                                 [A]; nan if none
    horizon : float                                       [s]
    section : SectionRecord
    statistics, scenario_text, scenario_file, resolved, assumptions, provenance, format_version, complete,
    canonical_hash : as in ``Run``
    """

    title: str
    circuit: str
    current: np.ndarray
    limits: list[dict]
    time_to_limit: np.ndarray
    outcome: np.ndarray
    steady: np.ndarray
    steady_temperature: np.ndarray
    history_time: np.ndarray
    conductor_names: list[str]
    conductor_temperature: np.ndarray
    part_names: list[str]
    part_maximum: np.ndarray
    start_description: str
    start_temperature: np.ndarray
    adiabatic_k: float
    adiabatic_area: float
    adiabatic_limit: str
    fault_current: float
    horizon: float
    section: SectionRecord
    statistics: dict = field(default_factory=dict)
    scenario_text: str = ""
    scenario_file: str = ""
    resolved: dict = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    provenance: dict = field(default_factory=dict)
    format_version: str = "1.0"
    complete: bool = True
    canonical_hash: str = ""

    @property
    def run_id(self) -> str:
        """First ten digits of the canonical hash, "" while there is none; what figures and tables carry."""
        return self.canonical_hash[:10]

    @property
    def reacting(self) -> bool:
        """True where reactions were on: then nothing rests on steady states, which leave their heat out."""
        return "chemical_heat" in self.resolved


@dataclass
class Protected:
    """A current history followed with devices in the loop: one course with no device, then one for each edge.

    Parameters
    ----------
    title, circuit : str                                  circuit in which the devices stand
    duration : float                                      end of the current history [s]
    device_names : list of str                            in series, upstream first
    section : SectionRecord
    conductor_names : list of str                         parts that are conductors
    limits : list of dict                                 name, temperature [K], parts, source
    course_names : list of str                            "none" (no device), then the edges followed
    course_followed : (n_courses,) bool                   it opens and has a course of its own from there on
    course_end, ceiling_time, unknown_from : (n_courses,) float64    [s]: end of what was followed; when a part passed the
                                                          melting point of copper (inf: none did); from when on nothing
                                                          can be said of the devices (inf: never)
    at_opening, peak_temperature, peak_time, final_temperature : (n_courses, n_parts) float64    [K], [s]; nan where
                                                          unknown or never opened
    still_rising : (n_courses, n_parts) bool              not seen to fall: its peak may be higher
    limit_time : (n_courses, n_limits) float64            when first passed [s]; inf if it was not
    row_course : (n_rows,) int                            course of each row of the histories
    row_time, row_current : (n_rows,) float64             [s], current of the circuit just after it [A]
    part_maximum : (n_rows, n_parts) float64              [K]
    element_devices, element_names : list of str          device of each element, "device: element"
    element_level : (n_rows, n_elements) float64          level of each device element; it opens at 1; nan with no device
    corner_course, corner_time, corner_current : (n_corners,)    ends of the straight pieces of the current that is left
    operation_course, operation_time, operation_current : (n_operations,)    openings and closings [s], [A]
    operation_words : list of (kind, device, element)     "opens" or "closes", and what did
    course_detail : list of dict                          reason, notes, elements, states and levels at the end
    notes : list of str
    reclosing : dict or None
    statistics, scenario_text, scenario_file, resolved, assumptions, provenance, format_version, complete,
    canonical_hash : as in ``Run``
    """

    title: str
    circuit: str
    duration: float
    device_names: list[str]
    section: SectionRecord
    conductor_names: list[str]
    limits: list[dict]
    course_names: list[str]
    course_followed: np.ndarray
    course_end: np.ndarray
    ceiling_time: np.ndarray
    unknown_from: np.ndarray
    at_opening: np.ndarray
    peak_temperature: np.ndarray
    peak_time: np.ndarray
    final_temperature: np.ndarray
    still_rising: np.ndarray
    limit_time: np.ndarray
    row_course: np.ndarray
    row_time: np.ndarray
    row_current: np.ndarray
    part_maximum: np.ndarray
    element_devices: list[str]
    element_names: list[str]
    element_level: np.ndarray
    corner_course: np.ndarray
    corner_time: np.ndarray
    corner_current: np.ndarray
    operation_course: np.ndarray
    operation_time: np.ndarray
    operation_current: np.ndarray
    operation_words: list[tuple[str, str, str]]
    course_detail: list[dict]
    notes: list[str] = field(default_factory=list)
    reclosing: dict | None = None
    statistics: dict = field(default_factory=dict)
    scenario_text: str = ""
    scenario_file: str = ""
    resolved: dict = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    provenance: dict = field(default_factory=dict)
    format_version: str = "1.0"
    complete: bool = True
    canonical_hash: str = ""

    @property
    def run_id(self) -> str:
        """First ten digits of the canonical hash, "" while there is none; what figures and tables carry."""
        return self.canonical_hash[:10]


def _hash(record) -> str:
    found = record.__dict__["canonical_hash"]
    if callable(found):  # of a record that is in no file: computed when first asked for
        found = record.__dict__["canonical_hash"] = found(record)
    return found


def _set_hash(record, value) -> None:
    record.__dict__["canonical_hash"] = value


for _record in (Run, Curve, Protected):
    _record.canonical_hash = property(_hash, _set_hash, doc="SHA-256 of the content (``runfile.provenance``); \"\" if unsaved")
