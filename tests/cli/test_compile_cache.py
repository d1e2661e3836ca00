"""Compiled kernels are kept in a folder of the user, or for the session where there is none that can be written."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from ampsoak.base import compile_cache

ASK = """
import json, os, warnings
with warnings.catch_warnings(record=True) as caught:
    warnings.simplefilter("always")
    import ampsoak.heat, ampsoak.section
import numba
print(json.dumps([os.environ["NUMBA_CACHE_DIR"], numba.config.CACHE_DIR, [str(one.message) for one in caught]]))
"""


def asked(before: str = "", **variables: str):
    """Cache folder by environment and by compiler, and warnings, of a fresh interpreter that imports the solver."""
    environment = {key: value for key, value in os.environ.items() if key != compile_cache.VARIABLE} | variables
    done = subprocess.run([sys.executable, "-c", before + ASK], capture_output=True, text=True, check=True, env=environment)
    return json.loads(done.stdout)


pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="folders of the XDG specification")


def test_the_folder_is_the_users_and_carries_compiler_and_sources(tmp_path):
    import numba

    chosen, read, warned = asked(XDG_CACHE_HOME=str(tmp_path))
    assert chosen == read
    assert chosen.startswith(str(tmp_path / "ampsoak"))
    assert compile_cache._digest() in chosen
    assert numba.__version__ in chosen
    assert warned == []


def test_a_compiler_imported_before_is_told_as_well(tmp_path):
    chosen, read, _ = asked("import numba\n", XDG_CACHE_HOME=str(tmp_path))
    assert chosen == read
    assert chosen.startswith(str(tmp_path / "ampsoak"))


def test_a_folder_chosen_by_the_user_is_left_alone(tmp_path):
    chosen, read, warned = asked(NUMBA_CACHE_DIR=str(tmp_path / "own"), XDG_CACHE_HOME=str(tmp_path))
    assert chosen == read == str(tmp_path / "own")
    assert warned == []


def test_without_a_writable_folder_there_is_one_notice_and_a_folder_for_the_session(tmp_path):
    (tmp_path / "file").write_text("")
    chosen, read, warned = asked(XDG_CACHE_HOME=str(tmp_path / "file"))
    assert chosen == read
    assert not os.path.exists(chosen)  # gone with the session
    assert len(warned) == 1
    assert "not writable" in warned[0]


def test_kernels_count_as_compiled_when_younger_than_their_source(tmp_path, monkeypatch):
    monkeypatch.setenv(compile_cache.VARIABLE, str(tmp_path))
    assert not compile_cache.kernels_are_compiled()
    kept = []
    for floor, module in (
        ("heat", "advance"), ("heat", "banded"), ("heat", "bordered"), ("heat", "kernels"), ("heat", "sums"), ("section", "kernels"),
    ):
        folder = tmp_path / f"{floor}_0123abcd"
        folder.mkdir(exist_ok=True)
        kept.append(folder / f"{module}.solve-1.py311.nbi")
        kept[-1].write_text("")
    assert compile_cache.kernels_are_compiled()
    os.utime(kept[0], (0, 0))
    assert not compile_cache.kernels_are_compiled()


def test_the_names_looked_for_are_those_the_compiler_gives(solved):
    # ``solved`` has compiled or loaded the kernels of both floors
    assert compile_cache.kernels_are_compiled()
