"""Compile kernels that a run will need later, in a process beside the one that runs.

The compiler works on one kernel at a time, and a first run waits for all of them. Of two processes that share the cache folder
the run compiles in the order in which it calls, and this one what the run would come to last; in the end the run compiles the stages
of a step, which hold copies of most others, and this one the matrix of a step.
"""

from __future__ import annotations

import numpy as np

from ampsoak.heat import advance, bordered, kernels
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.compiling import compile_for
from ampsoak.heat.network import HeatModel, build_model
from ampsoak.heat.stepping import SCHEME, new_stages
from ampsoak.library.materials import constant_material
from ampsoak.scenario.case import Conductor, Paint, Part, RunSettings, Scenario, Start
from ampsoak.scenario.shapes import Circle
from ampsoak.section.build import build_section


def compile_share() -> None:
    """Compile what a run needs before its first step and does not come to at once; what it has compiled meanwhile is taken over."""
    model = _small_model()
    network, links, state = model.network, model.new_links(), np.full(model.unknowns, 300.0)
    exchange, ones, faces = model.new_exchange(state), np.ones(len(model.materials)), np.zeros(len(model.network.face_cell))
    factor, stages = bordered.empty_factor(network), new_stages(model, faces)
    start = advance.Start(state, state, state)
    compile_for(kernels.net_heat, network, links, exchange, state, state, faces, state)
    compile_for(kernels.zone_exchange, network, links, state, exchange)
    compile_for(kernels.assemble, network, links, exchange, 1.0, factor)
    compile_for(bordered.solve_bordered, factor, network.covered_cell, network.skin_conductor, network.zones.is_open, stages.gain, stages.inverse, state)
    compile_for(bordered.invert_corner, factor, stages.gain, stages.inverse)
    behind = advance.Behind(1.0, state, state)
    compile_for(advance._predict, network.zones.is_open, 1, start, behind, np.zeros((3, 0)), SCHEME, 1.0, stages.states, stages.follow)
    compile_for(advance._first_guess, network, start, state, stages, SCHEME, 1.0, 1)
    compile_for(advance._settle, network, ones, state, state, state, state)
    small = stages.gain, stages.inverse, 1.0, 1.0, True
    around = BoundaryTables(()).at(0.0)
    properties = advance.Properties(ones, ones, stages.gain, False, False, False)
    compile_for(advance.make_matrix, network, links, exchange, properties, start, around, stages.gain, factor, state, state, faces, *small)


def _small_model() -> HeatModel:
    """Any model: kernels are compiled for the kinds of their arrays, whatever is in them."""
    wire = Circle(5e-3, 5e-3, 1e-3)
    parts = (Part("fill", constant_material("fill", 0.04, 30.0, 840.0)), Part("wire", constant_material("wire", 390.0, 8900.0, 385.0)))
    scenario = Scenario(
        title="", description="", width=10e-3, height=10e-3, depth_note="", parts=parts, paints=(Paint(wire, 1),),
        conductors=(Conductor("wire", 1, wire, wire.area, 1e-3, 0.004),), circuits=(), boundaries=(), limits=(), probes=(),
        devices=(), start=Start("cold", 300.0), run=RunSettings(1.0),
    )  # fmt: skip
    return build_model(build_section(scenario))
