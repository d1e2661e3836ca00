"""The lines of the time-current figure as numbers, for the drawing and for its table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.coverage.compare import Coverage, DeviceCoverage
from ampsoak.coverage.laws import adiabatic_withstand_time
from ampsoak.coverage.limit_line import STATES, LimitLine, adiabatic_span
from ampsoak.coverage.stretches import Edge
from ampsoak.runfile.records import OUTCOMES, Curve

SHORTEST = 0.01  # [s]
LEAST_DECADES = 3.0
OUTSIDE = ", outside validity"  # ends the kind of what lies after the first damage limit
REACHED, NEVER, BEYOND = (OUTCOMES.index(word) for word in ("reached", "never", "beyond_horizon"))


@dataclass(frozen=True)
class Series:
    """One line or set of points.

    Parameters
    ----------
    name : str                    what it belongs to: a limit, a device
    kind : str                    "limit", "knee", the same with ", outside validity" after the first damage limit, "beyond
                                  horizon", "adiabatic", "fast edge, standard", "mark, hold", ...
    current, time : (n,) float    [A], [s]
    """

    name: str
    kind: str
    current: np.ndarray
    time: np.ndarray


def axis_spans(curve: Curve, coverage: Coverage | None) -> tuple[tuple[float, float], tuple[float, float]]:
    """Current and time spans of the axes: half the least rating to twice the fault current, at least three decades."""
    ratings = [entry.device.rating for entry in coverage.devices if entry.device.rating > 0] if coverage else []
    low = 0.5 * min(ratings) if ratings else 0.8 * float(curve.current[0])
    low = min(low, float(curve.current[0]))
    high = 2.0 * curve.fault_current if np.isfinite(curve.fault_current) else 1.25 * float(curve.current[-1])
    high = max(high, float(curve.current[-1]), low * 10**LEAST_DECADES)
    longest = 1e5 if curve.horizon <= 1e5 else 10.0 ** np.ceil(np.log10(curve.horizon))
    return (low, high), (SHORTEST, float(longest))


def damage_times(curve: Curve, current: np.ndarray) -> np.ndarray:
    """Time [s] at which the first limit flagged ``damage`` falls at each current (n,) [A]; inf where none does."""
    first = np.full(np.shape(current), np.inf)
    for number, limit in enumerate(curve.limits):
        if limit.get("damage"):
            time, state = LimitLine(curve, number).at(current)
            known = np.isin(state, [STATES.index(word) for word in ("reached", "at_start", "adiabatic")])
            first = np.where(known, np.minimum(first, time), first)
    return first


def _parted(name: str, kind: str, current: np.ndarray, time: np.ndarray, damage: np.ndarray) -> list[Series]:
    """Points as one series, or as two where some lie after the first damage limit; the second keeps the points beside."""
    past = time > damage * (1 + 1e-9)
    if not past.any():
        return [Series(name, kind, current, time)]
    beside = past.copy()
    beside[1:] |= past[:-1]
    beside[:-1] |= past[1:]
    kept = [Series(name, kind, current[~past], time[~past])] if not past.all() else []
    return [*kept, Series(name, kind + OUTSIDE, current[beside], time[beside])]


def limit_series(curve: Curve) -> list[Series]:
    """Per limit: the line through the reached times, its knee, and currents still running at the horizon."""
    series = []
    for number, limit in enumerate(curve.limits):
        name, outcome = limit["name"], curve.outcome[number]
        reached = np.flatnonzero(outcome == REACHED)
        if reached.size:
            current = np.unique(
                np.concatenate([curve.current[reached], np.geomspace(*curve.current[reached[[0, -1]]], 240)])
            )
            # rounding of the logarithmic grid must not step outside the computed currents
            current = np.clip(current, *curve.current[reached[[0, -1]]])
            time = LimitLine(curve, number).at(current)[0]
            series += _parted(name, "limit", current, time, damage_times(curve, current))
            if reached[0] > 0 and outcome[reached[0] - 1] == NEVER:
                knee, time = curve.current[reached[:1]], curve.time_to_limit[number, reached[:1]]
                series += _parted(name, "knee", knee, time, damage_times(curve, knee))
        beyond = curve.current[outcome == BEYOND]
        if beyond.size:
            series.append(Series(name, "beyond horizon", beyond, np.full(beyond.shape, curve.horizon)))
    return series


def adiabatic_series(curve: Curve) -> Series | None:
    """The adiabatic line, only where its law is meant: 0.1 to 5 s."""
    span = adiabatic_span(curve)
    if span is None:
        return None
    inside = (1 + 1e-12, 1 - 1e-12)  # the law answers nan a rounding outside its span
    current = np.geomspace(span[0] * inside[0], span[1] * inside[1], 30)
    time = adiabatic_withstand_time(current, curve.adiabatic_k, curve.adiabatic_area)
    return Series("adiabatic", "adiabatic", current, time)


def edge_series(name: str, edge: Edge, span: tuple[float, float], top: float) -> list[Series]:
    """An edge as lines of one kind each, within the current span; verticals join steps, "never" runs to ``top``."""
    lines: list[tuple[str, list[float], list[float]]] = []
    end: tuple[float, float] | None = None  # where the stretch before ended
    for stretch in edge.stretches:
        part = stretch.portion(*span)
        if part is None or not part.time[0] > 0:
            continue
        current, time = list(part.current), [min(one, top * 10) for one in part.time]
        joined = end is not None and end[0] == current[0]
        if not np.isfinite(part.time[0]):
            end = (current[-1], time[-1])
            continue
        if joined and end[1] > time[0]:
            current, time = [current[0], *current], [end[1], *time]
        if joined and lines and lines[-1][0] == part.kind:
            lines[-1][1].extend(current)
            lines[-1][2].extend(time)
        else:
            lines.append((part.kind, current, time))
        end = (current[-1], time[-1])
    return [Series(name, f"{edge.side} edge, {kind}", np.array(c), np.array(t)) for kind, c, t in lines]


def drawn_edges(entry: DeviceCoverage) -> list[tuple[Edge, str]]:
    """Edges to draw: the two a verdict reads, and the slow edge of the drawn band where the verdict takes the standard's."""
    edges = [(entry.band.fast, "verdict"), (entry.band.slow, "verdict")]
    model = entry.device.bands.get("default") or entry.device.bands.get("interpolated")
    if entry.basis == "standard" and model:
        edges.append((model.slow, "model"))
    return edges


