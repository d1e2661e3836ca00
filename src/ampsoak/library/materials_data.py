"""Materials of the data files, built into :class:`~ampsoak.library.materials.Material`."""

from __future__ import annotations

from ampsoak.library.datafile import NO_VALUE, DataFile
from ampsoak.library.materials import FAMILIES, PROPERTY_LAWS, Latent, Material, Property, Reaction

REQUIRED = ("family", "description", "conductivity", "density", "specific_heat")
OPTIONAL = ("aliases", "latent", "emissivity", "resistivity", "temperature_coefficient", "reaction")
COURSES = ("absolute", "relative", "law")


def build_materials(data: DataFile) -> dict[str, Material]:
    """Return the materials of one file by name; faults stay in ``data``."""
    built = {}
    for name, table in data.raw.get("material", {}).items():
        key = f"material.{name}"
        if not data.keys(table, key, REQUIRED, OPTIONAL):
            continue
        built[name] = Material(
            name=name,
            family=data.choice(table, "family", key, FAMILIES),
            description=table["description"],
            conductivity=_property(data, table, "conductivity", key),
            density=data.value(table, "density", key),
            specific_heat=_property(data, table, "specific_heat", key),
            latent=tuple(
                _latent(data, entry, f"{key}.latent[{index}]") for index, entry in enumerate(table.get("latent", []))
            ),
            emissivity=data.optional_value(table, "emissivity", key),
            resistivity=data.optional_value(table, "resistivity", key),
            temperature_coefficient=data.optional_value(table, "temperature_coefficient", key),
            reactions=tuple(
                _reaction(data, entry, f"{key}.reaction[{index}]") for index, entry in enumerate(table.get("reaction", []))
            ),
        )
    return built


def _property(data: DataFile, table: dict, name: str, key: str) -> Property:
    value = data.value(table, name, key, extra=("course",))
    key = f"{key}.{name}.course"
    course = table[name].get("course") if isinstance(table[name], dict) else None
    if course is None or value is NO_VALUE:
        return Property(value)
    given = [kind for kind in COURSES if kind in course]
    if len(given) != 1 or not data.keys(course, key, ("basis",), (*COURSES, "celsius", "parameters")):
        data.fault(key, sorted(course), f"must hold a basis and one of {', '.join(COURSES)}")
        return Property(value)
    basis = data.provenance(course, key)
    origin = {"course_source": basis.source, "course_grade": basis.grade, "course_held": basis.held}
    if given == ["law"]:
        law = data.choice(course, "law", key, PROPERTY_LAWS)
        return Property(value, law=law, parameters=tuple(course.get("parameters", {}).items()), **origin)
    celsius = data.increasing(course.get("celsius"), f"{key}.celsius")
    numbers = course[given[0]]
    if not isinstance(numbers, list) or len(numbers) != len(celsius) or not all(number > 0 for number in numbers):
        data.fault(f"{key}.{given[0]}", numbers, f"must be {len(celsius)} positive numbers, one per temperature")
        return Property(value)
    scale = value.typical if given == ["relative"] else 1.0
    return Property(
        value, tuple(point + 273.15 for point in celsius), tuple(scale * number for number in numbers), **origin
    )


def _latent(data: DataFile, entry: dict, key: str) -> Latent:
    if not data.keys(entry, key, ("celsius", "heat")):
        return Latent(0.0, 1.0, NO_VALUE)
    span = data.increasing(entry["celsius"], f"{key}.celsius")
    if len(span) != 2:
        data.fault(f"{key}.celsius", entry["celsius"], "must be [start, stop]")
        return Latent(0.0, 1.0, NO_VALUE)
    return Latent(span[0] + 273.15, span[1] + 273.15, data.value(entry, "heat", key))


def _reaction(data: DataFile, entry: dict, key: str) -> Reaction:
    nothing = Reaction("", NO_VALUE, NO_VALUE, NO_VALUE, 1.0, 0.0, 1.0)
    if not data.keys(entry, key, ("name", "heat", "pre_exponential", "activation_energy", "order", "celsius")):
        return nothing
    span = data.increasing(entry["celsius"], f"{key}.celsius")
    if len(span) != 2:
        data.fault(f"{key}.celsius", entry["celsius"], "must be [valid from, valid to]")
        return nothing
    values = (data.value(entry, name, key) for name in ("heat", "pre_exponential", "activation_energy"))
    return Reaction(entry["name"], *values, float(entry["order"]), span[0] + 273.15, span[1] + 273.15)
