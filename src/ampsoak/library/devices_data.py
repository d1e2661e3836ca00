"""Devices of the data files, built into :class:`~ampsoak.library.devices.DeviceFamily`.

Rows may be written as bands of inline tables, or, where every rating has its own currents, as one ``by_rating`` grid:
``columns`` say what each number means, ``rows`` hold ``[rating, current, ..., basis]`` with ``nan`` for no value.
"""

from __future__ import annotations

import math

from ampsoak.library.datafile import DataFile
from ampsoak.library.devices import (
    IMAGE_SETS,
    POINT_KINDS,
    SCOPES,
    START_STATES,
    ConventionalCurrents,
    DeviceFamily,
    MagneticBand,
    Note,
    PreArcingEnergy,
    RatingBand,
    TestPoint,
    ThermalImage,
)

REQUIRED = ("title", "kind", "types", "ratings", "reference_ambient", "basis")
OPTIONAL = ("aliases", "bands", "by_rating", "conventional", "magnetic", "images", "pre_arcing", "notes")
BAND_KEYS = ("types", "above", "up_to")
IMAGE_KEYS = ("pickup", "share", "time_constant_fast", "time_constant_slow")
POINT_KEYS = ("multiple", "current", "earliest", "latest", "preload", "preload_time", "scope", "note")


def build_devices(data: DataFile) -> dict[str, DeviceFamily]:
    """Return the device families of one file by standard; faults stay in ``data``."""
    built = {}
    for standard, table in data.raw.get("family", {}).items():
        key = f"family.{standard}"
        if not data.keys(table, key, REQUIRED, OPTIONAL):
            continue
        types = tuple(table["types"])
        rows = _Rows(data, table, key, types)
        built[standard] = DeviceFamily(
            standard=standard,
            title=table["title"],
            kind=data.choice(table, "kind", key, ("breaker", "fuse", "relay")),
            types=types,
            ratings=data.increasing(table["ratings"], f"{key}.ratings"),
            reference_ambient=data.value(table, "reference_ambient", key, "celsius"),
            bands=(*rows.bands(), *rows.grid()),
            conventional=rows.plain("conventional", ConventionalCurrents, ("trip", "time"), ("hold",)),
            magnetic=rows.plain("magnetic", MagneticBand, ("hold", "trip", "time")),
            images=rows.images(),
            pre_arcing=rows.pre_arcing(),
            notes=rows.notes(),
            source=data.provenance(table, key).source,
        )
    return built


