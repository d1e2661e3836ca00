"""Every way to fail has its own exit status and one clear message without a traceback (issue 2, items 2 and bad input)."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys

import h5py
import pytest

from ampsoak.base.errors import NumericalError


def test_wrong_usage_is_2(ampsoak, small, solved, tmp_path):
    assert ampsoak("study", small).status == 2  # no -o
    assert ampsoak("stdy", small).status == 2
    said = ampsoak("run", small, "-o", tmp_path / "run.txt")
    assert said.status == 2
    assert "ends in .h5" in said.err
    said = ampsoak("cover", solved / "run.h5")
    assert said.status == 2
    assert "holds a history" in said.err


def test_a_scenario_with_faults_is_3_with_every_fault(ampsoak, small, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(small.read_text().replace('width = "24 mm"', "width = 24").replace('"70 degC"', '"70 K"'))
    said = ampsoak("check", case)
    assert said.status == 3
    assert said.out == ""
    assert f"{case}:7  drawing.width" in said.err
    assert "nothing was run" in said.err
    assert "Traceback" not in said.err
    error = ampsoak("check", case, "--json").object["error"]
    assert error["exit_code"] == 3
    # the line in the file that each fault belongs to
    assert next((fault["line"], fault["key"]) for fault in error["faults"]) == (7, "drawing.width")


def test_an_unknown_device_is_told_before_anything_is_solved(ampsoak, small, tmp_path, monkeypatch):
    monkeypatch.setattr("ampsoak.study.run.simulate", forbidden)
    case = tmp_path / "case.toml"
    case.write_text(small.read_text().replace('"15 A"', '"17 A"'))  # UL 489 lists no 17 A
    said = ampsoak("study", case, "-o", tmp_path / "out")
    assert said.status == 3
    assert "17" in said.err
    assert not (tmp_path / "out").exists()


def test_a_numerical_failure_is_4(ampsoak, small, tmp_path, monkeypatch):
    def fails(*_, **__):
        raise NumericalError("the time step collapsed at 12 s in cable.line")

    monkeypatch.setattr("ampsoak.study.run.simulate", fails)
    said = ampsoak("run", small, "-o", tmp_path / "run.h5")
    assert said.status == 4
    assert "collapsed at 12 s" in said.err
    assert "Traceback" not in said.err
    assert "Traceback" in ampsoak("run", small, "-o", tmp_path / "run.h5", "--debug").err


def test_missing_and_damaged_files_are_5(ampsoak, tmp_path):
    assert ampsoak("check", tmp_path / "none.toml").status == 5
    assert ampsoak("info", tmp_path / "none.h5").status == 5
    (tmp_path / "text.h5").write_text("no result")
    said = ampsoak("show", tmp_path / "text.h5", "-o", tmp_path / "out")
    assert said.status == 5
    assert "is not a result file" in said.err


def forbidden(*_, **__):
    raise AssertionError("something was computed although its result could not be written")


@pytest.mark.parametrize("command", ["run", "curve", "study"])
def test_a_file_in_the_way_is_5_before_anything_is_computed(ampsoak, small, tmp_path, monkeypatch, command):
    monkeypatch.setattr("ampsoak.study.run.simulate", forbidden)
    monkeypatch.setattr("ampsoak.study.curve.limit_curve", forbidden)
    name = {"run": "run.h5", "curve": "curve.h5", "study": "margins.csv"}[command]
    (tmp_path / name).write_text("kept")
    said = ampsoak(command, small, "-o", tmp_path if command == "study" else tmp_path / name)
    assert said.status == 5
    assert name in said.err
    assert "--force" in said.err
    assert (tmp_path / name).read_text() == "kept"


def test_a_folder_that_cannot_be_written_is_5(ampsoak, small, tmp_path):
    (tmp_path / "file").write_text("")
    assert ampsoak("study", small, "-o", tmp_path / "file").status == 5
    assert ampsoak("study", small, "-o", tmp_path / "file" / "out").status == 5
    assert ampsoak("run", small, "-o", tmp_path / "missing" / "run.h5").status == 5


def test_a_changed_result_is_6(ampsoak, solved, tmp_path):
    changed = tmp_path / "run.h5"
    shutil.copy(solved / "run.h5", changed)
    with h5py.File(changed, "r+") as file:
        file["conductor_temperature"][3] += 1.0
    said = ampsoak("info", changed, "--json")
    assert said.status == 6
    assert said.object["error"]["kind"] == "MismatchError"
    assert ampsoak("info", solved / "run.h5").status == 0


def test_an_uncovered_range_is_10_only_when_asked_for(ampsoak, small, solved, tmp_path):
    # a 100 A breaker carries its rating for ever (UL 489, 100 % test) and the wire settles above 70 °C long before that
    case = tmp_path / "case.toml"
    case.write_text(small.read_text().replace('"15 A"', '"100 A"'))
    arguments = ("cover", solved / "curve.h5", "--scenario", case)
    said = ampsoak(*arguments)
    assert said.status == 0
    assert re.search(r"Uncovered: 31\.\d A to ", said.out)
    assert ampsoak(*arguments, "--fail-on", "uncovered").status == 10
    assert ampsoak("cover", solved / "curve.h5", "--fail-on", "uncovered").status == 0


def test_a_fault_of_its_own_is_1_with_a_log(ampsoak, small, tmp_path, monkeypatch):
    def breaks(*_, **__):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("ampsoak.study.run.simulate", breaks)
    said = ampsoak("run", small, "-o", tmp_path / "run.h5")
    assert said.status == 1
    assert "Traceback" not in said.err
    (log,) = (tmp_path / "state" / "ampsoak").glob("*.log")
    assert str(log) in said.err
    assert "ZeroDivisionError" in log.read_text()


def test_an_interrupt_is_130_and_says_what_is_kept(ampsoak, small, tmp_path, monkeypatch):
    def interrupted(scenario, path, **_):
        path.with_name(path.name + ".part").write_text("half")
        raise KeyboardInterrupt

    monkeypatch.setattr("ampsoak.study.run.simulate", interrupted)
    said = ampsoak("run", small, "-o", tmp_path / "run.h5")
    assert said.status == 130
    assert f"kept in {tmp_path / 'run.h5.part'}" in said.err


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal")
def test_ctrl_c_leaves_a_readable_part(ampsoak, small, tmp_path):
    case, target, part = (tmp_path / name for name in ("case.toml", "run.h5", "run.h5.part"))
    cycle = 'cycle = { on_current = "20 A", on_time = "5 min", off_time = "5 min", count = 2000 }'
    steps = 'steps = [["20 A", "10 min"], ["60 A", "5 min"], ["0 A", "15 min"]]'
    text = small.read_text()
    assert steps in text
    case.write_text(text.replace(steps, cycle))
    command = [sys.executable, "-m", "ampsoak", "run", str(case), "-o", str(target)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    # kernels may have to be compiled first
    while not (line := child.stderr.readline()).startswith("history 10 %"):
        assert line, "ended before a tenth was done"
    os.kill(child.pid, signal.SIGINT)
    _, err = child.communicate(timeout=60)
    assert child.returncode == 130
    assert str(part) in err
    assert "Traceback" not in err
    assert not target.exists()
    said = ampsoak("info", part)
    assert said.status == 0
    assert "unfinished" in said.out
