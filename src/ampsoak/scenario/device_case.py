"""Resolved devices of a case: breakers, fuses and relays, what must not open them, and how they are closed again.

Currents in amperes r.m.s., times in seconds, temperatures in kelvin. What a device does with them is for the coverage floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ampsoak.base.errors import UsageError

BY_USER = "given by the user"


@dataclass(frozen=True)
class LetThrough:
    """Largest I²t that a device lets pass when it breaks a fault.

    Parameters
    ----------
    energy : float          [A² s]; nan where an energy class says it
    current : float         prospective current for which it is stated [A]; it holds for smaller ones too
    energy_class : int      3: of the table for type B breakers of that class; 0: ``energy`` was given
    source : str
    """

    energy: float = math.nan
    current: float = math.nan
    energy_class: int = 0
    source: str = BY_USER


@dataclass(frozen=True)
class DeviceChoice:
    """A device named in the scenario; coverage turns it into edges.

    Parameters
    ----------
    name : str
    standard : str                  family key in the device library, or "points"
    type : str                      B, C, D; gG; thermal-magnetic; "" where the family has one
    rating : float                  rated current [A]
    fast, slow : tuple              "points" only: ((current [A], time [s]), ...) of each edge
    magnetic : tuple or None        (hold, trip) currents [A] that replace the family's magnetic band
    start_state : str               "cold" or "hot"; what the points were taken from
    source : str                    where the points come from
    nominal : tuple                 "points" only: the drawn line of which ``fast`` and ``slow`` are the tolerance
    circuit : str                   name of the circuit it stands in, "" where the scenario does not say
    ambient : float or None         air at the device, not at the cable [K]; None: the reference of its data
    breaking_capacity : float or None    largest current it can break [A]
    let_through : LetThrough or None
    opening_time : float            from operating to the end of the current [s], added to every time of its data
    """

    name: str
    standard: str
    type: str = ""
    rating: float = 0.0
    fast: tuple[tuple[float, float], ...] = ()
    slow: tuple[tuple[float, float], ...] = ()
    magnetic: tuple[float, float] | None = None
    start_state: str = "cold"
    source: str = BY_USER
    nominal: tuple[tuple[float, float], ...] = ()
    circuit: str = ""
    ambient: float | None = None
    breaking_capacity: float | None = None
    let_through: LetThrough | None = None
    opening_time: float = 0.0


@dataclass(frozen=True)
class RelayChoice:
    """An inverse-time relay or electronic release named in the scenario; coverage turns it into edges.

    Parameters
    ----------
    name : str
    pickup : float                  set current, primary [A]
    curve : str                     "A" to "F", "long-time inverse", "short-time inverse" or "electronic"
    setting : float                 time multiplier or dial; electronic: time at six times the pickup [s]
    reset : str                     "instant", "curve" or "memory"
    reset_time : float              for the last two [s]; 0: what the standard gives for the curve, times the setting
    threshold : float               declared least multiple of the pickup at which the times hold
    tolerance : float               of the operating time, 0 to below 1
    instantaneous : tuple or None   (hold, trip) of the instantaneous element [A]
    opening_time : float            of the breaker it trips [s]
    source : str
    circuit : str                   name of the circuit it stands in, "" where the scenario does not say
    breaking_capacity : float or None    of the breaker it trips [A]
    """

    name: str
    pickup: float
    curve: str
    setting: float
    reset: str = "instant"
    reset_time: float = 0.0
    threshold: float = 1.1
    tolerance: float = 0.05
    instantaneous: tuple[float, float] | None = None
    opening_time: float = 0.0
    source: str = BY_USER
    circuit: str = ""
    breaking_capacity: float | None = None

    @property
    def rating(self) -> float:
        """What stands for a rated current [A]: the pickup."""
        return self.pickup


@dataclass(frozen=True)
class LoadPoint:
    """A current that a load draws for a time without anything being wrong.

    Parameters
    ----------
    name : str
    current : float      [A] r.m.s.
    duration : float     [s]
    source : str
    circuit : str        name of the circuit it is drawn from, "" where the scenario does not say
    """

    name: str
    current: float
    duration: float
    source: str = BY_USER
    circuit: str = ""

    def __post_init__(self):
        if not (0.0 < self.current < math.inf and 0.0 < self.duration < math.inf):
            raise UsageError(f'load point "{self.name}" needs a positive current and duration')


def transformer_inrush(full_load: float, name: str = "transformer", circuit: str = "") -> tuple[LoadPoint, ...]:
    """Inrush points of a transformer of ``full_load`` [A]: 12 times for 0.1 s, 25 times for 0.01 s.

    Source
    ------
    IEEE 242, coordination practice (memory, high confidence).
    """
    source = "IEEE 242, from memory"
    return (
        LoadPoint(f"{name} inrush, 0.1 s", 12.0 * full_load, 0.1, source, circuit),
        LoadPoint(f"{name} inrush, 0.01 s", 25.0 * full_load, 0.01, source, circuit),
    )


def motor_start(
    full_load: float, start_time: float, multiple: float = 6.0, name: str = "motor", circuit: str = ""
) -> tuple[LoadPoint, ...]:
    """Starting current of a motor of ``full_load`` [A] for ``start_time`` [s], and its first half cycle, 1.8 times that.

    Source
    ------
    Six times and 1.6 to 1.8 for the direct component: coordination practice (memory, medium confidence).
    """
    source = "coordination practice, from memory"
    return (
        LoadPoint(f"{name} start", multiple * full_load, start_time, source, circuit),
        LoadPoint(f"{name} start, first half cycle", 1.8 * multiple * full_load, 0.01, source, circuit),
    )


@dataclass(frozen=True)
class Reclosing:
    """How an opened device is closed again; exactly one of ``delay``, ``delays`` and ``times`` is given.

    Parameters
    ----------
    delay : float              automatic: time from opening to closing [s]; 0 for none
    attempts : int             with ``delay``: how often at most
    times : tuple of float     timed: moments at which someone closes what is open [s], increasing
    delays : tuple of float    automatic: time from opening to closing of each attempt in turn [s]
    circuit : str              name of the circuit it is for, "" where the scenario does not say
    """

    delay: float = 0.0
    attempts: int = 1
    times: tuple[float, ...] = ()
    delays: tuple[float, ...] = ()
    circuit: str = ""

    def __post_init__(self):
        if self.delay < 0.0 or self.attempts < 1 or any(not delay > 0.0 for delay in self.delays):
            raise UsageError("re-closing needs a positive delay and at least one attempt")
        if (self.delay > 0.0) + bool(self.times) + bool(self.delays) != 1:
            raise UsageError("re-closing needs either a positive delay, or one for each attempt, or the times at which it is done")
        if any(later <= earlier for earlier, later in zip(self.times, self.times[1:])):
            raise UsageError("times of re-closing must increase")

    def after(self, opened: float, done: int) -> float:
        """When a device that opened at ``opened`` [s] closes again, ``done`` attempts having been made; inf: never."""
        if self.times:
            return next((time for time in self.times if time > opened), math.inf)
        if self.delays:
            return opened + self.delays[done] if done < len(self.delays) else math.inf
        return opened + self.delay if done < self.attempts else math.inf
