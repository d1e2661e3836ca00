"""Builders and readers that the verification suite shares: scenarios, histories, steady fields read anywhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ampsoak.heat import kernels
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel, build_model
from ampsoak.heat.steady import SteadySolver
from ampsoak.heat.stepping import Member, Step, Stepper, start_state
from ampsoak.heat.watch import ProbeReader
from ampsoak.library.materials import Material, Property, constant_material
from ampsoak.scenario.case import (
    Boundary,
    Circuit,
    Conductor,
    CurrentProfile,
    MeshSettings,
    Part,
    Probe,
    RunSettings,
    Scenario,
    Start,
    TimeTable,
)
from ampsoak.scenario.shapes import Circle, Polygon, Rectangle, Stadium
from ampsoak.section.build import build_section

ZERO = 273.15  # [K] 0 °C
EDGES = ("left", "right", "bottom", "top")
COPPER_CAPACITY = 3.45e6  # [J/(m³ K)], IEC 60949 table I (from memory, high confidence)
COPPER_COEFFICIENT = 0.00393  # [1/K] at 20 °C, IEC 60228 copper (from memory, high confidence)


@dataclass(frozen=True)
class Course(TimeTable):
    """A quantity given by a smooth function of time instead of a table, so that stepping is not cut at its corners."""

    time: tuple[float, ...] = (0.0,)
    value: tuple[float, ...] = (0.0,)
    function: Callable[[float], float] = float

    def at(self, time):
        """Value at ``time`` [s]."""
        return self.function(time)

    @property
    def is_constant(self) -> bool:
        """Never."""
        return False


def _table(value) -> TimeTable | None:
    return value if value is None or isinstance(value, TimeTable) else TimeTable.constant(value)


def simple(name: str, conductivity: float, volume_heat: float) -> Material:
    """A material of constant conductivity [W/(m K)] and heat capacity per volume [J/(m³ K)]."""
    return constant_material(name, conductivity, volume_heat, 1.0)


def tabled(material: Material, *, conductivity=None, specific_heat=None, latent=()) -> Material:
    """``material`` with tables of temperature [K] against conductivity or specific heat, or with latent heat."""

    def property_of(table, constant):
        if table is None:
            return constant
        temperature, value = table
        return Property(constant.value, tuple(map(float, temperature)), tuple(map(float, value)))

    return replace(
        material,
        conductivity=property_of(conductivity, material.conductivity),
        specific_heat=property_of(specific_heat, material.specific_heat),
        latent=tuple(latent),
    )


def fixed(edge: str, length: float, temperature) -> Boundary:
    """A whole edge at a temperature [K]: a number or a table in time."""
    return Boundary(edge, 0.0, length, "fixed", temperature=_table(temperature))


def film(edge: str, length: float, coefficient, air, **more) -> Boundary:
    """A whole edge with a film coefficient [W/(m² K)] to air [K]."""
    return Boundary(edge, 0.0, length, "film", temperature=_table(air), coefficient=_table(coefficient), **more)


def flux(edge: str, length: float, strength) -> Boundary:
    """A whole edge with a heat flux into the section [W/m²]."""
    return Boundary(edge, 0.0, length, "flux", flux=_table(strength))


def all_edges(kind: Callable[..., Boundary], width: float, height: float, *values, **more) -> tuple[Boundary, ...]:
    """The same boundary on all four edges."""
    return tuple(kind(edge, height if edge in ("left", "right") else width, *values, **more) for edge in EDGES)


def wire(
    part: int,
    shape,
    *,
    per_metre: float = 1.0,
    metal_area: float | None = None,
    coefficient: float = 0.0,
    circuit: int = 0,
):
    """A conductor of resistance ``per_metre`` [Ω/m]: with coefficient 0 and 1 A that many W/m."""
    area = shape.area if metal_area is None else metal_area
    return Conductor(f"wire{part}", part, shape, area, per_metre, coefficient, circuit)


def case(
    width: float,
    height: float,
    parts: Sequence[Part],
    paints=(),
    conductors=(),
    boundaries=(),
    *,
    start: float = ZERO,
    current: float | CurrentProfile = 1.0,
    duration: float = 1.0,
    **more,
) -> Scenario:
    """A scenario with at most one circuit and the defaults a check does not care about."""
    profile = current if isinstance(current, CurrentProfile) else CurrentProfile.constant(current, duration)
    given = {
        "title": "check",
        "description": "",
        "depth_note": "",
        "limits": (),
        "probes": (),
        "devices": (),
        "start": Start("cold", start),
        "run": RunSettings(duration),
    }
    return Scenario(
        width=width, height=height, parts=tuple(parts), paints=tuple(paints), conductors=tuple(conductors),
        circuits=(Circuit("circuit", profile),), boundaries=tuple(boundaries), **(given | more),
    )  # fmt: skip


def even(length: float, cells: int) -> np.ndarray:
    """Lines of equal cells."""
    return np.linspace(0.0, length, cells + 1)


def slab(
    length: float, material: Material, boundaries=(), *, start: float = ZERO, thickness: float = 1.0,
    duration: float = 1.0, part: Part | None = None,
) -> Scenario:  # fmt: skip
    """A slab along x; edges ``left`` and ``right`` are its faces, the long sides are adiabatic."""
    return case(
        length, thickness, [part or Part("slab", material)], boundaries=boundaries, start=start, duration=duration
    )


def strip(cells: int, length: float, thickness: float = 1.0, rows: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Lines of a slab of equal cells."""
    return even(length, cells), even(thickness, rows)


