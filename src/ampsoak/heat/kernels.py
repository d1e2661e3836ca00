"""Compiled loops of the heat solver. Plain arrays in and out, one member per call, no Python objects, no fastmath.

Unknowns are numbered cells first (cell (i, j) at i * stride_x + j * stride_y), conductors, air zones and skins after them.
Cells whose point lies in a conductor are *covered*: they carry the conductor's temperature and no equation of their own. What
other material they hold is the conductor's *skin*, an unknown that hangs on the conductor alone. Loops over cells have no
branches and few arrays each, so that the compiler turns them into vector instructions.

Discrete equation of a cell:  H(T_new) - H(T_old) = dt * sum(link conductance * temperature difference) + sources - film
"""

from __future__ import annotations

import numpy as np

from ampsoak.heat.arrays import (
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
    ZONE_ROUNDS,
)
from ampsoak.heat.compiling import inner, quick_kernel
from ampsoak.heat.sums import copy_to


@inner
def _look_up_held(table, material, temperature):
    """Linear interpolation in a property row; the end values are held outside."""
    place = min(max((temperature - TABLE_START) / TABLE_STEP, 0.0), TABLE_LENGTH - 1.0)
    index = min(int(place), TABLE_LENGTH - 2)
    low = table[material, index]
    return low + (table[material, index + 1] - low) * (place - index)


@inner
def _plain_links(network, temperature, scale, links):
    """Links of elements of one material: set for those away from borders, added for sides on a border."""
    stride_x, stride_y, cells = network.shape[2], network.shape[3], network.shape[4]
    k, weight, material = network.conductivity, network.plain_weight, network.plain_material
    flat = k.reshape(k.size)
    along_x, along_y, rising, falling = links.x, links.y, links.rising, links.falling
    place, share, here = along_x, rising, falling  # until they are filled
    # slices rather than sums of indices: those the compiler takes for possibly negative, and then keeps to one at a time
    east, north, beyond = temperature[stride_x:], temperature[stride_y:], temperature[stride_x + stride_y :]
    inner_cells = cells - stride_x - stride_y
    # ``_look_up_held`` in two loops: only the second reads from places that the compiler cannot foresee
    for q in range(inner_cells):
        mean = 0.25 * ((temperature[q] + east[q]) + (north[q] + beyond[q]))
        row = min(max((mean - TABLE_START) / TABLE_STEP, 0.0), TABLE_LENGTH - 1.0)
        index = min(int(row), TABLE_LENGTH - 2)
        place[q] = material[q] * TABLE_LENGTH + index
        share[q] = row - index
    for q in range(inner_cells):
        number = int(place[q])
        low = flat[number]
        here[q] = (low + (flat[number + 1] - low) * share[q]) * scale[material[q]]
    here[inner_cells:] = 0.0
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
    copy_to(falling, rising)
    axis, first, second = network.rim_axis, network.rim_place, network.rim_other
    rim_material, rim_weight = network.rim_material, network.rim_weight
    for n in range(len(axis)):
        m = rim_material[n]
        mean = 0.5 * (temperature[first[n]] + temperature[second[n]])
        value = _look_up_held(k, m, mean) * scale[m] * rim_weight[n]
        if axis[n] == 0:
            along_x[first[n]] += value
        else:
            along_y[first[n]] += value


