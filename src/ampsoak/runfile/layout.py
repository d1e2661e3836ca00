"""Which datasets a file holds, with their dimensions, units and long names.

Every file kind is one flat table of named arrays at the root, so that ``xarray.open_dataset(path, engine="h5netcdf")``
shows all of it at once, plus the groups ``/inputs`` (scenario text, resolved values, assumptions), ``/provenance`` and
``/provenance/volatile`` (what differs between two identical runs: dates, wall times). Names of circuits, conductors, parts, probes
and limits are the dimension scales themselves, so they become coordinates.

A history with devices in the loop (kind "protected") holds courses of different lengths: "none" (no device), then one per edge.
Their rows stand one below the other along ``row``, and ``row_course`` says whose each is; the same with the ends of the straight
pieces of current that the devices leave (``corner``) and with openings and closings (``operation``). ``element_level`` is the state
of every device element at each row, on the scale on which it opens at 1; ``course_detail`` (JSON) has the states as the device
models take them up again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import h5py
import numpy as np

from ampsoak.runfile.records import OUTCOMES, SectionRecord

FORMAT_VERSION = "1.0"
KINDS = ("run", "curve", "protected")
VOLATILE_GROUP = "provenance/volatile"


@dataclass(frozen=True)
class Layout:
    """One dataset.

    Parameters
    ----------
    name : str                     dataset name at the root of the file
    dimensions : tuple of str      names of its dimension scales; a dataset named like its only dimension is that scale
    units : str                    UDUNITS spelling; "1" where there is none
    long_name : str                what it is, for axis titles
    kind : str                     numpy type: "f8" except fields ("f4") and indices
    """

    name: str
    dimensions: tuple[str, ...]
    units: str
    long_name: str
    kind: str = "f8"


ROWS = (
    Layout("time", ("time",), "s", "elapsed time of accepted steps"),
    Layout("circuit_current", ("time", "circuit"), "A", "circuit current, r.m.s."),
    Layout("conductor_temperature", ("time", "conductor"), "K", "conductor temperature"),
    Layout("conductor_heat", ("time", "conductor"), "W m-1", "Joule heat of the conductor"),
    Layout("part_maximum", ("time", "part"), "K", "largest temperature in the part"),
    Layout("part_mean", ("time", "part"), "K", "mean temperature of the part"),
    Layout("probe_value", ("time", "probe"), "", "probe reading, in the unit given by probe_units"),
    Layout("energy_generated", ("time",), "J m-1", "heat generated since the start"),
    Layout("energy_stored", ("time",), "J m-1", "heat stored since the start"),
    Layout("energy_lost", ("time",), "J m-1", "heat lost through the edges since the start"),
    Layout("energy_residual", ("time",), "1", "energy balance residual over the largest of its terms"),
)
SNAPSHOTS = (
    Layout("snapshot_time", ("snapshot_time",), "s", "elapsed time of stored temperature fields"),
    Layout("snapshot_temperature", ("snapshot_time", "y", "x"), "K", "temperature field", "f4"),
)
REACTANTS = (  # only in runs that let reactions give off heat
    Layout("snapshot_remaining", ("snapshot_time", "reactant"), "1", "mean share left of the reactant in the part; a rough model"),
)
EVENTS = (
    Layout("event", ("event",), "1", "number of the event in order of recording", "i4"),
    Layout("event_time", ("event",), "s", "time of the event"),
    Layout("event_value", ("event",), "", "temperature [K] or current [A] at the event, by its kind"),
)
EVENT_WORDS = ("event_kind", "event_name", "event_part")
SECTION = (
    Layout("x", ("x",), "m", "cell centre, horizontal"),
    Layout("y", ("y",), "m", "cell centre, vertical, upwards"),
    Layout("x_edge", ("x_edge",), "m", "cell border, horizontal"),
    Layout("y_edge", ("y_edge",), "m", "cell border, vertical"),
    Layout("part_index", ("y", "x"), "1", "number of the part that fills most of the cell", "i2"),
    Layout("part_area_exact", ("part",), "m2", "area of the part as drawn"),
    Layout("part_area_mesh", ("part",), "m2", "area of the part on the mesh"),
    Layout("outline", ("outline",), "1", "number of the outline in painting order", "i4"),
    Layout("outline_part", ("outline",), "1", "number of the part the outline belongs to", "i4"),
    Layout("outline_point", ("outline_point",), "1", "number of the outline point", "i4"),
    Layout("outline_of_point", ("outline_point",), "1", "number of the outline the point belongs to", "i4"),
    Layout("outline_x", ("outline_point",), "m", "outline point, horizontal"),
    Layout("outline_y", ("outline_point",), "m", "outline point, vertical"),
)
CURVE = (
    Layout("current", ("current",), "A", "constant circuit current, r.m.s."),
    Layout("history_time", ("history_time",), "s", "elapsed time of the histories"),
    Layout("time_to_limit", ("limit", "current"), "s", "time to the limit; infinite unless the outcome says reached"),
    Layout("outcome", ("limit", "current"), "1", "what happened: " + ", ".join(
        f"{number} {word}" for number, word in enumerate(OUTCOMES)), "i1"),
    Layout("steady", ("current",), "1", "1 where a steady state exists", "u1"),
    Layout("steady_temperature", ("conductor", "current"), "K", "steady conductor temperature; nan where there is none"),
    Layout("conductor_temperature", ("conductor", "current", "history_time"), "K", "conductor temperature"),
    Layout("part_maximum", ("part", "current", "history_time"), "K", "largest temperature in the part"),
    Layout("start_temperature", ("conductor",), "K", "conductor temperature at the start"),
    Layout("adiabatic_k", (), "", "k of the adiabatic law I^2 t = k^2 S^2, in A s^(1/2) m^-2; nan if none"),
    Layout("adiabatic_area", (), "m2", "conductor area S of the adiabatic law; nan if none"),
    Layout("fault_current", (), "A", "prospective fault current, r.m.s.; nan if none"),
    Layout("horizon", (), "s", "longest time computed"),
)
CURVE_WORDS = ("circuit", "start_description", "adiabatic_limit")
# A history with devices in the loop: courses of different lengths, one below the other in ``row``
PROTECTED = (
    Layout("row", ("row",), "1", "number of the row of the histories", "i4"),
    Layout("row_course", ("row",), "1", "number of the course the row belongs to", "i4"),
    Layout("row_time", ("row",), "s", "elapsed time"),
    Layout("row_current", ("row",), "A", "current of the circuit just after that time, r.m.s."),
    Layout("part_maximum", ("row", "part"), "K", "largest temperature in the part"),
    Layout("element_level", ("row", "element"), "1", "level of the device's element, which opens it at 1; nan with no device"),
    Layout("course_followed", ("course",), "1", "1 where a device opens and the course is its own from there on", "u1"),
    Layout("course_end", ("course",), "s", "end of what was followed; nan where nothing is known of the devices"),
    Layout("ceiling_time", ("course",), "s", "when a part passed the melting point of copper; infinite if none did"),
    Layout("unknown_from", ("course",), "s", "from when on nothing can be said of the devices; infinite if never"),
    Layout("at_opening", ("course", "part"), "K", "largest temperature in the part at the first opening; nan if there is none"),
    Layout("peak_temperature", ("course", "part"), "K", "largest temperature in the part over the course"),
    Layout("peak_time", ("course", "part"), "s", "when the part was hottest"),
    Layout("final_temperature", ("course", "part"), "K", "largest temperature in the part at the end of the course"),
    Layout("still_rising", ("course", "part"), "1", "1 where the part was not seen to fall, so that its peak may be higher", "u1"),
    Layout("limit_time", ("course", "limit"), "s", "when the limit was first passed; infinite if it was not"),
    Layout("corner", ("corner",), "1", "number of the end of a straight piece of current", "i4"),
    Layout("corner_course", ("corner",), "1", "number of the course the end belongs to", "i4"),
    Layout("corner_time", ("corner",), "s", "elapsed time; two ends share it where the current jumps"),
    Layout("corner_current", ("corner",), "A", "current of the circuit that the devices leave, r.m.s."),
    Layout("operation", ("operation",), "1", "number of the opening or closing", "i4"),
    Layout("operation_course", ("operation",), "1", "number of the course it belongs to", "i4"),
    Layout("operation_time", ("operation",), "s", "elapsed time"),
    Layout("operation_current", ("operation",), "A", "current just before opening or just after closing, r.m.s."),
    Layout("duration", (), "s", "end of the current history"),
)
OPERATION_WORDS = ("operation_kind", "operation_device", "operation_element")
PROTECTED_FLAGS = ("course_followed", "still_rising")


def create(file: h5py.File, layout: Layout, shape: tuple[int, ...], growing: bool = False, chunk_rows: int = 256):
    """Create an empty dataset with its scales attached; returns the h5py dataset.

    Parameters
    ----------
    layout : Layout
    shape : tuple of int    present shape
    growing : bool          True lets the first dimension grow
    chunk_rows : int        rows of the first dimension in one chunk when it grows
    """
    if not shape:
        dataset = file.create_dataset(layout.name, shape=(), dtype="<" + layout.kind)
    else:
        # HDF5 allows no chunk longer than a fixed dimension, so an empty one is declared growing
        longest = tuple(None if size == 0 or (growing and axis == 0) else size for axis, size in enumerate(shape))
        rows = chunk_rows if growing else shape[0]
        chunks = tuple(max(1, size) for size in (rows, *shape[1:]))
        dataset = file.create_dataset(
            layout.name, shape=shape, maxshape=longest, chunks=chunks, dtype="<" + layout.kind,
            compression="gzip", compression_opts=4, shuffle=True, fletcher32=True,
        )
    describe(dataset, layout.units, layout.long_name)
    attach(file, dataset, layout.dimensions)
    return dataset


def put(file: h5py.File, layout: Layout, values) -> None:
    """Create a dataset and fill it; ``values`` as the layout says."""
    values = np.asarray(values, dtype="<" + layout.kind)
    dataset = create(file, layout, values.shape)
    if values.size:
        dataset[...] = values


def put_words(file: h5py.Group, name: str, words: list[str], dimension: str, long_name: str, growing: bool = False):
    """Create a dataset of UTF-8 text along ``dimension``; it is the dimension's scale when both have one name."""
    longest = (None,) if growing or not words else None
    dataset = file.create_dataset(name, shape=(len(words),), maxshape=longest, dtype=h5py.string_dtype())
    if words:
        dataset[...] = words
    describe(dataset, "", long_name)
    attach(file, dataset, (dimension,))
    return dataset


