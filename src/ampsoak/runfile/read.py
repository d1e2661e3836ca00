"""Opening result files: what is in them, or one sentence that says what is wrong and what to do."""

from __future__ import annotations

import errno
import json
from contextlib import contextmanager
from pathlib import Path

import h5py
import numpy as np

from ampsoak.base.errors import FileError, nearest_name
from ampsoak.runfile.layout import (
    CURVE,
    CURVE_WORDS,
    EVENTS,
    FORMAT_VERSION,
    KINDS,
    OPERATION_WORDS,
    PROTECTED,
    PROTECTED_FLAGS,
    REACTANTS,
    ROWS,
    SECTION,
    SNAPSHOTS,
    VOLATILE_GROUP,
)
from ampsoak.runfile.records import Curve, Event, Protected, Run, SectionRecord


def open_run(path) -> Run | Curve | Protected:
    """Read a result file whole.

    Parameters
    ----------
    path : str or Path    a finished file, or the ``.part`` an interrupted run left (then ``complete`` is False)

    Returns
    -------
    Run, Curve or Protected    by what the file says it is

    Raises
    ------
    FileError             missing, locked, cut short, damaged, not written by ampsoak, or written in a newer format
    """
    with open_file(path) as file:
        return {"run": _read_run, "curve": _read_curve, "protected": _read_protected}[file.attrs["kind"]](file, path)


@contextmanager
def open_file(path):
    """Open ``path`` for reading and check that this program can read it; yields the ``h5py.File``."""
    file = _open(Path(path))
    try:
        _check_kind(file, path)
        yield file
    finally:
        file.close()


@contextmanager
def damage_reported(path, name: str = ""):
    """Turn the errors h5py raises on a damaged file into a FileError; ``name`` is the dataset being read."""
    where = f" in {name!r}" if name else ""
    try:
        yield
    except KeyError as error:
        raise FileError(f"{path}: incomplete{where}, {error.args[0]}; restore it from a copy or run again") from error
    except (OSError, RuntimeError, UnicodeDecodeError, json.JSONDecodeError) as error:
        said = str(error) or type(error).__name__
        # HDF5 names the outermost failure: the checksum, or the decompression of changed bytes
        reason = "a checksum does not match" if "letcher" in said or "filter" in said else said.splitlines()[0]
        raise FileError(f"{path}: damaged{where}, {reason}; restore it from a copy or run the case again") from error


def _open(path: Path) -> h5py.File:
    if path.is_dir():
        raise FileError(f"{path}: is a folder; name the .h5 file in it")
    if not path.exists():
        beside = [one.name for one in path.parent.glob("*.h5*")] if path.parent.is_dir() else []
        near = nearest_name(path.name, beside)
        raise FileError(f"{path}: there is no such file" + (f'; did you mean "{near}"?' if near else ""))
    try:
        return h5py.File(path, "r")
    except PermissionError as error:
        raise FileError(f"{path}: you have no right to read it; ask its owner or change its rights") from error
    except OSError as error:
        if isinstance(error, BlockingIOError) or error.errno in (errno.EAGAIN, 37):
            raise FileError(f"{path}: another program has it open for writing; wait for that, or read a copy") from error
        raise FileError(f"{path}: {_why_unreadable(path, str(error))}") from error


def _why_unreadable(path: Path, said: str) -> str:
    if path.stat().st_size == 0:
        return "is empty; nothing was saved in it, run the case again"
    if "truncated" in said:
        return "is cut short, its end is missing; copy it again from where it was made, or run the case again"
    if "signature" in said:
        return "is not a result file (no HDF5 file, or its beginning is damaged); name a .h5 file ampsoak wrote"
    return "is damaged and cannot be opened; restore it from a copy or run the case again"


def _check_kind(file: h5py.File, path) -> None:
    with damage_reported(path):
        attributes = dict(file.attrs)
    if attributes.get("software") != "ampsoak" or attributes.get("kind") not in KINDS:
        raise FileError(f"{path}: is an HDF5 file, but not a result ampsoak wrote; name a run.h5, curve.h5 or protected.h5")
    written = str(attributes.get("format_version", ""))
    try:
        newer = tuple(int(one) for one in written.split(".")) > tuple(int(one) for one in FORMAT_VERSION.split("."))
    except ValueError as error:
        raise FileError(f"{path}: format version {written!r} is not a version; the file is damaged") from error
    if newer:
        import ampsoak

        raise FileError(
            f"{path}: is in format {written}, written by ampsoak {attributes.get('software_version', '?')}; this is ampsoak "
            f"{ampsoak.__version__}, which reads formats up to {FORMAT_VERSION}; install a newer ampsoak"
        )