@inner
def _special_links(network, temperature, scale, links):
    """Add the links of elements of several materials."""
    stride_x, stride_y = network.shape[2], network.shape[3]
    k = network.conductivity
    # a name for each array: to take one out of the network counts its users, at every turn of a loop
    kinds, cells, rows = network.special_kind, network.special_cell, network.special_row
    sides, widths, quarters = network.special_side, network.special_width, network.special_material
    begin, materials, shares = network.laminate_start, network.laminate_material, network.laminate_share
    normal, cross = network.laminate_normal, network.laminate_cross
    along_x, along_y, rising, falling = links.x, links.y, links.rising, links.falling
    for n in range(len(kinds)):
        corner = cells[n]
        has_west, has_east, has_south, has_north = sides[n, 0], sides[n, 1], sides[n, 2], sides[n, 3]
        west, east, south, north = widths[n, 0], widths[n, 1], widths[n, 2], widths[n, 3]
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
        if kinds[n] == QUARTERED:
            sw = _look_up_held(k, quarters[n, 0], mean) * scale[quarters[n, 0]]
            se = _look_up_held(k, quarters[n, 1], mean) * scale[quarters[n, 1]]
            nw = _look_up_held(k, quarters[n, 2], mean) * scale[quarters[n, 2]]
            ne = _look_up_held(k, quarters[n, 3], mean) * scale[quarters[n, 3]]
            # two in series on each side
            if has_west and has_east:
                if has_south:
                    along_x[corner] += south * sw * se / (west * se + east * sw)
                if has_north:
                    along_x[corner + stride_y] += north * nw * ne / (west * ne + east * nw)
            if has_south and has_north:
                if has_west:
                    along_y[corner] += west * sw * nw / (south * nw + north * sw)
                if has_east:
                    along_y[corner + stride_x] += east * se * ne / (south * ne + north * se)
            continue
        row = rows[n]
        parallel, series = 0.0, 0.0
        for entry in range(begin[row], begin[row + 1]):
            m = materials[entry]
            value = _look_up_held(k, m, mean) * scale[m]
            parallel += shares[entry] * value
            series += shares[entry] / value
        drop = parallel - 1.0 / series
        level, upright = parallel - drop * normal[row, 0], parallel - drop * normal[row, 1]
        if cross[row]:
            # feels mean slopes only: energy = area (kx gx² + 2 kxy gx gy + ky gy²) with gx, gy the width-weighted
            # means of the slopes on opposite sides. The difference between opposite sides costs nothing: where an
            # interface kinks the temperature that difference is real, and charging for it (as two separate sides
            # do) makes every interface too conductive to first order.
            size = 1.0 / ((west + east) * (south + north))
            kx, ky, kxy = level * size, upright * size, -drop * normal[row, 2] * size
            across_x, across_y = west * east, south * north
            along_x[corner] += kx * south * south - ky * across_x - kxy * south * (east - west)
            along_x[corner + stride_y] += kx * north * north - ky * across_x + kxy * north * (east - west)
            along_y[corner] += ky * west * west - kx * across_y - kxy * west * (north - south)
            along_y[corner + stride_x] += ky * east * east - kx * across_y + kxy * east * (north - south)
            rising[corner] += kx * across_y + ky * across_x + kxy * (south * east + north * west)
            falling[corner] += kx * across_y + ky * across_x - kxy * (south * west + north * east)
            continue
        if has_west and has_east:
            if has_south:
                along_x[corner] += level * south / (west + east)
            if has_north:
                along_x[corner + stride_y] += level * north / (west + east)
        if has_south and has_north:
            if has_west:
                along_y[corner] += upright * west / (south + north)
            if has_east:
                along_y[corner + stride_x] += upright * east / (south + north)


@quick_kernel
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
    first_skin = network.shape[4] + network.shape[5] + len(zones.is_open)
    skin_conductor, skin_weight = network.skin_conductor, network.skin_weight
    for s in range(len(skin_conductor)):
        mean = 0.5 * (temperature[network.shape[4] + skin_conductor[s]] + temperature[first_skin + s])
        total = 0.0
        for m in range(len(scale)):
            if skin_weight[s, m] > 0.0:
                total += skin_weight[s, m] * _look_up_held(k, m, mean) * scale[m]
        links.skin[s] = total


@inner
def _content_at(network, scale, unknown, temperature):
    """Heat content [J/m] and its slope [J/(m K)] of one unknown at ``temperature`` [K]."""
    place = (temperature - TABLE_START) / TABLE_STEP
    index = min(max(int(place), 0), TABLE_LENGTH - 2)
    total, slope = 0.0, 0.0
    start, material, area, enthalpy = (
        network.content_start, network.content_material, network.content_area, network.enthalpy,
    )  # fmt: skip
    for entry in range(start[unknown], start[unknown + 1]):
        m = material[entry]
        weight = area[entry] * scale[m]
        low = enthalpy[m, index]
        rise = enthalpy[m, index + 1] - low
        total += weight * (low + rise * (place - index))
        slope += weight * rise
    return total, slope / TABLE_STEP


