"""Words on their way to a terminal, a file or a program."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys

import pytest

from ampsoak.cli import talk as talking
from ampsoak.cli.progress import PlainLines, curve_progress, history_progress
from ampsoak.cli.talk import Talk, columns, counted, plain, wrapped


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_json_has_no_infinity_and_no_nan():
    given = plain({"a": float("inf"), "b": [float("nan"), -float("inf")], "c": (1, "x")})
    assert given == {"a": "inf", "b": [None, "-inf"], "c": [1, "x"]}
    json.dumps(given, allow_nan=False)


def test_long_lines_are_wrapped_on_a_terminal_only(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    line = "    From 20 A to 40 A the device opens, by its slow edge, before the cable passes 90 °C."
    assert wrapped(line, io.StringIO()) == [line]
    pieces = wrapped(line, Terminal())
    assert all(len(piece) <= 60 for piece in pieces)
    assert pieces[0].startswith("    From")
    assert pieces[1].startswith("      ")
    assert " ".join(piece.strip() for piece in pieces) == line.strip()


def test_a_second_column_stays_a_column(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    first, second, *_ = wrapped("osb           Oriented strand board, with the moisture it holds driven off near 100 °C", Terminal())
    assert first.index("Oriented") == len(second) - len(second.lstrip()) == 14


def test_columns_are_aligned():
    assert columns([("part", "area"), ("a", "10.5")], right=[1]) == ["  part  area", "  a     10.5"]
    assert columns([]) == []
    assert counted([1], "limit") == "1 limit"
    assert counted([], "limit") == "0 limits"


def test_plain_progress_has_one_line_per_tenth(capsys):
    seconds = iter([0.0, 1.0, 2.0, 3.0, 10.0])
    lines = PlainLines(Talk("run"), "history", clock=lambda: next(seconds))
    for fraction in (0.04, 0.1, 0.15, 0.19, 0.35, 0.39, 1.0):
        lines.show(fraction, "words")
    assert capsys.readouterr().err.splitlines() == [
        # seconds left: elapsed time over what is done, for what is left
        "history 10 %: words, about 9 s left",
        "history 30 %: words, about 4 s left",
        "history 100 %: words, took 3 s",
    ]


@pytest.mark.parametrize("progress", [history_progress, curve_progress])
def test_quiet_means_no_progress(progress, capsys):
    with progress(Talk("run", quiet=True)) as stepped:
        assert stepped is None
    assert capsys.readouterr().err == ""


def test_a_terminal_gets_a_bar_with_time_and_hottest_part(monkeypatch):
    stream = Terminal()
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with history_progress(Talk("run")) as stepped:
        stepped(1800.0, 3600.0, "cable.line", 363.15)
    written = stream.getvalue()
    assert "50%" in written
    assert "30 min of 60 min, hottest cable.line 90 °C" in written
    assert "ETA" in written


def test_no_colour_where_none_is_wanted(monkeypatch):
    stream = Terminal()
    monkeypatch.setattr(sys, "stdout", stream)
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    Talk("info").result(["Title"], {}, bold=[0])
    assert "\033[1mTitle\033[0m" in stream.getvalue()
    for colour, variable in ((False, {}), (True, {"NO_COLOR": "1"}), (True, {"TERM": "dumb"})):
        stream.seek(0)
        stream.truncate()
        with monkeypatch.context() as inner:
            for name, value in variable.items():
                inner.setenv(name, value)
            Talk("info", colour=colour).result(["Title"], {}, bold=[0])
        assert stream.getvalue() == "Title\n"


def test_a_reader_that_leaves_early_is_no_error():
    command = [sys.executable, "-m", "ampsoak", "library", "device", "UL 489"]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=dict(os.environ))
    child.stdout.close()
    err = child.stderr.read()
    child.stderr.close()
    assert child.wait() == 0
    assert err == ""


def test_the_widest_line_is_readable():
    assert talking._NARROWEST < talking._WIDEST <= 120