def describe(dataset: h5py.Dataset, units: str, long_name: str) -> None:
    """Set the two attributes every dataset carries; a dataset of words or of mixed units has no ``units``."""
    if units:
        dataset.attrs["units"] = units
    dataset.attrs["long_name"] = long_name


def attach(file: h5py.Group, dataset: h5py.Dataset, dimensions: tuple[str, ...]) -> None:
    """Attach dimension scales by name, or make the dataset the scale it is named after."""
    name = dataset.name.rsplit("/", 1)[-1]
    if dimensions == (name,):
        dataset.make_scale(name)
        return
    for axis, dimension in enumerate(dimensions):
        dataset.dims[axis].attach_scale(file[dimension])


def put_section(file: h5py.File, section: SectionRecord) -> None:
    """Write mesh, parts and outlines, and with them the dimensions ``x``, ``y`` and ``part``."""
    put_words(file, "part", section.part_names, "part", "part name")
    put_words(file, "part_role", section.part_roles, "part", "what the part is")
    put_words(file, "part_material", section.part_materials, "part", "material of the part")
    number = {name: index for index, name in enumerate(section.part_names)}
    x_edge, y_edge = np.asarray(section.x_edges), np.asarray(section.y_edges)
    points = [np.asarray(points, dtype=float).reshape(-1, 2) for _, points in section.outlines]
    joined = np.concatenate(points) if points else np.zeros((0, 2))
    owner = np.repeat(np.arange(len(points)), [len(one) for one in points])
    values = {
        "x": (x_edge[1:] + x_edge[:-1]) / 2, "y": (y_edge[1:] + y_edge[:-1]) / 2, "x_edge": x_edge, "y_edge": y_edge,
        "part_index": section.part_index, "part_area_exact": section.part_area_exact,
        "part_area_mesh": section.part_area_mesh, "outline": np.arange(len(points)),
        "outline_part": [number[name] for name, _ in section.outlines], "outline_point": np.arange(len(joined)),
        "outline_of_point": owner, "outline_x": joined[:, 0], "outline_y": joined[:, 1],
    }
    for layout in SECTION:
        put(file, layout, values[layout.name])


