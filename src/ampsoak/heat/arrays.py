"""What the compiled loops work on: constants of the tables, and the arrays of a section by name.

Compiled kernels hold these constants; the compile cache takes this file into its digest.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

TABLE_START = 150.0  # [K] first temperature of every property table
TABLE_STEP = 1.0  # [K]
TABLE_LENGTH = 1600
FILM_AIR_START = 240.0  # [K] first air temperature of the film tables of zones
FILM_AIR_STEP = 20.0  # [K]
ZONE_ROUNDS = 3  # in which films, surfaces and irradiation of an air zone find each other
WIDEST_BAND = 90  # cells; past it fronts are quicker on two threads (from 110 on one), measured on whole steps
SMALL_STEP = 1e-4  # [K] of a surface temperature, after which its next step is under 1e-9 K
FARTHEST = 40.0  # [K] that properties are looked up ahead
STEFAN_BOLTZMANN = 5.670374419e-8  # [W/(m² K⁴)], CODATA 2018

ABSENT, UNIFORM, QUARTERED, LAMINATE, BLENDED = 0, 1, 2, 3, 4
MEAN_SHARE = 1.0 / 3.0  # of a BLENDED element that feels mean slopes only: fourth order on square cells
ADIABATIC, FIXED, FLUX, FILM = 0, 1, 2, 3


class Zones(NamedTuple):
    """Air zones: how links to their surfaces, the air and the surfaces among each other exchange heat.

    cell (n,): unknown of the solid; axis (n,): 0 along x, 1 along y; place (n,): cell whose link that is; scale (n,): path to
    the surface per conductance of the link; of a solid that is a conductor the path itself [W/(m K)]
    area (n,): surface of the link [m]; zone, group, patch (n,)
    group_zone, group_kind (n_groups,): film by table (0), or IEC 60287 (1); group_constant (n_groups,): its h at 1 K
    film (n_groups, 2, n_air, TABLE_LENGTH): coefficient [W/(m² K)] for surfaces warmer and cooler than the air, on
    FILM_AIR_STEP from FILM_AIR_START and differences on TABLE_STEP; patch_zone, patch_area, patch_emissivity (n_patches,)
    exchange (n_patches, n_patches), ambient_view (n_patches,): irradiation per emissive power
    is_open (n_zones,) bool: air held at a given temperature
    """

    cell: np.ndarray
    axis: np.ndarray
    place: np.ndarray
    scale: np.ndarray
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


class Grid(NamedTuple):
    """The section as elements and links, by place: what is folded, and read by those who look at a mesh.

    shape: nx, ny, stride_x, stride_y, cells, conductors and bandwidth as int64 (7,)
    west, east (nx + 1,), south, north (ny + 1,): widths of the quarters of each element [m]
    element_kind (nx + 1, ny + 1): ABSENT; UNIFORM, one material; BLENDED, the same and nearly square, away from
    conductors; QUARTERED, each quarter of one material; LAMINATE, cut by an outline. element_material (nx + 1, ny + 1, 4) in the order SW, SE, NW, NE
    laminate_row (nx + 1, ny + 1) row of the next four; laminate_start (n + 1,); laminate_material, laminate_share (entries,)
    laminate_normal (n, 3): squared x, squared y and mixed component of the interface normal; laminate_cross (n,) bool
    covered (cells,): conductor that covers the cell's point, -1 for none
    link_state_x (nx - 1, ny), link_state_y (nx, ny - 1): 1 link between two live points, 0 cut by a conductor
    cut_cell, cut_conductor, cut_axis, cut_i, cut_j (n_cut,), cut_inverse (n_cut,): 1 / distance [1/m]
    content_start (unknowns + 1,), content_material, content_area (entries,) [m²]: what stores heat
    skin_conductor (n_skins,): conductor that each skin hangs on; skin_weight (n_skins, n_materials): conductance to it
    = sum(weight * k) [m/m * k]
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
    skin_conductor: np.ndarray
    skin_weight: np.ndarray
    face_cell: np.ndarray
    face_boundary: np.ndarray
    face_length: np.ndarray
    face_start: np.ndarray
    face_material: np.ndarray
    face_weight: np.ndarray
    conductivity: np.ndarray
    enthalpy: np.ndarray
    zones: Zones


