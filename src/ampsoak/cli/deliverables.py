"""The files a command writes: named before anything is computed, refused if one is in the way, written at the end.

A figure is a PNG, a PDF and a CSV of what it shows, under one name.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ampsoak.base.errors import FileError, UsageError
from ampsoak.base.user_folders import writable

if TYPE_CHECKING:
    from ampsoak.coverage.compare import Coverage
    from ampsoak.coverage.protected import ProtectedRun
    from ampsoak.report.tables import Table
    from ampsoak.runfile.records import Curve, Protected, Run

FIGURE_ENDINGS = (".png", ".pdf", ".csv")
RUN_FIGURES = ("history", "section_temperature", "section_mesh")
RUN_TABLES = ("events.csv",)
CURVE_FIGURES = ("time_current",)
CURVE_TABLES = ("limit_times.csv",)
COVERAGE_FIGURES = ("opening_temperature",)
COVERAGE_TABLES = ("verdicts.csv", "margins.csv", "device_questions.csv")
PREVIEW = ("section_mesh",)
PROTECTED_FIGURES = ("protected_history",)
PROTECTED_RECORD, PROTECTED_SUMMARY, PROTECTED_TABLE = "protected.h5", "protected.json", "protected.csv"
_MOST_NAMED = 4


@dataclass(frozen=True)
class Sheet:
    """A figure with its table, each made when it is written."""

    name: str
    figure: Callable
    table: Callable[[], Table]


def figure_files(folder: Path, names: Sequence[str]) -> list[Path]:
    """Files of figures called ``names``."""
    return [folder / f"{name}{ending}" for name in names for ending in FIGURE_ENDINGS]


def run_files(folder: Path) -> list[Path]:
    """Figures and tables of a run."""
    return [*figure_files(folder, RUN_FIGURES), *(folder / name for name in RUN_TABLES)]


def curve_files(folder: Path, devices: bool) -> list[Path]:
    """Figures and tables of a limit curve, and of its comparison with devices."""
    files = [*figure_files(folder, CURVE_FIGURES), *(folder / name for name in CURVE_TABLES)]
    if devices:
        files += [*figure_files(folder, COVERAGE_FIGURES), *(folder / name for name in COVERAGE_TABLES)]
    return files


def protected_files(folder: Path) -> list[Path]:
    """Record, summary, and what is shown of a history with devices in the loop."""
    return [folder / PROTECTED_RECORD, folder / PROTECTED_SUMMARY, *shown_protected_files(folder)]


def shown_protected_files(folder: Path) -> list[Path]:
    """Figure and table of a history with devices in the loop."""
    return [folder / PROTECTED_TABLE, *figure_files(folder, PROTECTED_FIGURES)]


def prepare_folder(folder: Path) -> None:
    """Make ``folder`` where it is missing.

    Raises
    ------
    FileError     it cannot be made, is a file, or cannot be written in
    """
    if folder.exists() and not folder.is_dir():
        raise FileError(f"{folder}: is a file; give a folder")
    if not writable(folder):
        raise FileError(f"{folder}: this folder cannot be made or written in; give another")


def refuse_overwriting(files: Sequence[Path], force: bool) -> None:
    """Raise FileError before anything is computed if a file is in the way or could not be written.

    Parameters
    ----------
    files : sequence of Path     all files the command will write
    force : bool                 replacing files is allowed
    """
    from ampsoak.runfile.partfile import check_target

    there = [path for path in files if path.is_file()]
    if there and not force:
        folder = there[0].parent
        named = ", ".join(path.name for path in there[:_MOST_NAMED])
        rest = f" and {len(there) - _MOST_NAMED} more" if len(there) > _MOST_NAMED else ""
        raise FileError(f"{folder} holds {named}{rest} already; choose another place, or replace them with --force")
    for path in files:
        check_target(path, force)


def write_run_files(folder: Path, run: Run, force: bool) -> list[Path]:
    """Write figures and tables of ``run``; a run without a stored temperature field has no map."""
    from ampsoak.report import figures, tables
    from ampsoak.report.words import origin_words

    mesh = Sheet(
        "section_mesh",
        lambda: figures.preview_figure(run.section, run.title, origin_words(run)),
        lambda: tables.part_table(run.section),
    )
    sheets = [Sheet("history", lambda: figures.history_figure(run), lambda: tables.history_table(run))]
    if len(run.snapshot_time):
        sheets.append(
            Sheet("section_temperature", lambda: figures.section_figure(run), lambda: tables.section_table(run))
        )
    written = write_sheets(folder, [*sheets, mesh], force)
    return [*written, tables.write_table(folder / "events.csv", tables.event_table(run), force)]


def write_curve_files(folder: Path, curve: Curve, coverage: Coverage | None, force: bool) -> list[Path]:
    """Write figures and tables of ``curve`` and, where there are devices, of their comparison."""
    from ampsoak.report import figures, tables

    sheets = [
        Sheet(
            "time_current",
            lambda: figures.time_current_figure(curve, coverage),
            lambda: tables.time_current_table(curve, coverage),
        )
    ]
    found = {"limit_times.csv": lambda: tables.limit_table(curve)}
    if coverage is not None:
        sheets.append(
            Sheet(
                "opening_temperature",
                lambda: figures.opening_temperature_figure(curve, coverage),
                lambda: tables.opening_table(curve, coverage),
            )
        )
        found |= {
            "verdicts.csv": lambda: tables.verdict_table(coverage),
            "margins.csv": lambda: tables.margin_table(coverage),
            "device_questions.csv": lambda: tables.question_table(coverage),
        }
    written = write_sheets(folder, sheets, force)
    return [*written, *(tables.write_table(folder / name, make(), force) for name, make in found.items())]


def write_preview(folder: Path, section, title: str, force: bool) -> list[Path]:
    """Write the preview of a section that has not been computed."""
    from ampsoak.report import figures, tables

    sheet = Sheet(
        "section_mesh", lambda: figures.preview_figure(section, title), lambda: tables.part_table(section)
    )
    return write_sheets(folder, [sheet], force)


def write_protected_files(folder: Path, found: ProtectedRun, record: Protected, summary: dict | None, force: bool) -> list[Path]:
    """Write figure and table of a history with devices in the loop, and the summary where there is one."""
    from ampsoak.report import figures, protected, tables
    from ampsoak.report.words import origin_words

    sheet = Sheet(
        "protected_history",
        lambda: figures.protected_history_figure(found, origin_words(record)),
        lambda: protected.course_table(found),
    )
    written = [] if summary is None else [write_summary(folder / PROTECTED_SUMMARY, summary, force)]
    written += write_sheets(folder, [sheet], force)
    return [*written, tables.write_table(folder / PROTECTED_TABLE, protected.reached_table(found), force)]


def write_summary(path: Path, summary: dict, force: bool) -> Path:
    """Write the summary as JSON."""
    import json

    from ampsoak.runfile.partfile import publish_bytes

    text = json.dumps(summary, ensure_ascii=False, indent=1, allow_nan=False)
    publish_bytes(path, f"{text}\n".encode(), force)
    return path


def result_target(path: Path) -> Path:
    """``path`` of a result file, or UsageError where its ending is not ``.h5``."""
    if path.suffix != ".h5":
        raise UsageError(f"{path}: a result file ends in .h5")
    return path


def write_sheets(folder: Path, sheets: Sequence[Sheet], force: bool) -> list[Path]:
    """Write figures, each with its table."""
    """Write each figure as PNG and PDF, and its table as CSV."""
    from ampsoak.report.figures import save_figure
    from ampsoak.report.tables import write_table

    written: list[Path] = []
    for sheet in sheets:
        written += save_figure(sheet.figure(), folder / sheet.name, force)
        written.append(write_table(folder / f"{sheet.name}.csv", sheet.table(), force))
    return written
