"""Compiled loops of the heat solver. Plain arrays in and out, one member per call, no Python objects, no fastmath.

Unknowns are numbered cells first (cell (i, j) at i * stride_x + j * stride_y), conductors after them. Cells whose point
lies in a conductor are *covered*: they carry the conductor's temperature and no equation of their own.

Discrete equation of a cell:  H(T_new) - H(T_old) = dt * sum(link conductance * temperature difference) + sources - film
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np

TABLE_START = 150.0  # [K] first temperature of every property table
TABLE_STEP = 1.0  # [K]
TABLE_LENGTH = 1600
FILM_AIR_START = 240.0  # [K] first air temperature of the film tables of zones
FILM_AIR_STEP = 20.0  # [K]
STEFAN_BOLTZMANN = 5.670374419e-8  # [W/(m² K⁴)], CODATA 2018

ABSENT, UNIFORM, QUARTERED, LAMINATE, BLENDED = 0, 1, 2, 3, 4
MEAN_SHARE = 1.0 / 3.0  # of a BLENDED element that feels mean slopes only: fourth order on square cells
ADIABATIC, FIXED, FLUX, FILM = 0, 1, 2, 3


class Zones(NamedTuple):
    """Air zones: how links to their surfaces, the air and the surfaces among each other exchange heat.

    cell (n,): unknown of the solid; axis, i, j (n,): grid link; inverse (n,): 1 / distance to the surface [1/m]
    area (n,): surface of the link [m]; zone, group, patch (n,)
    group_zone, group_kind (n_groups,): film by table (0), or IEC 60287 (1); group_constant (n_groups,): its h at 1 K
    film (n_groups, 2, n_air, TABLE_LENGTH): coefficient [W/(m² K)] for surfaces warmer and cooler than the air, on
    FILM_AIR_STEP from FILM_AIR_START and differences on TABLE_STEP; patch_zone, patch_area, patch_emissivity (n_patches,)
    exchange (n_patches, n_patches), ambient_view (n_patches,): irradiation per emissive power
    is_open (n_zones,) bool: air held at a given temperature
    """

    cell: np.ndarray
    axis: np.ndarray
    i: np.ndarray
    j: np.ndarray
    inverse: np.ndarray
    area: np.ndarray
    zone: np.ndarray
    group: np.ndarray
    patch: np.ndarray
    group_zone: np.ndarray
    group_kind: np.ndarray
    group_constant: np.ndarray
    film: np.ndarray
    patch_zone: np.ndarray
    patch_area: np.ndarray
    patch_emissivity: np.ndarray
    exchange: np.ndarray
    ambient_view: np.ndarray
    is_open: np.ndarray


class Network(NamedTuple):
    """The section as links and capacities.

    shape: nx, ny, stride_x, stride_y, cells, conductors and bandwidth as int64 (7,)
    west, east (nx + 1,), south, north (ny + 1,): widths of the quarters of each element [m]
    element_kind (nx + 1, ny + 1): ABSENT; UNIFORM, one material; BLENDED, the same and nearly square, away from
    conductors; QUARTERED, each quarter of one material; LAMINATE, cut by an outline. element_material (nx + 1, ny + 1, 4) in the order SW, SE, NW, NE
    laminate_row (nx + 1, ny + 1) row of the next four; laminate_start (n + 1,); laminate_material, laminate_share (entries,)
    laminate_normal (n, 3): squared x, squared y and mixed component of the interface normal; laminate_cross (n,) bool
    covered (cells,): conductor that covers the cell's point, -1 for none
    link_state_x (nx - 1, ny), link_state_y (nx, ny - 1): 1 link between two live points, 0 cut by a conductor
    cut_cell, cut_conductor, cut_axis, cut_i, cut_j (n_cut,), cut_inverse (n_cut,): 1 / distance [1/m]
    content_start (cells + conductors + 1,), content_material, content_area (entries,) [m²]: what stores heat
    face_cell, face_boundary (n_faces,), face_length [m], face_start (n_faces + 1,), face_material, face_weight: half
    conductance = sum(weight * k) [m/m * k]
    conductivity, enthalpy (n_materials, TABLE_LENGTH): [W/(m K)], [J/m³]
    zones: air zones
    """

    shape: np.ndarray
    west: np.ndarray
    east: np.ndarray
    south: np.ndarray
    north: np.ndarray
    element_kind: np.ndarray
    element_material: np.ndarray
    laminate_row: np.ndarray
    laminate_start: np.ndarray
    laminate_material: np.ndarray
    laminate_share: np.ndarray
    laminate_normal: np.ndarray
    laminate_cross: np.ndarray
    covered: np.ndarray
    link_state_x: np.ndarray
    link_state_y: np.ndarray
    cut_cell: np.ndarray
    cut_conductor: np.ndarray
    cut_axis: np.ndarray
    cut_i: np.ndarray
    cut_j: np.ndarray
    cut_inverse: np.ndarray
    content_start: np.ndarray
    content_material: np.ndarray
    content_area: np.ndarray
    face_cell: np.ndarray
    face_boundary: np.ndarray
    face_length: np.ndarray
    face_start: np.ndarray
    face_material: np.ndarray
    face_weight: np.ndarray
    conductivity: np.ndarray
    enthalpy: np.ndarray
    zones: Zones


class Exchange(NamedTuple):
    """Work arrays of the zones at one state: surface temperature, heat leaving the solid, its slope, its slope against
    the air, (n,); irradiation (n_patches,); film coefficient (n_groups,); heat into and slope of the air (n_zones,)."""

    surface: np.ndarray
    flow: np.ndarray
    slope: np.ndarray
    pull: np.ndarray
    irradiation: np.ndarray
    coefficient: np.ndarray
    air_gain: np.ndarray
    air_slope: np.ndarray


class Links(NamedTuple):
    """Conductances at one state: x (nx - 1, ny), y (nx, ny - 1), rising and falling diagonals (nx - 1, ny - 1), cut
    links (n_cut,), border half conductances (n_faces,) and paths to zone surfaces (n,), all [W/(m K)]."""

    x: np.ndarray
    y: np.ndarray
    rising: np.ndarray
    falling: np.ndarray
    cut: np.ndarray
    face: np.ndarray
    zone: np.ndarray


class Surroundings(NamedTuple):
    """Boundaries at one time, (n_boundaries,) each: kind; air, radiant and fixed temperature [K]; heat flux [W/m²];
    constant coefficient [W/(m² K)]; power-law factor and exponent; emissivity; surface resistance [m² K/W]; and the
    correlation's coefficient against temperature difference, (n_boundaries, TABLE_LENGTH) on TABLE_STEP [W/(m² K)]."""

    kind: np.ndarray
    air: np.ndarray
    radiant: np.ndarray
    fixed: np.ndarray
    flux: np.ndarray
    coefficient: np.ndarray
    power_factor: np.ndarray
    power_exponent: np.ndarray
    emissivity: np.ndarray
    resistance: np.ndarray
    has_table: np.ndarray
    table: np.ndarray


