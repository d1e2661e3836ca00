"""Recording a run while it is stepped, and storing a limit curve."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, Self

import h5py
import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.runfile import layout
from ampsoak.runfile.partfile import PartFile
from ampsoak.runfile.provenance import digest
from ampsoak.runfile.records import Curve, Event, Protected, Run, SectionRecord

BUFFER_ROWS = 256


@dataclass(frozen=True)
class RunHeader:
    """What is known of a run before its first step.

    Parameters
    ----------
    title : str
    section : SectionRecord
    circuit_names, conductor_names, probe_names, probe_units : list of str    units "K" or "W m-1"
    reactant_names : list of str    "part: reaction"; empty unless reactions are on
    limits : list of dict           name, temperature [K], parts, source, damage
    scenario_text : str             the scenario file as read
    scenario_file : str             its name; folders are dropped
    resolved : dict                 JSON-ready resolved values with sources
    assumptions : list of str       values taken as defaults, in words
    provenance : dict               from ``runfile.provenance.collect``
    """

    title: str
    section: SectionRecord
    circuit_names: list[str]
    conductor_names: list[str]
    probe_names: list[str] = field(default_factory=list)
    probe_units: list[str] = field(default_factory=list)
    reactant_names: list[str] = field(default_factory=list)
    limits: list[dict] = field(default_factory=list)
    scenario_text: str = ""
    scenario_file: str = ""
    resolved: dict = field(default_factory=dict)
    assumptions: list[str] = field(default_factory=list)
    provenance: dict = field(default_factory=dict)


class Recorder(Protocol):
    """What stepping talks to: ``RunWriter`` keeps a file, ``MemoryRecorder`` a ``Run``."""

    def append(self, **row) -> None:
        """Record one accepted step; see ``RunWriter.append``."""

    def snapshot(self, time: float, temperature: np.ndarray, remaining=()) -> None:
        """Record a temperature field (ny, nx) [K] and what is left of the reactants (n_reactants,)."""

    def event(self, event: Event) -> None:
        """Record an event."""

    def finish(self, statistics: dict) -> None:
        """Say that the run is whole."""


def _checked_row(row: dict, widths: dict[str, tuple[int, ...]]) -> dict[str, np.ndarray]:
    """Row as arrays; UsageError when a name is missing, unknown, or has the wrong length."""
    if row.keys() != widths.keys():
        wrong = sorted(row.keys() ^ widths.keys())
        raise UsageError(f"a recorded step needs exactly {', '.join(widths)}; missing or unknown: {', '.join(wrong)}")
    arrays = {name: np.asarray(value, dtype=float) for name, value in row.items()}
    for name, value in arrays.items():
        if value.shape != widths[name]:
            raise UsageError(f"{name} of a recorded step has shape {value.shape}, it must have {widths[name]}")
    return arrays


def _row_widths(header: RunHeader) -> dict[str, tuple[int, ...]]:
    sizes = {
        "circuit": len(header.circuit_names), "conductor": len(header.conductor_names),
        "part": len(header.section.part_names), "probe": len(header.probe_names),
    }
    return {one.name: tuple(sizes[name] for name in one.dimensions[1:]) for one in layout.ROWS}


class _RunFile:
    """The datasets of a run in an open HDF5 file, filled as the run goes on."""

    def __init__(self, file: h5py.File, header: RunHeader):
        self._file = file
        self._widths = _row_widths(header)
        self._rows: list[dict[str, np.ndarray]] = []
        self._events: list[Event] = []
        self._count = self._event_count = self._snapshot_count = 0
        layout.start_file(file, "run", header.title)
        layout.put_section(file, header.section)
        layout.put_limits(file, header.limits)
        for name, words in (("circuit", header.circuit_names), ("conductor", header.conductor_names)):
            layout.put_words(file, name, words, name, f"{name} name")
        layout.put_words(file, "probe", header.probe_names, "probe", "probe name")
        layout.put_words(file, "probe_units", header.probe_units, "probe", "unit of the probe reading")
        for one in layout.ROWS:
            layout.create(file, one, (0, *self._widths[one.name]), growing=True, chunk_rows=BUFFER_ROWS)
        if len(set(header.probe_units)) == 1:
            file["probe_value"].attrs["units"] = header.probe_units[0]
        field_shape = header.section.part_index.shape
        for one in layout.SNAPSHOTS:
            shape = (0, *field_shape) if len(one.dimensions) == 3 else (0,)
            layout.create(file, one, shape, growing=True, chunk_rows=1 if len(shape) == 3 else BUFFER_ROWS)
        self._reactants = len(header.reactant_names)
        if self._reactants:
            layout.put_words(file, "reactant", header.reactant_names, "reactant", "part and reaction of the reactant")
            for one in layout.REACTANTS:
                layout.create(file, one, (0, self._reactants), growing=True, chunk_rows=BUFFER_ROWS)
        for one in layout.EVENTS:
            layout.create(file, one, (0,), growing=True)
        for name in layout.EVENT_WORDS:
            layout.put_words(file, name, [], "event", name.replace("_", " "), growing=True)
        layout.put_inputs(file, header.scenario_text, header.scenario_file, header.resolved, header.assumptions)
        self._provenance = header.provenance
        layout.put_provenance(file, header.provenance, {})

    def append(self, **row) -> bool:
        """Buffer one step; True when that moved the buffer into the file."""
        self._rows.append(_checked_row(row, self._widths))
        full = len(self._rows) >= BUFFER_ROWS
        if full:
            self.drain()
        return full

    def event(self, event: Event) -> None:
        self._events.append(event)

    def snapshot(self, time: float, temperature: np.ndarray, remaining=()) -> None:
        self.drain()
        count = self._snapshot_count
        values = {"snapshot_time": time, "snapshot_temperature": temperature}
        if self._reactants:
            values["snapshot_remaining"] = remaining
        for name, value in values.items():
            dataset = self._file[name]
            dataset.resize(count + 1, axis=0)
            dataset[count] = value
        self._snapshot_count = count + 1

    def drain(self) -> None:
        """Move buffered rows and events into the file; safe to repeat if it was interrupted halfway."""
        if self._rows:
            self._extend(self._count, {name: np.stack([row[name] for row in self._rows]) for name in self._widths})
            self._count += len(self._rows)
            self._rows = []
        if self._events:
            events, first = self._events, self._event_count
            numbers = {"event": np.arange(first, first + len(events))}
            numbers |= {f"event_{key}": [getattr(one, key) for one in events] for key in ("time", "value")}
            words = {f"event_{key}": [getattr(one, key) for one in events] for key in ("kind", "name", "part")}
            self._extend(first, numbers | words)
            self._event_count += len(events)
            self._events = []

    def _extend(self, first: int, columns: dict) -> None:
        for name, values in columns.items():
            dataset = self._file[name]
            dataset.resize(first + len(values), axis=0)
            if dataset.size:
                dataset[first:] = values

    def finish(self, statistics: dict) -> str:
        """Complete the file; returns its canonical hash."""
        self.drain()
        layout.put_provenance(self._file, self._provenance, statistics)
        return _seal(self._file)


def _seal(file: h5py.File) -> str:
    file.attrs["state"] = "complete"
    found = digest(file, "result")
    file.attrs["canonical_hash"] = found
    file.attrs["run_id"] = found[:10]
    return found


class RunWriter:
    """Write a run to ``path`` while it is stepped; use as a context manager.

    Until ``finish`` everything is in ``NAME.part``, which after a crash, an exception or Ctrl-C holds all that was recorded up
    to the last commit (each snapshot, each 256 steps, and leaving the context) and opens with ``open_run``.

    Parameters
    ----------
    path : str or Path    final file
    header : RunHeader
    force : bool          replace an existing file

    Attributes
    ----------
    canonical_hash : str  after ``finish``

    Raises
    ------
    FileError             at once if the target exists or cannot be written; later if the disk is full, naming what is kept
    """

    def __init__(self, path, header: RunHeader, force: bool = False):
        self.path = Path(path)
        self.canonical_hash = ""
        self._part = PartFile(path, force)
        self._finished = False
        try:
            self._run = _RunFile(self._part.file, header)
            self._part.commit()
        except BaseException:
            self._part.abandon()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind, error, trace) -> None:
        if self._finished:
            return
        try:
            if not self._part.broken:
                self._run.drain()
                self._part.commit()
        finally:
            self._part.abandon()

    def append(self, **row) -> None:
        """Record one accepted step.

        Parameters
        ----------
        time : float                                                                    [s]
        circuit_current : (n_circuits,)                                                 [A]
        conductor_temperature, conductor_heat : (n_conductors,)                         [K], [W/m]
        part_maximum, part_mean : (n_parts,)                                            [K]
        probe_value : (n_probes,)                                                       units of the header
        energy_generated, energy_stored, energy_lost, energy_residual : float           [J/m], [1]
        """
        if self._run.append(**row):
            self._part.commit()

    def snapshot(self, time: float, temperature: np.ndarray, remaining=()) -> None:
        """Record a temperature field, (ny, nx) [K], kept as float32, and what is left of the reactants, (n_reactants,).

        Everything so far is committed to the disk.
        """
        self._run.snapshot(time, temperature, remaining)
        self._part.commit()

    def event(self, event: Event) -> None:
        """Record an event."""
        self._run.event(event)

    def finish(self, statistics: dict) -> None:
        """Complete, hash, bring to the medium and rename to the final name.

        Parameters
        ----------
        statistics : dict    cells, steps, ...; names containing "wall" are kept out of the hash
        """
        self._finished = True
        try:
            self.canonical_hash = self._run.finish(statistics)
            self._part.publish()
        except BaseException:
            self._part.abandon()
            raise


class MemoryRecorder:
    """Build a ``Run`` without a file; the same calls as ``RunWriter``.

    Attributes
    ----------
    run : Run or None    after ``finish``
    """

    def __init__(self, header: RunHeader):
        self._header = header
        self._widths = _row_widths(header)
        self._rows: list[dict[str, np.ndarray]] = []
        self._snapshots: list[tuple[float, np.ndarray, np.ndarray]] = []
        self._events: list[Event] = []
        self.run: Run | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind, error, trace) -> None:
        return None

    def append(self, **row) -> None:
        """Record one accepted step; see ``RunWriter.append``."""
        self._rows.append(_checked_row(row, self._widths))

    def snapshot(self, time: float, temperature: np.ndarray, remaining=()) -> None:
        """Record a temperature field, (ny, nx) [K], kept as float32, and what is left of the reactants, (n_reactants,)."""
        self._snapshots.append((float(time), np.array(temperature, dtype=np.float32), np.array(remaining, dtype=float)))

    def event(self, event: Event) -> None:
        """Record an event."""
        self._events.append(event)

    def finish(self, statistics: dict) -> None:
        """Build ``run``, with the canonical hash its file would have."""
        header, shape = self._header, self._header.section.part_index.shape
        columns = {
            name: np.stack([row[name] for row in self._rows]) if self._rows else np.zeros((0, *width))
            for name, width in self._widths.items()
        }
        fields = [temperature for _, temperature, _ in self._snapshots]
        left = np.array([remaining for *_, remaining in self._snapshots], dtype=float)
        self.run = Run(
            title=header.title, section=header.section, circuit_names=list(header.circuit_names),
            conductor_names=list(header.conductor_names), probe_names=list(header.probe_names),
            probe_units=list(header.probe_units), **columns,
            snapshot_time=np.array([time for time, *_ in self._snapshots], dtype=float),
            reactant_names=list(header.reactant_names), snapshot_remaining=left.reshape(len(fields), len(header.reactant_names)),
            snapshot_temperature=np.stack(fields) if fields else np.zeros((0, *shape), dtype=np.float32),
            events=list(self._events), limits=list(header.limits), statistics=dict(statistics),
            scenario_text=header.scenario_text, scenario_file=header.scenario_file, resolved=header.resolved,
            assumptions=list(header.assumptions), provenance=header.provenance,
        )
        self.run.canonical_hash = record_hash  # when it is asked for


def write_run(path, run: Run, force: bool = False) -> str:
    """Write a whole run; returns its canonical hash. Errors as ``RunWriter``."""
    with RunWriter(path, header_of(run), force) as writer:
        _replay(run, writer)
        writer.finish(run.statistics)
    return writer.canonical_hash


def write_curve(path, curve: Curve, force: bool = False) -> str:
    """Write a limit curve; returns its canonical hash.

    Parameters
    ----------
    path : str or Path    final file; written as ``.part`` and renamed
    curve : Curve
    force : bool          replace an existing file

    Raises
    ------
    FileError             as ``RunWriter``
    """
    return _write_whole(path, curve, _fill_curve, force)


def write_protected(path, record: Protected, force: bool = False) -> str:
    """Write a history with devices in the loop; returns its canonical hash. Parameters and errors as ``write_curve``."""
    return _write_whole(path, record, _fill_protected, force)


def _write_whole(path, record, fill, force: bool) -> str:
    part = PartFile(path, force)
    try:
        found = fill(part.file, record)
        part.publish()
    except BaseException:
        part.abandon()
        raise
    return found


def record_hash(record: Run | Curve | Protected) -> str:
    """Canonical hash that the file of ``record`` has or would have."""
    with h5py.File(io.BytesIO(), "w") as file:
        if isinstance(record, Curve):
            return _fill_curve(file, record)
        if isinstance(record, Protected):
            return _fill_protected(file, record)
        filled = _RunFile(file, header_of(record))
        _replay(record, filled)
        return filled.finish(record.statistics)


def header_of(run: Run) -> RunHeader:
    """Header a run was, or would be, recorded with."""
    return RunHeader(
        title=run.title, section=run.section, circuit_names=run.circuit_names, conductor_names=run.conductor_names,
        probe_names=run.probe_names, probe_units=run.probe_units, reactant_names=run.reactant_names, limits=run.limits,
        scenario_text=run.scenario_text, scenario_file=run.scenario_file, resolved=run.resolved, assumptions=run.assumptions, provenance=run.provenance,
    )


def _replay(run: Run, recorder: Recorder) -> None:
    """Give ``recorder`` all that ``run`` holds."""
    for index in range(len(run.time)):
        recorder.append(**{one.name: getattr(run, one.name)[index] for one in layout.ROWS})
    for index, (time, temperature) in enumerate(zip(run.snapshot_time, run.snapshot_temperature, strict=True)):
        recorder.snapshot(time, temperature, run.snapshot_remaining[index] if run.reactant_names else ())
    for event in run.events:
        recorder.event(event)


def _fill_curve(file: h5py.File, curve: Curve) -> str:
    layout.start_file(file, "curve", curve.title)
    for name in layout.CURVE_WORDS:
        file.attrs[name] = getattr(curve, name)
    layout.put_section(file, curve.section)
    layout.put_limits(file, curve.limits)
    layout.put_words(file, "conductor", curve.conductor_names, "conductor", "conductor name")
    for one in layout.CURVE:
        layout.put(file, one, getattr(curve, one.name))
    return _close(file, curve)


def _fill_protected(file: h5py.File, record: Protected) -> str:
    layout.start_file(file, "protected", record.title)
    file.attrs["circuit"] = record.circuit
    layout.put_section(file, record.section)
    layout.put_limits(file, record.limits)
    layout.put_words(file, "conductor", record.conductor_names, "conductor", "part that is a conductor")
    layout.put_words(file, "device", record.device_names, "device", "device, upstream first")
    layout.put_words(file, "course", record.course_names, "course", "none: no device; else edge by which the devices act")
    layout.put_words(file, "element", record.element_names, "element", "device and element of it that may open it")
    layout.put_words(file, "element_device", record.element_devices, "element", "device the element belongs to")
    numbers = {
        "row": np.arange(len(record.row_time)), "corner": np.arange(len(record.corner_time)),
        "operation": np.arange(len(record.operation_time)),
    }
    scales_first = sorted(layout.PROTECTED, key=lambda one: one.dimensions != (one.name,))
    for one in scales_first:
        layout.put(file, one, numbers[one.name] if one.name in numbers else getattr(record, one.name))
    for place, name in enumerate(layout.OPERATION_WORDS):
        words = [entry[place] for entry in record.operation_words]
        layout.put_words(file, name, words, "operation", name.replace("_", " "))
    details = [layout.to_json(detail) for detail in record.course_detail]
    layout.put_words(file, "course_detail", details, "course", "reason, notes, device states and levels at the end, JSON")
    layout.put_text(file, "detail", layout.to_json({"notes": record.notes, "reclosing": record.reclosing}), "notes, JSON")
    return _close(file, record)


def _close(file: h5py.File, record: Curve | Protected) -> str:
    """Add where the record comes from, and seal the file."""
    layout.put_inputs(file, record.scenario_text, record.scenario_file, record.resolved, record.assumptions)
    layout.put_provenance(file, record.provenance, record.statistics)
    return _seal(file)
