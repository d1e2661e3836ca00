"""How a function becomes a command: the options every command has, and what happens when it fails.

Exit status: 0 done, 1 a fault of ampsoak itself, 130 interrupted; errors of the tree in ``base.errors`` carry their own.
"""

from __future__ import annotations

import functools
import inspect
import os
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, get_type_hints

import typer

from ampsoak.base.errors import AmpsoakError, ScenarioError
from ampsoak.base.user_folders import log_folder, writable
from ampsoak.cli.talk import Talk

DONE, FAULT, UNCOVERED, INTERRUPTED = 0, 1, 10, 130

_EVERY_COMMAND = {
    "as_json": Annotated[bool, typer.Option("--json", help="Give the result as one JSON object.")],
    "quiet": Annotated[bool, typer.Option("--quiet", "-q", help="No talk and no progress.")],
    "no_color": Annotated[bool, typer.Option("--no-color", help="Plain words; NO_COLOR does the same.")],
    "debug": Annotated[bool, typer.Option("--debug", help="Show where an error came from.")],
}


def command(app: typer.Typer) -> Callable:
    """Register a function ``(talk, ...) -> int or None`` as a command with the options every command has.

    The function's remaining parameters are its own arguments and options; what it returns is the exit status.
    """

    def register(function: Callable) -> Callable:
        hints = get_type_hints(function, include_extras=True)
        own = [
            parameter.replace(annotation=hints[name])
            for name, parameter in inspect.signature(function).parameters.items()
            if name != "talk"
        ]
        shared = [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=False, annotation=annotation)
            for name, annotation in _EVERY_COMMAND.items()
        ]

        @functools.wraps(function)
        def run(**arguments):
            as_json, quiet, no_color, debug = (arguments.pop(name) for name in _EVERY_COMMAND)
            talk = Talk(function.__name__, as_json, quiet, not no_color)
            raise typer.Exit(_guarded(function, talk, arguments, debug))

        # typer reads a command's options from here
        run.__signature__ = inspect.Signature([*own, *shared])
        run.__annotations__ = {parameter.name: parameter.annotation for parameter in (*own, *shared)}
        app.command()(run)
        return function

    return register


def _guarded(function: Callable, talk: Talk, arguments: dict, debug: bool) -> int:
    """Exit status of ``function``; every failure becomes one clear message."""
    begun = time.time()
    try:
        with warnings.catch_warnings():
            warnings.showwarning = lambda message, *_: talk.warn(f"Note: {message}.")
            return function(talk, **arguments) or DONE
    except AmpsoakError as error:
        _report(talk, error, debug)
        return error.exit_code
    except KeyboardInterrupt:
        talk.warn(f"\nInterrupted. {_kept_words(talk, begun)}")
        _deliver_error(talk, {"kind": "interrupted", "exit_code": INTERRUPTED, "message": _kept_words(talk, begun)})
        return INTERRUPTED
    except BrokenPipeError:  # whoever read our output has enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except Exception as error:  # noqa: BLE001 - the outermost door: logged and reported, never dropped
        log = _write_log()
        if debug:
            traceback.print_exc()
        message = f"ampsoak failed by a fault of its own ({type(error).__name__}: {error})."
        talk.warn(f"{message}\nThe trace is in {log}; please report it with this file and the scenario.")
        _deliver_error(talk, {"kind": "fault", "exit_code": FAULT, "message": message, "log": str(log)})
        return FAULT


def _report(talk: Talk, error: AmpsoakError, debug: bool) -> None:
    if debug:
        traceback.print_exc()
    talk.warn(str(error))
    said = {"kind": type(error).__name__, "exit_code": error.exit_code, "message": str(error)}
    if isinstance(error, ScenarioError):
        said["faults"] = [vars(fault) for fault in error.faults]
    _deliver_error(talk, said)


def _deliver_error(talk: Talk, said: dict) -> None:
    """The error as the JSON object, where one is expected and none was given yet."""
    if talk.as_json and not talk.delivered:
        talk.deliver({"error": said})


def _kept_words(talk: Talk, begun: float) -> str:
    """Which of the command's files hold something it computed."""
    kept = []
    for target in talk.targets:
        for path in (target, target.with_name(target.name + ".part")):
            # files written before this command began are not its own, and an empty folder holds nothing
            if path.exists() and not (path.is_dir() and not any(path.iterdir())) and path.stat().st_mtime >= begun - 1.0:
                kept.append(str(path))
    return f"What was computed is kept in {', '.join(kept)}." if kept else "Nothing was kept."


def _write_log() -> Path:
    """Keep the current traceback in the user's log folder, or where that is not writable in the temporary one."""
    import platform
    import tempfile

    from ampsoak import __version__

    folder = log_folder() if writable(log_folder()) else Path(tempfile.gettempdir())
    path = folder / f"ampsoak-{datetime.now():%Y%m%d-%H%M%S}-{os.getpid()}.log"
    head = f"ampsoak {__version__}, Python {platform.python_version()}, {platform.platform()}\n"
    path.write_text(f"{head}{' '.join(sys.argv)}\n\n{traceback.format_exc()}", encoding="utf-8")
    return path