@numba.njit(cache=True, inline="always")
def _look_up(table, material, temperature):
    """Linear interpolation in a property row; the end slopes continue outside."""
    place = (temperature - TABLE_START) / TABLE_STEP
    index = int(place)
    if index < 0:
        index = 0
    elif index > TABLE_LENGTH - 2:
        index = TABLE_LENGTH - 2
    low = table[material, index]
    return low + (table[material, index + 1] - low) * (place - index)


@numba.njit(cache=True, inline="always")
def _look_up_held(table, material, temperature):
    """Linear interpolation in a property row; the end values are held outside."""
    place = (temperature - TABLE_START) / TABLE_STEP
    if place <= 0.0:
        return table[material, 0]
    if place >= TABLE_LENGTH - 1:
        return table[material, TABLE_LENGTH - 1]
    index = int(place)
    low = table[material, index]
    return low + (table[material, index + 1] - low) * (place - index)


@numba.njit(cache=True, inline="always")
def _mean_slope_links(links, ei, ej, west, east, south, north, along_x, along_y, mixed):
    """Add the links of an element that feels only its mean slopes, with conductivity tensor (along_x, along_y, mixed).

    Energy = area (kx gx² + 2 kxy gx gy + ky gy²) with gx, gy the width-weighted means of the slopes on opposite sides.
    The difference between opposite sides costs nothing: where an interface kinks the temperature that difference is
    real, and charging for it (as two separate sides do) makes every interface too conductive to first order.
    """
    area = (west + east) * (south + north)
    x0, x1, x2, x3 = -south, south, -north, north  # corners SW, SE, NW, NE
    y0, y1, y2, y3 = -west, -east, west, east
    links.x[ei - 1, ej - 1] -= (along_x * x0 * x1 + along_y * y0 * y1 + mixed * (x0 * y1 + y0 * x1)) / area
    links.x[ei - 1, ej] -= (along_x * x2 * x3 + along_y * y2 * y3 + mixed * (x2 * y3 + y2 * x3)) / area
    links.y[ei - 1, ej - 1] -= (along_x * x0 * x2 + along_y * y0 * y2 + mixed * (x0 * y2 + y0 * x2)) / area
    links.y[ei, ej - 1] -= (along_x * x1 * x3 + along_y * y1 * y3 + mixed * (x1 * y3 + y1 * x3)) / area
    links.rising[ei - 1, ej - 1] -= (along_x * x0 * x3 + along_y * y0 * y3 + mixed * (x0 * y3 + y0 * x3)) / area
    links.falling[ei - 1, ej - 1] -= (along_x * x1 * x2 + along_y * y1 * y2 + mixed * (x1 * y2 + y1 * x2)) / area


