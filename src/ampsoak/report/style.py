"""How everything drawn looks: sizes, tones, hatches and line patterns that survive a black-and-white copier.

Nothing is told apart by hue alone: lines differ in pattern and lightness, ranges in hatch, and all carry words.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps

import matplotlib
import numpy as np
from matplotlib.colors import Colormap, ListedColormap

MILLIMETRE = 1 / 25.4  # [inch]

SIZE_HEADING = 11.0  # all sizes in points
SIZE_TITLE = 9.0
SIZE_AXIS = 8.5
SIZE_TEXT = 7.5
SIZE_SMALL = 6.5

INK = "#111111"
QUIET = "#555555"
FAINT = "#b8b8b8"
PAPER = "#ffffff"
HOT_MARK = "#9a9a9a"

RC = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "mathtext.fontset": "dejavusans",
    "font.size": SIZE_TEXT,
    "text.color": INK,
    "text.parse_math": False,  # names of users may hold a dollar sign
    "axes.labelsize": SIZE_AXIS,
    "axes.labelcolor": INK,
    "axes.edgecolor": INK,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "xtick.labelsize": SIZE_TEXT,
    "ytick.labelsize": SIZE_TEXT,
    "xtick.direction": "out",
    "ytick.direction": "out",
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "xtick.minor.width": 0.5,
    "ytick.minor.width": 0.5,
    "grid.color": "#dcdcdc",
    "grid.linewidth": 0.5,
    "lines.linewidth": 1.4,
    "lines.solid_capstyle": "butt",
    "hatch.linewidth": 0.5,
    "hatch.color": INK,
    "legend.fontsize": SIZE_TEXT,
    "legend.frameon": False,
    "legend.handlelength": 3.2,
    "legend.handleheight": 1.2,
    "legend.labelspacing": 0.6,
    "legend.borderpad": 0.0,
    "legend.borderaxespad": 0.0,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "pdf.fonttype": 42,
    "svg.fonttype": "none",
    "image.interpolation": "nearest",
}

# Tones fall from dark to middling so that neighbours differ in lightness; patterns differ as well.
LINES = (
    {"color": "#0b2f5c", "linestyle": "-"},
    {"color": "#b4560f", "linestyle": (0, (6, 1.6))},
    {"color": "#4a2a72", "linestyle": (0, (6, 1.6, 1.2, 1.6))},
    {"color": "#2b7a78", "linestyle": (0, (2.4, 1.4))},
    {"color": "#7a1f3d", "linestyle": (0, (10, 2, 1.2, 2, 1.2, 2))},
    {"color": "#8a8a2a", "linestyle": (0, (1.1, 1.1))},
)
_LIGHTNESS = np.array([0.299, 0.587, 0.114])  # share of red, green, blue in lightness (ITU-R BT.601, from memory)
# what is computed after the first damage limit, where the material is no longer what the model assumes
OUTSIDE_LINE = {"color": FAINT, "linestyle": (0, (1, 1.4)), "linewidth": 1.2}
LIMIT_MARKERS = ("o", "s", "D", "P", "X", "h")
DEVICE_TONES = (
    {"fill": "#e9e9e9", "hatch": "//", "edge": "#1a1a1a"},
    {"fill": "#d6dde6", "hatch": "\\\\", "edge": "#3c4f66"},
    {"fill": "#e7ddd2", "hatch": "--", "edge": "#6a5138"},
)


@dataclass(frozen=True)
class VerdictStyle:
    """How one verdict looks: fill, hatch, the word in the ribbon, and the words in the key."""

    fill: str
    hatch: str
    word: str
    meaning: str


VERDICTS = {
    "never_reached": VerdictStyle("#ffffff", "", "not reached", "limit not reached, steady temperature below it"),
    "covered": VerdictStyle("#d9d9d9", "", "covered", "covered: slow edge opens before the limit"),
    "within_band": VerdictStyle("#ffffff", "////", "in band", "within the band: depends on the single device"),
    "uncovered": VerdictStyle("#ffffff", "xxxxxx", "uncovered", "uncovered: limit falls before the fast edge opens"),
    "below_pickup": VerdictStyle("#bdbdbd", "xxxxxx", "uncovered", "uncovered: device is not obliged to open"),
    "unknown": VerdictStyle("#ffffff", "....", "unknown", "unknown: no data there"),
}
# Which of two devices in series opens, on the same sheet as their bands.
SELECTIVITY = {
    "neither_opens": VerdictStyle("#ffffff", "", "neither", "neither is obliged to open"),
    "selective": VerdictStyle("#d9d9d9", "", "selective", "selective: only the lower device opens"),
    "overlapping": VerdictStyle("#ffffff", "////", "overlap", "overlapping: depends on the single devices"),
    "not_selective": VerdictStyle("#ffffff", "xxxxxx", "not selective", "not selective: the upper device opens first"),
    "unknown": VerdictStyle("#ffffff", "....", "unknown", "unknown: no data there"),
}
# Parts in the preview: role to (tint, hatch); several parts of one role step through the tints.
ROLE_TINTS = {
    "conductor": ("#5a5a5a", ""),
    "insulation": ("#ffffff", "xxxx"),
    "jacket": ("#d4d4d4", ""),
    "filler": ("#ececec", "...."),
    "fill": ("#f4f1ea", ".."),
    "board": ("#e2e2e2", "\\\\\\"),
    "framing": ("#cfc4b4", "///"),
    "air": ("#ffffff", ""),
    "other": ("#f2f2f2", "--"),
}
TEMPERATURE_MAP = "inferno"


def outside_map() -> Colormap:
    """The temperature map without its colours: what lies outside validity is as light as on the colour bar, but grey."""
    colours = matplotlib.colormaps[TEMPERATURE_MAP](np.linspace(0.0, 1.0, 256))
    light = colours[:, :3] @ _LIGHTNESS
    return ListedColormap(np.column_stack([light, light, light]), name=f"{TEMPERATURE_MAP}, outside validity")


def styled(function: Callable) -> Callable:
    """Run ``function`` with this style on top of matplotlib's own defaults, whatever the user has configured."""

    @wraps(function)
    def wrapper(*arguments, **keywords):
        with matplotlib.rc_context():
            matplotlib.rcdefaults()
            matplotlib.rcParams.update(RC)
            return function(*arguments, **keywords)

    return wrapper
