"""The comparison in plain sentences.

A sentence says what the computed curve and the device's edges do, never that something complies, is free of danger, or
brought something about. Times carry two or three figures, because the inputs do not support more.
"""

from __future__ import annotations

import math

from ampsoak.coverage.limit_line import AdiabaticCheck
from ampsoak.coverage.opening import WorstOpening
from ampsoak.coverage.partition import Interval

KIND_WORDS = {
    "standard": "provable from the standard",
    "interpolated": "drawn between the standard's points",
    "maker": "given points",
    "default": "our default model",
}


def current_words(current: float) -> str:
    """Current [A] with three figures: "27.4 A"."""
    return f"{_figures(current, 3)} A"


def time_words(time: float) -> str:
    """Time [s] with two figures in the unit that suits: "0.10 s", "51 s", "52 min", "2.0 h", "3.1 d"."""
    if math.isinf(time):
        return "never"
    for unit, size, until in (("s", 1.0, 120.0), ("min", 60.0, 7200.0), ("h", 3600.0, 172800.0)):
        if time < until:
            return f"{_figures(time / size, 2)} {unit}"
    return f"{_figures(time / 86400.0, 2)} d"


def temperature_words(temperature: float) -> str:
    """Temperature [K] as whole degrees: "143 °C"."""
    return f"{temperature - 273.15:.0f} °C"


SLIVER = 1e-3  # of a current: a range narrower than that is printed as one current with its width


def range_words(low: float, high: float) -> tuple[str, ...]:
    """Ends of a range of current: "27.4 A", "43.1 A"; of a sliver one current with its width: "27.41 A (0.004 A wide)"."""
    if is_sliver(low, high):
        width = float(f"{high - low:.1g}")
        return (f"{_figures(math.sqrt(low * high), 4)} A ({_figures(width, 1)} A wide)",)
    return current_words(low), current_words(high)


def is_sliver(low: float, high: float) -> bool:
    """True for a range so narrow that its ends would be printed alike."""
    return high - low < SLIVER * low


def interval_words(interval: Interval, limit_temperature: float, hold_current: float, first: bool, last: bool) -> str:
    """One interval as a sentence.

    Parameters
    ----------
    interval : Interval
    limit_temperature : float     [K]
    hold_current : float          current the device has to carry [A]
    first, last : bool            whether it begins or ends the compared range
    """
    limit = temperature_words(limit_temperature)
    where = _where(interval, first, last)
    rests = dict(part.split(", ") for part in interval.decided_by.split("; ") if ", " in part)
    slow, fast = (KIND_WORDS.get(rests.get(f"{side} edge", ""), "") for side in ("slow", "fast"))
    line = "the adiabatic line reaches" if interval.limit_from == "adiabatic" else "the cable passes"
    if interval.verdict == "never_reached":
        return f"{where} the cable's steady temperature stays below {limit}."
    if interval.verdict == "covered":
        margin = ""
        if math.isfinite(interval.margin):
            ratio = f"{_figures(interval.margin, 2)} at {current_words(interval.margin_current)}"
            margin = f"; the time to the limit over the device's time is at least {ratio}"
        return f"{where} the device opens, by its slow edge ({slow}), before {line} {limit}{margin}."
    if interval.verdict == "within_band":
        return (
            f"{where} {line} {limit} before the slow edge ({slow}) obliges the device to open, but after its fast edge "
            f"({fast}): it depends on the individual device."
        )
    if interval.verdict == "uncovered" and interval.decided_by == "cable":
        return f"{where} {limit} is passed already at the start."
    if interval.verdict == "uncovered":
        return f"{where} {line} {limit} before even the fast edge ({fast}) of the device opens."
    if interval.verdict == "below_pickup":
        carried = current_words(hold_current)
        return f"{where} the cable passes {limit}, and the device is not obliged to open: it has to carry {carried}."
    return f"{where} nothing can be said: {interval.reason}."


def ranges_words(ranges) -> str:
    """Ranges of current: "27.4 A to 43.1 A and 60.0 A to 72.0 A"; of three the first two are parted by a comma."""
    words = [" to ".join(range_words(low, high)) for low, high in ranges]
    return " and ".join(([", ".join(words[:-1])] if words[1:] else []) + words[-1:])


def model_words(basis: str, covered) -> str:
    """What the model edges say of the ranges that the standard leaves open.

    Parameters
    ----------
    basis : str                      "default" or "interpolated"
    covered : sequence of (low, high)    currents [A] at which that slow edge opens in time
    """
    whose = "of our default model" if basis == "default" else KIND_WORDS[basis]
    edge = f"The slow edge {whose}, which no standard promises,"
    if not covered:
        return f"{edge} is too late there as well."
    return f"{edge} opens in time from {ranges_words(covered)}."


def adiabatic_words(check: AdiabaticCheck) -> str:
    """The check against the adiabatic line as a sentence, "" where there was nothing to compare."""
    if not math.isfinite(check.ratio):
        return ""
    said = (
        f'Between 0.1 and 5 s the time to limit "{check.limit}" is {_figures(check.ratio, 3)} times the adiabatic '
        f"line's at {current_words(check.current)}, where they are furthest apart"
    )
    if math.isfinite(check.expected):
        said += f"; without loss of heat it would be {_figures(check.expected, 3)} times, its temperatures being others"
    return f"{said}."


def worst_words(worst: WorstOpening, basis: str) -> str:
    """What the hottest conductor reaches when the slow edge of ``basis`` opens, as a sentence."""
    edge = f"the slow edge ({KIND_WORDS[basis]})"
    at = f"at {current_words(worst.current)}"
    if worst.outcome == "opens":
        reached = f"the hottest conductor has reached {temperature_words(worst.temperature)} {at}, at the worst"
        return f"When {edge} opens, after {time_words(worst.time)}, {reached}."
    if worst.outcome == "settles":
        settled = temperature_words(worst.temperature)
        return f"Where {edge} never opens, the hottest conductor settles at {settled} {at}, at the worst."
    least = f", at least {temperature_words(worst.at_least)}" if math.isfinite(worst.at_least) else ""
    if worst.outcome == "no_steady_state":
        return f"Where {edge} never opens, no steady temperature was found {at}: the conductor goes on heating{least}."
    return f"What the conductor reaches {at} by {edge} lies past the stored history{least}."


def _where(interval: Interval, first: bool, last: bool) -> str:
    if is_sliver(interval.low, interval.high):
        return f"At about {range_words(interval.low, interval.high)[0]}"
    low, high = current_words(interval.low), current_words(interval.high)
    if interval.low_bracket and not first:
        low = f"{low} (the limit is first reached between {' and '.join(map(current_words, interval.low_bracket))})"
    ends = " (the largest compared)" if last else ""
    return f"Up to {high}{ends}" if first and not last else f"From {low} to {high}{ends}"


def _figures(number: float, figures: int) -> str:
    """Number with so many significant figures, never in powers of ten."""
    if number == 0.0 or not math.isfinite(number):
        return f"{number:g}"
    digits = figures - 1 - math.floor(math.log10(abs(number)))
    rounded = round(number, digits)
    return f"{rounded:.{max(digits, 0)}f}"
