"""A scenario with one thing changed: the parsed keys are changed, written as TOML again, and read like any other file.

So a changed case is checked, takes its defaults and carries its provenance exactly as if a person had written it, and the
text that is stored with its results is the text it was solved from. Comments of the original are not kept.
"""

from __future__ import annotations

import copy
import json
import math
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

from ampsoak.base.errors import UsageError
from ampsoak.base.units import quantity
from ampsoak.library import load as library
from ampsoak.scenario.case import Scenario
from ampsoak.scenario.load import load_scenario_text
from ampsoak.scenario.model import SECTIONS

Keys = dict
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_TEMPERATURES = ("air_temperature", "radiant_temperature", "surface_temperature")


def keys_of(case: Scenario) -> Keys:
    """The parsed keys of the file a case was read from.

    Raises
    ------
    UsageError    the case was not read from a text
    """
    if not case.source_text:
        raise UsageError("the case was not read from a scenario file, so no changed one can be made from it")
    return tomllib.loads(case.source_text.removeprefix("\ufeff"))


def changed_scenario(case: Scenario, folder: str | Path, words: str, change: Callable[[Keys], None]) -> Scenario:
    """Return the case with ``change`` made to its keys.

    Parameters
    ----------
    case : Scenario
    folder : str or Path    where files named in the scenario are sought
    words : str             what was changed, kept on the first line of the new text
    change : callable       changes the parsed keys it is given in place

    Raises
    ------
    UsageError       the case was not read from a text
    ScenarioError    the changed scenario is not valid
    """
    keys = copy.deepcopy(keys_of(case))
    # what is only looked at has no part in what is solved, and may name a part that the change takes away
    keys.pop("probe", None)
    change(keys)
    one_line = " ".join(words.split())
    text = f"# {case.source_file or 'scenario'}, changed: {one_line}\n{toml_text(keys)}"
    return load_scenario_text(text, case.source_file or "scenario.toml", folder)


def toml_text(keys: Keys) -> str:
    """Parsed TOML as text again: plain keys first, then one table per key, everything below written inline."""
    lines = [f"{_key(key)} = {_inline(value)}" for key, value in keys.items() if not _tabular(value)]
    for key, value in keys.items():
        if _tabular(value):
            double = isinstance(value, list)
            for table in value if double else [value]:
                lines += ["", f"[[{_key(key)}]]" if double else f"[{_key(key)}]"]
                lines += [f"{_key(name)} = {_inline(entry)}" for name, entry in table.items()]
    return "\n".join(lines) + "\n"


def _tabular(value) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(entry, dict) for entry in value)
    )


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else json.dumps(key)


def _inline(value) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_inline(entry)}" for key, entry in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_inline, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # a basic TOML string escapes like JSON does, and DEL besides
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value) if isinstance(value, int | float) else value.isoformat()


def section_of(keys: Keys) -> tuple[str, Keys]:
    """Name and table of the section."""
    name = next(name for name in SECTIONS if name in keys)
    return name, keys[name]


def change_air(keys: Keys, by: float) -> None:
    """Shift every given temperature of surroundings, and of cold starts, by ``by`` [K]."""
    tables = [keys.get("surroundings", {}), *keys.get("boundary", [])]
    for table in tables:
        for name in _TEMPERATURES:
            if name in table:
                table[name] = _shifted(table[name], by)
    drawing = keys.get("drawing", {})
    airs = [drawing.get("background_air"), *(part.get("air") for part in drawing.get("part", []))]
    for air in airs:
        if air and "temperature" in air:
            air["temperature"] = _shifted(air["temperature"], by)
    for table, name in ((keys.get("start", {}), "temperature"), (keys.get("curve", {}), "start_temperature")):
        if name in table:
            table[name] = _shifted(table[name], by)


def _shifted(written, by: float):
    """A temperature, a list of pairs in time, or a table round either, ``by`` [K] higher."""
    if isinstance(written, list):
        return [[time, _shifted(value, by)] for time, value in written]
    if isinstance(written, dict):
        # its range and source belong to the value as it was
        return {"value": _shifted(written["value"], by), "source": f"moved by {by:+.4g} K to see what that does"}
    return f"{quantity(written, 'temperature') + by - 273.15:.6f} degC"


def change_load(keys: Keys, circuit: str, current: float) -> None:
    """Let the limit curve start soaked with ``circuit`` at ``current`` [A]; other circuits as they were."""
    curve, start = keys["curve"], keys.get("start", {})
    own = "start_temperature" in curve or "soaked_at" in curve
    before = curve.get("soaked_at", {}) if own else start.get("soaked_at", {})
    if not own and "temperature" in start:
        curve["start_temperature"] = start["temperature"]
    curve["soaked_at"] = dict(before) | {circuit: f"{current:.6g} A"}


