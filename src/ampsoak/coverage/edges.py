"""The time-current band of a device: which edges exist, what each rests on, and which one a verdict may use.

Four sets of edges are kept apart and never mixed without saying so:

=============  ========================================================================================
standard       what the product standard proves: a staircase through its test points, cold start only
interpolated   straight log-log lines through the same points; the usual drawing, promised by nobody
default        our own two-node thermal image with fast and slow constants; satisfies every test point,
               comes from no standard and no maker
maker          points given by the user, from a maker's curve
=============  ========================================================================================

A protection engineer expects a band that looks like a real breaker, and wants to know what is certain. So a *verdict*
reads two edges that may come from different sets:

=============  =======================================  ================================================
basis          slow edge: decides "covered"             fast edge: decides "uncovered" or "within band"
=============  =======================================  ================================================
standard       standard staircase                       default, else interpolated (fuses)
default        default, else interpolated (fuses)       the same set
interpolated   interpolated                             interpolated
maker          maker's points                           maker's points
=============  =======================================  ================================================

With no basis named, a device with points uses "maker" and any other uses "standard": a "covered" then needs the
standard or the maker, never our own model. With "standard" the fast edge is our model all the same, because standards
name hardly any shortest time; taking none would call every current "within band", taking the model errs by calling
"uncovered" what a device quicker than our fast one might still clear. Each interval says which kind decided it.

Hot-start limits (IEC 60898-1 test b: 1.45 In right after the conventional time at 1.13 In) are never used as cold ones.
They still bound the cold device (derived here): a device that carried 1.45 In from cold for the preload time is at
least as hot as one preloaded with 1.13 In for that time, so it has operated within preload time plus test time. The
seconds in which the test raises its current are not counted.

Site-test limits (scope "field") are shown as points and enter no edge. Below 0.01 s no time-current curve is meant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ampsoak.base.errors import ScenarioError, UsageError
from ampsoak.coverage import laws
from ampsoak.coverage.ambient import pickup_factor
from ampsoak.coverage.device_faults import device_faults
from ampsoak.coverage.let_through import let_through_energy
from ampsoak.coverage.stretches import Edge, image_edge, interpolated, maker_edge, staircase
from ampsoak.library.devices import DeviceFamily, MagneticBand, ThermalImage
from ampsoak.library.load import device_family
from ampsoak.scenario.device_case import DeviceChoice

BASES = ("standard", "interpolated", "default", "maker")
MINIMUM_TIME = 0.01  # half a cycle [s]; quicker than this, I²t let-through counts, not a time
HOT_BOUND = "hot-start limit plus its preload time bounds the cold device, derived here"
HIGHEST_MULTIPLE = 100.0  # of the rating, to which a thermal image without a magnetic release is drawn
LEAST_MAGNETIC = 5.0  # of the rating; lowest level of adjustable releases (trade, memory, low confidence)
INSTANTANEOUS_TIME = 0.1  # longest time of an instantaneous release [s]


@dataclass(frozen=True)
class Band:
    """A fast and a slow edge of one set."""

    fast: Edge
    slow: Edge


@dataclass(frozen=True)
class Magnetic:
    """Instantaneous release of one device.

    Parameters
    ----------
    hold, trip : float     not instantaneous up to, instantaneous from here on [A]
    time : float           "instantaneous" means within this time [s]
    kind : str             "standard", "default" (trade practice) or "maker" (given by the user)
    source : str
    """

    hold: float
    trip: float
    time: float
    kind: str
    source: str


@dataclass(frozen=True)
class Mark:
    """One point to draw.

    Parameters
    ----------
    name : str               label in the standard, or "point"
    current, time : float    [A], [s]; time may be inf (holds for ever)
    meaning : str            "hold" (does not operate before) or "trip" (has operated by then)
    start : str              "cold" or "hot"
    scope : str              "certification", "field" or "maker"
    source, held : str
    """

    name: str
    current: float
    time: float
    meaning: str
    start: str
    scope: str
    source: str
    held: str


@dataclass(frozen=True)
class DeviceCurve:
    """Everything the comparison and the figures ask of one device.

    Parameters
    ----------
    name, standard, type : str
    rating : float                           rated current [A], 0 where unknown
    bands : dict of str to Band              keys among ``BASES``, only those that exist
    magnetic : Magnetic or None
    hold_current : float                     I1, conventional non-operating current [A]; nan where unknown
    operating_current : float                I2, conventional operating current [A]; nan where unknown
    conventional_time : float                [s]; nan where unknown
    reference_ambient : float                air temperature the points hold for [K]; nan where unknown
    start_state : str                        "cold", "hot", or "preloaded" (default model only)
    marks : tuple of Mark
    notes, sources : tuple of str
    minimum_time : float                     below this no edge says anything [s]
    breaking_capacity : float                largest current it can break [A]; nan where not stated
    let_through : float                      largest I²t it lets pass when it breaks a fault [A² s]; nan where not stated
    let_through_current : float              up to this prospective current [A]
    let_through_source : str
    pre_arcing : float                       least I²t that opens a fuse [A² s]; nan for others and where unknown
    """

    name: str
    standard: str
    type: str
    rating: float
    bands: dict[str, Band]
    magnetic: Magnetic | None
    hold_current: float
    operating_current: float
    conventional_time: float
    reference_ambient: float
    start_state: str
    marks: tuple[Mark, ...]
    notes: tuple[str, ...]
    sources: tuple[str, ...]
    minimum_time: float = MINIMUM_TIME
    breaking_capacity: float = np.nan
    let_through: float = np.nan
    let_through_current: float = np.nan
    let_through_source: str = ""
    pre_arcing: float = np.nan

    @property
    def title(self) -> str:
        """Name, standard, type and rating in words."""
        standard = "" if self.standard == "points" else self.standard
        rating = f"{self.rating:g} A" if self.rating else ""
        words = " ".join(word for word in (standard, self.type, rating) if word)
        return f"{self.name} ({words})" if words else self.name

    @property
    def model_basis(self) -> str | None:
        """Set that looks like a real device: our model, else the line through the standard's points, else None."""
        return next((basis for basis in ("default", "interpolated") if basis in self.bands), None)

    @property
    def default_basis(self) -> str:
        """Basis used where none is named: the maker's points if given, otherwise the standard."""
        return "maker" if "maker" in self.bands else "standard"

    def verdict_band(self, basis: str | None = None) -> Band:
        """Edges a verdict reads under ``basis``; the table in the module's head.

        Raises
        ------
        UsageError     the basis is unknown or this device has no such edges
        """
        basis = basis or self.default_basis
        if basis not in BASES:
            raise UsageError(f'there is no basis "{basis}"; bases are {", ".join(BASES)}')
        model = self.bands[self.model_basis] if self.model_basis else None
        if basis == "default" and model:
            return model
        if basis not in self.bands:
            have = ", ".join(known for known in BASES if known in self.bands)
            raise UsageError(f'{self.title} has no edges of basis "{basis}"; it has {have}')
        if basis == "standard":
            return Band(model.fast, self.bands["standard"].slow)
        return self.bands[basis]


