"""Reactions of materials in a scenario: keys arrive, slips are told, and what a run with them means is said."""

from __future__ import annotations

import pytest

from ampsoak.library import load as library
from ampsoak.scenario import load_scenario_text

HEAD = """format = 1
title = "t"
[run]
duration = "1 h"
[drawing]
width = "60 mm"
height = "60 mm"
background = "fuel"
"""
FUEL = """[[material]]
name = "fuel"
based_on = "stone_wool"
[[material.reaction]]
name = "binder"
heat = { value = "1.5 MJ/kg", low = "1 MJ/kg", high = "2.5 MJ/kg", source = "glass wool with 6 % of binder" }
pre_exponential = "6 1/min"
activation_energy = "20.1 kJ/mol"
order = 0.854
valid_from = "232 degC"
valid_to = "600 degC"
"""


def test_a_reaction_arrives_in_si():
    scenario = load_scenario_text(HEAD + FUEL)
    (reaction,) = scenario.parts[0].material.reactions
    assert (reaction.name, reaction.order) == ("binder", 0.854)
    assert (reaction.heat.low, reaction.heat.typical, reaction.heat.high) == (1e6, 1.5e6, 2.5e6)
    assert reaction.pre_exponential.typical == pytest.approx(0.1)
    assert reaction.activation_energy.typical == pytest.approx(20.1e3)
    assert (reaction.valid_from, reaction.valid_to) == pytest.approx((505.15, 873.15))
    record = scenario.resolved["materials"]["fuel"]["reactions"]
    assert record[0]["heat"]["source"] == "glass wool with 6 % of binder"
    assert scenario.run.reactions is False


def test_a_material_keeps_the_reactions_of_its_base_and_takes_heat_up_where_it_is_negative():
    plain = '[[material]]\nname = "fuel"\nbased_on = "stone_wool"\n'
    assert load_scenario_text(HEAD + plain).parts[0].material.reactions == library.material("stone_wool").reactions
    none = load_scenario_text(HEAD + plain + "reaction = []\n").parts[0].material
    assert none.reactions == ()
    cold = load_scenario_text(HEAD + FUEL.replace('{ value = "1.5 MJ/kg", low = "1 MJ/kg", high = "2.5 MJ/kg"', '{ value = "-1 MJ/kg"'))
    assert cold.parts[0].material.reactions[0].heat.typical == -1e6


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('"600 degC"', '"200 degC"', "material[0].reaction[0].valid_to", "above valid_from"),
        ('"6 1/min"', '"0 1/min"', "material[0].reaction[0].pre_exponential", "greater than"),
        ('"6 1/min"', '"6 min"', "material[0].reaction[0].pre_exponential", "unit"),
        ('"20.1 kJ/mol"', '"20.1 kJ/kg"', "material[0].reaction[0].activation_energy", "unit"),
        ('valid_to = "600 degC"\n', "", "material[0].reaction[0].valid_to", "is missing"),
        ("order = 0.854", "order = -1", "material[0].reaction[0].order", "at least 0"),
    ],
)
def test_a_slip_is_told_at_its_key(old, new, key, words, faults_of):
    (fault,) = faults_of(HEAD + FUEL.replace(old, new))
    assert fault.key == key
    assert words in fault.message


def test_a_run_that_asks_for_reactions_says_how_rough_they_are():
    asked = HEAD.replace('duration = "1 h"\n', 'duration = "1 h"\nreactions = true\n')
    scenario = load_scenario_text(asked + FUEL)
    assert scenario.run.reactions is True
    said = " ".join(scenario.assumptions)
    assert "rough model of chemical heat" in said and "not a statement on ignition" in said
    assert "fuel: binder" in said and "soaked starts" in said
    for text in (HEAD + FUEL, asked.replace("true", "false") + FUEL):
        scenario = load_scenario_text(text)
        assert scenario.run.reactions is False and "chemical heat" not in " ".join(scenario.assumptions)
    inert = load_scenario_text(asked + FUEL.split("[[material.reaction]]")[0] + "reaction = []\n")
    assert "what reacts: none of the materials" in " ".join(inert.assumptions)


def test_reactions_are_switched_by_true_or_false_only(faults_of):
    (fault,) = faults_of(HEAD.replace('duration = "1 h"\n', 'duration = "1 h"\nreactions = "rough"\n') + FUEL)
    assert fault.key == "run.reactions"