def change_fill_thickness(keys: Keys, thickness: float) -> None:
    """Let the fill be ``thickness`` [m] thick, in a ceiling or a bay that is filled in part."""
    name, section = section_of(keys)
    section["fill_thickness" if name == "ceiling" else "fill_depth"] = f"{1e3 * thickness:.6g} mm"


def change_fill_density(keys: Keys, density: float, parameters: tuple[tuple[str, float], ...]) -> None:
    """Let the fill, whose conductivity follows the fibre law, have ``density`` [kg/m³] and the law's other parameters."""
    _, section = section_of(keys)
    units = {"solid": "W.m2/kg/K", "radiation": "W.kg/m4/K"}
    law = {"law": "fibre", "density": f"{density:.6g} kg/m3"}
    law |= {key: f"{value:.9g} {units[key]}" for key, value in parameters if key in units}
    name = f"{section['fill']} at {density:.4g} kg/m3"
    entry = {"name": name, "based_on": section["fill"], "conductivity": law, "density": f"{density:.6g} kg/m3"}
    keys.setdefault("material", []).append(entry)
    section["fill"] = name


def change_cable_type(keys: Keys, names: tuple[str, ...], type: str) -> None:
    """Let the cables called ``names`` be of the library's ``type``."""
    for table in keys.get("cable", []):
        if table["name"] in names:
            table["type"] = type


def change_sizes(keys: Keys, names: tuple[str, ...], conductors: tuple[str, ...], size: str) -> None:
    """Let the loaded conductors of cables of the scenario, and of those drawn as circles, have ``size`` ("2.5 mm2").

    Diameters grow with the root of the area (the same share of metal), given resistances fall with it; sizes of the whole
    cable are left to follow from its layers.
    """
    for table in keys.get("cable", []):
        layers = table.get("layers")
        if table["name"] not in names or layers is None:
            continue
        for core in layers["core"]:
            if any(name.endswith(f".{core['name']}") for name in conductors):
                by = _resize(core, size)
                if "diameter" in core:
                    core["diameter"] = _scaled(core["diameter"], by)
        for key in ("overall_width", "overall_height", "core_spacing"):
            layers.pop(key, None)
    for conductor in keys.get("drawing", {}).get("conductor", []):
        if conductor["name"] in conductors:
            circle, by = conductor["circle"], _resize(conductor, size)
            key = "diameter" if "diameter" in circle else "radius"
            circle[key] = _scaled(circle[key], by)


def _resize(table: Keys, size: str) -> float:
    """Change size (or area and resistance) of one conductor; returns how much larger its diameter becomes."""
    key = "size" if "size" in table else "area"
    old, new = quantity(_plain(table[key]), "area"), quantity(size, "area")
    table[key] = size
    if "resistance" in table:
        resistance = quantity(_plain(table["resistance"]), "resistance_per_length") * old / new
        table["resistance"] = f"{resistance:.9g} ohm/m"
    return math.sqrt(new / old)


def _scaled(written, by: float) -> str:
    return f"{1e3 * quantity(_plain(written), 'wire_diameter') * by:.6g} mm"


def _plain(written):
    return written["value"] if isinstance(written, dict) else written


def change_cables(keys: Keys, kept: tuple[str, ...], counted: str, count: int) -> None:
    """Leave the cables called ``kept`` only; give the one called ``counted`` the key ``count`` (nothing where "")."""
    gone = [table["name"] for table in keys.get("cable", []) if table["name"] not in kept]
    if gone:
        keys["cable"] = [table for table in keys["cable"] if table["name"] in kept]
        _forget_parts(keys, gone)
    for table in keys.get("cable", []):
        if counted and table["name"] == counted:
            table["count"] = count
            _forget_parts(keys, [f"{counted}_{number}" for number in range(count + 1, 61)])


def _forget_parts(keys: Keys, cables: list[str]) -> None:
    """Leave parts of ``cables`` out of limits and changes of parts; a limit of nothing else goes."""
    def gone(part) -> bool:
        return isinstance(part, str) and part.rpartition(".")[0] != "" and part.split(".")[0] in cables

    for limit in keys.get("limit", []):
        if "parts" in limit:
            limit["parts"] = [part for part in limit["parts"] if not gone(part)]
    if "limit" in keys:
        keys["limit"] = [limit for limit in keys["limit"] if limit.get("parts") != []]
    if "part" in keys:
        keys["part"] = [part for part in keys["part"] if not gone(part.get("name"))]


def same_make(type: str) -> list[tuple[str, float]]:
    """Cables of the library made like ``type`` in other sizes, with the metal area of a loaded core [m²], smallest first."""
    entry = library.cable(type)
    found = []
    for name in library.cable_names():
        other = library.cable(name)
        if _make(name) == _make(entry.name) and other.form == entry.form and len(other.cores) == len(entry.cores):
            found.append((name, max(core.metal_area.typical for core in other.cores if core.loaded)))
    return sorted(found, key=lambda pair: pair[1])


def _make(name: str) -> str:
    return re.sub(r"(_\d+)+$", "", name)
