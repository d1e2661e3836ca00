"""A small sound scenario, and a way to load it with one thing changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from ampsoak.base.errors import ScenarioError
from ampsoak.scenario import load_scenario_text

DATA = Path(__file__).parent / "data"

SOUND = """\
format = 1
title = "sound"
[stud_bay]
plane = "across_studs"
depth = "89 mm"
stud_spacing = "400 mm"
stud_width = "38 mm"
stud_material = "softwood"
fill = "glass_fibre_12"
inner_lining = [{ material = "gypsum_board", thickness = "12.5 mm" }]
outer_lining = [{ material = "osb", thickness = "11 mm" }]
[[cable]]
name = "cable"
type = "nm_b_14_2"
[[circuit]]
name = "load"
current = "15 A"
duration = "2 h"
[surroundings]
air_temperature = "25 degC"
[[limit]]
name = "insulation"
temperature = "90 degC"
[[device]]
name = "breaker"
standard = "UL 489"
rating = "15 A"
"""


@pytest.fixture
def data() -> Path:
    """Folder of the example scenarios."""
    return DATA


@pytest.fixture
def sound() -> str:
    """Text of a small scenario without faults."""
    return SOUND


@pytest.fixture
def faults_of(tmp_path):
    """Function (text, folder) to the faults of a text; empty when it loads."""

    def load(text: str, folder: Path = tmp_path):
        try:
            load_scenario_text(text, "case.toml", folder)
        except ScenarioError as error:
            return error.faults
        return ()

    return load
