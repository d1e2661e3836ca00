"""Commands that solve: study, run, curve."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import ScenarioError, UsageError
from ampsoak.cli import deliverables
from ampsoak.cli.answer import give_answer, say_written, verdict_status
from ampsoak.cli.options import FailOnVerdict, Folder, Force, ScenarioFile, Workers
from ampsoak.cli.progress import curve_progress, history_progress
from ampsoak.cli.talk import Talk

if TYPE_CHECKING:
    from ampsoak.coverage.protected import ProtectedRun
    from ampsoak.runfile.records import Curve, Run
    from ampsoak.scenario.case import Scenario


def study(
    talk: Talk,
    scenario: ScenarioFile,
    output: Folder,
    force: Force = False,
    no_run: Annotated[bool, typer.Option("--no-run", help="Leave the current history out.")] = False,
    no_protect: Annotated[
        bool, typer.Option("--no-protect", help="Leave the history with devices in the loop out; it takes as long again.")
    ] = False,
    workers: Workers = None,
    fail_on: FailOnVerdict = None,
) -> int:
    """Do the main job: history, limit curve, comparison with the devices, files and the plain answer.

    Example: ampsoak study scenarios/12awg_evening_dense_pack_bay.toml -o out
    """
    case = read_scenario(scenario)
    if no_run and case.curve is None:
        raise UsageError(f"{scenario} has no [curve], so --no-run leaves nothing to do")
    run_file, curve_file, summary_file = output / "run.h5", output / "curve.h5", output / "summary.json"
    planned: list[Path] = [summary_file]
    if not no_run:
        planned += [run_file, *deliverables.run_files(output)]
    loop = bool(case.devices) and not no_run and not no_protect
    if loop:
        planned += deliverables.protected_files(output)
    if case.curve is not None:
        planned += [curve_file, *deliverables.curve_files(output, bool(case.devices))]
    deliverables.prepare_folder(output)
    deliverables.refuse_overwriting(planned, force)
    talk.targets += [run_file, curve_file]
    files: list[Path] = []
    run = curve = coverage = protected = None
    if not no_run:
        run = solve_history(talk, case, run_file, force)
        files += [run_file, *deliverables.write_run_files(output, run, force)]
    if loop:
        protected, made = _with_devices(talk, case, output, force)
        files += made
    if case.curve is None:
        talk.warn(f"Note: {scenario} has no [curve], so no limit curve was computed and no device compared.")
    else:
        curve = solve_curve(talk, case, curve_file, force, workers)
        coverage = compare(case, curve)
        if coverage is None:
            talk.warn(f"Note: {scenario} names no device, so none was compared.")
        files += [curve_file, *deliverables.write_curve_files(output, curve, coverage, force)]
    from ampsoak.report.tables import summary_dict

    summary = summary_dict(run, curve, coverage, protected)
    files.append(deliverables.write_summary(summary_file, summary, force))
    say_written(talk, files)
    give_answer(talk, run, curve, coverage, files, all_cautions=True, summary=summary, protected=protected)
    return verdict_status(coverage, fail_on)


def run(
    talk: Talk,
    scenario: ScenarioFile,
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="RUN.h5", help="Run file to write.", show_default=False)
    ],
    force: Force = False,
) -> None:
    """Step the current history and write a run file.

    Example: ampsoak run case.toml -o run.h5
    """
    target = deliverables.result_target(output)
    case = read_scenario(scenario)
    deliverables.refuse_overwriting([target], force)
    talk.targets.append(target)
    found = solve_history(talk, case, target, force)
    say_written(talk, [target])
    give_answer(talk, run=found, files=[target])


def curve(
    talk: Talk,
    scenario: ScenarioFile,
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="CURVE.h5", help="Curve file to write.", show_default=False)
    ],
    force: Force = False,
    workers: Workers = None,
) -> None:
    """Compute the time to each limit at constant currents and write a curve file.

    Example: ampsoak curve case.toml -o curve.h5
    """
    target = deliverables.result_target(output)
    case = read_scenario(scenario)
    if case.curve is None:
        raise UsageError(f"{scenario} has no [curve] table, which says from which to which current")
    deliverables.refuse_overwriting([target], force)
    talk.targets.append(target)
    found = solve_curve(talk, case, target, force, workers)
    say_written(talk, [target])
    give_answer(talk, curve=found, files=[target])


def read_scenario(path: Path) -> Scenario:
    """Return the case of a scenario file with its devices checked as well, so that no fault shows after hours."""
    from ampsoak.coverage.device_faults import device_faults
    from ampsoak.scenario.load import load_scenario

    case = load_scenario(path)
    if faults := [fault for device in case.devices for fault in device_faults(device, str(path))]:
        raise ScenarioError(faults)
    return case


def _with_devices(talk: Talk, case: Scenario, output: Path, force: bool) -> tuple[ProtectedRun | None, list[Path]]:
    """The history with the devices of one circuit in the loop, and its files; a note where that cannot be followed."""
    from ampsoak.cli.protecting import follow, of_circuit
    from ampsoak.coverage.compare import standing_in
    from ampsoak.study.protection import circuit_of_devices

    compared = None if case.curve is None else case.circuits[case.curve.circuit].name
    asked = compared if any(device.circuit == compared for device in case.devices) else None
    try:
        circuit = case.circuits[circuit_of_devices(case, case.devices, asked)].name
        devices = standing_in(case.devices, circuit)
        return follow(talk, case, devices, circuit, of_circuit(case.reclosing, circuit), output, force)
    except UsageError as error:
        talk.warn(f"Note: devices were not followed in the loop: {error}")
        return None, []


def solve_history(talk: Talk, case: Scenario, path: Path, force: bool) -> Run:
    """Step the history into ``path`` with progress."""
    say_compiling(talk)
    from ampsoak.study.run import simulate

    with history_progress(talk) as progress:
        found = simulate(case, path, force=force, progress=progress)
    talk.say(_done_words("History", found.statistics))
    return found


def solve_curve(talk: Talk, case: Scenario, path: Path, force: bool, workers: int | None) -> Curve:
    """Compute the limit curve into ``path`` with progress."""
    say_compiling(talk)
    from ampsoak.study.curve import limit_curve

    with curve_progress(talk) as progress:
        found = limit_curve(case, path, force=force, workers=workers, progress=progress)
    talk.say(_done_words("Limit curve", found.statistics))
    return found


def compare(case: Scenario, curve: Curve):
    """Coverage of the case's devices in the curve's circuit, None where none stands there."""
    from ampsoak.coverage.compare import cover, standing_in

    return cover(curve, case.devices) if standing_in(case.devices, curve.circuit) else None


def say_compiling(talk: Talk) -> None:
    """Tell why the first use takes longer."""
    from ampsoak.base.compile_cache import compile_aside, kernels_are_compiled

    if not kernels_are_compiled():
        talk.say("Compiling kernels, once; this can take a minute.")
        compile_aside()


def _done_words(what: str, statistics: dict) -> str:
    from ampsoak.coverage.words import time_words

    return f"{what}: {statistics['cells']} cells, {statistics['steps']} steps, {time_words(statistics['wall_seconds'])}."
