"""Which way material interfaces run through each element, from the visible outlines themselves.

Heat crosses a layered box in series along the interface normal and in parallel across it, so an element that holds more
than one material needs the direction of its interfaces. Outlines are sampled; every visible piece adds its length times
the jump of log conductivity times the square of its normal. Squares do not cancel, so a thin layer between two like
materials keeps its direction.
"""

from __future__ import annotations

import numpy as np

from ampsoak.scenario.case import Scenario
from ampsoak.scenario.geometry import painted_parts, visible_pieces
from ampsoak.scenario.shapes import Rectangle

_PIECES_PER_CELL = 8
_REFERENCE_TEMPERATURE = 330.0  # [K] at which conductivities are compared


def parts_at(scenario: Scenario, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Visible part number at each place, (n,) int64; x, y (n,) [m]."""
    return painted_parts(((paint.shape, paint.part) for paint in scenario.paints), x, y)


def reference_conductivity(scenario: Scenario) -> np.ndarray:
    """Conductivity of each part at the temperature at which they are compared, (n_parts,) [W/(m K)]; nan where isothermal."""
    isothermal = {conductor.part for conductor in scenario.conductors}
    isothermal |= {index for index, part in enumerate(scenario.parts) if part.air is not None}
    return np.array(
        [
            np.nan if index in isothermal else part.material.thermal_conductivity(_REFERENCE_TEMPERATURE)
            for index, part in enumerate(scenario.parts)
        ]
    )


def _along_sides(mixed: np.ndarray, shape: Rectangle, x_points: np.ndarray, y_points: np.ndarray) -> np.ndarray:
    """``mixed`` of the elements that the sides of a rectangle pass through, (n,) bool."""
    left, right = np.searchsorted(x_points, [shape.left, shape.right])
    bottom, top = np.searchsorted(y_points, [shape.bottom, shape.top])
    upright, level = mixed[[left, right], bottom : top + 1], mixed[left : right + 1, [bottom, top]]
    return np.concatenate([upright.ravel(), level.ravel()])


def interface_tensors(
    scenario: Scenario, x_points: np.ndarray, y_points: np.ndarray, finest: float, mixed: np.ndarray
) -> np.ndarray:
    """Weighted normals of the interfaces in each element.

    Parameters
    ----------
    scenario : Scenario
    x_points, y_points : (nx,), (ny,) float64    unknown positions [m]
    finest : float                               smallest cell side [m]
    mixed : (nx + 1, ny + 1) bool                elements that need it; the others get zeros

    Returns
    -------
    (nx + 1, ny + 1, 3) float64    sums of (n_x², n_y², n_x n_y) times length times jump of log conductivity [m]
    """
    tensor = np.zeros((len(x_points) + 1, len(y_points) + 1, 3))
    log_k = np.log(reference_conductivity(scenario))
    parts = np.array([0, *(paint.part for paint in scenario.paints)])
    shapes = [paint.shape for paint in scenario.paints]

    def element(middle):
        return np.searchsorted(x_points, middle[:, 0]), np.searchsorted(y_points, middle[:, 1])

    for number, shape in enumerate(shapes, 1):
        if isinstance(shape, Rectangle) and not _along_sides(mixed, shape, x_points, y_points).any():
            continue  # metres of straight sides on grid lines, and nothing that needs them
        # far enough to leave the chord of a curved outline, near enough to stay inside thin layers
        pieces = visible_pieces(shapes, number, finest / _PIECES_PER_CELL, 0.02 * finest, lambda at: mixed[element(at)])
        one, other = parts[pieces.one], parts[pieces.other]
        # conductors, air zones and the rim of the section are no material interface
        jump = np.nan_to_num(np.abs(log_k[one] - log_k[other])) * pieces.within(scenario.width, scenario.height)
        i, j = element(pieces.middle)
        normal_x, normal_y = pieces.normal.T
        for component, product in enumerate((normal_x**2, normal_y**2, normal_x * normal_y)):
            np.add.at(tensor[:, :, component], (i, j), jump * pieces.length * product)
    return tensor
