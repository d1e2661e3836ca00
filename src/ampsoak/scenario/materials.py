"""Materials of a scenario: its own, those of the library, and its own based on those of the library."""

from __future__ import annotations

from dataclasses import replace

from ampsoak.base.errors import nearest_name
from ampsoak.base.sources import Value
from ampsoak.library import load as library
from ampsoak.library.materials import Latent, Material, Property, Reaction, constant_material
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path
from ampsoak.scenario.model_case import MaterialKeys
from ampsoak.scenario.quantities import BY_USER, Given

UNKNOWN = constant_material("unknown", 1.0, 1.0, 1.0)
PLAIN_DENSITY = 1000.0


class MaterialShelf:
    """Finds materials by name and remembers which were asked for.

    Parameters
    ----------
    entries : list of MaterialKeys or None    the scenario's own, None where one had faults
    findings : Findings
    """

    def __init__(self, entries: list[MaterialKeys | None], findings: Findings):
        self.findings = findings
        self.used: dict[str, Material] = {}
        self.own = {entry.name: (index, entry) for index, entry in enumerate(entries) if entry is not None}
        self.broken = findings.names(("material",)) - set(self.own)
        self._built: dict[str, Material] = {}
        self._resolving: list[str] = []
        for name in sorted(set(self.own) & set(library.material_names())):
            findings.assume(f'material "{name}" is the scenario\'s own; the entry of the library is not used')
        for name in self.own:
            self._own(name)

    def find(self, name: str, path: Path) -> Material:
        """Return the material called ``name``; a fault at ``path`` and a stand-in when there is none."""
        if name in self.broken:
            return UNKNOWN
        if name in self.own:
            found = self._own(name)
        else:
            try:
                found = library.material(name)
            except KeyError:
                known = [*self.own, *library.material_names()]
                self.findings.fault(path, "no such material", nearest_name(name, known))
                return UNKNOWN
        self.used.setdefault(found.name, found)
        return found

    def _own(self, name: str) -> Material:
        if name in self._built:
            return self._built[name]
        index, keys = self.own[name]
        path: Path = ("material", index)
        if name in self._resolving:
            self.findings.fault((*path, "based_on"), "materials are based on each other in a circle")
            return UNKNOWN
        self._resolving.append(name)
        base = None if keys.based_on is None else self._base(keys.based_on, (*path, "based_on"))
        self._resolving.pop()
        self._built[name] = self._build(keys, base, path)
        return self._built[name]

    def _base(self, name: str, path: Path) -> Material:
        """Like :meth:`find`, without counting the material as used."""
        before = dict(self.used)
        found = self.find(name, path)
        self.used = before
        return found

    def _build(self, keys: MaterialKeys, base: Material | None, path: Path) -> Material:
        for key in ("conductivity", "density", "specific_heat"):
            given = getattr(keys, key) is not None
            if key != "conductivity" and keys.volumetric_heat_capacity is not None:
                if key == "specific_heat" and given:
                    self.findings.fault((*path, key), "give specific_heat or volumetric_heat_capacity, not both")
                continue
            if base is None and not given:
                what = key + (" (or volumetric_heat_capacity)" if key == "specific_heat" else "")
                self.findings.missing((*path, key), f"a material needs {what}, or based_on another material")
        density = self._density(keys, base, path)
        kept = base or UNKNOWN
        conductivity = _property(keys.conductivity, kept.conductivity)
        if base is not None and base.conductivity.law == "fibre" and keys.density and not keys.conductivity:
            self.findings.assume(
                f'material "{keys.name}" has its own density but keeps the conductivity of "{base.name}"'
            )
        if keys.volumetric_heat_capacity is not None:
            specific_heat = _over(_property(keys.volumetric_heat_capacity, kept.specific_heat), density.typical)
        else:
            specific_heat = _property(keys.specific_heat, kept.specific_heat)
        return replace(
            kept,
            name=keys.name,
            family=keys.family or kept.family,
            description=keys.name if keys.description is None else keys.description,
            conductivity=conductivity,
            density=density,
            specific_heat=specific_heat,
            latent=self._latent(keys, kept, path),
            reactions=self._reactions(keys, kept, path),
            emissivity=_value(keys.emissivity, kept.emissivity),
            resistivity=_value(keys.resistivity, kept.resistivity),
            temperature_coefficient=_value(keys.temperature_coefficient, kept.temperature_coefficient),
        )

    def _density(self, keys: MaterialKeys, base: Material | None, path: Path) -> Value:
        if keys.density is not None:
            return keys.density.as_value()
        if base is not None:
            return base.density
        if keys.volumetric_heat_capacity is None:
            return UNKNOWN.density
        reason = "only its product with the specific heat matters, and that is given"
        return Value.exact(self.findings.take(None, (*path, "density"), "density", PLAIN_DENSITY, reason))

    def _latent(self, keys: MaterialKeys, kept: Material, path: Path) -> tuple[Latent, ...]:
        if keys.latent is None:
            return kept.latent
        for index, entry in enumerate(keys.latent):
            if entry is not None and entry.stop.value <= entry.start.value:
                self.findings.fault((*path, "latent", index, "stop"), "must be above the start temperature")
        return tuple(
            Latent(entry.start.value, entry.stop.value, entry.heat.as_value())
            for entry in keys.latent
            if entry is not None
        )


    def _reactions(self, keys: MaterialKeys, kept: Material, path: Path) -> tuple[Reaction, ...]:
        if keys.reaction is None:
            return kept.reactions
        found = []
        for index, entry in enumerate(keys.reaction):
            if entry is None:
                continue
            where = (*path, "reaction", index)
            if entry.valid_to.value <= entry.valid_from.value:
                self.findings.fault((*where, "valid_to"), "must be above valid_from")
            order = self.findings.take(entry.order, (*where, "order"), "number", 1.0, "first order")
            values = (given.as_value() for given in (entry.heat, entry.pre_exponential, entry.activation_energy))
            found.append(Reaction(entry.name, *values, order, entry.valid_from.value, entry.valid_to.value))
        return tuple(found)


