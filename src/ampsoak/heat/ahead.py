"""Compile kernels that a run will need later, in a process beside the one that runs.

The compiler works on one kernel at a time, and a first run waits for all of them. Two processes that share the cache folder
take from both ends: the run in the order in which it calls, this one the other way round.
"""

from __future__ import annotations

import numpy as np

from ampsoak.heat import bordered, kernels
from ampsoak.heat.boundaries import BoundaryTables
from ampsoak.heat.compiling import compile_for
from ampsoak.heat.network import HeatModel, build_model
from ampsoak.heat.stepping import new_stages
from ampsoak.library.materials import constant_material
from ampsoak.scenario.case import Conductor, Paint, Part, RunSettings, Scenario, Start
from ampsoak.scenario.shapes import Circle
from ampsoak.section.build import build_section


def compile_share() -> None:
    """Compile what a run calls last, then what it calls before that; what the run has compiled meanwhile is taken over."""
    model = _small_model()
    network, links, state = model.network, model.new_links(), np.full(model.unknowns, 300.0)
    exchange, ones, coefficient = model.new_exchange(state), np.ones(len(model.materials)), np.ones(model.lumps)
    around, faces = BoundaryTables(()).at(0.0), np.zeros(len(network.face_cell))
    factor, stages = bordered.empty_factor(network), new_stages(model, faces)
    compile_for(bordered.solve_bordered, factor, network.covered_cell, network.skin_conductor, stages.inverse, state)
    compile_for(bordered.invert_corner, factor, coefficient, stages.inverse)
    compile_for(bordered.reduce_border, factor)
    compile_for(kernels.assemble, network, links, exchange, 1.0, factor)
    compile_for(kernels.net_heat, network, links, exchange, state, state, faces, state)
    compile_for(kernels.zone_exchange, network, links, state, exchange)
    compile_for(kernels.border_flow, network, links, around, 0, state, faces, faces, faces)
    compile_for(kernels.heat_content, network, state, ones, state, state)
    compile_for(kernels.conductances, network, state, ones, links)


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
