"""Columns of numbers from a CSV file that a scenario names: separators, decimal commas, faults with file and line."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path as FilePath

from ampsoak.base.errors import nearest_name
from ampsoak.base.units import QuantityError, quantity
from ampsoak.scenario.findings import Findings
from ampsoak.scenario.lines import Path

LARGEST_FILE = 64 * 1024 * 1024  # [byte]
MOST_FAULTS = 10
DATETIME = "datetime"


@dataclass
class Columns:
    """Readings of a CSV file.

    Parameters
    ----------
    file : str          name as the scenario gives it
    findings : Findings
    lines : list        line of each reading
    values : dict       key of the scenario ("time_column") to values [SI]
    cells : dict        the same as written
    names : dict        the same to the column's name
    """

    file: str
    findings: Findings
    lines: list[int] = field(default_factory=list)
    values: dict[str, list[float]] = field(default_factory=dict)
    cells: dict[str, list[str]] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    faults: int = 0

    def fault(self, index: int, key: str, message: str) -> None:
        """Record a fault of reading ``index`` in the column ``key``; only the first few of a file are kept."""
        self.report(self.lines[index], key, self.cells[key][index], message)

    def report(self, line: int | None, key: str, written: str, message: str, nearest: str | None = None) -> None:
        """Record a fault at a line of the file."""
        self.faults += 1
        if self.faults <= MOST_FAULTS:
            name = self.names.get(key, key)
            self.findings.fault_elsewhere(self.file, line, f"column {name}", written, message, nearest)
        elif self.faults == MOST_FAULTS + 1:
            self.findings.fault_elsewhere(self.file, None, "(file)", "", "more faults follow; only the first are shown")


def read_columns(
    file: str, folder: FilePath, columns: dict[str, tuple[str, str, str, str]], path: Path, findings: Findings
) -> Columns | None:
    """Return the readings of the columns named; faulty ones are left out and counted in ``faults``.

    None is returned, with faults recorded, where the file or a column cannot be read at all.

    Parameters
    ----------
    file : str              relative to ``folder``
    folder : pathlib.Path   folder of the scenario
    columns : dict          key to (column name, unit, dimension, key of the unit)
    path : tuple            where the table that names the file stands
    findings : Findings
    """
    factors = {
        key: _factor(unit, dimension, (*path, unit_key), findings)
        for key, (_, unit, dimension, unit_key) in columns.items()
    }
    text = _text_of(file, folder, (*path, "file"), findings)
    if text is None or None in factors.values():
        return None
    separator = _separator(text)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    found = Columns(file, findings, names={key: column[0] for key, column in columns.items()})
    places: dict[str, int] | None = None
    try:
        for row in rows:
            if not any(cell.strip() for cell in row) or row[0].lstrip().startswith("#"):
                continue
            if places is None:
                places = _places([cell.strip() for cell in row], file, columns, path, findings)
                if len(places) < len(columns):
                    return None
                found.values, found.cells = {key: [] for key in columns}, {key: [] for key in columns}
            else:
                _read_row(row, rows.line_num, places, factors, separator, found)
    except csv.Error as error:
        found.report(rows.line_num, "(row)", "", f"is not valid CSV: {error}")
    if places is None:
        findings.fault((*path, "file"), "is empty; a header line and readings are needed")
        return None
    return found


def _places(header: list[str], file: str, columns: dict, path: Path, findings: Findings) -> dict[str, int]:
    """Index of each column; those not found, or found twice, are left out with a fault."""
    places = {}
    for key, (name, *_) in columns.items():
        if name not in header:
            known = ", ".join(f'"{cell}"' for cell in header[:12])
            findings.fault((*path, key), f"{file} has no such column; it has {known}", nearest_name(name, header))
        elif header.count(name) > 1:
            findings.fault((*path, key), f"{file} has several columns of this name")
        else:
            places[key] = header.index(name)
    return places


def _factor(unit: str, dimension: str, path: Path, findings: Findings) -> float | str | None:
    """What a number in ``unit`` is multiplied with; DATETIME for dates; None with a fault where it is no unit."""
    if dimension == "time" and unit == DATETIME:
        return DATETIME
    try:
        return quantity(f"1 {unit}", dimension)
    except QuantityError as error:
        findings.fault(path, error.message, error.nearest)
        return None


def _text_of(file: str, folder: FilePath, path: Path, findings: Findings) -> str | None:
    if FilePath(file).is_absolute():
        findings.fault(path, "must be a path relative to the scenario file")
        return None
    place = folder / file
    try:
        if place.stat().st_size > LARGEST_FILE:
            findings.fault(path, f"is larger than {LARGEST_FILE // 2**20} MiB; thin it out first")
            return None
        text = place.read_bytes().decode("utf-8-sig")
        findings.inputs[file] = text
        return text
    except FileNotFoundError:
        names = [item.name for item in folder.glob("*.csv")] if folder.is_dir() else []
        findings.fault(path, "no such file beside the scenario", nearest_name(file, names))
    except UnicodeDecodeError:
        findings.fault(path, "is not UTF-8 text")
    except (OSError, ValueError) as error:
        findings.fault(path, f"cannot be read: {getattr(error, 'strerror', None) or error}")
    return None


def _separator(text: str) -> str:
    """Semicolon, tab or comma, whichever the first line with words uses."""
    for line in text.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            return next((mark for mark in (";", "\t") if mark in line), ",")
    return ","


def _read_row(row: list[str], line: int, places: dict[str, int], factors: dict, separator: str, found: Columns) -> None:
    """Add one reading; it is left out with a fault where a cell is none."""
    values, cells = {}, {}
    for key, place in places.items():
        cell = row[place].strip() if place < len(row) else ""
        cells[key] = cell
        if not cell:
            found.report(line, key, "", "is empty; a number is expected")
            continue
        try:
            values[key] = _number(cell, factors[key], separator)
        except ValueError as error:
            found.report(line, key, cell, str(error))
    if len(values) == len(places):
        found.lines.append(line)
        for key in places:
            found.values[key].append(values[key])
            found.cells[key].append(cells[key])


def _number(cell: str, factor: float | str, separator: str) -> float:
    if factor == DATETIME:
        try:
            moment = datetime.fromisoformat(cell)
        except ValueError:
            raise ValueError("is not a date and time such as 2024-11-05T18:30:00") from None
        zone = moment.tzinfo or UTC  # without a zone, clock time is taken as it stands: no summer time jumps
        return (moment.replace(tzinfo=zone) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    if separator != "," and re.fullmatch(r"[+-]?\d+,\d+", cell):
        cell = cell.replace(",", ".")
    try:
        number = float(cell)
    except ValueError:
        raise ValueError("is not a number") from None
    if not math.isfinite(number):
        raise ValueError("is not a finite number; delete the line or correct it")
    return number * factor
