"""The rules command: a user's own rule file against stored results. It solves nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import UsageError
from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder
from ampsoak.cli.talk import Talk

if TYPE_CHECKING:
    from ampsoak.runfile.records import Curve, Run

FILES = ("rules.json", "rules.csv")


def rules(
    talk: Talk,
    rulebook: Annotated[Path, typer.Argument(metavar="RULES.toml", help="Your rule file.", show_default=False)],
    results: Annotated[
        list[Path], typer.Argument(metavar="RESULT.h5...", help="A limit curve, a history, or one of each.", show_default=False)
    ],
    scenario: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Take the devices of this scenario instead.", show_default=False),
    ] = None,
    output: OptionalFolder = None,
    force: Force = False,
) -> None:
    """Check your own rules, quoted with edition and clause, against stored results; with -o also as files.

    Example: ampsoak rules scenarios/rules/training_workshop_example.toml out/curve.h5 out/run.h5
    """
    from ampsoak.coverage.compare import cover
    from ampsoak.coverage.rules import check_rules
    from ampsoak.report.rules import rule_lines, rule_table
    from ampsoak.report.tables import write_table
    from ampsoak.report.words import CAUTION_LINE, CAUTIONS, origin_words
    from ampsoak.scenario.rule_file import load_rules

    book = load_rules(rulebook)
    curve, run = _opened(results)
    files = [] if output is None else [output / name for name in FILES]
    if output is not None:
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting(files, force)
    devices = () if curve is None else _devices(curve, scenario)
    coverage = cover(curve, devices) if devices else None
    found = check_rules(book, curve, coverage, run)
    records = [record for record in (curve, run) if record is not None]
    payload = found.to_dict() | {"cautions": list(CAUTIONS)}
    if output is not None:
        deliverables.write_summary(files[0], payload, force)
        write_table(files[1], rule_table(found), force)
        say_written(talk, files)
    lines = rule_lines(found)
    checked = [f"  checked against {record.title}: {origin_words(record)}" for record in records]
    lines = [*lines[:2], *checked, *lines[2:], "", f"Caution: {CAUTION_LINE}"]
    bold = [number for number, line in enumerate(lines) if number == 0 or (line.endswith(":") and line[0] != " ")]
    talk.result(lines, payload | {"files": files}, bold)


def _opened(paths: list[Path]) -> tuple[Curve | None, Run | None]:
    """The limit curve and the history among the files, no more than one of each."""
    from ampsoak.runfile.read import open_run
    from ampsoak.runfile.records import Curve, Protected

    curve = run = None
    for path in paths:
        record = open_run(path)
        if isinstance(record, Protected):
            raise UsageError(f"{path} holds a history with devices in the loop; rules are checked against a plain one")
        if isinstance(record, Curve):
            if curve is not None:
                raise UsageError(f"{path} is a second limit curve; give one at a time")
            curve = record
        else:
            if run is not None:
                raise UsageError(f"{path} is a second history; give one at a time")
            run = record
    return curve, run


def _devices(curve: Curve, scenario: Path | None):
    from ampsoak.cli.reading import stored_devices
    from ampsoak.coverage.compare import standing_in
    from ampsoak.scenario.load import load_scenario

    devices = stored_devices(curve) if scenario is None else load_scenario(scenario).devices
    return standing_in(devices, curve.circuit)
