"""Models of what opens a circuit, what must not open it, and how it is closed again."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ampsoak.scenario.model_base import Count, Duration, Keys, Name, PositiveCurrent, Temperature, Text, Time
from ampsoak.scenario.quantities import DROPPABLE, Dimensional, Given, PairList, Pairs

# Names of inverse-time curves and what the case calls them. "Very inverse" and "extremely inverse" mean other constants in
# IEC 60255-151 B and C than in IEEE C37.112, so they stand with their standard only. The laws are of the coverage floor; only
# their names stand here, since this floor may not import that one.
RELAY_CURVES = {
    **{letter: letter for letter in "ABCDEF"},
    "IEC standard inverse": "A",
    "IEC very inverse": "B",
    "IEC extremely inverse": "C",
    "IEEE moderately inverse": "D",
    "IEEE very inverse": "E",
    "IEEE extremely inverse": "F",
    "long-time inverse": "long-time inverse",
    "short-time inverse": "short-time inverse",
    "electronic": "electronic",
}
CURVES_WITH_RESET = ("D", "E", "F")  # IEEE C37.112 states the reset of these
HIGHEST_TOLERANCE = 0.9

Tolerance = Annotated[Given, Dimensional("number", at_least=0, at_most=HIGHEST_TOLERANCE)]
PositiveNumber = Annotated[Given, Dimensional("number", above=0)]


class Magnetic(Keys):
    """Instantaneous release: holds up to one current, trips from the other on."""

    hold: PositiveCurrent
    trip: PositiveCurrent


class PointsFile(Keys):
    """Points of one edge of a device from a CSV file beside the scenario."""

    file: Name
    current_column: Name
    time_column: Name
    current_unit: Name
    time_unit: Name


class LetThroughKeys(Keys):
    """Largest I²t a device lets pass: a value at a prospective current, or an energy class."""

    energy: Annotated[Given, Dimensional("let_through_energy", above=0)] | None = None
    current: PositiveCurrent | None = None
    energy_class: Literal[3] | None = None
    source: Text | None = None


DevicePoints = Annotated[
    Pairs, PairList(Dimensional("current", above=0), Dimensional("time", above=0), increasing=True, at_least=2)
]


class DeviceKeys(Keys):
    """[[device]]: by standard, type and rating; by the points of its fast and slow edge; or by one line with a tolerance."""

    name: Name
    circuit: Name | None = None
    standard: Name | None = None
    type: Name | None = None
    rating: PositiveCurrent | None = None
    magnetic: Annotated[Magnetic, DROPPABLE] | None = None
    fast: DevicePoints | None = None
    slow: DevicePoints | None = None
    fast_csv: Annotated[PointsFile, DROPPABLE] | None = None
    slow_csv: Annotated[PointsFile, DROPPABLE] | None = None
    line: DevicePoints | None = None
    line_csv: Annotated[PointsFile, DROPPABLE] | None = None
    current_tolerance: Tolerance | None = None
    time_tolerance: Tolerance | None = None
    start_state: Literal["cold", "hot"] | None = None
    ambient: Temperature | None = None
    breaking_capacity: PositiveCurrent | None = None
    let_through: Annotated[LetThroughKeys, DROPPABLE] | None = None
    opening_time: Annotated[Given, Dimensional("time", at_least=0, at_most=10)] | None = None
    source: Text | None = None


class RelayKeys(Keys):
    """[[relay]]: an inverse-time relay or electronic release and the breaker it trips."""

    name: Name
    circuit: Name | None = None
    pickup: PositiveCurrent
    curve: Literal[tuple(RELAY_CURVES)]
    setting: PositiveNumber | None = None
    time_at_six: Duration | None = None
    reset: Literal["instant", "curve", "memory"] | None = None
    reset_time: Duration | None = None
    threshold: Annotated[Given, Dimensional("number", at_least=1, at_most=1.3)] | None = None
    tolerance: Tolerance | None = None
    instantaneous: Annotated[Magnetic, DROPPABLE] | None = None
    opening_time: Annotated[Given, Dimensional("time", at_least=0, at_most=10)] | None = None
    breaking_capacity: PositiveCurrent | None = None
    source: Text | None = None


class TransformerKeys(Keys):
    """Inrush points by rule."""

    full_load: PositiveCurrent


class MotorKeys(Keys):
    """Starting points by rule."""

    full_load: PositiveCurrent
    start_time: Duration
    multiple: PositiveNumber | None = None


class LoadPointKeys(Keys):
    """[[load_point]]: what a load draws in ordinary service; exactly one of current with duration, transformer and motor."""

    name: Name
    circuit: Name | None = None
    current: PositiveCurrent | None = None
    duration: Duration | None = None
    transformer: Annotated[TransformerKeys, DROPPABLE] | None = None
    motor: Annotated[MotorKeys, DROPPABLE] | None = None
    source: Text | None = None


class ReclosingKeys(Keys):
    """[reclosing]: how what opened is closed again; exactly one of delay, delays and times."""

    circuit: Name | None = None
    delay: Duration | None = None
    attempts: Count | None = None
    delays: Annotated[list[Duration], Field(min_length=1)] | None = None
    times: Annotated[list[Time], Field(min_length=1)] | None = None
