"""What can be varied in a scenario to close the gap: for each quantity its values, from easy to hard, as changed scenarios."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from ampsoak.base.units import quantity
from ampsoak.scenario import changing
from ampsoak.scenario.case import DeviceChoice, Scenario
from ampsoak.study.closing import Candidate, Span

# IEC 60228 class 1 and 2 (from memory, high confidence); ASTM B258 numbers in use for building wire (common practice)
METRIC_SIZES = tuple(f"{size:g} mm2" for size in (35, 25, 16, 10, 6, 4, 2.5, 1.5, 1))
GAUGES = tuple(f"{size} AWG" for size in ("1/0", "1", "2", "3", "4", "6", "8", "10", "12", "14"))
AIR_REACH = 30.0  # [K] either way from the scenario's own air temperature
MOST_CABLES = 9
FIBRE_DENSITIES = (7.0, 100.0)  # [kg/m³] for which the law of fibre fills is meant (library/laws.py)
_CLEAR = 1e-3  # [m] of fill left over a cable at the least
_THINNEST = 0.1  # share of the present thickness of a bay's partial fill


@dataclass(frozen=True)
class Varied:
    """One quantity that can be varied.

    Parameters
    ----------
    name : str                                          key of ``QUANTITIES``
    words : str                                         what it is, in a sentence
    values : sequence of Candidate, Span or None        None: nothing is solved (ratings), or it does not apply
    present : str                                       the scenario's own value
    reason : str                                        why it does not apply, "" where it does
    """

    name: str
    words: str
    values: Sequence[Candidate] | Span | None = None
    present: str = ""
    reason: str = ""

    @property
    def applies(self) -> bool:
        """False where the scenario has no such quantity."""
        return not self.reason


def varied(name: str, case: Scenario, folder: str | Path, device: DeviceChoice) -> Varied:
    """What can be varied under one name of ``QUANTITIES``.

    Parameters
    ----------
    name : str
    case : Scenario            read from a file, with ``curve`` settings
    folder : str or Path       where files it names are sought
    device : DeviceChoice

    Raises
    ------
    KeyError      there is no such quantity
    UsageError    the case was not read from a text
    """
    return QUANTITIES[name](case, folder, device)


def _candidate(case: Scenario, folder, label: str, change: Callable, value: float, unit: str) -> Candidate:
    return Candidate(label, partial(changing.changed_scenario, case, folder, label, change), value, unit)


def _rating(case: Scenario, folder, device) -> Varied:
    words = "device rating"
    if not isinstance(device, DeviceChoice) or device.standard == "points":
        return Varied("rating", words, reason=f'device "{device.name}" belongs to no standard family of ratings')
    return Varied("rating", words, present=f"{device.rating:g} A")


def _loaded(case: Scenario) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the cables, and of all conductors, that the curve's circuit loads."""
    conductors = tuple(
        conductor.name
        for conductor in case.conductors
        if conductor.circuit == case.curve.circuit and conductor.current_factor > 0
    )
    written = [table["name"] for table in changing.keys_of(case).get("cable", [])]
    cables = tuple(name for name in written if any(_of_cable(conductor, name) for conductor in conductors))
    return cables, conductors


def _of_cable(conductor: str, cable: str) -> bool:
    head = conductor.rpartition(".")[0]
    return head == cable or (head.startswith(f"{cable}_") and head[len(cable) + 1 :].isdigit())


def _conductor_size(case: Scenario, folder, device) -> Varied:
    name, words = "conductor_size", "conductor size"
    keys = changing.keys_of(case)
    cables, conductors = _loaded(case)
    tables = [table for table in keys.get("cable", []) if table["name"] in cables]
    types = {table.get("type") for table in tables}
    if len(types) == 1 and None not in types:
        (type,) = types
        made = changing.same_make(type)
        if len(made) < 2:
            return Varied(name, words, reason=f'the library has no other size of cable "{type}"')
        labels = {entry: f"{entry}, {1e6 * area:.3g} mm²" for entry, area in made}
        values = [
            _candidate(
                case, folder, labels[entry], partial(changing.change_cable_type, names=cables, type=entry), 1e6 * area, "mm²"
            )
            for entry, area in reversed(made)
        ]
        present = next((label for entry, label in labels.items() if _same_cable(entry, type)), "")
        return Varied(name, words, values, present)
    drawn = [entry for entry in keys.get("drawing", {}).get("conductor", []) if entry["name"] in conductors]
    if len(types) > 1 or any("circle" not in entry for entry in drawn) or not (tables or drawn):
        return Varied(name, words, reason="sizes are varied in cables of one make and in conductors drawn as circles")
    cores = [core for table in tables for core in table["layers"]["core"]] + drawn
    sizes = [_written(core) for core in cores if _is_loaded(core, conductors)]
    series = GAUGES if any("AWG" in size.upper() for size in sizes) else METRIC_SIZES
    values = [
        _candidate(
            case, folder, size, partial(changing.change_sizes, names=cables, conductors=conductors, size=size),
            1e6 * quantity(size, "area"), "mm²",
        )
        for size in series
    ]  # fmt: skip
    return Varied(name, words, values, sizes[0] if len(set(sizes)) == 1 else "")


def _written(core: dict) -> str:
    size = core.get("size", core.get("area"))
    return size["value"] if isinstance(size, dict) else size


def _is_loaded(core: dict, conductors: Sequence[str]) -> bool:
    return any(name == core["name"] or name.endswith(f".{core['name']}") for name in conductors)