@quick_kernel
def heat_content(network, temperature, scale, content, capacity):
    """Fill ``content`` [J/m] and its slope ``capacity`` [J/(m K)] (unknowns,) at ``temperature`` [K]."""
    enthalpy, material, area = network.enthalpy, network.main_material, network.main_area
    flat, count = enthalpy.reshape(enthalpy.size), len(temperature)
    place, share = capacity, content  # until they are filled
    for q in range(count):
        row = (temperature[q] - TABLE_START) / TABLE_STEP
        index = min(max(int(row), 0), TABLE_LENGTH - 2)
        place[q] = material[q] * TABLE_LENGTH + index
        share[q] = row - index
    for q in range(count):
        weight = area[q] * scale[material[q]]
        number = int(place[q])
        low = flat[number]
        rise = flat[number + 1] - low
        content[q] = weight * (low + rise * share[q])
        capacity[q] = weight * rise / TABLE_STEP
    mixed = network.mixed
    for n in range(len(mixed)):
        q = mixed[n]
        content[q], capacity[q] = _content_at(network, scale, q, temperature[q])


@inner
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


@quick_kernel
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


@inner
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


@quick_kernel
def zone_exchange(network, links, temperature, exchange):
    """Fill ``exchange`` at ``temperature`` (unknowns,) [K]: what solids give to the air and to each other.

    Surface temperatures, film coefficients and irradiation depend on each other; ZONE_ROUNDS rounds are made, and the last
    flows are formed from one set of surface temperatures, so what solids lose is exactly what air and solids gain.
    """
    zones = network.zones
    count = len(zones.cell)
    groups, patches = len(zones.group_zone), len(zones.patch_zone)
    first_zone = network.shape[4] + network.shape[5]
    warmth, share, power = exchange.warmth, exchange.share, exchange.power
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


@inner
def _add_flows(conductance, temperature, low, high, count, net):
    """Heat along one kind of link, ``low`` and ``high`` being how far its ends are from the cell that it belongs to.

    Reckoned once for each end, to the same bits, since loops over both ends at once are no vector instructions.
    """
    behind, ahead = temperature[low:], temperature[high:]
    taken, given = net[low:], net[high:]
    for q in range(count):
        taken[q] += conductance[q] * (ahead[q] - behind[q])
    for q in range(count):
        given[q] -= conductance[q] * (ahead[q] - behind[q])


@quick_kernel
def net_heat(network, links, exchange, temperature, source, face_flow, net):
    """Fill ``net`` (unknowns,) [W/m]: heat flowing into each unknown; ``source`` (unknowns,) [W/m] is added."""
    zones = network.zones
    stride_x, stride_y, cells = network.shape[2], network.shape[3], network.shape[4]
    copy_to(net, source)
    both = stride_x + stride_y
    _add_flows(links.x, temperature, 0, stride_x, cells - stride_x, net)
    _add_flows(links.y, temperature, 0, stride_y, cells - stride_y, net)
    _add_flows(links.rising, temperature, 0, both, cells - both, net)
    _add_flows(links.falling, temperature, stride_x, stride_y, cells - both, net)
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
    first_skin = first_zone + len(zones.is_open)
    skin, skin_conductor = links.skin, network.skin_conductor
    for s in range(len(skin_conductor)):
        conductor = cells + skin_conductor[s]
        passed = skin[s] * (temperature[conductor] - temperature[first_skin + s])
        net[first_skin + s] += passed
        net[conductor] -= passed


@inner
def _entries(conductance, share, entries):
    """Matrix entries of one kind of link."""
    for q in range(len(entries)):
        entries[q] = -share * conductance[q]


