"""`netcheck draw` from the user's side."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from netcheck import cli
from tests.drawing.circuits import EXAMPLES
from tests.test_own_tubes import OWN, STAGE

PREAMP = next(path for path in EXAMPLES if "preamp" in path.stem)
SINGLE = next(path for path in EXAMPLES if path.stem.startswith("6v6"))


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli.app, ["draw", *arguments])


def test_svg_goes_to_standard_output() -> None:
    result = run(str(PREAMP), "--plain")

    assert result.exit_code == 0
    assert ElementTree.fromstring(result.stdout).tag.endswith("svg")


def test_readings_are_on_the_drawing(tmp_path: Path) -> None:
    picture = tmp_path / "out.svg"
    result = run(str(SINGLE), "-o", str(picture))
    text = picture.read_text(encoding="utf-8")

    assert result.exit_code == 0
    assert "idle, healthy" in text
    assert " mA  " in text


def test_png_by_its_suffix(tmp_path: Path) -> None:
    picture = tmp_path / "out.PNG"
    result = run(str(PREAMP), "--plain", "-o", str(picture), "--scale", "0.5")

    assert result.exit_code == 0
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_a_fault_is_shown(tmp_path: Path) -> None:
    picture = tmp_path / "out.svg"
    result = run(str(SINGLE), "--fault", "C3/leaky@2Mohm", "-o", str(picture))
    text = picture.read_text(encoding="utf-8")

    assert result.exit_code == 0, result.output
    assert "idle, with C3/leaky@2Mohm" in text
    assert "without the fault" in text


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--fault", "C3/leeky@2Mohm"), "no fault `C3/leeky@2Mohm`"),
        (("--fault", "C3/leaky@2Mohm", "--plain"), "--plain shows no readings"),
        (("-o", "picture.pdf"), "names no picture format"),
        (("-o", "nowhere/at/all.svg"), "there is no folder"),
    ],
)
def test_mistakes_have_one_clear_message(arguments: tuple[str, ...], message: str) -> None:
    result = run(str(SINGLE), *arguments)

    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output


def test_a_circuit_that_does_not_solve_is_drawn_and_says_so(tmp_path: Path) -> None:
    netlist = tmp_path / "bad.cir"
    netlist.write_text("Two sources fight\nV1 a 0 1\nV2 a 0 2\nR1 a 0 1k\n.end\n", "utf-8")
    result = run(str(netlist))

    assert result.exit_code == 0
    assert "no readings: the circuit does not solve at idle" in result.stdout


@pytest.mark.parametrize("by_environment", [False, True])
def test_own_tubes_are_drawn(tmp_path: Path, by_environment: bool) -> None:
    netlist = tmp_path / "own.cir"
    netlist.write_text(STAGE.format(tube="MYTUBE", model=""), encoding="utf-8")
    (tmp_path / "mytube.toml").write_text(OWN, encoding="utf-8")
    given = () if by_environment else ("--tubes", str(tmp_path))
    environment = {"NETCHECK_TUBES": str(tmp_path)} if by_environment else {}
    result = CliRunner().invoke(cli.app, ["draw", str(netlist), *given], env=environment)

    assert result.exit_code == 0, result.output
    assert "MYTUBE" in result.stdout
    assert "idle, healthy" in result.stdout
    assert run(str(netlist)).exit_code != 0
