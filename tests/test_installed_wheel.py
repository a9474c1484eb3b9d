"""The built wheel holds all it needs and runs outside the checkout."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from netcheck import __version__

pytest.importorskip("hatchling", reason="the wheel is built with hatchling, of the dev extra")

CHECKOUT = Path(__file__).resolve().parent.parent
Run = Callable[..., str]


def run(*command: str, **options: object) -> str:
    done = subprocess.run(
        [sys.executable, *command],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        **options,  # type: ignore[call-overload]
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return str(done.stdout)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel once; its build backend comes with the dev extra."""
    folder = tmp_path_factory.mktemp("wheel")
    options = ("--no-deps", "--no-build-isolation", "--quiet", "--wheel-dir", str(folder))
    run("-m", "pip", "wheel", *options, str(CHECKOUT))
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Install the wheel into a folder of its own; return a way to run it elsewhere."""
    target = tmp_path_factory.mktemp("installed")
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / "amp.cir").write_bytes(
        (CHECKOUT / "circuits" / "6v6_single_ended.cir").read_bytes()
    )
    run("-m", "pip", "install", "--no-deps", "--quiet", "--target", str(target), str(wheel))
    environment = {**os.environ, "PYTHONPATH": str(target)}

    def netcheck(*arguments: str) -> str:
        return run("-P", *arguments, cwd=elsewhere, env=environment)

    where = netcheck("-c", "import netcheck; print(netcheck.__file__)").strip()
    assert Path(where).is_relative_to(target)
    return netcheck


def test_the_wheel_holds_every_file_of_the_package_and_the_grammar(wheel: Path) -> None:
    data = {path for path in (CHECKOUT / "netcheck").rglob("*") if path.is_file()}
    wanted = {
        path.relative_to(CHECKOUT).as_posix() for path in data if "__pycache__" not in path.parts
    }
    wanted |= {f"netcheck/grammar/{path.name}" for path in (CHECKOUT / "grammar").glob("*.lark")}

    held = set(zipfile.ZipFile(wheel).namelist())

    assert any(name.endswith("6V6GT.toml") for name in wanted)
    assert any(name.endswith("audit.schema.json") for name in wanted)
    assert any(name.startswith("netcheck/ratings/data/") for name in wanted)
    assert wanted - held == set()
    assert {name.split("/")[0] for name in held} == {
        "netcheck",
        f"netcheck_tubeamp-{__version__}.dist-info",
    }
    assert any(name.endswith("licenses/LICENSE") for name in held)


def test_it_audits_a_circuit_outside_the_checkout(installed: Run) -> None:
    options = ("--idle-only", "--fail-at", "never", "--format", "json")
    facts = json.loads(installed("-m", "netcheck", "audit", "amp.cir", *options))

    assert facts["circuit"]["file"] == "amp.cir"
    assert facts["faults"]
    assert all(row["conditions"]["idle"]["solved"] for row in facts["faults"])


def test_it_lists_tubes_and_faults(installed: Run) -> None:
    assert "6V6GT" in installed("-m", "netcheck", "tubes")
    assert "grid_leak" in installed("-m", "netcheck", "faults")
    assert installed("-m", "netcheck", "--version").startswith(f"netcheck {__version__}\nngspice ")
