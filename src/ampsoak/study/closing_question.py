"""What a search for what would close the gap asks of each value, and what prevents the device where it does not clear."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.coverage.compare import Coverage, cover
from ampsoak.coverage.words import KIND_WORDS, current_words, temperature_words
from ampsoak.runfile.records import Curve
from ampsoak.scenario.case import DeviceChoice

CLEARING = ("never_reached", "covered")


@dataclass(frozen=True)
class Binding:
    """What prevents a device from opening in time where it comes closest to it.

    Parameters
    ----------
    limit : str            name of the limit
    temperature : float    of the limit [K]
    low, high : float      range of current over which it is so [A]
    current : float        where the limit falls earliest against the device's time, or the first of the range [A]
    verdict : str          as in ``coverage.partition``
    edge : str             what the verdict rests on: "slow edge, standard", "hold current, standard", ...
    words : str            all of it in words
    """

    limit: str
    temperature: float
    low: float
    high: float
    current: float
    verdict: str
    edge: str
    words: str


@dataclass(frozen=True)
class Question:
    """What is asked of each value: does the device open before the limits, at every current?

    Parameters
    ----------
    device : DeviceChoice
    lowest, highest : float or None    currents asked about [A]; None takes the ends of the curve
    basis : str or None                edges the verdicts rest on, as in ``cover``
    limits : tuple of str              names of limits; empty takes all
    """

    device: DeviceChoice
    lowest: float | None = None
    highest: float | None = None
    basis: str | None = None
    limits: tuple[str, ...] = ()

    def ask(self, curve: Curve, device: DeviceChoice | None = None) -> tuple[Binding | None, tuple]:
        """What prevents the device (or another one) from opening in time on a curve, and where; (None, ()) for nothing.

        Raises
        ------
        UsageError    the curve has no limit of a name asked for, or as ``cover``
        """
        known = [limit["name"] for limit in curve.limits]
        for name in self.limits:
            if name not in known:
                nearest = nearest_name(name, known)
                hint = f'; did you mean "{nearest}"?' if nearest else ""
                raise UsageError(f'there is no limit "{name}"; there are {", ".join(known)}{hint}')
        device = device or self.device
        highest = max(float(curve.current[-1]), curve.fault_current if curve.fault_current > 0 else 0.0)
        low = float(curve.current[0]) if self.lowest is None else self.lowest
        high = highest if self.highest is None else self.highest
        return binding_of(cover(curve, [device], self.basis), device.name, low, high, self.limits)


def binding_of(
    coverage: Coverage, device: str, lowest: float, highest: float, limits: Sequence[str] = ()
) -> tuple[Binding | None, tuple]:
    """What prevents a device from opening in time between two currents [A], and where; (None, ()) where nothing does.

    Parameters
    ----------
    coverage : Coverage
    device : str                 its name
    lowest, highest : float      [A]
    limits : sequence of str     names; empty takes all
    """
    entry = next(entry for entry in coverage.devices if entry.device.name == device)
    found = [
        (limit, max(interval.low, lowest), min(interval.high, highest), interval)
        for limit in entry.limits
        if not limits or limit.limit in limits
        for interval in limit.intervals
        if interval.verdict not in CLEARING and min(interval.high, highest) > max(interval.low, lowest)
    ]
    if not found:
        return None, ()
    # the least margin is the tightest; an unknown one (nan) says less than any number
    limit, low, high, interval = min(found, key=lambda row: math.inf if math.isnan(row[3].margin) else row[3].margin)
    inside = interval.margin > 0 and low <= interval.margin_current <= high
    current = interval.margin_current if inside else low
    edge = interval.decided_by.split("; ")[0]
    rests = KIND_WORDS.get(edge.rpartition(", ")[2], "")
    rests = f" ({rests})" if rests else ""
    kind = {
        "below_pickup": f"need not open, it has to carry {current_words(entry.device.hold_current)}",
        "uncovered": f"opens too late even by its fast edge{rests}" if edge != "cable" else "cannot open before the start",
        "within_band": f"may open too late, by its slow edge{rests}",
        "unknown": f"is not known to open in time ({interval.reason})",
    }[interval.verdict]
    at = f", tightest at {current_words(current)}" if inside else ""
    words = (
        f'limit "{limit.limit}" ({temperature_words(limit.temperature)}) from {current_words(low)} to {current_words(high)}, '
        f"where the device {kind}{at}"
    )
    ranges = tuple((row[0].limit, float(row[1]), float(row[2]), row[3].verdict) for row in found)
    binding = Binding(
        limit.limit, limit.temperature, float(low), float(high), float(current), interval.verdict, interval.decided_by, words
    )
    return binding, ranges
