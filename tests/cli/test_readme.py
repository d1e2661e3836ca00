"""The README says what is so: its example loads, its commands exist, its cautions are the ones that are printed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from ampsoak.cli.main import app
from ampsoak.report.words import CAUTIONS
from ampsoak.scenario.load import load_scenario_text

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def test_the_example_scenario_is_sound():
    example, devices = blocks("toml")
    case = load_scenario_text(example, "README.md")
    assert case.curve is not None
    assert [device.rating for device in case.devices] == [20]
    with_devices = load_scenario_text(example.replace("radial", "workshop") + devices, "README.md")
    assert [device.name for device in with_devices.devices] == ["breaker", "feeder relay", "outlet breaker"]
    assert with_devices.reclosing is not None


def test_the_first_command_runs_a_scenario_that_is_shipped():
    first, second = blocks("sh")
    (name,) = re.findall(r"scenarios/\S+\.toml", first)
    assert (ROOT / name).exists()
    assert "'.[test]'" in second
    assert second.strip().endswith("python -m pytest")


def test_ci_runs_the_second_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "install --quiet --disable-pip-version-check '.[test]'" in script
    assert "python\" -m pytest" in script


def test_every_caution_stands_in_it():
    for caution in CAUTIONS:
        assert f"- {caution}\n" in README


def test_every_command_stands_in_it():
    registered = {info.name or info.callback.__name__ for info in app.registered_commands}
    assert set(re.findall(r"^\| `ampsoak (\w+)", README, re.MULTILINE)) == registered


@pytest.mark.parametrize("status", [0, 1, 2, 3, 4, 5, 6, 10, 130])
def test_every_exit_status_stands_in_it_and_in_the_help(status):
    from ampsoak.cli.main import EXIT_STATUS

    assert re.search(rf"^\| {status} \|", README, re.MULTILINE)
    assert re.search(rf"\b{status} ", EXIT_STATUS)
