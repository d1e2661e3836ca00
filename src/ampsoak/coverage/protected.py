"""A current history with devices in the loop once it has been followed: what opened, what was reached, and its record.

These are the types that words, figures and tables read, whether they come from memory or from a file; nothing here solves.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from ampsoak.coverage.operating import Operating, Operation
from ampsoak.coverage.plain import plain
from ampsoak.coverage.protected_words import run_words
from ampsoak.runfile.records import Protected
from ampsoak.scenario.case import CurrentProfile
from ampsoak.scenario.device_case import Reclosing

WITHOUT = "none"  # name of the course with no device


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
    element_names : tuple of (str, str)      device and element of each column of ``level``
    level : (n, n_elements) float64          level of each element at each time of the whole course (that with no device
                                             up to the opening, then its own); it opens at 1; no row where unknown
    """

    edge: str
    operating: Operating
    at_opening: np.ndarray
    reached: Reached | None
    notes: tuple[str, ...]
    element_names: tuple[tuple[str, str], ...] = ()
    level: np.ndarray | None = None


@dataclass(frozen=True)
class ProtectedRun:
    """A current history with devices in the loop.

    Parameters
    ----------
    title, circuit : str
    devices : tuple of str               names, in series
    part_names : tuple of str
    conductors : tuple of int            indices of conductors among the parts
    limits : tuple of dict               name, temperature [K], parts (names), source
    without : Reached                    with no device
    edges : tuple of EdgeOutcome         in the order asked for
    notes : tuple of str
    duration : float                     end of the history [s]
    profile : CurrentProfile             current of the circuit with no device
    reclosing : Reclosing or None        how opened devices are closed again
    canonical_hash : str                 of the file it was written to; "" if none
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
    duration: float
    profile: CurrentProfile
    reclosing: Reclosing | None = None
    canonical_hash: str = ""

    def followed(self, edge: EdgeOutcome) -> bool:
        """True where an edge opens and the section was followed from there on."""
        return edge.operating.opens is not None and edge.reached is not None and edge.reached is not self.without

    def damage_time(self, edge: EdgeOutcome | None = None) -> float:
        """Time [s] at which the first limit flagged ``damage`` falls by one edge, with no device for None; inf if none does."""
        flagged = [number for number, limit in enumerate(self.limits) if limit.get("damage")]
        alone = float(np.min(self.without.limit_time[flagged], initial=np.inf))
        if edge is None or not self.followed(edge):
            return alone
        if alone <= edge.operating.opens.time:  # up to its opening an edge has the course with no device
            return alone
        return float(np.min(edge.reached.limit_time[flagged], initial=np.inf))

    def course(self, edge: EdgeOutcome) -> tuple[np.ndarray, np.ndarray]:
        """Times (n,) [s] and part maxima (n, n_parts) [K] of one edge, the part before its opening included."""
        base = self.without
        if edge.reached is None:
            return base.time[:0], base.part_maximum[:0]
        if not self.followed(edge):
            return base.time, base.part_maximum
        before = base.time < edge.operating.opens.time
        time = np.concatenate([base.time[before], edge.reached.time])
        return time, np.concatenate([base.part_maximum[before], edge.reached.part_maximum])

    def to_dict(self) -> dict:
        """Everything but the histories, ready for strict JSON; the text stands under "text"."""
        result = {field.name: plain(getattr(self, field.name)) for field in fields(self) if field.name != "profile"}
        for entry in [result["without"], *(edge["reached"] for edge in result["edges"])]:
            if entry is not None:
                del entry["time"], entry["part_maximum"]
        for edge in result["edges"]:
            del edge["level"]
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


def record_of(found: ProtectedRun, **origin) -> Protected:
    """The record a file keeps of ``found``.

    Parameters
    ----------
    found : ProtectedRun
    origin : section, statistics, scenario_text, scenario_file, resolved, assumptions, provenance of ``Protected``
    """
    parts, limits = len(found.part_names), len(found.limits)
    nothing = np.full(parts, np.nan)
    courses = [(WITHOUT, found.without, nothing, None), *((e.edge, e.reached, e.at_opening, e) for e in found.edges)]
    names = list(dict.fromkeys(name for edge in found.edges for name in edge.element_names))
    rows, corners, operations = [], [], []
    for number, (_, reached, _, edge) in enumerate(courses):
        time, maximum = (reached.time, reached.part_maximum) if edge is None else found.course(edge)
        profile = found.profile if edge is None else edge.operating.profile
        level = np.full((len(time), len(names)), np.nan)
        if edge is not None and edge.level is not None and len(time):
            level[:, [names.index(name) for name in edge.element_names]] = edge.level
        rows.append((np.full(len(time), number), time, np.asarray(profile.at(time), dtype=float), maximum, level))
        ends = np.repeat(np.asarray(profile.time, dtype=float), 2)[1:-1]
        corners.append((np.full(len(ends), number), ends, np.column_stack([profile.start, profile.stop]).ravel()))
        operations += [(number, operation) for operation in (() if edge is None else edge.operating.operations)]
    row, corner = ([np.concatenate(column) for column in zip(*pieces, strict=True)] for pieces in (rows, corners))

    def each(read, without) -> np.ndarray:
        return np.array([without if reached is None else read(reached) for _, reached, _, _ in courses])

    return Protected(
        title=found.title, circuit=found.circuit, duration=found.duration, device_names=list(found.devices),
        conductor_names=[found.part_names[part] for part in found.conductors], limits=[dict(limit) for limit in found.limits],
        course_names=[name for name, *_ in courses],
        course_followed=np.array([edge is not None and found.followed(edge) for *_, edge in courses]),
        course_end=each(lambda r: r.end, np.nan), ceiling_time=each(lambda r: r.ceiling_time, np.nan),
        unknown_from=np.array([np.inf if edge is None else edge.operating.unknown_from for *_, edge in courses]),
        at_opening=np.array([opening for _, _, opening, _ in courses]),
        peak_temperature=each(lambda r: r.peak, nothing), peak_time=each(lambda r: r.peak_time, nothing),
        final_temperature=each(lambda r: r.final, nothing),
        still_rising=each(lambda r: r.still_rising, np.zeros(parts, dtype=bool)),
        limit_time=each(lambda r: r.limit_time, np.full(limits, np.nan)).reshape(len(courses), limits),
        row_course=row[0], row_time=row[1], row_current=row[2], part_maximum=row[3], element_level=row[4],
        element_devices=[device for device, _ in names], element_names=[f"{device}: {element}" for device, element in names],
        corner_course=corner[0], corner_time=corner[1], corner_current=corner[2],
        operation_course=np.array([number for number, _ in operations], dtype=int),
        operation_time=np.array([operation.time for _, operation in operations]),
        operation_current=np.array([operation.current for _, operation in operations]),
        operation_words=[(operation.kind, operation.device, operation.element) for _, operation in operations],
        course_detail=[{} if edge is None else _detail(edge) for *_, edge in courses],
        notes=list(found.notes), reclosing=None if found.reclosing is None else plain(found.reclosing), **origin,
    )  # fmt: skip


def _detail(edge: EdgeOutcome) -> dict:
    """What of an edge is words, or a state that only its device understands."""
    operating = edge.operating
    elements = [list(name) for name in edge.element_names]
    return {
        "reason": operating.reason, "notes": list(edge.notes), "elements": elements, "states": plain(operating.states),
        "levels": plain(operating.levels),
    }  # fmt: skip


def run_of_record(record: Protected) -> ProtectedRun:
    """What was followed, out of its record: the same again, to the last digit."""
    reached = [_reached(record, number) for number in range(len(record.course_names))]
    part_names = tuple(record.section.part_names)
    edges = tuple(_edge(record, number, reached) for number in range(1, len(record.course_names)))
    again = None
    if record.reclosing is not None:
        again = Reclosing(**{
            key: tuple(value) if isinstance(value, list) else value for key, value in record.reclosing.items()
        })  # fmt: skip
    return ProtectedRun(
        title=record.title, circuit=record.circuit, devices=tuple(record.device_names), part_names=part_names,
        conductors=tuple(part_names.index(name) for name in record.conductor_names), limits=tuple(record.limits),
        without=reached[0], edges=edges, notes=tuple(record.notes), duration=record.duration, profile=_profile(record, 0),
        reclosing=again, canonical_hash=record.canonical_hash,
    )  # fmt: skip


def _reached(record: Protected, number: int) -> Reached | None:
    if np.isfinite(record.unknown_from[number]):
        return None
    rows = record.row_course == number
    if record.course_followed[number]:  # its own rows begin at the first opening
        mine = np.flatnonzero(record.operation_course == number)
        rows &= record.row_time >= record.operation_time[mine[0]]
    return Reached(
        end=float(record.course_end[number]), peak=record.peak_temperature[number], peak_time=record.peak_time[number],
        final=record.final_temperature[number], still_rising=record.still_rising[number].astype(bool),
        limit_time=record.limit_time[number], ceiling_time=float(record.ceiling_time[number]), time=record.row_time[rows],
        part_maximum=record.part_maximum[rows],
    )  # fmt: skip


def _edge(record: Protected, number: int, reached: list[Reached | None]) -> EdgeOutcome:
    detail, name = record.course_detail[number], record.course_names[number]
    elements = tuple((device, element) for device, element in detail["elements"])
    columns = [record.element_names.index(f"{device}: {element}") for device, element in elements]
    operations = tuple(
        Operation(float(record.operation_time[at]), kind, device, element, float(record.operation_current[at]))
        for at, (kind, device, element) in enumerate(record.operation_words)
        if record.operation_course[at] == number
    )
    states = {device: tuple(tuple(own) for own in state) for device, state in detail["states"].items()}
    operating = Operating(
        name, operations, float(record.unknown_from[number]), detail["reason"], _profile(record, number), states, detail["levels"]
    )
    mine = reached[number] if reached[number] is None or record.course_followed[number] else reached[0]
    level = record.element_level[record.row_course == number][:, columns]
    return EdgeOutcome(name, operating, record.at_opening[number], mine, tuple(detail["notes"]), elements, level)


def _profile(record: Protected, number: int) -> CurrentProfile:
    mine = record.corner_course == number
    time, current = record.corner_time[mine].tolist(), record.corner_current[mine].tolist()
    return CurrentProfile((*time[::2], time[-1]), tuple(current[::2]), tuple(current[1::2]))
