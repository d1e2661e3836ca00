"""Folders of the current user for what can be made again (caches) and for what should be looked at (logs)."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path


def cache_folder() -> Path:
    """Folder for files that can be made again at any time; it may not exist yet."""
    return _folder("XDG_CACHE_HOME", ".cache", "Caches")


def log_folder() -> Path:
    """Folder for records of faults; it may not exist yet."""
    return _folder("XDG_STATE_HOME", ".local/state", "Logs")


def writable(folder: Path) -> bool:
    """Make ``folder`` where it is missing; True when a file can be written in it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=folder).close()
    except OSError:
        return False
    return True


def _folder(variable: str, unix: str, mac: str) -> Path:
    """The platform's place: the XDG base directories, a Mac's Library, or Windows' LOCALAPPDATA."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or tempfile.gettempdir()) / "ampsoak" / mac.lower()
    home = Path(os.path.expanduser("~"))  # stays "~" where there is no home; then it is simply not writable
    if sys.platform == "darwin":
        return home / "Library" / mac / "ampsoak"
    given = os.environ.get(variable, "")
    # the XDG specification has relative paths ignored
    return (Path(given) if os.path.isabs(given) else home / unix) / "ampsoak"
