"""The library's door: materials, cables, devices and sources by name, read once from the data files.

Names are those of the data files ("nm_b_12_2", "IEC 60898-1"); each entry may have friendlier aliases
("NM-B 12/2"). Case, spaces and punctuation do not matter.
"""

from __future__ import annotations

import dataclasses
import math
import re
from functools import cache

from ampsoak.base.errors import Fault, ScenarioError, UsageError, nearest_name
from ampsoak.base.sources import Value
from ampsoak.library.cables import CableEntry
from ampsoak.library.cables_data import build_cables
from ampsoak.library.datafile import DataFile, Source, data_file_names, read_toml
from ampsoak.library.devices import DeviceFamily
from ampsoak.library.devices_data import build_devices
from ampsoak.library.materials import Material, Property
from ampsoak.library.materials_data import build_materials

KINDS = ("material", "cable", "device")
UNITS = {
    "conductivity": "W/(m K)",
    "density": "kg/m³",
    "specific_heat": "J/(kg K)",
    "heat": "J/kg",
    "pre_exponential": "1/s",
    "activation_energy": "J/mol",
    "emissivity": "1",
    "resistivity": "Ω m",
    "temperature_coefficient": "1/K",
    "conductor_diameter": "m",
    "metal_area": "m²",
    "resistance": "Ω/m",
    "thickness": "m",
    "core_spacing": "m",
    "overall_width": "m",
    "overall_height": "m",
    "jacket_thickness": "m",
    "continuous_limit": "K",
    "adiabatic_k": "A s½/m²",
    "reference_ambient": "K",
}


def material(name: str) -> Material:
    """Return the material called ``name`` or by an alias; KeyError with the nearest name if there is none."""
    return _find(name, "material", *_materials())


def cable(name: str) -> CableEntry:
    """Return the cable called ``name`` or by an alias; KeyError with the nearest name if there is none."""
    return _find(name, "cable", *_cables())


def device_family(standard: str) -> DeviceFamily:
    """Return the device family of ``standard`` or an alias; KeyError with the nearest name if there is none."""
    return _find(standard, "device standard", *_devices())


def material_names() -> list[str]:
    """Names of all materials, in file order."""
    return list(_materials()[0])


def cable_names() -> list[str]:
    """Names of all cables, in file order."""
    return list(_cables()[0])


def device_standards() -> dict[str, list[str]]:
    """Device standards and the types of each, in file order."""
    return {standard: list(family.types) for standard, family in _devices()[0].items()}


@cache
def sources() -> dict[str, Source]:
    """The bibliography by key."""
    faults = []
    found = {}
    for key, entry in read_toml("sources.toml").items():
        if set(entry) == {"cite", "title", "obtained"} and all(entry.values()):
            found[key] = Source(key, **entry)
        else:
            faults.append(Fault("sources.toml", None, key, str(sorted(entry)), "needs cite, title and obtained"))
    if faults:
        raise ScenarioError(faults)
    return found


def describe(kind: str, name: str) -> dict:
    """Return everything the library holds of one entry, ready for JSON.

    Parameters
    ----------
    kind : str     "material", "cable" or "device"
    name : str     name or alias (of the standard, for a device)

    Returns
    -------
    dict           field names to plain values in SI; a sourced value is a dict of low, typical, high, unit, source, grade
                   and held; infinite times are written "indefinitely"

    Raises
    ------
    UsageError     there is no such kind
    KeyError       there is no such entry
    """
    finders = {"material": material, "cable": cable, "device": device_family}
    if kind not in finders:
        raise UsageError(f'the library has no kind "{kind}"; kinds are {", ".join(KINDS)}')
    return _plain(finders[kind](name))


def normalised(name: str) -> str:
    """Return ``name`` in lower case with words of letters and digits joined by single underscores."""
    text = name.lower().replace("²", "2").replace("mm^2", "mm2")
    text = re.sub(r"(?<=\d)\s*(mm2|awg)", r"_\1", text)
    return re.sub(r"[^a-z0-9]+", "_", text).strip("_")


@cache
def _materials() -> tuple[dict, dict]:
    return _read("materials_", build_materials, "material")


@cache
def _cables() -> tuple[dict, dict]:
    known = _materials()[0]
    return _read("cables_", lambda data: build_cables(data, known), "cable")


@cache
def _devices() -> tuple[dict, dict]:
    return _read("devices_", build_devices, "family")


def _read(prefix: str, build, section: str) -> tuple[dict, dict]:
    """Entries by name, and names by normalised name or alias, of all files with ``prefix``."""
    entries: dict = {}
    names: dict[str, str] = {}
    for file in data_file_names(prefix):
        data = DataFile(file, read_toml(file), sources())
        for name, entry in build(data).items():
            entries[name] = entry
            for alias in (name, *data.raw[section][name].get("aliases", [])):
                if names.setdefault(normalised(alias), name) != name:
                    data.fault(f"{section}.{name}", alias, f"already stands for {names[normalised(alias)]}")
        data.finish()
    return entries, names


def _find(name: str, what: str, entries: dict, names: dict[str, str]):
    key = normalised(name)
    if key not in names:
        nearest = nearest_name(key, names)
        hint = f'; did you mean "{names[nearest]}"?' if nearest else ""
        raise KeyError(f'the library has no {what} "{name}"{hint}')
    return entries[names[key]]


def _plain(item, field: str = ""):
    """Dataclasses, tuples and numbers as JSON knows them; ``field`` tells the unit of a value."""
    if isinstance(item, Property):
        plain = {"value": _plain(item.value, field)}
        if not item.is_constant:
            plain["span"] = {"unit": "K", "values": _plain(item.span)}
            plain["course"] = _plain({word: getattr(item, f"course_{word}") for word in ("source", "grade", "held")})
            if item.law:
                plain["course"] |= {"law": item.law, "parameters": dict(item.parameters)}
            else:
                plain["course"] |= {"temperature": list(item.temperature), "values": list(item.table)}
        return plain
    if isinstance(item, Value):
        return {
            "low": item.low, "typical": item.typical, "high": item.high, "unit": UNITS[field],
            "source": item.source, "grade": item.grade, "held": item.held,
        }  # fmt: skip
    if dataclasses.is_dataclass(item):
        return {entry.name: _plain(getattr(item, entry.name), entry.name) for entry in dataclasses.fields(item)}
    if isinstance(item, dict):
        return {key: _plain(value, key) for key, value in item.items()}
    if field == "insulation_layers":
        return [{"material": name, "thickness": _plain(value, "thickness")} for name, value in item]
    if field == "limits":
        return [{"name": name, "temperature": kelvin, "unit": "K", "source": source} for name, kelvin, source in item]
    if isinstance(item, tuple):
        return [_plain(value, field) for value in item]
    if isinstance(item, float) and not math.isfinite(item):
        return "indefinitely"
    return item
