"""Overcurrent devices as data: what a standard, a trade figure or our own default model says, kept apart.

A standard gives a few test points, never a curve. This floor only holds those points with their clause and source;
edges, bands and verdicts are made from them on the coverage floor. Rating bands are open below and closed above
(``above < rating <= up_to``), as the standards print them.
"""

from __future__ import annotations

from dataclasses import dataclass

from ampsoak.base.errors import RangeError, UsageError, nearest_name
from ampsoak.base.sources import Value

POINT_KINDS = ("hold", "trip", "window")
START_STATES = ("cold", "hot")
SCOPES = ("certification", "field")
IMAGE_SETS = ("fast", "nominal", "slow")


@dataclass(frozen=True)
class TestPoint:
    """One test of a standard: a current, and the times between which the device must or must not operate.

    Exactly one of ``multiple`` and ``current`` is given.

    Parameters
    ----------
    name : str                 label in the standard: "a", "135 %", "Imax 5 s"
    kind : str                 "hold" (does not operate before ``earliest``), "trip" (operates within ``latest``) or
                               "window" (both)
    start : str                "cold", or "hot": straight after ``preload`` was held for ``preload_time``
    multiple : float or None   current over rated current
    current : float or None    current [A]
    earliest : float or None   hold, window: shortest allowed operating time [s]; infinity where it never may operate
    latest : float or None     trip, window: longest allowed operating time [s]
    preload : float or None    hot: current held before over rated current
    preload_time : float       hot: how long it was held [s]
    ambient : float or None    air temperature of the test [K]; None means the family's reference
    scope : str                "certification" (the product standard) or "field" (acceptance limits of site testing)
    clause : str               where in the source
    source : str               the document in words
    grade, held : str          see ``base.sources``
    note : str                 condition that narrows the point, "" if none
    """

    __test__ = False  # the name is the trade's word; pytest must not take it for a test class

    name: str
    kind: str
    start: str
    multiple: float | None = None
    current: float | None = None
    earliest: float | None = None
    latest: float | None = None
    preload: float | None = None
    preload_time: float = 0.0
    ambient: float | None = None
    scope: str = "certification"
    clause: str = ""
    source: str = ""
    grade: str = "standard"
    held: str = "memory_high"
    note: str = ""

    def current_at(self, rating: float) -> float:
        """Test current [A] of a device of ``rating`` [A]."""
        return self.current if self.multiple is None else self.multiple * rating


@dataclass(frozen=True)
class RatingBand:
    """Test points shared by the ratings of a band.

    Parameters
    ----------
    types : tuple of str                device types the points hold for
    above, up_to : float                band of rated current [A], ``above < rating <= up_to``
    points : tuple of TestPoint
    """

    types: tuple[str, ...]
    above: float
    up_to: float
    points: tuple[TestPoint, ...]


@dataclass(frozen=True)
class ConventionalCurrents:
    """Conventional non-operating and operating currents.

    Parameters
    ----------
    types : tuple of str
    above, up_to : float        band of rated current [A], ``above < rating <= up_to``
    hold : float or None        current over rated current that is carried; None where the source gives none
    trip : float                current over rated current at which the device operates within ``time`` (I2)
    time : float                conventional time [s]
    clause, source, grade, held : str
    """

    types: tuple[str, ...]
    above: float
    up_to: float
    hold: float | None
    trip: float
    time: float
    clause: str = ""
    source: str = ""
    grade: str = "standard"
    held: str = "memory_high"


@dataclass(frozen=True)
class MagneticBand:
    """Band of the instantaneous (magnetic) release.

    Parameters
    ----------
    types : tuple of str
    above, up_to : float                band of rated current [A], ``above < rating <= up_to``
    hold : float                        over rated current: not instantaneous up to here
    trip : float                        over rated current: instantaneous from here on
    time : float                        "instantaneous" means within this time [s]
    clause, source, grade, held : str   grade "standard" where a standard fixes it, "estimate" where trade does
    """

    types: tuple[str, ...]
    above: float
    up_to: float
    hold: float
    trip: float
    time: float
    clause: str = ""
    source: str = ""
    grade: str = "standard"
    held: str = "memory_high"


@dataclass(frozen=True)
class ThermalImage:
    """Two-node thermal image, OUR default model; it satisfies the test points but comes from no standard.

    Each node follows dx/dt = (I² - x) / time constant with I in multiples of rated current; the device operates when
    ``share * x_fast + (1 - share) * x_slow >= pickup²``.

    Parameters
    ----------
    name : str                   "fast", "nominal" or "slow" device
    types : tuple of str
    above, up_to : float         band of rated current [A], ``above < rating <= up_to``
    pickup : float               least current over rated current that ever operates it
    share : float                share of the quick node, 0..1
    time_constant_fast : float   quick node (the bimetal) [s]
    time_constant_slow : float   slow node (case and terminals) [s]
    source, grade, held : str
    """

    name: str
    types: tuple[str, ...]
    above: float
    up_to: float
    pickup: float
    share: float
    time_constant_fast: float
    time_constant_slow: float
    source: str = ""
    grade: str = "derived"
    held: str = "derived"


