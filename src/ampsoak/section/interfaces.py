"""Which way material interfaces run through each element, from the visible outlines themselves.

Heat crosses a layered box in series along the interface normal and in parallel across it, so an element that holds more
than one material needs the direction of its interfaces. Outlines are sampled; every visible piece adds its length times
the jump of log conductivity times the square of its normal. Squares do not cancel, so a thin layer between two like
materials keeps its direction.
"""

from __future__ import annotations

import numpy as np

from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import outline_pieces, painted_parts

_PIECES_PER_CELL = 8
_REFERENCE_TEMPERATURE = 330.0  # [K] at which conductivities are compared


def parts_at(scenario: Scenario, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Visible part number at each place, (n,) int64; x, y (n,) [m]."""
    return painted_parts(((paint.shape, paint.part) for paint in scenario.paints), x, y)


def interface_tensors(
    scenario: Scenario, x_points: np.ndarray, y_points: np.ndarray, finest: float
) -> np.ndarray:
    """Weighted normals of the interfaces in each element.

    Parameters
    ----------
    scenario : Scenario
    x_points, y_points : (nx,), (ny,) float64    unknown positions [m]
    finest : float                               smallest cell side [m]

    Returns
    -------
    (nx + 1, ny + 1, 3) float64    sums of (n_x², n_y², n_x n_y) times length times jump of log conductivity [m]
    """
    tensor = np.zeros((len(x_points) + 1, len(y_points) + 1, 3))
    isothermal = {conductor.part for conductor in scenario.conductors}
    isothermal |= {index for index, part in enumerate(scenario.parts) if part.air is not None}
    log_k = np.array(
        [
            np.nan if index in isothermal else np.log(part.material.thermal_conductivity(_REFERENCE_TEMPERATURE))
            for index, part in enumerate(scenario.parts)
        ]
    )
    for paint in scenario.paints:
        middle, vector = outline_pieces(paint.shape, finest / _PIECES_PER_CELL)
        length = np.hypot(vector[:, 0], vector[:, 1])
        normal = np.column_stack([vector[:, 1], -vector[:, 0]]) / length[:, None]
        # far enough to leave the chord of a curved outline, near enough to stay inside thin layers
        away = 0.02 * finest * normal
        one = log_k[parts_at(scenario, *(middle + away).T)]
        other = log_k[parts_at(scenario, *(middle - away).T)]
        weight = np.nan_to_num(np.abs(one - other)) * length  # conductors and air zones are no material interface
        i = np.searchsorted(x_points, middle[:, 0])
        j = np.searchsorted(y_points, middle[:, 1])
        for component, product in enumerate(
            (normal[:, 0] ** 2, normal[:, 1] ** 2, normal[:, 0] * normal[:, 1])
        ):
            np.add.at(tensor[:, :, component], (i, j), weight * product)
    return tensor
