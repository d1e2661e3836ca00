"""A user's rules against a result: each is quoted, and the result meets it, does not meet it, or cannot tell.

What is compared is a computed or stored result and one number in a rule, as far as this result holds what the rule speaks of.
That says nothing about the installation, nor about the rest of the document the rule stands in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ampsoak.coverage.compare import Coverage, DeviceCoverage
from ampsoak.coverage.opening import worst_opening
from ampsoak.coverage.stretches import Edge, Stretch
from ampsoak.coverage.words import current_words, ranges_words, temperature_words, time_words
from ampsoak.runfile.records import Curve, Run
from ampsoak.scenario.rule_file import Rule, Rulebook

MET, NOT_MET, UNKNOWN = "met by this result", "not met by this result", "cannot be told from this result"
SAME_SIZE = 0.06  # metal areas of one nominal size differ by so much, neighbouring sizes by 20 % (common practice, no source)
_HAIR = 1e-9  # half the relative width of the range in which the temperature at one current is read


@dataclass(frozen=True)
class RuleOutcome:
    """What a result says of one rule.

    Parameters
    ----------
    rule : Rule
    outcome : str     ``MET``, ``NOT_MET`` or ``UNKNOWN``
    reason : str      what was found, in words
    """

    rule: Rule
    outcome: str
    reason: str

    @property
    def text(self) -> str:
        """The rule quoted, and the outcome."""
        return f'{self.rule.name} ({self.rule.place}): "{self.rule.text}" {self.outcome[0].upper()}{self.outcome[1:]}: {self.reason}.'


@dataclass(frozen=True)
class RuleCheck:
    """A rulebook against a result.

    Parameters
    ----------
    book : Rulebook
    outcomes : tuple of RuleOutcome    in the order of the book
    run_ids : tuple of str             of the results it was checked against
    """

    book: Rulebook
    outcomes: tuple[RuleOutcome, ...]
    run_ids: tuple[str, ...]

    def to_dict(self) -> dict:
        """Everything, ready for strict JSON."""
        return {
            "rules": {
                "title": self.book.title, "edition": self.book.edition, "source": self.book.source, "file": self.book.file,
            },
            "run_ids": list(self.run_ids),
            "outcomes": [
                {
                    "name": one.rule.name, "clause": one.rule.clause, "table": one.rule.table, "quoted": one.rule.text,
                    "kind": one.rule.kind, "values": dict(one.rule.values), "outcome": one.outcome, "reason": one.reason,
                }
                for one in self.outcomes
            ],
        }  # fmt: skip

    @property
    def text(self) -> str:
        """All of it in plain language."""
        return "\n".join([f"{self.book.title}, {self.book.edition} ({self.book.source})", *(one.text for one in self.outcomes)])


@dataclass(frozen=True)
class _Result:
    """What there is to look at."""

    curve: Curve | None
    coverage: Coverage | None
    run: Run | None

    @property
    def records(self) -> list[Curve | Run]:
        return [record for record in (self.curve, self.run) if record is not None]


def check_rules(
    book: Rulebook, curve: Curve | None = None, coverage: Coverage | None = None, run: Run | None = None
) -> RuleCheck:
    """Check every rule of a book against a result; solves nothing.

    Parameters
    ----------
    book : Rulebook
    curve, coverage, run : as far as there are any

    Returns
    -------
    RuleCheck
    """
    result = _Result(curve, coverage, run)
    outcomes = tuple(RuleOutcome(rule, *_CHECKS[rule.kind](rule, result)) for rule in book.rules)
    return RuleCheck(book, outcomes, tuple(record.run_id for record in result.records))


def _device_rating(rule: Rule, result: _Result) -> tuple[str, str]:
    if (why := _other_size(rule, result)) is not None:
        return UNKNOWN, why
    entries, why = _devices(rule, result)
    rated = [entry for entry in entries if entry.device.rating > 0]
    if not rated:
        return UNKNOWN, why or "no device of this result has a rating"
    most = rule.values["rating"]
    # in series, the smallest rating is what the conductor is fed by
    smallest = min(rated, key=lambda entry: entry.device.rating)
    said = f"{smallest.device.name} is rated {current_words(smallest.device.rating)}"
    others = [f"{entry.device.name} {current_words(entry.device.rating)}" for entry in rated if entry is not smallest]
    if others:
        said += f", the least of the devices in series ({', '.join(others)})"
    over = smallest.device.rating > most * (1 + 1e-9)
    return (NOT_MET if over else MET), f"{said}; the rule has at most {current_words(most)}"


def _current(rule: Rule, result: _Result) -> tuple[str, str]:
    run = result.run
    if run is None:
        return UNKNOWN, "there is no history here, and a limit curve does not say which currents flow"
    if (why := _other_size(rule, result)) is not None:
        return UNKNOWN, why
    names = [rule.values["circuit"]] if "circuit" in rule.values else list(run.circuit_names)
    if not names or names[0] not in run.circuit_names or len(run.time) < 2:
        return UNKNOWN, f'the history has no circuit "{names[0]}"' if names else "the history has no circuit"
    most, lasting = rule.values["current"], rule.values.get("lasting", 0.0)
    longest, highest, step = 0.0, 0.0, 0.0
    for name in names:
        current = run.circuit_current[:, run.circuit_names.index(name)]
        found, width = _longest_above(run.time, current, most)
        longest, step, highest = max(longest, found), max(step, width), max(highest, float(current.max()))
    said = f"the history reaches {current_words(highest)}"
    if longest > 0.0:
        said += f" and stays above {current_words(most)} for at most {time_words(longest)} at a stretch"
    if lasting > 0.0:
        said += f"; the rule counts what lasts longer than {time_words(lasting)}"
    if longest <= 0.0:
        return (MET, said) if run.complete else (UNKNOWN, f"{said}, but it was interrupted")
    if abs(longest - lasting) <= step and lasting > 0.0:
        return UNKNOWN, f"{said}, which is nearer than the stored steps can tell"
    if longest > lasting:
        return NOT_MET, said
    return (MET, said) if run.complete else (UNKNOWN, f"{said}, but it was interrupted")


def _longest_above(time: np.ndarray, current: np.ndarray, most: float) -> tuple[float, float]:
    """Longest stretch with more than ``most`` [A], and the longest step at its ends [s]."""
    above = current > most * (1 + 1e-9)
    best, width, start = 0.0, 0.0, None
    for place, high in enumerate([*above, False]):
        if high and start is None:
            start = place
        elif not high and start is not None:
            # a row holds the current of the step that ends there, so the stretch began with the row before
            begin, end = time[max(start - 1, 0)], time[place - 1]
            if end - begin >= best:
                after = time[min(place, len(time) - 1)] - time[place - 1]
                best, width = float(end - begin), float(max(time[start] - begin, after))
            start = None
    return best, width


def _opens_within(rule: Rule, result: _Result) -> tuple[str, str]:
    entries, why = _devices(rule, result)
    if not entries:
        return UNKNOWN, why
    current = rule.values.get("current", result.curve.fault_current)
    if not np.isfinite(current):
        return UNKNOWN, "the rule names no current and the result has no prospective fault current"
    wanted, said, found = rule.values["time"], [], []
    for entry in entries:
        slow, fast = float(entry.band.slow.time(current)), float(entry.band.fast.time(current))
        if slow <= wanted:
            found.append(MET)
            said.append(f"{entry.device.name} has opened within {time_words(slow)} by its slow edge")
        elif fast > wanted:
            found.append(NOT_MET)
            early = f"opens no earlier than {time_words(fast)}" if np.isfinite(fast) else "need not open at all"
            said.append(f"{entry.device.name} {early}, by its fast edge")
        else:
            found.append(UNKNOWN)
            known = "has no data there" if np.isnan(slow) else f"may take {time_words(slow)}, its slow edge, or less"
            said.append(f"{entry.device.name} {known}")
    words = f"at {current_words(current)} {'; '.join(said)}; the rule has {time_words(wanted)}"
    if MET in found:  # in series, one that opens is enough
        return MET, words
    return (NOT_MET if set(found) == {NOT_MET} else UNKNOWN), words


def _opens_before(rule: Rule, result: _Result) -> tuple[str, str]:
    entries, why = _devices(rule, result)
    if not entries:
        return UNKNOWN, why
    name = rule.values["limit"]
    known = [limit.limit for limit in entries[0].limits]
    if name not in known:
        return UNKNOWN, f'the result has no limit "{name}"; it has {", ".join(known)}'
    outcomes, said, shared = [], [], None
    for entry in entries:
        intervals = next(limit for limit in entry.limits if limit.limit == name).intervals
        low = rule.values.get("lowest", intervals[0].low)
        high = rule.values.get("highest", intervals[-1].high)
        inside = [one for one in intervals if min(one.high, high) > max(one.low, low)]
        late = _clipped(inside, ("uncovered", "below_pickup"), low, high)
        open_ = _clipped(inside, ("within_band", "unknown"), low, high)
        beyond = low < intervals[0].low * (1 - _HAIR) or high > intervals[-1].high * (1 + _HAIR)
        shared = late if shared is None else _in_common(shared, late)
        if late:
            outcomes.append(NOT_MET)
            said.append(f"{entry.device.name} need not open before the limit from {ranges_words(late)}")
        elif open_ or beyond or not inside:
            outcomes.append(UNKNOWN)
            where = f"from {ranges_words(open_)}" if open_ else "beyond the compared currents"
            said.append(f"{entry.device.name} may or may not open before the limit {where}")
        else:
            outcomes.append(MET)
            said.append(f"{entry.device.name} opens before the limit from {current_words(low)} to {current_words(high)}")
    if MET in outcomes:
        return MET, "; ".join(said)
    return (NOT_MET if shared else UNKNOWN), "; ".join(said)


def _in_common(first, second) -> list[tuple[float, float]]:
    """Ranges in which no device of a series opens in time."""
    return [(max(a, c), min(b, d)) for a, b in first for c, d in second if max(a, c) < min(b, d)]


def _clipped(intervals, verdicts, low: float, high: float) -> list[tuple[float, float]]:
    return [(max(one.low, low), min(one.high, high)) for one in intervals if one.verdict in verdicts]


def _temperature(rule: Rule, result: _Result) -> tuple[str, str]:
    curve = result.curve
    if curve is None:
        return UNKNOWN, "there is no limit curve here, which holds temperatures at constant currents"
    most, current, time = (rule.values[key] for key in ("temperature", "current", "time"))
    if not curve.current[0] <= current <= curve.current[-1]:
        span = f"{current_words(curve.current[0])} to {current_words(curve.current[-1])}"
        return UNKNOWN, f"{current_words(current)} is not among the currents computed, {span}"
    # a temperature at a stated time is what a device would find that opens just then
    then = Edge("slow", (Stretch("maker", (curve.current[0] / 2, curve.current[-1] * 2), (time, time)),))
    found = worst_opening(curve, then, [(current * (1 - _HAIR), current * (1 + _HAIR))])
    start = f"from a start {curve.start_description}" if curve.start_description else "from the start of the curve"
    at = f"after {time_words(time)} at {current_words(current)}, {start},"
    if found is not None and np.isfinite(found.temperature):
        said = f"the hottest conductor has {temperature_words(found.temperature)} {at} against {temperature_words(most)}"
        return (MET if found.temperature <= most else NOT_MET), said
    if found is not None and np.isfinite(found.at_least):
        said = f"the hottest conductor has at least {temperature_words(found.at_least)} {at} against {temperature_words(most)}"
        return (NOT_MET if found.at_least > most else UNKNOWN), said
    return UNKNOWN, f"no temperature is stored for {time_words(time)} at {current_words(current)}"


def _peak(rule: Rule, result: _Result) -> tuple[str, str]:
    run = result.run
    if run is None:
        return UNKNOWN, "there is no history here"
    if "part" in rule.values:
        part = rule.values["part"]
        if part not in run.section.part_names:
            return UNKNOWN, f'the history has no part "{part}"'
        course, named = run.part_maximum[:, run.section.part_names.index(part)], f"hottest place of {part}"
    elif run.conductor_names:
        course, named = run.conductor_temperature.max(axis=1), "hottest conductor"
    else:
        return UNKNOWN, "the history has no conductor"
    if not len(course):
        return UNKNOWN, "the history holds no step"
    peak, most = float(course.max()), rule.values["temperature"]
    said = f"the {named} reaches {temperature_words(peak)} in this history against {temperature_words(most)}"
    if peak > most:
        return NOT_MET, said
    return (MET, said) if run.complete else (UNKNOWN, f"{said}, but the history was interrupted")


def _devices(rule: Rule, result: _Result) -> tuple[Sequence[DeviceCoverage], str]:
    """Devices a rule speaks of, and why there is none."""
    if result.coverage is None or result.curve is None:
        return (), "no device was compared with a limit curve here"
    entries = result.coverage.devices
    name = rule.values.get("device")
    if name is None:
        return entries, "" if entries else "the result has no device"
    chosen = [entry for entry in entries if entry.device.name == name]
    return chosen, "" if chosen else f'the result has no device "{name}"'


def _other_size(rule: Rule, result: _Result) -> str | None:
    """Why a rule for a conductor size cannot be told of this result; None where it can, or names no size."""
    wanted = rule.values.get("conductor_size")
    if wanted is None:
        return None
    areas = [
        entry["metal_area"]["value"]
        for record in result.records
        for entry in record.resolved.get("conductors", ())
        if entry["circuit"] is not None and entry["current_factor"] > 0
    ]
    if not areas:
        return "the result does not say which conductors carry current"
    smallest = min(areas)
    if abs(smallest / wanted - 1) <= SAME_SIZE:
        return None
    return f"its smallest loaded conductor has {1e6 * smallest:.3g} mm², the rule is for {1e6 * wanted:.3g} mm²"


_CHECKS: dict[str, Callable[[Rule, _Result], tuple[str, str]]] = {
    "device_rating_at_most": _device_rating,
    "current_at_most": _current,
    "opens_within": _opens_within,
    "opens_before_limit": _opens_before,
    "temperature_at_most": _temperature,
    "peak_at_most": _peak,
}
