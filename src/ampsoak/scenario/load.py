"""The door of the scenario floor: a TOML file in, a frozen :class:`~ampsoak.scenario.case.Scenario` out."""

from __future__ import annotations

from pathlib import Path

from ampsoak.base.errors import Fault, FileError, ScenarioError
from ampsoak.scenario.build import build_scenario
from ampsoak.scenario.case import Scenario
from ampsoak.scenario.reading import read_document

LARGEST_FILE = 2 * 1024 * 1024  # [byte]; far above any scenario, far below what hurts
_HDF5_START = b"\x89HDF"  # first bytes of every HDF5 file (HDF5 file format specification, from memory)


def load_scenario(path: str | Path) -> Scenario:
    """Return the case a scenario file describes.

    Parameters
    ----------
    path : str or pathlib.Path     TOML file; files it names are sought beside it

    Raises
    ------
    FileError                      the file cannot be read
    ScenarioError                  with every fault in it
    """
    path = Path(path)
    return load_scenario_text(read_text(path, "scenario"), str(path), path.parent)


def read_text(path: Path, what: str) -> str:
    """The text of a TOML file, with all the ways in which it cannot be one told.

    Parameters
    ----------
    path : pathlib.Path
    what : str             what the file is to hold: "scenario", "rules"

    Raises
    ------
    FileError              the file cannot be read
    ScenarioError          it is far too large
    """
    try:
        if path.is_dir():
            raise FileError(f"{path} is a folder; a {what} file is expected")
        size = path.stat().st_size
        if size <= LARGEST_FILE:
            text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise FileError(f"{path}: no such file") from None
    except UnicodeDecodeError as error:
        if error.object.startswith(_HDF5_START):
            raise FileError(f"{path} is a result file (HDF5), not text; name the {what} file, a .toml") from None
        raise FileError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    except (OSError, ValueError) as error:
        raise FileError(f"{path} cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if size > LARGEST_FILE:
        fault = Fault(str(path), None, "(file)", "", f"is larger than {LARGEST_FILE // 2**20} MiB; this is no {what} file")
        raise ScenarioError([fault])
    return text


def load_scenario_text(text: str, name: str = "scenario.toml", folder: str | Path = ".") -> Scenario:
    """Return the case that a scenario text describes.

    Parameters
    ----------
    text : str                       TOML
    name : str                       file name shown in messages
    folder : str or pathlib.Path     where files named in it are sought

    Raises
    ------
    ScenarioError                    with every fault in it
    """
    document, findings = read_document(text.removeprefix("\ufeff").replace("\r\n", "\n"), name)
    if document is None:
        findings.raise_faults()
        raise AssertionError("a document that cannot be read must have faults")
    return build_scenario(document, findings, text, Path(name).name, Path(folder))
