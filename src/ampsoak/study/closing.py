"""What would close the gap: the values of one quantity at which a device still opens in time.

Device ratings are searched on the stored limit curve and solve nothing. Everything else (conductor size, fill, number of
cables, air temperature, load before) changes the cable's own curve, which is solved once for each value tried. Both ends and
the middle are tried first: where those three do not change once from "opens in time" to "does not" (or back), the order is no
guide and the list is scanned; otherwise the change is bracketed and halved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
from scipy.optimize import bisect

from ampsoak.base.errors import NumericalError, ScenarioError, UsageError
from ampsoak.coverage.plain import plain
from ampsoak.library.load import device_family
from ampsoak.runfile.records import Curve
from ampsoak.scenario.case import DeviceChoice, Scenario
from ampsoak.study.closing_question import Binding, Question
from ampsoak.study.curve import limit_curve
from ampsoak.study.estimate import estimate

SCANNED = 9  # values of a continuous quantity tried where its order is no guide
_FIGURES = 4  # to which values of a continuous quantity are rounded before they are tried


@dataclass(frozen=True)
class Trial:
    """One value that was tried.

    Parameters
    ----------
    label : str                 the value in words: "16 A", "100 mm of fill"
    value : float               the same as a number; nan where it has none
    unit : str                  of ``value``
    clears : bool               the device opens in time at every current asked about
    binding : Binding or None   what prevents it, None where it clears or could not be tried
    open_ranges : tuple of (limit, low [A], high [A], verdict)    where it does not clear
    fault : str                 why there is no such case, "" where there is
    curve : str                 canonical hash of the limit curve that was compared
    """

    label: str
    value: float
    unit: str
    clears: bool
    binding: Binding | None
    open_ranges: tuple[tuple[str, float, float, str], ...] = ()
    fault: str = ""
    curve: str = ""


@dataclass(frozen=True)
class Closing:
    """Result of a search.

    Parameters
    ----------
    quantity : str             what was varied, in words
    candidates : tuple of str  all listed values in their order, or both ends of a continuous quantity
    present : str              the value of the scenario, "" where it is not among them
    trials : tuple of Trial    those tried, in the same order
    answer : str or None       the last value that clears before the first that does not (from the other end where the order
                               runs the other way); None where none clears
    clearing : tuple of str    every value tried that clears
    next_binding : str         what prevents the value next to the answer, "" where every value clears
    monotonic : bool           the values tried change at most once between clearing and not
    reversed : bool            later values clear and earlier ones do not
    within : str               width to which the change was bracketed, "" for a list
    solved : int               limit curves solved or read for it
    """

    quantity: str
    candidates: tuple[str, ...]
    present: str
    trials: tuple[Trial, ...]
    answer: str | None
    clearing: tuple[str, ...]
    next_binding: str
    monotonic: bool
    reversed: bool
    within: str
    solved: int

    def to_dict(self) -> dict:
        """Everything, ready for strict JSON; the text stands under "text"."""
        return {field.name: plain(getattr(self, field.name)) for field in fields(self)} | {"text": self.text}

    @property
    def text(self) -> str:
        """The answer in plain language."""
        count = f"{len(self.trials)} of {len(self.candidates)} listed values" if not self.within else f"{len(self.trials)} values"
        curves = f"{self.solved} limit curve{'' if self.solved == 1 else 's'}" if self.solved else "no limit curve"
        tried = f"{count} tried on {curves} of their own"
        listed = f"{self.candidates[0]} to {self.candidates[-1]}"
        kind = "listed value" if not self.within else "value tried"
        if self.answer is None:
            said = f"No {kind} of {self.quantity} ({listed}) lets the device open in time at every current asked about"
        elif len(self.clearing) == len(self.trials):
            some = "" if self.within or len(self.trials) == len(self.candidates) else " that was tried"
            said = f"Every {kind} of {self.quantity}{some} ({listed}) lets the device open in time"
        elif not self.monotonic:
            said = f"Values tried of {self.quantity} at which the device opens in time: {', '.join(self.clearing)}"
        else:
            last = "first" if self.reversed else "last"
            said = f"The {last} {kind} of {self.quantity} ({listed}) at which the device opens in time is {self.answer}"
            said += f", to within {self.within}" if self.within else ""
        lines = [f"{said} ({tried})."]
        if self.present:
            lines.append(f"The scenario has {self.present}.")
        if self.next_binding:
            lines.append(f"What prevents {'it' if self.answer is None else 'the next one'}: {self.next_binding}.")
        if not self.monotonic:
            lines.append(
                "The order is not one from easy to hard here: a later value clears after one that does not, so values between "
                "those tried cannot be told from their neighbours."
            )
        return " ".join(lines)


def largest_rating(
    curve: Curve,
    device: DeviceChoice,
    *,
    ratings: Sequence[float] | None = None,
    load: float = 0.0,
    lowest: float | None = None,
    highest: float | None = None,
    basis: str | None = None,
    limits: tuple[str, ...] = (),
) -> Closing:
    """The largest rating of a device that opens in time at every current of a stored limit curve; solves nothing.

    Parameters
    ----------
    curve : Curve
    device : DeviceChoice            standard, type and the rest; its rating is what is varied
    ratings : sequence or None       [A]; None takes those of the family
    load : float                     current the circuit has to carry [A]; smaller ratings are left out
    lowest, highest, basis, limits : as in ``Question``

    Returns
    -------
    Closing

    Raises
    ------
    UsageError    a device that is no member of a family (points, relays), or no rating at or above the load
    """
    if not isinstance(device, DeviceChoice) or device.standard == "points":
        given = "given by points" if isinstance(device, DeviceChoice) else "a relay"
        raise UsageError(f'device "{device.name}" is {given}; ratings can only be searched in a standard\'s family')
    family = device_family(device.standard)
    known = family.ratings if ratings is None else tuple(sorted(ratings))
    type = device.type or (family.types[0] if len(family.types) == 1 else "")
    usable = [
        rating for rating in known if rating >= load and (rating not in family.ratings or family.points(rating, type))
    ]
    if not usable:
        raise UsageError(f"no listed rating of {family.standard} carries the load of {load:g} A")
    question = Question(device, lowest, highest, basis, limits)

    def attempt(rating: float) -> Trial:
        binding, ranges = question.ask(curve, replace(device, rating=float(rating)))
        return Trial(f"{rating:g} A", float(rating), "A", binding is None, binding, ranges, curve=curve.canonical_hash)

    trials = [attempt(rating) for rating in usable]
    labels = [trial.label for trial in trials]
    present = f"{device.rating:g} A" if device.rating in usable else ""
    result = closing_of(f"the rating of {family.standard} {type}".rstrip(), labels, trials, present=present)
    left_out = [rating for rating in known if rating < load]
    if result.answer is None and left_out:
        smaller = f"; ratings below the load of {load:g} A were left out"
        return replace(result, next_binding=result.next_binding + smaller)
    return result


@dataclass(frozen=True)
class Candidate:
    """One value of a quantity that changes the cable's own curve.

    Parameters
    ----------
    label : str
    scenario : callable    returns the Scenario with this value
    value : float          the value as a number, nan where it has none
    unit : str             of ``value``
    """

    label: str
    scenario: Callable[[], Scenario]
    value: float = math.nan
    unit: str = ""


@dataclass(frozen=True)
class Span:
    """A continuous quantity that changes the cable's own curve.

    Parameters
    ----------
    low, high : float      ends [``unit``]
    unit : str             in which values are given
    within : float         width to which a change is bracketed [``unit``]
    scenario : callable    returns the Scenario with a value [``unit``]
    """

    low: float
    high: float
    unit: str
    within: float
    scenario: Callable[[float], Scenario]

    def candidate(self, value: float) -> Candidate:
        """The value, rounded to what is written, as a candidate."""
        value = float(f"{value:.{_FIGURES}g}")
        return Candidate(f"{value:g} {self.unit}", lambda: self.scenario(value), value, self.unit)


def most_solved(values: Sequence[Candidate] | Span) -> int:
    """Limit curves a search solves at most where the order of its values is a guide."""
    if isinstance(values, Span):
        # both ends, the middle, and halvings of one half
        return 3 + math.floor(math.log2(max(abs(values.high - values.low) / values.within, 1.0)))
    count = len(values)
    return min(count, 3 + max(0, math.ceil(math.log2(max(count / 2, 1.0)))))


def expected_cost(values: Sequence[Candidate] | Span, case: Scenario | None = None) -> tuple[int, float]:
    """Limit curves a search will solve at most, and seconds it will take by the estimate of ``case`` (or the first value)."""
    count = most_solved(values)
    if case is None:
        case = values.scenario(values.low) if isinstance(values, Span) else values[0].scenario()
    return count, count * float(estimate(case)["expected_seconds_curve"])


def closing_search(
    quantity: str,
    values: Sequence[Candidate] | Span,
    question: Question,
    *,
    present: str = "",
    solve: Callable[[Candidate, Scenario], Curve] | None = None,
    tried: Callable[[Trial], None] | None = None,
) -> Closing:
    """Search a list or a span of one quantity, with a limit curve for each value tried.

    Parameters
    ----------
    quantity : str                                  in words: "fill thickness"
    values : sequence of Candidate, or Span         from the easiest to clear (thinnest fill, largest conductor) to the hardest
    question : Question
    present : str                                   the scenario's own value, for the words
    solve : callable or None                        gives the limit curve of a candidate; None solves it
    tried : callable or None                        called with each Trial as soon as it is known

    Returns
    -------
    Closing    ``monotonic`` holds for the values tried

    Raises
    ------
    UsageError    no value, or as ``Question.ask``
    """
    if not isinstance(values, Span) and not values:
        raise UsageError(f"no value of {quantity} was listed")
    found: dict[float, Trial] = {}
    solved = 0

    def clears(place: float) -> bool:
        nonlocal solved
        candidate = values.candidate(place) if isinstance(values, Span) else values[int(place)]
        key = candidate.value if isinstance(values, Span) else place
        if key not in found:
            found[key], curves = _trial(candidate, question, solve)
            solved += curves
            if tried is not None:
                tried(found[key])
        return found[key].clears

    if isinstance(values, Span):
        _search_span(values, clears)
        labels, within = [values.candidate(end).label for end in (values.low, values.high)], f"{values.within:g} {values.unit}"
        order = sorted(found, reverse=values.high < values.low)
    else:
        _search_list(len(values), clears)
        labels, within, order = [candidate.label for candidate in values], "", sorted(found)
    return closing_of(quantity, labels, [found[key] for key in order], solved, present, within)


def _trial(candidate: Candidate, question: Question, solve) -> tuple[Trial, int]:
    """One value, and how many curves it took."""
    try:
        case = candidate.scenario()
    except ScenarioError as error:
        fault = error.faults[0]
        said = f"{fault.key}: {fault.message}"
        return Trial(candidate.label, candidate.value, candidate.unit, False, None, fault=said), 0
    try:
        curve = limit_curve(case) if solve is None else solve(candidate, case)
    except NumericalError as error:  # no soaked start: the load alone has no steady state
        return Trial(candidate.label, candidate.value, candidate.unit, False, None, fault=str(error)), 0
    binding, ranges = question.ask(curve)
    trial = Trial(candidate.label, candidate.value, candidate.unit, binding is None, binding, ranges, "", curve.canonical_hash)
    return trial, 1


def _changes(row: Sequence[bool]) -> int:
    return sum(one != other for one, other in pairwise(row))


def _search_list(count: int, clears: Callable[[float], bool]) -> None:
    places = sorted({0, (count - 1) // 2, count - 1})
    row = [clears(place) for place in places]
    if _changes(row) > 1:
        for place in range(count):
            clears(place)
        return
    for low, high, first, last in zip(places, places[1:], row, row[1:]):
        while first != last and high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if clears(middle) == first else (low, middle)


def _search_span(span: Span, clears: Callable[[float], bool]) -> None:
    places = [span.low, (span.low + span.high) / 2, span.high]
    row = [clears(place) for place in places]
    if _changes(row) > 1:
        for place in np.linspace(span.low, span.high, SCANNED):
            clears(float(place))
        return
    for low, high, first, last in zip(places, places[1:], row, row[1:]):
        if first != last and abs(high - low) > span.within:
            # only the sign is known: what a value misses by has no size where a device never has to open
            bisect(lambda place: 1.0 if clears(place) else -1.0, low, high, xtol=span.within)


def closing_of(
    quantity: str, labels: Sequence[str], trials: Sequence[Trial], solved: int = 0, present: str = "", within: str = ""
) -> Closing:
    """Closing from trials in the order of the list."""
    row = [trial.clears for trial in trials]
    turned = bool(row) and not row[0] and row[-1]
    ordered = list(reversed(trials)) if turned else list(trials)
    failed = next((number for number, trial in enumerate(ordered) if not trial.clears), len(ordered))
    clearing = tuple(trial.label for trial in trials if trial.clears)
    beyond = ordered[failed] if failed < len(ordered) else None
    why = "" if beyond is None else beyond.binding.words if beyond.binding else f"there is no such case, {beyond.fault}"
    return Closing(
        quantity=quantity,
        candidates=tuple(labels),
        present=present,
        trials=tuple(trials),
        answer=ordered[failed - 1].label if failed else clearing[-1] if clearing else None,
        clearing=clearing,
        next_binding=why,
        monotonic=_changes(row) <= 1,
        reversed=turned,
        within=within,
        solved=solved,
    )
