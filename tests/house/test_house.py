"""The house stands as designed: imports go downwards, heavy packages stay in their rooms, doors have a plate.

Order of the floors and where each package may be used: DEVELOPERS.md (agreed design, section 2).
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import ampsoak

# in a folder of its own: a test directly in tests/ puts that on the search path, where tests/coverage would pass for the
# package "coverage" that numba looks for
PACKAGE = Path(ampsoak.__file__).parent
FLOORS = ("base", "library", "scenario", "section", "heat", "runfile", "coverage", "study", "report", "cli")  # upwards
FRONT_DOORS = ("__init__.py", "__main__.py")  # they name doors of every floor, imported only when asked for
COVERAGE_NEVER = ("heat", "section")  # a curve stored years ago is compared without the solver
ROOMS = {
    "h5py": ("runfile/",),
    "matplotlib": ("report/",),
    "numba": (
        "heat/bordered.py", "heat/compiling.py", "heat/crew.py", "heat/rows.py", "heat/tiles.py", "section/kernels.py",
    ),
    "pydantic": ("scenario/",),
    "pint": ("scenario/", "base/units.py"),
    "typer": ("cli/",),
    "rich": ("cli/",),
}
EMPTY_WORDS = ("utils", "helpers", "common", "core", "manager", "misc")  # names that say nothing

MODULES = sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))


@cache
def tree(module: str) -> ast.Module:
    return ast.parse((PACKAGE / module).read_text(encoding="utf-8"), module)


def imports_in(source: ast.Module) -> Iterator[tuple[int, str]]:
    """Line and dotted name of every import, also those inside functions; a name taken from a package is joined on."""
    for node in ast.walk(source):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno} imports by dots; write the whole name"
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


@cache
def imports(module: str) -> list[tuple[int, str]]:
    return list(imports_in(tree(module)))


def floor_of(dotted: str) -> str | None:
    """Floor a dotted name of ours belongs to, None for what is not ours or only the front door."""
    first, _, rest = dotted.partition(".")
    floor = rest.partition(".")[0]
    return floor if first == "ampsoak" and floor in FLOORS else None


def upwards(module: str) -> list[str]:
    """Imports of ``module`` that go up the house, or from coverage to the solver."""
    own = module.partition("/")[0]
    found = []
    for line, name in imports(module):
        floor = floor_of(name)
        if floor is None:
            continue
        if FLOORS.index(floor) > FLOORS.index(own) or (own == "coverage" and floor in COVERAGE_NEVER):
            found.append(f"{module}:{line} imports {name}")
    return found


def test_every_folder_is_a_floor():
    folders = {path.name for path in PACKAGE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert folders == set(FLOORS)
    assert {path.name for path in PACKAGE.glob("*.py")} == set(FRONT_DOORS)


@pytest.mark.parametrize("floor", FLOORS)
def test_imports_go_downwards(floor):
    found = [fault for module in MODULES if module.startswith(f"{floor}/") for fault in upwards(module)]
    assert not found, "\n".join(found)


@pytest.mark.parametrize(("package", "rooms"), ROOMS.items())
def test_heavy_packages_stay_in_their_rooms(package, rooms):
    found = [
        f"{module}:{line} imports {name}"
        for module in MODULES
        if not module.startswith(rooms)
        for line, name in imports(module)
        if name.partition(".")[0] == package
    ]
    assert not found, "\n".join(found)
    used = [module for module in MODULES for _, name in imports(module) if name.partition(".")[0] == package]
    assert used, f"{package} is used nowhere; take it off the list"


def test_the_front_door_imports_nothing_when_it_opens():
    names = [
        name
        for node in tree("__init__.py").body
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for name in ([node.module] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names])
    ]
    assert set(names) <= {"__future__", "typing"}


def public(body: list[ast.stmt], prefix: str) -> Iterator[tuple[str, ast.AST]]:
    """Public classes, functions and methods below ``body``."""
    for node in body:
        if isinstance(node, (ast.ClassDef, ast.FunctionDef)) and not node.name.startswith("_"):
            yield f"{prefix}{node.name}", node
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from public(node.body, f"{prefix}{node.name}.")


@pytest.mark.parametrize("floor", FLOORS)
def test_public_definitions_have_docstrings(floor):
    bare = []
    for module in MODULES:
        if module.startswith(f"{floor}/"):
            if not ast.get_docstring(tree(module)):
                bare.append(module)
            bare += [
                f"{module}:{node.lineno} {name}" for name, node in public(tree(module).body, "") if not ast.get_docstring(node)
            ]
    assert not bare, "\n".join(bare)


def test_no_module_has_an_empty_name():
    assert not [module for module in MODULES if Path(module).stem in EMPTY_WORDS]


def test_the_walk_sees_what_it_must_see():
    # the checks above are only as good as their eyes: an import in a function, and one of a name from a package
    source = ast.parse("def f():\n    import h5py.version\n    from ampsoak.cli import main\n")
    assert [name for _, name in imports_in(source)] == ["h5py.version", "ampsoak.cli.main"]
    assert floor_of("ampsoak.cli.main") == "cli"
    assert floor_of("ampsoak.__version__") is None
    assert floor_of("numpy.linalg") is None
