"""Arguments and options that several commands share."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class FailOn(StrEnum):
    """Verdicts that end a command with exit status 10."""

    UNCOVERED = "uncovered"


ScenarioFile = Annotated[Path, typer.Argument(metavar="FILE", help="Scenario file (TOML).", show_default=False)]
ResultFile = Annotated[
    Path, typer.Argument(metavar="FILE.h5", help="Run or curve written by ampsoak.", show_default=False)
]
Folder = Annotated[
    Path, typer.Option("--output", "-o", metavar="FOLDER", help="Folder for what is written.", show_default=False)
]
OptionalFolder = Annotated[
    Path | None,
    typer.Option("--output", "-o", metavar="FOLDER", help="Folder for what is written.", show_default=False),
]
Force = Annotated[bool, typer.Option("--force", help="Replace files that are in the way.")]
Workers = Annotated[
    int | None, typer.Option("--workers", min=1, help="Threads for the limit curve.", show_default="one per core")
]
FailOnVerdict = Annotated[
    FailOn | None,
    typer.Option("--fail-on", help="Exit with status 10 if a device leaves such a range.", show_default=False),
]
