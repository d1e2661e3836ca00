"""Two results of the same question side by side: what changed in the scenario, and what that did. Nothing is solved here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage.compare import Coverage, DeviceCoverage, LimitCoverage
from ampsoak.coverage.limit_line import STATES, LimitLine
from ampsoak.coverage.partition import joined
from ampsoak.coverage.plain import plain
from ampsoak.coverage.words import current_words, ranges_words, temperature_words, time_words
from ampsoak.report.tables import Table
from ampsoak.report.words import celsius, first_reached, limit_words, rough_words
from ampsoak.runfile.records import OUTCOMES, Curve, Run

_ABSENT = "not given"
_WORDS_ONLY = ("format", "title", "description")  # keys that change nothing that is computed
_SAID = 6  # currents in the printed table
_SAME_TEMPERATURE = 0.01  # [K]
REACHED, NEVER = OUTCOMES.index("reached"), OUTCOMES.index("never")


@dataclass(frozen=True)
class Side:
    """One of the two results.

    Parameters
    ----------
    name : str                     "before" or "after"
    curve : Curve or None
    coverage : Coverage or None    devices against ``curve``
    run : Run or None
    """

    name: str
    curve: Curve | None = None
    coverage: Coverage | None = None
    run: Run | None = None

    @property
    def record(self) -> Curve | Run:
        """Either result; both come from one scenario."""
        return self.curve if self.curve is not None else self.run


@dataclass(frozen=True)
class Change:
    """A key of the scenario that differs; ``before`` and ``after`` as written, or "not given"."""

    key: str
    before: str
    after: str


@dataclass(frozen=True)
class LimitPair:
    """One limit of both results.

    Parameters
    ----------
    name : str                               of the later result
    temperature : tuple of float             of each [K]
    numbers : tuple of int                   its place in each curve's limits
    ampacity : tuple of (low, high)          per result the currents [A] between which the limit begins to be reached at last:
                                             the largest at which it never is, nan if none, and the smallest at which it is
    current : (n,) float64                   currents computed in the later result that both hold [A]
    time : tuple of (n,) float64             time to the limit in each [s]; inf never, nan unknown
    """

    name: str
    temperature: tuple[float, float]
    numbers: tuple[int, int]
    ampacity: tuple[tuple[float, float], tuple[float, float]]
    current: np.ndarray
    time: tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True)
class DevicePair:
    """One device in both results; either may be missing.

    Parameters
    ----------
    name : str
    entries : tuple of DeviceCoverage or None
    """

    name: str
    entries: tuple[DeviceCoverage | None, DeviceCoverage | None]


@dataclass(frozen=True)
class Comparison:
    """Two results side by side.

    Parameters
    ----------
    before, after : Side
    changes : tuple of Change
    limits : tuple of LimitPair        of the curves; empty without two curves
    devices : tuple of DevicePair
    peaks : tuple of (name, before, after)    hottest of every conductor and part that both histories hold [K]
    notes : tuple of str               what could not be set against each other
    """

    before: Side
    after: Side
    changes: tuple[Change, ...]
    limits: tuple[LimitPair, ...]
    devices: tuple[DevicePair, ...]
    peaks: tuple[tuple[str, float, float], ...]
    notes: tuple[str, ...] = field(default=())

    @property
    def sides(self) -> tuple[Side, Side]:
        """Both, the earlier first."""
        return self.before, self.after

    def to_dict(self) -> dict:
        """Everything but figures, ready for strict JSON; numbers in SI."""
        return {
            "before": _identity(self.before), "after": _identity(self.after), "changes": plain(self.changes),
            "limits": plain(self.limits),
            "verdicts": [
                {
                    "device": pair.name, "limit": limit, "basis": [None if one is None else one.basis for one in pair.entries],
                    "before": plain(rows[0]), "after": plain(rows[1]),
                }
                for pair in self.devices
                for limit, rows in _interval_rows(self, pair)
            ],
            "peaks": [{"part": name, "before": before, "after": after} for name, before, after in self.peaks],
            "notes": list(self.notes),
        }  # fmt: skip


def compare(before: Side, after: Side) -> Comparison:
    """Set two results side by side.

    Parameters
    ----------
    before, after : Side

    Returns
    -------
    Comparison

    Raises
    ------
    UsageError    they have neither limit curves nor histories in common, or curves with no limit and no current in common
    """
    curves = before.curve is not None and after.curve is not None
    runs = before.run is not None and after.run is not None
    if not curves and not runs:
        raise UsageError("there is nothing to set side by side: both need a limit curve, or both a history")
    # a rough model must be told wherever its results are
    notes = [f"{side.name}: {rough_words(side.record).rstrip('.')}" for side in (before, after) if rough_words(side.record)]
    if curves and before.curve.start_description != after.curve.start_description:
        notes.append(f"the curves start {before.curve.start_description} and {after.curve.start_description}")
    pairs = _limit_pairs(before.curve, after.curve, notes) if curves else ()
    devices = _device_pairs(before.coverage, after.coverage, notes) if curves else ()
    changes = _changes(before.record.resolved.get("given", {}), after.record.resolved.get("given", {}))
    peaks = _peaks(before.run, after.run, notes) if runs else ()
    return Comparison(before, after, changes, pairs, devices, peaks, tuple(notes))


def _identity(side: Side) -> dict:
    records = [record for record in (side.curve, side.run) if record is not None]
    return {
        "title": side.record.title,
        "scenario_file": side.record.scenario_file,
        "run_ids": [record.run_id for record in records],
        "canonical_hashes": [record.canonical_hash for record in records],
    }


def _changes(before: dict, after: dict) -> tuple[Change, ...]:
    """Keys of the scenario that differ, in the order of the later one."""
    old, new = (dict(_leaves({key: value for key, value in given.items() if key not in _WORDS_ONLY})) for given in (before, after))
    keys = [*new, *(key for key in old if key not in new)]
    return tuple(
        Change(key, old.get(key, _ABSENT), new.get(key, _ABSENT)) for key in keys if old.get(key) != new.get(key)
    )


def _leaves(value, path: str = ""):
    """Key and words of every value; tables in lists go by their names, values by what was written, sources left out."""
    if isinstance(value, dict) and "value" in value and "unit" in value:
        said = value.get("written") or f"{value['value']:.6g} {value['unit']}"
        if value.get("law"):
            parameters = ", ".join(f"{key} {number:.6g}" for key, number in value["parameters"].items())
            said = f"{value['law']} ({parameters})"
        elif value.get("table"):
            pairs = zip(*value["table"], strict=True)
            said = "; ".join(f"{first:.6g}: {second:.6g}" for first, second in pairs)
        yield path, said
    elif isinstance(value, dict):
        for key, entry in value.items():
            if key not in ("source", "evidence", "name"):
                yield from _leaves(entry, f"{path}.{key}" if path else key)
    elif isinstance(value, list) and value and all(isinstance(entry, dict) for entry in value):
        for number, entry in enumerate(value):
            called = entry.get("name") or entry.get("face") or entry.get("edge") or number + 1
            yield from _leaves(entry, f"{path}[{called}]")
    else:
        yield path, str(value) if not isinstance(value, bool) else str(value).lower()


def _limit_pairs(before: Curve, after: Curve, notes: list[str]) -> tuple[LimitPair, ...]:
    pairs, taken = [], set()
    for number, limit in enumerate(after.limits):
        others = [place for place in range(len(before.limits)) if place not in taken]
        same = [place for place in others if before.limits[place]["name"] == limit["name"]] or [
            place for place in others if abs(before.limits[place]["temperature"] - limit["temperature"]) < _SAME_TEMPERATURE
        ]
        if same:
            taken.add(same[0])
            pairs.append((same[0], number))
    if not pairs:
        names = (", ".join(f'"{limit_words(limit)}"' for limit in curve.limits) for curve in (before, after))
        raise UsageError("the two limit curves share no limit, neither by name nor by temperature: " + " against ".join(names))
    alone = [before.limits[place]["name"] for place in range(len(before.limits)) if place not in taken]
    alone += [limit["name"] for number, limit in enumerate(after.limits) if number not in {late for _, late in pairs}]
    if alone:
        notes.append(f"limits of one side only are left out: {', '.join(alone)}")
    low, high = (end(before.current[place], after.current[place]) for end, place in ((max, 0), (min, -1)))
    if low >= high:
        raise UsageError(
            f"the two limit curves share no current: {_span_words(before)} against {_span_words(after)}; compute one again"
        )
    current = after.current[(after.current >= low) & (after.current <= high)]
    found = []
    for early, late in pairs:
        lines = LimitLine(before, early), LimitLine(after, late)
        found.append(
            LimitPair(
                name=after.limits[late]["name"],
                temperature=(before.limits[early]["temperature"], after.limits[late]["temperature"]),
                numbers=(early, late),
                ampacity=(_ampacity(before, early), _ampacity(after, late)),
                current=current,
                time=tuple(_times(line, current) for line in lines),
            )
        )
        if abs(found[-1].temperature[0] - found[-1].temperature[1]) >= _SAME_TEMPERATURE:
            notes.append(f'limit "{found[-1].name}" is not at the same temperature before and after')
    return tuple(found)


def _span_words(curve: Curve) -> str:
    return f"{current_words(curve.current[0])} to {current_words(curve.current[-1])}"


def _times(line: LimitLine, current: np.ndarray) -> np.ndarray:
    """Times to a limit [s]; inf never, nan where only a bound is known."""
    time, state = line.at(current)
    known = np.isin(state, [STATES.index(word) for word in ("reached", "never", "at_start", "adiabatic")])
    return np.where(known, time, np.nan)


def _ampacity(curve: Curve, number: int) -> tuple[float, float]:
    outcome = curve.outcome[number]
    reached, never = np.flatnonzero(outcome == REACHED), np.flatnonzero(outcome == NEVER)
    low = float(curve.current[never[-1]]) if never.size else np.nan
    return low, float(curve.current[reached[0]]) if reached.size else np.nan


def _device_pairs(before: Coverage | None, after: Coverage | None, notes: list[str]) -> tuple[DevicePair, ...]:
    old = {entry.device.name: entry for entry in (before.devices if before else ())}
    new = {entry.device.name: entry for entry in (after.devices if after else ())}
    if not old or not new:
        missing = " and ".join(name for name, side in (("before", old), ("after", new)) if not side)
        notes.append(f"no device to set side by side {missing}")
    shared = [name for name in new if name in old]
    if not shared and len(old) == len(new) == 1:
        ((first, one),), ((second, other),) = old.items(), new.items()
        notes.append(f'devices differ in name: "{first}" before is set against "{second}" after, the only one of each')
        return (DevicePair(second, (one, other)),)
    alone = [name for name in (*old, *new) if name not in shared]
    if alone and old and new:
        notes.append(f"devices of one side only: {', '.join(dict.fromkeys(alone))}")
    return (
        *(DevicePair(name, (old[name], new[name])) for name in shared),
        *(DevicePair(name, (old[name], None)) for name in old if name not in shared),
        *(DevicePair(name, (None, new[name])) for name in new if name not in shared),
    )


def _interval_rows(found: Comparison, pair: DevicePair) -> list[tuple[str, tuple[tuple, tuple]]]:
    """Per shared limit the intervals of both sides; () where a side has no such device."""
    rows = []
    for limit in found.limits:
        sides = tuple(
            () if entry is None else tuple(
                (one.low, one.high, one.verdict, one.decided_by) for one in entry.limits[number].intervals
            )
            for entry, number in zip(pair.entries, limit.numbers, strict=True)
        )
        rows.append((limit.name, sides))
    return rows


def _peaks(before: Run, after: Run, notes: list[str]) -> tuple[tuple[str, float, float], ...]:
    names = [name for name in after.section.part_names if name in before.section.part_names]
    alone = set(before.section.part_names) ^ set(after.section.part_names)
    if alone:
        notes.append(f"parts of one side only are left out of the peaks: {', '.join(sorted(alone))}")
    if before.circuit_names and after.circuit_names and not np.isclose(before.time[-1], after.time[-1], rtol=1e-6):
        notes.append(f"the histories last {time_words(before.time[-1])} and {time_words(after.time[-1])}")
    return tuple((name, *(_peak(run, name) for run in (before, after))) for name in names)


def _peak(run: Run, name: str) -> float:
    column = run.part_maximum[:, run.section.part_names.index(name)]
    return float(np.max(column, initial=-np.inf))


def change_table(found: Comparison) -> Table:
    """What changed in the scenario and what that did, in one table: a row for each thing, before and after."""
    rows: list[tuple] = [("scenario", change.key, "", change.before, change.after) for change in found.changes]
    for limit in found.limits:
        for place, what in enumerate(("largest current that never reaches it [A]", "smallest current that reaches it [A]")):
            rows.append(("limit", limit.name, what, *(one[place] for one in limit.ampacity)))
        for current, *times in zip(limit.current, *limit.time, strict=True):
            rows.append(("time to limit [s]", limit.name, f"at {float(current)!r} A", *map(float, times)))
    for pair in found.devices:
        for limit, sides in _interval_rows(found, pair):
            for place in range(max(map(len, sides))):
                cells = [
                    f"{rows_[place][0]!r} to {rows_[place][1]!r} A: {rows_[place][2]}" if place < len(rows_) else ""
                    for rows_ in sides
                ]
                rows.append(("verdict", pair.name, f"{limit}, interval {place + 1}", *cells))
    rows += [("peak [°C]", name, "", float(celsius(old)), float(celsius(new))) for name, old, new in found.peaks]
    if found.before.run is not None and found.after.run is not None:
        for limit in found.after.run.limits:
            cells = [first_reached(side.run, limit["name"]) for side in found.sides]
            rows.append(
                ("limit in history [s]", limit["name"], "", *(float("inf") if one is None else one.time for one in cells))
            )
    return Table(("kind", "of", "detail", "before", "after"), rows)


def change_rows(found: Comparison) -> list[tuple[str, str, str]]:
    """What changed in the scenario: key, before, after."""
    return [(change.key, change.before, change.after) for change in found.changes]


def effect_rows(found: Comparison) -> list[tuple[str, str, str]]:
    """What that did in numbers, for the terminal: what, before, after; headings of limits end with a colon."""
    rows: list[tuple[str, str, str]] = []
    for limit in found.limits:
        rows.append((f"{limit.name}:", "", ""))
        rows.append(("  never reached up to", *(_ampacity_words(one) for one in limit.ampacity)))
        for place in _few(limit):
            times = (_time_words(float(times[place])) for times in limit.time)
            rows.append((f"  at {current_words(float(limit.current[place]))} reached after", *times))
    for name, old, new in _told_peaks(found):
        rows.append((f"{name} gets to", temperature_words(old), temperature_words(new)))
    return rows


def verdict_lines(found: Comparison) -> list[str]:
    """What each device leaves open before and after, for the terminal; empty without devices."""
    lines = []
    for pair in found.devices:
        for limit in found.limits:
            lines.append(f"{pair.name} against {limit.name}:")
            for side, entry, number in zip(found.sides, pair.entries, limit.numbers, strict=True):
                said = "no such device" if entry is None else _verdict_words(entry.limits[number])
                lines.append(f"  {side.name}: {said}")
    return lines


def _told_peaks(found: Comparison) -> Sequence[tuple[str, float, float]]:
    """The hottest conductor and the hottest other part of the later history."""
    if not found.peaks or found.after.run is None:
        return ()
    conductors = set(found.after.run.conductor_names)
    groups = ([row for row in found.peaks if (row[0] in conductors) is inside] for inside in (True, False))
    return [max(group, key=lambda row: row[2]) for group in groups if group]


def _few(limit: LimitPair) -> list[int]:
    """Some currents at which either side reaches the limit, spread over them."""
    finite = np.flatnonzero(np.isfinite(limit.time[0]) | np.isfinite(limit.time[1]))
    if not finite.size:
        return []
    return sorted(set(finite[np.linspace(0, finite.size - 1, _SAID).round().astype(int)].tolist()))


def _ampacity_words(ampacity: tuple[float, float]) -> str:
    low, high = ampacity
    if np.isnan(low):
        return "-" if np.isnan(high) else f"less than {current_words(high)}"
    return current_words(low)


def _time_words(time: float) -> str:
    return "unknown" if np.isnan(time) else time_words(time)


def _verdict_words(limit: LimitCoverage) -> str:
    """What is left open by one device, in few words."""
    within = joined(limit.intervals, ("within_band",))
    found = (("uncovered", limit.uncovered), ("within the band", within), ("unknown", limit.unknown))
    said = [f"{word} {ranges_words(ranges)}" for word, ranges in found if ranges]
    return "; ".join(said) or "it opens before the limit, or that is not reached"