@numba.njit(cache=True, inline="always")
def _quartered_sides(material, k, scale, mean, west, east, south, north):
    """Conductivity along the bottom, top, left and right side of an element of pure quarters: two in series on each.

    At a border of the section the missing quarters have width 0 and their sides are not used.
    """
    sw = _look_up_held(k, material[0], mean) * scale[material[0]]
    se = _look_up_held(k, material[1], mean) * scale[material[1]]
    nw = _look_up_held(k, material[2], mean) * scale[material[2]]
    ne = _look_up_held(k, material[3], mean) * scale[material[3]]
    span_x, span_y = west + east, south + north
    return (
        span_x / (west / sw + east / se),
        span_x / (west / nw + east / ne),
        span_y / (south / sw + north / nw),
        span_y / (south / se + north / ne),
    )


@numba.njit(cache=True, nogil=True)
def _end_links(network, temperature, scale, links):
    """Turn links that meet a conductor or a zone into links that end there, and fill the border half conductances."""
    nx, ny = network.shape[0], network.shape[1]
    zones = network.zones
    k = network.conductivity
    for index in range(len(network.cut_cell)):
        i, j = network.cut_i[index], network.cut_j[index]
        if network.cut_axis[index] == 0:
            full = links.x[i, j] * (network.west[i + 1] + network.east[i + 1])
        else:
            full = links.y[i, j] * (network.south[j + 1] + network.north[j + 1])
        links.cut[index] = full * network.cut_inverse[index]
    for index in range(len(zones.cell)):
        i, j = zones.i[index], zones.j[index]
        if zones.axis[index] == 0:
            full = links.x[i, j] * (network.west[i + 1] + network.east[i + 1])
        else:
            full = links.y[i, j] * (network.south[j + 1] + network.north[j + 1])
        links.zone[index] = full * zones.inverse[index]
    for i in range(nx - 1):
        for j in range(ny):
            links.x[i, j] *= network.link_state_x[i, j]
    for i in range(nx):
        for j in range(ny - 1):
            links.y[i, j] *= network.link_state_y[i, j]
    for face in range(len(network.face_cell)):
        here = temperature[network.face_cell[face]]
        total = 0.0
        for entry in range(network.face_start[face], network.face_start[face + 1]):
            m = network.face_material[entry]
            total += network.face_weight[entry] * _look_up_held(k, m, here) * scale[m]
        links.face[face] = total


@numba.njit(cache=True, nogil=True)
def conductances(network, temperature, scale, links):
    """Fill ``links`` at ``temperature`` (unknowns,) [K]; ``scale`` (n_materials,) multiplies each conductivity."""
    nx, ny, stride_x, stride_y = network.shape[0], network.shape[1], network.shape[2], network.shape[3]
    k = network.conductivity
    links.x[:] = 0.0
    links.y[:] = 0.0
    links.rising[:] = 0.0
    links.falling[:] = 0.0
    for ei in range(nx + 1):
        west, east = network.west[ei], network.east[ei]
        has_west, has_east = ei > 0, ei < nx
        span_x = west + east
        for ej in range(ny + 1):
            kind = network.element_kind[ei, ej]
            if kind == ABSENT:
                continue
            has_south, has_north = ej > 0, ej < ny
            south, north = network.south[ej], network.north[ej]
            span_y = south + north
            corner = (ei - 1) * stride_x + (ej - 1) * stride_y
            total, count = 0.0, 0.0
            if has_south:
                if has_west:
                    total += temperature[corner]
                    count += 1.0
                if has_east:
                    total += temperature[corner + stride_x]
                    count += 1.0
            if has_north:
                if has_west:
                    total += temperature[corner + stride_y]
                    count += 1.0
                if has_east:
                    total += temperature[corner + stride_x + stride_y]
                    count += 1.0
            mean = total / count
            if kind == UNIFORM or kind == BLENDED:
                m = network.element_material[ei, ej, 0]
                value = _look_up_held(k, m, mean) * scale[m]
                if kind == BLENDED:
                    part = MEAN_SHARE * value
                    _mean_slope_links(links, ei, ej, west, east, south, north, part, part, 0.0)
                    value -= part
                bottom = top = left = right = value
            elif kind == QUARTERED:
                bottom, top, left, right = _quartered_sides(
                    network.element_material[ei, ej], k, scale, mean, west, east, south, north
                )
            else:
                row = network.laminate_row[ei, ej]
                parallel, series = 0.0, 0.0
                for entry in range(network.laminate_start[row], network.laminate_start[row + 1]):
                    m = network.laminate_material[entry]
                    value = _look_up_held(k, m, mean) * scale[m]
                    parallel += network.laminate_share[entry] * value
                    series += network.laminate_share[entry] / value
                drop = parallel - 1.0 / series
                bottom = top = parallel - drop * network.laminate_normal[row, 0]
                left = right = parallel - drop * network.laminate_normal[row, 1]
                if network.laminate_cross[row]:
                    _mean_slope_links(
                        links, ei, ej, west, east, south, north, bottom, left, -drop * network.laminate_normal[row, 2]
                    )
                    bottom = top = left = right = 0.0
            if has_west and has_east:
                if has_south:
                    links.x[ei - 1, ej - 1] += bottom * south / span_x
                if has_north:
                    links.x[ei - 1, ej] += top * north / span_x
            if has_south and has_north:
                if has_west:
                    links.y[ei - 1, ej - 1] += left * west / span_y
                if has_east:
                    links.y[ei, ej - 1] += right * east / span_y
    _end_links(network, temperature, scale, links)


