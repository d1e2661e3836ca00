"""From a device named in a scenario to the state models of its fast, nominal and slow edge.

==========================================  ==============================================================
device                                      model
==========================================  ==============================================================
breaker with our default images             two-node image and, where a band is known, magnetic element
fuse                                        curve image on the lines between the standard's points; the fast
                                            edge also opens on the least pre-arcing I²t
device from points                          curve image on the given points, magnetic element if given
relay, electronic release                   integral of the operating time with reset (:mod:`ampsoak.coverage.relays`)
==========================================  ==============================================================

What every edge may assume is what is worst for it: the fast one keeps its heat longest and meets the lowest threshold
after half a cycle, the slow one forgets with the time constant of the overload itself and needs the longest time of its
release. Where an edge says nothing ("no shortest time", or no point at all) the device image says unknown.
"""

from __future__ import annotations

import math

import numpy as np

from ampsoak.base.errors import UsageError
from ampsoak.coverage.ambient import pickup_factor
from ampsoak.coverage.edges import INSTANTANEOUS_TIME, LEAST_MAGNETIC, MINIMUM_TIME, DeviceCurve, device_curve
from ampsoak.coverage.images import HALF_CYCLE, AdiabaticElement, CurveImage, TwoNodeImage
from ampsoak.coverage.relays import Relay, relay_of
from ampsoak.coverage.releases import MagneticElement
from ampsoak.coverage.stretches import Edge, Stretch, maker_edge
from ampsoak.coverage.tripping import EDGES, DeviceImage
from ampsoak.library.load import device_family
from ampsoak.scenario.device_case import DeviceChoice, RelayChoice

LEAST_PICKUP = 1e-3  # of the first current with a time: stands for a pickup of which nothing is known
LONGEST_CASE = 1800.0  # [s] slowest cooling of a breaker's case, 5 to 30 min (trade, memory medium)


def device_image(choice: DeviceChoice | RelayChoice | Relay, edge: str, ambient: float | None = None) -> DeviceImage:
    """State model of one edge of a device.

    Parameters
    ----------
    choice : DeviceChoice, RelayChoice or Relay
    edge : str               "fast", "nominal" or "slow"
    ambient : float or None  air at the device, not at the cable [K]; None is that of the choice, else the reference of its data

    Returns
    -------
    DeviceImage

    Raises
    ------
    ScenarioError    as ``device_curve``
    UsageError       the device has no such edge, or no model reaches to that ambient
    """
    if edge not in EDGES:
        raise UsageError(f'there is no edge "{edge}"; edges are {", ".join(EDGES)}')
    if isinstance(choice, RelayChoice):
        choice = relay_of(choice)
    if isinstance(choice, Relay):
        if ambient is not None:
            raise UsageError(f'relay "{choice.name}" does not depend on its air; leave its ambient out')
        return choice.image(edge)
    ambient = choice.ambient if ambient is None else ambient
    device = device_curve(choice)
    if "default" in device.bands:
        return _breaker(choice, device, edge, ambient)
    if ambient is not None:
        raise UsageError(f'device "{choice.name}" has no model of its air temperature; leave its ambient out')
    image = _from_curve(choice, device, edge)
    if image is None:
        raise UsageError(f'device "{choice.name}" has no {edge} edge to follow a varying current with')
    return image


def edges_with_a_model(choice: DeviceChoice | RelayChoice | Relay) -> tuple[str, ...]:
    """Edges that :func:`device_image` can follow a varying current with."""
    if isinstance(choice, RelayChoice | Relay):
        return EDGES
    device = device_curve(choice)
    return EDGES if "default" in device.bands else tuple(edge for edge in EDGES if _from_curve(choice, device, edge))


def _breaker(choice: DeviceChoice, device: DeviceCurve, edge: str, ambient: float | None) -> DeviceImage:
    family = device_family(choice.standard)
    row = family.thermal_images(choice.rating, device.type)[edge]
    thermal = TwoNodeImage(row.pickup * choice.rating, row.share, row.time_constant_fast, row.time_constant_slow)
    notes = [f"our {edge} thermal image, from no standard: it satisfies the rows of {device.standard}"]
    if ambient is not None:
        points = family.points(choice.rating, device.type)
        factor = pickup_factor(edge, ambient, device.reference_ambient, row.pickup, points)
        thermal = thermal.at_ambient(factor)
        notes.append(
            f"thermal part at {ambient - 273.15:.0f} °C: pickup times {factor:.3f}; the magnetic part keeps its level"
        )
    elements = [("thermal", thermal)]
    unknown = []
    if device.magnetic is not None:
        elements.append(("magnetic", _magnetic(device, edge)))
    elif family.kind == "relay":
        if not choice.opening_time:
            notes.append("the contactor's own opening time is not counted")
    elif edge == "fast":
        level = LEAST_MAGNETIC * choice.rating
        unknown.append((level, np.inf, f"no magnetic level is known: above {level:g} A it may act at once"))
    else:
        notes.append("no magnetic level is known: none is assumed")
    return DeviceImage(
        choice.name, edge, tuple(elements), tuple(unknown), True, "default", tuple(notes), choice.opening_time
    )


