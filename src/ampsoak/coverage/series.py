"""Devices in series together: the first of them that opens ends the current for all that lies behind.

Each device is compared on its own elsewhere; here their verdicts are laid over each other. A current is covered where any of
them covers it, uncovered only where none can be in time, and what is left depends on what is known of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

_WITH = {"covered": ("covered",), "within_band": ("within_band",), "unknown": ("unknown",), "uncovered": (), "never_reached": ()}


@dataclass(frozen=True)
class SeriesInterval:
    """A range of current with the verdict of all devices together.

    Parameters
    ----------
    low, high : float          [A]
    verdict : str              "never_reached", "covered", "within_band", "uncovered" or "unknown"
    devices : tuple of str     those the verdict rests on; none where it is the cable, or no device is in time
    """

    low: float
    high: float
    verdict: str
    devices: tuple[str, ...]


@dataclass(frozen=True)
class SeriesLimit:
    """All devices of a circuit together against one limit.

    Parameters
    ----------
    limit : str
    temperature : float                      [K]
    intervals : tuple of SeriesInterval      in order of current, without gaps
    uncovered : tuple of (low, high)         where no device is in time [A]
    unknown : tuple of (low, high)           where nothing can be said [A]
    """

    limit: str
    temperature: float
    intervals: tuple[SeriesInterval, ...]
    uncovered: tuple[tuple[float, float], ...]
    unknown: tuple[tuple[float, float], ...]

    @property
    def by_verdict(self) -> tuple[SeriesInterval, ...]:
        """The intervals with neighbours of one verdict as one, whichever devices it rests on."""
        found: list[SeriesInterval] = []
        for one in self.intervals:
            if found and found[-1].verdict == one.verdict:
                before = found.pop()
                one = SeriesInterval(before.low, one.high, one.verdict, tuple(dict.fromkeys(before.devices + one.devices)))
            found.append(one)
        return tuple(found)


def in_series(names, partitions, capacities=()) -> tuple[SeriesInterval, ...]:
    """Lay partitions of the same currents over each other.

    Parameters
    ----------
    names : sequence of str                     of the devices
    partitions : sequence of tuple of Interval  one per device, see ``partition.partition``
    capacities : sequence of float              breaking capacity of each device [A], nan where not stated; beyond it nothing
                                                can be said of its opening

    Returns
    -------
    tuple of SeriesInterval    neighbours that say the same are one
    """
    capacities = capacities or [np.nan] * len(partitions)
    borders = np.unique([end for one in partitions for interval in one for end in (interval.low, interval.high)])
    borders = np.unique([*borders, *(one for one in capacities if borders[0] < one < borders[-1])])
    found: list[SeriesInterval] = []
    for low, high in pairwise(borders):
        middle = np.sqrt(low * high)
        said = [next(i.verdict for i in one if i.low <= middle <= i.high) for one in partitions]
        said = [
            "unknown" if middle > most and word in ("covered", "within_band") else word
            for word, most in zip(said, capacities, strict=True)
        ]
        verdict = together(said)
        devices = tuple(name for name, word in zip(names, said, strict=True) if word in _WITH[verdict])
        if found and (found[-1].verdict, found[-1].devices) == (verdict, devices):
            low = found.pop().low
        found.append(SeriesInterval(float(low), float(high), verdict, devices))
    return tuple(found)


def together(verdicts) -> str:
    """One verdict for devices in series out of those of each; "below_pickup" counts as uncovered."""
    for word in ("covered", "never_reached", "within_band", "unknown"):
        if word in verdicts:
            return word
    return "uncovered"
