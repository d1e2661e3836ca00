"""Compiled loops of the heat solver. Plain arrays in and out, one member per call, no Python objects, no fastmath.

Unknowns are numbered cells first (cell (i, j) at i * stride_x + j * stride_y), conductors and air zones after them. Cells
whose point lies in a conductor are *covered*: they carry the conductor's temperature and no equation of their own. Loops over
cells have no branches and few arrays each, so that the compiler turns them into vector instructions.

Discrete equation of a cell:  H(T_new) - H(T_old) = dt * sum(link conductance * temperature difference) + sources - film
"""

from __future__ import annotations

from typing import NamedTuple

import numba
import numpy as np
from numba.extending import overload

from ampsoak.heat.arrays import (
    FARTHEST,
    FILM,
    FILM_AIR_START,
    FILM_AIR_STEP,
    FIXED,
    FLUX,
    QUARTERED,
    SMALL_STEP,
    STEFAN_BOLTZMANN,
    TABLE_LENGTH,
    TABLE_START,
    TABLE_STEP,
    WIDEST_BAND,
    ZONE_ROUNDS,
    Network,
)
from ampsoak.heat.banded import PAD_ROWS, empty_band, factorise, solve_band
from ampsoak.heat.dissection import Plan, factorise_fronts, make_plan, solve_fronts


class BandMatrix(NamedTuple):
    """The cells' part of a step matrix as a band.

    stencil (5, cells): diagonal, and entries to the next cell along x, along y, along both, and from the next along x to the
    next along y; strides (2,); band as in ``banded``
    """

    stencil: np.ndarray
    strides: np.ndarray
    band: np.ndarray


class FrontMatrix(NamedTuple):
    """The same on a large mesh, in fronts: plan, lower, update as in ``dissection``."""

    stencil: np.ndarray
    plan: Plan
    lower: np.ndarray
    update: np.ndarray


def empty_matrix(network: Network, plan: Plan | None = None, band: np.ndarray | None = None) -> BandMatrix | FrontMatrix:
    """A matrix for the cells of ``network``; with a ``plan`` in fronts, else in ``band``, a new one where none is given."""
    stride_x, stride_y, cells, _, bandwidth = (int(value) for value in network.shape[2:])
    stencil = np.zeros((5, cells))
    if plan is None:
        band = empty_band(cells, bandwidth) if band is None else band
        return BandMatrix(stencil, np.array([stride_x, stride_y]), band)
    return FrontMatrix(stencil, plan, np.zeros(plan.lower_start[-1]), np.zeros(plan.update_start[-1]))


def plan_of(network: Network) -> Plan | None:
    """The order of elimination in fronts where that is the quicker way, else None."""
    nx, ny, stride_x, stride_y, _, _, bandwidth = (int(value) for value in network.shape)
    return make_plan(nx, ny, stride_x, stride_y) if bandwidth > WIDEST_BAND else None


@numba.njit(cache=True, inline="always")
def _look_up_held(table, material, temperature):
    """Linear interpolation in a property row; the end values are held outside."""
    place = min(max((temperature - TABLE_START) / TABLE_STEP, 0.0), TABLE_LENGTH - 1.0)
    index = min(int(place), TABLE_LENGTH - 2)
    low = table[material, index]
    return low + (table[material, index + 1] - low) * (place - index)


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
def _plain_links(network, temperature, scale, links):
    """Links of elements of one material: set for those away from borders, added for sides on a border."""
    stride_x, stride_y, cells = network.shape[2], network.shape[3], network.shape[4]
    k, weight = network.conductivity, network.plain_weight
    here = np.zeros(cells)
    # slices rather than sums of indices: those the compiler takes for possibly negative, and then keeps to one at a time
    east, north, beyond = temperature[stride_x:], temperature[stride_y:], temperature[stride_x + stride_y :]
    for q in range(cells - stride_x - stride_y):
        mean = 0.25 * ((temperature[q] + east[q]) + (north[q] + beyond[q]))
        here[q] = _look_up_held(k, network.plain_material[q], mean) * scale[network.plain_material[q]]
    along_x, along_y, rising, falling = links.x, links.y, links.rising, links.falling
    bottom, top, left, right, diagonal = weight[0], weight[1], weight[2], weight[3], weight[4]
    for q in range(cells):
        along_x[q] = here[q] * bottom[q]
    ahead = along_x[stride_y:]
    for q in range(cells - stride_y):
        ahead[q] += here[q] * top[q]
    for q in range(cells):
        along_y[q] = here[q] * left[q]
    ahead = along_y[stride_x:]
    for q in range(cells - stride_x):
        ahead[q] += here[q] * right[q]
    for q in range(cells):
        rising[q] = here[q] * diagonal[q]
    falling[:] = rising
    for n in range(len(network.rim_place)):
        place, m = network.rim_place[n], network.rim_material[n]
        mean = 0.5 * (temperature[place] + temperature[network.rim_other[n]])
        value = _look_up_held(k, m, mean) * scale[m] * network.rim_weight[n]
        if network.rim_axis[n] == 0:
            along_x[place] += value
        else:
            along_y[place] += value


