"""Contact resistances in a scenario: keys arrive in the case, slips are told at their key with the nearest name."""

from __future__ import annotations

import pytest

from ampsoak.scenario import load_scenario_text
from ampsoak.scenario.case import Contact

BAY = """format = 1
title = "t"
[run]
duration = "1 h"
[stud_bay]
plane = "between_studs"
depth = "89 mm"
fill = "mineral_wool"
inner_lining = [
  { material = "gypsum_plaster", thickness = "3 mm" },
  { material = "gypsum_board", thickness = "12.5 mm" },
]
[[cable]]
name = "c"
type = "nm_b_14_2"
"""


def contact(first: str, second: str, resistance: str = "0.01 m2.K/W") -> str:
    return f'[[contact]]\nbetween = ["{first}", "{second}"]\nresistance = "{resistance}"\n'


def test_contacts_arrive_by_part():
    text = BAY + contact("inner_lining_1", "inner_lining_2") + contact("c.earth", "c.filler", "1e-3 m2.K/W")
    scenario = load_scenario_text(text)
    index = scenario.part_index
    assert scenario.contacts == (
        Contact(index("inner_lining_1"), index("inner_lining_2"), 0.01),
        Contact(index("c.earth"), index("c.filler"), 1e-3),
    )
    assert load_scenario_text(BAY).contacts == ()


@pytest.mark.parametrize(
    ("written", "key", "words", "nearest"),
    [
        (contact("fill", "inner_linnig_1"), "contact[0].between[1]", "no such part", "inner_lining_1"),
        (contact("fill", "fill"), "contact[0].between", "two different parts", None),
        (contact("fill", "inner_lining_2"), "contact[0].between", "share no face", None),
        (contact("fill", "inner_lining_1") + contact("inner_lining_1", "fill"), "contact[1].between", "already", None),
        (contact("fill", "inner_lining_1", "0 m2.K/W"), "contact[0].resistance", "greater than", None),
        (contact("fill", "inner_lining_1", "0.01"), "contact[0].resistance", "needs its unit", None),
        ('[[contact]]\nbetween = ["fill"]\nresistance = "1 m2.K/W"\n', "contact[0].between", "at least 2", None),
        ('[[contact]]\nbetween = ["fill", "c.jacket"]\n', "contact[0].resistance", "is missing", None),
    ],
)
def test_a_slip_is_told_at_its_key(written, key, words, nearest, faults_of):
    (fault,) = faults_of(BAY + written)
    assert (fault.key, fault.nearest) == (key, nearest)
    assert words in fault.message


def test_open_air_has_no_contacts(faults_of):
    text = BAY.replace('"mineral_wool"', '"open_air"')
    text = text.replace("[[cable]]", 'outer_lining = [{ material = "osb", thickness = "11 mm" }]\n[[cable]]')
    (fault,) = faults_of(text + contact("fill", "inner_lining_1"))
    assert fault.key == "contact[0].between[0]" and "open air" in fault.message
