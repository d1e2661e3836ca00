"""Short questions about one device: does it hold the load's peaks, can it break the fault, what does it let through.

None of these answers says that an installation complies with anything; they compare stated numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ampsoak.coverage import laws
from ampsoak.coverage.edges import INSTANTANEOUS_TIME, DeviceCurve
from ampsoak.coverage.words import current_words, time_words
from ampsoak.scenario.device_case import LoadPoint


@dataclass(frozen=True)
class Nuisance:
    """Whether a device holds a load point.

    Parameters
    ----------
    point : LoadPoint
    verdict : str         "held" (even the fast edge is later), "may_open" (between the edges), "opens" (even the slow edge
                          is sooner) or "unknown"
    fast, slow : float    times of the edges at the point's current [s]
    """

    point: LoadPoint
    verdict: str
    fast: float
    slow: float

    @property
    def text(self) -> str:
        """The answer in plain language."""
        said = {
            "held": "is held by the device",
            "may_open": "may open the device: it depends on the individual one",
            "opens": "opens the device",
            "unknown": "meets no data of the device",
        }[self.verdict]
        return (
            f'"{self.point.name}", {current_words(self.point.current)} for {time_words(self.point.duration)}, {said}.'
        )


def nuisance(device: DeviceCurve, points, basis: str | None = None) -> tuple[Nuisance, ...]:
    """Whether a device opens on what a load draws in ordinary service.

    Parameters
    ----------
    device : DeviceCurve
    points : sequence of LoadPoint
    basis : str or None               edges read; None takes the device's model, else its points

    Returns
    -------
    tuple of Nuisance, one per point

    Notes
    -----
    The fast edge decides, where no shortest time is known the answer is unknown, never "held".
    """
    band = device.verdict_band(basis or device.model_basis)
    found = []
    for point in points:
        fast, slow = float(band.fast.time(point.current)), float(band.slow.time(point.current))
        if fast > point.duration:
            verdict = "held"
        elif slow <= point.duration:
            verdict = "opens"
        elif np.isnan(fast) or fast == 0.0 or np.isnan(slow):
            verdict = "unknown"
        else:
            verdict = "may_open"
        found.append(Nuisance(point, verdict, fast, slow))
    return tuple(found)


@dataclass(frozen=True)
class ShortTime:
    """Short-circuit questions: breaking capacity, and what passes in less than 0.1 s.

    Parameters
    ----------
    breaking : str         "within", "beyond" or "not_stated"
    energy : str           "less" or "more" than the conductor takes up, or "not_stated"
    fault_current, breaking_capacity : float    [A]; nan if not stated
    let_through, withstand : float              I²t of the device and k²S² of the conductor [A² s]; nan if not stated
    """

    breaking: str
    energy: str
    fault_current: float
    breaking_capacity: float
    let_through: float
    withstand: float

    @property
    def text(self) -> str:
        """The answer in plain language."""
        return " ".join(self.sentences)

    @property
    def sentences(self) -> tuple[str, str]:
        """Breaking capacity, then let-through, in plain language."""
        fault, capacity = current_words(self.fault_current), current_words(self.breaking_capacity)
        breaking = {
            "within": f"The prospective fault current, {fault}, is within the stated breaking capacity, {capacity}.",
            "beyond": f"The prospective fault current, {fault}, is beyond the stated breaking capacity, {capacity}: "
            "nothing said of this device's opening holds there.",
            "not_stated": "Breaking capacity or prospective fault current is not stated, so they were not compared.",
        }[self.breaking]
        amount = f"{self.let_through:,.0f} A²s against {self.withstand:,.0f} A²s"
        silent = "The let-through I²t of the device is not stated for this fault; below 0.1 s no time replaces it."
        if np.isfinite(self.let_through):
            silent = (
                f"Below 0.1 s the device lets through at most {self.let_through:,.0f} A²s; what the conductor takes up is not "
                "known without its adiabatic constant."
            )
        energy = {
            "less": f"Below 0.1 s the device lets through no more than the conductor takes up (k²S²), {amount}.",
            "more": f"Below 0.1 s the device may let through more than the conductor takes up (k²S²), {amount}.",
            "not_stated": silent,
        }[self.energy]
        return breaking, energy


def short_time(
    *,
    fault_current: float = np.nan,
    breaking_capacity: float = np.nan,
    let_through: float = np.nan,
    k: float = np.nan,
    area: float = np.nan,
) -> ShortTime:
    """Compare stated short-circuit numbers.

    Parameters
    ----------
    fault_current : float        prospective [A]
    breaking_capacity : float    of the device [A]
    let_through : float          largest I²t of the device at that fault current [A² s]
    k : float                    of the conductor [A s½/m²]
    area : float                 of the conductor [m²]

    Source
    ------
    IEC 60364-4-43 clause 434.5: breaking capacity at least the prospective current, I²t < k²S² below 0.1 s (memory, high
    confidence)
    """
    withstand = float(laws.adiabatic_energy(k, area))
    breaking = energy = "not_stated"
    if np.isfinite(fault_current) and np.isfinite(breaking_capacity):
        breaking = "within" if fault_current <= breaking_capacity else "beyond"
    if np.isfinite(let_through) and np.isfinite(withstand):
        energy = "less" if let_through < withstand else "more"
    return ShortTime(breaking, energy, fault_current, breaking_capacity, let_through, withstand)


def minimum_fault_time(device: DeviceCurve, fault_current: float, basis: str | None = None) -> tuple[float, bool]:
    """Slow-edge time [s] at the smallest fault current, and whether the instantaneous release is sure to act there.

    Long thin cable and a high magnetic level leave the thermal part to clear it, in seconds to minutes.
    """
    time = float(device.verdict_band(basis).slow.time(fault_current))
    return time, bool(time <= INSTANTANEOUS_TIME * (1.0 + 1e-9))


def short_time_of(device: DeviceCurve, fault_current: float, k: float, area: float) -> ShortTime:
    """The short-circuit questions for what a device's data state; see :func:`short_time`.

    Notes
    -----
    A let-through is stated up to a prospective current; beyond it, it says nothing.
    """
    stated = not fault_current > device.let_through_current  # a fault current that is not known asks for nothing larger
    return short_time(
        fault_current=fault_current,
        breaking_capacity=device.breaking_capacity,
        let_through=device.let_through if stated else np.nan,
        k=k,
        area=area,
    )
