"""Peak temperatures against current: at several constant currents each edge of the devices opens, and heat flows on.

The limit curve holds temperatures at the moment a device opens. What the parts around the cable reach *after* that no
constant current can tell, since the current has stopped; so for each current the section is followed with the devices in the
loop until every part has peaked.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage.compare import standing_in
from ampsoak.coverage.device_images import device_image, edges_with_a_model
from ampsoak.coverage.operating import operate
from ampsoak.coverage.plain import plain
from ampsoak.coverage.tripping import EDGES
from ampsoak.scenario.case import CurrentProfile, Scenario
from ampsoak.study.model import limit_records, provenance_of, rough_notes, start_words
from ampsoak.study.protection import SETTLING, protected_run

COUNT = 10
STATES = ("opens", "never opens", "unknown", "melts first")
_HALVINGS = 24
_ABOVE = (1.002, 1.05)  # currents over the smallest at which an edge opens at all
_AFTER = 1e-6  # [s] and relative: the history ends just after the last edge has opened


@dataclass(frozen=True)
class Peaks:
    """What the parts reach at several constant currents with devices in the loop.

    Parameters
    ----------
    title, circuit, start_description : str
    devices : tuple of str                              in series
    part_names, part_roles : tuple of str
    conductors : tuple of int                           indices of conductors among the parts
    limits : tuple of dict                              name, temperature [K], parts (names), source, damage
    edges : tuple of str                                of "fast", "nominal", "slow"
    current : (n,) float64                              [A]
    state : (n_edges, n) tuple of str                   one of ``STATES``; temperatures are known where it "opens"
    opening_time : (n_edges, n) float64                 [s]; inf: not within ``horizon``, nan: unknown
    at_opening : (n_edges, n, n_parts) float64          hottest place of each part when first opened [K]; nan if it never opens
    peak : (n_edges, n, n_parts) float64                highest temperature of each part in the whole course [K]; nan as above
    still_rising : (n_edges, n, n_parts) bool           the peak may be higher
    horizon : float                                     longest time waited for an opening [s]
    notes : tuple of str
    scenario_file : str
    provenance : dict
    """

    title: str
    circuit: str
    start_description: str
    devices: tuple[str, ...]
    part_names: tuple[str, ...]
    part_roles: tuple[str, ...]
    conductors: tuple[int, ...]
    limits: tuple[dict, ...]
    edges: tuple[str, ...]
    current: np.ndarray
    state: tuple[tuple[str, ...], ...]
    opening_time: np.ndarray
    at_opening: np.ndarray
    peak: np.ndarray
    still_rising: np.ndarray
    horizon: float
    notes: tuple[str, ...]
    scenario_file: str
    provenance: dict

    def to_dict(self) -> dict:
        """Everything, ready for strict JSON; numbers in SI."""
        return {field.name: plain(getattr(self, field.name)) for field in fields(self)}


def peak_currents(scenario: Scenario, count: int = COUNT, devices=None) -> np.ndarray:
    """Currents (n,) [A] from the smallest at which any edge opens within the curve's horizon to the largest of the curve.

    ``count`` are spread evenly over their logarithm; two stand just above the smallest at which each edge opens, where the
    heat has the longest time.

    Raises
    ------
    UsageError    no [curve], no device in its circuit, or none opens at any current of the curve
    """
    bench = _Devices(scenario, devices)
    low, high = scenario.curve.lowest, scenario.curve.highest
    firsts = [bench.first_opening(edge, low, high) for edge, images in bench.images.items() if images]
    firsts = [first for first in firsts if np.isfinite(first)]
    if not firsts:
        raise UsageError(f"no edge of the devices opens within the horizon at {high:g} A, the largest current of the curve")
    beside = [first * factor for first in firsts if first > low for factor in _ABOVE]
    begin = min(firsts) if min(firsts) == low else min(firsts) * _ABOVE[0]
    spread = np.geomspace(min(begin, high), high, count)
    return np.unique([*spread, *(current for current in beside if begin < current < high)])


class _Devices:
    """The devices in the curve's circuit, followed at constant currents."""

    def __init__(self, scenario: Scenario, devices=None):
        if scenario.curve is None:
            raise UsageError("the scenario has no [curve] table, which says from which to which current")
        self.scenario, self.circuit = scenario, scenario.circuits[scenario.curve.circuit].name
        self.devices = tuple(standing_in(scenario.devices if devices is None else devices, self.circuit))
        if not self.devices:
            raise UsageError(f'no device stands in circuit "{self.circuit}", so nothing opens')
        start = scenario.curve.start
        self.soaked = start.currents[scenario.curve.circuit] if start.kind == "soaked" else 0.0
        self.images = {
            edge: [device_image(device, edge) for device in self.devices if edge in edges_with_a_model(device)]
            for edge in EDGES
        }

    def opening(self, edge: str, current: float) -> float:
        """When an edge first opens at a constant current [s]; inf if not within the horizon, nan where unknown."""
        horizon = self.scenario.curve.horizon
        images = self.images[edge]
        starts = [image.soaked(self.soaked) for image in images]
        found = operate(CurrentProfile.constant(current, horizon), images, starts, None, horizon)
        if found.opens is not None:
            return found.opens.time
        return np.nan if np.isfinite(found.unknown_from) else np.inf

    def first_opening(self, edge: str, low: float, high: float) -> float:
        """Smallest current between two at which an edge opens [A]; nan where it does not even at ``high``."""
        if not np.isfinite(self.opening(edge, high)):
            return np.nan
        if np.isfinite(self.opening(edge, low)):
            return low
        for _ in range(_HALVINGS):
            middle = float(np.sqrt(low * high))
            low, high = (low, middle) if np.isfinite(self.opening(edge, middle)) else (middle, high)
        return high


