"""Everything plotted, as CSV with units in the heads, and the summary as one plain structure."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ampsoak.coverage.compare import Coverage
from ampsoak.coverage.protected import ProtectedRun
from ampsoak.report.history import traces
from ampsoak.report.opening import opening_series
from ampsoak.report.section_map import snapshot_numbers
from ampsoak.report.time_current_data import all_series
from ampsoak.report.words import CAUTIONS, answer_lines, celsius, first_reached, joined_words
from ampsoak.runfile.partfile import publish_bytes
from ampsoak.runfile.records import OUTCOMES, Curve, Run, SectionRecord

IN_SERIES = "all in series"  # in place of a device's name, where several stand together
_NO_MARGIN = (np.nan, np.nan)

SUMMARY_VERSION = 1


@dataclass(frozen=True)
class Table:
    """Rows under named columns.

    Parameters
    ----------
    columns : tuple of str     names with their unit: "time [s]"
    rows : list of tuple       numbers and words; nan and infinity are written as "nan" and "inf"
    """

    columns: tuple[str, ...]
    rows: list[tuple]


def time_current_table(curve: Curve, coverage: Coverage | None = None) -> Table:
    """Lines and points of the time-current figure, one row per point."""
    rows = [
        (series.name, series.kind, float(current), float(time))
        for series in all_series(curve, coverage)
        for current, time in zip(series.current, series.time, strict=True)
    ]
    return Table(("belongs to", "kind", "current [A]", "time [s]"), rows)


def limit_table(curve: Curve) -> Table:
    """The computed points of the limit curve: outcome and time per limit and current."""
    rows = [
        (limit["name"], float(celsius(limit["temperature"])), float(current), OUTCOMES[outcome], float(time))
        for limit, outcomes, times in zip(curve.limits, curve.outcome, curve.time_to_limit, strict=True)
        for current, outcome, time in zip(curve.current, outcomes, times, strict=True)
    ]
    return Table(("limit", "limit temperature [°C]", "current [A]", "outcome", "time to limit [s]"), rows)


def verdict_table(coverage: Coverage) -> Table:
    """The ribbon of the time-current figure: one row per device, limit and range of current; then all in series."""
    rows = [
        (
            entry.device.name, limit.limit, entry.basis, interval.low, interval.high, interval.verdict, interval.decided_by,
            interval.margin, interval.margin_current, interval.reason,
        )
        for entry in coverage.devices
        for limit in entry.limits
        for interval in limit.intervals
    ]
    rows += [
        (IN_SERIES, limit.limit, "", interval.low, interval.high, interval.verdict, joined_words(interval.devices), *_NO_MARGIN, "")
        for limit in coverage.series
        for interval in limit.intervals
    ]
    columns = (
        "device", "limit", "basis", "from [A]", "to [A]", "verdict", "decided by", "least time to limit over slow edge",
        "at [A]", "reason",
    )
    return Table(columns, rows)


def question_table(coverage: Coverage) -> Table:
    """Load points that must not open a device, and the short-circuit numbers that are stated; one row per answer."""
    rows = []
    for entry in coverage.devices:
        name = entry.device.name
        for asked in entry.nuisance:
            drawn = (asked.point.name, asked.point.current, asked.point.duration)
            rows.append((name, "load point", *drawn, asked.verdict, asked.fast, asked.slow, np.nan, np.nan, asked.point.source))
        if short := entry.short_time:
            fault = ("prospective fault current", short.fault_current, np.nan)
            capacity, passed = short.breaking_capacity, (short.let_through, short.withstand)
            rows.append((name, "breaking capacity", *fault, short.breaking, np.nan, np.nan, capacity, np.nan, ""))
            rows.append((name, "let-through", *fault, short.energy, np.nan, np.nan, *passed, entry.device.let_through_source))
    columns = (
        "device", "question", "of", "current [A]", "duration [s]", "answer", "fast edge [s]", "slow edge [s]",
        "of the device [A or A²s]", "of the conductor [A²s]", "source",
    )
    return Table(columns, rows)


def margin_table(coverage: Coverage) -> Table:
    """Times and temperatures at each computed current, per device and limit; temperatures in °C."""
    found = coverage.margin_table()
    if not found:
        return Table(("device", "limit", "current [A]"), [])
    columns = tuple(found[0])
    heads = tuple(column.replace("[K]", "[°C]") for column in columns)
    rows = [
        tuple(float(celsius(row[column])) if column.endswith("[K]") else row[column] for column in columns) for row in found
    ]
    return Table(heads, rows)


def history_table(run: Run) -> Table:
    """Current, every temperature and every probe of the history, one row per step."""
    columns = ["time [s]"]
    values = [run.time]
    for name, column in zip(run.circuit_names, run.circuit_current.T, strict=True):
        columns.append(f"current in {name} [A]")
        values.append(column)
    for trace in traces(run):
        if trace.kind != "probe":
            place = "conductor" if trace.kind == "conductor" else "hottest place of"
            columns.append(f"{place} {trace.names[0]} [°C]")
            values.append(trace.temperature)
    for name, unit, column in zip(run.probe_names, run.probe_units, run.probe_value.T, strict=True):
        columns.append(f"probe {name} [{'°C' if unit == 'K' else unit}]")
        values.append(celsius(column) if unit == "K" else column)
    return Table(tuple(columns), [tuple(row) for row in np.column_stack(values).tolist()])


def event_table(run: Run) -> Table:
    """Events of the history."""
    rows = [
        (
            event.time, event.kind, event.name, event.part,
            *((event.value, np.nan) if event.kind == "current_change" else (np.nan, float(celsius(event.value)))),
        )
        for event in run.events
    ]
    return Table(("time [s]", "event", "name", "part", "current [A]", "temperature [°C]"), rows)


def section_table(run: Run, times: Sequence[float] | None = None) -> Table:
    """Temperature maps: one row per cell, one column per time shown."""
    numbers = snapshot_numbers(run, times)
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (run.section.x_edges, run.section.y_edges))
    across, along = np.meshgrid(1e3 * x, 1e3 * y)
    columns = ["x [mm]", "y [mm]", "part"]
    columns += [f"temperature at {run.snapshot_time[number]:.9g} s [°C]" for number in numbers]
    names = [run.section.part_names[part] for part in run.section.part_index.ravel()]
    fields = [celsius(run.snapshot_temperature[number]).ravel().tolist() for number in numbers]
    return Table(tuple(columns), list(zip(across.ravel().tolist(), along.ravel().tolist(), names, *fields, strict=True)))


def part_table(section: SectionRecord) -> Table:
    """Parts with their materials and areas."""
    rows = [
        (name, role, material, float(exact) * 1e6, float(mesh) * 1e6)
        for name, role, material, exact, mesh in zip(
            section.part_names, section.part_roles, section.part_materials, section.part_area_exact, section.part_area_mesh,
            strict=True,
        )
    ]
    return Table(("part", "role", "material", "area as drawn [mm²]", "area on the mesh [mm²]"), rows)


def opening_table(curve: Curve, coverage: Coverage) -> Table:
    """Temperature of the hottest conductor when each edge opens, and whether the first damage limit fell before."""
    rows = [
        (series.device, series.edge.side, float(current), float(temperature), state, bool(outside))
        for entry in coverage.devices
        for series in opening_series(entry, curve)
        for current, temperature, state, outside in zip(
            series.current, series.temperature, series.state, series.outside, strict=True
        )
    ]
    return Table(("device", "edge", "current [A]", "hottest conductor [°C]", "state", "outside validity"), rows)


def write_table(path, table: Table, force: bool = False) -> Path:
    """Write a table as CSV: comma, decimal point, UTF-8, every digit of every number.

    Raises
    ------
    FileError    the file exists already, or cannot be written
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(table.rows)  # floats are written by their shortest exact form
    publish_bytes(path, text.getvalue().encode(), force)
    return Path(path)


