"""How long steps are: lengths from a ladder, as the error of the steps before allows."""

from __future__ import annotations

import math

LADDER = 2.0**0.5  # steps come from a ladder so that a factorised matrix can serve again
_RUNG = math.log(LADDER)
SMALLEST = 1e-9  # [s]
_TREND, _GROWTH = 1.5, 8.0  # most that the trend of the error adds; most that a step grows
_START = 12.0  # tolerances that the first step after a jump would go at its first slope
# The estimate belongs to the second-order companion; the third-order solution that goes on errs far less. With this
# share the error of whole histories stays under the user's tolerance (tests/heat/test_stepping.py measures it).
LOCAL_SHARE = 2.5


def on_ladder(step: float) -> float:
    """Largest length on the ladder not above ``step`` [s]."""
    return LADDER ** math.floor(math.log(step) / _RUNG + 1e-9)


def within(wanted: float, left: float) -> float:
    """Length [s] of a step that is ``wanted`` long where ``left`` is left up to the next stop."""
    return left if wanted >= left * 0.999 else min(wanted, left / 2)


class Pace:
    """Step lengths of a member, or of several that step together.

    Parameters
    ----------
    tolerance : float    allowed error of a temperature [K]

    Attributes
    ----------
    allowed : float              error [K] that a step may have by its estimate
    suggested : float or None    length [s] of the next step, None before the first
    """

    def __init__(self, tolerance: float):
        self.tolerance, self.allowed = tolerance, LOCAL_SHARE * tolerance
        self.suggested: float | None = None

    def begin(self, fastest: float) -> None:
        """Suggest the first step after a jump; ``fastest`` is the largest slope there [K/s]."""
        far = _START * self.tolerance
        # never so short that it counts as collapsed: cells that store next to nothing answer at once and do not matter
        self.suggested = min(max(far / fastest, 1e3 * SMALLEST), 100.0) if fastest > 0 else 10.0

    def factor(self, error: float) -> float:
        """How much longer a step could be that errs by ``error`` [K]."""
        return 0.9 * (self.allowed / max(error, 1e-12 * self.allowed)) ** (1 / 3)

    def shorter(self, step: float, error: float) -> float:
        """Length [s] to try instead of a ``step`` [s] whose ``error`` [K] is more than allowed."""
        return step * max(0.2, self.factor(error))

    def growth(self, step: float, error: float, before: tuple[float, float] | None) -> float:
        """How much longer the next step may be; ``before``: length and error of the one before, if nothing has jumped.

        After a jump the solution smooths out as it ages, so the error falls behind what the step alone explains.
        """
        if before is None:
            return self.factor(error)
        last = max(before[1], 1e-12 * self.tolerance)
        trend = (step / before[0]) * (last / max(error, 1e-12 * last)) ** (1 / 3)
        return self.factor(error) * min(max(trend, 0.5), _TREND)

    def accept(self, step: float, growth: float) -> None:
        """Suggest the next step after one that could grow by ``growth``."""
        # a step that fits stays: a new length costs a factorisation of a linear section
        self.suggested = step if 0.8 < growth < 1.4 else step * min(growth, _GROWTH)
