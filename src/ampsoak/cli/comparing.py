"""The compare command: two scenarios, or two stored results, side by side. Stored results are never solved again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import FileError, UsageError
from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder, Workers
from ampsoak.cli.progress import curve_progress, history_progress
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.report.before_after import Comparison, Side
    from ampsoak.runfile.records import Curve, Run
    from ampsoak.scenario.case import Scenario

SUMMARY, TABLE = "comparison.json", "comparison.csv"
CURVES, HISTORIES = "before_after", "before_after_history"
_SIDE = "Scenario file, result file, or folder of a study."


def compare(
    talk: Talk,
    before: Annotated[Path, typer.Argument(metavar="BEFORE", help=_SIDE, show_default=False)],
    after: Annotated[Path, typer.Argument(metavar="AFTER", help=_SIDE, show_default=False)],
    output: OptionalFolder = None,
    force: Force = False,
    no_run: Annotated[bool, typer.Option("--no-run", help="Leave the current histories out.")] = False,
    workers: Workers = None,
) -> None:
    """Set two results side by side: what changed in the scenario and what that did; with -o figures, table and results.

    Example: ampsoak compare out_before out_after -o comparison
    """
    sources = [_Source(name, path, no_run) for name, path in (("before", before), ("after", after))]
    kinds = set.intersection(*(source.kinds for source in sources))
    if not kinds:
        said = " and ".join(f"{source.path} has {' and '.join(sorted(source.kinds)) or 'neither'}" for source in sources)
        raise UsageError(f"nothing to set side by side, a limit curve or a history of both is needed: {said}")
    files = [] if output is None else _files(output, kinds)
    kept = [] if output is None else [path for source in sources for path in source.kept(output, kinds)]
    if output is not None:
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting([*files, *kept], force)
        talk.targets += kept
    _say_cost(talk, sources, kinds)
    from ampsoak.report.before_after import compare as compared

    found = compared(*(source.side(talk, kinds, output, force, workers) for source in sources))
    payload = found.to_dict() | _cautions()
    if output is not None:
        _write(output, found, payload, force)
        say_written(talk, [*kept, *files])
    lines = _lines(found)
    bold = [number for number, line in enumerate(lines) if number == 0 or (line.endswith(":") and line[0] != " ")]
    talk.result(lines, payload | {"files": [*kept, *files]}, bold)


def _cautions() -> dict:
    from ampsoak.report.words import CAUTIONS

    return {"units": {"time": "s", "temperature": "K", "current": "A"}, "cautions": list(CAUTIONS)}


class _Source:
    """Where one side comes from."""

    def __init__(self, name: str, path: Path, no_run: bool):
        self.name, self.path = name, path
        self.case: Scenario | None = None
        self.curve: Curve | None = None
        self.run: Run | None = None
        if path.is_dir():
            stored = [path / file for file in ("curve.h5", "run.h5") if (path / file).exists()]
            if not stored:
                raise FileError(f"{path}: holds neither a curve.h5 nor a run.h5")
            for file in stored:
                self._read(file)
        elif path.suffix == ".h5":
            self._read(path)
        else:
            from ampsoak.cli.solving import read_scenario

            self.case = read_scenario(path)
        if no_run:
            self.run = None
        self._no_run = no_run

    def _read(self, path: Path) -> None:
        from ampsoak.runfile.read import open_run
        from ampsoak.runfile.records import Curve, Protected

        record = open_run(path)
        if isinstance(record, Protected):
            raise UsageError(f"{path} holds a history with devices in the loop; plain histories and curves are compared")
        if isinstance(record, Curve):
            self.curve = record
        else:
            self.run = record

    @property
    def kinds(self) -> set[str]:
        """What there is or can be solved: "curve", "run"."""
        if self.case is None:
            return {kind for kind, record in (("curve", self.curve), ("run", self.run)) if record is not None}
        there = {"curve": self.case.curve is not None, "run": bool(self.case.circuits) and not self._no_run}
        return {kind for kind, can in there.items() if can}

    def kept(self, folder: Path, kinds: set[str]) -> list[Path]:
        """Result files of what is solved."""
        return [folder / f"{self.name}_{kind}.h5" for kind in sorted(kinds)] if self.case is not None else []

    def seconds(self, kinds: set[str]) -> float:
        """Seconds solving will take, by the estimate; 0 for what is stored."""
        from ampsoak.study.estimate import estimate

        if self.case is None:
            return 0.0
        found = estimate(self.case)
        return sum(float(found[f"expected_seconds_{kind}"]) for kind in kinds)

    def side(self, talk: Talk, kinds: set[str], folder: Path | None, force: bool, workers: int | None) -> Side:
        """Read or solve what both sides have."""
        from ampsoak.coverage.compare import cover, standing_in
        from ampsoak.report.before_after import Side

        curve, run = (self.curve if "curve" in kinds else None), (self.run if "run" in kinds else None)
        if self.case is None:
            from ampsoak.cli.reading import stored_devices

            devices = stored_devices(curve) if curve is not None else ()
        else:
            devices = self.case.devices
            target = {kind: None if folder is None else folder / f"{self.name}_{kind}.h5" for kind in kinds}
            if "curve" in kinds:
                curve = self._solve_curve(talk, target["curve"], force, workers)
            if "run" in kinds:
                run = self._solve_run(talk, target["run"], force)
        here = [] if curve is None else standing_in(devices, curve.circuit)
        return Side(self.name, curve, cover(curve, here) if here else None, run)

    def _solve_curve(self, talk: Talk, path: Path | None, force: bool, workers: int | None) -> Curve:
        from ampsoak.study.curve import limit_curve

        talk.say(f"Limit curve {self.name}, {self.path}")
        with curve_progress(talk) as progress:
            return limit_curve(self.case, path, force=force, workers=workers, progress=progress)

    def _solve_run(self, talk: Talk, path: Path | None, force: bool) -> Run:
        from ampsoak.study.run import simulate

        talk.say(f"History {self.name}, {self.path}")
        with history_progress(talk) as progress:
            return simulate(self.case, path, force=force, progress=progress)


def _say_cost(talk: Talk, sources: list[_Source], kinds: set[str]) -> None:
    if all(source.case is None for source in sources):
        return
    from ampsoak.cli.solving import say_compiling
    from ampsoak.coverage.words import time_words

    talk.say(f"Solving about {time_words(sum(source.seconds(kinds) for source in sources))}.")
    say_compiling(talk)


def _files(folder: Path, kinds: set[str]) -> list[Path]:
    names = [name for name, kind in ((CURVES, "curve"), (HISTORIES, "run")) if kind in kinds]
    return [folder / SUMMARY, folder / TABLE, *deliverables.figure_files(folder, names)]


def _write(folder: Path, found: Comparison, payload: dict, force: bool) -> None:
    from ampsoak.report import before_after_figures as figures
    from ampsoak.report.before_after import change_table
    from ampsoak.report.tables import write_table

    sheets = []
    if found.limits:
        sheets.append(
            deliverables.Sheet(
                CURVES, lambda: figures.compared_curves_figure(found), lambda: figures.compared_curves_table(found)
            )
        )
    if found.before.run is not None and found.after.run is not None:
        sheets.append(
            deliverables.Sheet(
                HISTORIES, lambda: figures.compared_histories_figure(found), lambda: figures.compared_histories_table(found)
            )
        )
    deliverables.write_summary(folder / SUMMARY, payload, force)
    write_table(folder / TABLE, change_table(found), force)
    deliverables.write_sheets(folder, sheets, force)


def _lines(found: Comparison) -> list[str]:
    from ampsoak.report.before_after import change_rows, effect_rows, verdict_lines
    from ampsoak.report.words import CAUTION_LINE, origin_words

    lines = [found.after.record.title]
    for side in found.sides:
        records = [record for record in (side.curve, side.run) if record is not None]
        lines += [f"  {side.name}: {origin_words(record)}" for record in records]
    changes = change_rows(found)
    lines += ["", "What changed in the scenario:"]
    lines += columns([("", "before", "after"), *changes]) if changes else ["  nothing"]
    lines += ["", "What that did:", *columns([("", "before", "after"), *effect_rows(found)])]
    if verdicts := verdict_lines(found):
        lines += ["", "What the devices leave open:", *(f"  {line}" for line in verdicts)]
    lines += ["", *(f"Note: {note}." for note in found.notes)] if found.notes else []
    return [*lines, "", f"Caution: {CAUTION_LINE}"]
