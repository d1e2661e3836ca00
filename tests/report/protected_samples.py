"""A history with a device in the loop made without the solver: 30 A for an hour, warming and cooling as exponentials."""

from __future__ import annotations

import numpy as np

from ampsoak.coverage.operating import Operating, Operation
from ampsoak.coverage.protected import EdgeOutcome, ProtectedRun, Reached
from ampsoak.scenario.case import CurrentProfile, Limit

ROOM, RISE, LAG = 293.15, 90.0, 900.0  # [K], [K], [s]
DURATION, AGAIN = 3600.0, 300.0  # [s]
PARTS = ("fill", "jacket", "line", "neutral")
SHARES = np.array([0.3, 0.9, 1.0, 0.95])  # of the line's rise
OPENINGS = {"fast": 300.0, "nominal": 900.0}  # [s]; the slow edge carries the hour
LIMITS = (Limit("PVC 70 °C", 343.15, (2, 3)), Limit("fill 60 °C", 333.15, (0,)))


def warming(time):
    """Temperatures (n, n_parts) [K] at ``time`` [s] with the current flowing."""
    return ROOM + np.outer(RISE * (1 - np.exp(-np.asarray(time) / LAG)), SHARES)


def _reached(time, maximum) -> Reached:
    limits = [
        next((float(at) for at, row in zip(time, maximum, strict=True) if row[list(limit.parts)].max() >= limit.temperature), np.inf)
        for limit in LIMITS
    ]
    return Reached(
        end=float(time[-1]), peak=maximum.max(axis=0), peak_time=time[maximum.argmax(axis=0)], final=maximum[-1],
        still_rising=np.zeros(len(PARTS), bool), limit_time=np.array(limits), ceiling_time=np.inf, time=time, part_maximum=maximum,
    )


def _edge(edge: str, opened: float) -> EdgeOutcome:
    time = np.linspace(opened, opened + 1200.0, 25)
    at_opening = warming([opened])[0]
    cooling = ROOM + np.outer(np.exp(-(time - opened) / LAG), at_opening - ROOM)
    profile = CurrentProfile((0.0, opened, DURATION), (30.0, 0.0), (30.0, 0.0))
    operations = (Operation(opened, "opens", "B20 breaker", "thermal", 30.0),)
    if edge == "fast":  # closed again, and opens again after a minute
        closed = opened + AGAIN
        operations += (
            Operation(closed, "closes", "B20 breaker", "", 30.0), Operation(closed + 60.0, "opens", "B20 breaker", "thermal", 30.0),
        )
        profile = CurrentProfile(
            (0.0, opened, closed, closed + 60.0, DURATION), (30.0, 0.0, 30.0, 0.0), (30.0, 0.0, 30.0, 0.0)
        )
    return EdgeOutcome(edge, Operating(edge, operations, np.inf, "", profile, {}, {}), at_opening, _reached(time, cooling), ())


def found(title: str = "a wire in fill") -> ProtectedRun:
    """Fast and nominal edge open, the slow one does not."""
    time = np.linspace(0.0, DURATION, 121)
    without = _reached(time, warming(time))
    carried = Operating("slow", (), np.inf, "", CurrentProfile.constant(30.0, DURATION), {}, {})
    edges = [_edge(edge, opened) for edge, opened in OPENINGS.items()]
    edges.append(EdgeOutcome("slow", carried, np.full(len(PARTS), np.nan), without, ()))
    limits = tuple(
        {
            "name": limit.name, "temperature": limit.temperature, "parts": [PARTS[part] for part in limit.parts],
            "source": limit.source,
        }
        for limit in LIMITS
    )
    history = CurrentProfile.constant(30.0, DURATION)
    return ProtectedRun(title, "radial", ("B20 breaker",), PARTS, (2, 3), limits, without, tuple(edges), (), DURATION, history)

