"""Every figure, by one name each, and how they are saved."""

from __future__ import annotations

from ampsoak.report.history import history_figure
from ampsoak.report.opening import opening_temperature_figure
from ampsoak.report.page import save_figure
from ampsoak.report.preview import preview_figure
from ampsoak.report.protected import protected_history_figure
from ampsoak.report.section_map import section_figure
from ampsoak.report.selectivity import selectivity_figure
from ampsoak.report.time_current import time_current_figure

__all__ = [
    "history_figure",
    "opening_temperature_figure",
    "preview_figure",
    "protected_history_figure",
    "save_figure",
    "section_figure",
    "selectivity_figure",
    "time_current_figure",
]