@numba.njit(cache=True, nogil=True)
def heat_content(network, temperature, scale, content, capacity):
    """Fill ``content`` [J/m] and its slope ``capacity`` [J/(m K)] (unknowns,) at ``temperature`` [K]."""
    for unknown in range(len(temperature)):
        place = (temperature[unknown] - TABLE_START) / TABLE_STEP
        index = int(place)
        if index < 0:
            index = 0
        elif index > TABLE_LENGTH - 2:
            index = TABLE_LENGTH - 2
        fraction = place - index
        total, slope = 0.0, 0.0
        for entry in range(network.content_start[unknown], network.content_start[unknown + 1]):
            m = network.content_material[entry]
            weight = network.content_area[entry] * scale[m]
            low = network.enthalpy[m, index]
            rise = network.enthalpy[m, index + 1] - low
            total += weight * (low + rise * fraction)
            slope += weight * rise
        content[unknown] = total
        capacity[unknown] = slope / TABLE_STEP


@numba.njit(cache=True, inline="always")
def _film(surroundings, b, surface):
    """Heat leaving a surface [W/m²] and its slope [W/(m² K)] at ``surface`` [K] on boundary ``b``."""
    difference = surface - surroundings.air[b]
    size = abs(difference)
    h = surroundings.coefficient[b]
    slope = h
    if surroundings.power_factor[b] > 0.0:
        part = surroundings.power_factor[b] * size ** surroundings.power_exponent[b]
        h += part
        slope += part * (1.0 + surroundings.power_exponent[b])
    if surroundings.has_table[b]:
        place = size / TABLE_STEP
        index = min(int(place), TABLE_LENGTH - 2)
        rise = surroundings.table[b, index + 1] - surroundings.table[b, index]
        part = surroundings.table[b, index] + rise * (place - index)
        h += part
        slope += part + rise / TABLE_STEP * size
    flow = h * difference
    if surroundings.emissivity[b] > 0.0:
        strength = surroundings.emissivity[b] * STEFAN_BOLTZMANN
        flow += strength * (surface**4 - surroundings.radiant[b] ** 4)
        slope += 4.0 * strength * surface**3
    return flow, slope


@numba.njit(cache=True, nogil=True)
def border_flow(network, links, surroundings, temperature, surface, flow, slope):
    """Fill surface temperature [K], heat leaving [W/m] and its slope [W/(m K)] of each border face, (n_faces,)."""
    for face in range(len(network.face_cell)):
        here = temperature[network.face_cell[face]]
        b = network.face_boundary[face]
        length = network.face_length[face]
        kind = surroundings.kind[b]
        half = links.face[face]
        if kind == FLUX:
            flow[face] = -surroundings.flux[b] * length
            slope[face] = 0.0
            surface[face] = here + surroundings.flux[b] * length / half
            continue
        if surroundings.resistance[b] > 0.0:
            path = 1.0 / (1.0 / half + surroundings.resistance[b] / length)
        else:
            path = half
        if kind == FIXED:
            flow[face] = path * (here - surroundings.fixed[b])
            slope[face] = path
            surface[face] = here - flow[face] / half
        elif kind == FILM:
            outer = surface[face]
            step = 0.0
            for _ in range(60):
                leaving, rise = _film(surroundings, b, outer)
                step = (path * (here - outer) - length * leaving) / (path + length * rise)
                outer += step
                if abs(step) < 1e-10 * abs(outer):
                    break
            leaving, rise = _film(surroundings, b, outer)
            flow[face] = path * (here - outer)
            slope[face] = path * length * rise / (path + length * rise)
            surface[face] = here - flow[face] / half
        else:
            flow[face] = 0.0
            slope[face] = 0.0
            surface[face] = here


