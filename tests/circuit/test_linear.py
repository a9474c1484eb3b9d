"""Parts of a netlist that float must not stop what is solved around them."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from netcheck.circuit.linear import solve_network
from netcheck.cli import app
from netcheck.equations import SingularError, inverse, solve_exactly

PACKAGE = Path(__file__).parents[2] / "netcheck"
CIRCUIT = (Path(__file__).parents[2] / "circuits" / "6v6_single_ended.cir").read_text()
LEAK = 1e-15
FLOATING = {
    "a winding": (CIRCUIT.replace(".end", "L9 nc1 nc2 1\n.end"), "nc1, nc2"),
    "a grid behind links of 0 ohm": (
        CIRCUIT.replace("R5    a2  0 ", "*R5   a2  0 ").replace(
            "R6    a2  g2   1.5k", "R6    a2  g3   0\nR66   g3  g2   0"
        ),
        "a2, g2, g3",
    ),
}


@pytest.mark.parametrize("name", FLOATING)
@pytest.mark.parametrize("command", [("audit", "--idle-only"), ("annotate",)], ids=" ".join)
def test_what_floats_is_named_and_the_rest_is_solved(
    name: str, command: tuple[str, ...], tmp_path: Path
) -> None:
    text, nets = FLOATING[name]
    assert text != CIRCUIT
    path = tmp_path / "floating.cir"
    path.write_text(text)
    result = CliRunner().invoke(app, [*command, str(path)])
    assert result.exit_code in (0, 1), result.output
    assert f"nets {nets} have no DC path to ground" in " ".join(result.output.split())
    assert "grid-resistance" not in result.output


@pytest.mark.parametrize("name", FLOATING)
def test_the_bench_sheet_is_written_with_a_part_that_floats(name: str, tmp_path: Path) -> None:
    path = tmp_path / "floating.cir"
    path.write_text(FLOATING[name][0])
    result = CliRunner().invoke(app, ["expect", str(path)])
    assert result.exit_code == 0, result.output
    assert "R8" in result.output or "V(k2)" in result.output


def test_a_network_that_hangs_together_is_solved_as_it_stands() -> None:
    matrix = np.array([[3.0, -1.0], [-1.0, 2.0]])
    drive = np.array([1.0, 0.5])
    assert (solve_network(matrix, drive, LEAK) == np.linalg.solve(matrix, drive)).all()


def test_a_floating_island_stands_on_its_leaks_and_leaves_the_others_alone() -> None:
    matrix = np.array([[1e3, -1e3, 0.0], [-1e3, 1e3, 0.0], [0.0, 0.0, 0.5]])
    volts = solve_network(matrix, np.array([1.0, 0.0, 1.0]), LEAK)
    assert volts[:2] == pytest.approx(1.0 / (2.0 * LEAK))
    assert volts[2] == 2.0


def test_a_floating_island_keeps_the_volts_across_its_parts() -> None:
    matrix = np.array([[2.0, -2.0], [-2.0, 2.0]], dtype=complex)
    volts = solve_network(matrix, np.array([[1.0], [-1.0]], dtype=complex), 1e-12)
    assert volts[0, 0] - volts[1, 0] == pytest.approx(0.5)
    assert volts.sum() == pytest.approx(0.0, abs=1e-9)


def test_every_linear_solve_is_made_where_singular_ones_are_answered() -> None:
    solves = re.compile(r"linalg\.(solve|inv)\b")
    elsewhere = [
        path.name
        for path in PACKAGE.rglob("*.py")
        if solves.search(path.read_text(encoding="utf-8")) and path.name != "equations.py"
    ]

    assert elsewhere == []


@pytest.mark.parametrize(
    "solve",
    [
        lambda m: solve_exactly(m, np.ones(2), "both say the same"),
        lambda m: inverse(m, "both say the same"),
    ],
)
def test_singular_equations_are_answered_with_the_reason(solve: Callable[..., object]) -> None:
    with pytest.raises(SingularError, match="both say the same"):
        solve(np.ones((2, 2)))