class Network(NamedTuple):
    """The same by number of unknown, for loops that run over all cells at once. Element q lies between cell q and its next
    along both axes.

    shape: as in Grid
    plain_material (cells,), plain_weight (5, cells): conductance of its bottom, top, left and right side and of each diagonal,
    per conductivity of its one material; no weight where an element is not of one material, or at a border
    rim_axis, rim_place, rim_other, rim_material, rim_weight (n,): sides of one material on a border: axis, both cells, and as above
    special_kind (n,): QUARTERED, LAMINATE or UNIFORM (at a border, next to a conductor); special_cell (n,): its number; special_side (n, 4) bool: whether there is
    a column of cells to the west, east, and a row to the south, north; special_width (n, 4): of its quarters [m];
    special_material (n, 4); special_row (n,) of the laminates, which are as in Grid
    state_x, state_y (cells,): share of the link to the next along each axis that is left beside what ends or resists it
    cut_cell, cut_conductor, cut_axis, cut_place (n_cut,): solid cell, conductor, axis and cell of a link that ends on a
    conductor; cut_scale (n_cut,): its conductance per conductance of the link
    main_material, main_area (unknowns,): material that stores most of an unknown's heat; mixed (n,): unknowns that have
    others, as in Grid's content_*
    covered_cell, covered_by (n,): cells whose points conductors cover, and those conductors
    skin_*, face_*, conductivity, enthalpy, zones: as in Grid
    """

    shape: np.ndarray
    plain_material: np.ndarray
    plain_weight: np.ndarray
    rim_axis: np.ndarray
    rim_place: np.ndarray
    rim_other: np.ndarray
    rim_material: np.ndarray
    rim_weight: np.ndarray
    special_kind: np.ndarray
    special_cell: np.ndarray
    special_side: np.ndarray
    special_width: np.ndarray
    special_material: np.ndarray
    special_row: np.ndarray
    laminate_start: np.ndarray
    laminate_material: np.ndarray
    laminate_share: np.ndarray
    laminate_normal: np.ndarray
    laminate_cross: np.ndarray
    state_x: np.ndarray
    state_y: np.ndarray
    cut_cell: np.ndarray
    cut_conductor: np.ndarray
    cut_axis: np.ndarray
    cut_place: np.ndarray
    cut_scale: np.ndarray
    content_start: np.ndarray
    content_material: np.ndarray
    content_area: np.ndarray
    main_material: np.ndarray
    main_area: np.ndarray
    mixed: np.ndarray
    skin_conductor: np.ndarray
    skin_weight: np.ndarray
    covered_cell: np.ndarray
    covered_by: np.ndarray
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
    the air, (n,); irradiation (n_patches,); film coefficient (n_groups,); heat into and slope of the air (n_zones,); and
    scratch (n_groups,), (n_groups,), (n_patches,)."""

    surface: np.ndarray
    flow: np.ndarray
    slope: np.ndarray
    pull: np.ndarray
    irradiation: np.ndarray
    coefficient: np.ndarray
    air_gain: np.ndarray
    air_slope: np.ndarray
    warmth: np.ndarray
    share: np.ndarray
    power: np.ndarray


class Links(NamedTuple):
    """Conductances at one state, all [W/(m K)]: from each cell to its next along x and y, on the rising diagonal to the next
    along both, on the falling one from its next along x to its next along y, (cells,) each, 0 where there is none; cut links
    (n_cut,), border half conductances (n_faces,), paths to zone surfaces (n,), and from conductors to their skins (n_skins,)."""

    x: np.ndarray
    y: np.ndarray
    rising: np.ndarray
    falling: np.ndarray
    cut: np.ndarray
    face: np.ndarray
    zone: np.ndarray
    skin: np.ndarray


class Surroundings(NamedTuple):
    """Boundaries at one or several times. In time, (n_times, n_boundaries) each: air, radiant and fixed temperature [K];
    heat flux [W/m²]; constant coefficient [W/(m² K)]; surface resistance [m² K/W]. One row that does not change serves all
    times. (n_boundaries,) each: kind; power-law factor and exponent; emissivity; and the correlation's coefficient against
    temperature difference, (n_boundaries, TABLE_LENGTH) on TABLE_STEP [W/(m² K)]."""

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
