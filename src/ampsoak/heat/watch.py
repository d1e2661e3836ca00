"""Finding inside a step when a part passes a temperature, and reading parts and probes off a state."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Sequence

import numpy as np

from ampsoak.heat import kernels
from ampsoak.heat.network import HeatModel
from ampsoak.heat.stepping import Stretch
from ampsoak.heat.together import CommonStep
from ampsoak.scenario.case import Limit, Probe
from ampsoak.section.interfaces import parts_at

_LOOKS = np.array([0.25, 0.5, 0.75, 1.0])  # shares of a step at which a peak inside it would show
_NEAR = 5.0  # [K] from a limit at a step's end, within which a peak before it may have passed the limit
_PATH = 96  # samples of the thermal resistance along a probe's neighbourhood


class LimitWatch:
    """When limits are passed, upwards and downwards.

    Parameters
    ----------
    model : HeatModel
    limits : sequence of Limit
    """

    def __init__(self, model: HeatModel, limits: Sequence[Limit]):
        self.limits = tuple(limits)
        self.unknowns = [np.unique(np.concatenate([model.part_cells[part] for part in limit.parts])) for limit in limits]
        self.owner = [
            {int(unknown): part for part in reversed(limit.parts) for unknown in model.part_cells[part]}
            for limit in limits
        ]
        self.above = [False] * len(self.limits)
        self._start = np.concatenate([[0], np.cumsum([len(chosen) for chosen in self.unknowns])]).astype(np.int64)
        self._chosen = np.concatenate([*self.unknowns, np.zeros(0, dtype=np.int64)])

    def again(self) -> LimitWatch:
        """A watch on the same limits that has seen nothing yet."""
        fresh = copy.copy(self)
        fresh.above = [False] * len(self.limits)
        return fresh

    def _hottest(self, step: Stretch, shares: np.ndarray) -> np.ndarray:
        """Hottest of each limit's parts [K] at shares of a step, (n, n_limits)."""
        found = np.empty((len(shares), len(self.limits)))
        kernels.read_maxima(*step.cubic, step.end - step.begin, shares, self._chosen, self._start, found)
        return found

    def begin(self, temperature: np.ndarray) -> list[tuple[int, float, int, float]]:
        """Limits already passed by the start state: (limit, 0.0, part, temperature)."""
        found = []
        for index, limit in enumerate(self.limits):
            value = temperature[self.unknowns[index]]
            self.above[index] = bool(value.max() >= limit.temperature)
            if self.above[index]:
                hottest = int(self.unknowns[index][value.argmax()])
                found.append((index, 0.0, self.owner[index][hottest], float(value.max())))
        return found

    def crossings(self, step: Stretch, hottest: np.ndarray | None = None) -> list[tuple[int, float, int, bool]]:
        """Crossings inside ``step`` in time order: (limit, time [s], part, upwards). ``hottest``: as ``_hottest``, if known."""
        found = []
        if hottest is None:
            hottest = self._hottest(step, _LOOKS)
        length = step.end - step.begin
        for index, limit in enumerate(self.limits):
            excess = hottest[:, index] - limit.temperature
            near = abs(excess[-1]) < _NEAR or (excess[-1] > 0) != self.above[index]
            previous, above = step.begin, self.above[index]
            for look in range(0 if near else len(_LOOKS) - 1, len(_LOOKS)):
                mark = step.begin + _LOOKS[look] * length
                if (excess[look] >= 0) != above:
                    time, part = self._root(index, previous, mark, step)
                    found.append((index, time, part, not above))
                    above = not above
                previous = mark
            self.above[index] = above
        return sorted(found, key=lambda crossing: crossing[1]) if len(found) > 1 else found

    def crossings_side_by_side(
        self, step: CommonStep, watches: dict[int, LimitWatch]
    ) -> Iterator[tuple[int, tuple[int, float, int, bool]]]:
        """Crossings inside ``step`` as (member, crossing); ``watches`` on the same limits, by member."""
        hottest = step.maxima(_LOOKS, self._chosen, self._start)
        passed = hottest >= np.array([limit.temperature for limit in self.limits])[:, None]
        for member, watch in watches.items():
            # most members pass nothing in most steps
            if (passed[:, :, member] != watch.above).any():
                for crossing in watch.crossings(step.of(member), hottest[:, :, member]):
                    yield member, crossing

    def _root(self, index: int, low: float, high: float, step: Stretch) -> tuple[float, int]:
        """When the limit is passed between ``low`` and ``high`` [s], and the part that passes it."""
        from scipy.optimize import brentq  # a tenth of a second to import, so only where it is needed

        chosen, level = self.unknowns[index], self.limits[index].temperature
        cubic, length = [values[chosen] for values in step.cubic], step.end - step.begin
        states = np.empty((1, len(chosen)))

        def excess(time):
            kernels.read_cubics(*cubic, length, np.array([(time - step.begin) / length]), states)
            return float(states.max()) - level

        first, last = excess(low), excess(high)
        if first == 0.0 or (first > 0) == (last > 0):
            time = low if abs(first) <= abs(last) else high  # rounding at a step's end
        else:
            time = float(brentq(excess, low, high, xtol=1e-6 * (step.end - step.begin), rtol=8.9e-16))
        excess(time)
        return time, self.owner[index][int(chosen[states[0].argmax()])]


