"""Devices in the loop: on a current history each edge opens, the current stops, and heat flows on.

A device's state depends on its current and its own air, never on the cable. So what the device does is found first
(:mod:`ampsoak.coverage.operating`), the cable is stepped once with no device, and from each opening a short history goes on
with the current that is left until every part has peaked.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields

import numpy as np

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.coverage.device_images import device_image, edges_with_a_model
from ampsoak.coverage.operating import Operating, Reclosing, operate
from ampsoak.coverage.plain import plain
from ampsoak.coverage.relays import Relay
from ampsoak.coverage.tripping import EDGES, DeviceImage
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel
from ampsoak.heat.stepping import FactorShelf, Member, Step, Stepper
from ampsoak.heat.watch import LimitWatch, PartReader
from ampsoak.scenario.case import CurrentProfile, DeviceChoice, Scenario
from ampsoak.study.model import initial_state, model_of
from ampsoak.study.protection_words import run_words
from ampsoak.study.run import COPPER_MELTS

SETTLING = 86400.0  # [s] longest time followed after the history's end for parts to peak

_INNER = (1.0 / 3.0, 2.0 / 3.0)  # shares of a step at which a peak is looked for besides its ends
_FALLEN = 2.0  # times the tolerance: so far below its peak a part is falling
_LEVEL = 4.0  # times the tolerance: a part so near the hottest one cannot be warmed further by it


@dataclass(frozen=True)
class Reached:
    """What the parts reached on one course of the current.

    Parameters
    ----------
    end : float                                      end of what was followed [s]
    peak, peak_time : (n_parts,) float64             highest temperature [K] of each part and when [s]
    final : (n_parts,) float64                       temperature at the end [K]
    still_rising : (n_parts,) bool                   not yet seen to fall: its peak may be higher
    limit_time : (n_limits,) float64                 when each limit was first passed [s]; inf if it was not
    ceiling_time : float                             when a part passed the melting point of copper and following ended [s]; inf if none
    time : (n,) float64                              [s], steps from the opening (or from 0 s) on
    part_maximum : (n, n_parts) float64              [K] at those times
    """

    end: float
    peak: np.ndarray
    peak_time: np.ndarray
    final: np.ndarray
    still_rising: np.ndarray
    limit_time: np.ndarray
    ceiling_time: float
    time: np.ndarray
    part_maximum: np.ndarray


@dataclass(frozen=True)
class EdgeOutcome:
    """What one edge of the devices does, and what the parts reach with it.

    Parameters
    ----------
    edge : str
    operating : Operating                    openings and closings, current left, device states
    at_opening : (n_parts,) float64          hottest place of each part when first opened [K]; nan if never opened, or
                                             only after a part had passed the melting point of copper
    reached : Reached or None                None where what the device does is unknown
    notes : tuple of str                     what the models rest on, and devices left out
    """

    edge: str
    operating: Operating
    at_opening: np.ndarray
    reached: Reached | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ProtectedRun:
    """A current history with devices in the loop.

    Parameters
    ----------
    title, circuit : str
    devices : tuple of str               names, in series
    part_names : tuple of str
    conductors : tuple of int            indices of conductors among the parts
    limits : tuple of dict               name, temperature [K], source
    without : Reached                    with no device
    edges : tuple of EdgeOutcome         in the order asked for
    notes : tuple of str
    """

    title: str
    circuit: str
    devices: tuple[str, ...]
    part_names: tuple[str, ...]
    conductors: tuple[int, ...]
    limits: tuple[dict, ...]
    without: Reached
    edges: tuple[EdgeOutcome, ...]
    notes: tuple[str, ...]

    def to_dict(self) -> dict:
        """Everything but the histories, ready for strict JSON; the text stands under "text"."""
        result = {field.name: plain(getattr(self, field.name)) for field in fields(self)}
        for entry in [result["without"], *(edge["reached"] for edge in result["edges"])]:
            if entry is not None:
                del entry["time"], entry["part_maximum"]
        return result | {"text": self.text}

    def table(self) -> list[dict]:
        """One row per edge and part, numbers in SI; the course with no device stands under edge "none"."""
        rows = []
        for name, at_opening, reached in [
            ("none", np.full(len(self.part_names), np.nan), self.without),
            *((edge.edge, edge.at_opening, edge.reached) for edge in self.edges),
        ]:
            if reached is None:
                continue
            for number, part in enumerate(self.part_names):
                rows.append(
                    {
                        "edge": name,
                        "part": part,
                        "at opening [K]": float(at_opening[number]),
                        "highest [K]": float(reached.peak[number]),
                        "time of highest [s]": float(reached.peak_time[number]),
                        "still rising": bool(reached.still_rising[number]),
                    }
                )
        return rows

    @property
    def text(self) -> str:
        """The answer in plain language."""
        return run_words(self)


def protected_run(
    scenario: Scenario,
    devices: Sequence[DeviceChoice | Relay] | None = None,
    edges: Sequence[str] = EDGES,
    reclose: Reclosing | None = None,
    *,
    circuit: str | None = None,
    ambients: dict[str, float] | None = None,
    settling: float = SETTLING,
    progress: Callable[[str, float, float], None] | None = None,
) -> ProtectedRun:
    """Follow the scenario's current history with devices in the loop, once for each edge, and once without.

    Parameters
    ----------
    scenario : Scenario
    devices : sequence or None      DeviceChoice or Relay, in series, upstream first; None takes the scenario's
    edges : sequence of str         of "fast", "nominal", "slow"
    reclose : Reclosing or None     closing again; None leaves open what opened
    circuit : str or None           the circuit they stand in; None takes the curve's circuit, else the first
    ambients : dict or None         air at a device by its name [K]; None is the reference of its data
    settling : float                longest time followed after the history for parts to peak [s]
    progress : callable or None     called with (what is stepped, time [s], end [s])

    Returns
    -------
    ProtectedRun

    Raises
    ------
    UsageError        no device, an unknown circuit, edge or device name, or a device without a model for any edge
    ScenarioError     faults of a device
    NumericalError    as ``simulate``

    Notes
    -----
    Where the scenario starts soaked, each device starts from the steady state at that current, otherwise cold.
    """
    devices = scenario.devices if devices is None else tuple(devices)
    if not devices:
        raise UsageError("the scenario names no device, so nothing opens; add one or pass it")
    _check_names(edges, EDGES, "edge")
    _check_names(ambients or {}, [device.name for device in devices], "device")
    number = _circuit_number(scenario, circuit)
    followed = {edge: _operate(scenario, devices, edge, number, reclose, ambients or {}) for edge in edges}
    followed = {edge: found for edge, found in followed.items() if found is not None}
    if not followed:
        raise UsageError(f"none of the devices has a model for {' or '.join(edges)}")
    bench = _Bench(scenario, settling, progress)
    openings = {found[0].opens.time for found in followed.values() if found[0].opens}
    base, states = bench.base(sorted(openings))
    outcomes = tuple(
        _outcome(bench, number, edge, operating, notes, base, states) for edge, (operating, notes) in followed.items()
    )
    missing = [edge for edge in edges if edge not in followed]
    return ProtectedRun(
        title=scenario.title,
        circuit=scenario.circuits[number].name,
        devices=tuple(device.name for device in devices),
        part_names=tuple(part.name for part in scenario.parts),
        conductors=tuple(conductor.part for conductor in scenario.conductors),
        limits=tuple(
            {"name": limit.name, "temperature": limit.temperature, "source": limit.source} for limit in scenario.limits
        ),
        without=base,
        edges=outcomes,
        notes=tuple(f"no device has a model for its {edge} edge, so that edge was not followed" for edge in missing),
    )


def _check_names(given, known, what: str) -> None:
    for name in given:
        if name not in known:
            nearest = nearest_name(name, known)
            hint = f'; did you mean "{nearest}"?' if nearest else ""
            raise UsageError(f'there is no {what} "{name}"; there are {", ".join(known)}{hint}')


def _circuit_number(scenario: Scenario, circuit: str | None) -> int:
    names = [entry.name for entry in scenario.circuits]
    if circuit is None:
        return scenario.curve.circuit if scenario.curve else 0
    _check_names([circuit], names, "circuit")
    return names.index(circuit)


def _operate(scenario, devices, edge: str, number: int, reclose, ambients) -> tuple[Operating, tuple[str, ...]] | None:
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
    starts = [image.soaked(soaked) for image in images]
    profile = scenario.circuits[number].profile
    return operate(profile, images, starts, reclose, scenario.run.duration), tuple(notes)


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
        self.start = initial_state(self.model, scenario.start, self.boundaries)

    def _stepper(self, profiles, state, begin: float) -> Stepper:
        stepper = Stepper(self.model, Member(profiles, state), self.scenario.run.tolerance, self.boundaries, self.shelf)
        stepper.time = begin
        return stepper

    def _tell(self, what: str, time: float, end: float) -> None:
        if self.progress is not None:
            self.progress(what, time, end)

    def base(self, moments: Sequence[float]) -> tuple[Reached, dict[float, np.ndarray]]:
        """The course with no device, and the states at ``moments`` [s]."""
        duration = self.scenario.run.duration
        profiles = tuple(circuit.profile for circuit in self.scenario.circuits)
        stepper = self._stepper(profiles, self.start, 0.0)
        course = _Course(self.model, self.scenario, 0.0, stepper.temperature, self.start)
        states, wanted = {}, list(moments)
        while wanted and wanted[0] <= 0.0:
            states[wanted.pop(0)] = stepper.temperature.copy()
        for stop in (*wanted, duration):
            for step in stepper.steps(stop):
                self._tell("no device", step.end, duration)
                if not course.follow(step):
                    return course.joined(None, 0.0, loaded=True), states
            states[stop] = stepper.temperature.copy()
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


def _outcome(bench: _Bench, number: int, edge: str, operating: Operating, notes, base: Reached, states) -> EdgeOutcome:
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
