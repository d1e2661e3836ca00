"""What computed a file, and the hash that says whether two files hold the same result."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import subprocess
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import h5py
import numpy as np

import ampsoak
from ampsoak.base.errors import FileError, MismatchError
from ampsoak.runfile.layout import VOLATILE_GROUP
from ampsoak.runfile.read import damage_reported, open_file

PACKAGES = ("numpy", "scipy", "numba", "h5py")
HASH_ATTRIBUTES = ("canonical_hash", "run_id")
# attributes the HDF5 library keeps for dimension scales: addresses inside the file, not content
_LIBRARY_ATTRIBUTES = ("CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST")


def collect(inputs: Mapping[str, str]) -> dict:
    """Return what a result file says about its making; no folder, host or user name is among it.

    Parameters
    ----------
    inputs : mapping of str to str    file name and text of every input file; folders are dropped from the names

    Returns
    -------
    dict    software, version, source and commit, Python and package versions, platform, SHA-256 of each input; and
            under "volatile" what differs between identical runs: UTC date, processor, system release
    """
    commit, changed = _checkout()
    return {
        "software": "ampsoak",
        "software_version": ampsoak.__version__,
        "source_sha256": _source_hash(),
        "git_commit": commit,
        "git_changed": changed,
        "python": platform.python_version(),
        "packages": {name: _version(name) for name in PACKAGES},
        "platform": f"{platform.system()} {platform.machine()}",
        "inputs_sha256": {
            name.replace("\\", "/").rsplit("/", 1)[-1]: hashlib.sha256(text.encode()).hexdigest()
            for name, text in inputs.items()
        },
        "volatile": {
            "created_utc": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "processor": _processor(),
            "system_release": platform.release(),
        },
    }


def canonical_hash(path) -> str:
    """SHA-256 of what the file says, whatever the library version, chunking or compression it was written with.

    Over the sorted names of all groups and datasets outside ``/provenance/volatile``: name, type, shape, dimension names,
    little-endian values, and attributes except those that hold the hash itself or serve the HDF5 library.

    Raises
    ------
    FileError    the file cannot be read
    """
    with open_file(path) as file:
        return digest(file, path)


def digest(file: h5py.File, path) -> str:
    """Canonical hash of the open ``file``, which messages call ``path``; see ``canonical_hash``."""
    names = ["/"]
    with damage_reported(path):
        file.visit(names.append)
    total = hashlib.sha256(b"ampsoak canonical 1")
    for name in sorted(names):
        if name == VOLATILE_GROUP or name.startswith(VOLATILE_GROUP + "/"):
            continue
        with damage_reported(path, name):
            _feed_item(total, name, file[name])
    return total.hexdigest()


def verify(path) -> str:
    """Check every checksum and the stored hash of a result file; returns the hash.

    Raises
    ------
    FileError        the file cannot be opened, is unfinished, or carries no hash
    MismatchError    a checksum fails, or the content is not what was hashed when the file was written
    """
    with open_file(path) as file:
        if file.attrs.get("state") != "complete" or "canonical_hash" not in file.attrs:
            raise FileError(f"{path}: was never finished, so it carries no hash to check; run the case again")
        stored = str(file.attrs["canonical_hash"])
        try:
            found = digest(file, path)
        except FileError as error:
            raise MismatchError(str(error)) from error
    if found != stored:
        raise MismatchError(
            f"{path}: the content was changed after it was written; it hashes to {found[:16]}..., "
            f"the hash stored with it is {stored[:16]}...; do not rely on this file, compute it again"
        )
    return found


def _feed(total, text: str) -> None:
    """Add text with its length, so that no two sequences of texts look alike."""
    raw = text.encode("utf-8", "surrogateescape")
    total.update(len(raw).to_bytes(8, "little") + raw)


def _feed_item(total, name: str, item: h5py.Group | h5py.Dataset) -> None:
    """Add one group or dataset with its attributes."""
    _feed(total, name)
    if isinstance(item, h5py.Dataset):
        _feed_dataset(total, item)
    for key in sorted(item.attrs):
        if key in _LIBRARY_ATTRIBUTES or key in HASH_ATTRIBUTES:
            continue
        _feed(total, key)
        _feed_values(total, item.attrs[key])


def _feed_dataset(total, dataset: h5py.Dataset) -> None:
    """Add dimension names and values, block by block along the first dimension."""
    for axis in range(dataset.ndim):
        scales = [scale.name for scale in dataset.dims[axis].values()]
        _feed(total, ",".join(scales))
    _feed(total, repr(dataset.shape))
    step = 1 if dataset.ndim > 2 else 65536
    if dataset.ndim == 0 or dataset.size == 0:
        _feed_values(total, dataset[()])
        return
    for first in range(0, dataset.shape[0], step):
        _feed_values(total, dataset[first : first + step])


def _feed_values(total, values) -> None:
    values = np.asarray(values)
    if values.dtype.kind in "OSU":
        for one in values.ravel():
            _feed(total, one.decode("utf-8", "surrogateescape") if isinstance(one, bytes) else str(one))
        return
    values = np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<"))
    _feed(total, values.dtype.str)
    total.update(values.tobytes())


@cache
def _version(package: str) -> str:
    """Installed version, found without importing the package."""
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


@cache
def _source_hash() -> str:
    """SHA-256 over the package's own code and data: says which code ran even from a changed checkout."""
    root = Path(ampsoak.__file__).parent
    total = hashlib.sha256()
    for file in sorted(root.rglob("*"), key=lambda one: one.relative_to(root).as_posix()):
        if file.suffix in (".py", ".toml") and file.is_file():
            _feed(total, file.relative_to(root).as_posix())
            total.update(hashlib.sha256(file.read_bytes()).digest())
    return total.hexdigest()


@cache  # what runs is what was loaded, whatever changes on disk meanwhile
def _checkout() -> tuple[str, bool | None]:
    """Commit and whether code or project file differ from it; ("", None) when not run from a checkout."""
    package = Path(ampsoak.__file__).resolve().parent
    top = package.parent.parent
    if package.parent.name != "src" or not (top / ".git").exists():
        return "", None
    try:
        commit = _git(top, "rev-parse", "HEAD").strip()
        changed = _git(top, "status", "--porcelain", "--", "src", "pyproject.toml").strip()
    except (OSError, subprocess.SubprocessError):
        return "", None
    return commit, bool(changed)


def _git(folder: Path, *arguments: str) -> str:
    done = subprocess.run(
        ["git", "-C", str(folder), *arguments], capture_output=True, text=True, timeout=10, check=True, stdin=subprocess.DEVNULL
    )
    return done.stdout


def _processor() -> str:
    """Processor model; bits may differ between processors, so it is worth keeping."""
    try:
        for line in Path("/proc/cpuinfo").read_text(errors="replace").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass  # not Linux: the plain name below must do
    return platform.processor() or platform.machine()