def device_curve(choice: DeviceChoice, preload: float = 0.0) -> DeviceCurve:
    """Return the edges of a device named in a scenario.

    Parameters
    ----------
    choice : DeviceChoice
    preload : float          current carried to the steady state before [A]; moves the default model only

    Returns
    -------
    DeviceCurve

    Raises
    ------
    ScenarioError            unknown standard, type or rating, or faulty points; all faults at once
    """
    faults = device_faults(choice)
    if faults:
        raise ScenarioError(faults)
    points = choice.standard == "points"
    found = _from_points(choice) if points else _from_family(choice, device_family(choice.standard), preload)
    return replace(found, bands=_delayed(found.bands, choice.opening_time), **_breaking(choice))


def _delayed(bands: dict[str, Band], delay: float) -> dict[str, Band]:
    return {basis: Band(band.fast.delayed(delay), band.slow.delayed(delay)) for basis, band in bands.items()}


def _breaking(choice: DeviceChoice) -> dict:
    """Breaking capacity and let-through of a choice, as fields of its curve."""
    found = {"breaking_capacity": np.nan if choice.breaking_capacity is None else choice.breaking_capacity}
    if choice.let_through is not None:
        found |= {
            "let_through": let_through_energy(choice),
            "let_through_current": choice.let_through.current,
            "let_through_source": choice.let_through.source,
        }
    return found