class _Rows:
    """Row builders of one family."""

    def __init__(self, data: DataFile, table: dict, key: str, types: tuple[str, ...]):
        self.data, self.table, self.key, self.types = data, table, key, types

    def _each(self, name):
        for index, row in enumerate(self.table.get(name, [])):
            yield row, f"{self.key}.{name}[{index}]"

    def _band(self, row: dict, key: str) -> dict:
        types = tuple(row.get("types", self.types))
        for unknown in set(types) - set(self.types):
            self.data.fault(f"{key}.types", unknown, "is not a type of this family", self.types)
        if not row["above"] < row["up_to"]:
            self.data.fault(f"{key}.up_to", row["up_to"], "must be greater than above")
        return {"types": types, "above": float(row["above"]), "up_to": float(row["up_to"])}

    def _origin(self, row: dict, key: str) -> dict:
        basis = self.data.provenance(row, key)
        return {"clause": basis.at, "source": basis.source, "grade": basis.grade, "held": basis.held}

    def plain(self, name: str, cls, required: tuple[str, ...], optional: tuple[str, ...] = ()) -> tuple:
        """Rows whose numbers are fields of ``cls`` as they stand."""
        built = []
        for row, key in self._each(name):
            if self.data.keys(row, key, ("above", "up_to", "basis", *required), ("types", *optional)):
                numbers = {word: float(row[word]) for word in (*required, *optional) if word in row}
                absent = dict.fromkeys(word for word in optional if word not in row)
                built.append(cls(**self._band(row, key), **numbers, **absent, **self._origin(row, key)))
        return tuple(built)

    def images(self) -> tuple[ThermalImage, ...]:
        """Default model rows."""
        built = []
        for row, key in self._each("images"):
            if self.data.keys(row, key, ("name", "above", "up_to", "basis", *IMAGE_KEYS), ("types",)):
                origin = self._origin(row, key)
                origin.pop("clause")
                name = self.data.choice(row, "name", key, IMAGE_SETS)
                built.append(
                    ThermalImage(
                        name, **self._band(row, key), **{word: float(row[word]) for word in IMAGE_KEYS}, **origin
                    )
                )
        return tuple(built)

    def bands(self) -> tuple[RatingBand, ...]:
        """Rows of test points that hold for a band of ratings."""
        built = []
        for row, key in self._each("bands"):
            if self.data.keys(row, key, ("above", "up_to", "points"), ("types",)):
                points = [self._point(point, f"{key}.points[{at}]") for at, point in enumerate(row["points"])]
                built.append(RatingBand(**self._band(row, key), points=tuple(points)))
        return tuple(built)

    def grid(self) -> tuple[RatingBand, ...]:
        """One band per row of the ``by_rating`` grid; each reaches down to the next smaller rating."""
        table = self.table.get("by_rating")
        if table is None:
            return ()
        key, built, smaller = f"{self.key}.by_rating", [], 0.0
        for index, row in enumerate(table["rows"]):
            place = f"{key}.rows[{index}]"
            rating, *currents, basis = row
            if len(currents) != len(table["columns"]) or rating not in self.table["ratings"] or rating <= smaller:
                self.data.fault(
                    place, row, "must be a rating of the family, larger than the row before, and its columns"
                )
                continue
            points = tuple(
                self._point({**column, "current": current, "basis": basis}, place)
                for column, current in zip(table["columns"], currents, strict=True)
                if not math.isnan(current)
            )
            built.append(RatingBand(self.types, smaller, float(rating), points))
            smaller = float(rating)
        return tuple(built)

    def pre_arcing(self) -> tuple[PreArcingEnergy, ...]:
        """Pre-arcing I²t rows ``[rating, minimum, maximum, basis]`` at one time."""
        table = self.table.get("pre_arcing")
        if table is None:
            return ()
        return tuple(
            PreArcingEnergy(
                float(rating),
                float(minimum),
                float(maximum),
                table["time"],
                **self._origin({"basis": basis}, f"{self.key}.pre_arcing.rows[{index}]"),
            )
            for index, (rating, minimum, maximum, basis) in enumerate(table["rows"])
        )

    def notes(self) -> tuple[Note, ...]:
        """Remarks with their source."""
        found = []
        for row, key in self._each("notes"):
            if self.data.keys(row, key, ("text", "basis")):
                basis = self.data.provenance(row, key)
                found.append(Note(row["text"], basis.source, basis.held))
        return tuple(found)

    def _point(self, row: dict, key: str) -> TestPoint | None:
        data = self.data
        if not data.keys(row, key, ("name", "kind", "basis"), ("start", "ambient_celsius", *POINT_KEYS)):
            return None
        kind = data.choice(row, "kind", key, POINT_KINDS)
        given = {
            word: float(row[word]) if isinstance(row[word], int) else row[word] for word in POINT_KEYS if word in row
        }
        if ("multiple" in given) == ("current" in given):
            data.fault(key, None, "needs either multiple or current")
        for word, kinds in (("earliest", ("hold", "window")), ("latest", ("trip", "window"))):
            if (word in given) != (kind in kinds):
                data.fault(f"{key}.{word}", given.get(word), f"belongs to kinds {' and '.join(kinds)} only")
        start = data.choice({"start": row.get("start", "cold")}, "start", key, START_STATES)
        if (start == "hot") != ("preload" in given):
            data.fault(f"{key}.preload", given.get("preload"), "belongs to a hot start only")
        data.choice({"scope": given.get("scope", SCOPES[0])}, "scope", key, SCOPES)
        if "ambient_celsius" in row:
            given["ambient"] = row["ambient_celsius"] + 273.15
        return TestPoint(name=row["name"], kind=kind, start=start, **given, **self._origin(row, key))