class Field:
    """A state that can be read anywhere, border faces included.

    Parameters
    ----------
    model : HeatModel
    state : (unknowns,) float64    [K]
    time : float                   at which boundaries are taken [s]
    """

    def __init__(
        self, model: HeatModel, state: np.ndarray, time: float = 0.0, boundaries: BoundaryTables | None = None
    ):
        self.model, self.state, self.time = model, state, time
        self.boundaries = boundaries or BoundaryTables(model.section.scenario.boundaries)

    @cached_property
    def links(self):
        """Conductances at this state."""
        links = self.model.new_links()
        kernels.conductances(self.model.network, self.state, np.ones(len(self.model.materials)), links)
        return links

    @cached_property
    def border(self) -> tuple[np.ndarray, np.ndarray]:
        """Temperature [K] and heat leaving [W/m] of every border face."""
        faces = len(self.model.network.face_cell)
        surface, flow, slope = self.state[self.model.network.face_cell].copy(), np.zeros(faces), np.zeros(faces)
        kernels.border_flow(
            self.model.network, self.links, self.boundaries.at(self.time), 0, self.state, surface, flow, slope
        )
        return surface, flow

    @property
    def conductors(self) -> np.ndarray:
        """Conductor temperatures [K]."""
        return self.state[self.model.conductor_unknown]

    @property
    def cells(self) -> np.ndarray:
        """(nx, ny) cell temperatures [K]."""
        return self.model.field(self.state).T

    def at(self, x: float, y: float) -> float:
        """Temperature at a place [K]."""
        reader = ProbeReader(self.model, [Probe("here", "point", x=x, y=y)])
        return float(reader.read(self.state, *self.border)[0])

    def leaving(self, edge: str) -> float:
        """Heat leaving through an edge [W/m]."""
        reader = ProbeReader(self.model, [Probe("flow", "edge_heat_flow", edge=edge)])
        return float(reader.read(self.state, *self.border)[0])


class Balance:
    """Heat flowing into every unknown of a section without air zones, and its heat capacities, at any state.

    Parameters
    ----------
    model : HeatModel
    boundaries : BoundaryTables
    """

    def __init__(self, model: HeatModel, boundaries: BoundaryTables):
        self.model, self.boundaries = model, boundaries
        self.links, self.scale = model.new_links(), np.ones(len(model.materials))
        faces = len(model.network.face_cell)
        self._flow, self._slope = np.zeros(faces), np.zeros(faces)

    def flow(self, state: np.ndarray, time: float = 0.0, currents=(0.0,)) -> np.ndarray:
        """Net heat into each unknown, (unknowns,) [W/m]."""
        model, network = self.model, self.model.network
        kernels.conductances(network, state, self.scale, self.links)
        surface = state[network.face_cell].copy()
        kernels.border_flow(network, self.links, self.boundaries.at(time), 0, state, surface, self._flow, self._slope)
        source = model.part_sources(time)
        source[model.conductor_unknown] += model.joule(np.asarray(currents, dtype=float), state)
        net = np.zeros(model.unknowns)
        kernels.net_heat(network, self.links, model.new_exchange(state), state, source, self._flow, net)
        return net

    @property
    def border_loss(self) -> float:
        """Heat that left through the border in the last ``flow`` [W/m]."""
        return float(self._flow.sum())

    def capacity(self, state: np.ndarray) -> np.ndarray:
        """Heat capacity of each unknown, (unknowns,) [J/(m K)]."""
        content, capacity = np.zeros(self.model.unknowns), np.zeros(self.model.unknowns)
        kernels.heat_content(self.model.network, state, self.scale, content, capacity)
        return capacity


def model_for(scenario: Scenario, lines=None) -> HeatModel:
    """The heat model on own grid lines, or on the automatic ones."""
    return build_model(build_section(scenario, lines))


def solve_steady(scenario: Scenario, lines=None, *, current: float = 1.0, model: HeatModel | None = None) -> Field:
    """The steady field; fails the check when there is none."""
    model = model or model_for(scenario, lines)
    boundaries = BoundaryTables(scenario.boundaries)
    found = SteadySolver(model, boundaries).solve(np.array([current]), start_state(model, scenario.start.temperature))
    assert found.exists, found.reason
    return Field(model, found.temperature, 0.0, boundaries)


