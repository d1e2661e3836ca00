"""Contact resistances put in series with the links that cross them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ampsoak.heat import kernels

if TYPE_CHECKING:
    from ampsoak.heat.network import HeatModel

REFERENCE_TEMPERATURE = 330.0  # [K] at which the links are known when the resistances are put in


def with_contacts(model: HeatModel, at_ends: np.ndarray) -> HeatModel:
    """Return ``model`` with the contact resistances of its section; ``model`` itself where there are none.

    A link of conductance G keeps the share 1 / (1 + G R) of it beside a resistance R [K m/W]. The share is that at 57 °C: exact
    where conductivities are constant; where they change by a tenth, the contact errs by less than a tenth of what the link
    itself resists.

    Parameters
    ----------
    model : HeatModel             of the whole section
    at_ends : (n_cut,) float64    contact resistance at the end of links that end on a conductor [K m/W]
    """
    contact, grid = model.section.contact, model.grid
    if contact is None:
        return model
    links = model.new_links()
    temperature = np.full(model.unknowns, REFERENCE_TEMPERATURE)
    kernels.conductances(model.network, temperature, np.ones(len(model.materials)), links)
    state = [grid.link_state_x.copy(), grid.link_state_y.copy()]
    for axis, conductance in ((0, links.x), (1, links.y)):
        mine = contact.axis == axis
        at = contact.i[mine], contact.j[mine]
        state[axis][at] /= 1.0 + conductance[model.cell_order[at]] * contact.resistance[mine]
    inverse = grid.cut_inverse / (1.0 + links.cut * at_ends)
    return replace(model, grid=grid._replace(link_state_x=state[0], link_state_y=state[1], cut_inverse=inverse))
