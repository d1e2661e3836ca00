"""A number with its range and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

GRADES = ("measured", "review", "standard", "handbook", "derived", "estimate")
HELD = ("read", "memory_high", "memory_medium", "memory_low", "derived", "user")


@dataclass(frozen=True)
class Value:
    """A scalar in SI with low/typical/high and its source.

    Parameters
    ----------
    typical : float           the value used unless a member says otherwise [SI]
    low, high : float         range, triangular meaning unless said otherwise [SI]; equal to typical if none is known
    source : str              document, clause or table; "common practice, no source" where there is none
    grade : str               one of ``GRADES``
    held : str                one of ``HELD``: read in a document, recalled from memory, derived, or given by the user
    """

    typical: float
    low: float
    high: float
    source: str = "given by the user"
    grade: str = "estimate"
    held: str = "user"

    @classmethod
    def exact(cls, typical: float, source: str = "given by the user", grade: str = "estimate", held: str = "user"):
        """Return a value without a range."""
        return cls(typical, typical, typical, source, grade, held)
