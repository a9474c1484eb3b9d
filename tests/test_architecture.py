"""What the import contracts cannot say: every room is in them, and the house rules."""

from __future__ import annotations

import ast
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent
PACKAGE = CHECKOUT / "netcheck"
MODULES = sorted(PACKAGE.rglob("*.py"))
LONGEST_FUNCTION = 60
"""Forty is the rule; a list of stages or options, such as the pipeline, may be longer."""
ONLY_HERE = {
    "PySpice": {"solve/ngspice.py"},
    "cffi": {"solve/ngspice.py"},
    "lark": {"netlist/"},
    "networkx": {"circuit/", "roles/"},
    "typer": {"cli/"},
    "rich": {"report/", "cli/"},
    "matplotlib": {"report/", "drawing/"},
    "jinja2": {"report/"},
    "pydantic": {"tubes/", "gate/", "report/documents/", "report/to_json.py"},
    "multiprocessing": {"solve/pool.py", "gate/spread.py"},
}
WRITES_OUT = {"cli/", "report/", "tubes/fit.py"}
"""Where text may leave the program; the fit is a command of its own."""
MACHINE = re.compile(
    r"/(?:home|root|mnt|media|Users)/\w|https?://(?!json-schema\.org|www\.w3\.org/2000/svg)"
)
"""A path of somebody's machine, or an address the program has no business with."""


def name_of(module: Path) -> str:
    return module.relative_to(PACKAGE).as_posix()


def is_under(module: Path, places: set[str]) -> bool:
    name = name_of(module)
    return any(name == place or (place[-1] == "/" and name.startswith(place)) for place in places)


@cache
def tree_of(module: Path) -> ast.Module:
    """Return a module parsed, once for all tests."""
    return ast.parse(module.read_text(encoding="utf-8"))


@cache
def imported(module: Path) -> frozenset[str]:
    """Return the top-level names a module imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(tree_of(module)):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.split(".")[0])
    return frozenset(found)


def contracts() -> list[dict[str, object]]:
    text = (CHECKOUT / "pyproject.toml").read_text(encoding="utf-8")
    found: list[dict[str, object]] = tomllib.loads(text)["tool"]["importlinter"]["contracts"]
    return found


def test_every_room_has_its_layer() -> None:
    layers = next(each["layers"] for each in contracts() if each["type"] == "layers")
    assert isinstance(layers, list)
    named = {name.strip(" ()") for layer in layers for name in layer.split("|")}
    rooms = {f"netcheck.{path.parent.name}" for path in PACKAGE.glob("*/__init__.py")}
    modules = {f"netcheck.{path.stem}" for path in PACKAGE.glob("*.py")}

    assert named == (rooms | modules) - {"netcheck.__init__", "netcheck.__main__"}


@pytest.mark.parametrize("library", ONLY_HERE)
def test_a_library_is_used_in_its_rooms_only(library: str) -> None:
    users = [module for module in MODULES if library in imported(module)]

    assert [name_of(module) for module in users if not is_under(module, ONLY_HERE[library])] == []


def test_a_package_does_not_lean_on_the_checkout() -> None:
    assert [name_of(module) for module in MODULES if {"tests", "circuits"} & imported(module)] == []


@pytest.mark.parametrize("module", MODULES, ids=name_of)
def test_a_module(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    tree = tree_of(module)
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
    called = {func.id for func in calls if isinstance(func, ast.Name)}
    long = {
        function.name: lines
        for function in functions
        if (lines := (function.end_lineno or 0) - function.lineno + 1) > LONGEST_FUNCTION
    }

    assert long == {}
    assert ast.get_docstring(tree)
    assert not {"eval", "exec", "__import__"} & called
    assert "print" not in called or is_under(module, WRITES_OUT)
    assert "shell=True" not in text
    assert MACHINE.search(text) is None


@pytest.mark.parametrize(
    "document",
    [
        *("README.md", "DEVELOPERS.md", "Makefile", "pyproject.toml"),
        *(f"netcheck/manual/{file.name}" for file in sorted(CHECKOUT.glob("netcheck/manual/*.md"))),
    ],
)
def test_a_document_names_no_machine(document: str) -> None:
    assert MACHINE.search((CHECKOUT / document).read_text(encoding="utf-8")) is None


MOST_FILES = 25
"""More than this in one folder, and a stranger no longer finds the file."""
STILL_CROWDED = {"faults": 38, "report": 34}
"""Folders that are to be merged yet, with what they may hold until then; only to shrink."""


def test_a_folder_can_be_read_at_a_glance() -> None:
    counts: dict[str, int] = {}
    for module in MODULES:
        folder = module.parent.relative_to(PACKAGE).as_posix()
        counts[folder] = counts.get(folder, 0) + 1

    assert {
        folder: count
        for folder, count in counts.items()
        if count > STILL_CROWDED.get(folder, MOST_FILES)
    } == {}


def test_a_public_class_name_stands_for_one_thing_in_its_package() -> None:
    homes: dict[tuple[str, str], list[str]] = {}
    for module in MODULES:
        package = name_of(module).split("/")[0]
        for node in tree_of(module).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault((package, node.name), []).append(name_of(module))

    assert {name: where for name, where in homes.items() if len(where) > 1} == {}
