"""Field types of the scenario models: values with a unit, tables of such values, and what the user said about them.

A dimensional key accepts text with a unit; or a table ``{ value = "..", low = "..", high = "..", source = "..",
evidence = ".." }``; and, where the field says so, a list of pairs (a table in time or in temperature) or a property
law. Everything arrives as :class:`Given` in SI. A value found faulty is read again as ``BAD`` and becomes nan, so that
the checks that follow can run on the rest: a comparison with nan is false, hence silent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from pydantic import WrapValidator
from pydantic_core import core_schema

from ampsoak.base.errors import nearest_name
from ampsoak.base.sources import Value
from ampsoak.base.units import DIMENSIONS, QuantityError, describe, quantity
from ampsoak.library.materials import PROPERTY_LAWS

BAD = object()
BY_USER = "given by the user"
REMARKS = ("source", "evidence")
REFERENCE_TEMPERATURE = 297.15  # 24 °C, at which handbooks state properties of building materials


@dataclass(frozen=True)
class LawKeys:
    """What a property law of the library is written with: parameter dimensions (None: that of the property itself)."""

    fields: tuple[str, ...]
    parameters: dict[str, str | None]
    required: tuple[str, ...]


LAWS = {
    "fibre": LawKeys(
        ("conductivity",), {"density": "density", "solid": "fibre_solid", "radiation": "fibre_radiation"}, ("density",)
    ),
    "air": LawKeys(("conductivity",), {}, ()),
    "cavity": LawKeys(
        ("conductivity",),
        {
            "depth": "length",
            "width": "length",
            "difference": "temperature_difference",
            "emissivity": "number",
            "far_emissivity": "number",
        },
        ("depth",),
    ),
    "wood_conductivity": LawKeys(
        ("conductivity",), {"specific_gravity": "number", "moisture": "number"}, ("specific_gravity", "moisture")
    ),
    "wood_specific_heat": LawKeys(("specific_heat",), {"moisture": "number"}, ("moisture",)),
    "linear": LawKeys(
        ("conductivity", "specific_heat"),
        {
            "value": None,
            "slope": "per_kelvin",
            "reference": "temperature",
            "ceiling": "temperature",
            "floor": "temperature",
        },
        ("value", "slope"),
    ),
}
POSITIVE = ("density", "value", "specific_gravity", "depth", "width", "difference")
SHARES = ("emissivity", "far_emissivity")


class QuantityFaults(ValueError):
    """Faults of one dimensional field: ``items`` holds (path below the field, message, nearest name or None)."""

    def __init__(self, items):
        self.items = tuple(items)
        super().__init__("; ".join(message for _, message, _ in self.items))


@dataclass(frozen=True)
class Pairs:
    """A list of pairs of values: ``first`` and ``second`` in SI, equally long; ``ok`` is False when it had faults."""

    first: tuple[float, ...]
    second: tuple[float, ...]
    ok: bool = True


@dataclass(frozen=True)
class Given:
    """A value the user gave.

    Parameters
    ----------
    value : float                  [SI]; the first of a table, a law at 24 °C, nan when it was faulty
    dimension : str                key of ``ampsoak.base.units.DIMENSIONS``
    written : str                  as written in the file
    low, high : float or None      [SI]
    source, evidence : str         as written, "" if not given
    table : Pairs or None          abscissa (time [s] or temperature [K]) and values [SI]
    law : str                      key of ``PROPERTY_LAWS``, "" if none
    parameters : tuple             ((name, SI value), ...) of the law
    """

    value: float
    dimension: str
    written: str = ""
    low: float | None = None
    high: float | None = None
    source: str = ""
    evidence: str = ""
    table: Pairs | None = None
    law: str = ""
    parameters: tuple[tuple[str, float], ...] = ()

    @property
    def ok(self) -> bool:
        """False when a fault was found in it."""
        return not math.isnan(self.value)

    def as_value(self) -> Value:
        """Return the value with its range and source."""
        low = self.value if self.low is None else self.low
        high = self.value if self.high is None else self.high
        return Value(self.value, low, high, source=self.source or BY_USER)

    def record(self) -> dict:
        """Return the JSON-ready entry of the resolved scenario."""
        found: dict = {"value": self.value, "unit": DIMENSIONS[self.dimension].si}
        if self.written:
            found["written"] = self.written
        if self.low is not None or self.high is not None:
            found |= {"low": self.as_value().low, "high": self.as_value().high}
        if self.table is not None:
            found["table"] = [list(self.table.first), list(self.table.second)]
        if self.law:
            found |= {"law": self.law, "parameters": dict(self.parameters)}
        found["source"] = self.source or BY_USER
        if self.evidence:
            found["evidence"] = self.evidence
        return found


@dataclass(frozen=True)
class Dimensional:
    """Annotation of a field that holds one value with a unit.

    Parameters
    ----------
    dimension : str                          key of ``DIMENSIONS``
    above, at_least, at_most : float/None    bounds [SI]
    table : str or None                      "time" or "temperature" where a list of pairs is allowed
    laws : bool                              whether ``{ law = "..", .. }`` is allowed
    """

    dimension: str
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    table: str | None = None
    laws: bool = False

    def __get_pydantic_core_schema__(self, source, handler):
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema, handler):
        return {"x-quantity": [self.dimension, self.table or "", self.laws]}

    def read(self, raw) -> Given:
        """Return ``raw`` as :class:`Given`, or raise :class:`QuantityFaults` with everything wrong in it."""
        if raw is BAD:
            return Given(math.nan, self.dimension)
        if isinstance(raw, dict):
            return self._from_law(raw) if self.laws and "law" in raw else self._from_table(raw)
        if isinstance(raw, list) and self.table:
            return self._from_pairs(raw)
        return Given(self._number(raw, ()), self.dimension, written=str(raw))

    def _number(self, raw, path) -> float:
        try:
            value = quantity(raw, self.dimension)
        except QuantityError as error:
            raise QuantityFaults([(path, error.message, error.nearest)]) from None
        for bad, bound, words in (
            (self.above is not None and not value > self.above, self.above, "greater than"),
            (self.at_least is not None and not value >= self.at_least, self.at_least, "at least"),
            (self.at_most is not None and not value <= self.at_most, self.at_most, "at most"),
        ):
            if bad:
                raise QuantityFaults([(path, f"must be {words} {describe(bound, self.dimension)}", None)])
        return value

    def _from_pairs(self, raw) -> Given:
        pairs = PairList(self.table, self, increasing=True, at_least=2 if self.table == "temperature" else 1).read(raw)
        value = pairs.second[0]
        if self.table == "temperature":
            value = _between(pairs, REFERENCE_TEMPERATURE)
        return Given(value, self.dimension, table=pairs)

    def _from_table(self, raw) -> Given:
        faults, found = [], None
        known = ("value", "low", "high", *REMARKS)
        for key in raw:
            if key not in known:
                faults.append(((key,), "unknown key; allowed: " + ", ".join(known), nearest_name(key, known)))
        if "value" not in raw:
            faults.append((("value",), f"is missing; {DIMENSIONS[self.dimension].words} is expected", None))
        more: dict = {}
        for key in ("value", "low", "high"):
            if key in raw:
                try:
                    if key == "value" and not isinstance(raw[key], dict):
                        found = self.read(raw[key])
                    else:
                        more[key] = self._number(raw[key], ())
                except QuantityFaults as error:
                    faults += [((key, *path), *rest) for path, *rest in error.items]
        faults += _remark_faults(raw)
        more |= {key: raw.get(key, "") for key in REMARKS}
        if found and not faults and not more.get("low", found.value) <= found.value <= more.get("high", found.value):
            faults.append(((), "low, value and high must increase in this order", None))
        if faults:
            raise QuantityFaults(faults)
        return replace(found, **{key: value for key, value in more.items() if key != "value"})

    def _from_law(self, raw) -> Given:
        law, faults, parameters = raw["law"], [], {}
        allowed = [name for name, keys in LAWS.items() if self.dimension in keys.fields]
        if law not in allowed:
            words = "must be one of " + ", ".join(f'"{name}"' for name in allowed)
            raise QuantityFaults([(("law",), words, nearest_name(str(law), allowed))])
        known = LAWS[law].parameters
        names = ("law", *known, *REMARKS)
        for key, value in raw.items():
            if key in known:
                bounds = {} if key == "slope" else {"above": 0.0} if key in (*POSITIVE, *SHARES) else {"at_least": 0.0}
                bounds |= {"at_most": 1.0} if key in SHARES else {}
                try:
                    parameters[key] = Dimensional(known[key] or self.dimension, **bounds)._number(value, (key,))
                except QuantityFaults as error:
                    faults += error.items
            elif key not in names:
                faults.append(((key,), "unknown key; allowed: " + ", ".join(names), nearest_name(key, names)))
        for key in LAWS[law].required:
            if key not in raw:
                faults.append(((key,), f'is missing; the law "{law}" needs it', None))
        faults += _remark_faults(raw)
        value = math.nan if faults else float(PROPERTY_LAWS[law](REFERENCE_TEMPERATURE, **parameters))
        if not faults and not (math.isfinite(value) and value > 0):
            faults.append(((), "the law gives no positive value at 24 °C with these parameters", None))
        if faults:
            raise QuantityFaults(faults)
        remarks = {key: raw.get(key, "") for key in REMARKS}
        return Given(value, self.dimension, law=law, parameters=tuple(parameters.items()), **remarks)


@dataclass(frozen=True)
class PairList:
    """Annotation of a field that holds a list of pairs of values with units.

    Parameters
    ----------
    first, second : str or Dimensional    what stands first and second in each pair
    increasing : bool                     whether the first values must increase
    at_least : int                        fewest pairs
    """

    first: str | Dimensional
    second: str | Dimensional
    increasing: bool = False
    at_least: int = 0

    def __get_pydantic_core_schema__(self, source, handler):
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, schema, handler):
        return {"x-pairs": [self._field(self.first).dimension, self._field(self.second).dimension]}

    @staticmethod
    def _field(field) -> Dimensional:
        return Dimensional(field) if isinstance(field, str) else field

    def read(self, raw) -> Pairs:
        """Return ``raw`` as :class:`Pairs`, or raise :class:`QuantityFaults` with everything wrong in it."""
        if raw is BAD:
            return Pairs((), (), ok=False)
        fields = self._field(self.first), self._field(self.second)
        shown = ", ".join(f'"{DIMENSIONS[field.dimension].example}"' for field in fields)
        if not isinstance(raw, list):
            raise QuantityFaults([((), f"must be a list of pairs, such as [[{shown}], ...]", None)])
        faults, columns = [], ([], [])
        for index, pair in enumerate(raw):
            if not isinstance(pair, list) or len(pair) != 2:
                faults.append(((index,), f"must be a pair, such as [{shown}]", None))
                continue
            for place, (field, column) in enumerate(zip(fields, columns, strict=True)):
                try:
                    column.append(field._number(pair[place], (index, place)))
                except QuantityFaults as error:
                    faults += error.items
        if not faults and self.increasing:
            for index in range(1, len(columns[0])):
                if not columns[0][index] > columns[0][index - 1]:
                    words = DIMENSIONS[fields[0].dimension].words.split(" ", 1)[1]
                    faults.append(((index, 0), f"each {words} must be greater than the one before it", None))
        if not faults and len(raw) < self.at_least:
            count = f"at least {self.at_least} pair{'s' if self.at_least > 1 else ''}"
            faults.append(((), f"must hold {count}, such as [{shown}]", None))
        if faults:
            raise QuantityFaults(faults)
        return Pairs(tuple(columns[0]), tuple(columns[1]))


def _between(pairs: Pairs, at: float) -> float:
    """Value of a table at ``at``, linear between, held outside."""
    if at <= pairs.first[0]:
        return pairs.second[0]
    for low, high, start, stop in zip(pairs.first, pairs.first[1:], pairs.second, pairs.second[1:], strict=False):
        if at <= high:
            return start + (stop - start) * (at - low) / (high - low)
    return pairs.second[-1]


def _remark_faults(raw: dict) -> list:
    return [((key,), "must be text in quotes", None) for key in REMARKS if not isinstance(raw.get(key, ""), str)]


def _none_if_bad(raw, read):
    return None if raw is BAD else read(raw)


# wraps a sub-table or list entry: one that was found faulty reads as None, so that the rest can still be checked
DROPPABLE = WrapValidator(_none_if_bad)