@numba.njit(cache=True, nogil=True)
def _special_links(network, temperature, scale, links):
    """Add the links of elements of several materials."""
    stride_x, stride_y = network.shape[2], network.shape[3]
    k = network.conductivity
    for n in range(len(network.special_kind)):
        corner = network.special_cell[n]
        has_west, has_east, has_south, has_north = network.special_side[n]
        west, east, south, north = network.special_width[n]
        total, count = 0.0, 0.0
        if has_west and has_south:
            total, count = total + temperature[corner], count + 1.0
        if has_west and has_north:
            total, count = total + temperature[corner + stride_y], count + 1.0
        if has_east and has_south:
            total, count = total + temperature[corner + stride_x], count + 1.0
        if has_east and has_north:
            total, count = total + temperature[corner + stride_x + stride_y], count + 1.0
        mean = total / count
        if network.special_kind[n] == QUARTERED:
            bottom, top, left, right = _quartered_sides(
                network.special_material[n], k, scale, mean, west, east, south, north
            )
        else:
            row = network.special_row[n]
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
                # feels mean slopes only: energy = area (kx gx² + 2 kxy gx gy + ky gy²) with gx, gy the width-weighted
                # means of the slopes on opposite sides. The difference between opposite sides costs nothing: where an
                # interface kinks the temperature that difference is real, and charging for it (as two separate sides
                # do) makes every interface too conductive to first order.
                size = 1.0 / ((west + east) * (south + north))
                kx, ky, kxy = bottom * size, left * size, -drop * network.laminate_normal[row, 2] * size
                across_x, across_y = west * east, south * north
                links.x[corner] += kx * south * south - ky * across_x - kxy * south * (east - west)
                links.x[corner + stride_y] += kx * north * north - ky * across_x + kxy * north * (east - west)
                links.y[corner] += ky * west * west - kx * across_y - kxy * west * (north - south)
                links.y[corner + stride_x] += ky * east * east - kx * across_y + kxy * east * (north - south)
                links.rising[corner] += kx * across_y + ky * across_x + kxy * (south * east + north * west)
                links.falling[corner] += kx * across_y + ky * across_x - kxy * (south * west + north * east)
                continue
        if has_west and has_east:
            if has_south:
                links.x[corner] += bottom * south / (west + east)
            if has_north:
                links.x[corner + stride_y] += top * north / (west + east)
        if has_south and has_north:
            if has_west:
                links.y[corner] += left * west / (south + north)
            if has_east:
                links.y[corner + stride_x] += right * east / (south + north)


@numba.njit(cache=True, nogil=True)
def conductances(network, temperature, scale, links):
    """Fill ``links`` at ``temperature`` (unknowns,) [K]; ``scale`` (n_materials,) multiplies each conductivity."""
    _plain_links(network, temperature, scale, links)
    _special_links(network, temperature, scale, links)
    zones = network.zones
    # links that meet a conductor or a zone end there
    for n in range(len(network.cut_cell)):
        place = network.cut_place[n]
        links.cut[n] = (links.x[place] if network.cut_axis[n] == 0 else links.y[place]) * network.cut_scale[n]
    for n in range(len(zones.cell)):
        place = zones.place[n]
        if zones.cell[n] >= network.shape[4]:
            links.zone[n] = zones.scale[n]
        else:
            links.zone[n] = (links.x[place] if zones.axis[n] == 0 else links.y[place]) * zones.scale[n]
    for q in range(network.shape[4]):
        links.x[q] *= network.state_x[q]
        links.y[q] *= network.state_y[q]
    k = network.conductivity
    for face in range(len(network.face_cell)):
        here = temperature[network.face_cell[face]]
        total = 0.0
        for entry in range(network.face_start[face], network.face_start[face + 1]):
            m = network.face_material[entry]
            total += network.face_weight[entry] * _look_up_held(k, m, here) * scale[m]
        links.face[face] = total


