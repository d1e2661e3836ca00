"""Which device opens before the cable reaches its limit: stored limit curves against device edges.

Reads a :class:`~ampsoak.runfile.records.Curve` and devices, solves nothing, and answers per device and limit with
intervals of current (see :mod:`ampsoak.coverage.partition` for the verdicts, :mod:`ampsoak.coverage.edges` for the
edges a verdict may read).

Device and cable must start alike. A curve soaked at a load means a device that carried the load too: then our default
model starts from that load, while cold edges of standards and makers stay upper bounds (a warm device opens no later).
Points taken from a hot device say nothing of the longest time of a cold one: with a cold curve their slow edge is
unknown.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from ampsoak.base.errors import ScenarioError, UsageError
from ampsoak.coverage.device_faults import device_faults
from ampsoak.coverage.edges import BASES, Band, DeviceCurve
from ampsoak.coverage.limit_line import AdiabaticCheck, LimitLine, adiabatic_check
from ampsoak.coverage.opening import Opening, WorstOpening, openings, worst_opening
from ampsoak.coverage.partition import Interval, classify, joined, partition
from ampsoak.coverage.plain import plain
from ampsoak.coverage.questions import Nuisance, ShortTime, nuisance, short_time_of
from ampsoak.coverage.relays import Relay, curve_of_choice
from ampsoak.coverage.series import SeriesLimit, in_series
from ampsoak.coverage.stretches import Edge
from ampsoak.coverage.words import adiabatic_words, current_words, interval_words, model_words, worst_words
from ampsoak.runfile.records import OUTCOMES, Curve
from ampsoak.scenario.device_case import DeviceChoice, LoadPoint, RelayChoice
from ampsoak.scenario.device_record import load_point_of_record

UNCOVERED = ("uncovered", "below_pickup")
NOT_COVERED = (*UNCOVERED, "within_band")


@dataclass(frozen=True)
class LimitCoverage:
    """One device against one limit.

    Parameters
    ----------
    limit : str
    temperature : float                      [K]
    intervals : tuple of Interval            partition of the compared currents, under the chosen basis
    alternatives : dict of str to tuple      the same under every other basis the device has
    uncovered : tuple of (low, high)         where the limit falls before the fast edge, or the device need not open [A]
    not_covered : tuple of (low, high)       the same and within the band: where the slow edge is too late [A]
    unknown : tuple of (low, high)           where nothing can be said [A]
    worst : WorstOpening or None             hottest conductor at the slow edge's opening, over ``not_covered``
    worst_model : WorstOpening or None       the same by the device's model edges (default, else interpolated)
    verdict : tuple of str                   (n,) at each computed current
    sentences : tuple of str                 the same in words
    """

    limit: str
    temperature: float
    intervals: tuple[Interval, ...]
    alternatives: dict[str, tuple[Interval, ...]]
    uncovered: tuple[tuple[float, float], ...]
    not_covered: tuple[tuple[float, float], ...]
    unknown: tuple[tuple[float, float], ...]
    worst: WorstOpening | None
    worst_model: WorstOpening | None
    verdict: tuple[str, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class DeviceCoverage:
    """One device against every limit of a curve.

    Parameters
    ----------
    device : DeviceCurve
    basis : str                          basis the verdicts rest on
    band : Band                          edges the verdicts read
    limits : tuple of LimitCoverage
    fast, slow : Opening                 temperatures when each edge of ``band`` opens
    model_slow : Opening or None         the same for the slow edge of the device's model edges
    notes : tuple of str                 mismatched starts and other reservations
    nuisance : tuple of Nuisance         whether it holds what loads draw in ordinary service
    short_time : ShortTime or None       breaking capacity and let-through; None where the device states neither
    """

    device: DeviceCurve
    basis: str
    band: Band
    limits: tuple[LimitCoverage, ...]
    fast: Opening
    slow: Opening
    model_slow: Opening | None
    notes: tuple[str, ...]
    nuisance: tuple[Nuisance, ...] = ()
    short_time: ShortTime | None = None

    @property
    def text(self) -> str:
        """The answer in plain language."""
        lines = [f"{self.device.title}, verdicts on basis {self.basis}"]
        for limit in self.limits:
            lines += [f'Limit "{limit.limit}":', *(f"  {sentence}" for sentence in limit.sentences)]
        lines += [entry.text for entry in self.nuisance]
        if self.short_time is not None:
            lines.append(self.short_time.text)
        return "\n".join([*lines, *(f"Note: {note}." for note in self.notes)])


@dataclass(frozen=True)
class Coverage:
    """Devices against the limits of one curve.

    Parameters
    ----------
    title, circuit, start_description : str       of the curve
    current : (n,) float64                        computed currents [A]
    lowest, highest : float                       ends of the computed currents [A]
    horizon : float                               longest time computed [s]
    fault_current : float                         [A]; nan if none
    limits : tuple of dict                        name, temperature [K], source
    time_to_limit : (n_limits, n) float64         [s]; inf where not reached
    outcome : (n_limits, n) list of str           words of ``runfile.records.OUTCOMES``
    adiabatic : tuple of AdiabaticCheck           one per limit
    devices : tuple of DeviceCoverage
    run_id : str                                  of the curve
    series : tuple of SeriesLimit                 all devices together, per limit, as they stand in series; none of one device
    """

    title: str
    circuit: str
    start_description: str
    current: np.ndarray
    lowest: float
    highest: float
    horizon: float
    fault_current: float
    limits: tuple[dict, ...]
    time_to_limit: np.ndarray
    outcome: tuple[tuple[str, ...], ...]
    adiabatic: tuple[AdiabaticCheck, ...]
    devices: tuple[DeviceCoverage, ...]
    run_id: str
    series: tuple[SeriesLimit, ...] = ()

    @property
    def text(self) -> str:
        """The answer for every device, in plain language, and the adiabatic check."""
        checks = [words for check in self.adiabatic if (words := adiabatic_words(check))]
        return "\n\n".join([*(device.text for device in self.devices), *checks])

    def to_dict(self) -> dict:
        """Everything but the edges' nodes, ready for strict JSON: nan becomes None, infinity the string "inf"."""
        result = {
            field.name: plain(getattr(self, field.name)) for field in fields(self) if field.name not in ("devices",)
        }
        result["devices"] = [_device_dict(entry) for entry in self.devices]
        return result

    def margin_table(self) -> list[dict]:
        """One row per device, limit and computed current, for a table; numbers in SI, times may be inf or nan."""
        rows = []
        for entry in self.devices:
            for number, limit in enumerate(entry.limits):
                for place, current in enumerate(self.current):
                    rows.append(self._row(entry, limit, number, place, float(current)))
        return rows

    def _row(self, entry: DeviceCoverage, limit: LimitCoverage, number: int, place: int, current: float) -> dict:
        time, slow = float(self.time_to_limit[number][place]), float(entry.slow.time[place])
        ratio = time / slow if np.isfinite(time) and slow > 0 else np.nan
        return {
            "device": entry.device.name,
            "limit": limit.limit,
            "limit temperature [K]": limit.temperature,
            "current [A]": current,
            "outcome": self.outcome[number][place],
            "time to limit [s]": time,
            "fast edge [s]": float(entry.fast.time[place]),
            "fast edge kind": entry.band.fast.kind(current),
            "slow edge [s]": slow,
            "slow edge kind": entry.band.slow.kind(current),
            "time to limit over slow edge": ratio,
            "verdict": limit.verdict[place],
            "basis": entry.basis,
            "conductor at fast edge [K]": float(entry.fast.conductor_temperature[place]),
            "conductor at slow edge [K]": float(entry.slow.conductor_temperature[place]),
            "limited part at fast edge [K]": float(entry.fast.part_temperature[number][place]),
            "limited part at slow edge [K]": float(entry.slow.part_temperature[number][place]),
            "model slow edge [s]": float(entry.model_slow.time[place]) if entry.model_slow else np.nan,
            "conductor at model slow edge [K]": (
                float(entry.model_slow.conductor_temperature[place]) if entry.model_slow else np.nan
            ),
        }


