"""A history with devices in the loop in plain sentences: what opened when, what the parts reached, and without a device.

A sentence says what the computed histories do, never that something complies, is free of danger, or brought something
about.
"""

from __future__ import annotations

import math

import numpy as np

from ampsoak.coverage.words import current_words, temperature_words, time_words


def run_words(run) -> str:
    """The whole answer of a ``coverage.protected.ProtectedRun``."""
    named = ", ".join(f'"{name}"' for name in run.devices)
    lines = [f'{run.title}. Circuit "{run.circuit}", in series: {named}.']
    for edge in run.edges:
        lines += ["", *_edge_lines(run, edge)]
    lines += ["", f"With no device {_peaks(run, run.without)}.", *_limits(run, run.without, math.inf)]
    return "\n".join([*lines, *(f"Note: {note}." for note in run.notes)])


def _edge_lines(run, edge) -> list[str]:
    operating = edge.operating
    by = f"By the {edge.edge} edge"
    lines = []
    opened = operating.opens
    if opened is not None:
        element = f", {opened.element} part" if opened.element else ""
        lines.append(
            f'{by} "{opened.device}" opens after {time_words(opened.time)} at {current_words(opened.current)}{element}.'
        )
        lines += _later(operating)
    if math.isfinite(operating.unknown_from):
        since = time_words(operating.unknown_from)
        lines.append(f"{by} nothing can be said from {since} on: {operating.reason}.")
    elif opened is not None and edge.reached.ceiling_time < opened.time:
        lines.append(f"Before that {_peaks(run, edge.reached)}.")
    elif opened is None:
        lines.append(f"{by} no device opens in the history; the current is that without a device.")
    else:
        lines.append(f"At the first opening {_hottest(run, edge.at_opening)}; {_peaks(run, edge.reached)}.")
        lines += _limits(run, edge.reached, opened.time)
    return lines + [f"Note: {note}." for note in edge.notes]


def _later(operating) -> list[str]:
    closings = [operation for operation in operating.operations if operation.kind == "closes"]
    if not closings:
        return []
    times = "once" if len(closings) == 1 else f"{len(closings)} times"
    line = f"It is closed again {times}, first after {time_words(closings[0].time)}"
    last = operating.operations[-1]
    if last.kind == "opens":
        return [f'{line}; "{last.device}" opens for the last time after {time_words(last.time)}.']
    return [f"{line}; after the last closing nothing opens."]


def _hottest(run, temperature) -> str:
    part = max(run.conductors or range(len(run.part_names)), key=lambda index: _number(temperature[index]))
    return f"the hottest conductor, {run.part_names[part]}, has reached {temperature_words(temperature[part])}"


def _peaks(run, reached) -> str:
    """The hottest conductor and the hottest other part, with times."""
    conductors = set(run.conductors)
    others = [index for index in range(len(run.part_names)) if index not in conductors]
    said = []
    for what, chosen in (("the hottest conductor", conductors), ("the hottest other part", others)):
        if not any(np.isfinite(reached.peak[index]) for index in chosen):
            continue
        part = max(chosen, key=lambda index: _number(reached.peak[index]))
        verb = "reaches" if math.isfinite(reached.ceiling_time) else "peaks at"
        words = f"{what}, {run.part_names[part]}, {verb} {temperature_words(reached.peak[part])}"
        words += f" after {time_words(float(reached.peak_time[part]))}"
        if math.isfinite(reached.ceiling_time):
            words += ", where following ends because copper melts"
        elif reached.still_rising[part]:
            words += " and was not yet seen to fall"
        said.append(words)
    return ", ".join(said)


def _limits(run, reached, opened: float) -> list[str]:
    lines = []
    for limit, time in zip(run.limits, reached.limit_time, strict=True):
        head = f'Limit "{limit["name"]}" ({temperature_words(limit["temperature"])})'
        if math.isinf(time):
            lines.append(f"{head} is not passed.")
        elif time <= opened:
            before = "" if math.isinf(opened) else ", before the opening"
            lines.append(f"{head} is passed after {time_words(float(time))}{before}.")
        else:
            after = time_words(float(time - opened))
            lines.append(f"{head} is passed after {time_words(float(time))}, {after} after the first opening.")
    return lines


def _number(value) -> float:
    return float(value) if np.isfinite(value) else -math.inf