@numba.njit(cache=True, inline="always")
def _content_at(network, scale, unknown, temperature):
    """Heat content [J/m] and its slope [J/(m K)] of one unknown at ``temperature`` [K]."""
    place = (temperature - TABLE_START) / TABLE_STEP
    index = min(max(int(place), 0), TABLE_LENGTH - 2)
    total, slope = 0.0, 0.0
    for entry in range(network.content_start[unknown], network.content_start[unknown + 1]):
        m = network.content_material[entry]
        weight = network.content_area[entry] * scale[m]
        low = network.enthalpy[m, index]
        rise = network.enthalpy[m, index + 1] - low
        total += weight * (low + rise * (place - index))
        slope += weight * rise
    return total, slope / TABLE_STEP


@numba.njit(cache=True, nogil=True)
def heat_content(network, temperature, scale, content, capacity):
    """Fill ``content`` [J/m] and its slope ``capacity`` [J/(m K)] (unknowns,) at ``temperature`` [K]."""
    enthalpy, material, area = network.enthalpy, network.main_material, network.main_area
    for q in range(len(temperature)):
        place = (temperature[q] - TABLE_START) / TABLE_STEP
        index = min(max(int(place), 0), TABLE_LENGTH - 2)
        weight = area[q] * scale[material[q]]
        low = enthalpy[material[q], index]
        rise = enthalpy[material[q], index + 1] - low
        content[q] = weight * (low + rise * (place - index))
        capacity[q] = weight * rise / TABLE_STEP
    for n in range(len(network.mixed)):
        q = network.mixed[n]
        content[q], capacity[q] = _content_at(network, scale, q, temperature[q])


@numba.njit(cache=True, inline="always")
def _film(surroundings, row, b, surface):
    """Heat leaving a surface [W/m²] and its slope [W/(m² K)] at ``surface`` [K] on boundary ``b``."""
    difference = surface - surroundings.air[row, b]
    size = abs(difference)
    h = surroundings.coefficient[row, b]
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
        flow += strength * (surface**4 - surroundings.radiant[row, b] ** 4)
        slope += 4.0 * strength * surface**3
    return flow, slope


@numba.njit(cache=True, nogil=True)
def border_flow(network, links, surroundings, row, temperature, surface, flow, slope):
    """Fill surface temperature [K], heat leaving [W/m] and its slope [W/(m K)] of each border face, (n_faces,).

    ``row`` is the time taken from ``surroundings``.
    """
    row = min(row, len(surroundings.air) - 1)
    for face in range(len(network.face_cell)):
        here = temperature[network.face_cell[face]]
        b = network.face_boundary[face]
        length = network.face_length[face]
        kind = surroundings.kind[b]
        half = links.face[face]
        if kind == FLUX:
            flow[face] = -surroundings.flux[row, b] * length
            slope[face] = 0.0
            surface[face] = here + surroundings.flux[row, b] * length / half
            continue
        if surroundings.resistance[row, b] > 0.0:
            path = 1.0 / (1.0 / half + surroundings.resistance[row, b] / length)
        else:
            path = half
        if kind == FIXED:
            flow[face] = path * (here - surroundings.fixed[row, b])
            slope[face] = path
            surface[face] = here - flow[face] / half
        elif kind == FILM:
            outer = surface[face]
            rise = 0.0
            for _ in range(60):
                leaving, rise = _film(surroundings, row, b, outer)
                step = (path * (here - outer) - length * leaving) / (path + length * rise)
                outer += step
                # the step after this one would be its square over some hundred kelvin
                if abs(step) < SMALL_STEP:
                    break
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
def zone_exchange(network, links, temperature, exchange):
    """Fill ``exchange`` at ``temperature`` (unknowns,) [K]: what solids give to the air and to each other.

    Surface temperatures, film coefficients and irradiation depend on each other; ZONE_ROUNDS rounds are made, and the last
    flows are formed from one set of surface temperatures, so what solids lose is exactly what air and solids gain.
    """
    zones = network.zones
    count = len(zones.cell)
    groups, patches = len(zones.group_zone), len(zones.patch_zone)
    first_zone = network.shape[4] + network.shape[5]
    warmth, share = np.zeros(groups), np.zeros(groups)
    power = np.zeros(patches)
    for turn in range(ZONE_ROUNDS + 1):
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
        if turn == ZONE_ROUNDS:
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


@numba.njit(cache=True, inline="always")
def _add_flows(conductance, temperature, low, high, count, flow, net):
    """Heat along one kind of link, ``low`` and ``high`` being how far its ends are from the cell that it belongs to."""
    behind, ahead = temperature[low:], temperature[high:]
    for q in range(count):
        flow[q] = conductance[q] * (ahead[q] - behind[q])
    taken, given = net[low:], net[high:]
    for q in range(count):
        taken[q] += flow[q]
    for q in range(count):
        given[q] -= flow[q]