def cover(
    curve: Curve,
    devices: Sequence[DeviceChoice | RelayChoice | DeviceCurve | Relay],
    basis: str | None = None,
    preload: float | None = None,
    load_points: Sequence[LoadPoint] | None = None,
) -> Coverage:
    """Compare devices with a stored limit curve.

    Parameters
    ----------
    curve : Curve
    devices : sequence of DeviceChoice, RelayChoice, DeviceCurve or Relay    those that name another circuit are left out
    basis : str or None        one of ``edges.BASES``; None takes a device's given points, otherwise the standard
    preload : float or None    current the device carried to the steady state before [A]; None reads it from the curve's
                               start ("soaked at 16 A"), which counts for a ``DeviceChoice`` only
    load_points : sequence or None    what loads draw in ordinary service; None takes those stored with the curve, and
                               those that name another circuit are left out

    Returns
    -------
    Coverage

    Raises
    ------
    ScenarioError              faults of all devices at once
    UsageError                 unknown basis, or one that a device does not have; a curve of fewer than two currents
    NumericalError             a stored time to a limit rises with current
    """
    current = np.asarray(curve.current, dtype=float)
    if current.size < 2 or not (np.all(np.isfinite(current)) and np.all(np.diff(current) > 0) and current[0] > 0):
        raise UsageError("the limit curve needs at least two positive currents in increasing order to be compared")
    if basis is not None and basis not in BASES:
        raise UsageError(f'there is no basis "{basis}"; bases are {", ".join(BASES)}')
    devices = standing_in(devices, curve.circuit)
    if load_points is None:
        load_points = stored_load_points(curve)
    points = standing_in(load_points, curve.circuit)
    faults = [fault for device in devices if isinstance(device, DeviceChoice) for fault in device_faults(device)]
    if faults:
        raise ScenarioError(faults)
    if preload is None:
        preload = _soaking_current(curve)
    built = [curve_of_choice(device, preload) for device in devices]
    lines = [LimitLine(curve, number) for number in range(len(curve.limits))]
    entries = tuple(_cover_device(curve, lines, device, basis, points) for device in built)
    return Coverage(
        title=curve.title,
        circuit=curve.circuit,
        start_description=curve.start_description,
        current=current,
        lowest=float(current[0]),
        highest=float(current[-1]),
        horizon=float(curve.horizon),
        fault_current=float(curve.fault_current),
        limits=tuple({key: limit.get(key) for key in ("name", "temperature", "source")} for limit in curve.limits),
        time_to_limit=np.asarray(curve.time_to_limit, dtype=float),
        outcome=tuple(tuple(OUTCOMES[code] for code in row) for row in curve.outcome),
        adiabatic=tuple(adiabatic_check(curve, line) for line in lines),
        devices=entries,
        run_id=curve.run_id,
        series=_together(entries),
    )


