"""The time to one limit as a line over current, read from a stored limit curve.

Between computed currents the line is a monotone cubic in log current and log time. Where it ends towards small currents
three things are kept apart:

never            a steady state below the limit was found: the time is infinite
bracket          between the last such current and the first that reaches the limit lies the knee, at which the time
                 runs off to infinity; nothing places it more closely, so the line carries the time of the first current
                 that reaches it, which no current in the bracket can undercut
beyond horizon   the limit was not reached in the time computed; it may be later or never

Past the largest computed current the line goes on as the adiabatic one up to the fault current, but only inside that
law's span, and only where its temperatures make it a lower bound: it starts no cooler than the curve and ends no hotter
than the limit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.coverage import laws
from ampsoak.runfile.records import OUTCOMES, Curve

REACHED, NEVER, BEYOND, AT_START = (OUTCOMES.index(word) for word in ("reached", "never", "beyond_horizon", "at_start"))
STATES = ("reached", "never", "bracket", "beyond_horizon", "at_start", "adiabatic")
_NODE_STATE = {REACHED: 0, NEVER: 1, BEYOND: 3, AT_START: 4}
RISE_ALLOWED = 0.01  # relative rise of the time with current taken as rounding of the stored times
SAME_TEMPERATURE = 0.5  # [K]


class LimitLine:
    """Time to limit number ``index`` of ``curve``.

    Attributes
    ----------
    current : (n,) float64                       nodes [A]
    low, high : float                            currents between which the line says something [A]
    bracket : tuple of float or None             currents between which the knee lies [A]
    """

    def __init__(self, curve: Curve, index: int):
        self.current = np.asarray(curve.current, dtype=float)
        self.outcome = np.asarray(curve.outcome[index])
        self.horizon = float(curve.horizon)
        self.name = curve.limits[index]["name"]
        self.temperature = float(curve.limits[index]["temperature"])
        reached = self.outcome == REACHED
        time = np.where(reached, np.asarray(curve.time_to_limit[index], dtype=float), np.inf)
        time[self.outcome == BEYOND] = self.horizon
        self.time = self._checked(time, reached)
        self.bracket = None
        first = int(np.argmax(reached)) if reached.any() else None
        if first and self.outcome[first - 1] == NEVER:
            self.bracket = (float(self.current[first - 1]), float(self.current[first]))
        self._cubic = self._fit(first)
        self.low, self.high = float(self.current[0]), float(self.current[-1])
        self._energy = np.nan
        self._extend(curve)

    def at(self, current):
        """Time to the limit [s] at ``current`` (n,) [A], and the state as index into ``STATES``.

        In state beyond_horizon the time is the horizon, in state bracket the shortest possible; both are lower bounds.
        """
        current = np.atleast_1d(np.asarray(current, dtype=float))
        segment = np.clip(np.searchsorted(self.current, current, side="right") - 1, 0, len(self.current) - 1)
        following = np.minimum(segment + 1, len(self.current) - 1)
        on_node = self.current[segment] == current
        left, right = self.outcome[segment], self.outcome[np.where(on_node, segment, following)]
        state = np.full(current.shape, STATES.index("beyond_horizon"))
        state[(left == NEVER) & (right == NEVER)] = STATES.index("never")
        state[(left == NEVER) & (right == REACHED)] = STATES.index("bracket")
        state[((left == REACHED) | (left == BEYOND)) & (right == REACHED)] = STATES.index("reached")
        state[(left == AT_START) | (right == AT_START)] = STATES.index("at_start")
        state[current > self.current[-1]] = STATES.index("adiabatic")
        time = np.full(current.shape, self.horizon)
        time[state == STATES.index("never")] = np.inf
        time[state == STATES.index("at_start")] = 0.0
        in_bracket = state == STATES.index("bracket")
        time[in_bracket] = self.time[following[in_bracket]]
        inside = state == STATES.index("reached")
        if inside.any():
            time[inside] = np.exp(self._cubic(np.log(current[inside])))
            exact = inside & on_node
            time[exact] = self.time[segment[exact]]
        past = state == STATES.index("adiabatic")
        time[past] = self._energy / current[past] ** 2
        return time, state

    def _checked(self, time, reached):
        """Times that do not rise with current; NumericalError where they rise by more than rounding."""
        time = time.copy()
        for number in range(1, len(time)):
            if time[number] > time[number - 1]:
                if time[number] > time[number - 1] * (1 + RISE_ALLOWED) or not reached[number]:
                    raise NumericalError(
                        f'limit "{self.name}": the stored time to the limit rises from {time[number - 1]:.6g} s at '
                        f"{self.current[number - 1]:.6g} A to {time[number]:.6g} s at {self.current[number]:.6g} A; a "
                        "larger constant current cannot take longer, compute the curve again with a smaller tolerance"
                    )
                time[number] = time[number - 1]
        return time

    def _fit(self, first):
        from scipy.interpolate import PchipInterpolator  # a tenth of a second to import, so only where it is needed

        if first is None:
            return None
        start = first - 1 if first and self.outcome[first - 1] == BEYOND else first
        if len(self.current) - start < 2:
            return None
        return PchipInterpolator(np.log(self.current[start:]), np.log(self.time[start:]))

    def _extend(self, curve: Curve):
        span = adiabatic_span(curve)
        if span is None or not curve.fault_current > self.high or self.outcome[-1] != REACHED:
            return
        temperatures = adiabatic_temperatures(curve)
        if temperatures is None:
            return
        start, stop = temperatures
        hottest = float(np.max(curve.start_temperature))
        below = stop <= self.temperature + SAME_TEMPERATURE and start >= hottest - SAME_TEMPERATURE
        if below and span[0] <= self.high < span[1]:
            self._energy = float(laws.adiabatic_energy(curve.adiabatic_k, curve.adiabatic_area))
            self.high = float(min(curve.fault_current, span[1]))


def adiabatic_span(curve: Curve) -> tuple[float, float] | None:
    """Currents [A] between which the adiabatic line of ``curve`` holds, None where it has none."""
    energy = laws.adiabatic_energy(curve.adiabatic_k, curve.adiabatic_area)
    if not np.isfinite(energy):
        return None
    shortest, longest = laws.adiabatic_withstand_time.span
    return float(np.sqrt(energy / longest)), float(np.sqrt(energy / shortest))


def adiabatic_temperatures(curve: Curve) -> tuple[float, float] | None:
    """Temperatures [K] before and after that the adiabatic k stands for, None where its words do not say."""
    found = re.findall(r"(-?\d+(?:\.\d+)?)\s*°?C", curve.adiabatic_limit)
    return (float(found[0]) + 273.15, float(found[1]) + 273.15) if len(found) == 2 else None


@dataclass(frozen=True)
class AdiabaticCheck:
    """How far the limit curve and the adiabatic line are apart between 0.1 and 5 s.

    Parameters
    ----------
    limit : str
    ratio : float       time to the limit over the adiabatic time, at the current where it is furthest from ``expected``
                        (from 1 where that is unknown); nan where the two have no current in common
    current : float     that current [A]
    expected : float    ratio without any loss of heat, for the curve's own start and limit temperature; nan where
                        unknown. Formed with copper's β; aluminium's moves it by less than 1 %
    """

    limit: str
    ratio: float
    current: float
    expected: float


def adiabatic_check(curve: Curve, line: LimitLine) -> AdiabaticCheck:
    """Compare ``line`` with the adiabatic line of ``curve`` where both lie between 0.1 and 5 s."""
    nothing = AdiabaticCheck(line.name, np.nan, np.nan, np.nan)
    span = adiabatic_span(curve)
    if span is None:
        return nothing
    low, high = max(span[0], line.current[0]), min(span[1], line.current[-1])
    if low >= high:
        return nothing
    current = np.geomspace(low, high, 60)
    time, state = line.at(current)
    shortest, longest = laws.adiabatic_withstand_time.span
    both = (state == STATES.index("reached")) & (time >= shortest) & (time <= longest)
    if not both.any():
        return nothing
    ratio = time[both] * current[both] ** 2 / laws.adiabatic_energy(curve.adiabatic_k, curve.adiabatic_area)
    expected = _expected_ratio(curve, line)
    worst = int(np.argmax(np.abs(np.log(ratio / (1.0 if np.isnan(expected) else expected)))))
    return AdiabaticCheck(line.name, float(ratio[worst]), float(current[both][worst]), expected)


def _expected_ratio(curve: Curve, line: LimitLine) -> float:
    temperatures = adiabatic_temperatures(curve)
    start = float(np.max(curve.start_temperature))
    if temperatures is None or line.temperature <= start:
        return np.nan
    beta = laws.ADIABATIC_METALS["copper"].beta
    own = laws.adiabatic_k(1.0, beta, start, line.temperature)
    stated = laws.adiabatic_k(1.0, beta, *temperatures)
    return float((own / stated) ** 2)