@numba.njit(cache=True, nogil=True)
def net_heat(network, links, exchange, temperature, source, face_flow, net):
    """Fill ``net`` (unknowns,) [W/m]: heat flowing into each unknown; ``source`` (unknowns,) [W/m] is added."""
    zones = network.zones
    stride_x, stride_y, cells = network.shape[2], network.shape[3], network.shape[4]
    flow = np.empty(cells)
    net[:] = source
    both = stride_x + stride_y
    _add_flows(links.x, temperature, 0, stride_x, cells - stride_x, flow, net)
    _add_flows(links.y, temperature, 0, stride_y, cells - stride_y, flow, net)
    _add_flows(links.rising, temperature, 0, both, cells - both, flow, net)
    _add_flows(links.falling, temperature, stride_x, stride_y, cells - both, flow, net)
    for index in range(len(network.cut_cell)):
        here, conductor = network.cut_cell[index], cells + network.cut_conductor[index]
        passed = links.cut[index] * (temperature[conductor] - temperature[here])
        net[here] += passed
        net[conductor] -= passed
    for face in range(len(network.face_cell)):
        net[network.face_cell[face]] -= face_flow[face]
    first_zone = cells + network.shape[5]
    for index in range(len(zones.cell)):
        net[zones.cell[index]] -= exchange.flow[index]
    for z in range(len(zones.is_open)):
        net[first_zone + z] += exchange.air_gain[z]


@numba.njit(cache=True, inline="always")
def _add_links(conductance, factor, low, high, count, diagonal, entries):
    """Matrix entries of one kind of link; its ends as in ``_add_flows``."""
    for q in range(len(entries)):
        entries[q] = -factor * conductance[q]
    behind, ahead = diagonal[low:], diagonal[high:]
    for q in range(count):
        behind[q] -= entries[q]
    for q in range(count):
        ahead[q] -= entries[q]


@numba.njit(cache=True, nogil=True)
def assemble(network, links, exchange, capacity, face_slope, factor, matrix, border, corner):
    """Fill the matrix  capacity + factor * (links + film slopes)  as stencil, border and corner.

    Parameters
    ----------
    capacity : (unknowns,) [J/(m K)]; factor : float [s]
    matrix : BandMatrix or FrontMatrix   its stencil is filled
    border : (lumps, cells)              coupling of cells to conductors and zones
    corner : (lumps, lumps)              coupling of those to each other, without the slope of the Joule heat
    """
    zones = network.zones
    stride_x, stride_y, cells, conductors = network.shape[2], network.shape[3], network.shape[4], network.shape[5]
    stencil = matrix.stencil
    diagonal = stencil[0]
    both = stride_x + stride_y
    diagonal[:] = capacity[:cells]
    _add_links(links.x, factor, 0, stride_x, cells - stride_x, diagonal, stencil[1])
    _add_links(links.y, factor, 0, stride_y, cells - stride_y, diagonal, stencil[2])
    _add_links(links.rising, factor, 0, both, cells - both, diagonal, stencil[3])
    _add_links(links.falling, factor, stride_x, stride_y, cells - both, diagonal, stencil[4])
    border[:] = 0.0
    corner[:] = 0.0
    for a in range(len(corner)):
        corner[a, a] = capacity[cells + a]
    for index in range(len(network.cut_cell)):
        g = factor * links.cut[index]
        a = network.cut_conductor[index]
        diagonal[network.cut_cell[index]] += g
        corner[a, a] += g
        border[a, network.cut_cell[index]] -= g
    for face in range(len(network.face_cell)):
        diagonal[network.face_cell[face]] += factor * face_slope[face]
    for index in range(len(zones.cell)):
        q, air = zones.cell[index], conductors + zones.zone[index]
        slope, pull = factor * exchange.slope[index], factor * exchange.pull[index]
        if zones.is_open[zones.zone[index]]:
            pull = 0.0
        if q < cells:
            diagonal[q] += slope
            border[air, q] -= pull
        else:
            corner[q - cells, q - cells] += slope
            corner[q - cells, air] -= pull
            corner[air, q - cells] -= pull
    for z in range(len(zones.is_open)):
        if zones.is_open[z]:
            corner[conductors + z, conductors + z] = 1.0
        else:
            corner[conductors + z, conductors + z] += factor * exchange.air_slope[z]
    for n in range(len(network.covered_cell)):
        diagonal[network.covered_cell[n]] = 1.0