def stored_load_points(curve: Curve) -> tuple[LoadPoint, ...]:
    """Load points of the scenario that ``curve`` was computed from."""
    return tuple(load_point_of_record(record) for record in curve.resolved.get("load_points", ()))


def standing_in(things, circuit: str) -> list:
    """Devices or load points but those that name another circuit than ``circuit``."""
    return [thing for thing in things if getattr(thing, "circuit", "") in ("", circuit)]


def _cover_device(
    curve: Curve, lines: list[LimitLine], device: DeviceCurve, basis: str | None, points: list[LoadPoint]
) -> DeviceCoverage:
    basis = basis or device.default_basis
    band, notes = _matched_start(curve, device, device.verdict_band(basis))
    others = [name for name in device.bands if name != basis]
    limits = []
    for line in lines:
        alternatives = {
            name: partition(line, _matched_start(curve, device, device.verdict_band(name))[0], device.hold_current)
            for name in others
        }
        limits.append(_cover_limit(curve, line, device, basis, band, alternatives))
    fast, slow = openings(curve, band.fast), openings(curve, band.slow)
    model_slow = openings(curve, device.bands[device.model_basis].slow) if device.model_basis else None
    if curve.fault_current > curve.current[-1]:
        beyond = f"{current_words(curve.current[-1])} and {current_words(curve.fault_current)}"
        notes.append(f"no temperatures were computed between {beyond}, the prospective fault current")
    short = None
    if np.isfinite(device.breaking_capacity) or np.isfinite(device.let_through):
        short = short_time_of(device, curve.fault_current, curve.adiabatic_k, curve.adiabatic_area)
    asked = nuisance(device, points)
    return DeviceCoverage(device, basis, band, tuple(limits), fast, slow, model_slow, tuple(notes), asked, short)