def _value(given: Given | None, kept: Value | None) -> Value | None:
    return kept if given is None else given.as_value()


def _property(given: Given | None, kept: Property) -> Property:
    if given is None:
        return kept
    course = {"course_source": given.source or BY_USER, "course_grade": "estimate", "course_held": "user"}
    if given.law:
        return Property(given.as_value(), law=given.law, parameters=given.parameters, **course)
    if given.table is not None:
        return Property(given.as_value(), given.table.first, given.table.second, **course)
    return Property(given.as_value())


def _over(property: Property, divisor: float) -> Property:
    """The property divided by a constant; laws do not come here."""
    value = property.value
    return replace(
        property,
        value=replace(value, typical=value.typical / divisor, low=value.low / divisor, high=value.high / divisor),
        table=tuple(entry / divisor for entry in property.table),
    )


def material_record(material: Material) -> dict:
    """Return a JSON-ready record of a material with units and sources."""
    record: dict = {"family": material.family, "description": material.description}
    for key, unit in (("conductivity", "W m-1 K-1"), ("specific_heat", "J kg-1 K-1")):
        property = getattr(material, key)
        record[key] = value_record(property.value, unit)
        if property.table:
            record[key]["table"] = [list(property.temperature), list(property.table)]
        if property.law:
            record[key] |= {"law": property.law, "parameters": dict(property.parameters)}
        if property.course_source:
            record[key]["course_source"] = property.course_source
    record["density"] = value_record(material.density, "kg m-3")
    record["latent"] = [
        {"start": latent.start, "stop": latent.stop, "heat": value_record(latent.heat, "J kg-1")}
        for latent in material.latent
    ]
    record["reactions"] = [
        {
            "name": reaction.name,
            "heat": value_record(reaction.heat, "J kg-1"),
            "pre_exponential": value_record(reaction.pre_exponential, "s-1"),
            "activation_energy": value_record(reaction.activation_energy, "J mol-1"),
            "order": reaction.order,
            "valid": {"value": [reaction.valid_from, reaction.valid_to], "unit": "K"},
        }
        for reaction in material.reactions
    ]
    for key, unit in (("emissivity", "1"), ("resistivity", "ohm m"), ("temperature_coefficient", "K-1")):
        if getattr(material, key) is not None:
            record[key] = value_record(getattr(material, key), unit)
    return record


def value_record(value: Value, unit: str) -> dict:
    """Return a JSON-ready record of a value."""
    return {
        "value": value.typical,
        "low": value.low,
        "high": value.high,
        "unit": unit,
        "source": value.source,
        "grade": value.grade,
        "held": value.held,
    }
