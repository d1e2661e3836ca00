"""Inverse-time relays and electronic releases as devices: edges for the comparison, an integral for varying current.

A relay is settings, not a row of a family: set current, curve, time setting, instantaneous level, and the time its breaker
needs to open. Both give the same objects as any other device, so ``cover`` and ``protected_run`` take them as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ampsoak.base.errors import Fault, ScenarioError, nearest_name
from ampsoak.coverage import laws
from ampsoak.coverage.edges import MINIMUM_TIME, Band, DeviceCurve, Magnetic, device_curve
from ampsoak.coverage.images import HALF_CYCLE
from ampsoak.coverage.releases import Integral, MagneticElement, Reset
from ampsoak.coverage.stretches import Edge, Stretch
from ampsoak.coverage.tripping import DeviceImage
from ampsoak.scenario.device_case import DeviceChoice, RelayChoice

TOLERANCE = 0.05  # of the operating time, usual declaration of makers (read in manuals)
HIGHEST = 100.0  # of the set current, to which an edge is drawn
LARGEST = 20.0  # of the set current: beyond it the time is held (makers' manuals, read)
AT_ONCE = Reset("instant")
ELECTRONIC = "electronic"
ELECTRONIC_PICKUPS = (1.05, 1.20)  # of the setting, band of the long-time pickup (trade, memory medium)
ELECTRONIC_SHARE = 0.8  # the declared time at 6 x is the longest; 0/-20 % (trade, memory medium)


@dataclass(frozen=True)
class Relay:
    """A relay or an electronic release with its settings.

    Parameters
    ----------
    name : str
    pickup : float                  set current Is or Ir, primary [A]
    curve : str                     key of ``laws.RELAY_CURVES``, or "electronic" (I²t long-time release)
    setting : float                 time multiplier or dial; electronic: time at 6 x the setting [s]
    reset : Reset                   what it does below the pickup
    threshold : float               declared least multiple at which the times hold, 1..1.3
    tolerance : float               of the operating time, 0..1
    instantaneous : tuple or None   (hold, trip) of the instantaneous element [A]
    opening_time : float            of the breaker it trips [s], added to every time
    source : str
    breaking_capacity : float       of the breaker it trips [A]; nan where not stated
    """

    name: str
    pickup: float
    curve: str
    setting: float
    reset: Reset = AT_ONCE
    threshold: float = 1.1
    tolerance: float = TOLERANCE
    instantaneous: tuple[float, float] | None = None
    opening_time: float = 0.0
    source: str = "settings given by the user"
    breaking_capacity: float = math.nan

    def __post_init__(self):
        if faults := self._faults():
            raise ScenarioError(faults)

    def _faults(self) -> list[Fault]:
        key, found = f'relay "{self.name}"', []

        def fault(field, message, nearest=None):
            found.append(Fault("scenario", None, f"{key}.{field}", str(getattr(self, field)), message, nearest))

        known = [*laws.RELAY_CURVES, ELECTRONIC]
        if self.curve not in known:
            fault("curve", f"must be one of {', '.join(known)}", nearest_name(self.curve, known))
        for field in ("pickup", "setting"):
            if not (math.isfinite(getattr(self, field)) and getattr(self, field) > 0.0):
                fault(field, "must be a positive number")
        if not 1.0 <= self.threshold <= 1.3:
            fault("threshold", "must lie in 1 to 1.3")
        if not 0.0 <= self.tolerance < 1.0:
            fault("tolerance", "must lie in 0 to below 1")
        if not 0.0 <= self.opening_time < 10.0:
            fault("opening_time", "must lie in 0 to below 10 s")
        if self.instantaneous is not None:
            hold, trip = self.instantaneous
            if not self.pickup < hold < trip < math.inf:
                fault("instantaneous", "must be two currents above the pickup, holding below tripping")
        return found

    @property
    def pickups(self) -> tuple[float, float]:
        """Smallest and largest current [A] at which it may begin, and must have begun, to run."""
        if self.curve == ELECTRONIC:
            return self.pickup * ELECTRONIC_PICKUPS[0], self.pickup * ELECTRONIC_PICKUPS[1]
        return self.pickup, self.pickup * self.threshold

    def _law(self, edge: str):
        """Operating time [s] of one edge at currents (n,) [A], without the breaker's opening time."""
        least, most = self.pickups
        if self.curve == ELECTRONIC:
            share = {"fast": ELECTRONIC_SHARE, "nominal": 0.5 * (1.0 + ELECTRONIC_SHARE), "slow": 1.0}[edge]
            begins = {"fast": least, "nominal": math.sqrt(least * most), "slow": most}[edge]
            return lambda current: (
                share * laws.electronic_long_time(np.asarray(current) / self.pickup, self.setting, begins / self.pickup)
            )
        factor = {"fast": 1.0 - self.tolerance, "nominal": 1.0, "slow": 1.0 + self.tolerance}[edge]
        threshold = self.threshold if edge == "slow" else 1.0
        return lambda current: (
            factor * laws.relay_time(np.asarray(current) / self.pickup, self.curve, self.setting, threshold)
        )

    def edge(self, side: str) -> Edge:
        """Edge of one side, kind "maker": settings and tolerance are statements of the maker and the user."""
        low = self.pickups[1] if side == "slow" else self.pickups[0]
        law = self._law(side)
        corners = {low * (1.0 + 1e-9), LARGEST * self.pickup, HIGHEST * self.pickup}
        grid = low * (1.0 + np.geomspace(1e-6, HIGHEST * self.pickup / low - 1.0, 400))
        current = np.array(sorted({*grid.tolist(), *corners}))
        current = current[current <= HIGHEST * self.pickup * (1 + 1e-12)]
        time = np.maximum(np.minimum.accumulate(law(current)), MINIMUM_TIME) + self.opening_time
        note = f"{self.curve}, setting {self.setting:g}, {self.tolerance:.0%} of the time either way, {self.source}"
        stretches = (
            Stretch("maker", (0.0, float(current[0])), (np.inf, np.inf), f"does not start up to {low:g} A"),
            Stretch("maker", tuple(current.tolist()), tuple(time.tolist()), note),
        )
        return Edge(side, stretches)

    def device(self) -> DeviceCurve:
        """Edges, as the comparison of stored curves asks for them."""
        fast, slow = self.edge("fast"), self.edge("slow")
        magnetic = None
        if self.instantaneous:
            magnetic = Magnetic(*self.instantaneous, 0.1 + self.opening_time, "maker", self.source)
            fast = fast.capped(
                magnetic.hold, MINIMUM_TIME + self.opening_time, "maker", "instantaneous element may act"
            )
            slow = slow.capped(magnetic.trip, magnetic.time, "maker", "instantaneous element acts")
        return DeviceCurve(
            name=self.name,
            standard="IEC 60255-151" if self.curve != ELECTRONIC else "IEC 60947-2",
            type=f"curve {self.curve}" if self.curve != ELECTRONIC else ELECTRONIC,
            rating=self.pickup,
            bands={"maker": Band(fast, slow)},
            magnetic=magnetic,
            hold_current=self.pickups[0],
            operating_current=self.pickups[1],
            conventional_time=np.nan,
            reference_ambient=np.nan,
            start_state="cold",
            marks=(),
            notes=(
                f"reset {self.reset.kind}; between {self.pickups[0]:g} A and {self.pickups[1]:g} A no time is stated",
            ),
            sources=(self.source,),
            breaking_capacity=self.breaking_capacity,
        )

    def image(self, edge: str) -> DeviceImage:
        """State model of one edge; the breaker's opening time is not part of the state and is left to the caller."""
        law, (least, most) = self._law(edge), self.pickups
        begins = most if self.curve == ELECTRONIC and edge == "slow" else least
        breaks = (most, LARGEST * self.pickup)
        elements: list[tuple[str, object]] = [("time", Integral(law, begins, self.reset, breaks))]
        if self.instantaneous:
            hold, trip = self.instantaneous
            level = {"fast": hold, "nominal": math.sqrt(hold * trip), "slow": trip}[edge]
            dwell = {"fast": HALF_CYCLE, "nominal": 2 * HALF_CYCLE, "slow": 0.1}[edge]
            elements.append(("instantaneous", MagneticElement(level, dwell, strict=edge == "fast")))
        notes = (f"{self.curve} integral, reset {self.reset.kind}; preload below the pickup does not count",)
        return DeviceImage(self.name, edge, tuple(elements), (), True, "maker", notes, opening_time=self.opening_time)