@numba.njit(cache=True, nogil=True)
def _factorise_band(matrix):
    stencil, band, stride_x, stride_y = matrix.stencil, matrix.band, matrix.strides[0], matrix.strides[1]
    band[:] = 0.0
    first, apart = min(stride_x, stride_y), abs(stride_x - stride_y)
    for cell in range(stencil.shape[1]):
        band[cell, 0] += stencil[0, cell]
        band[cell, stride_x] += stencil[1, cell]
        band[cell, stride_y] += stencil[2, cell]
        band[cell, stride_x + stride_y] += stencil[3, cell]
        band[cell + first, apart] += stencil[4, cell]
    return factorise(band)


@numba.njit(cache=True, nogil=True)
def _factorise_fronts(matrix):
    return factorise_fronts(matrix.plan, matrix.stencil, matrix.lower, matrix.update)


@numba.njit(cache=True, nogil=True)
def _solve_band(matrix, right):
    solve_band(matrix.band, right)


@numba.njit(cache=True, nogil=True)
def _solve_fronts(matrix, right):
    solve_fronts(matrix.plan, matrix.lower, right)


def _factorise_cells(matrix):
    """Factorise what the stencil holds; False when it is not positive definite."""
    return _factorise_fronts(matrix) if isinstance(matrix, FrontMatrix) else _factorise_band(matrix)


def _solve_cells(matrix, right):
    """Overwrite ``right`` (cells + PAD_ROWS,), zero past the cells, by the solution for a factorised ``matrix``."""
    if isinstance(matrix, FrontMatrix):
        _solve_fronts(matrix, right)
    else:
        _solve_band(matrix, right)


# the compiler chooses by the type of the matrix, so that fronts are compiled only for meshes that need them
@overload(_factorise_cells)
def _choose_factorise(matrix):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix: _factorise_fronts(matrix)
    return lambda matrix: _factorise_band(matrix)


@overload(_solve_cells)
def _choose_solve(matrix, right):
    if matrix.instance_class is FrontMatrix:
        return lambda matrix, right: _solve_fronts(matrix, right)
    return lambda matrix, right: _solve_band(matrix, right)


@numba.njit(cache=True, nogil=True)
def _total(values):
    """Sum, in eight strands so that none waits for another."""
    whole = len(values) // 8 * 8
    s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
    for q in range(0, whole, 8):
        s0 += values[q]
        s1 += values[q + 1]
        s2 += values[q + 2]
        s3 += values[q + 3]
        s4 += values[q + 4]
        s5 += values[q + 5]
        s6 += values[q + 6]
        s7 += values[q + 7]
    for q in range(whole, len(values)):
        s0 += values[q]
    return ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))


@numba.njit(cache=True, nogil=True)
def _largest(values):
    """Largest size; what is no number is passed over."""
    whole = len(values) // 4 * 4
    m0 = m1 = m2 = m3 = 0.0
    for q in range(0, whole, 4):
        m0 = max(m0, abs(values[q]))
        m1 = max(m1, abs(values[q + 1]))
        m2 = max(m2, abs(values[q + 2]))
        m3 = max(m3, abs(values[q + 3]))
    for q in range(whole, len(values)):
        m0 = max(m0, abs(values[q]))
    return max(max(m0, m1), max(m2, m3))


@numba.njit(cache=True, nogil=True)
def _dot(one, other):
    """Sum of products, in eight strands so that none waits for another."""
    whole = len(one) // 8 * 8
    s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
    for q in range(0, whole, 8):
        s0 += one[q] * other[q]
        s1 += one[q + 1] * other[q + 1]
        s2 += one[q + 2] * other[q + 2]
        s3 += one[q + 3] * other[q + 3]
        s4 += one[q + 4] * other[q + 4]
        s5 += one[q + 5] * other[q + 5]
        s6 += one[q + 6] * other[q + 6]
        s7 += one[q + 7] * other[q + 7]
    for q in range(whole, len(one)):
        s0 += one[q] * other[q]
    return ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))


@numba.njit(cache=True, nogil=True)
def reduce_border(matrix, border, reduced, schur):
    """Factorise ``matrix``; fill ``reduced`` (lumps, cells) = matrix⁻¹ border and ``schur`` = -border matrix⁻¹ border.

    Nothing here depends on the currents. Returns False when the matrix is not positive definite.
    """
    if not _factorise_cells(matrix):
        return False
    conductors = border.shape[0]
    right = np.zeros(border.shape[1] + PAD_ROWS)
    for a in range(conductors):
        right[: border.shape[1]] = border[a]
        _solve_cells(matrix, right)
        reduced[a] = right[: border.shape[1]]
    for a in range(conductors):
        for b in range(conductors):
            schur[a, b] = -_dot(border[a], reduced[b])
    return True


