"""What reading a scenario turns up: faults with file, line and key, and the defaults that were taken."""

from __future__ import annotations

from ampsoak.base.errors import Fault, ScenarioError
from ampsoak.base.units import DIMENSIONS, describe, quantity
from ampsoak.scenario.lines import Path, key_text
from ampsoak.scenario.quantities import Given

LONGEST_QUOTE = 60


class Findings:
    """Collects faults and assumptions while a scenario is read; nothing is raised before :meth:`raise_faults`.

    Parameters
    ----------
    file : str            name shown to the user
    lines : dict          path to line, from :func:`ampsoak.scenario.lines.line_index`
    data : dict           the document as read, to quote what was written
    """

    def __init__(self, file: str, lines: dict[Path, int], data: dict):
        self.file, self.lines, self.data = file, lines, data
        self.faults: list[Fault] = []
        self.assumptions: list[str] = []
        self.defaults: list[dict] = []
        self.inputs: dict[str, str] = {}  # name and text of every further file read

    def line(self, path: Path) -> int | None:
        """Line of ``path``, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None

    def written(self, path: Path) -> str:
        """What stands at ``path`` in the file, shortened; empty for a missing key or a whole table."""
        value = self.data
        try:
            for step in path:
                value = value[step]
        except (KeyError, IndexError, TypeError):
            return ""
        if isinstance(value, dict):
            return ""
        text = f'"{value}"' if isinstance(value, str) else str(value).replace("'", '"')
        if isinstance(value, bool):
            text = text.lower()
        text = " ".join(text.split())
        return text if len(text) <= LONGEST_QUOTE else text[: LONGEST_QUOTE - 3] + "..."

    def has(self, path: Path) -> bool:
        """Whether something stands at ``path`` in the file, sound or not."""
        value = self.data
        try:
            for step in path:
                value = value[step]
        except (KeyError, IndexError, TypeError):
            return False
        return True

    def tables(self, path: Path) -> list[tuple[int, dict]]:
        """Tables written in the list at ``path`` with their index, sound or not; none where there is no such list."""
        value = self.data
        for step in path if self.has(path) else ():
            value = value[step]
        if not self.has(path) or not isinstance(value, list):
            return []
        return [(index, item) for index, item in enumerate(value) if isinstance(item, dict)]

    def names(self, path: Path) -> set[str]:
        """Names written in the list of tables at ``path``, sound or not."""
        return {item["name"] for _, item in self.tables(path) if isinstance(item.get("name"), str)}

    def fault(self, path: Path, message: str, nearest: str | None = None) -> None:
        """Record a fault at ``path``; the same words about the same key are kept once."""
        found = Fault(self.file, self.line(path), key_text(path), self.written(path), message, nearest)
        if found not in self.faults:
            self.faults.append(found)

    def missing(self, path: Path, why: str) -> None:
        """Record that nothing stands at ``path``; silent where something does, whose fault is recorded already."""
        if not self.has(path):
            self.fault(path, f"is missing; {why}")

    def fault_elsewhere(self, file: str, line: int | None, key: str, written: str, message: str, nearest=None) -> None:
        """Record a fault in another file that the scenario names, such as a current log."""
        self.faults.append(Fault(file, line, key, written, message, nearest))

    def assume(self, sentence: str) -> None:
        """Record something that was not given but taken, in words."""
        if sentence not in self.assumptions:
            self.assumptions.append(sentence)

    def take(self, given: Given | None, path: Path, dimension: str, default, reason: str) -> float:
        """Return the value given, or the default and a note of it.

        Parameters
        ----------
        given : Given or None    what the user wrote at ``path``
        path : tuple             where it stands or would stand
        dimension : str          key of ``ampsoak.base.units.DIMENSIONS``
        default : str or float   text with unit, or SI
        reason : str             why this default, one clause
        """
        if given is not None:
            return given.value
        value = quantity(default, dimension) if isinstance(default, str) else float(default)
        entry = {"key": key_text(path), "value": value, "unit": DIMENSIONS[dimension].si, "reason": reason}
        if entry not in self.defaults:
            self.defaults.append(entry)
        self.assume(f"{key_text(path)} not given: {describe(value, dimension)} taken ({reason})")
        return value

    def raise_faults(self) -> None:
        """Raise :class:`ScenarioError` with every fault in file order, if there is any."""
        if self.faults:
            order = sorted(self.faults, key=lambda f: (f.file != self.file, f.file, f.line or 0))
            raise ScenarioError(order)
