"""What a command says and where: results to standard output, everything else to standard error."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence, Sized
from functools import cached_property
from pathlib import Path

SCHEMA_VERSION = 1
_FIRST_COLUMN = re.compile(r" *\S+(?: \S+)* {2,}")
_WIDEST = 100  # columns; longer lines are hard to read even where the terminal is wider
_NARROWEST = 30  # columns left beside the indent under which wrapping only makes things worse


class Talk:
    """The voice of one command.

    Parameters
    ----------
    command : str      name of the command, for JSON
    as_json : bool     standard output carries one JSON object and nothing else
    quiet : bool       no talk and no progress; results, warnings and errors remain
    colour : bool      style words on a terminal

    Attributes
    ----------
    targets : list of Path    files the command is to write; an interrupt looks here for what was kept
    delivered : bool          the JSON object has been written
    """

    def __init__(self, command: str, as_json: bool = False, quiet: bool = False, colour: bool = True):
        self.command, self.as_json, self.quiet = command, as_json, quiet
        self._colour = colour and colour_wanted()
        self.targets: list[Path] = []
        self.delivered = False

    @property
    def live(self) -> bool:
        """True where standard error is a terminal that can redraw a line."""
        return sys.stderr.isatty() and os.environ.get("TERM") != "dumb" and not self.quiet

    @cached_property
    def error_console(self):
        """Rich console on standard error, for the progress bar."""
        from rich.console import Console

        return Console(stderr=True, color_system="auto" if self._colour else None, highlight=False, markup=False)

    def say(self, words: str) -> None:
        """Talk: what is being done. Silenced by ``quiet``."""
        if not self.quiet:
            self.warn(words)

    def warn(self, words: str) -> None:
        """Something the user should know; not silenced."""
        for line in words.split("\n"):
            for piece in wrapped(line, sys.stderr):
                print(piece, file=sys.stderr)
        sys.stderr.flush()

    def result(self, lines: Iterable[str], payload: dict, bold: Iterable[int] = ()) -> None:
        """Give the result: lines of text, or as JSON the payload with command and schema version.

        Parameters
        ----------
        lines : iterable of str     indented by blanks; long ones are wrapped on a terminal
        payload : dict              the same for programs; nan becomes null and infinity the string "inf"
        bold : iterable of int      numbers of the lines to stress on a terminal
        """
        if self.as_json:
            self.deliver(payload)
            return
        stressed = set(bold)
        styled = self._colour and sys.stdout.isatty()
        for number, line in enumerate(lines):
            for piece in wrapped(line, sys.stdout):
                print(f"\033[1m{piece}\033[0m" if styled and number in stressed and piece else piece)
        sys.stdout.flush()

    def deliver(self, payload: dict) -> None:
        """Write the one JSON object."""
        self.delivered = True
        whole = {"schema_version": SCHEMA_VERSION, "command": self.command} | payload
        print(json.dumps(plain(whole), ensure_ascii=False, indent=1, allow_nan=False), flush=True)


def colour_wanted() -> bool:
    """False where NO_COLOR is set or the terminal says it is dumb."""
    return not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def wrapped(line: str, stream) -> list[str]:
    """``line`` cut to the width of the terminal ``stream`` is, with what follows indented; whole where it is none."""
    if not stream.isatty():
        return [line]
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    indent = len(line) - len(line.lstrip(" "))
    if len(line) <= width or width - indent < _NARROWEST:
        return [line]
    column = _FIRST_COLUMN.match(line)
    hang = column.end() if column and column.end() <= width // 2 else indent + 2
    return textwrap.wrap(
        line.strip(), width, initial_indent=" " * indent, subsequent_indent=" " * hang, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def plain(value):
    """``value`` as strict JSON holds it: numpy becomes plain, paths text, nan null and infinity "inf"."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, dict):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(entry) for entry in value]
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "inf" if value > 0 else "-inf"
    return value


def counted(things: Sized, word: str) -> str:
    """How many there are, in words: "1 limit", "3 limits"."""
    return f"{len(things)} {word}{'' if len(things) == 1 else 's'}"


def columns(rows: Sequence[Sequence[str]], right: Iterable[int] = (), indent: int = 2) -> list[str]:
    """Rows of words as lines with aligned columns.

    Parameters
    ----------
    rows : sequence of sequences of str     all of one length
    right : iterable of int                 columns set flush right
    indent : int                            blanks before each line
    """
    flush_right = set(right)
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))] if rows else []
    lines = []
    for row in rows:
        cells = [
            word.rjust(width) if column in flush_right else word.ljust(width)
            for column, (word, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(" " * indent + "  ".join(cells).rstrip())
    return lines