@numba.njit(cache=True, nogil=True)
def invert_conductors(schur, corner, gain, inverse):
    """Fill ``inverse`` of schur + corner - gain, (lumps, lumps); gain (conductors,): slope of the Joule heat [J/(m K)].

    Returns False when it is not positive definite: the conductors gain heat faster than the section takes it.
    """
    conductors = len(corner)
    small = schur + corner
    for a in range(len(gain)):
        small[a, a] -= gain[a]
    work = small.copy()
    for a in range(conductors):
        if not (work[a, a] > 1e-12 * abs(corner[a, a])):
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
def solve_bordered(network, matrix, border, reduced, inverse, right):
    """Overwrite ``right`` (unknowns,) by the solution of the bordered system; covered cells get 0."""
    cells = network.shape[4]
    lumps = len(right) - cells
    for n in range(len(network.covered_cell)):
        right[network.covered_cell[n]] = 0.0
    padded = np.zeros(cells + PAD_ROWS)
    inner = padded[:cells]
    inner[:] = right[:cells]
    for a in range(lumps):
        right[cells + a] -= _dot(reduced[a], inner)
    _solve_cells(matrix, padded)
    answer = np.zeros(lumps)
    for a in range(lumps):
        for b in range(lumps):
            answer[a] += inverse[a, b] * right[cells + b]
    for a in range(lumps):
        right[cells + a] = value = answer[a]
        column = reduced[a]
        for cell in range(cells):
            inner[cell] -= column[cell] * value
    right[:cells] = inner


@numba.njit(cache=True, nogil=True)
def spread_conductors(network, temperature):
    """Copy each conductor's temperature onto the cells whose points it covers."""
    cells = network.shape[4]
    for n in range(len(network.covered_cell)):
        temperature[network.covered_cell[n]] = temperature[cells + network.covered_by[n]]


@numba.njit(cache=True, nogil=True)
def chord_capacity(network, c_scale, temperature, content, rate, step, capacity):
    """Fill ``capacity`` [J/(m K)] with the mean heat capacity over the step to come, as far as the slope tells.

    temperature (unknowns,) [K] and content (unknowns,) [J/m]: at its start; rate (unknowns,) [K/s]; step [s]
    """
    count = len(temperature)
    ahead, there = np.empty(count), np.empty(count)
    for q in range(count):
        ahead[q] = temperature[q] + min(max(step * rate[q], -FARTHEST), FARTHEST)
    heat_content(network, ahead, c_scale, there, capacity)
    for q in range(count):
        rise = ahead[q] - temperature[q]
        if abs(rise) > 0.1:
            capacity[q] = (there[q] - content[q]) / rise


@numba.njit(cache=True, nogil=True)
def make_matrix(
    network, links, exchange, surroundings, linear, chord, k_scale, c_scale, capacity, temperature, content, rate, step, surface,
    gamma, matrix, border, reduced, schur, corner, flow, slope,
):  # fmt: skip
    """Assemble and factorise the step matrix  capacity + gamma * step * (links + film slopes).

    Parameters
    ----------
    temperature (unknowns,) [K] and rate (unknowns,) [K/s]: at the start; properties are looked up half way through the step,
    as far as the slope tells: those serve all stages best. The other arrays are as in ``assemble`` and ``reduce_border``
    and are filled, capacity too where ``chord`` is asked for; content (unknowns,) [J/m]: at the start; flow, slope (n_faces,): border flows and slopes [W/m], [W/(m K)] that went into the matrix

    Returns
    -------
    bool    False when the cells' matrix is not positive definite
    """
    if chord:
        chord_capacity(network, c_scale, temperature, content, rate, step, capacity)
    if not linear:
        ahead = np.empty(len(temperature))
        for q in range(len(temperature)):
            ahead[q] = temperature[q] + min(max(0.5 * step * rate[q], -FARTHEST), FARTHEST)
        conductances(network, ahead, k_scale, links)
        if len(network.zones.cell):
            zone_exchange(network, links, temperature, exchange)
    border_flow(network, links, surroundings, len(surroundings.air) - 1, temperature, surface, flow, slope)
    assemble(network, links, exchange, capacity, slope, gamma * step, matrix, border, corner)
    return reduce_border(matrix, border, reduced, schur)


@numba.njit(cache=True, inline="always")
def _cubic_weights(share, length):
    """Weights of value and slope at the begin, then at the end, of a step of ``length`` [s] at a ``share`` of it."""
    rest = 1.0 - share
    return (
        (1.0 + 2.0 * share) * rest * rest,
        share * rest * rest * length,
        share * share * (3.0 - 2.0 * share),
        -share * share * rest * length,
    )