@quick_kernel
def assemble(network, links, exchange, share, factor):
    """Fill the matrix  capacity + share * (links + film slopes)  of ``factor`` as stencil, border and corner; share [s].

    Capacities, and slopes of the border faces, are those in ``factor``. Of cells the sums of their rows stand for the diagonal:
    among cells alone in the stencil, of the whole matrix in ``excess``. Neither is a difference of large numbers, nor are skins,
    which are eliminated at once: the diagonal of their conductor takes c g / (c + g) for a skin of capacity c and g = share * conductance.
    """
    zones = network.zones
    cells, conductors = network.shape[4], network.shape[5]
    stencil, border, corner, capacity = factor.matrix.stencil, factor.border, factor.corner, factor.capacity
    excess, among, covered_cell = factor.excess, stencil[0], network.covered_cell
    _entries(links.x, share, stencil[1])
    _entries(links.y, share, stencil[2])
    _entries(links.rising, share, stencil[3])
    _entries(links.falling, share, stencil[4])
    border[:] = 0.0
    corner[:] = 0.0
    for a in range(len(corner)):
        corner[a, a] = capacity[cells + a]
    copy_to(excess, capacity)
    for n in range(len(covered_cell)):
        excess[covered_cell[n]] = 0.0
    for face in range(len(network.face_cell)):
        excess[network.face_cell[face]] += share * factor.slope[face]
    copy_to(among, excess)
    for index in range(len(network.cut_cell)):
        g = share * links.cut[index]
        a = network.cut_conductor[index]
        among[network.cut_cell[index]] += g
        corner[a, a] += g
        border[a, network.cut_cell[index]] -= g
    for index in range(len(zones.cell)):
        q, air = zones.cell[index], conductors + zones.zone[index]
        slope, pull = share * exchange.slope[index], share * exchange.pull[index]
        if zones.is_open[zones.zone[index]]:
            pull = 0.0
        excess[q] += slope - pull
        if q < cells:
            among[q] += slope
            border[air, q] -= pull
        else:
            corner[q - cells, q - cells] += slope
            corner[q - cells, air] -= pull
            corner[air, q - cells] -= pull
        excess[cells + air] -= pull
    for z in range(len(zones.is_open)):
        air = conductors + z
        if zones.is_open[z]:
            corner[air, air], excess[cells + air] = 1.0, 0.0
        else:
            corner[air, air] += share * exchange.air_slope[z]
            excess[cells + air] += share * exchange.air_slope[z]
    for n in range(len(covered_cell)):
        among[covered_cell[n]] = 1.0
    skin, conductance, skin_conductor = factor.skin, links.skin, network.skin_conductor
    for s in range(len(skin_conductor)):
        g, a, own = share * conductance[s], skin_conductor[s], capacity[cells + len(corner) + s]
        skin[s, 0], skin[s, 1] = own + g, g / (own + g)
        corner[a, a] += own * skin[s, 1]


@quick_kernel
def spread_conductors(network, temperature):
    """Copy each conductor's temperature onto the cells whose points it covers."""
    cells = network.shape[4]
    for n in range(len(network.covered_cell)):
        temperature[network.covered_cell[n]] = temperature[cells + network.covered_by[n]]


@inner
def _cubic_weights(share, length):
    """Weights of value and slope at the begin, then at the end, of a step of ``length`` [s] at a ``share`` of it."""
    rest = 1.0 - share
    return (
        (1.0 + 2.0 * share) * rest * rest,
        share * rest * rest * length,
        share * share * (3.0 - 2.0 * share),
        -share * share * rest * length,
    )


@quick_kernel
def read_cubics(before, rate_before, after, rate_after, length, shares, states):
    """Fill ``states`` (n, unknowns) with cubics through both ends of a step of ``length`` [s] at ``shares`` (n,) of it."""
    for number in range(len(shares)):
        a, b, c, d = _cubic_weights(shares[number], length)
        state = states[number]
        for q in range(len(before)):
            state[q] = (a * before[q] + b * rate_before[q]) + (c * after[q] + d * rate_after[q])


@quick_kernel
def read_maxima(before, rate_before, after, rate_after, length, shares, chosen, start, maxima):
    """Fill ``maxima`` (n, groups) with the largest of each group's cubics; group g is chosen[start[g] : start[g + 1]]."""
    for number in range(len(shares)):
        a, b, c, d = _cubic_weights(shares[number], length)
        for group in range(len(start) - 1):
            most = other = -np.inf  # in turns, so that neither waits for the one before it
            for place in range(start[group], start[group + 1]):
                q = chosen[place]
                most, other = other, max(most, (a * before[q] + b * rate_before[q]) + (c * after[q] + d * rate_after[q]))
            maxima[number, group] = max(most, other)