def peaks_after_opening(
    scenario: Scenario,
    currents: Sequence[float] | None = None,
    devices=None,
    edges: Sequence[str] = EDGES,
    *,
    settling: float = SETTLING,
    progress: Callable[[int, int, str, float, float], None] | None = None,
    done: Callable[[Peaks], None] | None = None,
) -> Peaks:
    """Follow the section at several constant currents with the devices in the loop, from the curve's start.

    Parameters
    ----------
    scenario : Scenario           with ``curve`` settings and a device in its circuit
    currents : sequence or None   [A]; None takes ``peak_currents``
    devices : sequence or None    in series; None takes those of the scenario that stand in the curve's circuit
    edges : sequence of str       of "fast", "nominal", "slow"
    settling : float              longest time followed after the opening for parts to peak [s]
    progress : callable or None   called with (currents done, in all, what is stepped, time [s], end [s])
    done : callable or None       called after each current with all that is known by then

    Returns
    -------
    Peaks

    Raises
    ------
    UsageError, NumericalError    as ``peak_currents`` and ``protected_run``; a current that is not positive
    """
    bench = _Devices(scenario, devices)
    current, edges = _asked(bench, currents, edges)
    parts = len(scenario.parts)
    state = [["unknown"] * len(current) for _ in edges]
    opening = np.array([[bench.opening(edge, float(one)) for one in current] for edge in edges])
    shape = (len(edges), len(current), parts)
    at_opening, peak, rising = np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape, dtype=bool)
    notes: dict[str, None] = dict.fromkeys(rough_notes(scenario))

    def known(count: int) -> Peaks:
        return Peaks(
            title=scenario.title, circuit=bench.circuit, start_description=start_words(scenario.curve.start),
            devices=tuple(device.name for device in bench.devices), part_names=tuple(part.name for part in scenario.parts),
            part_roles=tuple(part.role for part in scenario.parts),
            conductors=tuple(conductor.part for conductor in scenario.conductors),
            limits=tuple(limit_records(scenario.limits, scenario)), edges=edges, current=current[:count],
            state=tuple(tuple(row[:count]) for row in state), opening_time=opening[:, :count], at_opening=at_opening[:, :count],
            peak=peak[:, :count], still_rising=rising[:, :count], horizon=scenario.curve.horizon, notes=tuple(notes),
            scenario_file=scenario.source_file, provenance=provenance_of(scenario),
        )  # fmt: skip

    for place, one in enumerate(current):
        for number in range(len(edges)):
            if np.isinf(opening[number, place]):
                state[number][place] = "never opens"
        finite = opening[:, place][np.isfinite(opening[:, place])]
        if finite.size:
            case = _at_constant(scenario, float(one), float(finite.max()))
            stepped = None if progress is None else partial(progress, place, len(current))
            found = protected_run(
                case, bench.devices, edges, circuit=bench.circuit, settling=settling, progress=stepped
            )
            for outcome in found.edges:
                number = edges.index(outcome.edge)
                notes |= dict.fromkeys(outcome.notes)
                if not np.isfinite(opening[number, place]) or outcome.operating.opens is None or outcome.reached is None:
                    continue
                if np.isnan(outcome.at_opening).all():
                    state[number][place] = "melts first"
                    continue
                state[number][place] = "opens"
                at_opening[number, place], peak[number, place] = outcome.at_opening, outcome.reached.peak
                rising[number, place] = outcome.reached.still_rising
        if done is not None:
            done(known(place + 1))
    return known(len(current))


def _asked(bench: _Devices, currents, edges) -> tuple[np.ndarray, tuple[str, ...]]:
    """Currents [A] and edges that are followed."""
    if currents is None:
        current = peak_currents(bench.scenario, devices=bench.devices)
    else:
        current = np.unique(np.asarray(currents, dtype=float))
    if not len(current) or current[0] <= 0 or not np.all(np.isfinite(current)):
        raise UsageError("currents must be positive numbers")
    modelled = tuple(edge for edge in edges if bench.images[edge])
    if not modelled:
        raise UsageError("none of the devices has a model for the edges asked for")
    return current, modelled


def _at_constant(scenario: Scenario, current: float, last_opening: float) -> Scenario:
    """The case at a constant current in the curve's circuit, others as in its start, until the last edge has opened."""
    duration = last_opening * (1.0 + _AFTER) + _AFTER
    start = scenario.curve.start
    levels = list(start.currents) if start.kind == "soaked" else [0.0] * len(scenario.circuits)
    levels[scenario.curve.circuit] = current
    # longer than the history, so that a course without an opening counts as loaded to its end
    circuits = tuple(
        replace(circuit, profile=CurrentProfile.constant(level, 2.0 * duration))
        for circuit, level in zip(scenario.circuits, levels, strict=True)
    )
    run = replace(scenario.run, duration=duration, snapshot_times=())
    return replace(scenario, circuits=circuits, run=run, start=start, probes=())
