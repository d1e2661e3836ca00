"""Fixtures of the study tests."""

from __future__ import annotations

import pytest
from wire_case import small_case

from ampsoak.scenario.case import CurrentProfile, Scenario


@pytest.fixture
def overload() -> Scenario:
    """Twice the rating of the 16 A breaker for an hour."""
    return small_case(CurrentProfile.constant(32.0, 3600.0), 3600.0)
