"""Commands that read what was computed before: cover, show, info. None of them solves anything."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ampsoak.base.errors import UsageError
from ampsoak.cli import deliverables
from ampsoak.cli.answer import give_answer, kind_words, say_written, verdict_status
from ampsoak.cli.options import FailOnVerdict, Folder, Force, OptionalFolder, ResultFile
from ampsoak.cli.talk import Talk, columns, counted

if TYPE_CHECKING:
    from ampsoak.coverage.compare import Coverage
    from ampsoak.runfile.records import Curve, Protected, Run
    from ampsoak.scenario.device_case import DeviceChoice, RelayChoice

_PACKAGES = ("numpy", "scipy", "numba", "h5py", "matplotlib", "pydantic", "pint", "typer", "rich")


class Basis(StrEnum):
    """Edges of a device that verdicts may rest on; ``coverage.edges.BASES`` with a test that they agree."""

    STANDARD = "standard"
    INTERPOLATED = "interpolated"
    DEFAULT = "default"
    MAKER = "maker"


def cover(
    talk: Talk,
    curve: Annotated[Path, typer.Argument(metavar="CURVE.h5", help="Limit curve file.", show_default=False)],
    scenario: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Take the devices of this scenario instead.", show_default=False),
    ] = None,
    basis: Annotated[
        Basis | None, typer.Option(help="Edges the verdicts rest on; the standard's, or given points.", show_default=False)
    ] = None,
    output: OptionalFolder = None,
    force: Force = False,
    fail_on: FailOnVerdict = None,
) -> int:
    """Compare devices with a stored limit curve; with -o also write the figures.

    Example: ampsoak cover out/curve.h5 --scenario smaller_breaker.toml
    """
    from ampsoak.coverage.compare import cover as compared
    from ampsoak.coverage.compare import standing_in

    stored = open_curve(curve)
    devices, load_points = (stored_devices(stored), None) if scenario is None else _protection_of(scenario)
    if not devices:
        where = f"{curve} holds" if scenario is None else f"{scenario} names"
        raise UsageError(f"{where} no device to compare with; name a scenario that does with --scenario")
    here = standing_in(devices, stored.circuit)
    if not here:
        raise UsageError(f'no device stands in circuit "{stored.circuit}", for which the curve was computed')
    for device in devices:
        if device not in here:
            talk.say(f'Note: "{device.name}" stands in circuit "{device.circuit}" and is not compared with this curve.')
    if output is not None:
        deliverables.prepare_folder(output)
        deliverables.refuse_overwriting(deliverables.curve_files(output, devices=True), force)
    coverage = compared(stored, here, None if basis is None else basis.value, load_points=load_points)
    files: list[Path] = []
    if output is not None:
        files = deliverables.write_curve_files(output, stored, coverage, force)
        say_written(talk, files)
    give_answer(talk, curve=stored, coverage=coverage, files=files)
    return verdict_status(coverage, fail_on)


def show(talk: Talk, file: ResultFile, output: Folder, force: Force = False) -> None:
    """Write the figures and tables of a run or curve file again.

    Example: ampsoak show out/run.h5 -o figures
    """
    from ampsoak.coverage.compare import cover as compared
    from ampsoak.coverage.compare import standing_in
    from ampsoak.runfile.read import open_run
    from ampsoak.runfile.records import Protected, Run

    record = open_run(file)
    coverage: Coverage | None = None
    if isinstance(record, Run):
        planned = deliverables.run_files(output)
    elif isinstance(record, Protected):
        planned = deliverables.shown_protected_files(output)
    else:
        devices = stored_devices(record)
        coverage = compared(record, devices) if standing_in(devices, record.circuit) else None
        planned = deliverables.curve_files(output, coverage is not None)
    deliverables.prepare_folder(output)
    deliverables.refuse_overwriting(planned, force)
    if isinstance(record, Protected):
        _show_protected(talk, record, output, force)
    elif isinstance(record, Run):
        files = deliverables.write_run_files(output, record, force)
        say_written(talk, files)
        give_answer(talk, run=record, files=files)
    else:
        files = deliverables.write_curve_files(output, record, coverage, force)
        say_written(talk, files)
        give_answer(talk, curve=record, coverage=coverage, files=files)


def _show_protected(talk: Talk, record: Protected, output: Path, force: bool) -> None:
    from ampsoak.cli.protecting import give_protected
    from ampsoak.coverage.protected import run_of_record
    from ampsoak.report.words import CAUTIONS

    found = run_of_record(record)
    files = deliverables.write_protected_files(output, found, record, None, force)
    say_written(talk, files)
    give_protected(talk, found, found.to_dict() | {"cautions": list(CAUTIONS), "files": files})


def info(
    talk: Talk,
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE.h5]", help="Run or curve to describe and verify.", show_default=False)
    ] = None,
) -> None:
    """Show versions and folders; for a file: what it is, where it comes from, and whether it is as written.

    Example: ampsoak info out/run.h5
    """
    lines, payload = _file_info(file) if file is not None else _program_info()
    talk.result(lines, payload, bold=[0])


def open_curve(path: Path) -> Curve:
    """Read a limit curve; UsageError where the file holds a run."""
    from ampsoak.runfile.read import open_run
    from ampsoak.runfile.records import Curve

    record = open_run(path)
    if not isinstance(record, Curve):
        raise UsageError(f"{path} holds a history; devices are compared with a limit curve, in a curve.h5")
    return record


def stored_devices(curve: Curve) -> tuple[DeviceChoice | RelayChoice, ...]:
    """Devices of the scenario that ``curve`` was computed from."""
    from ampsoak.scenario.device_record import device_of_record

    return tuple(device_of_record(record) for record in curve.resolved.get("devices", ()))


def _protection_of(path: Path):
    """Devices and load points of a scenario."""
    from ampsoak.scenario.load import load_scenario

    case = load_scenario(path)
    return case.devices, case.load_points


def _file_info(path: Path) -> tuple[list[str], dict]:
    from ampsoak.runfile.provenance import verify
    from ampsoak.runfile.read import open_file, open_run

    with open_file(path) as opened:
        finished = opened.attrs.get("state") == "complete"
    checked = verify(path) if finished else ""  # before reading: a changed value must not be shown as if it were sound
    record = open_run(path)
    kept = dict(record.provenance)
    volatile = kept.pop("volatile", {}) or {}
    changed = " with changes" if kept.get("git_changed") else ""
    commit = f", commit {kept['git_commit'][:12]}{changed}" if kept.get("git_commit") else ""
    state = "content as written: its hash was computed again and agrees" if finished else "unfinished: no hash to check"
    rows = [
        ("what", f"{kind_words(record)}, format {record.format_version}"),
        ("state", state),
        ("hash", record.canonical_hash or "none"),
        ("run id", record.run_id or "none"),
        ("holds", _content_words(record)),
        ("scenario", record.scenario_file or "not named"),
        ("written by", f"{kept.get('software', '?')} {kept.get('software_version', '?')}{commit}"),
        ("on", f"{kept.get('platform', '?')}, Python {kept.get('python', '?')}, {volatile.get('created_utc', 'date unknown')}"),
        ("with", ", ".join(f"{name} {version}" for name, version in kept.get("packages", {}).items())),
        *((f"sha256 of {name}", value) for name, value in kept.get("inputs_sha256", {}).items()),
        *((key.replace("_", " "), f"{value:.6g}" if isinstance(value, float) else str(value))
          for key, value in record.statistics.items()),
    ]  # fmt: skip
    lines = [record.title, *columns(rows)]
    if record.assumptions:
        lines += ["Assumed, because it was not given:", *(f"  {words}" for words in record.assumptions)]
    payload = {
        "file": path, "title": record.title, "kind": type(record).__name__.lower(), "complete": record.complete,
        "format_version": record.format_version, "canonical_hash": record.canonical_hash, "run_id": record.run_id,
        "verified": bool(checked), "scenario_file": record.scenario_file, "provenance": record.provenance,
        "statistics": record.statistics, "assumptions": record.assumptions,
    }  # fmt: skip
    return lines, payload


def _content_words(record: Run | Curve | Protected) -> str:
    from ampsoak.coverage.words import current_words, time_words
    from ampsoak.runfile.records import Protected, Run

    conductors = f"{counted(record.conductor_names, 'conductor')}, {counted(record.limits, 'limit')}"
    if isinstance(record, Run):
        until = time_words(record.time[-1]) if len(record.time) else "nothing"
        fields = counted(record.snapshot_time, "temperature field")
        return f"{counted(record.time, 'recorded time')} until {until}, {fields}, {conductors}"
    if isinstance(record, Protected):
        edges = ", ".join(record.course_names[1:])
        devices = f"{counted(record.device_names, 'device')} in {record.circuit} by the {edges} edge, and with none"
        return f"{time_words(record.duration)} of current, {devices}; {conductors}"
    between = f"{current_words(record.current[0])} to {current_words(record.current[-1])}"
    return f"{counted(record.current, 'current')}, {between}, up to {time_words(record.horizon)}, {conductors}"


def _program_info() -> tuple[list[str], dict]:
    import importlib.metadata
    import platform

    from ampsoak import __version__
    from ampsoak.base.compile_cache import compile_cache_folder, kernels_are_compiled
    from ampsoak.base.user_folders import log_folder

    packages = {name: importlib.metadata.version(name) for name in _PACKAGES}
    compiled = kernels_are_compiled()
    system = f"{platform.system()} {platform.machine()}"
    rows = [
        ("Python", platform.python_version()),
        ("system", system),
        *packages.items(),
        ("compiled kernels", f"{compile_cache_folder()} ({'present' if compiled else 'not yet compiled'})"),
        ("logs", str(log_folder())),
    ]
    payload = {
        "version": __version__, "python": platform.python_version(), "system": system, "packages": packages,
        "compile_cache": compile_cache_folder(), "kernels_compiled": compiled, "log_folder": log_folder(),
    }  # fmt: skip
    return [f"ampsoak {__version__}", *columns(rows)], payload
