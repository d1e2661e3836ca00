"""Every number of the library says where it comes from, and the bibliography covers it."""

from __future__ import annotations

import dataclasses
import re

import pytest

from ampsoak.base.sources import GRADES, HELD, Value
from ampsoak.library import load
from ampsoak.library.devices import (
    ConventionalCurrents,
    MagneticBand,
    PreArcingEnergy,
    TestPoint,
    ThermalImage,
)

SOURCED_ROWS = (TestPoint, ConventionalCurrents, MagneticBand, PreArcingEnergy, ThermalImage)


def entries():
    """(label, entry) of everything in the library."""
    for name in load.material_names():
        yield f"material {name}", load.material(name)
    for name in load.cable_names():
        yield f"cable {name}", load.cable(name)
    for name in load.device_standards():
        yield f"device {name}", load.device_family(name)


def nested(item):
    """The dataclass instances inside ``item``, itself included."""
    if dataclasses.is_dataclass(item):
        yield item
        for field in dataclasses.fields(item):
            yield from nested(getattr(item, field.name))
    elif isinstance(item, tuple):
        for inner in item:
            yield from nested(inner)


ENTRIES = list(entries())
ALL = pytest.mark.parametrize("entry", [entry for _, entry in ENTRIES], ids=[label for label, _ in ENTRIES])


@ALL
def test_every_value_has_source_grade_held_and_ordered_range(entry):
    values = [item for item in nested(entry) if isinstance(item, Value)]
    assert values
    for value in values:
        assert value.low <= value.typical <= value.high
        assert value.source and value.grade in GRADES and value.held in HELD
        assert value.held != "user"


@ALL
def test_every_row_and_course_has_source_grade_and_held(entry):
    for item in nested(entry):
        if isinstance(item, SOURCED_ROWS):
            assert item.source and item.grade in GRADES and item.held in HELD
        if hasattr(item, "course_source") and not item.is_constant:
            assert item.course_source and item.course_grade in GRADES and item.course_held in HELD


@ALL
def test_what_is_recalled_says_so_in_words(entry):
    for item in nested(entry):
        if isinstance(item, (Value, *SOURCED_ROWS)):
            assert item.held.startswith("memory") == item.source.endswith(", from memory")


def cited_texts():
    """Every source text in the library."""
    for _, entry in ENTRIES:
        for item in nested(entry):
            for word in ("source", "course_source"):
                text = getattr(item, word, "")
                if text:
                    yield text
            yield from (source for _, _, source in getattr(item, "limits", ()))


def test_every_source_text_opens_with_a_bibliography_entry_and_every_entry_is_used():
    cites = {source.cite: False for source in load.sources().values()}
    for text in cited_texts():
        opening = [cite for cite in cites if text.startswith(cite)]
        assert opening, text
        for cite in cites:
            if cite in text:
                cites[cite] = True
    assert not [cite for cite, used in cites.items() if not used]


def test_no_working_tags_are_left_in_source_texts():
    # short codes such as "R14" or "Mh" mean nothing to a reader; insulation trade names have a hyphen
    for text in cited_texts():
        assert not re.search(r"\bR\d+[ab]?\b|\bM[hml]\b", text), text


def test_bibliography_says_how_each_entry_was_obtained():
    for source in load.sources().values():
        assert source.title and re.search(r"read|recalled|derived|estimated", source.obtained)
