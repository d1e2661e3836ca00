"""What would close the gap: the largest (or smallest) value of one listed quantity at which a device still opens in time.

Device ratings are searched on the stored limit curve and solve nothing. Everything else (conductor size, thickness of
fill, number of cables, ambient, load before) changes the cable's own curve, which is solved again for each value tried: the
search is then a bisection of the list, and says what it costs before it starts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

from ampsoak.base.errors import UsageError
from ampsoak.coverage.compare import Coverage, cover
from ampsoak.coverage.plain import plain
from ampsoak.coverage.words import current_words, temperature_words
from ampsoak.library.load import device_family
from ampsoak.runfile.records import Curve
from ampsoak.scenario.case import DeviceChoice, Scenario
from ampsoak.study.curve import limit_curve
from ampsoak.study.estimate import estimate

CLEARING = ("never_reached", "covered")


@dataclass(frozen=True)
class Trial:
    """One value that was tried.

    Parameters
    ----------
    label : str               the value in words: "16 A", "100 mm of fill"
    clears : bool             the device opens in time at every current asked about
    binding : str             what prevents it, "" where it clears
    open_ranges : tuple of (limit, low [A], high [A], verdict)    where it does not clear
    """

    label: str
    clears: bool
    binding: str
    open_ranges: tuple[tuple[str, float, float, str], ...]


@dataclass(frozen=True)
class Closing:
    """Result of a search.

    Parameters
    ----------
    quantity : str             what was varied
    candidates : tuple of str  all listed values, in the order from easiest to hardest to clear
    trials : tuple of Trial    those tried, in the same order
    answer : str or None       the last of the list that clears with all before it; None where none does
    next_binding : str         what prevents the next one, "" where the whole list clears
    monotonic : bool           no tried value clears after one that does not
    solved : int               limit curves solved for it
    """

    quantity: str
    candidates: tuple[str, ...]
    trials: tuple[Trial, ...]
    answer: str | None
    next_binding: str
    monotonic: bool
    solved: int

    def to_dict(self) -> dict:
        """Everything, ready for strict JSON; the text stands under "text"."""
        return {field.name: plain(getattr(self, field.name)) for field in fields(self)} | {"text": self.text}

    @property
    def text(self) -> str:
        """The answer in plain language."""
        tried = f"{len(self.trials)} of {len(self.candidates)} listed values tried, {self.solved} limit curves solved"
        listed = f"{self.candidates[0]} to {self.candidates[-1]}"
        if self.answer is None:
            said = f"No listed value of {self.quantity} ({listed}) lets the device open in time at every current asked about"
        elif self.answer == self.candidates[-1]:
            said = f"Every listed value of {self.quantity} ({listed}) up to {self.answer} lets the device open in time"
        else:
            said = f"The last listed value of {self.quantity} at which the device opens in time is {self.answer}"
        lines = [f"{said} ({tried})."]
        if self.next_binding:
            lines.append(f"What prevents the next one: {self.next_binding}.")
        if not self.monotonic:
            lines.append(
                "The order of the list is not one from easy to hard here: a later value clears after one that does not."
            )
        return " ".join(lines)


def binding_words(coverage: Coverage, device: str, lowest: float, highest: float) -> tuple[str, tuple]:
    """What prevents a device from opening in time between two currents [A], and where; ("", ()) where nothing does."""
    entry = next(entry for entry in coverage.devices if entry.device.name == device)
    found = [
        (limit, max(interval.low, lowest), min(interval.high, highest), interval)
        for limit in entry.limits
        for interval in limit.intervals
        if interval.verdict not in CLEARING and min(interval.high, highest) > max(interval.low, lowest)
    ]
    if not found:
        return "", ()
    # the least margin is the tightest; an unknown one (nan) says less than any number
    limit, low, high, interval = min(found, key=lambda row: math.inf if math.isnan(row[3].margin) else row[3].margin)
    kind = {
        "below_pickup": f"need not open, it has to carry {current_words(entry.device.hold_current)}",
        "uncovered": "opens too late even by its fast edge",
        "within_band": "may open too late, by its slow edge",
        "unknown": f"is not known to open in time ({interval.reason})",
    }[interval.verdict]
    words = (
        f'limit "{limit.limit}" ({temperature_words(limit.temperature)}) from {current_words(low)} to {current_words(high)}, '
        f"where the device {kind}"
    )
    ranges = tuple((row[0].limit, float(row[1]), float(row[2]), row[3].verdict) for row in found)
    return words, ranges


def largest_rating(
    curve: Curve,
    device: DeviceChoice,
    *,
    ratings: Sequence[float] | None = None,
    load: float = 0.0,
    lowest: float | None = None,
    highest: float | None = None,
    basis: str | None = None,
) -> Closing:
    """The largest rating of a device that opens in time at every current of a stored limit curve; solves nothing.

    Parameters
    ----------
    curve : Curve
    device : DeviceChoice            standard, type and the rest; its rating is what is varied
    ratings : sequence or None       [A]; None takes those of the family
    load : float                     current the circuit has to carry [A]; smaller ratings are left out
    lowest, highest : float or None  currents asked about [A]; None takes the ends of the curve
    basis : str or None              edges the verdicts rest on, as in ``cover``

    Returns
    -------
    Closing

    Raises
    ------
    UsageError    a device of given points (it has no family of ratings), or no rating at or above the load
    """
    if device.standard == "points":
        raise UsageError(
            f'device "{device.name}" is given by points; ratings can only be searched in a standard\'s family'
        )
    family = device_family(device.standard)
    known = family.ratings if ratings is None else tuple(sorted(ratings))
    type = device.type or (family.types[0] if len(family.types) == 1 else "")
    usable = [
        rating for rating in known if rating >= load and (rating not in family.ratings or family.points(rating, type))
    ]
    if not usable:
        raise UsageError(f"no listed rating of {family.standard} carries the load of {load:g} A")
    low = float(curve.current[0]) if lowest is None else lowest
    high = (
        max(float(curve.current[-1]), curve.fault_current if curve.fault_current > 0 else 0.0)
        if highest is None
        else highest
    )

    def attempt(rating: float) -> Trial:
        choice = replace(device, rating=float(rating))
        words, ranges = binding_words(cover(curve, [choice], basis), device.name, low, high)
        return Trial(f"{rating:g} A", not words, words, ranges)

    trials = [attempt(rating) for rating in usable]
    result = _closing(f"the rating of {family.standard} {type}".rstrip(), [trial.label for trial in trials], trials, 0)
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
    """

    label: str
    scenario: Callable[[], Scenario]


