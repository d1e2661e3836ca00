"""Current histories: constant, steps, ramp, cycle and logs, each as segments linear in current."""

from __future__ import annotations

import itertools
import math
import statistics
from pathlib import Path as FilePath

from ampsoak.base.units import describe
from ampsoak.scenario.case import CurrentProfile
from ampsoak.scenario.csvlog import read_columns
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model_case import CircuitKeys, CurrentLog

KINDS = ("current", "steps", "ramp", "cycle", "csv")
NOTHING = CurrentProfile.constant(0.0, 1.0)  # stands in where a profile has faults
GAP_IN_INTERVALS = 10

Segment = tuple[float, float, float]  # duration [s], current at its start and at its stop [A]


def profile_of(keys: CircuitKeys, path: Path, folder: FilePath, findings: Findings) -> CurrentProfile:
    """Return the current history of a circuit, with faults recorded where there is none.

    Parameters
    ----------
    keys : CircuitKeys
    path : tuple            where the circuit stands
    folder : pathlib.Path   folder of the scenario, for logs
    findings : Findings
    """
    given = [kind for kind in KINDS if findings.has((*path, kind))]
    if len(given) != 1:
        findings.fault(path, "needs exactly one of " + ", ".join(KINDS))
        return NOTHING
    kind = given[0]
    if keys.duration is not None and kind != "current":
        findings.fault((*path, "duration"), f"has no place beside {kind}, which states its own times")
    if getattr(keys, kind) is None:
        return NOTHING
    if kind == "current":
        if keys.duration is None:
            findings.missing((*path, "duration"), "a constant current needs it")
            return NOTHING
        return _joined([(keys.duration.value, keys.current.value, keys.current.value)])
    if kind == "steps":
        if not keys.steps.ok:
            return NOTHING
        steps = zip(keys.steps.first, keys.steps.second, strict=True)
        segments = [(duration, current, current) for current, duration in steps]
        if not segments:
            findings.fault((*path, "steps"), 'is empty; write [["15 A", "25 min"], ...]')
            return NOTHING
        return _joined(segments)
    if kind == "ramp":
        return _joined([(keys.ramp.duration.value, keys.ramp.start.value, keys.ramp.stop.value)])
    if kind == "cycle":
        cycle = keys.cycle
        off = findings.take(cycle.off_current, (*path, "cycle", "off_current"), "current", "0 A", "switched off")
        on = (cycle.on_time.value, cycle.on_current.value, cycle.on_current.value)
        return _joined([on, (cycle.off_time.value, off, off)] * cycle.count)
    return _from_log(keys.csv, (*path, "csv"), folder, findings)


def _joined(segments: list[Segment]) -> CurrentProfile:
    """The profile of consecutive segments; neighbours of one constant current become one."""
    merged: list[Segment] = []
    for duration, start, stop in segments:
        if merged and merged[-1][1:] == (start, stop) and start == stop:
            merged[-1] = (merged[-1][0] + duration, start, stop)
        else:
            merged.append((duration, start, stop))
    if any(math.isnan(value) for segment in merged for value in segment):
        return NOTHING
    time = [0.0]
    for duration, _, _ in merged:
        time.append(time[-1] + duration)
    return CurrentProfile(tuple(time), tuple(start for _, start, _ in merged), tuple(stop for _, _, stop in merged))


def _from_log(keys: CurrentLog, path: Path, folder: FilePath, findings: Findings) -> CurrentProfile:
    columns = {
        "time_column": (keys.time_column, keys.time_unit, "time", "time_unit"),
        "current_column": (keys.current_column, keys.current_unit, "current", "current_unit"),
    }
    found = read_columns(keys.file, folder, columns, path, findings)
    if found is None:
        return NOTHING
    lines, time, current = found.lines, found.values["time_column"], found.values["current_column"]
    sound = found.faults == 0
    for index, value in enumerate(current):
        if value < 0:
            sound = False
            found.fault(index, "current_column", "must not be negative; currents are r.m.s. values")
    for index in range(1, len(time)):
        if time[index] <= time[index - 1]:
            sound = False
            word = "repeats" if time[index] == time[index - 1] else "is earlier than"
            found.fault(index, "time_column", f"{word} the time on line {lines[index - 1]}; times must increase")
    if not sound:
        return NOTHING
    if len(time) < 2:
        findings.fault((*path, "file"), "holds fewer than two readings; a profile needs at least two")
        return NOTHING
    if time[0] != 0:
        first = found.cells["time_column"][0]
        findings.assume(f"{found.file}: the profile begins with the first reading, at {first} of the log")
    steps = [later - earlier for earlier, later in itertools.pairwise(time)]
    usual = GAP_IN_INTERVALS * statistics.median(steps)
    reason = f"{GAP_IN_INTERVALS} times the usual interval of the log"
    longest = findings.take(keys.maximum_gap, (*path, "maximum_gap"), "time", usual, reason)
    between, gap = keys.between or "hold", keys.gap or "error"
    if keys.between is None:
        findings.assume(f"{found.file}: between readings the current of the earlier one is held")
    segments: list[Segment] = []
    for index, step in enumerate(steps):
        start, stop = current[index], current[index + 1] if between == "linear" else current[index]
        if step > longest * (1 + 1e-9):
            if gap == "error":
                found.fault(
                    index + 1,
                    "time_column",
                    f"{describe(step, 'time')} without readings after line {lines[index]}, longer than maximum_gap of "
                    f'{describe(longest, "time")}; choose gap = "hold" or gap = "zero" if that is meant',
                )
            start = stop = current[index] if gap == "hold" else 0.0
            words = "held" if gap == "hold" else "taken as 0 A"
            findings.assume(
                f"{found.file}: current {words} through a gap of {describe(step, 'time')} after line {lines[index]}"
            )
        segments.append((step, start, stop))
    return _joined(segments)