class PartReader:
    """Maximum and area-weighted mean of every part, from a state."""

    def __init__(self, model: HeatModel):
        self.cells, self.weights = model.part_cells, model.part_weights
        # all parts in one piece: histories of limit curves read thousands of states
        self._filled = np.array([len(cells) > 0 for cells in self.cells])
        chosen = [cells for cells in self.cells if len(cells)]
        self._chosen = np.concatenate(chosen)
        self._share = np.concatenate([weights for weights in self.weights if len(weights)])
        self._ends = np.concatenate([[0], np.cumsum([len(cells) for cells in chosen])]).astype(np.int64)
        self._start = self._ends[:-1]

    def course_of_maximum(self, step: Stretch, times: np.ndarray) -> np.ndarray:
        """(n, n_parts) [K] at ``times`` (n,) inside ``step``."""
        found = np.empty((len(times), len(self._start)))
        length = step.end - step.begin
        kernels.read_maxima(*step.cubic, length, (times - step.begin) / length, self._chosen, self._ends, found)
        return self._spread(found)

    def courses_of_maximum(self, step: CommonStep, times: np.ndarray) -> np.ndarray:
        """(n, n_parts) [K] of each member, (8, n, n_parts), at ``times`` (n,) inside ``step``."""
        found = step.maxima((times - step.begin) / (step.end - step.begin), self._chosen, self._ends)
        return self._spread(np.moveaxis(found, 2, 0))

    def maximum(self, temperature: np.ndarray) -> np.ndarray:
        """(n_parts,) [K] of a state (unknowns,), or (n, n_parts) of several; nan for a part that nothing of is visible."""
        return self._spread(np.maximum.reduceat(temperature[..., self._chosen], self._start, axis=-1))

    def mean(self, temperature: np.ndarray) -> np.ndarray:
        """(n_parts,) [K] of a state (unknowns,), or (n, n_parts) of several; nan for a part that nothing of is visible."""
        return self._spread(np.add.reduceat(temperature[..., self._chosen] * self._share, self._start, axis=-1))

    def _spread(self, values: np.ndarray) -> np.ndarray:
        if self._filled.all():
            return values
        spread = np.full((*values.shape[:-1], len(self.cells)), np.nan)
        spread[..., self._filled] = values
        return spread


