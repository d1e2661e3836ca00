"""How results are put before a person: the plain answer with its title and its cautions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ampsoak.cli.command import DONE, UNCOVERED
from ampsoak.cli.options import FailOn
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.coverage.compare import Coverage, DeviceCoverage
    from ampsoak.coverage.partition import Interval
    from ampsoak.coverage.protected import ProtectedRun
    from ampsoak.runfile.records import Curve, Protected, Run

VERDICT_WORDS = {
    "never_reached": ("not reached", "the cable settles below the limit"),
    "covered": ("covered", "the device opens before the limit"),
    "within_band": ("within the band", "depends on the individual device"),
    "uncovered": ("uncovered", "the limit falls before even a fast device opens"),
    "below_pickup": ("uncovered", "the device is not obliged to open"),
    "unknown": ("unknown", "nothing can be said"),
}

SERIES_WORDS = {
    "never_reached": ("not reached", "the cable settles below the limit"),
    "covered": ("covered", "by {}"),
    "within_band": ("within the band", "depends on the individual {}"),
    "uncovered": ("uncovered", "none of them opens before the limit, or has to"),
    "unknown": ("unknown", "nothing can be said of {} there"),
}

NUISANCE_WORDS = {
    "held": ("held", "even a fast device stays closed"),
    "may_open": ("within the band", "depends on the individual device"),
    "opens": ("opens", "even a slow device opens"),
    "unknown": ("unknown", "no data of the device there"),
}


def give_answer(
    talk: Talk,
    run: Run | None = None,
    curve: Curve | None = None,
    coverage: Coverage | None = None,
    files: Sequence[Path] = (),
    all_cautions: bool = False,
    summary: dict | None = None,
    protected: ProtectedRun | None = None,
) -> None:
    """Print the plain answer and the cautions, or the summary as JSON.

    Parameters
    ----------
    talk : Talk
    run, curve, coverage : as far as there are any
    files : sequence of Path    written by the command
    all_cautions : bool         every caution; otherwise the one line that stands for them
    summary : dict or None      from ``report.tables.summary_dict`` where it was made already
    protected : ProtectedRun or None    the history with devices in the loop
    """
    from ampsoak.report.words import CAUTION_LINE, CAUTIONS, curve_lines, history_lines, origin_words

    if talk.as_json:
        from ampsoak.report.tables import summary_dict

        talk.result([], (summary or summary_dict(run, curve, coverage)) | {"files": list(files)})
        return
    records = [record for record in (run, curve) if record is not None]
    lines = [records[0].title, *(f"  {kind_words(record)}: {origin_words(record)}" for record in records), ""]
    bold = {0}
    answer = history_lines(run) if run is not None else []
    if protected is not None:
        from ampsoak.cli.protecting import answer_lines

        answer.append("The history with devices in the loop:")
        answer += [f"  {line}" if line.startswith("Note:") else line for line in answer_lines(protected) if line]
    answer += curve_lines(curve) if curve is not None else []
    for device in coverage.devices if coverage is not None else ():
        answer += verdict_lines(device)
    answer += series_lines(coverage) if coverage is not None else []
    for line in answer:
        if not line.startswith(" ") and line.endswith(":"):
            if lines[-1]:
                lines.append("")
            bold.add(len(lines))
        elif line.strip().startswith("Uncovered:"):
            bold.add(len(lines))
        lines.append(line)
    if all_cautions:
        bold.add(len(lines) + 1)
        lines += ["", "Cautions:", *(f"  {caution}" for caution in CAUTIONS)]
    else:
        lines += ["", f"Caution: {CAUTION_LINE}"]
    talk.result(lines, {}, bold)


def verdict_lines(entry: DeviceCoverage) -> list[str]:
    """Verdicts of one device as a table per limit, with what else has to be said; the sentences are in the summary."""
    from ampsoak.report.words import uncovered_words

    lines = [f"{entry.device.title}, verdicts on basis {entry.basis}:"]
    for limit in entry.limits:
        lines.append(f'  Against "{limit.limit}":')
        rows = [_verdict_row(interval, number == 0) for number, interval in enumerate(limit.intervals)]
        lines += columns(rows, indent=4)
        # the first sentences say what the table says
        lines += [f"    {sentence}" for sentence in limit.sentences[len(limit.intervals) :]]
        lines.append(f"    {uncovered_words(limit)}")
    lines += question_lines(entry)
    return [*lines, *(f"  Note: {note}." for note in entry.notes)]


def series_lines(coverage: Coverage) -> list[str]:
    """All devices together as a table per limit; nothing where there is one device."""
    from ampsoak.coverage.words import range_words
    from ampsoak.report.words import joined_words, uncovered_words

    if not coverage.series:
        return []
    lines = [f"{joined_words(entry.device.name for entry in coverage.devices)} in series, where the first that opens counts:"]
    for limit in coverage.series:
        lines.append(f'  Against "{limit.limit}":')
        rows = []
        for number, interval in enumerate(limit.intervals):
            word, meaning = SERIES_WORDS[interval.verdict]
            rows.append((_range(*range_words(interval.low, interval.high), first=number == 0), word,
                         meaning.format(joined_words(interval.devices))))  # fmt: skip
        lines += columns(rows, indent=4)
        lines.append(f"    {uncovered_words(limit)}")
    return lines


def question_lines(entry: DeviceCoverage) -> list[str]:
    """Whether one device holds what loads draw, and its short-circuit numbers, as far as they are stated."""
    from ampsoak.coverage.words import current_words, time_words

    lines = []
    if entry.nuisance:
        lines.append("  Against what loads draw in ordinary service:")
        rows = []
        for asked in entry.nuisance:
            drawn = f"{current_words(asked.point.current)} for {time_words(asked.point.duration)}"
            rows.append((asked.point.name, drawn, *NUISANCE_WORDS[asked.verdict]))
        lines += columns(rows, indent=4)
    if entry.short_time is not None:
        lines.append("  Short circuit:")
        lines += [f"    {sentence}" for sentence in entry.short_time.sentences]
    return lines


def _verdict_row(interval: Interval, first: bool) -> tuple[str, str, str]:
    """Range of current, verdict, and what that means."""
    from ampsoak.coverage.words import range_words

    verdict, meaning = VERDICT_WORDS[interval.verdict]
    rests = f" ({interval.decided_by})" if "edge" in interval.decided_by or "hold" in interval.decided_by else ""
    return (
        _range(*range_words(interval.low, interval.high), first=first),
        verdict,
        interval.reason if interval.verdict == "unknown" else f"{meaning}{rests}",
    )


def _range(*ends: str, first: bool) -> str:
    """A range of current out of its words: one end is a sliver, the first range begins where the currents begin."""
    if len(ends) == 1:
        return f"at about {ends[0]}"
    return f"up to {ends[1]}" if first else f"{ends[0]} to {ends[1]}"


def kind_words(record: Run | Curve | Protected) -> str:
    """"history", "limit curve" or "history with devices in the loop"."""
    kinds = {"Run": "history", "Curve": "limit curve", "Protected": "history with devices in the loop"}
    return kinds[type(record).__name__]


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