def expected_cost(candidates: Sequence[Candidate]) -> tuple[int, float]:
    """Limit curves a search will solve at most, and seconds it will take by the estimate of the first candidate."""
    count = min(len(candidates), 2 + max(0, math.ceil(math.log2(max(len(candidates), 1)))))
    return count, count * float(estimate(candidates[0].scenario())["expected_seconds_curve"])


def closing_search(
    quantity: str,
    candidates: Sequence[Candidate],
    device: DeviceChoice,
    *,
    lowest: float | None = None,
    highest: float | None = None,
    basis: str | None = None,
    currents=None,
    progress: Callable[[str], None] | None = None,
) -> Closing:
    """Bisect a list of values of one quantity, solving a limit curve for each value tried.

    Parameters
    ----------
    quantity : str                       in words: "fill thickness"
    candidates : sequence of Candidate   from the easiest to clear (thinnest fill, largest conductor) to the hardest
    device : DeviceChoice
    lowest, highest, basis : as in ``largest_rating``
    currents : floats or None            own currents of the limit curves [A]
    progress : callable or None          called with the label of each value before it is solved

    Returns
    -------
    Closing    ``monotonic`` holds for the values tried: both ends and the bracket

    Raises
    ------
    UsageError    no candidate
    """
    if not candidates:
        raise UsageError(f"no value of {quantity} was listed")
    found: dict[int, Trial] = {}

    def clears(number: int) -> bool:
        if number not in found:
            candidate = candidates[number]
            if progress is not None:
                progress(candidate.label)
            curve = limit_curve(candidate.scenario(), currents=currents)
            low = float(curve.current[0]) if lowest is None else lowest
            high = float(curve.current[-1]) if highest is None else highest
            words, ranges = binding_words(cover(curve, [device], basis), device.name, low, high)
            found[number] = Trial(candidate.label, not words, words, ranges)
        return found[number].clears

    good, bad = 0, len(candidates) - 1
    first, last = clears(good), clears(bad)
    if first and not last:
        while bad - good > 1:
            middle = (good + bad) // 2
            good, bad = (middle, bad) if clears(middle) else (good, middle)
    labels = [candidate.label for candidate in candidates]
    return _closing(quantity, labels, [found[number] for number in sorted(found)], len(found))


def _closing(quantity: str, labels: list[str], trials: list[Trial], solved: int) -> Closing:
    """Closing from trials in the order of the list."""
    failed = next((number for number, trial in enumerate(trials) if not trial.clears), len(trials))
    return Closing(
        quantity=quantity,
        candidates=tuple(labels),
        trials=tuple(trials),
        answer=trials[failed - 1].label if failed else None,
        next_binding=trials[failed].binding if failed < len(trials) else "",
        monotonic=not any(trial.clears for trial in trials[failed:]),
        solved=solved,
    )
