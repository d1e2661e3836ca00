"""What the canonical hash sees and what it does not; what provenance says and what it does not."""

from __future__ import annotations

import dataclasses
import getpass
import hashlib
import json
import platform
import re
import subprocess
import sys
from pathlib import Path

import h5py
import pytest
from runfile_samples import make_curve

from ampsoak.base.errors import FileError, MismatchError
from ampsoak.runfile.layout import VOLATILE_GROUP
from ampsoak.runfile.provenance import canonical_hash, collect, verify
from ampsoak.runfile.write import write_curve


def test_two_identical_writes_have_equal_hashes_and_bytes(tmp_path, curve):
    """Tried: h5py keeps no time stamps, so even the bytes agree on one machine."""
    assert write_curve(tmp_path / "a.h5", curve) == write_curve(tmp_path / "b.h5", make_curve())
    assert (tmp_path / "a.h5").read_bytes() == (tmp_path / "b.h5").read_bytes()


def test_dates_and_wall_times_do_not_change_the_hash(tmp_path, curve):
    first = write_curve(tmp_path / "a.h5", curve)
    later = dataclasses.replace(
        curve, statistics={"cells": 20, "wall_seconds": 99.0},
        provenance=curve.provenance | {"volatile": {"created_utc": "2027-01-01T00:00:00Z"}},
    )
    assert write_curve(tmp_path / "b.h5", later) == first
    with h5py.File(tmp_path / "b.h5") as file:
        assert json.loads(file[f"{VOLATILE_GROUP}/record"][()])["created_utc"] == "2027-01-01T00:00:00Z"
        assert "2027" not in file["provenance/record"].asstr()[()]


@pytest.mark.parametrize(
    "change",
    [
        {"title": "another"},
        {"horizon": 2e5},
        {"scenario_text": "format = 1\n"},
        {"assumptions": ["ambient 21 °C"]},
        {"statistics": {"cells": 21}},
        {"conductor_names": ["cable.neutral"]},
        {"provenance": {"software_version": "9"}},
        {"start_description": "soaked"},
    ],
    ids=lambda change: next(iter(change)),
)
def test_any_change_of_content_changes_the_hash(tmp_path, curve, change):
    first = write_curve(tmp_path / "a.h5", curve)
    assert write_curve(tmp_path / "b.h5", dataclasses.replace(curve, **change)) != first


def test_hash_does_not_depend_on_chunks_and_compression(tmp_path, curve):
    """Rewriting a dataset uncompressed, as a newer library might, is the same content."""
    first = write_curve(tmp_path / "a.h5", curve)
    with h5py.File(tmp_path / "a.h5", "r+") as file:
        old = file["time_to_limit"]
        values, attributes = old[()], {key: old.attrs[key] for key in ("units", "long_name")}
        del file["time_to_limit"]
        new = file.create_dataset("time_to_limit", data=values)
        new.attrs.update(attributes)
        for axis, name in enumerate(("limit", "current")):
            new.dims[axis].attach_scale(file[name])
    assert canonical_hash(tmp_path / "a.h5") == first == verify(tmp_path / "a.h5")


def test_verify_finds_an_edited_value(tmp_path, curve):
    write_curve(tmp_path / "a.h5", curve)
    with h5py.File(tmp_path / "a.h5", "r+") as file:
        file["time_to_limit"][0, 2] = 31.0
    with pytest.raises(MismatchError, match="changed after it was written"):
        verify(tmp_path / "a.h5")


def test_verify_refuses_a_file_without_hash(tmp_path, curve):
    write_curve(tmp_path / "a.h5", curve)
    with h5py.File(tmp_path / "a.h5", "r+") as file:
        del file.attrs["canonical_hash"]
    with pytest.raises(FileError, match="carries no hash"):
        verify(tmp_path / "a.h5")


def test_provenance_names_versions_and_inputs_but_nobody(tmp_path):
    """Privacy rule: no host or user names, no absolute paths."""
    found = collect({"/home/someone/case/kitchen.toml": "format = 1\n", "log.csv": "time,current\n"})
    assert found["inputs_sha256"] == {
        "kitchen.toml": hashlib.sha256(b"format = 1\n").hexdigest(),
        "log.csv": hashlib.sha256(b"time,current\n").hexdigest(),
    }
    assert found["packages"].keys() == {"numpy", "scipy", "numba", "h5py"}
    assert found["packages"]["h5py"] == h5py.__version__ and found["python"] == platform.python_version()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", found["volatile"]["created_utc"])
    assert re.fullmatch(r"[0-9a-f]{64}", found["source_sha256"])
    text = json.dumps(found)
    assert platform.node() not in text and str(Path.home()) not in text and str(tmp_path) not in text
    assert getpass.getuser() not in text.split('"')


def test_collecting_provenance_does_not_import_numba():
    """Importing numba costs more than all else; versions come from the installed metadata."""
    code = "import sys; from ampsoak.runfile.provenance import collect; collect({}); print('numba' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
