"""The remedy command: which values of one quantity at a time let a device open before the cable's limits."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import UsageError, nearest_name
from ampsoak.cli import deliverables
from ampsoak.cli.answer import say_written
from ampsoak.cli.options import Force, OptionalFolder, ScenarioFile, Workers
from ampsoak.cli.progress import curve_progress
from ampsoak.cli.solving import read_scenario, say_compiling
from ampsoak.cli.talk import Talk, columns

if TYPE_CHECKING:
    from ampsoak.runfile.records import Curve
    from ampsoak.scenario.case import Scenario
    from ampsoak.study.closing import Closing, Trial
    from ampsoak.study.closing_question import Question
    from ampsoak.study.remedies import Varied

SUMMARY, TABLE, CURVES = "remedies.json", "remedies.csv", "curves"
_NO_SOLVE = ("rating",)


class Quantity(StrEnum):
    """What can be varied; ``study.remedies.QUANTITIES`` with a test that they agree."""

    RATING = "rating"
    CONDUCTOR_SIZE = "conductor_size"
    FILL_THICKNESS = "fill_thickness"
    FILL_DENSITY = "fill_density"
    CABLES = "cables"
    AIR_TEMPERATURE = "air_temperature"
    LOAD = "load"


def remedy(
    talk: Talk,
    scenario: ScenarioFile,
    by: Annotated[
        list[Quantity] | None,
        typer.Option(help="What to vary; repeat for several, each by itself.", show_default="all that apply"),
    ] = None,
    device: Annotated[
        str | None, typer.Option(metavar="NAME", help="The device that has to open.", show_default="the last in series, nearest the cable")
    ] = None,
    limit: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this limit; repeat for several.", show_default="all")
    ] = None,
    lowest: Annotated[
        str | None, typer.Option(metavar="CURRENT", help='From this current on, "20 A".', show_default="that of the curve")
    ] = None,
    highest: Annotated[
        str | None, typer.Option(metavar="CURRENT", help="Up to this current.", show_default="the fault current")
    ] = None,
    basis: Annotated[
        str | None, typer.Option(metavar="BASIS", help="Edges the verdicts rest on, as in cover.", show_default="the standard's")
    ] = None,
    curve: Annotated[
        Path | None,
        typer.Option(metavar="CURVE.h5", help="Limit curve of this very scenario, to search ratings on.", show_default=False),
    ] = None,
    output: OptionalFolder = None,
    force: Force = False,
    workers: Workers = None,
) -> None:
    """Search what would close the gap: values at which the device opens before the limits; with -o table and curves.

    Limit curves already in the folder are taken up again, so a search that was interrupted goes on where it was.

    Example: ampsoak remedy case.toml --by conductor_size --by rating -o remedies
    """
    case = read_scenario(scenario)
    if case.curve is None:
        raise UsageError(f"{scenario} has no [curve] table, which says from which to which current is asked")
    question = _question(case, scenario, device, limit, lowest, highest, basis)
    from ampsoak.study.remedies import varied

    wanted = list(dict.fromkeys(by)) if by else list(Quantity)
    everything = [varied(name.value, case, scenario.parent, question.device) for name in wanted]
    for entry in everything:
        if not entry.applies:
            talk.say(f"Left out: {entry.words}, since {entry.reason}.")
    chosen = [entry for entry in everything if entry.applies]
    if not chosen:
        raise UsageError(f"{scenario}: none of what was asked for can be varied here")
    search = _Search(talk, case, question, output, force, workers)
    search.prepare(curve)
    search.say_cost(chosen)
    say_compiling(talk)
    try:
        for entry in chosen:
            search.follow(entry)
    except KeyboardInterrupt:
        talk.warn("")
        search.say_partial()
        raise
    search.deliver()


def _question(case, path: Path, device, limits, lowest, highest, basis) -> Question:
    from ampsoak.base.units import QuantityError, quantity
    from ampsoak.coverage.compare import standing_in
    from ampsoak.coverage.edges import device_curve
    from ampsoak.scenario.case import DeviceChoice
    from ampsoak.study.closing_question import Question

    if not case.devices:
        raise UsageError(f"{path} names no device, so nothing has to open; add a [[device]]")
    circuit = case.circuits[case.curve.circuit].name
    here = standing_in(case.devices, circuit)
    if not here:
        raise UsageError(f'{path}: no device stands in circuit "{circuit}", which the curve asks about')
    names = [entry.name for entry in here]
    known = [entry.name for entry in case.limits]
    for given, among, what in (([device] if device else [], names, "device"), (limits or [], known, "limit")):
        for name in given:
            if name not in among:
                nearest = nearest_name(name, among)
                hint = f'; did you mean "{nearest}"?' if nearest else ""
                raise UsageError(f'{path} has no {what} "{name}"; there are {", ".join(among)}{hint}')
    ends = []
    for option, given in (("--lowest", lowest), ("--highest", highest)):
        try:
            ends.append(None if given is None else quantity(given, "current"))
        except QuantityError as error:
            raise UsageError(f'{option} "{given}": {error}') from error
    if None not in ends and ends[0] >= ends[1]:
        raise UsageError(f"--lowest {lowest} is not below --highest {highest}")
    chosen = here[names.index(device) if device else -1]
    if isinstance(chosen, DeviceChoice):
        device_curve(chosen).verdict_band(basis)  # a basis it does not have must not show after an hour
    return Question(chosen, *ends, basis, tuple(limits or ()))


class _Search:
    """Searches of one scenario, and what is kept of them as they go."""

    def __init__(self, talk: Talk, case: Scenario, question: Question, output: Path | None, force: bool, workers: int | None):
        self.talk, self.case, self.question = talk, case, question
        self.output, self.force, self.workers = output, force, workers
        self.found: list[tuple[str, Closing]] = []
        self.trials: list[tuple[str, list[Trial]]] = []
        self.base: Curve | None = None
        self.base_given = False
        self.read = 0
        self.saved = False

    def prepare(self, curve: Path | None) -> None:
        """Read the scenario's own curve where one is given, and see that everything can be written."""
        if curve is not None:
            self.base, self.base_given = _same_curve(curve, self.case), True
        if self.output is None:
            return
        deliverables.prepare_folder(self.output)
        deliverables.prepare_folder(self.output / CURVES)
        deliverables.refuse_overwriting(self._files(), self.force)
        (self.output / CURVES).mkdir(parents=True, exist_ok=True)
        self.talk.targets += [*self._files(), self.output / CURVES]

    def _files(self) -> list[Path]:
        return [self.output / SUMMARY, self.output / TABLE]

    def say_cost(self, chosen: Sequence[Varied]) -> None:
        """Tell what the searches will cost at most where the order of values is a guide."""
        from ampsoak.coverage.words import time_words
        from ampsoak.study.closing import most_solved
        from ampsoak.study.estimate import estimate

        each = float(estimate(self.case)["expected_seconds_curve"])
        counts = [
            (entry, int(not self.base_given) if entry.name in _NO_SOLVE else most_solved(entry.values)) for entry in chosen
        ]
        total = sum(count for _, count in counts)
        for entry, count in counts:
            solved = f"at most {count} limit curves" if count != 1 else "1 limit curve, the scenario's own"
            self.talk.say(f"{entry.words}: {solved if count else 'solves nothing'}.")
        self.talk.say(
            f"About {time_words(each)} each, {time_words(each * max(total, 1))} in all; more where the order of values turns "
            "out to be no guide."
        )

    def follow(self, entry: Varied) -> None:
        """Do one search."""
        from ampsoak.study.closing import closing_search, largest_rating

        name, trials = entry.name, []
        self.trials.append((name, trials))

        def tried(trial: Trial) -> None:
            trials.append(trial)
            self._save(complete=False)

        if entry.name in _NO_SOLVE:
            question = self.question
            start = self.case.curve.start
            load = start.currents[self.case.curve.circuit] if start.kind == "soaked" else 0.0
            closing = largest_rating(
                self._base_curve(), question.device, load=load, lowest=question.lowest, highest=question.highest,
                basis=question.basis, limits=question.limits,
            )  # fmt: skip
            trials += closing.trials
        else:
            closing = closing_search(
                entry.words, entry.values, self.question, present=entry.present, tried=tried,
                solve=lambda candidate, case: self._solved(f"{entry.words}: {candidate.label}", case),
            )  # fmt: skip
            trials[:] = closing.trials
        self.found.append((name, closing))
        self._save(complete=False)

    def _base_curve(self) -> Curve:
        if self.base is None:
            self.base = self._solved("the scenario as it is", self.case)
        return self.base

    def _solved(self, words: str, case: Scenario) -> Curve:
        """Limit curve of a case: from the folder where it is there already, otherwise solved and kept there."""
        from hashlib import sha256

        from ampsoak.study.curve import limit_curve

        path = None
        if self.output is not None:
            # the text says all of a case but the logs it names
            inputs = "".join(text for _, text in case.inputs)
            path = self.output / CURVES / f"{sha256((case.source_text + inputs).encode()).hexdigest()[:16]}.h5"
            if path.exists():
                self.read += 1
                self.talk.say(f"{words}: the limit curve in {path} is taken.")
                return _same_curve(path, case)
        self.talk.say(f"Limit curve for {words}")
        with curve_progress(self.talk) as progress:
            # a part that an interrupted search left is of no use any more
            return limit_curve(case, path, force=True, workers=self.workers, progress=progress)

    def summary(self, complete: bool) -> dict:
        """Everything found, for programs."""
        from ampsoak.coverage.plain import plain
        from ampsoak.report.words import CAUTIONS

        asked = self.question
        closings = [{"by": name, **closing.to_dict()} for name, closing in self.found]
        unfinished = [name for name, _ in self.trials if name not in [one for one, _ in self.found]]
        return {
            "title": self.case.title,
            "scenario_file": self.case.source_file,
            "complete": complete,
            "units": {"time": "s", "temperature": "K", "current": "A"},
            "asked": {
                "device": asked.device.name, "limits": list(asked.limits) or [limit.name for limit in self.case.limits],
                "lowest": asked.lowest, "highest": asked.highest, "basis": asked.basis,
            },
            "searches": closings,
            "unfinished": [
                {"by": name, "trials": plain(trials)} for name, trials in self.trials if name in unfinished
            ],
            "limit_curves_read_again": self.read,
            "cautions": list(CAUTIONS),
        }  # fmt: skip

    def _save(self, complete: bool) -> None:
        """Keep what is known by now."""
        if self.output is None:
            return
        from ampsoak.report.remedies import trial_table
        from ampsoak.report.tables import write_table

        force = self.force or self.saved
        deliverables.write_summary(self.output / SUMMARY, self.summary(complete), force)
        write_table(self.output / TABLE, trial_table(self.trials), force)
        self.saved = True

    def say_partial(self) -> None:
        """Tell what was found before an interrupt."""
        for line in self._lines(self.trials):
            self.talk.warn(line)

    def _lines(self, groups) -> list[str]:
        from ampsoak.report.remedies import trial_rows

        answers = dict(self.found)
        lines: list[str] = []
        for name, trials in groups:
            if not trials:
                continue
            heading = answers[name].quantity if name in answers else f"{name}, not finished"
            lines += ["", f"{heading[0].upper()}{heading[1:]}:"]
            lines += columns([("tried", "device opens", "what prevents it"), *trial_rows(trials)])
            if name in answers:
                lines.append(f"  {answers[name].text}")
        return lines

    def deliver(self) -> None:
        """Give the answer and the files."""
        from ampsoak.report.words import CAUTION_LINE, joined_words
        from ampsoak.study.model import rough_notes

        self._save(complete=True)
        files = self._files() if self.output is not None else []
        say_written(self.talk, files)
        asked = self.question
        limits = joined_words(f'"{name}"' for name in asked.limits) or "any limit"
        head = [
            self.case.title,
            f"  What would let {asked.device.name} open before {limits} at every current asked about; one thing changed at a time.",
        ]
        rough = ["", *(f"Note: {note}." for note in rough_notes(self.case))] if self.case.run.reactions else []
        lines = [*head, *self._lines(self.trials), *rough, "", f"Caution: {CAUTION_LINE}"]
        bold = [number for number, line in enumerate(lines) if number == 0 or (line.endswith(":") and line[0] != " ")]
        self.talk.result(lines, self.summary(True) | {"files": files}, bold)


def _same_curve(path: Path, case: Scenario) -> Curve:
    """Stored limit curve of this very case; UsageError where it is one of another."""
    from ampsoak.cli.reading import open_curve

    stored = open_curve(path)
    if stored.scenario_text != case.source_text:
        raise UsageError(f"{path} was computed from another scenario text than {case.source_file}; compute it again")
    if not stored.complete:
        raise UsageError(f"{path} is unfinished; compute it again")
    return stored
