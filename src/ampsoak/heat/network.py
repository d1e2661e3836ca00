"""From a section to the arrays the kernels work on: elements, links cut by conductors, heat contents, border faces."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.heat.arrays import (
    ABSENT,
    BLENDED,
    LAMINATE,
    QUARTERED,
    TABLE_LENGTH,
    TABLE_START,
    TABLE_STEP,
    UNIFORM,
    Exchange,
    Grid,
    Links,
    Network,
)
from ampsoak.heat.bordered import plan_of
from ampsoak.heat.contacts import with_contacts
from ampsoak.heat.dissection import Plan
from ampsoak.heat.laws import skin_conductance
from ampsoak.heat.numbering import network_of
from ampsoak.heat.zones import zone_arrays
from ampsoak.library.materials import Material
from ampsoak.scenario.case import EDGES, Scenario
from ampsoak.scenario.shapes import Ring
from ampsoak.section.build import Section

_FLATTEST = 2.0  # aspect up to which elements are blended; links stay positive up to the root of 5
_SLIVER = 1e-9  # shares of an element under this are rounding, not material


@dataclass(frozen=True)
class EdgeFaces:
    """Border faces that stand for one edge of the section: their numbers (n,), and how often each counts."""

    face: np.ndarray
    count: int


@dataclass(frozen=True)
class HeatModel:
    """A section ready to be solved.

    Where a section is its own mirror image the grid may hold one side only (``heat.fold``): then several cells,
    conductors or faces read one unknown, and ``copies`` says how many sides there are.

    Parameters
    ----------
    section : Section
    grid : Grid                             elements and links by place
    materials : tuple of Material           row order of the property tables
    linear : bool                           True when no material property depends on temperature
    cell_order : (nx, ny) int64             number of the unknown of each cell
    part_cells : list of (n,) int64         unknowns that stand for each part (its conductor, or its cells)
    part_weights : list of (n,) float64     their shares of the part, for means
    source_area : list of (part, (unknowns,) float64)   [m²] per part with a heat source
    part_area : (n_parts,) float64          whole area of each part [m²]
    resistance, temperature_coefficient : (conductors,)    [Ω/m], [1/K]
    circuit, current_factor : (conductors,)
    conductor_unknown : (conductors,) int64     unknown of each conductor of the scenario
    keeper, share : (network conductors,)   conductor of the scenario that each unknown is, and how much of it is on this side
    copies : int                            sides that the network stands for
    edge_faces : dict                       edge name to EdgeFaces
    """

    section: Section
    grid: Grid
    materials: tuple[Material, ...]
    linear: bool
    cell_order: np.ndarray
    part_cells: list
    part_weights: list
    source_area: list
    part_area: np.ndarray
    resistance: np.ndarray
    temperature_coefficient: np.ndarray
    circuit: np.ndarray
    current_factor: np.ndarray
    conductor_unknown: np.ndarray
    keeper: np.ndarray
    share: np.ndarray
    edge_faces: dict
    copies: int = 1

    @cached_property
    def network(self) -> Network:
        """The grid as kernels work on it."""
        return network_of(self.grid)

    @property
    def cells(self) -> int:
        """Number of cell unknowns."""
        return int(self.grid.shape[4])

    @property
    def lumps(self) -> int:
        """Conductors and air zones: unknowns outside the band."""
        return int(self.grid.shape[5]) + len(self.grid.zones.is_open)

    @property
    def unknowns(self) -> int:
        """Cells, then conductors, then air zones, then skins of conductors."""
        return self.first_skin + len(self.grid.skin_conductor)

    @cached_property
    def plan(self) -> Plan | None:
        """Order in which large meshes are eliminated; None where the matrix is kept as a band."""
        return plan_of(self.network)

    @property
    def first_zone(self) -> int:
        """Number of the first air zone in a state."""
        return self.cells + int(self.grid.shape[5])

    @property
    def first_skin(self) -> int:
        """Number of the first skin of a conductor in a state."""
        return self.cells + self.lumps

    @property
    def coefficient(self) -> np.ndarray:
        """Temperature coefficient of resistance of each conductor unknown, (network conductors,) [1/K]."""
        return self.temperature_coefficient[self.keeper]

    def hold_open_air(self, temperature: np.ndarray, time: float) -> None:
        """Set the air of open zones in a state (unknowns,) [K] to what it is at ``time`` [s]."""
        first = self.first_zone
        for number, open_ in enumerate(self.grid.zones.is_open):
            if open_:
                part = self.section.scenario.parts[self.section.air.zone_parts[number]]
                temperature[first + number] = float(part.air.temperature.at(time))

    def new_exchange(self, temperature: np.ndarray) -> Exchange:
        """Work arrays of the zones, surfaces starting at the temperature of their solids."""
        count, patches = len(self.network.zones.cell), len(self.network.zones.patch_zone)
        return Exchange(
            surface=temperature[self.network.zones.cell].copy(),
            flow=np.zeros(count),
            slope=np.zeros(count),
            pull=np.zeros(count),
            irradiation=np.zeros(patches),
            coefficient=np.zeros(len(self.network.zones.group_zone)),
            air_gain=np.zeros(len(self.network.zones.is_open)),
            air_slope=np.zeros(len(self.network.zones.is_open)),
            warmth=np.zeros(len(self.network.zones.group_zone)),
            share=np.zeros(len(self.network.zones.group_zone)),
            power=np.zeros(patches),
        )

    def new_links(self) -> Links:
        """Empty conductances of the right shapes."""
        grid = self.grid
        sizes = [self.cells] * 4 + [len(grid.cut_cell), len(grid.face_cell), len(grid.zones.cell), len(grid.skin_conductor)]
        return Links(*(np.zeros(size) for size in sizes))

    def joule_at_20(self, currents: np.ndarray) -> np.ndarray:
        """I² R20 of each conductor, (conductors,) [W/m], at circuit ``currents`` (n_circuits,) [A]."""
        if not len(self.resistance):
            return np.zeros(0)
        carried = np.where(self.circuit >= 0, np.append(currents, 0.0)[self.circuit], 0.0) * self.current_factor
        return carried**2 * self.resistance

    def heat_at_20(self, currents: np.ndarray) -> np.ndarray:
        """What of ``joule_at_20`` each conductor unknown carries, (network conductors,) [W/m]."""
        return self.joule_at_20(currents)[self.keeper] * self.share

    def joule(self, currents: np.ndarray, temperature: np.ndarray) -> np.ndarray:
        """Heat of each conductor, (conductors,) [W/m], at circuit ``currents`` and a state (unknowns,) [K]."""
        return self.joule_at_20(currents) * self.resistance_at(temperature)

    def resistance_at(self, temperature: np.ndarray) -> np.ndarray:
        """Resistance of each conductor, (conductors,), at a state (unknowns,) [K], as a multiple of that at 20 °C."""
        return 1 + self.temperature_coefficient * (temperature[self.conductor_unknown] - 293.15)

    @property
    def heated(self) -> bool:
        """Whether parts have heat sources of their own."""
        return bool(self.source_area)

    def part_sources(self, time: float) -> np.ndarray:
        """Heat sources of parts at ``time`` [s], (unknowns,) [W/m]."""
        source = np.zeros(self.unknowns)
        for part, area in self.source_area:
            heat = self.section.scenario.parts[part].heat_source
            strength = float(heat.value.at(time))
            source += area * (strength if heat.kind == "volume" else strength / self.part_area[part])
        return source

    def field(self, temperature: np.ndarray) -> np.ndarray:
        """Cell temperatures as (ny, nx) from a state (unknowns,)."""
        return temperature[self.cell_order].T


def _tables(materials: tuple[Material, ...]) -> tuple[np.ndarray, np.ndarray]:
    grid = TABLE_START + TABLE_STEP * np.arange(TABLE_LENGTH)
    conductivity = np.array([np.broadcast_to(m.thermal_conductivity(grid), grid.shape) for m in materials])
    enthalpy = np.array([m.volumetric_enthalpy(grid) for m in materials])
    for material, k, h in zip(materials, conductivity, enthalpy, strict=True):
        if not (np.all(np.isfinite(k)) and np.all(k > 0)):
            raise NumericalError(f"material {material.name}: conductivity is not positive everywhere in its table")
        if not (np.all(np.isfinite(h)) and np.all(np.diff(h) > 0)):
            raise NumericalError(f"material {material.name}: heat capacity is not positive everywhere in its table")
    return conductivity, enthalpy


def _by_material(amount: np.ndarray, part_material: np.ndarray, materials: int) -> np.ndarray:
    """Sum the last axis (parts) into materials."""
    result = np.zeros((*amount.shape[:-1], materials))
    for part, material in enumerate(part_material):
        if material >= 0:
            result[..., material] += amount[..., part]
    return result


def _padded_quarters(quarters: np.ndarray) -> np.ndarray:
    """(2 nx, 2 ny, m) to elements (nx + 1, ny + 1, 4, m) in the order SW, SE, NW, NE; absent ones are zero."""
    padded = np.zeros((quarters.shape[0] + 2, quarters.shape[1] + 2, quarters.shape[2]))
    padded[1:-1, 1:-1] = quarters
    west, east = padded[0::2], padded[1::2]
    return np.stack([west[:, 0::2], east[:, 0::2], west[:, 1::2], east[:, 1::2]], axis=2)


def _of_all(operation, values: np.ndarray) -> np.ndarray:
    """``operation`` on the four quarters of each element, (nx + 1, ny + 1); reducing so short an axis is slow."""
    return operation(operation(values[..., 0], values[..., 1]), operation(values[..., 2], values[..., 3]))


def _elements(section, part_material, part_conductor, materials):
    """Kinds, quarter materials and laminates of all elements."""
    nx, ny = section.shape
    quarters = _padded_quarters(section.quarter_area)
    solid = _by_material(quarters, part_material, len(materials))
    # products with ones: sums over a short last axis are slow
    metal = quarters @ (part_conductor >= 0).astype(float)
    area = quarters @ np.ones(quarters.shape[-1])
    present = area > 0
    area = np.maximum(area, 1e-300)
    share = solid / area[..., None]
    main = share.argmax(axis=-1)
    largest = np.take_along_axis(share, main[..., None], axis=-1)[..., 0]
    all_pure = _of_all(np.logical_and, ~present | ((largest > 1 - _SLIVER) & (metal <= _SLIVER * area)))
    first = np.take_along_axis(main, present.argmax(axis=-1)[..., None], axis=-1)
    same = _of_all(np.logical_and, ~present | (main == first))
    element_solid = solid[:, :, 0] + solid[:, :, 1] + solid[:, :, 2] + solid[:, :, 3]
    whole_area, whole_metal = _of_all(np.add, area), _of_all(np.add, metal)
    filled = element_solid @ np.ones(len(materials))
    kind = np.full((nx + 1, ny + 1), LAMINATE, dtype=np.int64)
    kind[all_pure & same] = UNIFORM
    kind[all_pure & ~same] = QUARTERED
    touched = np.zeros(kind.shape, dtype=bool) if section.contact is None else section.contact.touched
    kind[touched] = LAMINATE
    kind[filled <= _SLIVER * whole_area] = ABSENT
    main = np.where(present, main, first)
    row = np.full((nx + 1, ny + 1), -1, dtype=np.int64)
    covered = np.pad(section.point_conductor, 1, constant_values=0) >= 0  # the rim counts as covered: no cross term
    corner_covered = covered[:-1, :-1] | covered[1:, :-1] | covered[:-1, 1:] | covered[1:, 1:]
    mixed = kind == LAMINATE
    row[mixed] = np.arange(mixed.sum())
    shares = element_solid[mixed] / filled[mixed][:, None]
    held = shares > _SLIVER
    tensor = section.interface[mixed]
    weight = (tensor[:, 0] + tensor[:, 1])[:, None]
    normals = np.where(weight > 0, tensor / np.where(weight > 0, weight, 1.0), (0.5, 0.5, 0.0))
    whole = ~corner_covered & (whole_metal <= _SLIVER * whole_area)
    span_x = np.diff(section.x_points, prepend=-np.inf, append=np.inf)[:, None]
    span_y = np.diff(section.y_points, prepend=-np.inf, append=np.inf)[None, :]
    # flatter elements would get negative links, and with them states hotter than anything that heats them
    with np.errstate(invalid="ignore"):
        square = np.maximum(span_x / span_y, span_y / span_x) < _FLATTEST
    kind[(kind == UNIFORM) & square & ~corner_covered & (whole_metal <= 0)] = BLENDED
    return {
        "element_kind": kind,
        "element_material": main.astype(np.int64),
        "laminate_row": row,
        "laminate_start": np.concatenate([[0], np.cumsum(held.sum(axis=1))]).astype(np.int64),
        "laminate_material": np.nonzero(held)[1].astype(np.int64),
        "laminate_share": shares[held],
        "laminate_normal": normals,
        "laminate_cross": (whole & ~touched)[mixed],  # a diagonal would lead round a contact resistance
    }


def _contents(section, part_material, materials, order, cells) -> dict:
    """What stores heat: per cell its materials; per conductor its metal; per skin the slivers of the cells covered.

    Returns content arrays as in ``Grid``, and those of the skins. A conductor whose outline lies on grid lines has no
    slivers and no skin.
    """
    scenario = section.scenario
    by_material = _by_material(section.cell_area, part_material, len(materials))
    conductors = scenario.conductors
    zones = [scenario.parts[part] for part in section.air.zone_parts] if section.air is not None else []
    amounts = np.zeros((cells + len(conductors) + len(zones), len(materials)))
    amounts[order.ravel()] = by_material.reshape(-1, len(materials))
    owner = section.point_conductor.ravel()
    skins = {}
    for index, conductor in enumerate(conductors):
        rows = order.ravel()[owner == index]
        slivers = amounts[rows].sum(axis=0)
        if slivers.sum() > _SLIVER * conductor.metal_area:
            skins[index] = slivers
        amounts[rows] = 0.0
        amounts[cells + index, materials.index(scenario.parts[conductor.part].material)] += conductor.metal_area
    for number, part in enumerate(zones):
        rows = order.ravel()[owner == len(conductors) + number]
        if part.air.temperature is None:
            amounts[cells + len(conductors) + number] = amounts[rows].sum(axis=0)
            area = section.cell_area[:, :, section.air.zone_parts[number]].sum()
            amounts[cells + len(conductors) + number, materials.index(part.material)] += area
        amounts[rows] = 0.0
    slivers = np.array(list(skins.values())).reshape(-1, len(materials))
    outlines = [_outline_length(conductors[index].shape) for index in skins]
    weights = [skin_conductance(row / row.sum(), row.sum(), length) for row, length in zip(slivers, outlines, strict=True)]
    amounts = np.concatenate([amounts, slivers])
    unknown, material = np.nonzero(amounts > 0)
    return {
        "content_start": np.concatenate([[0], np.cumsum((amounts > 0).sum(axis=1))]).astype(np.int64),
        "content_material": material.astype(np.int64),
        "content_area": amounts[unknown, material],
        "skin_conductor": np.array(list(skins), dtype=np.int64),
        "skin_weight": np.array(weights).reshape(-1, len(materials)),
    }


def _outline_length(shape) -> float:
    """Length [m] of all outlines of a conductor: a tube has two."""
    return shape.perimeter + (2 * np.pi * shape.inner if isinstance(shape, Ring) else 0.0)


def _faces(section, part_material, materials, order):
    """Border faces with their boundary and half conductance weights."""
    scenario = section.scenario
    nx, ny = section.shape
    quarters = _by_material(section.quarter_area, part_material, len(materials))
    found = {name: [] for name in ("cell", "boundary", "length", "count", "material", "weight")}
    for number, boundary in enumerate(scenario.boundaries):
        edge, upright = boundary.edge, boundary.edge in ("left", "right")
        along = section.y_lines if upright else section.x_lines
        middle = (along[1:] + along[:-1]) / 2
        index = np.flatnonzero((middle > boundary.start) & (middle < boundary.stop))
        last = edge in ("right", "top")
        rim = (nx if upright else ny) - 1 if last else 0
        owner = section.point_conductor[rim, index] if upright else section.point_conductor[index, rim]
        metal = owner[(owner >= 0) & (owner < len(scenario.conductors))]
        if len(metal) and boundary.kind != "adiabatic":
            name = scenario.conductors[metal[0]].name
            raise NumericalError(f"conductor {name} touches the {edge} edge, which is not adiabatic")
        index = index[owner < len(scenario.conductors)]  # where air meets the edge is the zone's own affair
        lines, points = (section.x_lines, section.x_points) if upright else (section.y_lines, section.y_points)
        away = lines[-1] - points[-1] if last else points[0] - lines[0]
        side = 2 * rim + int(last)
        strips = (quarters[side] if upright else quarters[:, side]).reshape(-1, 2, len(materials)).sum(axis=1)[index]
        weight = strips / away**2  # area over distance squared: length over distance, by material
        used = weight > 0
        found["cell"].append(order[rim, index] if upright else order[index, rim])
        found["boundary"].append(np.full(len(index), number))
        found["length"].append(np.diff(along)[index])
        found["count"].append(used.sum(axis=1))
        found["material"].append(np.nonzero(used)[1])
        found["weight"].append(weight[used])
    whole = {name: np.concatenate([np.zeros(0), *pieces]) for name, pieces in found.items()}
    return {
        "face_cell": whole["cell"].astype(np.int64),
        "face_boundary": whole["boundary"].astype(np.int64),
        "face_length": whole["length"],
        "face_start": np.concatenate([[0], np.cumsum(whole["count"])]).astype(np.int64),
        "face_material": whole["material"].astype(np.int64),
        "face_weight": whole["weight"],
    }


def _edge_faces(scenario: Scenario, face_boundary: np.ndarray) -> dict:
    edge = np.array([scenario.boundaries[b].edge for b in face_boundary], dtype=object)
    return {name: EdgeFaces(np.flatnonzero(edge == name), 1) for name in EDGES}


def _link_states(section: Section) -> tuple[np.ndarray, np.ndarray]:
    owner = section.point_conductor
    x = ((owner[1:] < 0) & (owner[:-1] < 0)).astype(float)
    y = ((owner[:, 1:] < 0) & (owner[:, :-1] < 0)).astype(float)
    for axis, i, j in zip(section.cut.axis, section.cut.i, section.cut.j, strict=True):
        (x if axis == 0 else y)[i, j] = 0.0
    if section.air is not None:
        for axis, i, j in zip(section.air.axis, section.air.i, section.air.j, strict=True):
            if i >= 0:  # else the surface is a conductor's own
                (x if axis == 0 else y)[i, j] = 0.0
    return x, y


def _part_cells(section: Section, order: np.ndarray, cells: int):
    """Unknowns and weights that stand for each part."""
    scenario = section.scenario
    chosen, weights = [], []
    conductor_of = {conductor.part: index for index, conductor in enumerate(scenario.conductors)}
    if section.air is not None:
        for number, part in enumerate(section.air.zone_parts):
            conductor_of[int(part)] = len(scenario.conductors) + number
    total = section.cell_area.sum(axis=-1)
    live = section.point_conductor < 0
    for part in range(len(scenario.parts)):
        if part in conductor_of:
            chosen.append(np.array([cells + conductor_of[part]]))
            weights.append(np.ones(1))
            continue
        area = section.cell_area[:, :, part]
        for mask in (live & (section.point_part == part), live & (area > 0.5 * total), live & (area > 0)):
            if mask.any():
                break
        if not mask.any():
            mask = live & (total > np.inf)
        chosen.append(order[mask])
        weight = area[mask]
        weights.append(weight / weight.sum() if weight.sum() > 0 else np.full(len(weight), 1.0 / max(len(weight), 1)))
    return chosen, weights


def build_model(section: Section) -> HeatModel:
    """Turn a section into kernel arrays.

    Parameters
    ----------
    section : Section

    Returns
    -------
    HeatModel

    Raises
    ------
    NumericalError    a material's table is not positive, or a conductor touches a border that is not adiabatic
    """
    scenario: Scenario = section.scenario
    nx, ny = section.shape
    cells = nx * ny
    stride_x, stride_y = (ny, 1) if ny <= nx else (1, nx)
    order = np.arange(nx)[:, None] * stride_x + np.arange(ny)[None, :] * stride_y
    materials: list[Material] = []
    for part in scenario.parts:
        if part.material not in materials:
            materials.append(part.material)
    conductor_of = {conductor.part: index for index, conductor in enumerate(scenario.conductors)}
    if section.air is not None:
        for number, part in enumerate(section.air.zone_parts):
            conductor_of[int(part)] = len(scenario.conductors) + number
    part_conductor = np.array([conductor_of.get(part, -1) for part in range(len(scenario.parts))])
    part_material = np.array(
        [-1 if conductor >= 0 else materials.index(part.material) for part, conductor in zip(scenario.parts, part_conductor, strict=True)]
    )
    conductivity, enthalpy = _tables(tuple(materials))
    state_x, state_y = _link_states(section)
    west = np.concatenate([section.x_lines[:1] * 0, section.x_lines[1:] - section.x_points])
    east = np.concatenate([section.x_points - section.x_lines[:-1], [0.0]])
    south = np.concatenate([section.y_lines[:1] * 0, section.y_lines[1:] - section.y_points])
    north = np.concatenate([section.y_points - section.y_lines[:-1], [0.0]])
    cut = section.cut
    live_i, live_j = cut.i + (cut.upper & (cut.axis == 0)), cut.j + (cut.upper & (cut.axis == 1))
    inside = (cut.i >= 0) & (cut.j >= 0) & (cut.i + (cut.axis == 0) < nx) & (cut.j + (cut.axis == 1) < ny)
    least = 1e-4 * min(np.diff(section.x_lines).min(), np.diff(section.y_lines).min())
    grid = Grid(
        shape=np.array([nx, ny, stride_x, stride_y, cells, len(scenario.conductors), max(stride_x, stride_y) + 1]),
        west=west,
        east=east,
        south=south,
        north=north,
        **_elements(section, part_material, part_conductor, materials),
        covered=_scatter(order, section.point_conductor),
        link_state_x=state_x,
        link_state_y=state_y,
        cut_cell=order[live_i, live_j][inside] if len(cut.i) else np.zeros(0, np.int64),
        cut_conductor=cut.conductor[inside],
        cut_axis=cut.axis[inside],
        cut_i=cut.i[inside],
        cut_j=cut.j[inside],
        cut_inverse=1.0 / np.maximum(cut.distance[inside], least),
        **_contents(section, part_material, materials, order, cells),
        **_faces(section, part_material, materials, order),
        conductivity=conductivity,
        enthalpy=enthalpy,
        zones=zone_arrays(section, order),
    )
    part_cells, part_weights = _part_cells(section, order, cells)
    sources = []
    for index, part in enumerate(scenario.parts):
        if part.heat_source is not None:
            area = np.zeros(len(grid.content_start) - 1)
            np.add.at(area, order.ravel(), section.cell_area[:, :, index].ravel())
            heir = _heirs(grid, slivers=part_conductor[index] < 0)
            for cell in np.flatnonzero(grid.covered >= 0):
                area[heir[grid.covered[cell]]] += area[cell]
                area[cell] = 0.0
            sources.append((index, area))
    model = HeatModel(
        section=section,
        grid=grid,
        materials=tuple(materials),
        linear=section.air is None and all(material.is_constant for material in materials),
        cell_order=order,
        part_cells=part_cells,
        part_weights=part_weights,
        source_area=sources,
        part_area=section.part_area_mesh,
        conductor_unknown=cells + np.arange(len(scenario.conductors)),
        keeper=np.arange(len(scenario.conductors)),
        share=np.ones(len(scenario.conductors)),
        edge_faces=_edge_faces(scenario, grid.face_boundary),
        resistance=np.array([conductor.resistance for conductor in scenario.conductors]),
        temperature_coefficient=np.array([conductor.temperature_coefficient for conductor in scenario.conductors]),
        circuit=np.array([conductor.circuit for conductor in scenario.conductors], dtype=np.int64),
        current_factor=np.array([conductor.current_factor for conductor in scenario.conductors]),
    )
    return with_contacts(model, section.contact_at_ends[inside])


def _heirs(grid: Grid, slivers: bool) -> np.ndarray:
    """Unknown that takes what cells covered by each conductor or zone would, (lumps,); ``slivers`` are of other parts."""
    cells, lumps = int(grid.shape[4]), int(grid.shape[5]) + len(grid.zones.is_open)
    heir = cells + np.arange(lumps)
    if slivers:
        heir[grid.skin_conductor] = cells + lumps + np.arange(len(grid.skin_conductor))
    return heir


def _scatter(order: np.ndarray, values: np.ndarray) -> np.ndarray:
    result = np.empty(order.size, dtype=np.int64)
    result[order.ravel()] = values.ravel()
    return result



