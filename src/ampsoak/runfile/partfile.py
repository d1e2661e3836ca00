"""The life of a result file: refused early, written as ``NAME.part``, renamed when whole."""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from pathlib import Path

import h5py

from ampsoak.base.errors import FileError
from ampsoak.runfile.heldfile import HeldFile

_FULL = (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC))


def part_path(path) -> Path:
    """Path of the unfinished file that becomes ``path``."""
    path = Path(path)
    return path.with_name(path.name + ".part")


def check_target(path, force: bool = False) -> None:
    """Raise FileError unless a result can be written to ``path``; cheap, for use before any computing.

    Parameters
    ----------
    path : str or Path    the final file
    force : bool          True allows replacing an existing file and an unfinished one beside it
    """
    path = Path(path)
    folder = path.parent
    if path.is_dir():
        raise FileError(f"{path}: is a folder; give the name of a file")
    if not folder.exists():
        raise FileError(f"{path}: the folder {folder} does not exist; make it first or write somewhere else")
    if not folder.is_dir():
        raise FileError(f"{path}: {folder} is a file, not a folder; write somewhere else")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise FileError(f"{path}: the folder {folder} is read-only for you; write somewhere else")
    if not force and path.exists():
        raise FileError(f"{path}: exists already and would be overwritten; choose another name, or force it")
    if not force and part_path(path).exists():
        raise FileError(
            f"{path}: {part_path(path).name} is there, left by an interrupted run or being written now; "
            "move it away if you need it, or force the overwriting"
        )


@contextmanager
def saving(path, kept: str):
    """Turn an operating-system error while writing ``path`` into a FileError; ``kept`` says what is still there."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            reason, cure = "no room left on the disk", "free some room or write to another disk"
        else:
            reason, cure = (error.strerror or str(error)), "check the folder and its rights"
        raise FileError(f"{path}: could not be written, {reason}; {kept}; {cure}") from error


class PartFile:
    """An HDF5 file under its ``.part`` name.

    Parameters
    ----------
    path : str or Path    the final file
    force : bool          as ``check_target``

    Attributes
    ----------
    file : h5py.File      write into this, then ``commit``
    broken : bool         a commit failed; nothing more can be kept
    """

    def __init__(self, path, force: bool = False):
        self.path, self.part, self._force = Path(path), part_path(path), force
        check_target(path, force)
        self._committed = "nothing was saved"
        self.broken = False
        with saving(self.part, self._committed):
            if force and self.part.exists():
                self.part.unlink()
            self._held = HeldFile(self.part)
        self.file = h5py.File(self._held, "w")

    def commit(self) -> None:
        """Bring everything written so far to the disk; a killed process leaves it readable in the ``.part``."""
        self.file.flush()
        self._write_out()
        self._committed = f"what was computed before is kept in {self.part.name}"

    def _write_out(self) -> None:
        self.broken = True
        with saving(self.part, self._committed):
            self._held.commit()
        self.broken = False

    def abandon(self) -> None:
        """Close and keep the ``.part`` as it was at the last commit; without any commit, remove it."""
        if self.file.id.valid:
            self.file.close()
        self._held.close()
        if self.part.exists() and self.part.stat().st_size == 0:
            self.part.unlink()

    def publish(self) -> None:
        """Close, bring to the medium, and give the file its final name."""
        self.file.close()
        self._write_out()
        with saving(self.part, self._committed):
            self._held.synchronise()
        self._held.close()
        if not self._force and self.path.exists():
            raise FileError(f"{self.path}: appeared while this was computed; the result is kept in {self.part.name}")
        with saving(self.path, f"the whole result is kept in {self.part.name}"):
            os.replace(self.part, self.path)


def publish_bytes(path, content: bytes, force: bool = False) -> None:
    """Write a small file whole, under its ``.part`` name first, with the same refusals as ``check_target``."""
    path, part = Path(path), part_path(path)
    check_target(path, force)
    with saving(path, "nothing was changed"):
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