def put_limits(file: h5py.File, limits: list[dict]) -> None:
    """Write limit names as a scale, their temperatures as numbers, all else they carry as JSON."""
    put_words(file, "limit", [str(limit["name"]) for limit in limits], "limit", "limit name")
    temperature = Layout("limit_temperature", ("limit",), "K", "temperature that must not be passed")
    put(file, temperature, [float(limit["temperature"]) for limit in limits])
    detail = [{key: value for key, value in limit.items() if key not in ("name", "temperature")} for limit in limits]
    put_words(file, "limit_detail", [to_json(one) for one in detail], "limit", "parts and source of the limit, JSON")


def put_inputs(file: h5py.File, text: str, name: str, resolved: dict, assumptions: list[str]) -> None:
    """Write what was asked: the scenario text, its resolved values and what was assumed."""
    group = file.create_group("inputs")
    group.attrs["scenario_file"] = name.replace("\\", "/").rsplit("/", 1)[-1]  # never a folder: names of people and clients
    put_text(group, "scenario_text", text, "scenario file as read, UTF-8")
    put_text(group, "resolved", to_json(resolved), "resolved values with units and sources, JSON")
    put_words(group, "assumption", list(assumptions), "assumption", "value taken as a default, in words")


def put_provenance(file: h5py.File, provenance: dict, statistics: dict) -> None:
    """Write provenance and statistics; what differs between identical runs goes to the volatile group.

    Volatile are ``provenance["volatile"]`` and every statistic whose name contains "wall".
    """
    lasting = {key: value for key, value in provenance.items() if key != "volatile"}
    wall = {key: value for key, value in statistics.items() if "wall" in key}
    group = file.require_group("provenance")
    put_text(group, "record", to_json(lasting), "what computed this file, JSON")
    put_text(group, "statistics", to_json({k: v for k, v in statistics.items() if k not in wall}), "solution statistics, JSON")
    volatile = file.require_group(VOLATILE_GROUP)
    put_text(volatile, "record", to_json(provenance.get("volatile")), "date and machine, JSON; not part of the hash")
    put_text(volatile, "statistics", to_json(wall), "wall times, JSON; not part of the hash")


def put_text(group: h5py.Group, name: str, text: str, long_name: str) -> None:
    """Write or replace a scalar text dataset."""
    if name in group:
        del group[name]
    dataset = group.create_dataset(name, data=text, dtype=h5py.string_dtype())
    describe(dataset, "", long_name)


def to_json(value) -> str:
    """JSON text that ``json.loads`` turns back into the same value; numpy numbers and arrays become plain ones."""
    return json.dumps(value, ensure_ascii=False, indent=1, default=_plain)


def _plain(value):
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    raise TypeError(f"a result file cannot hold a {type(value).__name__}: {value!r}")


def start_file(file: h5py.File, kind: str, title: str) -> None:
    """Set the root attributes that say what the file is."""
    from ampsoak import __version__

    file.attrs["kind"] = kind
    file.attrs["format_version"] = FORMAT_VERSION
    file.attrs["title"] = title
    file.attrs["software"] = "ampsoak"
    file.attrs["software_version"] = __version__
    file.attrs["conventions"] = "ampsoak-1.0; units and long_name as in the CF conventions; times are elapsed seconds"
    file.attrs["state"] = "incomplete"
