"""Cables of the data files, built into :class:`~ampsoak.library.cables.CableEntry`.

A file names conductors, insulations and ratings once (``[conductor.NAME]``, ``[insulation.NAME]``, ``[rating.NAME]``)
and cables refer to them.
"""

from __future__ import annotations

from collections.abc import Container

from ampsoak.library.cables import FORMS, CableEntry, CoreEntry
from ampsoak.library.datafile import DataFile

CONDUCTOR_KEYS = ("metal", "diameter", "area", "resistance", "temperature_coefficient")
REQUIRED = ("description", "form", "cores", "overall_width", "overall_height", "rating", "basis")
JACKET_KEYS = ("core_spacing", "jacket_thickness", "jacket_material", "filler_material")


def build_cables(data: DataFile, materials: Container[str]) -> dict[str, CableEntry]:
    """Return the cables of one file by name; every material they name must be in ``materials``."""
    conductors = {
        name: _conductor(data, table, name, materials) for name, table in data.raw.get("conductor", {}).items()
    }
    insulations = {
        name: _insulation(data, layers, name, materials) for name, layers in data.raw.get("insulation", {}).items()
    }
    ratings = {name: _rating(data, table, name) for name, table in data.raw.get("rating", {}).items()}
    built = {}
    for name, table in data.raw.get("cable", {}).items():
        key = f"cable.{name}"
        if not data.keys(table, key, REQUIRED, ("aliases", *JACKET_KEYS)):
            continue
        form = data.choice(table, "form", key, FORMS)
        jacketed = form != "single"
        if jacketed and not all(word in table for word in JACKET_KEYS):
            data.fault(key, form, f"a jacketed cable needs {', '.join(JACKET_KEYS)}")
            continue
        if data.choice(table, "rating", key, ratings) not in ratings:
            continue
        for word in ("jacket_material", "filler_material"):
            if jacketed:
                _known(data, table[word], f"{key}.{word}", materials)
        built[name] = CableEntry(
            name=name,
            description=table["description"],
            form=form,
            cores=tuple(
                _core(data, core, f"{key}.cores[{index}]", conductors, insulations)
                for index, core in enumerate(table["cores"])
            ),
            core_spacing=data.optional_value(table, "core_spacing", key, "mm"),
            overall_width=data.value(table, "overall_width", key, "mm"),
            overall_height=data.value(table, "overall_height", key, "mm"),
            jacket_thickness=data.optional_value(table, "jacket_thickness", key, "mm"),
            jacket_material=table.get("jacket_material", ""),
            filler_material=table.get("filler_material", ""),
            source=data.provenance(table, key).source,
            **ratings[table["rating"]],
        )
    return built


def _known(data: DataFile, material: str, key: str, materials: Container[str]) -> str:
    if material not in materials:
        data.fault(key, material, "is not a material of the library", materials)
    return material


def _conductor(data: DataFile, table: dict, name: str, materials: Container[str]) -> dict:
    key = f"conductor.{name}"
    data.keys(table, key, CONDUCTOR_KEYS)
    return {
        "metal": _known(data, table.get("metal", ""), f"{key}.metal", materials),
        "conductor_diameter": data.value(table, "diameter", key, "mm"),
        "metal_area": data.value(table, "area", key, "mm2"),
        "resistance": data.value(table, "resistance", key, "ohm_per_km"),
        "temperature_coefficient": data.value(table, "temperature_coefficient", key),
    }


def _insulation(data: DataFile, layers: list, name: str, materials: Container[str]) -> tuple:
    built = []
    for index, layer in enumerate(layers):
        key = f"insulation.{name}[{index}]"
        data.keys(layer, key, ("material", "thickness"))
        material = _known(data, layer.get("material", ""), f"{key}.material", materials)
        built.append((material, data.value(layer, "thickness", key, "mm")))
    return tuple(built)


def _rating(data: DataFile, table: dict, name: str) -> dict:
    key = f"rating.{name}"
    data.keys(table, key, ("continuous_limit", "limits", "adiabatic_k"))
    limits = []
    for index, limit in enumerate(table.get("limits", [])):
        place = f"{key}.limits[{index}]"
        if data.keys(limit, place, ("name", "celsius", "basis")):
            limits.append((limit["name"], limit["celsius"] + 273.15, data.provenance(limit, place).source))
    return {
        "continuous_limit": data.value(table, "continuous_limit", key, "celsius"),
        "limits": tuple(limits),
        "adiabatic_k": data.optional_value(table, "adiabatic_k", key, "ampere_root_second_per_mm2"),
    }


def _core(data: DataFile, core: dict, key: str, conductors: dict, insulations: dict) -> CoreEntry | None:
    if not data.keys(core, key, ("name", "conductor", "loaded"), ("insulation",)):
        return None
    insulation = data.choice(core, "insulation", key, insulations) if "insulation" in core else ""
    if data.choice(core, "conductor", key, conductors) not in conductors:
        return None
    return CoreEntry(
        name=core["name"],
        insulated=bool(insulation),
        insulation_layers=insulations.get(insulation, ()),
        loaded=core["loaded"],
        **conductors[core["conductor"]],
    )
