"""Arrhenius reactions of a section: how fast each goes in each cell, what heat that gives, what is left of the reactant.

A reaction is rough physics: single-step kinetics fitted to other samples, no oxygen balance, no gas carried away. It runs only
where it is asked for. Below ``valid_from`` nothing reacts, within 10 K above it the rate sets in smoothly; above ``valid_to`` the
rate stays what it is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ampsoak.library.laws import GAS_CONSTANT, arrhenius_rate, remaining_after

if TYPE_CHECKING:
    from ampsoak.heat.network import HeatModel


_MOST_ROOTS = 60
_ONSET = 10.0  # [K] over which a rate sets in; a jump at the begin of a span would cut the step at every cell that passes it
_SLOWEST = 1e-200  # [1/s] nothing that slow reacts, and its reciprocal would overflow


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
    kind : (n,) int64                      which entry of ``kinds`` it is
    kinds : tuple of (int, str)            number of the material in the model, name of the reaction
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
    kind: np.ndarray
    kinds: tuple[tuple[int, str], ...]
    unknowns: int

    def rate_constant(self, temperature: np.ndarray) -> np.ndarray:
        """Rate constant of each entry (n,) [1/s] in a state (unknowns,) [K]."""
        here = temperature[self.unknown]
        held = np.clip(here, self.valid_from, self.valid_to)  # a guess on the way may lie anywhere, below zero too
        return self._onset(here) * arrhenius_rate(held, self.pre_exponential, self.activation_energy)

    def power(self, temperature: np.ndarray, remaining: np.ndarray) -> np.ndarray:
        """Heat given off in each unknown (unknowns,) [W/m] in a state with ``remaining`` (n,) of each reactant."""
        speed = self.rate_constant(temperature) * remaining**self.order
        return self._gathered(self.mass * self.heat * speed)

    def slope(self, temperature: np.ndarray, remaining: np.ndarray) -> np.ndarray:
        """Growth of ``power`` with temperature, (unknowns,) [W/(m K)]; 0 where the rate is held."""
        here = temperature[self.unknown]
        held = np.clip(here, self.valid_from, self.valid_to)
        full = arrhenius_rate(held, self.pre_exponential, self.activation_energy)
        growth = np.where(here < self.valid_to, self.activation_energy / (GAS_CONSTANT * held**2), 0.0)
        share = np.clip((here - self.valid_from) / _ONSET, 0.0, 1.0)
        growth = self._onset(here) * growth + 6.0 * share * (1.0 - share) / _ONSET
        return self._gathered(self.mass * self.heat * full * growth * remaining**self.order)

    def advanced(self, temperature: np.ndarray, remaining: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
        """State of the reactants after ``step`` [s] at a held temperature, exactly.

        Returns
        -------
        remaining : (n,) float64         of each reactant
        heat : (unknowns,) float64       given off meanwhile [J/m]; what is left and what was given off always agree
        """
        after = remaining_after(remaining, self.rate_constant(temperature) * step, self.order)
        return after, self._gathered(self.mass * self.heat * (remaining - after))

    def stage_speeds(self, states: np.ndarray, remaining: np.ndarray, step: float, scheme: np.ndarray) -> np.ndarray:
        """How fast each reactant goes at the three stages of a step, by the step's own method.

        Reactants obey d(remaining)/dt = -k(T) remaining^order; each stage solves that implicitly in what remains, with the
        temperature of the stage, so however fast a reaction is, no more than what is left of it gives heat.

        Parameters
        ----------
        states : (3, unknowns) float64    temperature at the stages [K]
        remaining : (n,) float64          at the start of the step
        step : float                      [s]
        scheme : (3, 5) float64           as ``advance`` has it

        Returns
        -------
        (3, n) float64    share of the whole per second [1/s]
        """
        speeds = np.zeros((3, len(self.mass)))
        for stage in range(3):
            base = remaining - step * (scheme[stage, :stage] @ speeds[:stage])
            rate = self.rate_constant(states[stage])
            live = (rate > _SLOWEST) & (base > 0.0)
            left = _left_after(base[live], scheme[stage, 4] * step * rate[live], self.order[live])
            speeds[stage, live] = rate[live] * left ** self.order[live]
            # of order 0, or nearly, the rate alone would take more than is there
            speeds[stage, live] = np.minimum(speeds[stage, live], base[live] / (scheme[stage, 4] * step))
        return speeds

    def given_off(self, amount: np.ndarray) -> np.ndarray:
        """Heat of the ``amount`` (m, n) that reacts, by unknown (m, unknowns): [1/s] to [W/m], shares to [J/m]."""
        return np.array([self._gathered(self.mass * self.heat * row) for row in amount])

    def error(self, speeds, states, remaining, step: float, scheme: np.ndarray, capacity: np.ndarray) -> float:
        """Estimated error [K] that a step leaves in the reactants: the rise that the missing share would give where it is.

        Estimated as that of the temperatures: against the embedded second-order solution, filtered through the step.
        """
        raw = np.abs(step * (scheme[:, 3] @ speeds))
        left = np.maximum(remaining - step * (scheme[2, :3] @ speeds), 0.0)
        # of a reactant that goes faster than the step, that many times the rate is damped within it
        damping = 1.0 + scheme[2, 4] * step * self.rate_constant(states[2]) * np.where(left > 0.0, self.order, 0.0)
        here = capacity[self.unknown]
        rise = np.divide(np.abs(self.mass * self.heat), here, out=np.zeros_like(here), where=here > 0.0)
        return float((raw / damping * rise).max(initial=0.0))

    def _onset(self, here: np.ndarray) -> np.ndarray:
        """Share of the rate that counts, (n,): 0 below the span, all of it a little above its begin, smooth between."""
        share = np.clip((here - self.valid_from) / _ONSET, 0.0, 1.0)
        return share * share * (3.0 - 2.0 * share)

    def _gathered(self, amount: np.ndarray) -> np.ndarray:
        return np.bincount(self.unknown, amount, minlength=self.unknowns)


def _left_after(base: np.ndarray, exposure: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Root (n,) of  left + exposure * left^order = base  between 0 and ``base`` (all above 0); 0 where none is left."""
    left = base / (1.0 + exposure)
    flat = order == 0.0
    left[flat] = np.maximum(base[flat] - exposure[flat], 0.0)
    bent = ~flat & (order != 1.0)
    if not bent.any():
        return left
    b, c, n = base[bent], exposure[bent], order[bent]
    # in x = left^min(n, 1) both terms bend upwards: Newton's method comes down on the root from above and cannot miss it
    of_left, of_rate = 1.0 / np.minimum(n, 1.0), np.maximum(n, 1.0)
    x = np.minimum(b ** (1.0 / of_left), (b / c) ** (1.0 / of_rate))
    for _ in range(_MOST_ROOTS):
        excess = x**of_left + c * x**of_rate - b
        step = excess / (of_left * x ** (of_left - 1.0) + c * of_rate * x ** (of_rate - 1.0))
        x = np.maximum(x - step, 0.0)
        if np.all(np.abs(step) <= 1e-14 * x + 1e-300):
            break
    left[bent] = x**of_left
    return left


