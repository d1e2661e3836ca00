"""Commands to look things up: library, schema."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.cli.talk import Talk, columns

# unit of the library: unit shown, factor and offset to it
_SHOWN = {
    "K": ("°C", 1.0, -273.15),
    "m": ("mm", 1e3, 0.0),
    "m²": ("mm²", 1e6, 0.0),
    "Ω/m": ("mΩ/m", 1e3, 0.0),
    "J/kg": ("kJ/kg", 1e-3, 0.0),
    "A s½/m²": ("A s½/mm²", 1e-6, 0.0),
}
# unit of numbers the library holds without a range
_BARE = {
    "ambient": "K", "start": "K", "stop": "K", "temperature": "K", "valid from": "K", "valid to": "K",
    "earliest": "s", "latest": "s", "preload time": "s", "time": "s", "above": "A", "up to": "A", "current": "A", "ratings": "A",
}  # fmt: skip
_KINDS = {"material": "materials", "cable": "cables", "device": "device standards", "source": "sources"}


def library(
    talk: Talk,
    kind: Annotated[str, typer.Argument(metavar="[KIND]", help="material, cable, device or source.")] = "",
    name: Annotated[str, typer.Argument(metavar="[NAME]", help="Name or alias of an entry.")] = "",
) -> None:
    """List the library, one kind of it, or all that is known of one entry, with sources.

    Example: ampsoak library material cellulose_dense_pack
    """
    if not kind:
        listed = {one: _summaries(one) for one in _KINDS}
        rows = [(one, f"{len(entries)} {_KINDS[one]}") for one, entries in listed.items()]
        payload = {"kinds": {one: list(entries) for one, entries in listed.items()}}
        talk.result(columns(rows, indent=0), payload)
        return
    if kind not in _KINDS:
        nearest = nearest_name(kind, _KINDS)
        hint = f'; did you mean "{nearest}"?' if nearest else ""
        raise UsageError(f'the library has no kind "{kind}"; kinds are {", ".join(_KINDS)}{hint}')
    if not name:
        found = _summaries(kind)
        talk.result(columns(list(found.items()), indent=0), {"kind": kind, "entries": found})
        return
    entry = _entry(kind, name)
    title = entry.get("name") or entry.get("standard") or name
    lines = [str(title), *_entry_lines({key: value for key, value in entry.items() if value != title})]
    talk.result(lines, {"kind": kind, "name": title, "entry": entry}, bold=[0])


def schema(talk: Talk) -> None:
    """Print the JSON schema of a scenario file, for editors.

    Example: ampsoak schema > ampsoak.schema.json
    """
    from ampsoak.scenario.model import scenario_schema

    found = scenario_schema()
    talk.result(json.dumps(found, indent=1, ensure_ascii=False).splitlines(), {"schema": found})


def _summaries(kind: str) -> dict[str, str]:
    """Names of a kind with one line on each."""
    from ampsoak.library import load

    if kind == "material":
        return {name: load.material(name).description for name in load.material_names()}
    if kind == "cable":
        return {name: load.cable(name).description for name in load.cable_names()}
    if kind == "device":
        return {
            standard: f"{load.device_family(standard).title}: {', '.join(types)}"
            for standard, types in load.device_standards().items()
        }
    return {key: f"{source.cite}: {source.title}" for key, source in load.sources().items()}


def _entry(kind: str, name: str) -> dict:
    from ampsoak.library import load

    if kind == "source":
        known = load.sources()
        if name not in known:
            nearest = nearest_name(name, known)
            hint = f'; did you mean "{nearest}"?' if nearest else ""
            raise UsageError(f'the library has no source "{name}"{hint}')
        return {"name": name, **{key: value for key, value in vars(known[name]).items() if key != "key"}}
    try:
        return load.describe(kind, name)
    except KeyError as error:
        raise UsageError(str(error.args[0])) from error


def _entry_lines(entry: dict, indent: int = 2) -> list[str]:
    """An entry of the library as indented lines; empty fields are left out."""
    lines = []
    for key, value in entry.items():
        if value is None or value == "" or value == [] or value == {}:
            continue
        lines += _field_lines(key.replace("_", " "), value, indent)
    return lines


def _field_lines(label: str, value, indent: int) -> list[str]:
    blank = " " * indent
    if isinstance(value, dict) and "typical" in value:
        return [f"{blank}{label}: {_value_words(value)}", f"{blank}    {_source_words(value)}"]
    if isinstance(value, dict) and isinstance(value.get("value"), dict) and "typical" in value["value"]:
        return [*_field_lines(label, value["value"], indent), *_course_lines(value, value["value"]["unit"], indent + 4)]
    if isinstance(value, dict):
        return [f"{blank}{label}:", *_entry_lines(value, indent + 2)]
    if isinstance(value, list) and any(isinstance(item, (dict, list)) for item in value):
        lines = [f"{blank}{label}:"]
        for item in value:
            if isinstance(item, dict):
                item.pop("unit", None)  # said by the number itself
                first, *rest = _entry_lines(item, indent + 4)
                lines += [f"{blank}  - {first.lstrip()}", *rest]
            else:
                lines.append(f"{blank}  - {_listed(item)}")
        return lines
    return [f"{blank}{label}: {_bare_words(label, value)}"]


def _bare_words(label: str, value) -> str:
    unit = _BARE.get(label)
    if unit is None or isinstance(value, str):
        return _listed(value)
    shown, factor, offset = _SHOWN.get(unit, (unit, 1.0, 0.0))
    numbers = value if isinstance(value, list) else [value]
    return f"{_listed([number * factor + offset for number in numbers])} {shown}"


def _listed(value) -> str:
    if isinstance(value, list):
        return ", ".join(_listed(item) for item in value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _value_words(value: dict) -> str:
    unit, factor, offset = _SHOWN.get(value["unit"], (value["unit"], 1.0, 0.0))
    low, typical, high = (f"{value[key] * factor + offset:.4g}" for key in ("low", "typical", "high"))
    unit = "" if unit == "1" else f" {unit}"
    return f"{typical}{unit}" + (f" ({low} to {high})" if low != high else "")


def _source_words(value: dict) -> str:
    return f"{value['source']} [{value['grade']}, {value['held'].replace('_', ' ')}]"


def _course_lines(entry: dict, unit: str, indent: int) -> list[str]:
    """How a property depends on temperature."""
    course = entry.get("course")
    if not course:
        return []
    blank = " " * indent
    if "law" in course:
        parameters = ", ".join(f"{key} {value:.4g}" for key, value in course["parameters"].items())
        head, words = "with temperature", f'by the law "{course["law"]}"' + (f" with {parameters}" if parameters else "")
    else:
        pairs = zip(course["temperature"], course["values"], strict=True)
        head = f"with temperature, in {unit}"
        words = ", ".join(f"{value:.4g} at {kelvin - 273.15:.0f} °C" for kelvin, value in pairs)
    low, high = entry["span"]["values"]
    span = f"; known from {low - 273.15:.0f} to {high - 273.15:.0f} °C"
    return [f"{blank}{head}: {words}{span}", f"{blank}    {_source_words(course)}"]
