"""The error tree; every message says where, what was written, what is allowed and what to do.

AmpsoakError                 never raised itself
├── ScenarioError            the scenario (or another input file) has faults; carries them all      exit 3
├── RangeError               a law was asked outside its span                                         exit 4
├── NumericalError           the heat solution failed or its energy balance did not close             exit 4
├── FileError                a file is missing, unreadable, locked, corrupt, or would be overwritten  exit 5
├── MismatchError            verify or reproduce found a difference                                   exit 6
└── UsageError               the command line or a call asks for something that cannot be done        exit 2
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


class AmpsoakError(Exception):
    """Base of every error a user can meet; ``exit_code`` is what the command line returns."""

    exit_code = 1


@dataclass(frozen=True)
class Fault:
    """One fault in an input file.

    Parameters
    ----------
    file : str              file as the user named it
    line : int or None      1-based line, None where it cannot be told
    key : str               dotted key, e.g. ``cable[0].jacket.thickness``
    written : str           what the user wrote, as written
    message : str           what is allowed; one clause, lower case, no full stop
    nearest : str or None   nearest known name, shown as ``did you mean "..."?``
    """

    file: str
    line: int | None
    key: str
    written: str
    message: str
    nearest: str | None = None

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        head = f"{where}  {self.key}" + (f" = {self.written}" if self.written else "")
        hint = f'; did you mean "{self.nearest}"?' if self.nearest else ""
        return f"{head}\n    {self.message}{hint}"


class ScenarioError(AmpsoakError):
    """All faults found in one input file, in file order.

    Parameters
    ----------
    faults : iterable of Fault    at least one
    """

    exit_code = 3

    def __init__(self, faults: Iterable[Fault]):
        self.faults = tuple(faults)
        count = len(self.faults)
        tail = f"{count} fault{'s' if count != 1 else ''}; nothing was run."
        super().__init__("\n".join([*(str(fault) for fault in self.faults), tail]))


class RangeError(AmpsoakError):
    """A law or table was evaluated outside the span in which its source holds."""

    exit_code = 4


class NumericalError(AmpsoakError):
    """The heat solution failed: the message names time, cell, material and value."""

    exit_code = 4


class FileError(AmpsoakError):
    """A file is missing, unreadable, locked, corrupt, too new, or would be overwritten."""

    exit_code = 5


class MismatchError(AmpsoakError):
    """A stored result differs from what was recomputed or recorded."""

    exit_code = 6


class UsageError(AmpsoakError):
    """The request itself cannot be carried out as given."""

    exit_code = 2


def nearest_name(name: str, known: Iterable[str], cutoff: float = 0.55) -> str | None:
    """Return the known name closest to ``name``, or None when nothing is close.

    Parameters
    ----------
    name : str               what was written
    known : iterable of str  allowed names
    cutoff : float           similarity in 0..1 under which nothing is suggested
    """
    lowered = {candidate.lower(): candidate for candidate in known}
    found = difflib.get_close_matches(name.lower(), lowered, n=1, cutoff=cutoff)
    return lowered[found[0]] if found else None