def asked_reactions(model: HeatModel) -> Reactions | None:
    """Return the reactions of a model whose scenario asks for them, None where it does not or where there are none."""
    return reactions_of(model) if model.section.scenario.run.reactions else None


def reactions_of(model: HeatModel) -> Reactions | None:
    """Return the reactions of a model's materials, None where none of them has any."""
    network = model.network
    owner = np.repeat(np.arange(model.unknowns), np.diff(network.content_start))
    columns: list[tuple] = []
    kinds: list[tuple[int, str]] = []
    for number, material in enumerate(model.materials):
        where = np.flatnonzero(network.content_material == number)
        mass = network.content_area[where] * material.density.typical
        for reaction in material.reactions:
            values = (
                reaction.heat.typical, reaction.pre_exponential.typical, reaction.activation_energy.typical, reaction.order,
                reaction.valid_from, reaction.valid_to,
            )  # fmt: skip
            kind = np.full(len(where), len(kinds))
            kinds.append((number, reaction.name))
            columns.append((owner[where], mass, *(np.full(len(where), value) for value in values), kind))
    if not columns:
        return None
    joined = (np.concatenate(column) for column in zip(*columns, strict=True))
    return Reactions(*joined, kinds=tuple(kinds), unknowns=model.unknowns)


class ReactantReader:
    """What is left of each reactant in each part.

    Parameters
    ----------
    model : HeatModel
    reactions : Reactions or None    None reads nothing

    Attributes
    ----------
    names : list of str              "part: reaction"
    parts : list of int              part of each
    valid_to : (n,) float64          [K]
    """

    def __init__(self, model: HeatModel, reactions: Reactions | None):
        self.names: list[str] = []
        self.parts: list[int] = []
        self._entries: list[tuple[np.ndarray, np.ndarray]] = []
        spans = []
        parts = model.section.scenario.parts if reactions is not None else ()
        for number, part in enumerate(parts):
            for kind, (material, name) in enumerate(reactions.kinds):
                if model.materials[material] != part.material:
                    continue
                entries = np.flatnonzero(reactions.kind == kind)
                place = np.full(model.unknowns, -1)
                place[reactions.unknown[entries]] = entries
                found = place[model.part_cells[number]]
                weight = model.part_weights[number][found >= 0]
                if weight.sum() > 0.0:
                    self.names.append(f"{part.name}: {name}")
                    self.parts.append(number)
                    self._entries.append((found[found >= 0], weight / weight.sum()))
                    spans.append(reactions.valid_to[entries[0]])
        self.valid_to = np.array(spans, dtype=float)

    def read(self, remaining: np.ndarray | None) -> np.ndarray:
        """Mean share left of each (n,), between 0 and 1."""
        if remaining is None:
            return np.zeros(0)
        shares = [float(remaining[entries] @ weight) for entries, weight in self._entries]
        return np.clip(np.array(shares, dtype=float), 0.0, 1.0)
