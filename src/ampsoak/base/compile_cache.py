"""Where compiled kernels are kept between sessions; called before the compiler is imported, by every floor that uses it.

The folder belongs to the user and carries the versions of the compiler and Python and a digest of the kernels' sources,
because a compiled kernel holds what it calls, also from other files, and the compiler looks at its own file only. A user's own NUMBA_CACHE_DIR is left alone.
"""

from __future__ import annotations

import atexit
import hashlib
import importlib.metadata
import os
import shutil
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path

from ampsoak.base.user_folders import cache_folder, writable

VARIABLE = "NUMBA_CACHE_DIR"
_EFFORT = "NUMBA_OPT"  # kernels are as fast at 2 as at the compiler's own 3, and a first run waits a second less
_KERNEL_FILES = (
    "heat/abreast.py", "heat/advance.py", "heat/arrays.py", "heat/banded.py", "heat/bordered.py", "heat/compiling.py",
    "heat/crew.py", "heat/dissection.py", "heat/fronts.py", "heat/kernels.py", "heat/rows.py", "heat/sums.py",
    "heat/tiles.py", "section/kernels.py",
)  # fmt: skip
_LATER = (  # not compiled, or only for meshes or sections that need it
    "heat/abreast.py", "heat/arrays.py", "heat/compiling.py", "heat/crew.py", "heat/dissection.py", "heat/fronts.py",
    "heat/rows.py", "heat/tiles.py",
)  # fmt: skip
_SESSION_ONLY = "ampsoak-kernels-"  # begins the name of a folder that ends with the session
_SHARE = "from ampsoak.heat.ahead import compile_share; compile_share()"
_looked: list[bool] = []  # whether this process has looked if it needs one beside it
_PACKAGE = Path(__file__).resolve().parent.parent


def use_compile_cache() -> None:
    """Point the compiler to the user's cache folder; without a writable one, warn once and compile for this session only.

    Warns
    -----
    UserWarning     the folder cannot be written
    """
    os.environ.setdefault(_EFFORT, "2")
    if os.environ.get(VARIABLE):
        return
    folder = compile_cache_folder()
    if not writable(folder):
        # kernels marked for caching refuse to compile without a folder, so they get one that ends with the session
        kept, folder = folder, Path(tempfile.mkdtemp(prefix=_SESSION_ONLY))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        warnings.warn(
            f"compiled kernels cannot be kept in {kept}, which is not writable; they are compiled anew in every session "
            f"(set {VARIABLE} to a folder of yours to change that)",
            stacklevel=3,
        )
    os.environ[VARIABLE] = str(folder)
    if "numba" in sys.modules:  # imported before us: it has read its settings already
        sys.modules["numba"].config.CACHE_DIR = str(folder)


def compile_cache_folder() -> Path:
    """Folder in which kernels are kept, whether it exists or not."""
    if os.environ.get(VARIABLE):
        return Path(os.environ[VARIABLE])
    compiler = importlib.metadata.version("numba")
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    return cache_folder() / f"kernels-{_digest()}-numba-{compiler}-python-{python}"


def compile_aside() -> None:
    """Let a second process compile kernels too, once, where none are compiled yet and there is a core for it.

    It shares the cache folder with this one and never outlives it; where it cannot be started, this one compiles alone.
    """
    if _looked:
        return
    _looked.append(True)
    folder = compile_cache_folder()
    alone = (os.cpu_count() or 1) < 2 or os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0")
    if alone or folder.name.startswith(_SESSION_ONLY) or not writable(folder) or kernels_are_compiled():
        return
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    given = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    try:
        # by its arguments a process of ours and nothing of the program that called
        process = subprocess.Popen([sys.executable, "-c", _SHARE], env=environment, **given)
    except OSError:
        return
    atexit.register(_end, process)


def _end(process: subprocess.Popen) -> None:
    process.kill()
    process.wait()


def _digest() -> str:
    found = hashlib.sha256()
    for name in _KERNEL_FILES:
        found.update((_PACKAGE / name).read_bytes())
    return found.hexdigest()[:12]


def kernels_are_compiled() -> bool:
    """True when the cache holds kernels younger than their source, so that nothing has to be compiled first."""
    for source in (_PACKAGE / name for name in _KERNEL_FILES if name not in _LATER):
        kept = compile_cache_folder().glob(f"{source.parent.name}_*/{source.stem}.*.nbi")
        if not any(index.stat().st_mtime >= source.stat().st_mtime for index in kept):
            return False
    return True