@numba.njit(cache=True, nogil=True)
def read_cubics(before, rate_before, after, rate_after, length, shares, states):
    """Fill ``states`` (n, unknowns) with cubics through both ends of a step of ``length`` [s] at ``shares`` (n,) of it."""
    for number in range(len(shares)):
        a, b, c, d = _cubic_weights(shares[number], length)
        state = states[number]
        for q in range(len(before)):
            state[q] = (a * before[q] + b * rate_before[q]) + (c * after[q] + d * rate_after[q])


@numba.njit(cache=True, nogil=True)
def read_maxima(before, rate_before, after, rate_after, length, shares, chosen, start, maxima):
    """Fill ``maxima`` (n, groups) with the largest of each group's cubics; group g is chosen[start[g] : start[g + 1]]."""
    for number in range(len(shares)):
        a, b, c, d = _cubic_weights(shares[number], length)
        for group in range(len(start) - 1):
            most = -np.inf
            for q in chosen[start[group] : start[group + 1]]:
                most = max(most, (a * before[q] + b * rate_before[q]) + (c * after[q] + d * rate_after[q]))
            maxima[number, group] = most


@numba.njit(cache=True, nogil=True)
def _settle(network, c_scale, wanted, temperature, content, capacity):
    """Move each temperature until its heat content is ``wanted``; fill ``content`` and ``capacity`` there.

    Enthalpy rises strictly and is linear inside each degree, so this ends after a few passes.
    """
    heat_content(network, temperature, c_scale, content, capacity)
    for q in range(len(temperature)):
        if capacity[q] <= 0.0:
            continue
        for _ in range(50):
            miss = (wanted[q] - content[q]) / capacity[q]
            if abs(miss) <= 1e-12 * temperature[q]:
                break
            temperature[q] += miss
            content[q], capacity[q] = _content_at(network, c_scale, q, temperature[q])