def _from_points(choice: DeviceChoice) -> DeviceCurve:
    magnetic = _given_magnetic(choice)
    first = min(points[0][0] for points in (choice.fast, choice.slow) if points)
    hold = choice.rating if 0.0 < choice.rating < first else 0.0
    band = _released(
        Band(*(maker_edge(side, getattr(choice, side), hold, choice.source) for side in ("fast", "slow"))), magnetic
    )
    marks = tuple(
        Mark("point", current, time, meaning, choice.start_state, "maker", choice.source, "user")
        for points, meaning in ((choice.fast, "hold"), (choice.slow, "trip"))
        for current, time in points
    )
    notes = [f"edges go through given points, {choice.start_state} start; nothing is known outside them"]
    notes += [f"no {side} edge was given" for side in ("fast", "slow") if not getattr(choice, side)]
    return DeviceCurve(
        name=choice.name,
        standard="points",
        type=choice.type,
        rating=choice.rating,
        bands={"maker": band},
        magnetic=magnetic,
        hold_current=hold or np.nan,
        operating_current=np.nan,
        conventional_time=np.nan,
        reference_ambient=np.nan,
        start_state=choice.start_state,
        marks=marks,
        notes=tuple(notes),
        sources=(choice.source,),
    )


def _from_family(choice: DeviceChoice, family: DeviceFamily, preload: float) -> DeviceCurve:
    rating = choice.rating
    type = family.check(rating, choice.type)
    conventional = family.conventional_currents(rating, type)
    own = _family_magnetic(family.magnetic_band(rating, type), rating)
    magnetic = _given_magnetic(choice) or own
    holds, trips = _cold_limits(family, rating, type, given_magnetic=choice.magnetic is not None)
    notes = [note.text.rstrip(".") for note in family.notes]
    notes += [note for _, _, note in trips if HOT_BOUND in note]
    proven = magnetic if magnetic and magnetic.kind != "default" else None
    drawn_fast, drawn_slow = interpolated("fast", holds), interpolated("slow", trips)
    if _crossed(drawn_fast, drawn_slow):
        drawn_fast = staircase("fast", holds)
        notes.append("the line through its hold points would cross the late edge: the staircase stands in its place")
    bands = {
        "standard": Band(staircase("fast", holds), _slow_released(staircase("slow", trips), proven)),
        "interpolated": Band(drawn_fast, _slow_released(drawn_slow, proven)),
    }
    images = family.thermal_images(rating, type)
    if {"fast", "slow"} <= set(images):
        ends = (magnetic.hold, magnetic.trip) if magnetic else (HIGHEST_MULTIPLE * rating,) * 2
        fast, slow = (
            _image_edge(side, images[side], rating, preload, end, _moved(choice, family, side, images[side]))
            for side, end in zip(("fast", "slow"), ends)
        )
        if choice.ambient is not None:
            notes.append(_ambient_words(choice.ambient, family.reference_ambient.typical))
        if magnetic is None and family.kind == "breaker":
            fast = fast.until(LEAST_MAGNETIC * rating)
            notes.append(
                f"no magnetic level is known: above {LEAST_MAGNETIC * rating:g} A it may act at once, so its fast edge "
                "is unknown there"
            )
        bands["default"] = _released(Band(fast, slow), magnetic)
    preloaded = preload > 0.0 and "default" in bands
    if preloaded:
        notes.append(f"edges of the default model start from the steady state at {preload:g} A, all others from cold")
    if choice.magnetic and own and (magnetic.hold < own.hold or magnetic.trip > own.trip):
        notes.append(
            f"the given magnetic band {magnetic.hold:g}..{magnetic.trip:g} A reaches outside the usual one of this "
            f"type, {own.hold:g}..{own.trip:g} A"
        )
    marks = _marks(family, rating, type)
    energy = family.pre_arcing_energy(rating, type)
    used = (family.source, *(mark.source for mark in marks), *(image.source for image in images.values()))
    return DeviceCurve(
        name=choice.name,
        standard=family.standard,
        type=type,
        rating=rating,
        bands=bands,
        magnetic=magnetic,
        hold_current=conventional.hold * rating if conventional and conventional.hold else np.nan,
        operating_current=conventional.trip * rating if conventional else np.nan,
        conventional_time=conventional.time if conventional else np.nan,
        reference_ambient=family.reference_ambient.typical,
        start_state="preloaded" if preloaded else "cold",
        marks=marks,
        notes=tuple(notes),
        sources=tuple(dict.fromkeys(source for source in used if source)),
        pre_arcing=energy.minimum if energy else np.nan,
    )


def _crossed(fast: Edge, slow: Edge) -> bool:
    """True where ``fast`` is the later one at some current; both are straight in log-log between their breaks."""
    breaks = np.array([*fast.breaks(), *slow.breaks()])
    current = np.concatenate([breaks * (1 - 1e-9), breaks * (1 + 1e-9)])
    early, late = np.atleast_1d(fast.time(current)), np.atleast_1d(slow.time(current))
    return bool((early > late * (1 + 1e-6)).any())