@numba.njit(cache=True, inline="always")
def _zone_coefficient(zones, group, difference, air):
    """Film coefficient [W/(m² K)] of a surface ``difference`` [K] warmer than its air at ``air`` [K]."""
    size = abs(difference)
    if zones.group_kind[group] == 1:
        return zones.group_constant[group] * size**0.25
    side = 0 if difference >= 0.0 else 1
    place = min(size / TABLE_STEP, TABLE_LENGTH - 1.001)
    k = int(place)
    row = (air - FILM_AIR_START) / FILM_AIR_STEP
    row = min(max(row, 0.0), zones.film.shape[2] - 1.001)
    m = int(row)
    low = zones.film[group, side, m, k] + (zones.film[group, side, m, k + 1] - zones.film[group, side, m, k]) * (place - k)
    high = zones.film[group, side, m + 1, k]
    high += (zones.film[group, side, m + 1, k + 1] - high) * (place - k)
    return low + (high - low) * (row - m)


@numba.njit(cache=True, nogil=True)
def zone_exchange(network, links, temperature, exchange, passes):
    """Fill ``exchange`` at ``temperature`` (unknowns,) [K]: what solids give to the air and to each other.

    Surface temperatures, film coefficients and irradiation depend on each other; ``passes`` rounds are made, and the last
    flows are formed from one set of surface temperatures, so what solids lose is exactly what air and solids gain.
    """
    zones = network.zones
    count = len(zones.cell)
    groups, patches = len(zones.group_zone), len(zones.patch_zone)
    first_zone = network.shape[4] + network.shape[5]
    warmth, share = np.zeros(groups), np.zeros(groups)
    power = np.zeros(patches)
    for turn in range(passes + 1):
        warmth[:] = 0.0
        share[:] = 0.0
        power[:] = 0.0
        for index in range(count):
            warmth[zones.group[index]] += zones.area[index] * exchange.surface[index]
            share[zones.group[index]] += zones.area[index]
            power[zones.patch[index]] += zones.area[index] * exchange.surface[index] ** 4
        for p in range(patches):
            power[p] *= STEFAN_BOLTZMANN / zones.patch_area[p]
        for p in range(patches):
            total = 0.0
            for q in range(patches):
                total += zones.exchange[p, q] * power[q]
            if zones.ambient_view[p] > 0.0:
                total += zones.ambient_view[p] * STEFAN_BOLTZMANN * temperature[first_zone + zones.patch_zone[p]] ** 4
            exchange.irradiation[p] = total
        for g in range(groups):
            air = temperature[first_zone + zones.group_zone[g]]
            exchange.coefficient[g] = _zone_coefficient(zones, g, warmth[g] / share[g] - air, air)
        if turn == passes:
            break
        for index in range(count):
            here = temperature[zones.cell[index]]
            air = temperature[first_zone + zones.zone[index]]
            film = zones.area[index] * exchange.coefficient[zones.group[index]]
            p = zones.patch[index]
            grey = zones.area[index] * zones.patch_emissivity[p]
            path = links.zone[index]
            outer = exchange.surface[index]
            for _ in range(20):
                emitted = STEFAN_BOLTZMANN * outer**4
                balance = path * (here - outer) - film * (outer - air) - grey * (emitted - exchange.irradiation[p])
                step = balance / (path + film + grey * 4.0 * emitted / outer)
                outer += step
                if abs(step) < 1e-9 * outer:
                    break
            exchange.surface[index] = outer
    exchange.air_gain[:] = 0.0
    exchange.air_slope[:] = 0.0
    for index in range(count):
        z = zones.zone[index]
        air = temperature[first_zone + z]
        outer = exchange.surface[index]
        p = zones.patch[index]
        film = zones.area[index] * exchange.coefficient[zones.group[index]]
        grey = zones.area[index] * zones.patch_emissivity[p]
        emitted = STEFAN_BOLTZMANN * outer**4
        convected = film * (outer - air)
        exchange.flow[index] = convected + grey * (emitted - exchange.irradiation[p])
        path = links.zone[index]
        radiant = grey * 4.0 * emitted / outer
        # the film's own rise with temperature difference makes its slope about a quarter steeper
        steep = 1.25 * film
        whole = path + steep + radiant
        exchange.slope[index] = path * (steep + radiant) / whole
        exchange.pull[index] = path * steep / whole
        exchange.air_gain[z] += convected
        exchange.air_slope[z] += steep * (path + radiant) / whole