def _same_cable(entry: str, type: str) -> bool:
    from ampsoak.library.load import cable

    return cable(type).name == entry


def _fill_thickness(case: Scenario, folder, device) -> Varied:
    name, words = "fill_thickness", "fill thickness"
    kind, section = changing.section_of(changing.keys_of(case))
    key = {"ceiling": "fill_thickness", "stud_bay": "fill_depth"}.get(kind, "")
    if key not in section:
        return Varied(name, words, reason="the section has no fill of a given thickness")
    written = section[key]["value"] if isinstance(section[key], dict) else section[key]
    high = quantity(written, "length")
    low = _THINNEST * high
    if kind == "ceiling":
        covered = max(
            paint.shape.bounds[3]
            for paint in case.paints
            if case.parts[paint.part].role in ("conductor", "insulation", "jacket", "filler")
        )
        low = max(low, covered - (case.height - high) + _CLEAR)
    if low >= high:
        return Varied(name, words, reason="the fill is no thicker than the cable")

    def scenario(millimetres: float) -> Scenario:
        change = partial(changing.change_fill_thickness, thickness=1e-3 * millimetres)
        return changing.changed_scenario(case, folder, f"fill thickness {millimetres:g} mm", change)

    span = Span(1e3 * low, 1e3 * high, "mm", max(1.0, 0.02e3 * high), scenario)
    return Varied(name, words, span, f"{1e3 * high:g} mm")


def _fill_density(case: Scenario, folder, device) -> Varied:
    name, words = "fill_density", "fill density"
    kind, _ = changing.section_of(changing.keys_of(case))
    fill = next((part.material for part in case.parts if part.name == "fill"), None)
    if kind not in ("stud_bay", "ceiling") or fill is None or fill.conductivity.law != "fibre":
        return Varied(name, words, reason="the fill is not one whose conductivity follows from its density")
    parameters = fill.conductivity.parameters

    def scenario(density: float) -> Scenario:
        change = partial(changing.change_fill_density, density=density, parameters=parameters)
        return changing.changed_scenario(case, folder, f"fill density {density:g} kg/m3", change)

    return Varied(name, words, Span(*FIBRE_DENSITIES, "kg/m3", 2.0, scenario), f"{dict(parameters)['density']:g} kg/m3")


def _cables(case: Scenario, folder, device) -> Varied:
    name, words = "cables", "number of cables"
    tables = changing.keys_of(case).get("cable", [])
    loaded, _ = _loaded(case)
    if not loaded:
        return Varied(name, words, reason="the circuit loads no cable")
    counted = [table for table in tables if "count" in table]
    if len(tables) > 1:
        # the cable asked about stays; others go from the end of the list
        order = [table["name"] for table in tables if table["name"] in loaded]
        others = [table["name"] for table in tables if table["name"] not in loaded]
        order = [order[0], *order[1:], *others]
        values = [
            _candidate(
                case, folder, _count_words(number),
                partial(changing.change_cables, kept=tuple(order[:number]), counted="", count=0), float(number), "",
            )
            for number in range(1, len(order) + 1)
        ]  # fmt: skip
        return Varied(name, f"{words} in the list", values, _count_words(len(tables)))
    most = max(MOST_CABLES, counted[0]["count"] if counted else 1)
    change = partial(changing.change_cables, kept=(loaded[0],), counted=loaded[0])
    values = [
        _candidate(case, folder, _count_words(number), partial(change, count=number), float(number), "")
        for number in range(1, most + 1)
    ]
    return Varied(name, f"{words} side by side", values, _count_words(counted[0]["count"] if counted else 1))


def _count_words(number: int) -> str:
    return f"{number} cable{'' if number == 1 else 's'}"


def _air_temperature(case: Scenario, folder, device) -> Varied:
    name, words = "air_temperature", "air temperature"
    written = changing.keys_of(case).get("surroundings", {}).get("air_temperature")
    written = written["value"] if isinstance(written, dict) else written
    if not isinstance(written, str):
        return Varied(name, words, reason="the surroundings have no one air temperature")
    now = quantity(written, "temperature") - 273.15

    def scenario(celsius: float) -> Scenario:
        change = partial(changing.change_air, by=celsius - now)
        return changing.changed_scenario(case, folder, f"air temperature {celsius:g} °C, others by as much", change)

    span = Span(now - AIR_REACH, now + AIR_REACH, "°C", 1.0, scenario)
    return Varied(name, f"{words} (others moved by as much)", span, f"{now:.3g} °C")


def _load(case: Scenario, folder, device) -> Varied:
    name, words = "load", "load carried before"
    circuit = case.circuits[case.curve.circuit].name
    start = case.curve.start
    before = start.currents[case.curve.circuit] if start.kind == "soaked" else 0.0
    rating = device.rating if isinstance(device, DeviceChoice) and device.rating > 0 else case.curve.lowest

    def scenario(current: float) -> Scenario:
        change = partial(changing.change_load, circuit=circuit, current=current)
        return changing.changed_scenario(case, folder, f"soaked at {current:g} A in {circuit}", change)

    span = Span(0.0, float(f"{rating:.4g}"), "A", max(0.1, 0.02 * rating), scenario)
    return Varied(name, words, span, f"{before:g} A" if start.kind == "soaked" else "a cold start")


QUANTITIES: dict[str, Callable[..., Varied]] = {
    "rating": _rating,
    "conductor_size": _conductor_size,
    "fill_thickness": _fill_thickness,
    "fill_density": _fill_density,
    "cables": _cables,
    "air_temperature": _air_temperature,
    "load": _load,
}
