"""A user's rule file: rules of local codes are never built in, they are written down by whoever relies on them.

TOML. Every value is text with its unit as in a scenario; (*) marks what is required::

    format = 1  (*)             title = ".."  (*)            edition = ".."  (*)
    source = ".."  (*)          where the text was taken from, and by whom it was copied

    [[rule]]
    name (*), clause (*)        clause as the document numbers it; table: and table or row, if the number stands in one
    text (*)                    the rule in the words of the document; it is quoted with every outcome
    kind (*)                    and what it needs:

    "device_rating_at_most"     rating (*); conductor_size, device
    "current_at_most"           current (*): the current of a stored history, as far as it lasts longer than lasting;
                                conductor_size, circuit
    "opens_within"              time (*); current (else the prospective fault current), device
    "opens_before_limit"        limit (*); lowest, highest (currents), device
    "temperature_at_most"       temperature (*), current (*), time (*): of the hottest conductor, by the limit curve
    "peak_at_most"              temperature (*): in a stored history; part (else the hottest conductor)

A rule with conductor_size can be told only of a result whose smallest loaded conductor has that size.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from ampsoak.scenario.model_base import Duration, Keys, Name, PositiveCurrent, Temperature, Text, WireArea
from ampsoak.scenario.quantities import DROPPABLE

# kind: keys it needs, keys it may have
KINDS = {
    "device_rating_at_most": (("rating",), ("conductor_size", "device")),
    "current_at_most": (("current",), ("lasting", "conductor_size", "circuit")),
    "opens_within": (("time",), ("current", "device")),
    "opens_before_limit": (("limit",), ("lowest", "highest", "device")),
    "temperature_at_most": (("temperature", "current", "time"), ()),
    "peak_at_most": (("temperature",), ("part",)),
}
Quoted = Annotated[Text, Field(min_length=1)]


class RuleKeys(Keys):
    """[[rule]]: one rule, quoted, and the number in it that can be checked."""

    name: Name
    clause: Name
    table: Name | None = None
    text: Quoted
    kind: Literal[tuple(KINDS)]
    conductor_size: WireArea | None = None
    rating: PositiveCurrent | None = None
    current: PositiveCurrent | None = None
    lasting: Duration | None = None
    time: Duration | None = None
    temperature: Temperature | None = None
    limit: Name | None = None
    lowest: PositiveCurrent | None = None
    highest: PositiveCurrent | None = None
    device: Name | None = None
    circuit: Name | None = None
    part: Name | None = None


class RuleFileKeys(Keys):
    """The whole rule file."""

    format: Annotated[int, Field(ge=1, le=1)]
    title: Name
    edition: Name
    source: Quoted
    rule: Annotated[list[Annotated[RuleKeys, DROPPABLE]], Field(min_length=1)]


@dataclass(frozen=True)
class Rule:
    """One rule.

    Parameters
    ----------
    name, clause, table, text : str           as written; ``table`` "" where none was given
    kind : str                                key of ``KINDS``
    values : dict of str to float or str      what it was given besides, in SI
    """

    name: str
    clause: str
    table: str
    text: str
    kind: str
    values: dict[str, float | str]

    @property
    def place(self) -> str:
        """Clause and table in words."""
        return f"clause {self.clause}" + (f", {self.table}" if self.table else "")


@dataclass(frozen=True)
class Rulebook:
    """Rules of one document.

    Parameters
    ----------
    title, edition, source : str    as written
    file : str                      name of the file, without folders
    text : str                      its text
    rules : tuple of Rule
    """

    title: str
    edition: str
    source: str
    file: str
    text: str
    rules: tuple[Rule, ...]


def load_rules(path: str | Path) -> Rulebook:
    """Return the rules that a file holds.

    Parameters
    ----------
    path : str or Path    TOML

    Raises
    ------
    FileError        the file cannot be read
    ScenarioError    with every fault in it
    """
    from ampsoak.scenario.load import read_text

    path = Path(path)
    return load_rules_text(read_text(path, "rule"), str(path))


def load_rules_text(text: str, name: str = "rules.toml") -> Rulebook:
    """Return the rules that a text holds; see ``load_rules``."""
    from ampsoak.scenario.reading import read_document

    document, findings = read_document(text.removeprefix("\ufeff").replace("\r\n", "\n"), name, RuleFileKeys)
    seen = set()
    for index, table in findings.tables(("rule",)):
        called = table.get("name")
        if isinstance(called, str) and called in seen:
            findings.fault(("rule", index, "name"), "is used twice; names must differ")
        seen.add(called if isinstance(called, str) else "")
    written = [] if document is None else document.rule
    rules = [_rule(keys, index, findings) for index, keys in enumerate(written) if keys is not None]
    findings.raise_faults()
    if document is None:
        raise AssertionError("a document that cannot be read must have faults")
    return Rulebook(document.title, document.edition, document.source, Path(name).name, text, tuple(rules))


def _rule(keys: RuleKeys, index: int, findings) -> Rule:
    needed, allowed = KINDS[keys.kind]
    always = ("name", "clause", "table", "text", "kind")
    values: dict[str, float | str] = {}
    for key in type(keys).model_fields:
        if key in always:
            continue
        given = getattr(keys, key)
        if given is None:
            if key in needed:
                findings.missing(("rule", index, key), f'the kind "{keys.kind}" needs it')
        elif key not in (*needed, *allowed):
            may = ", ".join((*needed, *allowed))
            findings.fault(("rule", index, key), f'has no place in the kind "{keys.kind}", which has {may}')
        else:
            values[key] = given if isinstance(given, str) else given.value
    low, high = values.get("lowest"), values.get("highest")
    if low is not None and high is not None and low >= high:
        findings.fault(("rule", index, "highest"), "must be greater than lowest")
    return Rule(keys.name, keys.clause, keys.table or "", " ".join(keys.text.split()), keys.kind, values)
