"""Devices in the loop: on a current history each edge opens, the current stops, and heat flows on.

A device's state depends on its current and its own air, never on the cable. So what the device does is found first
(:mod:`ampsoak.coverage.operating`), the cable is stepped once with no device, and from each opening a short history goes on
with the current that is left until every part has peaked.
"""

from __future__ import annotations

import time as clock
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.coverage.device_images import device_image, edges_with_a_model
from ampsoak.coverage.operating import Operating, level_history, operate
from ampsoak.coverage.protected import EdgeOutcome, ProtectedRun, Reached, record_of
from ampsoak.coverage.relays import Relay
from ampsoak.coverage.tripping import EDGES, DeviceImage, DeviceState
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel
from ampsoak.heat.reactions import asked_reactions
from ampsoak.heat.stepping import FactorShelf, Member, Step, Stepper
from ampsoak.heat.watch import LimitWatch, PartReader
from ampsoak.runfile.partfile import check_target
from ampsoak.runfile.write import write_protected
from ampsoak.scenario.case import CurrentProfile, Scenario
from ampsoak.scenario.device_case import DeviceChoice, Reclosing, RelayChoice
from ampsoak.study.model import (
    initial_state,
    limit_records,
    model_of,
    provenance_of,
    record_of_section,
    resolved_of,
    rough_notes,
)
from ampsoak.study.run import COPPER_MELTS

SETTLING = 86400.0  # [s] longest time followed after the history's end for parts to peak

_INNER = (1.0 / 3.0, 2.0 / 3.0)  # shares of a step at which a peak is looked for besides its ends
_FALLEN = 2.0  # times the tolerance: so far below its peak a part is falling
_LEVEL = 4.0  # times the tolerance: a part so near the hottest one cannot be warmed further by it


def protected_run(
    scenario: Scenario,
    devices: Sequence[DeviceChoice | RelayChoice | Relay] | None = None,
    edges: Sequence[str] = EDGES,
    reclose: Reclosing | None = None,
    *,
    circuit: str | None = None,
    ambients: dict[str, float] | None = None,
    settling: float = SETTLING,
    path=None,
    force: bool = False,
    progress: Callable[[str, float, float], None] | None = None,
) -> ProtectedRun:
    """Follow the scenario's current history with devices in the loop, once for each edge, and once without.

    Parameters
    ----------
    scenario : Scenario
    devices : sequence or None      in series, upstream first; None takes those of the scenario that stand in the circuit
    edges : sequence of str         of "fast", "nominal", "slow"
    reclose : Reclosing or None     closing again; None leaves open what opened
    circuit : str or None           the circuit they stand in; None takes the one they name, else the curve's, else the first
    ambients : dict or None         air at a device by its name [K]; None is what the device names, else the reference of its data
    settling : float                longest time followed after the history for parts to peak [s]
    path : str, Path or None        file to write the courses to; None writes none
    force : bool                    replace an existing file
    progress : callable or None     called with (what is stepped, time [s], end [s])

    Returns
    -------
    ProtectedRun

    Raises
    ------
    UsageError        no device, an unknown circuit, edge or device name, devices of several circuits with none chosen, or a
                      device without a model for any edge
    ScenarioError     faults of a device
    NumericalError    as ``simulate``
    FileError         the file exists, or cannot be written

    Notes
    -----
    Where the scenario starts soaked, each device starts from the steady state at that current, otherwise cold. Devices of
    other circuits are not followed: those carry the whole history.
    """
    if path is not None:
        check_target(path, force)
    began = clock.perf_counter()
    number = circuit_of_devices(scenario, scenario.devices if devices is None else devices, circuit)
    name = scenario.circuits[number].name
    if devices is None:
        devices = tuple(device for device in scenario.devices if device.circuit in ("", name))
    if not devices:
        raise UsageError("the scenario names no device, so nothing opens; add one or pass it")
    _check_names(edges, EDGES, "edge")
    _check_names(ambients or {}, [device.name for device in devices], "device")
    followed = {edge: _operate(scenario, devices, edge, number, reclose, ambients or {}) for edge in edges}
    followed = {edge: found for edge, found in followed.items() if found is not None}
    if not followed:
        raise UsageError(f"none of the devices has a model for {' or '.join(edges)}")
    bench = _Bench(scenario, settling, progress)
    openings = {loop.operating.opens.time for loop in followed.values() if loop.operating.opens}
    base, states = bench.base(sorted(openings))
    missing = [edge for edge in edges if edge not in followed]
    found = ProtectedRun(
        title=scenario.title,
        circuit=name,
        devices=tuple(device.name for device in devices),
        part_names=tuple(part.name for part in scenario.parts),
        conductors=tuple(conductor.part for conductor in scenario.conductors),
        limits=tuple(limit_records(scenario.limits, scenario)),
        without=base,
        edges=tuple(_outcome(bench, number, edge, loop, base, states) for edge, loop in followed.items()),
        notes=(
            *(f"no device has a model for its {edge} edge, so that edge was not followed" for edge in missing),
            *rough_notes(scenario),
        ),
        duration=scenario.run.duration,
        profile=scenario.circuits[number].profile,
        reclosing=reclose,
    )
    found = replace(found, edges=tuple(_with_levels(found, edge, followed[edge.edge]) for edge in found.edges))
    if path is None:
        return found
    statistics = {"cells": bench.model.cells, "unknowns": bench.model.unknowns, "steps": bench.steps,
                  "tolerance_kelvin": scenario.run.tolerance, "wall_seconds": clock.perf_counter() - began}  # fmt: skip
    record = record_of(
        found, section=record_of_section(bench.model.section), statistics=statistics, scenario_text=scenario.source_text,
        scenario_file=scenario.source_file, resolved=resolved_of(scenario), assumptions=list(scenario.assumptions),
        provenance=provenance_of(scenario),
    )  # fmt: skip
    return replace(found, canonical_hash=write_protected(path, record, force))


