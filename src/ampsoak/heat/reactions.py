"""Arrhenius reactions of a section: how fast each goes in each cell, what heat that gives, what is left of the reactant.

A reaction is rough physics: single-step kinetics fitted to other samples, no oxygen balance, no gas carried away. It runs only
where it is asked for. Below ``valid_from`` nothing reacts; above ``valid_to`` the rate stays what it is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ampsoak.library.laws import GAS_CONSTANT, arrhenius_rate, remaining_after

if TYPE_CHECKING:
    from ampsoak.heat.network import HeatModel


@dataclass(frozen=True)
class Reactions:
    """Every reaction in every unknown of a section, one entry each.

    Parameters
    ----------
    unknown : (n,) int64                   where it goes on
    mass : (n,) float64                    of the material that reacts there [kg/m]
    heat : (n,) float64                    given off per mass by the whole reaction [J/kg]
    pre_exponential : (n,) float64         [1/s]
    activation_energy : (n,) float64       [J/mol]
    order : (n,) float64
    valid_from, valid_to : (n,) float64    [K]
    unknowns : int                         of the model
    """

    unknown: np.ndarray
    mass: np.ndarray
    heat: np.ndarray
    pre_exponential: np.ndarray
    activation_energy: np.ndarray
    order: np.ndarray
    valid_from: np.ndarray
    valid_to: np.ndarray
    unknowns: int

    def rate_constant(self, temperature: np.ndarray) -> np.ndarray:
        """Rate constant of each entry (n,) [1/s] in a state (unknowns,) [K]."""
        here = temperature[self.unknown]
        held = np.minimum(here, self.valid_to)
        return np.where(here >= self.valid_from, arrhenius_rate(held, self.pre_exponential, self.activation_energy), 0.0)

    def power(self, temperature: np.ndarray, remaining: np.ndarray) -> np.ndarray:
        """Heat given off in each unknown (unknowns,) [W/m] in a state with ``remaining`` (n,) of each reactant."""
        speed = self.rate_constant(temperature) * remaining**self.order
        return self._gathered(self.mass * self.heat * speed)

    def slope(self, temperature: np.ndarray, remaining: np.ndarray) -> np.ndarray:
        """Growth of ``power`` with temperature, (unknowns,) [W/(m K)]; 0 where the rate is held."""
        here = temperature[self.unknown]
        rising = (here >= self.valid_from) & (here < self.valid_to)
        speed = self.rate_constant(temperature) * remaining**self.order
        growth = np.where(rising, self.activation_energy / (GAS_CONSTANT * here**2), 0.0)
        return self._gathered(self.mass * self.heat * speed * growth)

    def advanced(self, temperature: np.ndarray, remaining: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
        """State of the reactants after ``step`` [s] at a held temperature, exactly.

        Returns
        -------
        remaining : (n,) float64         of each reactant
        heat : (unknowns,) float64       given off meanwhile [J/m]; what is left and what was given off always agree
        """
        after = remaining_after(remaining, self.rate_constant(temperature) * step, self.order)
        return after, self._gathered(self.mass * self.heat * (remaining - after))

    def _gathered(self, amount: np.ndarray) -> np.ndarray:
        return np.bincount(self.unknown, amount, minlength=self.unknowns)


def reactions_of(model: HeatModel) -> Reactions | None:
    """Return the reactions of a model's materials, None where none of them has any."""
    network = model.network
    owner = np.repeat(np.arange(model.unknowns), np.diff(network.content_start))
    columns: list[tuple] = []
    for number, material in enumerate(model.materials):
        where = np.flatnonzero(network.content_material == number)
        mass = network.content_area[where] * material.density.typical
        for reaction in material.reactions:
            values = (
                reaction.heat.typical, reaction.pre_exponential.typical, reaction.activation_energy.typical, reaction.order,
                reaction.valid_from, reaction.valid_to,
            )  # fmt: skip
            columns.append((owner[where], mass, *(np.full(len(where), value) for value in values)))
    if not columns:
        return None
    return Reactions(*(np.concatenate(column) for column in zip(*columns, strict=True)), unknowns=model.unknowns)
