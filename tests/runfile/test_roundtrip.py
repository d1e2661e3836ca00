"""What is written is read back bit for bit, and the file describes itself to a general-purpose reader."""

from __future__ import annotations

import dataclasses
import re
import warnings

import h5py
import numpy as np
import pytest
from runfile_samples import EVENTS, assert_same, make_curve, make_field, record

from ampsoak.base.errors import UsageError
from ampsoak.runfile.layout import CURVE, ROWS, SECTION, SNAPSHOTS
from ampsoak.runfile.layout import EVENTS as EVENT_LAYOUT
from ampsoak.runfile.provenance import canonical_hash, verify
from ampsoak.runfile.read import open_run
from ampsoak.runfile.records import Curve, Run
from ampsoak.runfile.write import MemoryRecorder, RunWriter, record_hash, write_curve, write_run


def test_run_recorded_to_a_file_equals_the_run_recorded_in_memory(tmp_path, header, run):
    """Bit for bit, types and order included."""
    writer = RunWriter(tmp_path / "run.h5", header)
    record(writer)
    found = open_run(tmp_path / "run.h5")
    assert isinstance(found, Run) and found.complete
    assert_same(found, run, skip=())
    assert found.events == EVENTS
    assert found.snapshot_temperature.dtype == np.float32
    assert np.array_equal(found.snapshot_temperature[1], make_field(2.0))
    assert not (tmp_path / "run.h5.part").exists()


def test_curve_comes_back_bit_for_bit(tmp_path, curve):
    """Infinite times, nan temperatures and the outcome classes included."""
    write_curve(tmp_path / "curve.h5", curve)
    found = open_run(tmp_path / "curve.h5")
    assert isinstance(found, Curve)
    assert_same(found, curve)
    assert found.steady.dtype == bool and found.outcome.dtype == np.int8


def test_a_run_read_can_be_written_again_with_the_same_hash(tmp_path, run):
    """The hash belongs to the content, not to the act of writing."""
    first = write_run(tmp_path / "a.h5", run)
    second = write_run(tmp_path / "b.h5", open_run(tmp_path / "a.h5"))
    assert first == second == canonical_hash(tmp_path / "b.h5") == record_hash(run) == run.canonical_hash
    assert run.run_id == first[:10]


def test_a_run_with_nothing_in_it_is_written_and_read(tmp_path, header):
    """No probes, circuits, limits, outlines, snapshots, events, steps or assumptions."""
    section = dataclasses.replace(header.section, outlines=[])
    bare = dataclasses.replace(
        header, section=section, circuit_names=[], probe_names=[], probe_units=[], limits=[], assumptions=[], resolved={}
    )
    memory = MemoryRecorder(bare)
    with RunWriter(tmp_path / "run.h5", bare) as writer, memory:
        writer.finish({})
        memory.finish({})
    assert_same(open_run(tmp_path / "run.h5"), memory.run, skip=())


def test_a_row_with_wrong_names_or_lengths_is_refused(tmp_path, header):
    """A silent broadcast would put wrong numbers on file."""
    from runfile_samples import make_row

    row = make_row(0.0)
    with RunWriter(tmp_path / "run.h5", header) as writer:
        with pytest.raises(UsageError, match="part_mean.*shape"):
            writer.append(**(row | {"part_mean": [1.0]}))
        with pytest.raises(UsageError, match="missing or unknown: energy_lost, energy_lots"):
            writer.append(**({k: v for k, v in row.items() if k != "energy_lost"} | {"energy_lots": 0.0}))


@pytest.mark.parametrize("kind", ["run", "curve"])
def test_every_dataset_has_checksum_long_name_units_and_named_dimensions(tmp_path, run, kind):
    """Units in UDUNITS spelling, as CF conventions section 3.1 asks (read in excerpt)."""
    path = tmp_path / "result.h5"
    write_run(path, run) if kind == "run" else write_curve(path, make_curve())
    unit = re.compile(r"^(1|(A|K|s|m|m2|W|J)( m-[12])?)$")
    unitless = {"probe_value", "event_value", "adiabatic_k"}  # mixed or not expressible; the long name says it
    with h5py.File(path) as file:
        for name, item in file.items():
            if isinstance(item, h5py.Group):
                continue
            assert item.attrs["long_name"]
            numeric = item.dtype.kind in "fiu"
            if numeric and name not in unitless:
                assert unit.match(item.attrs["units"]), name
            if numeric and item.ndim:
                assert item.fletcher32 and item.shuffle and item.compression == "gzip" and item.compression_opts == 4
            if item.dtype.kind == "f":
                assert item.dtype == ("<f4" if name == "snapshot_temperature" else "<f8"), name
            for axis in range(item.ndim):
                assert item.is_scale or len(item.dims[axis]) == 1, name
        tables = (ROWS, SNAPSHOTS, EVENT_LAYOUT, SECTION) if kind == "run" else (CURVE, SECTION)
        assert {one.name for table in tables for one in table} <= set(file)


@pytest.mark.parametrize("kind", ["run", "curve"])
def test_xarray_opens_it_with_named_dimensions_and_without_warnings(tmp_path, run, kind):
    """xarray with the h5netcdf engine, no phony dimensions, labels as coordinates."""
    xarray = pytest.importorskip("xarray")
    path = tmp_path / "result.h5"
    write_run(path, run) if kind == "run" else write_curve(path, make_curve())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with xarray.open_dataset(path, engine="h5netcdf", decode_timedelta=False) as data:
            data.load()
        with xarray.open_dataset(path, engine="h5netcdf", group="inputs") as inputs:
            inputs.load()
    assert not any("phony" in str(name) for name in data.dims)
    assert data["part"].values.tolist() == ["fill", "cable.line", "lining"]
    assert data["limit"].values.tolist() == ["PVC 70 °C", "gypsum, paper"]
    assert inputs["scenario_text"].item().startswith("format = 1")
    assert data["conductor_temperature"].attrs["units"] == "K"
    if kind == "run":
        assert data["snapshot_temperature"].dims == ("snapshot_time", "y", "x")
        assert data["probe_value"].dims == ("time", "probe")
        assert data["time"].attrs["units"] == "s" and data["time"].dtype == float
        assert float(data["conductor_temperature"].sel(conductor="cable.line")[3]) == run.conductor_temperature[3, 0]
        assert data["event_kind"].values.tolist() == [event.kind for event in EVENTS]
    else:
        assert data["conductor_temperature"].dims == ("conductor", "current", "history_time")
        assert data["time_to_limit"].sel(limit="PVC 70 °C", current=40.0).item() == 30.25


def test_verify_returns_the_hash_of_a_sound_file(tmp_path, curve):
    found = write_curve(tmp_path / "curve.h5", curve)
    assert verify(tmp_path / "curve.h5") == found
    with h5py.File(tmp_path / "curve.h5") as file:
        assert file.attrs["canonical_hash"] == found and file.attrs["run_id"] == found[:10]
