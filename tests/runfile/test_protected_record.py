"""A history with devices in the loop is kept whole: bit for bit, self-describing, and the same answer again."""

from __future__ import annotations

import re
import warnings
from dataclasses import replace

import h5py
import numpy as np
import pytest
from runfile_samples import LIMITS, PROVENANCE, SCENARIO, assert_same, make_section

from ampsoak.base.errors import FileError
from ampsoak.coverage.operating import Operating, Operation
from ampsoak.coverage.protected import EdgeOutcome, ProtectedRun, Reached, record_of, run_of_record
from ampsoak.runfile.layout import OPERATION_WORDS, PROTECTED
from ampsoak.runfile.provenance import verify
from ampsoak.runfile.read import open_run
from ampsoak.runfile.records import Protected
from ampsoak.runfile.write import record_hash, write_protected
from ampsoak.scenario.case import CurrentProfile
from ampsoak.scenario.device_case import Reclosing

PARTS = ("fill", "cable.line", "lining")
ELEMENTS = (("relay", "time"), ("fuse", "thermal"), ("fuse", "pre-arcing"))


def reached(time, seed, **more) -> Reached:
    random = np.random.default_rng(seed)
    maximum = 300.0 + random.random((len(time), len(PARTS)))
    given = {
        "end": float(time[-1]), "peak": maximum.max(axis=0), "peak_time": time[maximum.argmax(axis=0)], "final": maximum[-1],
        "still_rising": np.array([True, False, False]), "limit_time": np.array([2.5, np.inf]), "ceiling_time": np.inf,
        "time": time, "part_maximum": maximum,
    }  # fmt: skip
    return Reached(**(given | more))


def protected() -> ProtectedRun:
    """Fast edge opens, is closed again and opens; the nominal one carries; of the slow one nothing is known after 4 s."""
    base = reached(np.array([0.0, 1.0, 2.0, 3.0, 10.0]), 1)
    profile = CurrentProfile((0.0, 4.0, 10.0), (16.0, 40.0), (20.0, 40.0))
    cut = CurrentProfile((0.0, 2.0, 3.0, 3.5, 10.0), (16.0, 0.0, 40.0, 0.0), (18.0, 0.0, 40.0, 0.0))
    operations = (
        Operation(2.0, "opens", "fuse", "thermal", 18.0), Operation(3.0, "closes", "fuse", "", 40.0),
        Operation(3.5, "opens", "relay", "time", 40.0),
    )  # fmt: skip
    states = {"relay": ((0.25,),), "fuse": ((0.5, 1e-300), (0.0,))}
    levels = {"relay": {"time": 0.25}, "fuse": {"thermal": 0.5, "pre-arcing": 0.0}}
    nothing = np.full(len(PARTS), np.nan)
    tail = reached(np.array([2.0, 2.5, 3.0, 9.0]), 2, ceiling_time=9.0)
    random = np.random.default_rng(4)
    fast = EdgeOutcome(
        "fast", Operating("fast", operations, np.inf, "", cut, states, levels), base.part_maximum[2], tail, ("a note",), ELEMENTS,
        random.random((6, 3)),
    )  # fmt: skip
    nominal = EdgeOutcome(
        "nominal", Operating("nominal", (), np.inf, "", profile, states, levels), nothing, base, (), ELEMENTS[:1], random.random((5, 1))
    )
    slow = EdgeOutcome(
        "slow", Operating("slow", (), 4.0, '"fuse": no data', CurrentProfile.constant(16.0, 4.0), {}, {}), nothing, None, (), ELEMENTS,
        np.zeros((0, 3)),
    )  # fmt: skip
    return ProtectedRun(
        "Küche, 2.5 mm²", "ring", ("relay", "fuse"), PARTS, (1,), tuple(LIMITS), base, (fast, nominal, slow), ("of all",), 10.0,
        profile, Reclosing(delays=(1.0,)),
    )  # fmt: skip


@pytest.fixture
def record() -> Protected:
    return record_of(
        protected(), section=make_section(), statistics={"cells": 20, "wall_seconds": 3.0}, scenario_text=SCENARIO,
        scenario_file="kueche.toml", resolved={"a": 1}, assumptions=["ambient 20 °C"], provenance=PROVENANCE,
    )  # fmt: skip


