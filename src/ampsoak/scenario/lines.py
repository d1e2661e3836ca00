"""Where each key and list element of a TOML text stands: dotted path to 1-based line.

The text has already been read by the standard TOML reader, so this scanner need not judge the grammar; it follows keys,
table headers, inline tables and arrays only far enough to know the line on which each of them begins.
"""

from __future__ import annotations

import re
from bisect import bisect_right

Path = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_STRINGS = (
    re.compile(r'"""(?:\\.|[^\\])*?"""(?:"{0,2})', re.DOTALL),
    re.compile(r"'''.*?'''(?:'{0,2})", re.DOTALL),
    re.compile(r'"(?:\\.|[^"\\\n])*"'),
    re.compile(r"'[^'\n]*'"),
)


def key_text(path: Path) -> str:
    """Return the dotted key of a path: ``("cable", 0, "jacket")`` as ``cable[0].jacket``."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else step
    return text


def line_index(text: str) -> dict[Path, int]:
    """Return the line of every key, table header and list element.

    Parameters
    ----------
    text : str      a valid TOML document

    Returns
    -------
    dict            path (keys and list indices) to 1-based line
    """
    return _Scanner(text).lines


class _Scanner:
    """One pass over the text; ``lines`` is the result."""

    def __init__(self, text: str):
        self.text, self.position = text, 0
        self.starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self.lines: dict[Path, int] = {}
        self.count: dict[Path, int] = {}  # entries so far of each array of tables
        table: Path = ()
        while self._skip(_BLANK) < len(text):
            table = self._header() if text[self.position] == "[" else self._pair(table)

    def _skip(self, pattern: re.Pattern) -> int:
        match = pattern.match(self.text, self.position)
        self.position = match.end() if match else self.position
        return self.position

    def _mark(self, path: Path, position: int) -> None:
        self.lines.setdefault(path, bisect_right(self.starts, position))

    def _keys(self) -> list[str]:
        """Read a dotted key."""
        keys = []
        while True:
            self._skip(_SPACE)
            start = self.position
            for pattern in (*_STRINGS[2:], _BARE_KEY):
                if self._skip(pattern) > start:
                    break
            else:
                self.position += 1  # never reached on a valid document; always advance
            raw = self.text[start : self.position]
            keys.append(raw[1:-1] if raw[:1] in "\"'" else raw)
            self._skip(_SPACE)
            if self.text[self.position : self.position + 1] != ".":
                return keys
            self.position += 1

    def _header(self) -> Path:
        start = self.position
        array = self.text.startswith("[[", start)
        self.position += 2 if array else 1
        keys = self._keys()
        self.position = self.text.find("]", self.position) + (2 if array else 1)
        path: Path = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            if array and number == len(keys) - 1:
                self._mark(path, start)
                self.count[path] = self.count.get(path, 0) + 1
            if path in self.count:
                path = (*path, self.count[path] - 1)
            self._mark(path, start)
        return path

    def _pair(self, table: Path) -> Path:
        start, path = self.position, table
        for key in self._keys():
            path = (*path, key)
            self._mark(path, start)
        self.position += 1  # the equals sign
        self._value(path)
        return table

    def _value(self, path: Path) -> None:
        self._skip(_SPACE)
        start = self.position
        opening = self.text[start : start + 1]
        if opening == "[":
            self._list(path)
        elif opening == "{":
            self._inline(path)
        else:
            for pattern in _STRINGS:
                if self._skip(pattern) > start:
                    return
            self._skip(_SCALAR)

    def _list(self, path: Path) -> None:
        self.position += 1
        index = 0
        while self._skip(_BLANK) < len(self.text) and self.text[self.position] != "]":
            if self.text[self.position] == ",":
                self.position += 1
                continue
            self._mark((*path, index), self.position)
            self._value((*path, index))
            index += 1
        self.position += 1

    def _inline(self, path: Path) -> None:
        self.position += 1
        while self._skip(_BLANK) < len(self.text) and self.text[self.position] != "}":
            if self.text[self.position] == ",":
                self.position += 1
                continue
            self._pair(path)
        self.position += 1
