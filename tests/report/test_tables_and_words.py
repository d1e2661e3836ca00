"""Tables hold exactly what is plotted; the words say what was computed and never more."""

from __future__ import annotations

import csv
import json
import re

import numpy as np
import pytest
import report_samples as samples
from figure_reading import axes_of

from ampsoak.base.errors import FileError
from ampsoak.report import tables
from ampsoak.report.figures import history_figure, opening_temperature_figure, time_current_figure
from ampsoak.report.words import CAUTION_LINE, CAUTIONS, answer_lines, first_reached, joined_words


def read(path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_time_current_table_holds_every_point_of_every_line(tmp_path):
    curve, coverage = samples.curve(), samples.coverage("breaker")
    tables.write_table(tmp_path / "t.csv", tables.time_current_table(curve, coverage))
    points = {}
    for row in read(tmp_path / "t.csv"):
        key = f"{row['kind']} {row['belongs to']}"
        points.setdefault(key, set()).add((float(row["current [A]"]), float(row["time [s]"])))
    axes = axes_of(time_current_figure(curve, coverage), "time-current")
    lines = [
        line for line in axes.get_lines()
        if str(line.get_label()).startswith(("limit", "knee", "adiabatic", "fast edge", "slow edge", "mark"))
    ]
    assert len(lines) >= 10
    for line in lines:
        label = str(line.get_label())
        key = "adiabatic adiabatic" if label == "adiabatic" else label
        assert {tuple(point) for point in line.get_xydata().tolist()} <= points[key], label


def test_history_table_holds_what_is_drawn_exactly(tmp_path):
    run = samples.run()
    tables.write_table(tmp_path / "h.csv", tables.history_table(run))
    rows = read(tmp_path / "h.csv")
    axes = axes_of(history_figure(run), "temperature")
    (line,) = [one for one in axes.get_lines() if str(one.get_label()).startswith("cable.line and")]
    assert [float(row["conductor cable.line [°C]"]) for row in rows] == line.get_ydata().tolist()
    assert [float(row["time [s]"]) for row in rows] == run.time.tolist()
    assert [float(row["current in kitchen radial [A]"]) for row in rows] == run.circuit_current[:, 0].tolist()
    assert "probe heat to the room [W m-1]" in rows[0]


def test_opening_table_holds_what_is_drawn(tmp_path):
    curve, coverage = samples.curve(), samples.coverage("breaker")
    tables.write_table(tmp_path / "o.csv", tables.opening_table(samples.curve(), coverage))
    found = {
        (float(row["current [A]"]), float(row["hottest conductor [°C]"]))
        for row in read(tmp_path / "o.csv") if row["edge"] == "slow" and row["state"] == "opens"
    }
    axes = axes_of(opening_temperature_figure(curve, coverage), "opening")
    (line,) = [one for one in axes.get_lines() if one.get_label() == "B20 breaker, slow edge opens"]
    assert {tuple(point) for point in line.get_xydata().tolist() if np.isfinite(point[1])} == found


def test_section_table_has_one_row_per_cell_and_one_column_per_map(tmp_path):
    run = samples.run()
    table = tables.section_table(run, [1800.0, 10800.0])
    assert table.columns[-2:] == ("temperature at 1800 s [°C]", "temperature at 10800 s [°C]")
    assert len(table.rows) == run.section.part_index.size
    column = np.array([row[-1] for row in table.rows]).reshape(run.section.part_index.shape)
    assert np.array_equal(column, run.snapshot_temperature[2].astype(float) - 273.15)


@pytest.mark.parametrize(
    "table",
    [
        lambda: tables.time_current_table(samples.curve(), samples.coverage()),
        lambda: tables.limit_table(samples.curve()),
        lambda: tables.verdict_table(samples.coverage()),
        lambda: tables.margin_table(samples.coverage()),
        lambda: tables.history_table(samples.run()),
        lambda: tables.event_table(samples.run()),
        lambda: tables.part_table(samples.section()),
        lambda: tables.opening_table(samples.curve(), samples.coverage()),
    ],
    ids=["time_current", "limits", "verdicts", "margins", "history", "events", "parts", "opening"],
)
def test_every_numeric_column_names_its_unit(table):
    table = table()
    assert table.rows and all(len(row) == len(table.columns) for row in table.rows)
    ratios = {"least time to limit over slow edge", "time to limit over slow edge"}
    for column, values in zip(table.columns, zip(*table.rows, strict=True), strict=True):
        if any(isinstance(value, float) for value in values):
            assert re.search(r"\[[^\]]+\]$", column) or column in ratios, column
            assert "[K]" not in column


def test_margin_table_is_the_comparison_in_celsius():
    coverage = samples.coverage()
    table = tables.margin_table(coverage)
    place = table.columns.index("conductor at slow edge [°C]")
    expected = [row["conductor at slow edge [K]"] - 273.15 for row in coverage.margin_table()]
    assert [row[place] for row in table.rows] == pytest.approx(expected, nan_ok=True)


def test_a_table_is_not_overwritten_without_force(tmp_path):
    tables.write_table(tmp_path / "p.csv", tables.part_table(samples.section()))
    with pytest.raises(FileError, match="exists already"):
        tables.write_table(tmp_path / "p.csv", tables.part_table(samples.section()))
    tables.write_table(tmp_path / "p.csv", tables.part_table(samples.section()), force=True)


def test_summary_is_strict_json_and_says_what_was_computed():
    run, curve, coverage = samples.run(), samples.curve(), samples.coverage()
    text = json.dumps(tables.summary_dict(run, curve, coverage), allow_nan=False)
    found = json.loads(text)
    assert found["schema_version"] == 1 and found["cautions"] == list(CAUTIONS)
    assert found["history"]["run_id"] == run.run_id and found["limit_curve"]["canonical_hash"] == curve.canonical_hash
    peak = found["history"]["peaks"]["cable.line"]
    assert peak["temperature"] == pytest.approx(run.conductor_temperature[:, 0].max() - 273.15)
    fell = {limit["name"]: limit["time"] for limit in found["history"]["limits"]}
    assert fell == {limit["name"]: first_reached(run, limit["name"]).time for limit in run.limits}
    assert found["limit_curve"]["limits"][0]["time_to_limit"][0] == "inf"
    assert found["coverage"]["devices"][0]["limits"][0]["uncovered"] == [list(pair) for pair in coverage.devices[0].limits[0].uncovered]
    assert json.loads(json.dumps(tables.summary_dict(), allow_nan=False))["answer"] == []


def test_the_answer_tells_peaks_limits_verdicts_and_the_uncovered_range():
    run, curve, coverage = samples.run(), samples.curve(), samples.coverage()
    lines = answer_lines(run, curve, coverage)
    text = "\n".join(lines)
    peak = run.conductor_temperature[:, 0].max() - 273.15
    assert f"conductor: at most {peak:.0f} °C, after 3.0 h, in cable.line" in text
    assert "PVC, lasting use 70 °C: reached after 63 min in cable.line.insulation" in text
    low, high = coverage.devices[0].limits[0].uncovered[0]
    assert f"Uncovered: {low:.1f} A to {high:.1f} A." in text
    for sentence in coverage.devices[0].limits[0].sentences:
        assert sentence in text
    assert all("\n" not in line for line in lines)


def test_a_limit_never_reached_is_said_in_words():
    run = samples.run()
    high = {"name": "copper melts", "temperature": 1357.0, "parts": ["cable.line"], "source": "handbook"}
    run = type(run)(**{**vars(run), "limits": [high]})
    assert "  copper melts (1084 °C): not reached in this history" in answer_lines(run)


def test_nothing_is_claimed_that_the_tool_must_not_claim():
    """Design rule: no cause, no safety, no compliance. Only the cautions may name them, to deny them."""
    text = " ".join(answer_lines(samples.run(), samples.curve(), samples.coverage())).lower()
    for word in ("caused", "safe", "complies", "compliant", "ignit", "validated", "certified", "guarantee"):
        assert word not in text, word


def test_cautions_name_every_hazard_and_who_decides():
    """Every hazard: mains, heat, fire and fumes; an estimate, not a ruling; local codes and licensed practice."""
    assert CAUTION_LINE == (
        "Thermal estimate, not an ampacity ruling. Mains, heat and fumes can injure; local codes and licensed practice decide. "
        "Says nothing about cause, safety or compliance."
    )
    text = " ".join(CAUTIONS).lower()
    for word in ("mains", "hot", "fumes", "fire", "ampacity ruling", "local codes", "licensed practice"):
        assert word in text, word


@pytest.mark.parametrize(
    ("words", "joined"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")]
)
def test_words_are_listed_as_in_a_sentence(words, joined):
    assert joined_words(words) == joined