def test_it_comes_back_bit_for_bit(tmp_path, record):
    found = write_protected(tmp_path / "p.h5", record)
    again = open_run(tmp_path / "p.h5")
    assert isinstance(again, Protected) and again.complete
    assert verify(tmp_path / "p.h5") == again.canonical_hash == found == record_hash(record)
    for name in ("row_course", "corner_course", "operation_course"):  # numbers, whatever their width in memory
        setattr(record, name, np.asarray(getattr(record, name), dtype=np.int32))
    assert_same(again, record)
    assert write_protected(tmp_path / "q.h5", again) == found


def test_what_was_followed_is_what_is_read(tmp_path, record):
    """Words, JSON and tables of the file are those of the run itself; the course before an opening is told from its own."""
    write_protected(tmp_path / "p.h5", record)
    before, after = protected(), run_of_record(open_run(tmp_path / "p.h5"))
    assert after.canonical_hash and not before.canonical_hash
    assert after.text == before.text
    assert repr(after.to_dict() | {"canonical_hash": ""}) == repr(before.to_dict())
    assert repr(after.table()) == repr(before.table())
    assert after.profile == before.profile and after.reclosing == before.reclosing
    for one, other in zip(before.edges, after.edges, strict=True):
        assert other.operating == one.operating
        assert before.followed(one) == after.followed(other)
        assert np.array_equal(one.level, other.level)
        for first, second in zip(before.course(one), after.course(other), strict=True):
            assert np.array_equal(first, second)
    assert after.edges[1].reached is after.without
    assert np.array_equal(after.edges[0].reached.time, before.edges[0].reached.time)


def test_the_file_describes_itself(tmp_path, record):
    write_protected(tmp_path / "p.h5", record)
    unit = re.compile(r"^(1|A|K|s|m|m2)$")
    with h5py.File(tmp_path / "p.h5") as file:
        assert file.attrs["kind"] == "protected" and file.attrs["circuit"] == "ring"
        assert {one.name for one in PROTECTED} | {"course", "element", "device", *OPERATION_WORDS} <= set(file)
        for one in PROTECTED:
            assert file[one.name].attrs["long_name"]
            assert unit.match(file[one.name].attrs["units"]), one.name
            if one.dimensions:
                assert file[one.name].fletcher32
            for axis in range(file[one.name].ndim):
                assert file[one.name].is_scale or len(file[one.name].dims[axis]) == 1, one.name
        assert file["element"].asstr()[0] == "relay: time"


def test_xarray_opens_it(tmp_path, record):
    xarray = pytest.importorskip("xarray")
    write_protected(tmp_path / "p.h5", record)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with xarray.open_dataset(tmp_path / "p.h5", engine="h5netcdf", decode_timedelta=False) as data:
            data.load()
    assert not any("phony" in str(name) for name in data.dims)
    assert data["part_maximum"].dims == ("row", "part")
    fast = data.sel(row=data["row_course"] == 1)
    assert fast["row_time"].values.tolist() == [0.0, 1.0, 2.0, 2.5, 3.0, 9.0]  # the course with no device, then its own
    assert fast["element_level"].sel(element="fuse: thermal").size == 6
    assert data["peak_temperature"].sel(course="none", part="fill").item() == protected().without.peak[0]


def test_a_history_nothing_opens_in_and_nothing_is_limited_in_is_kept(tmp_path, record):
    found = protected()
    bare = replace(found, limits=(), notes=(), reclosing=None, edges=found.edges[1:2],
                   without=replace(found.without, limit_time=np.zeros(0)))  # fmt: skip
    edge = replace(bare.edges[0], reached=bare.without, element_names=(), level=np.zeros((5, 0)))
    bare = replace(bare, edges=(edge,))
    write_protected(tmp_path / "p.h5", record_of(bare, section=make_section()))
    again = run_of_record(open_run(tmp_path / "p.h5"))
    assert again.text == bare.text and again.reclosing is None and again.edges[0].level.shape == (5, 0)


def test_an_existing_file_is_not_replaced(tmp_path, record):
    (tmp_path / "p.h5").write_text("kept")
    with pytest.raises(FileError, match="exists already"):
        write_protected(tmp_path / "p.h5", record)
    assert (tmp_path / "p.h5").read_text() == "kept"
    assert not (tmp_path / "p.h5.part").exists()