def circuit_of_devices(scenario: Scenario, devices, circuit: str | None = None) -> int:
    """Number of the circuit that ``devices`` stand in.

    Parameters
    ----------
    scenario : Scenario
    devices : sequence         what names no circuit stands in any
    circuit : str or None      the one asked for

    Raises
    ------
    UsageError    it does not exist, or the devices name several and none is asked for
    """
    names = [entry.name for entry in scenario.circuits]
    if circuit is not None:
        _check_names([circuit], names, "circuit")
        return names.index(circuit)
    named = sorted({device.circuit for device in devices if getattr(device, "circuit", "")})
    if len(named) > 1:
        listed = ", ".join(f'"{name}"' for name in named)
        raise UsageError(f"the devices stand in circuits {listed}; choose one, each is followed on its own")
    silent = [device.name for device in devices if getattr(device, "circuit", None) == ""]
    if len(names) > 1 and silent:
        listed = ", ".join(f'"{name}"' for name in names)
        raise UsageError(f'nothing says in which circuit "{silent[0]}" stands; there are {listed}; give each device its circuit')
    if named:
        _check_names(named, names, "circuit")
        return names.index(named[0])
    return scenario.curve.circuit if scenario.curve else 0


def _check_names(given, known, what: str) -> None:
    for name in given:
        if name not in known:
            nearest = nearest_name(name, known)
            hint = f'; did you mean "{nearest}"?' if nearest else ""
            raise UsageError(f'there is no {what} "{name}"; there are {", ".join(known)}{hint}')


@dataclass(frozen=True)
class _Loop:
    """What the devices do by one edge, and what that rests on."""

    operating: Operating
    images: tuple[DeviceImage, ...]
    starts: tuple[DeviceState, ...]
    notes: tuple[str, ...]


def _operate(scenario, devices, edge: str, number: int, reclose, ambients) -> _Loop | None:
    images: list[DeviceImage] = []
    notes: list[str] = []
    for device in devices:
        if edge in edges_with_a_model(device):
            images.append(device_image(device, edge, ambients.get(device.name)))
            notes += [f'"{device.name}": {note}' for note in images[-1].notes]
        else:
            notes.append(f'"{device.name}" has no {edge} edge to follow and was left out as if it never opened')
    if not images:
        return None
    soaked = scenario.start.currents[number] if scenario.start.kind == "soaked" else 0.0
    starts = tuple(image.soaked(soaked) for image in images)
    profile = scenario.circuits[number].profile
    return _Loop(operate(profile, images, starts, reclose, scenario.run.duration), tuple(images), starts, tuple(notes))


