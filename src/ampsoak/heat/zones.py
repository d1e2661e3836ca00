"""Air zones as kernel arrays: film tables of their surfaces, paths to the solids, radiation exchange."""

from __future__ import annotations

import numpy as np

from ampsoak.heat.arrays import FILM_AIR_START, FILM_AIR_STEP, TABLE_LENGTH, TABLE_STEP, Zones
from ampsoak.heat.laws import (
    hollow_cylinder_coefficient,
    iec_60287_film_constant,
    plate_facing_down_coefficient,
    plate_facing_up_coefficient,
    thin_cylinder_coefficient,
    upright_hollow_coefficient,
    vertical_cylinder_coefficient,
    vertical_plate_coefficient,
)
from ampsoak.section.build import Section

_FILM_AIR = FILM_AIR_START + FILM_AIR_STEP * np.arange(24)


def _film_table(form: str, size: float, height: float) -> np.ndarray:
    """Film coefficient of a surface form, (2, n_air, TABLE_LENGTH) [W/(m² K)]: warmer and cooler than the air."""
    difference = TABLE_STEP * np.arange(TABLE_LENGTH)

    def upright(spread, air, diameter):
        return vertical_cylinder_coefficient(spread, air, diameter, height)

    def upright_hollow(spread, air, diameter):
        return upright_hollow_coefficient(spread, air, diameter, height)

    both = {
        "cylinder": (thin_cylinder_coefficient,) * 2,
        "vertical_cylinder": (upright,) * 2,
        "hollow": (hollow_cylinder_coefficient,) * 2,
        "upright_hollow": (upright_hollow,) * 2,
        "vertical": (vertical_plate_coefficient,) * 2,
        "up": (plate_facing_up_coefficient, plate_facing_down_coefficient),
        "down": (plate_facing_down_coefficient, plate_facing_up_coefficient),
    }[form]
    table = np.empty((2, len(_FILM_AIR), TABLE_LENGTH))
    for side, law in enumerate(both):
        for row, air in enumerate(_FILM_AIR):
            spread = difference if side == 0 else np.minimum(difference, air - 150.0)
            mirrored = air if side == 0 else air - spread  # the film's mean temperature is the same from either side
            table[side, row] = law(spread, mirrored, size)
    return table


def zone_arrays(section: Section, order: np.ndarray) -> Zones:
    """Kernel arrays of the air zones; empty where there are none.

    Parameters
    ----------
    section : Section
    order : (nx, ny) int64    number of the unknown of each cell
    """
    air, scenario = section.air, section.scenario
    if air is None:
        none, number = np.zeros(0), np.zeros(0, np.int64)
        return Zones(
            cell=number, axis=number, place=number, scale=none, area=none, zone=number, group=number,
            patch=number, group_zone=number, group_kind=number, group_constant=none,
            film=np.zeros((0, 2, len(_FILM_AIR), TABLE_LENGTH)), patch_zone=number, patch_area=none,
            patch_emissivity=none, exchange=np.zeros((0, 0)), ambient_view=none, is_open=np.zeros(0, bool),
        )  # fmt: skip
    zones = [scenario.parts[part].air for part in air.zone_parts]
    # the standard's law is one of cylinders; boards beside them keep theirs
    kind = np.array(
        [
            int(zones[z].law == "iec_60287" and form.endswith("cylinder"))
            for z, form in zip(air.group_zone, air.group_form, strict=True)
        ]
    )
    constant = np.zeros(len(kind))
    film = np.zeros((len(kind), 2, len(_FILM_AIR), TABLE_LENGTH))
    for number, (form, size) in enumerate(zip(air.group_form, air.group_size, strict=True)):
        if kind[number]:
            z, e, g = zones[air.group_zone[number]].law_constants
            constant[number] = iec_60287_film_constant(size, z, e, g)
        else:
            film[number] = _film_table(form, size, zones[air.group_zone[number]].height)
    patch_group = np.array([air.group[air.patch == p][0] for p in range(len(air.patch_area))])
    live_i, live_j = air.i + (air.upper & (air.axis == 0)), air.j + (air.upper & (air.axis == 1))
    least = 1e-4 * min(np.diff(section.x_lines).min(), np.diff(section.y_lines).min())
    beyond = np.append(np.diff(section.x_points), 0.0)[air.i], np.append(np.diff(section.y_points), 0.0)[air.j]
    span = np.where(air.axis == 0, *beyond)
    own = air.conductor >= 0  # then i and j are -1, and what they would look up is passed over
    return Zones(
        cell=np.where(own, order.size + air.conductor, order[live_i, live_j]), axis=air.axis,
        place=np.where(own, 0, order[air.i, air.j]),
        scale=np.where(own, air.layer * air.area, span / np.maximum(air.distance, least)), area=air.area, zone=air.zone, group=air.group, patch=air.patch, group_zone=air.group_zone, group_kind=kind,
        group_constant=constant, film=film, patch_zone=air.group_zone[patch_group], patch_area=air.patch_area,
        patch_emissivity=air.patch_emissivity, exchange=air.exchange, ambient_view=air.ambient_view,
        is_open=np.array([zone.temperature is not None for zone in zones]),
    )  # fmt: skip
