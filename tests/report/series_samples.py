"""Two breakers and a fuse in series, for the figure of devices in series."""

from __future__ import annotations

from ampsoak.coverage.edges import device_curve
from ampsoak.coverage.selectivity import pairs_in_series, selectivity
from ampsoak.report.figures import selectivity_figure
from ampsoak.report.selectivity import drawn_devices
from ampsoak.scenario.device_case import DeviceChoice

DEVICES = (
    DeviceChoice("fuse", "IEC 60269", "gG", 63.0),
    DeviceChoice("board", "IEC 60898-1", "C", 32.0),
    DeviceChoice("circuit", "IEC 60898-1", "B", 16.0),
)
LOWEST, HIGHEST, FAULT = 81.0, 2000.0, 1500.0


def found():
    """Answers for each pair, and the devices as they are drawn."""
    pairs = [tuple(device_curve(one) for one in pair) for pair in pairs_in_series(DEVICES)]
    return [selectivity(*pair, LOWEST, HIGHEST) for pair in pairs], drawn_devices(pairs, None)


def figure(title: str, margin: str):
    """The figure."""
    return selectivity_figure(*found(), title, margin, FAULT)
