"""Stepping a scenario's current history into a run."""

from __future__ import annotations

import os
import time as clock
from collections.abc import Callable
from contextlib import ExitStack

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.network import HeatModel
from ampsoak.heat.reactions import ReactantReader, asked_reactions
from ampsoak.heat.stepping import Member, Step, Stepper
from ampsoak.heat.watch import LimitWatch, PartReader, ProbeReader
from ampsoak.runfile.records import Event, Run
from ampsoak.runfile.write import MemoryRecorder, RunHeader, RunWriter
from ampsoak.scenario.case import Scenario
from ampsoak.study.model import initial_state, limit_records, model_of, provenance_of, record_of_section, resolved_of

Progress = Callable[[float, float, str, float], None]
_CLOSURE = 1e-6  # energy must close to this share of what was generated or lost
_LEAST_TURNOVER = 1e-3  # [K] warming of the whole section under which the turnover is not taken as a measure
COPPER_MELTS = 1357.8  # [K] melting point of copper (ITS-90 fixed point 1357.77 K)
_BLINK = 0.1  # [s] shortest time between two calls of progress


class _Recording:
    """Feeds accepted steps to the recorders."""

    def __init__(self, model: HeatModel, scenario: Scenario, reactants: ReactantReader, recorders):
        self.model, self.scenario, self.recorders = model, scenario, recorders
        self.reactants = reactants
        self.watch = LimitWatch(model, scenario.limits)
        self.parts = PartReader(model)
        self.probes = ProbeReader(model, scenario.probes)
        self.generated = self.stored = self.lost = self.turnover = 0.0
        self.worst = 0.0
        self.least_turnover = 0.0  # set by the start state: an idle section turns nothing over but rounding
        self.left_table: set[str] = set()
        self.left_span: set[int] = set()
        self.snapshots = sorted(t for t in scenario.run.snapshot_times if t <= scenario.run.duration)

    def _tell(self, name: str, *values, **named) -> None:
        for recorder in self.recorders:
            getattr(recorder, name)(*values, **named)

    def _row(self, time, current, temperature, joule, surface, flow) -> np.ndarray:
        maximum = self.parts.maximum(temperature)
        scale = max(abs(self.generated), abs(self.stored), abs(self.lost), self.turnover, self.least_turnover)
        residual = (self.stored + self.lost - self.generated) / scale
        self.worst = max(self.worst, abs(residual))
        self._tell(
            "append",
            time=time,
            circuit_current=current,
            conductor_temperature=temperature[self.model.conductor_unknown],
            conductor_heat=joule,
            part_maximum=maximum,
            part_mean=self.parts.mean(temperature),
            probe_value=self.probes.read(temperature, surface, flow),
            energy_generated=self.generated,
            energy_stored=self.stored,
            energy_lost=self.lost,
            energy_residual=residual,
        )
        return maximum

    def begin(self, stepper: Stepper) -> None:
        """Record the start state."""
        temperature = stepper.temperature
        current = stepper.currents(0.0)
        self.least_turnover = _LEAST_TURNOVER * self.model.copies * float(stepper.capacity.sum())
        surface, flow = stepper.border()
        self._row(0.0, current, temperature, self.model.joule(current, temperature), surface, flow)
        for index, time, part, value in self.watch.begin(temperature):
            self._event(time, "limit_reached", self.scenario.limits[index].name, part, value)
        self._keep_snapshots(0.0, lambda _: temperature, lambda _: stepper.remaining)

    def step(self, step: Step) -> np.ndarray:
        """Record one step; returns the part maxima at its end."""
        self.generated += step.generated
        self.stored += step.stored
        self.lost += step.lost
        # what comes in by one face and leaves by another is turned over too, though it cancels in what is lost
        through = self.model.copies * float(np.abs(step.surface_flow).sum()) * (step.end - step.begin)
        self.turnover += abs(step.generated) + max(abs(step.lost), through)
        for index, time, part, upwards in self.watch.crossings(step):
            limit = self.scenario.limits[index]
            kind = "limit_reached" if upwards else "limit_left"
            self._event(time, kind, limit.name, part, limit.temperature)
        self._keep_snapshots(step.end, step.at, step.left_at)
        maximum = self._row(step.end, step.current, step.after, step.joule, step.surface, step.surface_flow)
        self._check_tables(step.end, maximum)
        return maximum

    def runaway(self, step: Step) -> None:
        """Record that the run ends here because the hottest part is past any metal's melting."""
        maximum = self.parts.maximum(step.after)
        hottest = int(np.nanargmax(maximum))
        self._event(step.end, "runaway", "copper melts", hottest, maximum[hottest])

    def _keep_snapshots(self, until: float, state, left) -> None:
        while self.snapshots and self.snapshots[0] <= until:
            when = self.snapshots.pop(0)
            field = self.model.field(state(when)).astype(np.float32)
            self._tell("snapshot", when, field, self.reactants.read(left(when)))

    def _event(self, time, kind, name, part, value) -> None:
        part_name = self.scenario.parts[part].name if part >= 0 else ""
        self._tell("event", Event(float(time), kind, name, part_name, float(value)))

    def _check_tables(self, time: float, maximum: np.ndarray) -> None:
        """Say once per material when a part is hotter than its property tables reach, once per reaction and part likewise."""
        for index, part in enumerate(self.scenario.parts):
            material = part.material
            if material.name in self.left_table or not np.isfinite(maximum[index]):
                continue
            top = min(material.conductivity.span[1], material.specific_heat.span[1])
            if maximum[index] > top:
                self.left_table.add(material.name)
                self._event(time, "outside_table", material.name, index, maximum[index])
        tops = zip(self.reactants.names, self.reactants.parts, self.reactants.valid_to, strict=True)
        for number, (name, part, top) in enumerate(tops):
            if number not in self.left_span and maximum[part] > top:
                self.left_span.add(number)
                self._event(time, "outside_reaction", name, part, maximum[part])


