"""What this suite's tests share."""

from __future__ import annotations

import numpy as np
import pytest

from ampsoak.heat import bordered


@pytest.fixture
def double_factors(monkeypatch):
    """Factors in double precision: for claims about what is the same to the last digits."""
    monkeypatch.setattr(bordered, "PRECISION", np.float64)