def _with_levels(found: ProtectedRun, edge: EdgeOutcome, loop: _Loop) -> EdgeOutcome:
    names = tuple((image.device, name) for image in loop.images for name, _ in image.elements)
    time, _ = found.course(edge)
    return replace(edge, element_names=names, level=level_history(edge.operating, loop.images, loop.starts, time))


class _Course:
    """Peaks, limits and the history of part temperatures along one course."""

    def __init__(self, model: HeatModel, scenario: Scenario, begin: float, temperature, start):
        self.reader, self.watch = PartReader(model), LimitWatch(model, scenario.limits)
        self.tolerance = scenario.run.tolerance
        maximum = self.reader.maximum(temperature)
        self.first = self.reader.maximum(start)
        self.peak, self.peak_time = maximum.copy(), np.full(len(maximum), begin)
        self.limit_time = np.full(len(scenario.limits), np.inf)
        self.ceiling_time = np.inf
        for index, _, _, _ in self.watch.begin(temperature):
            self.limit_time[index] = begin
        self.times, self.maxima = [begin], [maximum]

    def follow(self, step: Step) -> bool:
        """Take up one accepted step; False when a part has passed the melting point of copper and following ends."""
        for index, when, _, upwards in self.watch.crossings(step):
            if upwards and np.isinf(self.limit_time[index]):
                self.limit_time[index] = when
        for share in (*_INNER, 1.0):
            time = step.begin + share * (step.end - step.begin)
            maximum = self.reader.maximum(step.at(time) if share < 1.0 else step.after)
            higher = maximum > self.peak
            self.peak[higher], self.peak_time[higher] = maximum[higher], time
        self.times.append(step.end)
        self.maxima.append(maximum)
        if np.nanmax(maximum) > COPPER_MELTS:
            self.ceiling_time = step.end
        return not np.isfinite(self.ceiling_time)

    def rising(self, loaded: bool) -> np.ndarray:
        """Parts whose peak may still come, (n_parts,): not yet falling, and something hotter is left or heats them."""
        now = self.maxima[-1]
        standing = self.peak - now < _FALLEN * self.tolerance
        warmed_by = (
            now - self.first > _LEVEL * self.tolerance if loaded else np.nanmax(now) - now > _LEVEL * self.tolerance
        )
        return standing & warmed_by

    def joined(self, base: Reached | None, begin: float, loaded: bool) -> Reached:
        """The whole course: what ``base`` reached up to ``begin`` [s], then this; ``loaded`` where current still flows."""
        peak, peak_time, limit_time = self.peak.copy(), self.peak_time.copy(), self.limit_time.copy()
        if base is not None:
            kept = base.time <= begin * (1.0 + 1e-12)
            earlier = base.part_maximum[kept]
            at = np.nanargmax(np.where(np.isnan(earlier), -np.inf, earlier), axis=0)
            highest = earlier[at, np.arange(earlier.shape[1])]
            higher = highest > peak
            peak[higher], peak_time[higher] = highest[higher], base.time[kept][at][higher]
            passed = base.limit_time <= begin
            limit_time[passed] = base.limit_time[passed]
        return Reached(
            end=self.times[-1],
            peak=peak,
            peak_time=peak_time,
            final=self.maxima[-1],
            still_rising=self.rising(loaded) & (peak == self.peak),
            limit_time=limit_time,
            ceiling_time=self.ceiling_time,
            time=np.array(self.times),
            part_maximum=np.array(self.maxima),
        )