def simulate(scenario: Scenario, path=None, *, force: bool = False, progress: Progress | None = None) -> Run:
    """Step the scenario's current history and return the run.

    Parameters
    ----------
    scenario : Scenario
    path : str, Path or None      run file to write while stepping; None keeps the run in memory only
    force : bool                  replace an existing file
    progress : callable or None   called at most ten times a second with (time [s], duration [s], name of the hottest
                                  conductor or part, its temperature [K])

    Returns
    -------
    Run    it ends early, with a "runaway" event, where a part passes the melting point of copper

    Raises
    ------
    NumericalError    the step collapsed, the start state does not exist, or energy did not close
    FileError         the run file exists, or cannot be written

    Source
    ------
    Heat conduction with Joule heating R(T) in isothermal conductors; methods and their measured order in DEVELOPERS.md
    """
    began = clock.perf_counter()
    model = model_of(scenario)
    boundaries = BoundaryTables(scenario.boundaries)
    member = Member(
        tuple(circuit.profile for circuit in scenario.circuits), initial_state(model, scenario.start, boundaries)
    )
    probes = ProbeReader(model, scenario.probes)
    reactions = asked_reactions(model)
    reactants = ReactantReader(model, reactions)
    header = RunHeader(
        title=scenario.title,
        section=record_of_section(model.section),
        circuit_names=[circuit.name for circuit in scenario.circuits],
        conductor_names=[conductor.name for conductor in scenario.conductors],
        probe_names=[probe.name for probe in scenario.probes],
        probe_units=probes.units,
        reactant_names=reactants.names,
        limits=limit_records(scenario.limits, scenario),
        scenario_text=scenario.source_text,
        scenario_file=scenario.source_file,
        resolved=resolved_of(scenario),
        assumptions=list(scenario.assumptions),
        provenance=provenance_of(scenario),
    )
    with ExitStack() as stack:
        memory = stack.enter_context(MemoryRecorder(header))
        recorders = [memory] if path is None else [memory, stack.enter_context(RunWriter(path, header, force))]
        recording = _Recording(model, scenario, reactants, recorders)
        stepper = Stepper(model, member, scenario.run.tolerance, boundaries, reactions=reactions, threads=os.cpu_count() or 1)
        recording.begin(stepper)
        told = 0.0
        for step in stepper.steps(scenario.run.duration):
            maximum = recording.step(step)
            if recording.worst > _CLOSURE:
                raise NumericalError(
                    f"energy does not close at {step.end:.6g} s: stored + lost - generated is {recording.worst:.2g} of "
                    f"the turnover, more than {_CLOSURE:g}"
                )
            if step.after.max() > COPPER_MELTS:
                # past this no section keeps its shape, and a runaway would be followed to absurd temperatures
                recording.runaway(step)
                break
            now = clock.perf_counter()
            if progress is not None and now - told > _BLINK:
                told = now
                hottest = int(np.nanargmax(maximum))
                progress(step.end, scenario.run.duration, scenario.parts[hottest].name, float(maximum[hottest]))
        statistics = {
            "cells": model.cells,
            "unknowns": model.unknowns,
            "steps": stepper.accepted,
            "steps_rejected": stepper.rejected,
            "factorisations": stepper.factorised,
            "tolerance_kelvin": scenario.run.tolerance,
            "worst_energy_residual": recording.worst,
            "wall_seconds": clock.perf_counter() - began,
        }
        for recorder in recorders:
            recorder.finish(statistics)
    return memory.run