@numba.njit(cache=True, nogil=True)
def net_heat(network, links, exchange, temperature, source, face_flow, net):
    """Fill ``net`` (unknowns,) [W/m]: heat flowing into each unknown; ``source`` (unknowns,) [W/m] is added."""
    zones = network.zones
    nx, ny, stride_x, stride_y, cells = (
        network.shape[0], network.shape[1], network.shape[2], network.shape[3], network.shape[4],
    )  # fmt: skip
    net[:] = source
    for i in range(nx):
        for j in range(ny):
            here = i * stride_x + j * stride_y
            if i < nx - 1:
                flow = links.x[i, j] * (temperature[here + stride_x] - temperature[here])
                net[here] += flow
                net[here + stride_x] -= flow
                if j < ny - 1:
                    flow = links.rising[i, j] * (temperature[here + stride_x + stride_y] - temperature[here])
                    net[here] += flow
                    net[here + stride_x + stride_y] -= flow
                    flow = links.falling[i, j] * (temperature[here + stride_y] - temperature[here + stride_x])
                    net[here + stride_x] += flow
                    net[here + stride_y] -= flow
            if j < ny - 1:
                flow = links.y[i, j] * (temperature[here + stride_y] - temperature[here])
                net[here] += flow
                net[here + stride_y] -= flow
    for index in range(len(network.cut_cell)):
        here, conductor = network.cut_cell[index], cells + network.cut_conductor[index]
        flow = links.cut[index] * (temperature[conductor] - temperature[here])
        net[here] += flow
        net[conductor] -= flow
    for face in range(len(network.face_cell)):
        net[network.face_cell[face]] -= face_flow[face]
    first_zone = cells + network.shape[5]
    for index in range(len(zones.cell)):
        net[zones.cell[index]] -= exchange.flow[index]
    for z in range(len(zones.is_open)):
        net[first_zone + z] += exchange.air_gain[z]


@numba.njit(cache=True, nogil=True)
def assemble(network, links, exchange, capacity, face_slope, factor, band, border, corner):
    """Fill the matrix  capacity + factor * (links + film slopes)  as band, border and corner.

    Parameters
    ----------
    capacity : (unknowns,) [J/(m K)]; factor : float [s]
    band : (cells, bandwidth + 1)        column k of row c holds entry (c + k, c) of the symmetric cell block
    border : (lumps, cells)              coupling of cells to conductors and zones
    corner : (lumps,)                    diagonal of that block, without the slope of the Joule heat
    """
    zones = network.zones
    nx, ny, stride_x, stride_y, cells = (
        network.shape[0], network.shape[1], network.shape[2], network.shape[3], network.shape[4],
    )  # fmt: skip
    band[:] = 0.0
    border[:] = 0.0
    for cell in range(cells):
        band[cell, 0] = capacity[cell]
    for i in range(nx):
        for j in range(ny):
            here = i * stride_x + j * stride_y
            if i < nx - 1:
                g = factor * links.x[i, j]
                there = here + stride_x
                band[here, 0] += g
                band[there, 0] += g
                band[here, stride_x] -= g
                if j < ny - 1:
                    g = factor * links.rising[i, j]
                    if g != 0.0:
                        there = here + stride_x + stride_y
                        band[here, 0] += g
                        band[there, 0] += g
                        band[here, stride_x + stride_y] -= g
                    g = factor * links.falling[i, j]
                    if g != 0.0:
                        first, second = here + stride_x, here + stride_y
                        band[first, 0] += g
                        band[second, 0] += g
                        low = min(first, second)
                        band[low, abs(first - second)] -= g
            if j < ny - 1:
                g = factor * links.y[i, j]
                band[here, 0] += g
                band[here + stride_y, 0] += g
                band[here, stride_y] -= g
    for conductor in range(len(corner)):
        corner[conductor] = capacity[cells + conductor]
    for index in range(len(network.cut_cell)):
        g = factor * links.cut[index]
        band[network.cut_cell[index], 0] += g
        corner[network.cut_conductor[index]] += g
        border[network.cut_conductor[index], network.cut_cell[index]] -= g
    for face in range(len(network.face_cell)):
        band[network.face_cell[face], 0] += factor * face_slope[face]
    conductors = network.shape[5]
    for index in range(len(zones.cell)):
        band[zones.cell[index], 0] += factor * exchange.slope[index]
        if not zones.is_open[zones.zone[index]]:
            border[conductors + zones.zone[index], zones.cell[index]] -= factor * exchange.pull[index]
    for z in range(len(zones.is_open)):
        if zones.is_open[z]:
            corner[conductors + z] = 1.0
        else:
            corner[conductors + z] += factor * exchange.air_slope[z]
    for cell in range(cells):
        if network.covered[cell] >= 0:
            band[cell, 0] = 1.0