def device_series(entry: DeviceCoverage, span: tuple[float, float], top: float) -> list[Series]:
    """Edges and marks of one device."""
    name = entry.device.name
    series = [line for edge, _ in drawn_edges(entry) for line in edge_series(name, edge, span, top)]
    for meaning in ("hold", "trip"):
        for start in ("cold", "hot"):
            for scope in ("certification", "field", "maker"):
                marks = [
                    mark for mark in entry.device.marks
                    if (mark.meaning, mark.start, mark.scope) == (meaning, start, scope)
                    and span[0] <= mark.current <= span[1]
                ]
                if marks:
                    kind = f"mark, {meaning}, {start}, {scope}"
                    points = np.array([[mark.current, mark.time] for mark in marks], dtype=float)
                    series.append(Series(name, kind, points[:, 0], points[:, 1]))
    return series


def band_outline(fast: Edge, slow: Edge, span: tuple[float, float], top: float):
    """Currents and the two times between which a band is filled; nan where either side is unknown or it never opens."""
    breaks = np.array([c for c in {*fast.breaks(), *slow.breaks()} if span[0] < c < span[1]])
    grid = np.concatenate([np.geomspace(*span, 500), breaks * (1 - 1e-9), breaks * (1 + 1e-9)])
    current = np.sort(np.clip(grid, *span))
    lower, upper = np.atleast_1d(fast.time(current)), np.atleast_1d(slow.time(current))
    known = np.isfinite(lower) & ~np.isnan(upper)
    floor = SHORTEST / 10
    return current, np.where(known, np.maximum(lower, floor), np.nan), np.where(known, np.minimum(upper, top * 10), np.nan)


def uncovered_outline(curve: Curve, entry: DeviceCoverage, number: int, span: tuple[float, float], top: float):
    """Per uncovered range: currents, time to the limit, and the time the fast edge (or the sheet) ends at."""
    line = LimitLine(curve, number)
    outlines = []
    for low, high in entry.limits[number].uncovered:
        low, high = max(low, span[0]), min(high, span[1])
        if low >= high:
            continue
        current = np.geomspace(low * (1 + 1e-9), high * (1 - 1e-9), 160)
        limit = line.at(current)[0]
        fast = np.atleast_1d(entry.band.fast.time(current))
        outlines.append((current, np.maximum(limit, SHORTEST / 10), np.where(np.isfinite(fast), fast, top * 10)))
    return outlines


def load_series(coverage: Coverage | None, span: tuple[float, float]) -> list[Series]:
    """What loads draw in ordinary service: one point each, within the current span and not below the shortest time."""
    points = dict.fromkeys(asked.point for entry in (coverage.devices if coverage else ()) for asked in entry.nuisance)
    return [
        Series(one.name, "load point", np.array([one.current]), np.array([one.duration]))
        for one in points
        if span[0] <= one.current <= span[1] and one.duration >= SHORTEST
    ]


def all_series(curve: Curve, coverage: Coverage | None) -> list[Series]:
    """Everything the time-current figure draws as lines and points."""
    span, times = axis_spans(curve, coverage)
    series = limit_series(curve)
    if (adiabatic := adiabatic_series(curve)) is not None:
        series.append(adiabatic)
    for entry in coverage.devices if coverage else ():
        series += device_series(entry, span, times[1])
    return series + load_series(coverage, span)
