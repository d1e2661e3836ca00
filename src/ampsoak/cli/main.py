"""Entry of the command line. Heavy packages are imported by the commands that need them, never here."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from ampsoak import __version__
from ampsoak.cli.checking import check
from ampsoak.cli.closing import remedy
from ampsoak.cli.command import INTERRUPTED, command
from ampsoak.cli.comparing import compare
from ampsoak.cli.peaks import peaks
from ampsoak.cli.protecting import protect
from ampsoak.cli.reading import cover, info, show
from ampsoak.cli.reference import library, schema
from ampsoak.cli.rules import rules
from ampsoak.cli.selecting import select
from ampsoak.cli.solving import curve, run, study

EXIT_STATUS = (
    "Exit status: 0 done, 1 fault of ampsoak itself, 2 wrong usage, 3 scenario not valid, 4 numerical failure, 5 file missing, "
    "damaged, locked or in the way, 6 content not what was hashed, 10 verdict named by --fail-on, 130 interrupted."
)

app = typer.Typer(
    name="ampsoak",
    help="How hot an overloaded cable in a wall gets, when it passes its limits, and which device opens first.",
    epilog=EXIT_STATUS,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["--help", "-h"]},
)
for _function in (study, check, run, curve, protect, peaks, cover, select, remedy, compare, rules, show, info, library, schema):
    command(app)(_function)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"ampsoak {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Options before the command."""


def main() -> None:
    """Run the command line; the console script ``ampsoak``."""
    if "--no-color" in sys.argv or os.environ.get("TERM") == "dumb":
        os.environ["NO_COLOR"] = "1"  # also for the help texts
    try:
        app()
    except KeyboardInterrupt:
        _leave_at_once()
    except SystemExit as end:
        if end.code == INTERRUPTED:
            _leave_at_once()
        raise


def _leave_at_once() -> None:
    """End after an interrupt; threads in the middle of a current would otherwise be waited for."""
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(INTERRUPTED)