@numba.njit(cache=True, nogil=True)
def factorise(band):
    """Overwrite ``band`` by its Cholesky factor; column 0 becomes the inverse diagonal. False if not positive definite.

    Columns are eliminated four at a time so that each trailing entry is loaded and stored once per four updates.
    """
    cells, width = band.shape
    reach = width - 1
    column = 0
    while column < cells:
        block = min(4, cells - column)
        # eliminate inside the block, each column updating the later columns of the block
        for p in range(block):
            c = column + p
            pivot = band[c, 0]
            if not (pivot > 0.0):
                return False
            inverse = 1.0 / np.sqrt(pivot)
            band[c, 0] = inverse
            for k in range(1, width):
                band[c, k] *= inverse
            for q in range(p + 1, block):
                shift = q - p
                if shift <= reach:
                    value = band[c, shift]
                    if value != 0.0:
                        for k in range(width - shift):
                            band[column + q, k] -= value * band[c, k + shift]
        # the whole block updates the rows behind it
        if block == 4 and reach > 4:
            a, b, d, e = band[column], band[column + 1], band[column + 2], band[column + 3]
            for row in range(column + 4, min(cells, column + 4 + reach)):
                k0 = row - column
                v0 = a[k0] if k0 < width else 0.0
                v1 = b[k0 - 1] if k0 - 1 < width else 0.0
                v2 = d[k0 - 2] if k0 - 2 < width else 0.0
                v3 = e[k0 - 3]
                target = band[row]
                both = width - k0
                both = max(both, 0)
                for k in range(both):
                    target[k] -= v0 * a[k0 + k] + v1 * b[k0 - 1 + k] + v2 * d[k0 - 2 + k] + v3 * e[k0 - 3 + k]
                for k in range(both, width - k0 + 3):
                    part = v3 * e[k0 - 3 + k]
                    if k0 - 1 + k < width:
                        part += v1 * b[k0 - 1 + k]
                    if k0 - 2 + k < width:
                        part += v2 * d[k0 - 2 + k]
                    target[k] -= part
        else:
            for p in range(block):
                c = column + p
                for k in range(block - p, width):
                    row = c + k
                    if row >= cells:
                        break
                    value = band[c, k]
                    for m in range(width - k):
                        band[row, m] -= value * band[c, k + m]
        column += block
    return True


@numba.njit(cache=True, nogil=True)
def solve_band(band, right):
    """Overwrite ``right`` (cells,) by the solution for a factorised ``band``."""
    cells, width = band.shape
    for c in range(cells):
        value = right[c] * band[c, 0]
        right[c] = value
        last = min(width, cells - c)
        for k in range(1, last):
            right[c + k] -= band[c, k] * value
    for c in range(cells - 1, -1, -1):
        last = min(width, cells - c)
        # eight running sums: a fixed order that the compiler may still vectorise
        s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
        k = 1
        while k + 8 <= last:
            s0 += band[c, k] * right[c + k]
            s1 += band[c, k + 1] * right[c + k + 1]
            s2 += band[c, k + 2] * right[c + k + 2]
            s3 += band[c, k + 3] * right[c + k + 3]
            s4 += band[c, k + 4] * right[c + k + 4]
            s5 += band[c, k + 5] * right[c + k + 5]
            s6 += band[c, k + 6] * right[c + k + 6]
            s7 += band[c, k + 7] * right[c + k + 7]
            k += 8
        total = ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))
        while k < last:
            total += band[c, k] * right[c + k]
            k += 1
        right[c] = (right[c] - total) * band[c, 0]


@numba.njit(cache=True, nogil=True)
def reduce_border(band, border, reduced, schur):
    """Factorise ``band``; fill ``reduced`` (conductors, cells) = band⁻¹ border and ``schur`` = -border band⁻¹ border.

    Nothing here depends on the currents. Returns False when the band is not positive definite.
    """
    if not factorise(band):
        return False
    conductors = border.shape[0]
    for a in range(conductors):
        reduced[a, :] = border[a]
        solve_band(band, reduced[a])
    for a in range(conductors):
        for b in range(conductors):
            total = 0.0
            for cell in range(border.shape[1]):
                if border[a, cell] != 0.0:
                    total += border[a, cell] * reduced[b, cell]
            schur[a, b] = -total
    return True


@numba.njit(cache=True, nogil=True)
def invert_conductors(schur, corner, inverse):
    """Fill ``inverse`` of schur + diag(corner), (conductors, conductors).

    Returns False when it is not positive definite: the conductors gain heat faster than the section takes it.
    """
    conductors = len(corner)
    small = schur.copy()
    for a in range(conductors):
        small[a, a] += corner[a]
    work = small.copy()
    for a in range(conductors):
        if not (work[a, a] > 1e-12 * abs(corner[a])):
            return False
        for b in range(a + 1, conductors):
            ratio = work[b, a] / work[a, a]
            for c in range(a, conductors):
                work[b, c] -= ratio * work[a, c]
    for a in range(conductors):
        for b in range(conductors):
            inverse[a, b] = 1.0 if a == b else 0.0
    for a in range(conductors):
        pivot = small[a, a]
        for b in range(conductors):
            small[a, b] /= pivot
            inverse[a, b] /= pivot
        for c in range(conductors):
            if c != a:
                ratio = small[c, a]
                if ratio != 0.0:
                    for b in range(conductors):
                        small[c, b] -= ratio * small[a, b]
                        inverse[c, b] -= ratio * inverse[a, b]
    return True