def relay_of(choice: RelayChoice) -> Relay:
    """The relay a scenario names; a reset by curve without a time takes that of IEEE C37.112.

    Raises
    ------
    ScenarioError    settings outside what is allowed, all faults at once
    """
    reset_time = choice.reset_time
    if choice.reset == "curve" and not reset_time:
        reset_time = choice.setting * laws.RESET_TIMES[choice.curve]
    return Relay(
        name=choice.name,
        pickup=choice.pickup,
        curve=choice.curve,
        setting=choice.setting,
        reset=Reset(choice.reset, reset_time),
        threshold=choice.threshold,
        tolerance=choice.tolerance,
        instantaneous=choice.instantaneous,
        opening_time=choice.opening_time,
        source=choice.source,
        breaking_capacity=math.nan if choice.breaking_capacity is None else choice.breaking_capacity,
    )


def curve_of_choice(device: DeviceChoice | RelayChoice | Relay | DeviceCurve, preload: float = 0.0) -> DeviceCurve:
    """Edges of whatever may stand for a device; ``preload`` [A] counts for a ``DeviceChoice`` only, see ``device_curve``.

    Raises
    ------
    ScenarioError    faults of the device or of the relay's settings
    """
    if isinstance(device, DeviceChoice):
        return device_curve(device, preload)
    relay = relay_of(device) if isinstance(device, RelayChoice) else device
    return relay.device() if isinstance(relay, Relay) else relay
