"""The main job from a scenario file to a folder and a plain answer (issue 2, item 2)."""

from __future__ import annotations

import csv
import json
import re
import sys

import pytest

from ampsoak.cli.answer import VERDICT_WORDS
from ampsoak.coverage.partition import VERDICTS
from ampsoak.report.words import CAUTION_LINE, CAUTIONS
from ampsoak.runfile.provenance import verify

FIGURES = ("history", "section_temperature", "section_mesh", "time_current", "opening_temperature", "protected_history")
TABLES = ("events.csv", "limit_times.csv", "verdicts.csv", "margins.csv", "device_questions.csv")


@pytest.fixture(scope="module")
def studied(tmp_path_factory):
    """Folder of one study and what it said, as (folder, status, out, err)."""
    import contextlib
    import io

    from ampsoak.cli.main import main

    folder = tmp_path_factory.mktemp("study") / "out"
    small = __file__.replace("test_study.py", "small.toml")
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["ampsoak", "study", small, "-o", str(folder)]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as end:
            main()
    finally:
        sys.argv = before
    return folder, end.value.code or 0, out.getvalue(), err.getvalue()


def test_it_writes_results_figures_tables_and_summary(studied):
    folder, status, _, _ = studied
    expected = {"run.h5", "curve.h5", "summary.json", "protected.h5", "protected.json", "protected.csv", *TABLES}
    expected |= {f"{name}.{ending}" for name in FIGURES for ending in ("png", "pdf", "csv")}
    assert status == 0
    assert {path.name for path in folder.iterdir()} == expected
    assert all(verify(folder / name) for name in ("run.h5", "curve.h5"))
    for name in FIGURES:
        assert (folder / f"{name}.png").read_bytes().startswith(b"\x89PNG")
        assert (folder / f"{name}.pdf").read_bytes().startswith(b"%PDF")
    for path in folder.glob("*.csv"):
        rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
        assert len({len(row) for row in rows}) == 1, path.name


def test_the_plain_answer_has_what_the_issue_asks_for(studied):
    _, _, out, _ = studied
    assert re.search(r"at most \d+ °C, after 15 min", out)  # the 60 A step ends after 15 min
    assert re.search(r"PVC 70 °C: reached after \d+ min in wire", out)
    # verdict per range, the largest current last; the knee is where the steady temperature is 70 °C
    assert re.search(r"up to 31\.\d A +not reached +the cable settles below the limit", out)
    assert re.search(r"31\.\d A to \d+\.\d A +covered +the device opens before the limit \(slow edge, standard\)", out)
    assert re.search(r"A to 400 A +", out)
    assert "No range among the compared currents is uncovered" in out or "Uncovered:" in out
    assert re.search(r"the hottest conductor has reached \d+ °C", out)


def test_every_verdict_has_words():
    assert set(VERDICT_WORDS) == set(VERDICTS)


def test_every_caution_is_printed(studied):
    _, _, out, _ = studied
    for caution in CAUTIONS:
        assert caution in out


def test_talk_goes_to_standard_error(studied):
    _, _, out, err = studied
    assert "history 100 %" in err or "History:" in err
    assert re.search(r"limit curve 100 %: (\d+) of \1 currents", err)
    assert "Written to" in err
    assert "Written to" not in out


def test_the_summary_is_what_json_gives(studied, ampsoak, small, tmp_path):
    folder, _, _, _ = studied
    said = ampsoak("study", small, "-o", tmp_path / "again", "--json", "--quiet")
    assert said.status == 0
    assert said.err == ""
    given = said.object
    assert given["schema_version"] == 1
    assert given["command"] == "study"
    assert len(given["files"]) == len(list(folder.iterdir()))
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    for part in ("history", "limit_curve", "coverage", "cautions", "answer"):
        for record in (summary[part], given[part]):
            if "statistics" in record:  # wall time is the one thing that may differ
                record["statistics"].pop("wall_seconds")
        assert given[part] == summary[part]


def test_the_same_inputs_give_the_same_hash(studied, solved):
    folder, *_ = studied
    assert [verify(folder / name) for name in ("run.h5", "curve.h5")] == [
        verify(solved / name) for name in ("run.h5", "curve.h5")
    ]


def test_without_the_history_only_the_curve_is_made(ampsoak, small, tmp_path):
    said = ampsoak("study", small, "-o", tmp_path, "--no-run", "-q")
    assert said.status == 0
    assert "Current history" not in said.out
    assert (tmp_path / "curve.h5").exists()
    assert not (tmp_path / "run.h5").exists()


def test_without_a_curve_it_says_that_no_device_was_compared(ampsoak, small, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(re.sub(r"\[curve\].*?\n\n", "", small.read_text(), flags=re.DOTALL))
    said = ampsoak("study", case, "-o", tmp_path / "out", "-q")
    assert said.status == 0
    assert "no device compared" in said.err
    assert not (tmp_path / "out" / "curve.h5").exists()
    assert ampsoak("study", case, "-o", tmp_path / "none", "--no-run").status == 2


def test_run_and_curve_write_one_file_each(ampsoak, small, solved, tmp_path):
    for command, name in (("run", "run.h5"), ("curve", "curve.h5")):
        said = ampsoak(command, small, "-o", tmp_path / name)
        assert said.status == 0
        assert CAUTION_LINE in said.out
        assert verify(tmp_path / name) == verify(solved / name)
    assert sorted(path.name for path in tmp_path.glob("*.*")) == ["curve.h5", "run.h5"]


def test_force_replaces(ampsoak, small, tmp_path):
    (tmp_path / "run.h5").write_text("old")
    assert ampsoak("run", small, "-o", tmp_path / "run.h5", "--force", "-q").status == 0
    assert verify(tmp_path / "run.h5")


def test_check_tells_areas_cost_and_assumptions_and_solves_nothing(ampsoak, small, tmp_path, monkeypatch):
    def forbidden(*_, **__):
        raise AssertionError("check solved something")

    monkeypatch.setattr("ampsoak.heat.network.build_model", forbidden)
    said = ampsoak("check", small, "-o", tmp_path)
    assert said.status == 0
    # a circle of 1.63 mm has 2.087 mm², and the block of 24 mm square the rest of its 576 mm²
    assert re.search(r"wire\s+conductor\s+copper\s+2\.087 mm²", said.out)
    assert re.search(r"background\s+insulation\s+pvc_insulation\s+573\.9 mm²", said.out)
    assert "Cost to expect" in said.out
    assert "limit[0] holds for all conductors" in said.out
    assert sorted(path.name for path in tmp_path.glob("section*")) == [
        f"section_mesh.{ending}" for ending in ("csv", "pdf", "png")
    ]
    given = ampsoak("check", small, "--json").object
    assert given["sound"] is True
    drawn = given["estimate"]["part_areas"]["wire"]
    assert drawn["drawn"] == pytest.approx(2.0867e-6, rel=1e-4)
    assert drawn["mesh"] == pytest.approx(drawn["drawn"], rel=1e-2)  # a larger difference brings a warning
    assert given["estimate"]["warnings"] == []