class History:
    """Accepted steps, read at any time.

    Parameters
    ----------
    model : HeatModel
    steps : list of Step
    """

    def __init__(self, model: HeatModel, steps: list[Step]):
        self.model, self.steps = model, steps
        self.ends = np.array([step.end for step in steps])
        self.boundaries = BoundaryTables(model.section.scenario.boundaries)

    def state(self, time: float) -> np.ndarray:
        """State at ``time`` [s] by the steps' dense output."""
        index = min(int(np.searchsorted(self.ends, time)), len(self.steps) - 1)
        return self.steps[index].at(time)

    def field(self, time: float) -> Field:
        """Readable state at ``time`` [s]."""
        return Field(self.model, self.state(time), time, self.boundaries)

    def conductors(self, times) -> np.ndarray:
        """(n_times, n_conductors) conductor temperatures [K]."""
        return np.array([self.state(time)[self.model.conductor_unknown] for time in np.atleast_1d(times)])


def march(
    scenario: Scenario, lines=None, *, tolerance: float = 1e-3, until: float | None = None,
    start: np.ndarray | None = None, model: HeatModel | None = None,
) -> History:  # fmt: skip
    """Step a scenario adaptively to its duration."""
    model = model or model_for(scenario, lines)
    stepper = _stepper(scenario, model, tolerance, start)
    return History(model, list(stepper.steps(until or scenario.run.duration)))


def march_evenly(scenario: Scenario, lines, step: float, count: int, *, start=None, model=None) -> History:
    """Take ``count`` steps of one length, with the error control out of the way."""
    model = model or model_for(scenario, lines)
    stepper = _stepper(scenario, model, 1e9, start)
    steps = [taken for number in range(count) for taken in stepper.steps((number + 1) * step)]
    assert len(steps) == count, "a change of load or boundary cut the steps"
    return History(model, steps)


def _stepper(scenario: Scenario, model: HeatModel, tolerance: float, start) -> Stepper:
    state = start_state(model, scenario.start.temperature) if start is None else start
    member = Member(tuple(circuit.profile for circuit in scenario.circuits), state)
    return Stepper(model, member, tolerance, BoundaryTables(scenario.boundaries))


def observed_orders(errors: Sequence[float], ratio: float = 2.0) -> np.ndarray:
    """Orders of accuracy between successive refinements by ``ratio``."""
    errors = np.asarray(errors, dtype=float)
    return np.log(errors[:-1] / errors[1:]) / np.log(ratio)


# -- the same section in another position ------------------------------------------------------------------------------


def _transposed_shape(shape):
    if isinstance(shape, Rectangle):
        return Rectangle(shape.bottom, shape.left, shape.top, shape.right)
    if isinstance(shape, Circle):
        return Circle(shape.y, shape.x, shape.radius)
    if isinstance(shape, Stadium):
        return replace(shape, x=shape.y, y=shape.x, angle=np.pi / 2 - shape.angle)
    return Polygon(tuple((y, x) for x, y in shape.points))


def _mirrored_shape(shape, width: float):
    if isinstance(shape, Rectangle):
        return Rectangle(width - shape.right, shape.bottom, width - shape.left, shape.top)
    if isinstance(shape, Polygon):
        return Polygon(tuple((width - x, y) for x, y in shape.points))
    if isinstance(shape, Stadium):
        return replace(shape, x=width - shape.x, angle=-shape.angle)
    return replace(shape, x=width - shape.x)


def _reshaped(scenario: Scenario, move: Callable) -> dict:
    return {
        "paints": tuple(replace(paint, shape=move(paint.shape)) for paint in scenario.paints),
        "conductors": tuple(replace(conductor, shape=move(conductor.shape)) for conductor in scenario.conductors),
    }


def transposed(scenario: Scenario) -> Scenario:
    """The section with x and y exchanged."""
    swap = {"left": "bottom", "bottom": "left", "right": "top", "top": "right"}
    return replace(
        scenario,
        width=scenario.height,
        height=scenario.width,
        boundaries=tuple(replace(b, edge=swap[b.edge]) for b in scenario.boundaries),
        probes=tuple(replace(p, x=p.y, y=p.x, edge=swap.get(p.edge, "")) for p in scenario.probes),
        **_reshaped(scenario, _transposed_shape),
    )


def mirrored(scenario: Scenario) -> Scenario:
    """The section seen from behind: x becomes width - x."""
    width = scenario.width
    swap = {"left": "right", "right": "left"}

    def boundary(b: Boundary) -> Boundary:
        if b.edge in swap:
            return replace(b, edge=swap[b.edge])
        return replace(b, start=width - b.stop, stop=width - b.start)

    return replace(
        scenario,
        boundaries=tuple(boundary(b) for b in scenario.boundaries),
        probes=tuple(replace(p, x=width - p.x, edge=swap.get(p.edge, p.edge)) for p in scenario.probes),
        **_reshaped(scenario, lambda shape: _mirrored_shape(shape, width)),
    )


def turned(scenario: Scenario) -> Scenario:
    """The section turned by 90° counter-clockwise."""
    return mirrored(transposed(scenario))


def refined(scenario: Scenario, finest: float, **more) -> Scenario:
    """The scenario with another finest cell [m]."""
    return replace(scenario, mesh=MeshSettings(finest=finest, **more))
