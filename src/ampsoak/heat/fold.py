"""Mirror symmetry: a section that is its own mirror image is solved on half of its cells, or on a quarter.

A cable in the middle of a bay is the usual case. The section stays whole for figures, areas and probes; only the
grid the kernels step is cut at the mirror, and every cell, conductor and border face of the other half reads the
unknown of its image. Nothing flows across a mirror, so cutting there changes no equation: the answers agree to rounding
(``tests/heat/test_fold.py``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ampsoak.heat.arrays import ABSENT, BLENDED, LAMINATE, UNIFORM, Grid
from ampsoak.heat.network import EdgeFaces, HeatModel

_SAME = 1e-7  # relative difference of lengths and areas that is still rounding
_OPPOSITE = {0: ("left", "right"), 1: ("bottom", "top")}


@dataclass(frozen=True)
class Mirror:
    """A symmetry of a section.

    Parameters
    ----------
    axis : int                     0: left and right are images; 1: bottom and top
    conductor : (n,) int64         image of each conductor
    """

    axis: int
    conductor: np.ndarray


def _flipped(array: np.ndarray, axis: int) -> np.ndarray:
    return np.flip(array, axis)


def _same_boundaries(scenario, axis: int) -> bool:
    """Whether the boundaries are their own image."""
    low, high = _OPPOSITE[axis]
    along = scenario.width if axis == 0 else scenario.height

    def image(boundary):
        if boundary.edge in (low, high):
            return replace(boundary, edge=high if boundary.edge == low else low)
        return replace(boundary, start=along - boundary.stop, stop=along - boundary.start)

    def close(a, b) -> bool:
        ends = abs(a.start - b.start) + abs(a.stop - b.stop)
        return ends < _SAME * along and replace(a, start=0.0, stop=1.0) == replace(b, start=0.0, stop=1.0)

    return all(any(close(image(b), other) for other in scenario.boundaries) for b in scenario.boundaries)


def _part_images(section, axis: int) -> np.ndarray | None:
    """Image of each part, (n_parts,), or None where the painted areas are not symmetric."""
    scenario, areas = section.scenario, section.quarter_area
    scale = _SAME * (areas @ np.ones(areas.shape[-1])).max()
    heat_of = {c.part: (c.resistance, c.temperature_coefficient, c.circuit, c.current_factor**2, c.metal_area) for c in scenario.conductors}
    totals = areas.sum(axis=(0, 1))

    def kind(index):
        part = scenario.parts[index]
        return part.material, part.start_temperature, part.heat_source, part.air, heat_of.get(index)

    image = np.full(len(scenario.parts), -1, dtype=np.int64)
    for part in range(len(scenario.parts)):
        if image[part] >= 0:
            continue
        mirrored = _flipped(areas[..., part], axis)
        for other in (part, *range(part + 1, len(scenario.parts))):
            if image[other] >= 0 or abs(totals[part] - totals[other]) > _SAME * max(totals[part], 1e-300):
                continue
            if kind(part) == kind(other) and np.abs(mirrored - areas[..., other]).max() <= scale:
                image[part], image[other] = other, part
                break
        else:
            return None
    return image


def mirror_of(section, axis: int) -> Mirror | None:
    """The symmetry of ``section`` along ``axis``, or None where it has none that can be used.

    Open air is left whole: its radiation reaches across any mirror.
    """
    scenario = section.scenario
    lines, points = (section.x_lines, section.x_points) if axis == 0 else (section.y_lines, section.y_points)
    span = lines[-1]
    if section.air is not None or len(points) < 4 or not _same_boundaries(scenario, axis):
        return None
    if max(np.abs(lines + lines[::-1] - span).max(), np.abs(points + points[::-1] - span).max()) > _SAME * span:
        return None
    image = _part_images(section, axis)
    if image is None or section.contact is not None:
        return None  # a contact resistance may be on one side only
    contacts = {(frozenset((c.first, c.second)), c.resistance) for c in scenario.contacts}
    if contacts != {(frozenset((int(image[c.first]), int(image[c.second]))), c.resistance) for c in scenario.contacts}:
        return None
    of_part = {conductor.part: index for index, conductor in enumerate(scenario.conductors)}
    conductor = np.array([of_part[image[c.part]] for c in scenario.conductors], dtype=np.int64)
    expected = np.where(section.point_conductor >= 0, np.append(conductor, -1)[section.point_conductor], -1)
    if not np.array_equal(_flipped(section.point_conductor, axis), expected):
        return None
    middle = len(points) // 2 - 1
    across = (section.cut.axis == axis) & ((section.cut.i if axis == 0 else section.cut.j) == middle)
    if len(points) % 2 == 0 and across.any():
        return None  # a conductor ends a link that crosses the mirror
    return Mirror(axis, conductor)


def folded(model: HeatModel) -> HeatModel:
    """``model`` cut at every mirror of its section; ``model`` itself where there is none.

    Parameters
    ----------
    model : HeatModel    of the whole section

    Returns
    -------
    HeatModel    same section, fewer unknowns; ``copies`` says how often each stands for the whole
    """
    for axis in (0, 1):
        mirror = mirror_of(model.section, axis)
        if mirror is not None:
            model = _cut(model, mirror)
    return model


def _cut(model: HeatModel, mirror: Mirror) -> HeatModel:
    """``model`` without the half beyond the mirror."""
    grid, axis = model.grid, mirror.axis
    nx, ny, stride_x, stride_y = (int(v) for v in grid.shape[:4])
    count = (nx, ny)[axis]
    kept, odd = (count + 1) // 2, count % 2 == 1
    size = [nx, ny]
    size[axis] = kept
    old = np.arange(nx)[:, None] * stride_x + np.arange(ny)[None, :] * stride_y
    new_x, new_y = (size[1], 1) if size[1] <= size[0] else (1, size[0])
    new = np.arange(size[0])[:, None] * new_x + np.arange(size[1])[None, :] * new_y
    cells = new.size

    # what each old unknown became: every cell its own number or that of its image
    place = np.minimum(np.arange(count), count - 1 - np.arange(count))
    image = np.empty(model.first_zone, dtype=np.int64)  # no zones where a section folds, and nothing asks for a skin's image
    image[old.ravel()] = np.take(new, place, axis=axis).ravel()
    groups, keeper, share, group_of = _conductor_groups(model, mirror)
    image[model.cells :] = cells + group_of
    skins, skin_group = _kept_skins(grid, keeper)
    source_of = np.empty(cells + groups + len(skins), dtype=np.int64)  # the old unknown that each new one is
    keep = [slice(None), slice(None)]
    keep[axis] = slice(0, kept)
    source_of[new.ravel()] = old[tuple(keep)].ravel()
    source_of[cells : cells + groups] = model.cells + keeper
    source_of[cells + groups :] = model.first_skin + skins
    amount = np.ones(len(source_of))  # how much of the old unknown lies on this side
    if odd:
        amount[np.take(new, kept - 1, axis=axis)] = 0.5
    amount[cells : cells + groups] = share
    amount[cells + groups :] = share[skin_group]

    arrays = {
        **_half_elements(grid, axis, kept, odd),
        **_half_contents(grid, source_of, amount),
        **_half_skins(grid, skins, skin_group, share),
        **_half_cuts(grid, mirror, kept, image, model.cells, cells),
    }
    faces, face_arrays = _half_faces(model, axis, image, source_of, amount)
    covered = grid.covered[source_of[:cells]]
    arrays |= face_arrays
    arrays["covered"] = np.where(covered >= 0, np.append(group_of, -1)[covered], -1)
    arrays["shape"] = np.array([*size, new_x, new_y, cells, groups, max(new_x, new_y) + 1])
    parts = [_merged(image[chosen], weight) for chosen, weight in zip(model.part_cells, model.part_weights, strict=True)]
    return replace(
        model,
        grid=grid._replace(**arrays),
        cell_order=image[model.cell_order],
        part_cells=[chosen for chosen, _ in parts],
        part_weights=[weight for _, weight in parts],
        source_area=[(part, area[source_of] * amount) for part, area in model.source_area],
        conductor_unknown=image[model.conductor_unknown],
        keeper=model.keeper[keeper],
        share=model.share[keeper] * share,
        copies=2 * model.copies,
        edge_faces=faces,
    )


def _merged(unknowns: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    chosen, where = np.unique(unknowns, return_inverse=True)
    return chosen, np.bincount(where, weights=weights, minlength=len(chosen))


def _conductor_groups(model: HeatModel, mirror: Mirror):
    """Number of conductors left, which old one each is, its share on this side, and the new number of each old one."""
    old_count = int(model.grid.shape[5])
    number_of = model.conductor_unknown - model.cells
    image = np.empty(old_count, dtype=np.int64)  # of an old conductor unknown
    image[number_of] = number_of[mirror.conductor]
    middle = [0.0] * old_count
    scenario = model.section.scenario
    for index, conductor in enumerate(scenario.conductors):
        if model.keeper[number_of[index]] == index:
            low_x, low_y, high_x, high_y = conductor.shape.bounds
            middle[number_of[index]] = low_x + high_x if mirror.axis == 0 else low_y + high_y
    group_of = np.full(old_count, -1, dtype=np.int64)
    keeper, share = [], []
    for number in range(old_count):
        if group_of[number] >= 0:
            continue
        other = int(image[number])
        group_of[number] = group_of[other] = len(keeper)
        keeper.append(number if middle[number] <= middle[other] else other)
        share.append(0.5 if other == number else 1.0)
    return len(keeper), np.array(keeper, dtype=np.int64), np.array(share), group_of


def _half_elements(grid: Grid, axis: int, kept: int, odd: bool) -> dict:
    """Elements and links of the kept half; the rim of even counts keeps the side that lies on this side."""
    low, high = ("west", "east") if axis == 0 else ("south", "north")
    cut = [slice(None), slice(None)]
    cut[axis] = slice(0, kept + 1)
    rim = [slice(None), slice(None)]
    rim[axis] = kept
    rim = tuple(rim)
    before, after = getattr(grid, low)[: kept + 1].copy(), getattr(grid, high)[: kept + 1].copy()
    after[kept] = 0.0
    kind, material = grid.element_kind[tuple(cut)].copy(), grid.element_material[tuple(cut)]
    row, cross = grid.laminate_row[tuple(cut)], grid.laminate_cross.copy()
    if odd:
        before[kept] = 0.0
        kind[rim] = ABSENT  # the points on the mirror have no other half of an element
    else:
        # no slope across the mirror: what feels mean slopes has only the one along it left
        kind[rim] = np.where(kind[rim] == BLENDED, UNIFORM, kind[rim])
        cross[row[rim][kind[rim] == LAMINATE]] = False
    links = [slice(None), slice(None)]
    links[axis] = slice(0, kept - 1)
    across, along = ("link_state_x", "link_state_y") if axis == 0 else ("link_state_y", "link_state_x")
    cells = [slice(None), slice(None)]
    cells[axis] = slice(0, kept)
    return {
        low: before,
        high: after,
        "element_kind": kind,
        "element_material": np.ascontiguousarray(material),
        "laminate_row": np.ascontiguousarray(row),
        "laminate_cross": cross,
        across: np.ascontiguousarray(getattr(grid, across)[tuple(links)]),
        along: np.ascontiguousarray(getattr(grid, along)[tuple(cells)]),
    }


def _half_contents(grid: Grid, source_of: np.ndarray, amount: np.ndarray) -> dict:
    """Heat contents of the kept unknowns."""
    start, entries = _rows(grid.content_start, source_of)
    return {
        "content_start": start,
        "content_material": grid.content_material[entries],
        "content_area": grid.content_area[entries] * np.repeat(amount, np.diff(start)),
    }


def _rows(start: np.ndarray, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the entries of the ``chosen`` rows begin, (n + 1,), and which of the old entries they are."""
    counts = np.diff(start)[chosen]
    new = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return new, np.repeat(start[chosen] - new[:-1], counts) + np.arange(new[-1])


