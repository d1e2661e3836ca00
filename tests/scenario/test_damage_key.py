"""The damage flag of a limit: read, refused where it is no truth value, and kept with the results (issue 4)."""

from __future__ import annotations

import pytest

from ampsoak.base.errors import ScenarioError
from ampsoak.runfile.read import open_run
from ampsoak.runfile.write import write_curve
from ampsoak.scenario.load import load_scenario_text
from ampsoak.study.curve import limit_curve

TEXT = """
format = 1
title = "wire"
fault_current = "100 A"
[drawing]
width = "10 mm"
height = "10 mm"
background = "pvc_insulation"
[[drawing.conductor]]
name = "wire"
circle = { x = "5 mm", y = "5 mm", diameter = "1.8 mm" }
size = "2.5 mm2"
circuit = "load"
[[circuit]]
name = "load"
current = "10 A"
duration = "1 min"
[surroundings]
air_temperature = "20 degC"
[[boundary]]
edge = "top"
kind = "film"
convection = "8 W/m2/K"
[[limit]]
name = "lasting"
temperature = "70 degC"
[[limit]]
name = "softens"
temperature = "160 degC"
damage = true
[curve]
lowest = "20 A"
count = 2
horizon = "10 min"
"""


def test_it_is_off_unless_it_is_given():
    assert [limit.damage for limit in load_scenario_text(TEXT).limits] == [False, True]


@pytest.mark.parametrize("written", ['"yes"', "1", "[]"])
def test_anything_but_true_or_false_is_a_fault(written):
    with pytest.raises(ScenarioError) as error:
        load_scenario_text(TEXT.replace("damage = true", f"damage = {written}"))
    (fault,) = error.value.faults
    assert (fault.key, fault.message) == ("limit[1].damage", "must be true or false")


def test_it_is_kept_with_the_result(tmp_path):
    curve = limit_curve(load_scenario_text(TEXT), currents=[50.0, 100.0])
    write_curve(tmp_path / "curve.h5", curve)
    assert [limit["damage"] for limit in open_run(tmp_path / "curve.h5").limits] == [False, True]