class _Source:
    """An open file whose datasets are asked for by name."""

    def __init__(self, file: h5py.File, path):
        self.file, self.path = file, path

    def array(self, name: str) -> np.ndarray:
        with damage_reported(self.path, name):
            return self.file[name][()]

    def number(self, name: str) -> float:
        return float(self.array(name))

    def words(self, name: str) -> list[str]:
        with damage_reported(self.path, name):
            return [str(word) for word in self.file[name].asstr()[()]]

    def text(self, name: str) -> str:
        with damage_reported(self.path, name):
            return str(self.file[name].asstr()[()])

    def structure(self, name: str):
        with damage_reported(self.path, name):
            return json.loads(self.text(name))

    def attribute(self, name: str, of: str = "/") -> str:
        with damage_reported(self.path, name):
            return str(self.file[of].attrs[name])


def _read_section(source: _Source) -> SectionRecord:
    got = {layout.name: source.array(layout.name) for layout in SECTION}
    parts = source.words("part")
    outlines = []
    for number, part in enumerate(got["outline_part"]):
        chosen = got["outline_of_point"] == number
        outlines.append((parts[part], np.column_stack([got["outline_x"][chosen], got["outline_y"][chosen]])))
    return SectionRecord(
        x_edges=got["x_edge"], y_edges=got["y_edge"], part_index=got["part_index"], part_names=parts,
        part_roles=source.words("part_role"), part_materials=source.words("part_material"), outlines=outlines,
        part_area_exact=got["part_area_exact"], part_area_mesh=got["part_area_mesh"],
    )


def _read_shared(source: _Source) -> dict:
    """Fields that a run and a curve have in common."""
    provenance = source.structure("provenance/record")
    volatile = source.structure(f"{VOLATILE_GROUP}/record")
    if volatile is not None:
        provenance["volatile"] = volatile
    temperatures = source.array("limit_temperature")
    limits = [
        {"name": name, "temperature": float(temperature), **json.loads(detail)}
        for name, temperature, detail in zip(
            source.words("limit"), temperatures, source.words("limit_detail"), strict=True)
    ]
    return {
        "title": source.attribute("title"),
        "section": _read_section(source),
        "conductor_names": source.words("conductor"),
        "limits": limits,
        "statistics": source.structure("provenance/statistics") | source.structure(f"{VOLATILE_GROUP}/statistics"),
        "scenario_text": source.text("inputs/scenario_text"),
        "scenario_file": source.attribute("scenario_file", "inputs"),
        "resolved": source.structure("inputs/resolved"),
        "assumptions": source.words("inputs/assumption"),
        "provenance": provenance,
        "format_version": source.attribute("format_version"),
        "complete": source.attribute("state") == "complete",
        "canonical_hash": str(source.file.attrs.get("canonical_hash", "")),
    }


def _read_run(file: h5py.File, path) -> Run:
    source = _Source(file, path)
    shared = _read_shared(source)
    reacting = "reactant" in file  # files of runs without reactions, and older ones, do not have it
    arrays = {layout.name: source.array(layout.name) for layout in (*ROWS, *SNAPSHOTS, *(REACTANTS if reacting else ()))}
    if not reacting:
        arrays["snapshot_remaining"] = np.zeros((len(arrays["snapshot_time"]), 0))
    event_table = {layout.name: source.array(layout.name) for layout in EVENTS}
    events = [
        Event(float(time), kind, name, part, float(value))
        for time, kind, name, part, value in zip(
            event_table["event_time"], source.words("event_kind"), source.words("event_name"),
            source.words("event_part"), event_table["event_value"], strict=True)
    ]
    return Run(
        circuit_names=source.words("circuit"), probe_names=source.words("probe"), probe_units=source.words("probe_units"),
        reactant_names=source.words("reactant") if reacting else [], events=events, **arrays, **shared,
    )


def _read_curve(file: h5py.File, path) -> Curve:
    source = _Source(file, path)
    shared = _read_shared(source)
    arrays = {layout.name: source.array(layout.name) for layout in CURVE if layout.dimensions}
    numbers = {layout.name: source.number(layout.name) for layout in CURVE if not layout.dimensions}
    arrays["steady"] = arrays["steady"].astype(bool)
    words = {name: source.attribute(name) for name in CURVE_WORDS}
    return Curve(part_names=list(shared["section"].part_names), **arrays, **numbers, **words, **shared)


def _read_protected(file: h5py.File, path) -> Protected:
    source = _Source(file, path)
    shared = _read_shared(source)
    scales = ("row", "corner", "operation")
    arrays = {one.name: source.array(one.name) for one in PROTECTED if one.dimensions and one.name not in scales}
    arrays |= {name: arrays[name].astype(bool) for name in PROTECTED_FLAGS}
    words = [source.words(name) for name in OPERATION_WORDS]
    return Protected(
        circuit=source.attribute("circuit"), duration=source.number("duration"), device_names=source.words("device"),
        course_names=source.words("course"), element_names=source.words("element"),
        element_devices=source.words("element_device"), operation_words=list(zip(*words, strict=True)),
        course_detail=[json.loads(detail) for detail in source.words("course_detail")], **source.structure("detail"),
        **arrays, **shared,
    )