def _cover_limit(curve, line: LimitLine, device: DeviceCurve, basis: str, band: Band, alternatives) -> LimitCoverage:
    intervals = partition(line, band, device.hold_current)
    not_covered = joined(intervals, NOT_COVERED)
    worst = worst_opening(curve, band.slow, not_covered)
    sentences = [
        interval_words(
            interval, line.temperature, device.hold_current, interval is intervals[0], interval is intervals[-1]
        )
        for interval in intervals
    ]
    if worst:
        sentences.append(worst_words(worst, basis))
    model, worst_model = device.model_basis, None
    if model in alternatives:
        if within := joined(intervals, ("within_band",)):
            sentences.append(model_words(model, _shared(within, joined(alternatives[model], ("covered",)))))
        worst_model = worst_opening(curve, device.bands[model].slow, joined(alternatives[model], NOT_COVERED))
        if worst_model:
            sentences.append(worst_words(worst_model, model))
    return LimitCoverage(
        limit=line.name,
        temperature=line.temperature,
        intervals=intervals,
        alternatives=alternatives,
        uncovered=joined(intervals, UNCOVERED),
        not_covered=not_covered,
        unknown=joined(intervals, ("unknown",)),
        worst=worst,
        worst_model=worst_model,
        verdict=tuple(row[0] for row in classify(line, band, device.hold_current, line.current)),
        sentences=tuple(sentences),
    )


def _together(entries: tuple[DeviceCoverage, ...]) -> tuple[SeriesLimit, ...]:
    if len(entries) < 2:
        return ()
    found, names = [], [entry.device.name for entry in entries]
    for number, limit in enumerate(entries[0].limits):
        partitions = [entry.limits[number].intervals for entry in entries]
        intervals = in_series(names, partitions, [entry.device.breaking_capacity for entry in entries])
        uncovered, unknown = joined(intervals, UNCOVERED), joined(intervals, ("unknown",))
        found.append(SeriesLimit(limit.limit, limit.temperature, intervals, uncovered, unknown))
    return tuple(found)


def _shared(first, second) -> list[tuple[float, float]]:
    """Ranges that two lists of ranges have in common."""
    return [(max(a, c), min(b, d)) for a, b in first for c, d in second if max(a, c) < min(b, d)]


def _soaking_current(curve: Curve) -> float:
    """Current [A] the curve's start says the circuit carried before; 0 if it says none."""
    found = re.match(r"soaked at (\d+(?:\.\d+)?)\s*A", curve.start_description)
    return float(found.group(1)) if found else 0.0


def _matched_start(curve: Curve, device: DeviceCurve, band: Band) -> tuple[Band, list[str]]:
    """Edges usable with the curve's start, and what has to be said about it."""
    start = curve.start_description or "an unstated start"
    if curve.start_description.startswith("cold"):
        if device.start_state == "hot":
            note = "the device's points were taken from hot and the curve starts cold: their slow edge is not used"
            return Band(band.fast, Edge("slow", ())), [note]
        if device.start_state == "preloaded":
            return band, ["the device's default model starts from a load while the curve starts cold"]
        return band, []
    if device.start_state == "hot":
        return band, [f"the curve starts {start}; the device's points must have been taken from the same load or less"]
    if device.start_state == "preloaded":
        return band, []
    return band, [f"the curve starts {start}, the device's edges cold: a warm one opens no later, it may open sooner"]


def _device_dict(entry: DeviceCoverage) -> dict:
    device = {
        field.name: plain(getattr(entry.device, field.name))
        for field in fields(entry.device)
        if field.name not in ("bands",)
    }
    device["bases"] = list(entry.device.bands)
    names = ("basis", "limits", "fast", "slow", "model_slow", "notes", "text")
    rest = {name: plain(getattr(entry, name)) for name in names}
    short = entry.short_time
    return {
        "device": device,
        **rest,
        "nuisance": [plain(answer) | {"text": answer.text} for answer in entry.nuisance],
        "short_time": None if short is None else plain(short) | {"text": short.text},
    }