class _Bench:
    """One model and everything the courses share."""

    def __init__(self, scenario: Scenario, settling: float, progress):
        self.scenario, self.settling, self.progress = scenario, settling, progress
        self.model = model_of(scenario)
        self.boundaries = BoundaryTables(scenario.boundaries)
        self.shelf = FactorShelf()
        self.reactions = asked_reactions(self.model)
        self.start = initial_state(self.model, scenario.start, self.boundaries)
        self.steps = 0

    def _stepper(self, profiles, state, begin: float) -> Stepper:
        """From ``state`` on: temperatures, and what is left of the reactants (None: all)."""
        temperature, remaining = state
        member, tolerance = Member(profiles, temperature), self.scenario.run.tolerance
        stepper = Stepper(self.model, member, tolerance, self.boundaries, self.shelf, self.reactions, remaining)
        stepper.time = begin
        return stepper

    def _tell(self, what: str, time: float, end: float) -> None:
        self.steps += 1
        if self.progress is not None:
            self.progress(what, time, end)

    def base(self, moments: Sequence[float]) -> tuple[Reached, dict[float, tuple]]:
        """The course with no device, and the states at ``moments`` [s]."""
        duration = self.scenario.run.duration
        profiles = tuple(circuit.profile for circuit in self.scenario.circuits)
        stepper = self._stepper(profiles, (self.start, None), 0.0)
        course = _Course(self.model, self.scenario, 0.0, stepper.temperature, self.start)
        states, wanted = {}, list(moments)
        while wanted and wanted[0] <= 0.0:
            states[wanted.pop(0)] = (stepper.temperature.copy(), stepper.remaining)
        for stop in (*wanted, duration):
            for step in stepper.steps(stop):
                self._tell("no device", step.end, duration)
                if not course.follow(step):
                    return course.joined(None, 0.0, loaded=True), states
            states[stop] = (stepper.temperature.copy(), stepper.remaining)
        loaded = any(_last_current(profile) > duration for profile in profiles)
        if not loaded:
            self._settle(stepper, course, "no device")
        return course.joined(None, 0.0, loaded), states

    def tail(self, number: int, profile: CurrentProfile, begin: float, state, what: str) -> _Course:
        """The course from ``begin`` [s] on with another profile of circuit ``number``, until the parts have peaked."""
        duration = self.scenario.run.duration
        profiles = tuple(
            profile if index == number else circuit.profile for index, circuit in enumerate(self.scenario.circuits)
        )
        stepper = self._stepper(profiles, state, begin)
        course = _Course(self.model, self.scenario, begin, stepper.temperature, self.start)
        idle = max([begin, *(_last_current(entry) for entry in profiles)])  # from here on nothing heats
        for step in stepper.steps(duration):
            self._tell(what, step.end, duration)
            if not course.follow(step) or (step.end > idle and not course.rising(loaded=False).any()):
                return course
        self._settle(stepper, course, what)
        return course

    def loaded_after(self, number: int) -> bool:
        """True where another circuit carries current past the end of the history."""
        others = [circuit.profile for index, circuit in enumerate(self.scenario.circuits) if index != number]
        return any(_last_current(entry) > self.scenario.run.duration for entry in others)

    def _settle(self, stepper: Stepper, course: _Course, what: str) -> None:
        end = stepper.time + self.settling
        if self.settling > 0.0 and course.rising(loaded=False).any():
            for step in stepper.steps(end):
                self._tell(what, step.end, end)
                if not course.follow(step) or not course.rising(loaded=False).any():
                    break


def _last_current(profile: CurrentProfile) -> float:
    """End of the last segment that carries current [s]; 0 where none does."""
    ends = zip(profile.time[1:], profile.start, profile.stop, strict=True)
    return max((end for end, start, stop in ends if start > 0.0 or stop > 0.0), default=0.0)


def _outcome(bench: _Bench, number: int, edge: str, loop: _Loop, base: Reached, states) -> EdgeOutcome:
    operating, notes = loop.operating, loop.notes
    nothing = np.full(len(bench.scenario.parts), np.nan)
    if np.isfinite(operating.unknown_from):
        return EdgeOutcome(edge, operating, nothing, None, notes)
    if operating.opens is None:
        return EdgeOutcome(edge, operating, nothing, base, notes)
    begin = operating.opens.time
    if begin not in states:  # a part passed the ceiling before
        return EdgeOutcome(edge, operating, nothing, base, notes)
    course = bench.tail(number, operating.profile, begin, states[begin], f"{edge} edge")
    return EdgeOutcome(edge, operating, course.maxima[0], course.joined(base, begin, bench.loaded_after(number)), notes)