def _cold_limits(family: DeviceFamily, rating: float, type: str, given_magnetic: bool):
    """Hold and trip limits (current, time, note) that bind a cold device, certification points only."""
    holds, trips = [], []
    for point in family.points(rating, type):
        if point.scope != "certification":
            continue
        current = point.current_at(rating)
        where = f"{family.standard} {point.name} ({current:g} A)"
        if point.earliest is not None:  # from hot too: a cold device is never quicker than a hot one
            holds.append((current, point.earliest, where))
        if point.latest is not None and point.start == "cold":
            trips.append((current, point.latest, where))
        elif point.latest is not None and current > point.preload * rating:
            trips.append((current, point.preload_time + point.latest, f"{where}: {HOT_BOUND}"))
    if energy := family.pre_arcing_energy(rating, type):
        where = f"{family.standard} least pre-arcing I²t at {energy.time:g} s"
        holds.append((float(np.sqrt(energy.minimum / energy.time)), energy.time, where))
    if given_magnetic:  # the user's instantaneous band replaces the family's
        holds = [point for point in holds if point[1] > INSTANTANEOUS_TIME]
        trips = [point for point in trips if point[1] > INSTANTANEOUS_TIME]
    return holds, trips


def _marks(family: DeviceFamily, rating: float, type: str) -> tuple[Mark, ...]:
    marks = []
    for point in family.points(rating, type):
        for time, meaning in ((point.earliest, "hold"), (point.latest, "trip")):
            if time is not None:
                current = point.current_at(rating)
                origin = (point.start, point.scope, point.source, point.held)
                marks.append(Mark(point.name, current, time, meaning, *origin))
    return tuple(marks)


def _moved(choice: DeviceChoice, family: DeviceFamily, side: str, image: ThermalImage) -> float:
    """Pickup of an edge of the default model in the air at the device, over that at the reference."""
    points = family.points(choice.rating, family.check(choice.rating, choice.type))
    return pickup_factor(side, choice.ambient, family.reference_ambient.typical, image.pickup, points)


def _ambient_words(ambient: float, reference: float) -> str:
    words = (
        f"air at the device {ambient - 273.15:.0f} °C: edges of the default model are those in that air, the standard's are "
        f"for {reference - 273.15:.0f} °C"
    )
    if ambient < reference:
        words += "; in cooler air a thermal part may open later than the standard's limits"
    return words


def _image_edge(side: str, image: ThermalImage, rating: float, preload: float, end: float, factor: float) -> Edge:
    pickup = image.pickup * factor
    constants = (pickup, image.share, image.time_constant_fast, image.time_constant_slow)

    def law(current):
        if preload >= pickup * rating:  # the load alone brings this image to the point of opening
            return np.zeros_like(current)
        return laws.two_node_time(current / rating, *constants, preload / rating)

    note = (
        f"our {image.name} two-node image (not from a standard): pickup {pickup:.4g} x rated, share "
        f"{image.share:g}, {image.time_constant_fast:g} s and {image.time_constant_slow:g} s"
    )
    return image_edge(side, law, pickup * rating, max(end, 2.0 * pickup * rating), MINIMUM_TIME, note)


def _given_magnetic(choice: DeviceChoice) -> Magnetic | None:
    if choice.magnetic is None:
        return None
    hold, trip = choice.magnetic
    return Magnetic(hold, trip, INSTANTANEOUS_TIME, "maker", choice.source)


def _family_magnetic(row: MagneticBand | None, rating: float) -> Magnetic | None:
    if row is None:
        return None
    kind = "standard" if row.grade == "standard" else "default"
    return Magnetic(row.hold * rating, row.trip * rating, row.time, kind, row.source)


def _released(band: Band, magnetic: Magnetic | None) -> Band:
    """Both edges with the instantaneous release; it needs at least half a cycle."""
    if magnetic is None:
        return band
    note = f"instantaneous release may act above {magnetic.hold:g} A"
    fast = band.fast.capped(magnetic.hold, MINIMUM_TIME, magnetic.kind, note) if band.fast.stretches else band.fast
    return Band(fast, _slow_released(band.slow, magnetic))


def _slow_released(slow: Edge, magnetic: Magnetic | None) -> Edge:
    if magnetic is None:
        return slow
    return slow.capped(
        magnetic.trip, magnetic.time, magnetic.kind, f"instantaneous release acts from {magnetic.trip:g} A"
    )
