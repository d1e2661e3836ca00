"""The builders of the verification suite serve here too."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from ampsoak.heat import bordered

sys.path.insert(0, str(Path(__file__).parent.parent / "verification"))


@pytest.fixture
def double_factors(monkeypatch):
    """Factors in double precision: for claims about what is the same to the last digits."""
    monkeypatch.setattr(bordered, "PRECISION", np.float64)
