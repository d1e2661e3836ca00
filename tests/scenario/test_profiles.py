"""Current histories: each way of writing one gives the segments it means."""

from __future__ import annotations

import pytest

from ampsoak.scenario import load_scenario_text


@pytest.fixture
def profile_of(sound, tmp_path):
    """Function from the keys of a circuit to its profile and the assumptions."""

    def load(keys: str):
        text = sound.replace('current = "15 A"\nduration = "2 h"\n', keys + "\n")
        scenario = load_scenario_text(text, "case.toml", tmp_path)
        return scenario.circuits[0].profile, scenario.assumptions

    return load


def test_a_constant_current_is_one_segment(profile_of):
    profile, _ = profile_of('current = "16 A"\nduration = "90 min"')
    assert (profile.time, profile.start, profile.stop) == ((0.0, 5400.0), (16.0,), (16.0,))


def test_steps_follow_each_other_and_equal_neighbours_join(profile_of):
    profile, _ = profile_of('steps = [["15.5 A", "1500 s"], ["22 A", "10 min"], ["22 A", "10 min"], ["0 A", "1 h"]]')
    assert profile.time == (0.0, 1500.0, 2700.0, 6300.0)
    assert profile.start == profile.stop == (15.5, 22.0, 0.0)
    assert profile.at(1500.0) == 22.0  # on a border the segment that begins there


def test_a_ramp_is_linear_between_its_ends(profile_of):
    profile, _ = profile_of('ramp = { start = "10 A", stop = "30 A", duration = "1 h" }')
    assert profile.at(900.0) == pytest.approx(15.0, rel=1e-15)
    assert profile.duration == 3600.0


def test_a_cycle_repeats_on_and_off(profile_of):
    keys = 'cycle = { on_current = "20 A", on_time = "10 min", off_time = "5 min", count = 3 }'
    profile, assumptions = profile_of(keys)
    assert profile.time == (0.0, 600.0, 900.0, 1500.0, 1800.0, 2400.0, 2700.0)
    assert profile.start == (20.0, 0.0, 20.0, 0.0, 20.0, 0.0)
    assert any("off_current not given: 0 A taken" in sentence for sentence in assumptions)


def log(**more: str) -> str:
    keys = {
        "file": "log.csv",
        "time_column": "t",
        "current_column": "i",
        "time_unit": "min",
        "current_unit": "A",
    } | more
    return "csv = { " + ", ".join(f'{key} = "{value}"' for key, value in keys.items()) + " }"


def test_a_log_holds_each_reading_until_the_next(profile_of, tmp_path):
    (tmp_path / "log.csv").write_text("t,other,i\n5,x,10\n6,x,20\n7,x,0\n")
    profile, assumptions = profile_of(log())
    # three readings bound two intervals; the profile starts with the first reading
    assert (profile.time, profile.start, profile.stop) == ((0.0, 60.0, 120.0), (10.0, 20.0), (10.0, 20.0))
    assert any("begins with the first reading, at 5 of the log" in sentence for sentence in assumptions)
    assert any("the current of the earlier one is held" in sentence for sentence in assumptions)


def test_a_log_may_be_joined_by_lines(profile_of, tmp_path):
    (tmp_path / "log.csv").write_text("t,i\n0,10\n1,20\n2,0\n")
    profile, _ = profile_of(log(between="linear"))
    assert (profile.start, profile.stop) == ((10.0, 20.0), (20.0, 0.0))


@pytest.mark.parametrize(("gap", "through"), [("hold", 20.0), ("zero", 0.0)])
def test_a_gap_is_bridged_as_the_scenario_says_and_listed(gap, through, profile_of, tmp_path):
    (tmp_path / "log.csv").write_text("t,i\n0,10\n1,20\n30,5\n31,5\n")
    profile, assumptions = profile_of(log(gap=gap, maximum_gap="2 min"))
    assert profile.at(600.0) == through
    assert profile.at(30 * 60.0) == 5.0
    assert any("a gap of 29 min after line 3" in sentence for sentence in assumptions)


@pytest.mark.parametrize(
    "content",
    [
        "\ufefft;i\r\n0;10,5\r\n1;20,0\r\n\r\n2;0\r\n",  # byte order mark, semicolons, decimal commas, a blank row
        "# meter 7\nt\ti\n0\t10.5\n1\t20\n2\t0\n",  # a comment, tabs
        '"t","i"\n" 0 ","10.5"\n1,20\n2,0\n',  # quotes and blanks
    ],
)
def test_logs_of_other_habits_read_the_same(content, profile_of, tmp_path):
    (tmp_path / "log.csv").write_bytes(content.encode())
    profile, _ = profile_of(log())
    assert profile.start == (10.5, 20.0)
    assert profile.time == (0.0, 60.0, 120.0)


def test_a_log_may_carry_dates(profile_of, tmp_path):
    (tmp_path / "log.csv").write_text("t,i\n2024-03-31T01:30:00,10\n2024-03-31T03:30:00,20\n2024-03-31T04:00:00,1\n")
    profile, _ = profile_of(log(time_unit="datetime", maximum_gap="3 h"))
    # clock times as they stand: two hours, on whatever day and in whatever zone the machine is
    assert profile.time == (0.0, 7200.0, 9000.0)


def test_the_longest_history_sets_the_length_of_the_run(sound):
    second = '[[circuit]]\nname = "second"\ncurrent = "5 A"\nduration = "3 h"\n'
    text = sound.replace('type = "nm_b_14_2"', 'type = "nm_b_14_2"\ncircuit = "load"') + second
    scenario = load_scenario_text(text)
    assert scenario.run.duration == 3 * 3600.0
    assert scenario.run.snapshot_times == (0.0, 2700.0, 5400.0, 8100.0, 10800.0)
    assert load_scenario_text(text + '[run]\nduration = "4 h"\nsnapshots = ["2 h", "1 h"]\n').run.snapshot_times == (
        3600.0,
        7200.0,
    )
