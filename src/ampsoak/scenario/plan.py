"""The section on its way from the keys to the case: named parts, strokes in painting order, faces and cavity."""

from __future__ import annotations

from dataclasses import dataclass, field

from ampsoak.scenario.case import AirZone, HeatSource
from ampsoak.scenario.lines import Path
from ampsoak.scenario.shapes import Circle, Shape

Span = tuple[str, float, float]


def tidy(length: float) -> float:
    """Round a sum of lengths [m] to a picometre, so that 12.7 mm and 88.9 mm make 101.6 mm and nothing more."""
    return round(length, 12)


@dataclass
class Gap:
    """Size of a narrow air gap: what its equivalent conductivity follows from.

    Parameters
    ----------
    depth : float             along the heat flow [m]
    width : float             across it [m]; endless where the gap closes round a body
    faces : tuple of str      materials of its two faces
    growth : float            area of the second face over that of the first
    """

    depth: float
    width: float
    faces: tuple[str, str]
    growth: float = 1.0


@dataclass
class PlannedPart:
    """A part before its material is looked up; ``path`` is where its material was named; ``air`` makes it open air and
    ``gap`` tells the size of a narrow air gap."""

    name: str
    material: str
    role: str
    path: Path
    start_temperature: float | None = None
    heat_source: HeatSource | None = None
    air: AirZone | None = None
    gap: Gap | None = None


@dataclass
class Room:
    """A round space in which cables lie: a bored hole or the inside of a conduit.

    Parameters
    ----------
    outline : Circle
    part : str         what fills it
    face : str         material round it
    words : str        what to call it in a message
    """

    outline: Circle
    part: str
    face: str
    words: str


@dataclass
class Stroke:
    """One stroke of the painting order."""

    shape: Shape
    part: str
    path: Path


@dataclass
class PlannedConductor:
    """A conductor before its circuit is looked up: ``circuit`` and ``factor`` say what loads it, None for nothing."""

    name: str
    shape: Shape
    metal_area: float
    resistance: float
    temperature_coefficient: float
    circuit: str | None
    factor: float
    path: Path
    adiabatic_k: float | None = None
    adiabatic_limit: str = ""


@dataclass
class Plan:
    """What a section shows.

    Parameters
    ----------
    width, height : float       [m]
    represents : str            words for captions
    parts : list                part 0 is the background
    strokes : list              in painting order
    conductors : list           in part order
    faces : dict                template face to its spans (edge, start, stop) [m]
    cavity : tuple              (left, bottom, right, top) in which a cable may lie [m]
    place : str                 placement word where a cable has none, "" where a position is required
    open_air : tuple or None    (left, bottom, right, top) of open air that solids bound below and above [m]; nan for a
                                side where nothing does
    rooms : dict                round spaces by name of their conduit; "" is the one in which cables lie without more words
    down : tuple or None        direction of gravity, None where it is along the cable
    """

    width: float
    height: float
    represents: str
    parts: list[PlannedPart] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    conductors: list[PlannedConductor] = field(default_factory=list)
    faces: dict[str, list[Span]] = field(default_factory=dict)
    cavity: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    place: str = ""
    open_air: tuple[float, float, float, float] | None = None
    rooms: dict[str, Room] = field(default_factory=dict)
    down: tuple[float, float] | None = (0.0, -1.0)

    @property
    def edges(self) -> dict[str, float]:
        """Length of each edge [m]."""
        return {"left": self.height, "right": self.height, "bottom": self.width, "top": self.width}