@numba.njit(cache=True, nogil=True)
def solve_bordered(network, band, border, reduced, inverse, right):
    """Overwrite ``right`` (unknowns,) by the solution of the bordered system; covered cells get 0."""
    cells = network.shape[4]
    conductors = len(right) - cells
    for cell in range(cells):
        if network.covered[cell] >= 0:
            right[cell] = 0.0
    for a in range(conductors):
        total = 0.0
        for cell in range(cells):
            if reduced[a, cell] != 0.0:
                total += reduced[a, cell] * right[cell]
        right[cells + a] -= total
    solve_band(band, right[:cells])
    answer = np.zeros(conductors)
    for a in range(conductors):
        for b in range(conductors):
            answer[a] += inverse[a, b] * right[cells + b]
    for a in range(conductors):
        right[cells + a] = answer[a]
        value = answer[a]
        if value != 0.0:
            for cell in range(cells):
                right[cell] -= reduced[a, cell] * value


@numba.njit(cache=True, nogil=True)
def spread_conductors(network, temperature):
    """Copy each conductor's temperature onto the cells whose points it covers."""
    cells = network.shape[4]
    for cell in range(cells):
        if network.covered[cell] >= 0:
            temperature[cell] = temperature[cells + network.covered[cell]]


@numba.njit(cache=True, nogil=True)
def solve_stage(
    network, links, exchange, surroundings, band, border, reduced, inverse, linear, k_scale, c_scale, joule, coefficient,
    volume_source, base, weight, temperature, surface, work, tolerance, most,
):  # fmt: skip
    """Solve one implicit stage  content(T) - weight * net_heat(T) = base  by simplified Newton; T is overwritten.

    Parameters
    ----------
    joule (conductors,): I² R20 [W/m]; coefficient (conductors,): of resistance at 20 °C [1/K]
    volume_source (unknowns,): heat sources of parts [W/m]
    base (unknowns,) [J/m]; weight: gamma times the step [s]
    work (6, unknowns) scratch: content, capacity, net, residual; rows 4, 5 hold border flows and slopes
    tolerance [K]: largest last change; most: iterations allowed

    Returns
    -------
    (iterations or -1 when it did not settle, last change [K], previous change, generated [W/m], lost [W/m])
    """
    zones = network.zones
    cells = network.shape[4]
    first_zone = cells + network.shape[5]
    faces = len(network.face_cell)
    content, capacity, net, right = work[0], work[1], work[2], work[3]
    source = np.empty(len(temperature))
    face_flow, face_slope = work[4][:faces], work[5][:faces]
    change, previous = np.inf, np.inf
    for iteration in range(most + 1):
        if not linear:
            conductances(network, temperature, k_scale, links)
        if len(zones.cell):
            zone_exchange(network, links, temperature, exchange, 2)
        border_flow(network, links, surroundings, temperature, surface, face_flow, face_slope)
        source[:] = volume_source
        for c in range(len(joule)):
            source[cells + c] += joule[c] * (1.0 + coefficient[c] * (temperature[cells + c] - 293.15))
        net_heat(network, links, exchange, temperature, source, face_flow, net)
        heat_content(network, temperature, c_scale, content, capacity)
        mismatch, generated, lost, turnover = 0.0, 0.0, 0.0, 0.0
        for q in range(len(temperature)):
            right[q] = base[q] + weight * net[q] - content[q]
            generated += source[q]
            turnover += abs(source[q])
        for z in range(len(zones.is_open)):
            if zones.is_open[z]:
                # air held at a given temperature: what reaches it is lost, its own equation stands still
                right[first_zone + z] = 0.0
        for index in range(len(zones.cell)):
            if zones.is_open[zones.zone[index]]:
                lost += exchange.flow[index]
                turnover += abs(exchange.flow[index])
        for q in range(len(temperature)):
            mismatch += right[q]
        for f in range(faces):
            lost += face_flow[f]
            turnover += abs(face_flow[f])
        if iteration > 0 and change < tolerance and abs(mismatch) <= 1e-7 * weight * turnover + 1e-10:
            return iteration, change, previous, generated, lost
        if iteration == most:
            break
        solve_bordered(network, band, border, reduced, inverse, right)
        previous = change
        change = 0.0
        for q in range(len(temperature)):
            temperature[q] += right[q]
            change = max(change, abs(right[q]))
        spread_conductors(network, temperature)
        if not (change < 1e6) or (iteration >= 2 and change > 0.8 * previous and change > tolerance):
            break
    return -1, change, previous, generated, lost
