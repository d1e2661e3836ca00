"""From TOML text to the models: syntax, unknown and missing keys, wrong types and units, each with its line.

A fault does not end the reading. The faulty value is replaced (first by ``BAD``, which a dimensional field reads as
nan; then, where that does not fit, by leaving the key out; last by dropping the table round it) until the rest reads,
so that geometry and references are still checked.
"""

from __future__ import annotations

import copy
import re
import tomllib
import types
import typing

from pydantic import BaseModel, ValidationError

from ampsoak.base.errors import Fault, ScenarioError, nearest_name
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path, line_index
from ampsoak.scenario.model import ScenarioFile
from ampsoak.scenario.quantities import BAD, QuantityFaults

ROUNDS = 200
Document = typing.TypeVar("Document", bound=BaseModel)
PLACEHOLDERS = {"format": 1, "title": "?", "edition": "?", "source": "?"}  # stand in where these are faulty


def read_document(
    text: str, file: str, model: type[Document] = ScenarioFile
) -> tuple[Document | None, Findings]:
    """Return the document and what was found wrong with it.

    Parameters
    ----------
    text : str      TOML
    file : str      name shown to the user
    model : type    what the file is to hold: a scenario, or rules

    Returns
    -------
    model or None    None when not even the outermost table could be read; entries with faults read as None
    Findings         faults so far

    Raises
    ------
    ScenarioError           the text is not TOML
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError([_syntax_fault(str(error), text, file)]) from None
    except RecursionError:
        raise ScenarioError([Fault(file, None, "(syntax)", "", "tables or lists are nested too deep")]) from None
    findings = Findings(file, line_index(text), data)
    return _validated(data, findings, model), findings


def _syntax_fault(message: str, text: str, file: str) -> Fault:
    """Our words for a message of the TOML reader, with the line quoted."""
    found = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    line = text.count("\n") + 1 if found is None or found[1] is None else int(found[1])
    written = " ".join(text.split("\n")[line - 1].split())[:80] if text else ""
    words = re.sub(r"\s*\(at .*?\)", "", message)
    words = f"{words[:1].lower()}{words[1:]}"
    if found and found[2]:
        words += f" (column {found[2]})"
    if "cannot overwrite" in words.lower() or "cannot declare" in words.lower():
        words += "; a key or table may stand only once"
    return Fault(file, line, "(syntax)", written, f"not valid TOML: {words}")


def _validated(data: dict, findings: Findings, model: type[BaseModel]):
    """Validate, replacing what is faulty until the rest fits; see the module's first lines."""
    data = copy.deepcopy(data)
    tries: dict[Path, int] = {}
    for _ in range(ROUNDS):
        try:
            return model.model_validate(data)
        except ValidationError as error:
            problems = error.errors(include_url=False)
        for problem in problems:
            path = tuple(problem["loc"])
            if tries.get(path, 0) == 0 and not any(path[:length] in tries for length in range(1, len(path))):
                _report(problem, path, findings, model)
            if not _replace(data, path, tries, model, drop=problem["type"] == "extra_forbidden"):
                return None
    return None


def _replace(data: dict, path: Path, tries: dict[Path, int], model: type[BaseModel], drop: bool) -> bool:
    """Take the next step against the fault at ``path``; False when the whole document is beyond repair."""
    if not path:
        return False
    tries[path] = tries.get(path, 0) + 1
    parent = _at(data, path[:-1])
    if parent is BAD or parent is None:  # replaced already in this round
        return True
    if len(path) == 1 and path[0] in PLACEHOLDERS and path[0] in model.model_fields:
        parent[path[0]] = PLACEHOLDERS[path[0]]
    elif drop or (tries[path] == 2 and isinstance(parent, dict)):
        parent.pop(path[-1], None)
    elif tries[path] == 1:
        parent[path[-1]] = BAD
    else:
        return _replace(data, path[:-1], tries, model, drop=False)
    return True


def _at(data, path: Path):
    """Value at ``path``; None where the way there has been replaced."""
    for step in path:
        if not isinstance(data, dict | list) or (isinstance(data, dict) and step not in data):
            return None
        data = data[step]
    return data


def _report(problem: dict, path: Path, findings: Findings, model: type[BaseModel]) -> None:
    """Record one problem of the validation in our words."""
    kind, context = problem["type"], problem.get("ctx", {})
    cause = context.get("error")
    if isinstance(cause, QuantityFaults):
        for below, message, nearest in cause.items:
            findings.fault((*path, *below), message, nearest)
        return
    if kind == "extra_forbidden":
        known = _known_keys(path[:-1], model)
        nearest = nearest_name(str(path[-1]), known)
        findings.fault(path, "unknown key" + ("" if nearest else f"; keys allowed here: {', '.join(known)}"), nearest)
        return
    nearest = None
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", context["expected"])
        message = "must be one of " + ", ".join(f'"{choice}"' for choice in choices)
        nearest = nearest_name(str(problem["input"]), choices)
    elif path == ("format",):
        message = (
            "this version reads format 1; write format = 1" if kind != "missing" else "is missing; write format = 1"
        )
    else:
        message = _WORDS.get(kind, lambda context: problem["msg"].lower())(context)
    if kind == "list_type" and len(path) == 1:
        message = f"may stand several times and is written [[{path[0]}]], with double brackets"
    elif kind in ("model_type", "dict_type") and len(path) == 1:
        message = f"stands once and is written [{path[0]}], with single brackets"
    findings.fault(path, message, nearest)


_WORDS = {
    "missing": lambda c: "is missing; it is required here",
    "string_type": lambda c: "must be text in quotes",
    "string_too_short": lambda c: "must not be empty",
    "string_too_long": lambda c: f"must have at most {c['max_length']} characters",
    "string_pattern_mismatch": lambda c: "must be one line of text without blanks at its ends",
    "int_type": lambda c: "must be a whole number",
    "int_from_float": lambda c: "must be a whole number",
    "bool_type": lambda c: "must be true or false",
    "list_type": lambda c: "must be a list in square brackets",
    "model_type": lambda c: "must be a table: { key = value, ... }",
    "dict_type": lambda c: "must be a table: { name = value, ... }",
    "too_short": lambda c: f"must hold at least {c['min_length']}",
    "too_long": lambda c: f"must hold at most {c['max_length']}",
    "greater_than_equal": lambda c: f"must be at least {c['ge']}",
    "less_than_equal": lambda c: f"must be at most {c['le']}",
}


def _known_keys(path: Path, model: type[BaseModel]) -> list[str]:
    """Keys allowed in the table at ``path`` of a document of ``model``."""
    for step in path:
        if isinstance(step, str):
            model = _model_in(model.model_fields[step].annotation)
    return list(model.model_fields)


def _model_in(annotation) -> type[BaseModel]:
    """The model class inside an annotation such as ``list[Annotated[Model, ...]] | None``."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation
    inner = typing.get_args(annotation)
    return next(found for found in map(_model_in, inner) if isinstance(found, type) and issubclass(found, BaseModel))
