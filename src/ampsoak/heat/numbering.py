"""From places on the grid to the arrays that kernels run through, by number of unknown."""

from __future__ import annotations

import numpy as np

from ampsoak.heat.arrays import ABSENT, BLENDED, MEAN_SHARE, UNIFORM, Grid, Network


def network_of(grid: Grid) -> Network:
    """Arrange ``grid`` for loops over all cells at once.

    Elements of one material have conductances in a fixed ratio to its conductivity; those that touch no border go by cell
    number without any branch, all others are listed.
    """
    nx, ny, stride_x, stride_y, cells = (int(value) for value in grid.shape[:5])
    number = np.arange(-1, nx)[:, None] * stride_x + np.arange(-1, ny)[None, :] * stride_y  # of each element
    kind = grid.element_kind
    inner = np.zeros(kind.shape, dtype=bool)
    inner[1:-1, 1:-1] = True
    one = (kind == UNIFORM) | (kind == BLENDED)
    covered_cell = np.flatnonzero(grid.covered >= 0)
    cut_place, cut_span = _link_of(grid, grid.cut_axis, grid.cut_i, grid.cut_j)
    return Network(
        shape=grid.shape,
        **_plain(grid, number, one & inner, cells),
        **_rim(grid, one & ~inner),
        **_special(grid, number, (kind != ABSENT) & ~one),
        laminate_start=grid.laminate_start,
        laminate_material=grid.laminate_material,
        laminate_share=grid.laminate_share,
        laminate_normal=grid.laminate_normal,
        laminate_cross=grid.laminate_cross,
        state_x=_by_cell(number, grid.link_state_x, cells),
        state_y=_by_cell(number, grid.link_state_y, cells),
        cut_cell=grid.cut_cell,
        cut_conductor=grid.cut_conductor,
        cut_axis=grid.cut_axis,
        cut_place=cut_place,
        cut_scale=cut_span * grid.cut_inverse,
        content_start=grid.content_start,
        content_material=grid.content_material,
        content_area=grid.content_area,
        **_main_content(grid),
        skin_conductor=grid.skin_conductor,
        skin_weight=grid.skin_weight,
        covered_cell=covered_cell,
        covered_by=grid.covered[covered_cell],
        face_cell=grid.face_cell,
        face_boundary=grid.face_boundary,
        face_length=grid.face_length,
        face_start=grid.face_start,
        face_material=grid.face_material,
        face_weight=grid.face_weight,
        conductivity=grid.conductivity,
        enthalpy=grid.enthalpy,
        zones=grid.zones,
    )


def _link_of(grid: Grid, axis, i, j) -> tuple[np.ndarray, np.ndarray]:
    """Number of the cell whose link along ``axis`` begins at (i, j), and the distance [m] that it spans."""
    spans = grid.west + grid.east, grid.south + grid.north
    last = len(spans[0]) - 1, len(spans[1]) - 1
    along = np.where(axis == 0, spans[0][np.minimum(i + 1, last[0])], spans[1][np.minimum(j + 1, last[1])])
    return i * grid.shape[2] + j * grid.shape[3], along


def _by_cell(number: np.ndarray, values: np.ndarray, cells: int) -> np.ndarray:
    """Values of links by place as values by the cell they begin at; 0 where there is none."""
    result = np.zeros(cells)
    result[number[1 : 1 + values.shape[0], 1 : 1 + values.shape[1]]] = values
    return result


def _plain(grid: Grid, number, chosen, cells: int) -> dict:
    """Elements of one material away from borders.

    A BLENDED element feels a share of its slopes as means over opposite sides: its energy is
    area (k gx² + k gy²) with gx, gy the width-weighted means, and the difference between opposite sides costs nothing.
    """
    west, east = (np.broadcast_to(widths[:, None], chosen.shape)[chosen] for widths in (grid.west, grid.east))
    south, north = (np.broadcast_to(widths[None, :], chosen.shape)[chosen] for widths in (grid.south, grid.north))
    blended = grid.element_kind[chosen] == BLENDED
    separate = np.where(blended, 1.0 - MEAN_SHARE, 1.0)
    mean = np.where(blended, MEAN_SHARE, 0.0) / ((west + east) * (south + north))
    across = west * east, south * north
    weights = np.zeros((5, cells))
    weights[:, number[chosen]] = (
        separate * south / (west + east) + mean * (south**2 - across[0]),
        separate * north / (west + east) + mean * (north**2 - across[0]),
        separate * west / (south + north) + mean * (west**2 - across[1]),
        separate * east / (south + north) + mean * (east**2 - across[1]),
        mean * (across[0] + across[1]),
    )
    material = np.zeros(cells, dtype=np.int64)
    material[number[chosen]] = grid.element_material[..., 0][chosen]
    return {"plain_material": material, "plain_weight": weights}


def _rim(grid: Grid, chosen) -> dict:
    """Elements of one material on a border: one side each, between two cells; those in the corners have none."""
    nx, ny, stride_x, stride_y = (int(value) for value in grid.shape[:4])
    axis, place, material, weight = [], [], [], []
    spans = grid.west + grid.east, grid.south + grid.north
    # west and east rims lead along y, by the width of their only column; south and north ones along x
    for ei, column, width in ((0, 0, grid.east[0]), (nx, nx - 1, grid.west[nx])):
        ej = np.flatnonzero(chosen[ei, 1:-1]) + 1
        axis.append(np.ones(len(ej), dtype=np.int64))
        place.append(column * stride_x + (ej - 1) * stride_y)
        material.append(grid.element_material[ei, ej, 0])
        weight.append(width / spans[1][ej])
    for ej, line, width in ((0, 0, grid.north[0]), (ny, ny - 1, grid.south[ny])):
        ei = np.flatnonzero(chosen[1:-1, ej]) + 1
        axis.append(np.zeros(len(ei), dtype=np.int64))
        place.append((ei - 1) * stride_x + line * stride_y)
        material.append(grid.element_material[ei, ej, 0])
        weight.append(width / spans[0][ei])
    axis, place = np.concatenate(axis), np.concatenate(place)
    return {
        "rim_axis": axis,
        "rim_place": place,
        "rim_other": place + np.where(axis == 0, stride_x, stride_y),
        "rim_material": np.concatenate(material),
        "rim_weight": np.concatenate(weight),
    }


def _special(grid: Grid, number, chosen) -> dict:
    """Elements of several materials."""
    nx, ny = (int(value) for value in grid.shape[:2])
    i, j = np.nonzero(chosen)
    return {
        "special_kind": grid.element_kind[chosen],
        "special_cell": number[chosen],
        "special_side": np.stack([i > 0, i < nx, j > 0, j < ny], axis=1),
        "special_width": np.stack([grid.west[i], grid.east[i], grid.south[j], grid.north[j]], axis=1),
        "special_material": grid.element_material[chosen],
        "special_row": grid.laminate_row[chosen],
    }


def _main_content(grid: Grid) -> dict:
    """The first material of every unknown, and which unknowns have more."""
    first, counts = grid.content_start[:-1], np.diff(grid.content_start)
    material, area = np.zeros(len(counts), dtype=np.int64), np.zeros(len(counts))
    some = counts > 0
    material[some], area[some] = grid.content_material[first[some]], grid.content_area[first[some]]
    return {"main_material": material, "main_area": area, "mixed": np.flatnonzero(counts > 1)}