class ProbeReader:
    """Readings of the scenario's probes.

    A point between unknowns is read by thermal resistance along the grid directions, so a place on a surface or an
    interface gets that surface's temperature although the slope jumps there.
    """

    def __init__(self, model: HeatModel, probes: Sequence[Probe]):
        self.model = model
        self.probes = tuple(probes)
        self.parts = PartReader(model)
        self._points = [self._weights(probe) if probe.kind == "point" else None for probe in self.probes]

    @property
    def units(self) -> list[str]:
        """Unit of each reading."""
        return ["W m-1" if probe.kind == "edge_heat_flow" else "K" for probe in self.probes]

    def _share(self, points, here, fixed, axis) -> tuple[int, int, float]:
        """Neighbours on one axis and the share of the thermal resistance between them passed at ``here``."""
        scenario = self.model.section.scenario
        after = int(np.searchsorted(points, here))
        if after == 0 or after == len(points):
            only = 0 if after == 0 else len(points) - 1
            return only, only, 0.0
        low, high = points[after - 1], points[after]
        place = low + (high - low) * (np.arange(_PATH) + 0.5) / _PATH
        across = np.full(_PATH, fixed)
        part = parts_at(scenario, place, across) if axis == 0 else parts_at(scenario, across, place)
        k = np.array([scenario.parts[p].material.thermal_conductivity(320.0) for p in range(len(scenario.parts))])
        path = np.concatenate([[0.0], np.cumsum(1.0 / k[part])])
        grid = low + (high - low) * np.arange(_PATH + 1) / _PATH
        return after - 1, after, float(np.interp(here, grid, path) / path[-1])

    def _weights(self, probe: Probe):
        """Unknowns, border faces and weights whose sum is the reading of a point."""
        model, section = self.model, self.model.section
        part = int(parts_at(section.scenario, np.array([probe.x]), np.array([probe.y]))[0])
        for index, conductor in enumerate(section.scenario.conductors):
            if conductor.part == part:
                return [(int(model.conductor_unknown[index]), None, 1.0)]
        if section.scenario.parts[part].air is not None:
            return [(int(model.part_cells[part][0]), None, 1.0)]
        i0, i1, sx = self._share(section.x_points, probe.x, probe.y, 0)
        j0, j1, sy = self._share(section.y_points, probe.y, probe.x, 1)
        entries = []
        for i, wx in ((i0, 1 - sx), (i1, sx)):
            for j, wy in ((j0, 1 - sy), (j1, sy)):
                if wx * wy > 0:
                    entries.extend(self._border(probe, i, j, wx * wy))
        return entries

    def _border(self, probe: Probe, i: int, j: int, weight: float):
        """Share a cell's weight with its border face where the probe lies between the outermost unknown and the edge."""
        model, section = self.model, self.model.section
        cell = int(model.cell_order[i, j])
        shares = []
        for edge, beyond, depth in (
            ("left", section.x_points[0] - probe.x, section.x_points[0]),
            ("right", probe.x - section.x_points[-1], section.x_lines[-1] - section.x_points[-1]),
            ("bottom", section.y_points[0] - probe.y, section.y_points[0]),
            ("top", probe.y - section.y_points[-1], section.y_lines[-1] - section.y_points[-1]),
        ):
            if beyond > 0:
                faces = model.edge_faces[edge].face
                for face in faces[model.network.face_cell[faces] == cell]:
                    shares.append((int(face), beyond / depth))
        # in a corner both edges pull on the same cell: add their departures from it
        entries = [(cell, None, weight * (1 - sum(share for _, share in shares)))]
        entries += [(None, face, weight * share) for face, share in shares]
        return entries

    def read(self, temperature: np.ndarray, surface: np.ndarray, surface_flow: np.ndarray) -> np.ndarray:
        """Readings (n_probes,) from a state (unknowns,) [K], border temperatures and heat flows (n_faces,) [K], [W/m]."""
        values = np.empty(len(self.probes))
        whole = {
            kind: read(temperature)
            for kind, read in (("maximum", self.parts.maximum), ("mean", self.parts.mean))
            if any(probe.kind == kind for probe in self.probes)
        }
        for index, probe in enumerate(self.probes):
            if probe.kind == "point":
                values[index] = sum(
                    weight * (temperature[unknown] if unknown is not None else surface[face])
                    for unknown, face, weight in self._points[index]
                )
            elif probe.kind == "edge_heat_flow":
                faces = self.model.edge_faces[probe.edge]
                values[index] = faces.count * surface_flow[faces.face].sum()
            else:
                values[index] = whole[probe.kind][probe.part]
        return values