def _magnetic(device: DeviceCurve, edge: str) -> MagneticElement:
    band = device.magnetic
    if edge == "fast":
        return MagneticElement(band.hold, HALF_CYCLE, strict=True)
    if edge == "slow":
        return MagneticElement(band.trip, band.time)
    return MagneticElement(math.sqrt(band.hold * band.trip), 2.0 * HALF_CYCLE)


def _from_curve(choice: DeviceChoice, device: DeviceCurve, edge: str) -> DeviceImage | None:
    basis = device.model_basis or "maker"
    hold = device.hold_current if device.hold_current > 0 else choice.rating
    fuse = choice.standard != "points" and device_family(choice.standard).kind == "fuse"
    if basis == "maker":  # without the instantaneous release, which is an element of its own
        fast, slow = (maker_edge(side, getattr(choice, side), 0.0, choice.source) for side in ("fast", "slow"))
    else:
        fast, slow = device.bands[basis].fast, device.bands[basis].slow
    if edge == "nominal" and choice.nominal:
        chosen = maker_edge(edge, choice.nominal, 0.0, choice.source)
    else:
        chosen = {"fast": fast, "slow": slow, "nominal": _between(fast, slow)}[edge]
    known = _known(chosen, hold if 0.0 < hold < np.inf else 0.0, edge)
    if known is None:
        return None
    pickup, unknown = known
    cooling = LONGEST_CASE if edge == "fast" else 0.0
    elements = [("thermal", CurveImage(chosen, pickup, LONGEST_CASE, cooling, MINIMUM_TIME))]
    if device.magnetic is not None:
        elements.insert(0, ("magnetic", _magnetic(device, edge)))
        acts = device.magnetic.trip * (1 - 1e-12) if edge == "slow" else device.magnetic.hold
        unknown = [(low, min(high, acts), why) for low, high, why in unknown]
        unknown = [row for row in unknown if row[0] < row[1]]
    if fuse and edge == "fast":
        elements += _pre_arcing(choice, device, chosen)
        if len(elements) > 1:  # the energy speaks where the points say no shortest time
            last = max(stretch.high for stretch in chosen.stretches if stretch.time[-1] > 0)
            unknown = [row for row in unknown if row[0] < last]
    kind = "given points" if basis == "maker" else "lines between the standard's points, promised by nobody"
    notes = (f"{edge} edge: image equivalent to the {kind}; late after a preload",)
    if edge == "nominal" and not choice.nominal:
        notes += ("nominal edge: midway between fast and slow in log time, ours",)
    return DeviceImage(
        choice.name, edge, tuple(elements), tuple(unknown), not fuse, basis, notes, choice.opening_time
    )


def _pre_arcing(choice: DeviceChoice, device: DeviceCurve, fast: Edge):
    """Element of the least pre-arcing I²t; it forgets what the curve lets the fuse carry for longer than 0.1 s."""
    energy = device_family(choice.standard).pre_arcing_energy(choice.rating, device.type)
    if energy is None:
        return []
    longer = [
        current
        for stretch in fast.stretches
        for current, time in zip(stretch.current, stretch.time, strict=True)
        if INSTANTANEOUS_TIME <= time and np.isfinite(current)
    ]
    return [("pre-arcing", AdiabaticElement(energy.minimum, energy.minimum / max(longer) ** 2))]


def _known(edge: Edge, hold: float, side: str):
    """Pickup [A] of the curve image of an edge, and where it says nothing; None where it says no time above ``hold``."""
    timed = [stretch for stretch in edge.stretches if stretch.time[-1] > 0 and np.isfinite(stretch.time[-1])]
    timed = [above for stretch in timed if (above := stretch.portion(hold, np.inf))]
    if not timed:
        return None
    first, last = timed[0].low, timed[-1].high
    endless = [stretch.high for stretch in edge.stretches if np.isinf(stretch.time[0]) and stretch.high <= first]
    pickup = max([hold, *endless])
    unknown = []
    if side == "slow":
        pickup = first * (1 - 1e-12)  # below its first point it is never obliged to open
    elif pickup < first * (1 - 1e-12):
        unknown.append((pickup, first, f"no data of the {side} edge between {pickup:.3g} A and {first:.3g} A"))
    if np.isfinite(last):
        unknown.append((last, np.inf, f"no data of the {side} edge above {last:.3g} A"))
    return max(pickup, LEAST_PICKUP * first), unknown


def _between(fast: Edge, slow: Edge) -> Edge:
    """Edge midway between two in log time, where both have a finite time."""
    currents = sorted({*fast.breaks(), *slow.breaks()})
    times = [float(np.sqrt(fast.time(current) * slow.time(current))) for current in currents]
    nodes = [(c, t) for c, t in zip(currents, times, strict=True) if np.isfinite(t) and t > 0]
    if len(nodes) < 2:
        return Edge("nominal", ())
    return Edge("nominal", (Stretch("interpolated", tuple(c for c, _ in nodes), tuple(t for _, t in nodes)),))
