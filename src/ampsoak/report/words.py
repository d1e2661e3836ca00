"""The answer in a few plain lines, and the cautions, which stand in one place only.

Command line, figures and README all take the cautions from here.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ampsoak.coverage.compare import Coverage, DeviceCoverage, LimitCoverage
from ampsoak.coverage.series import SeriesLimit
from ampsoak.coverage.words import current_words, ranges_words, temperature_words, time_words
from ampsoak.runfile.records import OUTCOMES, Curve, Event, Protected, Run

CAUTION_LINE = (
    "Thermal estimate, not an ampacity ruling. Mains, heat and fumes can injure; local codes and licensed practice decide. "
    "Says nothing about cause, safety or compliance."
)
CAUTIONS = (
    ("This is a thermal estimate for the section and the currents described, not an ampacity ruling. Local codes and licensed "
    "practice decide."),
    ("Mains voltage kills. Do not overload building wiring in service, and do not test anything without isolation, a second "
    "person and protection that acts by itself."),
    ("Hot cable insulation gives off irritating and poisonous fumes, and heated fill, board and timber can smoulder and catch "
    "fire long after the current is off."),
    ("A computed limit time does not say that insulation failed, that something ignited, or that something caused a fire; a "
    "limit not reached does not say that an installation is safe or complies with anything."),
    "Joints, terminals, staples, splices, arcs and lengths other than the section drawn are not in the model.",
)
OUTSIDE_VALIDITY = "outside validity after the first damage limit"
NO_RUN_ID = "result not saved, no run id"


def celsius(temperature):
    """Temperature in °C of one in K, float or array."""
    return np.asarray(temperature, dtype=float)[()] - 273.15


def rough_words(record: Run | Curve | Protected) -> str:
    """What must stand beside every result with reactions on, a whole sentence; "" where they are off."""
    note = record.resolved.get("chemical_heat", {}).get("note", "")
    return f"{note[0].upper()}{note[1:]}." if note else ""


def captioned(caption: str, record: Run | Curve | Protected) -> str:
    """``caption`` with ``rough_words`` behind it."""
    return f"{caption} {rough_words(record)}".rstrip()


def joined_words(words: Iterable[str]) -> str:
    """Words as a list in a sentence: one, two joined by "and", more by commas first."""
    words = list(words)
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def origin_words(record: Run | Curve | Protected) -> str:
    """Run id, hash, program version and scenario file of a result, for the margin of figures and the head of tables."""
    version = record.provenance.get("software_version", "")
    identity = f"run {record.run_id}   sha256 {record.canonical_hash[:16]}" if record.canonical_hash else NO_RUN_ID
    rough = "rough chemical heat" if rough_words(record) else ""
    state = "" if record.complete else "interrupted run"
    return "   ".join(word for word in (identity, rough, f"ampsoak {version}".strip(), record.scenario_file, state) if word)


def answer_lines(run: Run | None = None, curve: Curve | None = None, coverage: Coverage | None = None) -> list[str]:
    """The short plain answer.

    Parameters
    ----------
    run : Run or None              history: peak temperatures and when each limit fell
    curve : Curve or None          limit curve: from which current on each limit falls
    coverage : Coverage or None    devices: verdict per current range, uncovered range, temperature when the slow device opens

    Returns
    -------
    list of str    one line each; headings end with a colon, what belongs to them is indented by two blanks
    """
    lines: list[str] = []
    if run is not None:
        lines += history_lines(run)
    if curve is not None:
        lines += curve_lines(curve)
    if coverage is not None:
        for device in coverage.devices:
            lines += device_lines(device)
    return lines


def history_lines(run: Run) -> list[str]:
    """Peaks and limits of a history."""
    if not len(run.time):
        return ["The history holds no step."]
    lines = [f"Current history of {time_words(run.time[-1])}:"]
    for role, name, temperature in hottest_of_each_role(run):
        lines.append(f"  {role}: {_peak_words(run.time, temperature)}, in {name}")
    for limit in run.limits:
        lines.append(f"  {limit_words(limit)}: {_fell_words(first_reached(run, limit['name']))}")
    if np.isfinite(damaged := damage_time(run)):
        lines.append(
            f"  from {time_words(damaged)} on: {OUTSIDE_VALIDITY}; a higher temperature above may belong to that part"
        )
    for event in run.events:
        if event.kind == "outside_table":
            lines.append(
                f"  {event.name}: hotter than its property data reach, first after {time_words(event.time)} in "
                f"{event.part}; the last value is held from there on"
            )
        elif event.kind == "outside_reaction":
            lines.append(
                f"  {event.name}: hotter than its kinetics are known for, first after {time_words(event.time)}; the rate is "
                "held from there on"
            )
        elif event.kind == "runaway":
            lines.append(
                f"  stopped after {time_words(event.time)}: {event.part} passed {temperature_words(event.value)}, hotter "
                "than copper melts; nothing is computed beyond"
            )
    if len(run.snapshot_remaining):
        left = zip(run.reactant_names, run.snapshot_remaining[-1], strict=True)
        lines += [
            f"  {name}: {100 * share:.3g} % of the reactant left after {time_words(run.snapshot_time[-1])}" for name, share in left
        ]
    return lines + ([f"  {rough_words(run)}"] if rough_words(run) else [])


def hottest_of_each_role(run: Run) -> list[tuple[str, str, np.ndarray]]:
    """Per role of a part (conductor, insulation, board, ...): the part that gets hottest, and its history [K]."""
    hottest: dict[str, tuple[str, str, np.ndarray]] = {}
    columns = run.part_maximum.T
    for role, name, column in zip(run.section.part_roles, run.section.part_names, columns, strict=True):
        if role not in hottest or column.max() > hottest[role][2].max():
            hottest[role] = (role, name, column)
    # conductors first, then as the parts come
    return sorted(hottest.values(), key=lambda entry: entry[0] != "conductor")


def limit_words(limit: dict) -> str:
    """Limit with its temperature, once: "PVC 70 °C" or "paper (80 °C)"."""
    temperature = temperature_words(limit["temperature"])
    return limit["name"] if temperature in limit["name"] else f"{limit['name']} ({temperature})"


def damage_words(limit: dict) -> str:
    """What is added to a limit past which the material is no longer what the model assumes; "" for other limits."""
    return ", damage" if limit.get("damage") else ""


def damage_time(run: Run) -> float:
    """Time [s] at which the first limit flagged ``damage`` fell; inf if none did."""
    flagged = {limit["name"] for limit in run.limits if limit.get("damage")}
    return min((event.time for event in run.events if event.kind == "limit_reached" and event.name in flagged), default=np.inf)


def first_reached(run: Run, limit: str) -> Event | None:
    """First event at which the limit called ``limit`` was reached, None if it never was."""
    found = [event for event in run.events if event.kind == "limit_reached" and event.name == limit]
    return min(found, key=lambda event: event.time, default=None)


def curve_lines(curve: Curve) -> list[str]:
    """From which constant current on each limit falls."""
    lines = [f"Constant current in {curve.circuit}, {curve.start_description}:"]
    for number, limit in enumerate(curve.limits):
        lines.append(f"  {limit_words(limit)}{damage_words(limit)}: {knee_words(curve, number)}")
    return lines + ([f"  {rough_words(curve)}"] if rough_words(curve) else [])


def knee_words(curve: Curve, number: int) -> str:
    """Where the time to limit ``number`` begins and ends, in words."""
    words = np.array(OUTCOMES)[curve.outcome[number]]
    reached = np.flatnonzero(words == "reached")
    if (words == "at_start").any():
        return "passed already at the start"
    if not reached.size:
        beyond = "beyond_horizon" in words
        ending = f"within {time_words(curve.horizon)} (it may be later)" if beyond else "at any current computed"
        return f"not reached {ending}, up to {current_words(curve.current[-1])}"
    first, last = reached[0], reached[-1]
    times = (
        f"after {time_words(curve.time_to_limit[number, first])} at {current_words(curve.current[first])}, "
        f"after {time_words(curve.time_to_limit[number, last])} at {current_words(curve.current[last])}"
    )
    if first == 0:
        return f"reached at every current computed, {times}"
    below = current_words(curve.current[first - 1])
    what = "never reached" if words[first - 1] == "never" else f"not within {time_words(curve.horizon)}"
    return f"{what} up to {below}; reached {times}"


def device_lines(entry: DeviceCoverage) -> list[str]:
    """Verdict per current range of one device, the uncovered range, and the temperature when its slow edge opens."""
    lines = [f"{entry.device.title}, verdicts on basis {entry.basis}:"]
    for limit in entry.limits:
        lines.append(f'  Against "{limit.limit}":')
        lines += [f"    {sentence}" for sentence in limit.sentences]
        lines.append(f"    {uncovered_words(limit)}")
    lines += [f"  {asked.text}" for asked in entry.nuisance]
    if entry.short_time is not None:
        lines += [f"  {sentence}" for sentence in entry.short_time.sentences]
    lines += [f"  Note: {note}." for note in entry.notes]
    return lines


def uncovered_words(limit: LimitCoverage | SeriesLimit) -> str:
    """The uncovered range in one sentence."""
    if limit.uncovered:
        return f"Uncovered: {ranges_words(limit.uncovered)}."
    if limit.unknown:
        return f"No range is shown to be uncovered; unknown: {ranges_words(limit.unknown)}."
    return "No range among the compared currents is uncovered."


def _peak_words(time: np.ndarray, temperature: np.ndarray) -> str:
    place = int(np.argmax(temperature))
    return f"at most {temperature_words(temperature[place])}, after {time_words(time[place])}"


def _fell_words(event: Event | None) -> str:
    if event is None:
        return "not reached in this history"
    where = f" in {event.part}" if event.part else ""
    return f"reached after {time_words(event.time)}{where}"