@dataclass(frozen=True)
class PreArcingEnergy:
    """Pre-arcing I²t limits of one fuse rating [A² s] at ``time`` [s].

    Parameters
    ----------
    rating : float              [A]
    minimum, maximum : float    smallest and largest allowed pre-arcing I²t [A² s]
    time : float                pre-arcing time at which they hold [s]
    """

    rating: float
    minimum: float
    maximum: float
    time: float
    clause: str = ""
    source: str = ""
    grade: str = "standard"
    held: str = "memory_high"


@dataclass(frozen=True)
class Note:
    """Something the rows cannot say: pole rule, ambient rule, edition."""

    text: str
    source: str
    held: str


@dataclass(frozen=True)
class DeviceFamily:
    """Everything known of the devices of one standard.

    Parameters
    ----------
    standard : str                   key: "IEC 60898-1", "UL 489", "IEC 60269", ...
    title : str
    kind : str                       "breaker", "fuse" or "relay"
    types : tuple of str             B, C, D; thermal-magnetic; gG; never empty
    ratings : tuple of float         rated currents that can be asked for [A], increasing
    reference_ambient : Value        air temperature the rows hold for [K]
    bands : tuple of RatingBand
    conventional : tuple of ConventionalCurrents
    magnetic : tuple of MagneticBand         empty for fuses
    images : tuple of ThermalImage           our default model; empty where none is offered
    pre_arcing : tuple of PreArcingEnergy    empty for breakers
    notes : tuple of Note
    source : str                     document and how it is held, in words
    """

    standard: str
    title: str
    kind: str
    types: tuple[str, ...]
    ratings: tuple[float, ...]
    reference_ambient: Value
    bands: tuple[RatingBand, ...] = ()
    conventional: tuple[ConventionalCurrents, ...] = ()
    magnetic: tuple[MagneticBand, ...] = ()
    images: tuple[ThermalImage, ...] = ()
    pre_arcing: tuple[PreArcingEnergy, ...] = ()
    notes: tuple[Note, ...] = ()
    source: str = ""

    def check(self, rating: float, type: str = "") -> str:
        """Return the type meant by ``type`` ("" takes the only one), after checking it and ``rating`` [A].

        Raises
        ------
        UsageError     the family has no such type, or has several and none was named
        RangeError     no row exists for the rating
        """
        if not type and len(self.types) == 1:
            type = self.types[0]
        if type not in self.types:
            nearest = nearest_name(type, self.types) if type else None
            hint = f'; did you mean "{nearest}"?' if nearest else ""
            raise UsageError(f'{self.standard} has no type "{type}"; types are {", ".join(self.types)}{hint}')
        if rating not in self.ratings:
            allowed = ", ".join(f"{known:g}" for known in self.ratings)
            raise RangeError(f"{self.standard} has no data for a rating of {rating:g} A; ratings are {allowed} A")
        return type

    def points(self, rating: float, type: str = "") -> tuple[TestPoint, ...]:
        """Test points that bind a device of ``rating`` [A] and ``type``, in file order."""
        return tuple(point for band in self._matching(self.bands, rating, type) for point in band.points)

    def conventional_currents(self, rating: float, type: str = "") -> ConventionalCurrents | None:
        """Conventional currents for ``rating`` [A] and ``type``, None where the source gives none."""
        return next(iter(self._matching(self.conventional, rating, type)), None)

    def magnetic_band(self, rating: float, type: str = "") -> MagneticBand | None:
        """Magnetic band for ``rating`` [A] and ``type``, None where there is none."""
        return next(iter(self._matching(self.magnetic, rating, type)), None)

    def thermal_images(self, rating: float, type: str = "") -> dict[str, ThermalImage]:
        """Default model by set name ("fast", "nominal", "slow"); empty where none is offered."""
        return {image.name: image for image in self._matching(self.images, rating, type)}

    def pre_arcing_energy(self, rating: float, type: str = "") -> PreArcingEnergy | None:
        """Pre-arcing I²t limits for ``rating`` [A], None where there are none."""
        self.check(rating, type)
        return next((row for row in self.pre_arcing if row.rating == rating), None)

    def _matching(self, rows, rating, type):
        type = self.check(rating, type)
        return [row for row in rows if type in row.types and row.above < rating <= row.up_to]