def summary_dict(
    run: Run | None = None, curve: Curve | None = None, coverage: Coverage | None = None, protected: ProtectedRun | None = None
) -> dict:
    """The results as one structure for strict JSON; temperatures in °C, times in s, currents in A.

    Parameters
    ----------
    run, curve, coverage, protected : as far as there are any

    Returns
    -------
    dict    schema_version, cautions, answer (lines), and "history", "limit_curve", "coverage", "devices_in_the_loop"
            (temperatures in K) where given; nan becomes None and infinity "inf"
    """
    summary = {
        "schema_version": SUMMARY_VERSION,
        "cautions": list(CAUTIONS),
        "answer": answer_lines(run, curve, coverage),
    }
    if run is not None:
        summary["history"] = _identity(run) | _history(run)
    if curve is not None:
        summary["limit_curve"] = _identity(curve) | _limit_curve(curve)
    if coverage is not None:
        summary["coverage"] = coverage.to_dict()
    if protected is not None:
        summary["devices_in_the_loop"] = protected.to_dict()
    return summary


def _identity(record: Run | Curve) -> dict:
    return {
        "title": record.title,
        "run_id": record.run_id,
        "canonical_hash": record.canonical_hash,
        "complete": record.complete,
        "format_version": record.format_version,
        "software_version": record.provenance.get("software_version", ""),
        "scenario_file": record.scenario_file,
        "assumptions": list(record.assumptions),
        "statistics": {key: _number(value) for key, value in record.statistics.items()},
    }


def _history(run: Run) -> dict:
    peaks = {}
    for names, values in ((run.conductor_names, run.conductor_temperature), (run.section.part_names, run.part_maximum)):
        for name, column in zip(names, values.T, strict=True):
            if len(column) and name not in peaks:
                place = int(np.argmax(column))
                peaks[name] = {"temperature": float(celsius(column[place])), "time": float(run.time[place])}
    limits = []
    for limit in run.limits:
        event = first_reached(run, limit["name"])
        limits.append({
            "name": limit["name"], "temperature": float(celsius(limit["temperature"])), "reached": event is not None,
            "time": event.time if event else None, "part": event.part if event else "", "source": limit.get("source", ""),
        })
    residual = float(np.max(np.abs(run.energy_residual), initial=0.0))
    return {
        "duration": float(run.time[-1]) if len(run.time) else 0.0, "peaks": peaks, "limits": limits,
        "largest_energy_residual": residual,
    }


def _limit_curve(curve: Curve) -> dict:
    limits = []
    for number, limit in enumerate(curve.limits):
        reached = np.flatnonzero(curve.outcome[number] == OUTCOMES.index("reached"))
        never = np.flatnonzero(curve.outcome[number] == OUTCOMES.index("never"))
        limits.append({
            "name": limit["name"],
            "temperature": float(celsius(limit["temperature"])),
            "largest_current_never_reached": float(curve.current[never[-1]]) if never.size else None,
            "smallest_current_reached": float(curve.current[reached[0]]) if reached.size else None,
            "time_to_limit": [_number(time) for time in curve.time_to_limit[number]],
            "outcome": [OUTCOMES[code] for code in curve.outcome[number]],
        })
    return {
        "circuit": curve.circuit, "start": curve.start_description, "horizon": float(curve.horizon),
        "fault_current": _number(curve.fault_current), "current": curve.current.tolist(), "limits": limits,
    }


def _number(value):
    """Number as strict JSON holds it."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not np.isfinite(value):
        return None if np.isnan(value) else "inf" if value > 0 else "-inf"
    return value
