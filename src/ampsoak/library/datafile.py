"""Reading of the library's TOML files: values with units and sources, checked, all faults collected.

A value is a table with one unit key (``value`` for SI, or ``mm``, ``celsius`` ...) holding one number or
``[low, typical, high]``, and a ``basis``: the name of a ``[basis.NAME]`` table of the same file, which gives ``source``
(key or keys of ``sources.toml``), ``at`` (table, clause), ``grade`` and ``held``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise

from ampsoak.base.errors import Fault, ScenarioError, nearest_name
from ampsoak.base.sources import GRADES, HELD, Value

UNIT_KEYS = {  # key: (factor, offset) to SI
    "value": (1.0, 0.0),
    "mm": (1e-3, 0.0),
    "mm2": (1e-6, 0.0),
    "celsius": (1.0, 273.15),
    "ohm_per_km": (1e-3, 0.0),
    "ampere_root_second_per_mm2": (1e6, 0.0),
}
NO_VALUE = Value.exact(0.0, "fault in the data file")


@dataclass(frozen=True)
class Source:
    """One entry of the bibliography.

    Parameters
    ----------
    key : str        name used by the data files
    cite : str       short form that opens the source text of every value
    title : str      full title
    obtained : str   how its content is held: read where and in what form, or recalled from memory
    """

    key: str
    cite: str
    title: str
    obtained: str


@dataclass(frozen=True)
class Provenance:
    """Where a value comes from: source in words, grade and how it is held (see ``base.sources``), clause or table."""

    source: str
    grade: str
    held: str
    at: str

    def value(self, low: float, typical: float, high: float) -> Value:
        """Return a :class:`Value` with this provenance."""
        return Value(typical, low, high, self.source, self.grade, self.held)


def data_file_names(prefix: str) -> list[str]:
    """Names of the library's data files that begin with ``prefix``, sorted."""
    folder = files("ampsoak.library") / "data"
    return sorted(entry.name for entry in folder.iterdir() if entry.name.startswith(prefix))


def read_toml(name: str) -> dict:
    """Content of the library data file ``name``; ScenarioError with the parser's line where it is not TOML."""
    text = (files("ampsoak.library") / "data" / name).read_text(encoding="utf-8")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError([Fault(name, None, "", "", str(error))]) from error


class DataFile:
    """One data file being read; collects faults until :meth:`finish` raises them all.

    Parameters
    ----------
    name : str                       file name, for messages
    raw : dict                       parsed content
    sources : dict of str to Source  bibliography
    """

    def __init__(self, name: str, raw: dict, sources: dict[str, Source]):
        self.name = name
        self.raw = raw
        self.sources = sources
        self.faults: list[Fault] = []
        self.used: set[str] = set()
        self.bases = {key: self._basis(table, f"basis.{key}") for key, table in raw.get("basis", {}).items()}

    def fault(self, key: str, written: object, message: str, known: Iterable[str] = ()) -> None:
        """Record a fault at dotted ``key``; ``known`` names are searched for the nearest."""
        text = "" if written is None else str(written)
        self.faults.append(Fault(self.name, None, key, text, message, nearest_name(text, known) if known else None))

    def finish(self) -> None:
        """Raise ScenarioError when anything was wrong, a basis nothing refers to included."""
        for name in self.bases.keys() - self.used:
            self.fault(f"basis.{name}", None, "is used by nothing")
        if self.faults:
            raise ScenarioError(self.faults)

    def keys(self, table: dict, key: str, required: Iterable[str], optional: Iterable[str] = ()) -> bool:
        """Check the keys of a table; True when all required ones are there."""
        required, allowed = set(required), {*required, *optional}
        for name in table.keys() - allowed:
            self.fault(f"{key}.{name}", None, "unknown key", ())
        for name in sorted(required - table.keys()):
            self.fault(f"{key}.{name}", None, "is missing")
        return required <= table.keys()

    def choice(self, table: dict, name: str, key: str, allowed: Iterable[str]) -> str:
        """Text under ``name`` that must be one of ``allowed``."""
        allowed, written = tuple(allowed), table.get(name, "")
        if written not in allowed:
            self.fault(f"{key}.{name}", written, f"must be one of {', '.join(allowed)}", allowed)
        return written

    def provenance(self, table: dict, key: str, name: str = "basis") -> Provenance:
        """Basis named under ``name`` of ``table``."""
        written = table.get(name)
        if written not in self.bases:
            self.fault(f"{key}.{name}", written, "must name a basis table of this file", self.bases)
            return Provenance("", "estimate", "memory_low", "")
        self.used.add(written)
        return self.bases[written]

    def value(self, table: dict, name: str, key: str, unit: str = "value", extra: Iterable[str] = ()) -> Value:
        """Value under ``name`` of ``table``, written in ``unit`` (a key of ``UNIT_KEYS``); ``extra`` keys may stand by."""
        key = f"{key}.{name}"
        entry = table.get(name)
        if not isinstance(entry, dict) or not self.keys(entry, key, (unit, "basis"), extra):
            if not isinstance(entry, dict):
                self.fault(key, entry, f"must be a table with {unit} and basis")
            return NO_VALUE
        written = entry[unit]
        numbers = written if isinstance(written, list) else [written] * 3
        if len(numbers) != 3 or not all(_is_number(number) for number in numbers):
            self.fault(f"{key}.{unit}", written, "must be one number or [low, typical, high]")
            return NO_VALUE
        if not numbers[0] <= numbers[1] <= numbers[2]:
            self.fault(f"{key}.{unit}", written, "low, typical and high must not decrease")
        factor, offset = UNIT_KEYS[unit]
        # twelve digits take off what binary scaling adds: 1.628 mm is 0.001628 m, not 0.0016279999999999999 m
        scaled = (float(f"{number * factor + offset:.12g}") for number in numbers)
        return self.provenance(entry, key).value(*scaled)

    def optional_value(self, table: dict, name: str, key: str, unit: str = "value") -> Value | None:
        """As :meth:`value`, None where ``name`` is absent."""
        return self.value(table, name, key, unit) if name in table else None

    def increasing(self, numbers: object, key: str) -> tuple[float, ...]:
        """Numbers of a list that must increase strictly."""
        if not isinstance(numbers, list) or not all(_is_number(number) for number in numbers):
            self.fault(key, numbers, "must be a list of numbers")
            return ()
        if any(later <= earlier for earlier, later in pairwise(numbers)):
            self.fault(key, numbers, "must increase")
        return tuple(float(number) for number in numbers)

    def _basis(self, table: dict, key: str) -> Provenance:
        self.keys(table, key, ("source", "grade", "held"), ("at",))
        written = table.get("source", "")
        names = written if isinstance(written, list) else [written]
        for name in names:
            if name not in self.sources:
                self.fault(f"{key}.source", name, "is not in sources.toml", self.sources)
        at = table.get("at", "")
        held = self.choice(table, "held", key, HELD)
        words = "; ".join(self.sources[name].cite for name in names if name in self.sources)
        words += f", {at}" if at else ""
        words += ", from memory" if held.startswith("memory") else ""
        return Provenance(words, self.choice(table, "grade", key, GRADES), held, at)


def _is_number(item: object) -> bool:
    return isinstance(item, (int, float)) and not isinstance(item, bool)
