"""How results are put before a person: the plain answer with its title and its cautions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ampsoak.cli.command import DONE, UNCOVERED
from ampsoak.cli.options import FailOn
from ampsoak.cli.talk import Talk

if TYPE_CHECKING:
    from ampsoak.coverage.compare import Coverage
    from ampsoak.runfile.records import Curve, Run


def give_answer(
    talk: Talk,
    run: Run | None = None,
    curve: Curve | None = None,
    coverage: Coverage | None = None,
    files: Sequence[Path] = (),
    all_cautions: bool = False,
    summary: dict | None = None,
) -> None:
    """Print the plain answer and the cautions, or the summary as JSON.

    Parameters
    ----------
    talk : Talk
    run, curve, coverage : as far as there are any
    files : sequence of Path    written by the command
    all_cautions : bool         every caution; otherwise the one line that stands for them
    summary : dict or None      from ``report.tables.summary_dict`` where it was made already
    """
    from ampsoak.report.words import CAUTION_LINE, CAUTIONS, answer_lines, origin_words

    if talk.as_json:
        from ampsoak.report.tables import summary_dict

        talk.result([], (summary or summary_dict(run, curve, coverage)) | {"files": list(files)})
        return
    records = [record for record in (run, curve) if record is not None]
    lines = [records[0].title, *(f"  {kind_words(record)}: {origin_words(record)}" for record in records), ""]
    bold = {0}
    for line in answer_lines(run, curve, coverage):
        if not line.startswith(" ") and line.endswith(":"):
            if lines[-1]:
                lines.append("")
            bold.add(len(lines))
        elif line.strip().startswith("Uncovered:"):
            bold.add(len(lines))
        lines.append(line)
    bold.add(len(lines) + 1)
    if all_cautions:
        lines += ["", "Cautions:", *(f"  {caution}" for caution in CAUTIONS)]
    else:
        lines += ["", f"Caution: {CAUTION_LINE}"]
    talk.result(lines, {}, bold)


def kind_words(record: Run | Curve) -> str:
    """"history" or "limit curve"."""
    from ampsoak.runfile.records import Run

    return "history" if isinstance(record, Run) else "limit curve"


def verdict_status(coverage: Coverage | None, fail_on: FailOn | None) -> int:
    """Exit status: 10 where ``fail_on`` asks for it and a device leaves a range uncovered."""
    if fail_on is None or coverage is None:
        return DONE
    uncovered = any(limit.uncovered for device in coverage.devices for limit in device.limits)
    return UNCOVERED if uncovered else DONE


def say_written(talk: Talk, files: Sequence[Path]) -> None:
    """Tell where the files went, by folder, figures named once."""
    folders: dict[Path, list[str]] = {}
    for path in files:
        folders.setdefault(path.parent, []).append(path.name)
    for folder, names in folders.items():
        endings: dict[str, list[str]] = {}
        for name in names:
            stem, _, ending = name.rpartition(".")
            endings.setdefault(stem, []).append(ending)
        grouped = [f"{stem}.{'/'.join(kinds)}" for stem, kinds in endings.items()]
        talk.say(f"Written to {folder}: {', '.join(grouped)}")
