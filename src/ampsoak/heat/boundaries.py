"""Boundary conditions of a scenario as kernel arrays at any time."""

from __future__ import annotations

import numpy as np

from ampsoak.base.errors import NumericalError
from ampsoak.heat.arrays import ADIABATIC, FILM, FIXED, FLUX, TABLE_LENGTH, TABLE_STEP, Surroundings
from ampsoak.heat.laws import CORRELATIONS
from ampsoak.scenario.case import Boundary

_KINDS = {"adiabatic": ADIABATIC, "fixed": FIXED, "flux": FLUX, "film": FILM}


class BoundaryTables:
    """All boundaries of a scenario, evaluated at a time.

    Parameters
    ----------
    boundaries : tuple of Boundary

    Attributes
    ----------
    constant : bool    True when nothing changes in time
    linear : bool      True when every film is linear in temperature (no correlation, no radiation)
    steady_films : bool    True when coefficients and surface resistances do not change in time
    times : tuple      times at which a table has a corner [s]
    """

    def __init__(self, boundaries: tuple[Boundary, ...]):
        self.boundaries = boundaries
        tables = [
            table
            for b in boundaries
            for table in (b.temperature, b.flux, b.coefficient, b.surroundings, b.resistance)
            if table is not None
        ]
        self.constant = all(table.is_constant for table in tables)
        self.linear = all(b.kind != "film" or (b.emissivity == 0 and b.correlation is None) for b in boundaries)
        self.steady_films = all(
            table is None or table.is_constant for b in boundaries for table in (b.coefficient, b.resistance)
        )
        self.times = tuple(sorted({t for table in tables if not table.is_constant for t in table.time}))
        self._base = self._constants()
        self._kept = self.at(0.0) if self.constant else None

    def _constants(self) -> dict:
        n = len(self.boundaries)
        arrays = {
            "kind": np.array([_KINDS[b.kind] for b in self.boundaries], dtype=np.int64),
            "emissivity": np.array([b.emissivity for b in self.boundaries], dtype=float),
            "power_factor": np.zeros(n),
            "power_exponent": np.zeros(n),
            "has_table": np.zeros(n, dtype=bool),
            "table": np.zeros((n, TABLE_LENGTH)),
        }
        difference = TABLE_STEP * np.arange(TABLE_LENGTH)
        for row, b in enumerate(self.boundaries):
            if b.correlation is None:
                continue
            given = dict(b.correlation_parameters)
            if b.correlation == "power_law":
                arrays["power_factor"][row] = given["factor"]
                arrays["power_exponent"][row] = given["exponent"]
            elif b.correlation in CORRELATIONS:
                law, argument = CORRELATIONS[b.correlation]
                # film properties change by a fraction of a percent per kelvin of air: the mean air temperature serves
                air = float(np.mean(b.temperature.value))
                arrays["has_table"][row] = True
                arrays["table"][row] = law(difference, air, given[argument])
            else:
                raise NumericalError(f"boundary {b.edge}: no film correlation called {b.correlation}")
        return arrays

    def at(self, time) -> Surroundings:
        """Kernel arrays at ``time`` [s], one row each; one row in all where nothing changes in time."""
        if self.constant and hasattr(self, "_kept") and self._kept is not None:
            return self._kept
        times = np.atleast_1d(np.asarray(time, dtype=float))

        def values(name, default):
            rows = np.empty((len(times), len(self.boundaries)))
            for column, b in enumerate(self.boundaries):
                table = getattr(b, name)
                rows[:, column] = default(b) if table is None else [table.at(moment) for moment in times]
            return rows

        air = values("temperature", lambda b: 293.15)
        return Surroundings(
            air=air,
            radiant=values("surroundings", lambda b: [b.temperature.at(moment) for moment in times] if b.temperature else 293.15),
            fixed=air,
            flux=values("flux", lambda b: 0.0),
            coefficient=values("coefficient", lambda b: 0.0),
            resistance=values("resistance", lambda b: 0.0),
            **self._base,
        )
