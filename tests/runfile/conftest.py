"""The sample records as fixtures."""

from __future__ import annotations

import pytest
from runfile_samples import make_curve, make_header, record

from ampsoak.runfile.records import Curve, Run
from ampsoak.runfile.write import MemoryRecorder, RunHeader


@pytest.fixture
def run() -> Run:
    """A run of 600 rows built in memory."""
    recorder = MemoryRecorder(make_header())
    record(recorder)
    return recorder.run


@pytest.fixture
def curve() -> Curve:
    return make_curve()


@pytest.fixture
def header() -> RunHeader:
    return make_header()
