"""What would close the gap, as a table and in lines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ampsoak.coverage.words import current_words
from ampsoak.report.tables import Table
from ampsoak.report.words import celsius

if TYPE_CHECKING:
    from ampsoak.study.closing import Trial

_COLUMNS = (
    "quantity", "value", "number", "unit", "opens in time", "limit", "limit temperature [°C]", "from [A]", "to [A]", "at [A]",
    "verdict", "rests on", "why not tried", "sha256 of the limit curve",
)  # fmt: skip


def trial_table(found: Sequence[tuple[str, Sequence[Trial]]]) -> Table:
    """Every value tried, one row each, with what prevents it; ``found`` holds (quantity, its trials)."""
    rows = []
    for quantity, trials in found:
        for trial in trials:
            bound = trial.binding
            row = ("", "", "", "", "", "", "")
            if bound is not None:
                row = (
                    bound.limit, float(celsius(bound.temperature)), bound.low, bound.high, bound.current, bound.verdict,
                    bound.edge,
                )  # fmt: skip
            clears = "" if trial.fault else "yes" if trial.clears else "no"
            rows.append((quantity, trial.label, trial.value, trial.unit, clears, *row, trial.fault, trial.curve))
    return Table(_COLUMNS, rows)


def trial_rows(trials: Sequence[Trial]) -> list[tuple[str, str, str]]:
    """Cells of all values tried; where three or more in a row say the same, one row stands for them."""
    rows: list[tuple[str, str, str]] = []
    run: list[tuple[str, str, str]] = []
    for cells in [*map(trial_words, trials), None]:
        if run and (cells is None or cells[1:] != run[0][1:]):
            together = [(f"{run[0][0]} to {run[-1][0]}, {len(run)} values", *run[0][1:])] if len(run) > 2 else run
            rows += together
            run = []
        if cells is not None:
            run.append(cells)
    return rows


def trial_words(trial: Trial) -> tuple[str, str, str]:
    """One value tried as cells: the value, whether the device opens in time, and what prevents it."""
    if trial.fault:
        return trial.label, "no such case", trial.fault
    if trial.binding is None:
        return trial.label, "in time", ""
    bound = trial.binding
    why = f"{bound.limit} at {current_words(bound.current)}, {_VERDICTS[bound.verdict]}"
    return trial.label, "not in time", why


_VERDICTS = {
    "below_pickup": "need not open there",
    "uncovered": "even a fast device is too late",
    "within_band": "a slow device is too late",
    "unknown": "no data there",
}
