"""The command line through its own entry, and one small case solved once for all tests here."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from ampsoak.cli.main import main

SMALL = Path(__file__).parent / "small.toml"


@dataclass
class Said:
    """What a command left behind: exit status, standard output, standard error."""

    status: int
    out: str
    err: str

    @property
    def object(self) -> dict:
        """Standard output as the one JSON object it must be."""
        return json.loads(self.out)


@pytest.fixture(autouse=True)
def own_folders(tmp_path, monkeypatch):
    """Logs go to the test's folder; an interrupted command ends like any other instead of taking pytest with it."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr("os._exit", sys.exit)


@pytest.fixture
def ampsoak(monkeypatch, capsys):
    """Call the command line in this process."""

    def call(*words) -> Said:
        monkeypatch.setattr(sys, "argv", ["ampsoak", *map(str, words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            main()
        said = capsys.readouterr()
        return Said(end.value.code or 0, said.out, said.err)

    return call


@pytest.fixture
def small() -> Path:
    """A scenario that takes seconds."""
    return SMALL


@pytest.fixture(scope="session", autouse=True)
def one_origin():
    """Code and commit belong to what is hashed; they must not change because someone edits while the tests run."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("ampsoak.runfile.provenance._source_hash", lambda: "0" * 64)
        patch.setattr("ampsoak.runfile.provenance._checkout", lambda: ("", None))
        yield


@pytest.fixture(scope="session")
def solved(tmp_path_factory, one_origin) -> Path:
    """Folder with run.h5 and curve.h5 of the small scenario."""
    from ampsoak import limit_curve, load_scenario, simulate

    folder = tmp_path_factory.mktemp("solved")
    scenario = load_scenario(SMALL)
    simulate(scenario, folder / "run.h5")
    limit_curve(scenario, folder / "curve.h5")
    return folder
