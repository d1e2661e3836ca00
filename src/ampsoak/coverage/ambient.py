"""How the air at a device moves the pickup of its default model; the magnetic part and standard limits do not move."""

from __future__ import annotations

from ampsoak.coverage.images import ambient_factor

# Ttrip over the reference that the ambient test of IEC 60898-1 allows (cl. 9.10, memory medium; rises derived): above the
# reference the fast edge may move most, below it the slow edge.
AMBIENT_RISES = {"fast": 46.1, "slow": 48.8}  # [K]
NOMINAL_RISE = 78.9  # [K] fits one maker's table of miniature breakers, 118.9 °C over 40 °C (read; fit derived)


def pickup_factor(edge: str, ambient: float | None, reference: float, pickup: float, points) -> float:
    """Pickup of one edge at ``ambient`` over that at the reference.

    Parameters
    ----------
    edge : str                       "fast", "nominal" or "slow"
    ambient, reference : float       air at the device, and the one its data hold for [K]; None: the reference
    pickup : float                   of the edge's thermal image, multiple of the rating
    points : sequence of TestPoint   rows of the family for this device

    Raises
    ------
    UsageError    the air alone would trip it
    """
    if ambient is None:
        return 1.0
    if edge == "nominal":
        return ambient_factor(ambient, reference, NOMINAL_RISE)
    warmer = ambient > reference
    if warmer != (edge == "fast"):
        return 1.0  # a compensated device would not move at all, and for this edge that is the worse case
    rise = AMBIENT_RISES[edge]
    if edge == "fast":  # what its standard has it carry in warmer air than the reference, it carries there (derived)
        carried = [p for p in points if p.earliest == float("inf") and p.multiple and p.ambient and p.ambient > reference]
        rise = max([rise, *((p.ambient - reference) / (1.0 - (p.multiple / pickup) ** 2) for p in carried)])
    return ambient_factor(ambient, reference, rise)