def _kept_skins(grid: Grid, keeper: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Old number of the skins of the kept conductors, and the new number of their conductors."""
    skin_of = np.full(int(grid.shape[5]), -1, dtype=np.int64)
    skin_of[grid.skin_conductor] = np.arange(len(grid.skin_conductor))
    kept = skin_of[keeper]
    return kept[kept >= 0], np.flatnonzero(kept >= 0)


def _half_skins(grid: Grid, skins: np.ndarray, group: np.ndarray, share: np.ndarray) -> dict:
    """Skins of the kept conductors: area and perimeter are halved alike, and so is their conductance."""
    return {"skin_conductor": group, "skin_weight": grid.skin_weight[skins] * share[group][:, None]}


def _half_cuts(grid: Grid, mirror: Mirror, kept: int, image, old_cells: int, cells: int) -> dict:
    """Links that end on conductors, of the kept half."""
    place = grid.cut_i if mirror.axis == 0 else grid.cut_j
    inside = place <= np.where(grid.cut_axis == mirror.axis, kept - 2, kept - 1)
    return {
        "cut_cell": image[grid.cut_cell[inside]],
        "cut_conductor": image[old_cells + grid.cut_conductor[inside]] - cells,
        "cut_axis": grid.cut_axis[inside],
        "cut_i": grid.cut_i[inside],
        "cut_j": grid.cut_j[inside],
        "cut_inverse": grid.cut_inverse[inside],
    }


def _half_faces(model: HeatModel, axis: int, image, source_of, amount) -> tuple[dict, dict]:
    """Border faces of the kept half, and which of them stand for each edge of the whole section."""
    grid, boundaries = model.grid, model.section.scenario.boundaries
    beyond = _OPPOSITE[axis][1]
    edge = np.array([boundaries[b].edge for b in grid.face_boundary], dtype=object)
    chosen = np.flatnonzero((source_of[image[grid.face_cell]] == grid.face_cell) & (edge != beyond))
    cell = image[grid.face_cell[chosen]]
    # a face of an edge that the mirror halves shrinks with its cell; one that lies along the mirror's edge is whole
    part = np.where(edge[chosen] == _OPPOSITE[axis][0], 1.0, amount[cell])
    start, entries = _rows(grid.face_start, chosen)
    renumbered = np.full(len(grid.face_cell), -1, dtype=np.int64)
    renumbered[chosen] = np.arange(len(chosen))
    faces = {}
    for name, old in model.edge_faces.items():
        if name in _OPPOSITE[axis]:
            kept_edge = model.edge_faces[_OPPOSITE[axis][0]]
            faces[name] = EdgeFaces(renumbered[kept_edge.face], kept_edge.count)
        else:
            there = renumbered[old.face]
            faces[name] = EdgeFaces(there[there >= 0], 2 * old.count)
    return faces, {
        "face_cell": cell,
        "face_boundary": grid.face_boundary[chosen],
        "face_length": grid.face_length[chosen] * part,
        "face_start": start,
        "face_material": grid.face_material[entries],
        "face_weight": grid.face_weight[entries] * np.repeat(part, np.diff(start)),
    }