@numba.njit(cache=True, nogil=True)
def take_step(
    network, links, exchange, around, matrix, border, reduced, inverse, frozen, frozen_slope, matrix_heat, linear, exact, tight,
    k_scale, c_scale, joule, coefficient, source, step, scheme, content, predicted, follow, states, flows, surface, work, after,
    tolerance, most, first, history, result,
):  # fmt: skip
    """One step of the three-stage method; each stage solves  content(T) - weight * net_heat(T) = base.

    Every stage is solved by Newton's method with one frozen matrix, and only as far as the step's tolerance asks. What the
    last iteration leaves open does not leak: its flows are taken linear in the last change, which is what the matrix says,
    so heat content still changes by exactly what flows, and at the end of the step temperature is set to what the
    content says.

    Parameters
    ----------
    around: Surroundings at the three stages (rows); matrix, border, reduced, inverse: the factorised matrix
    frozen (unknowns,), frozen_slope (n_faces,), matrix_heat (conductors,): heat capacity, slope of border flows and I² R20
    that went into it
    linear: properties do not depend on temperature; exact: nor do films, so that the matrix is all there is; tight: solve to rounding (air zones, whose flows bend)
    joule (3, conductors): I² R20 [W/m]; coefficient (conductors,): of resistance at 20 °C [1/K]
    source (3, unknowns): heat sources of parts [W/m]
    scheme (3, 5): weights of the flows of stages 0, 1, 2 and of the error estimate, and gamma, one row per stage
    content (unknowns,): at the start; predicted (3, unknowns) [K]: first guesses; follow (3,): how the error of the
    prediction grows from one stage to the next
    states (3, unknowns), flows (3, unknowns): temperature [K] and heat flow [W/m] of the stages; states[first] is a start
    when ``first`` is not -1 and earlier stages are done
    work (6, unknowns or faces) scratch; after (3, unknowns): content, capacity and slope at the end
    history (1,): contraction of the iteration so far; result (6,): iterations, generated and lost [J/m], error [K]

    Returns
    -------
    int    -1 when done, else the stage that did not settle; work[1] then holds the heat capacity where it got to
    """
    zones = network.zones
    cells = network.shape[4]
    first_zone = cells + network.shape[5]
    faces = len(network.face_cell)
    n = len(content)
    here, capacity, net, right = work[0][:n], work[1][:n], work[2][:n], work[3][:n]
    face_flow, face_slope = work[4][:faces], work[5][:faces]
    base, heat = np.empty(n), np.empty(n)
    gamma = scheme[0, 4]
    weight = gamma * step
    if first < 0:
        result[:] = 0.0
    for stage in range(max(first, 0), 3):
        state = states[stage]
        base[:] = content
        for earlier in range(stage):
            share, flow = step * scheme[stage, earlier], flows[earlier]
            for q in range(n):
                base[q] += share * flow[q]
        supplied = _total(source[stage])
        if stage != first:
            if stage == 0:
                state[:] = predicted[0]
            else:
                for q in range(n):
                    state[q] = predicted[stage, q] + follow[stage] * (states[stage - 1, q] - predicted[stage - 1, q])
            for z in range(len(zones.is_open)):
                if zones.is_open[z]:
                    state[first_zone + z] = predicted[stage, first_zone + z]
            spread_conductors(network, state)
        change, previous = np.inf, np.inf
        generated, lost = 0.0, 0.0
        done = False
        for iteration in range(most + 1):
            if not linear:
                conductances(network, state, k_scale, links)
            if len(zones.cell):
                zone_exchange(network, links, state, exchange)
            border_flow(network, links, around, stage, state, surface, face_flow, face_slope)
            heat[:] = source[stage]
            for c in range(joule.shape[1]):
                heat[cells + c] += joule[stage, c] * (1.0 + coefficient[c] * (state[cells + c] - 293.15))
            net_heat(network, links, exchange, state, heat, face_flow, net)
            heat_content(network, state, c_scale, here, capacity)
            for q in range(n):
                right[q] = base[q] + weight * net[q] - here[q]
            generated, lost = supplied, _total(face_flow)
            for c in range(joule.shape[1]):
                generated += heat[cells + c] - source[stage, cells + c]
            for z in range(len(zones.is_open)):
                if zones.is_open[z]:
                    # air held at a given temperature: what reaches it is lost, its own equation stands still
                    right[first_zone + z] = 0.0
            turnover = abs(generated) + abs(lost)
            for index in range(len(zones.cell)):
                if zones.is_open[zones.zone[index]]:
                    lost += exchange.flow[index]
                    turnover += abs(exchange.flow[index])
            if tight and iteration > 0 and change < tolerance and abs(_total(right)) <= 1e-7 * weight * turnover + 1e-10:
                done = True
                break
            if iteration == most:
                break
            solve_bordered(network, matrix, border, reduced, inverse, right)
            previous = change
            change = _largest(right)
            for q in range(n):
                state[q] += right[q]
            spread_conductors(network, state)
            result[0] += 1
            if not (change < 1e6) or (iteration >= 2 and change > 0.8 * previous and change > tolerance):
                break
            if tight:
                continue
            if iteration > 0 and previous > 0.0:
                ratio = min(change / previous, 0.9)
                history[0] = max(ratio / (1.0 - ratio), 0.01)
            enough = change <= tolerance or (history[0] * change <= tolerance and (stage > 0 or iteration > 0))
            if exact:
                same = True
                for c in range(joule.shape[1]):
                    same = same and abs(joule[stage, c] - matrix_heat[c]) <= 1e-9 * matrix_heat[c]
                enough = enough or same
            if not enough:
                continue
            # the flows of this iteration, linear in its change
            bend = 0.0
            if not linear:
                heat_content(network, state, c_scale, net, capacity)
            for q in range(n):
                reached = here[q] + frozen[q] * right[q]
                if not linear and capacity[q] > 0.0:
                    bend = max(bend, abs(net[q] - reached) / capacity[q])
                here[q] = reached
            if bend > tolerance:
                continue
            for f in range(faces):
                lost += frozen_slope[f] * right[network.face_cell[f]]
            for c in range(joule.shape[1]):
                generated += matrix_heat[c] * coefficient[c] * right[cells + c]
            done = True
            break
        if not done:
            heat_content(network, state, c_scale, here, capacity)
            return stage
        for q in range(n):
            flows[stage, q] = (here[q] - base[q]) / weight
        result[1] += step * scheme[2, stage] * generated
        result[2] += step * scheme[2, stage] * lost
    for q in range(n):
        right[q] = step * (scheme[0, 3] * flows[0, q] + scheme[1, 3] * flows[1, q] + scheme[2, 3] * flows[2, q])
    solve_bordered(network, matrix, border, reduced, inverse, right)
    result[3] = _largest(right) if abs(_total(right)) < np.inf else np.inf
    state = states[2]
    net[:] = here
    _settle(network, c_scale, net, state, after[0], after[1])
    spread_conductors(network, state)
    border_flow(network, links, around, len(around.air) - 1, state, surface, face_flow, face_slope)
    for q in range(n):
        after[2, q] = flows[2, q] / after[1, q] if after[1, q] > 0.0 else 0.0
    spread_conductors(network, after[2])
    return -1
