"""`netcheck sweep`: the curve, its marks, its formats, and what it cannot sweep."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from netcheck.analysis.find_fault import find_continuous, sweep_sizes
from netcheck.analysis.options import AuditOptions
from netcheck.cli import app
from netcheck.errors import NetcheckError
from netcheck.faults import list_continuous
from netcheck.pipeline import load_circuit, sweep
from netcheck.report import sweep_json, sweep_plot, to_sweep
from netcheck.report.progress import SilentProgress
from netcheck.report.sweep_model import SweepCurve
from netcheck.roles import recognise
from netcheck.solve.results import Solved

CIRCUITS = Path(__file__).parents[1] / "circuits"
SINGLE = CIRCUITS / "6v6_single_ended.cir"


def solve(part: str, kind: str, points: int = 9) -> SweepCurve:
    options = AuditOptions(idle_only=True, jobs=1)
    return sweep(SINGLE, (part, kind), points, options, SilentProgress())


@pytest.fixture(scope="module")
def leak() -> SweepCurve:
    return solve("C3", "leaky")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["sweep", *map(str, arguments)])


def test_the_curve_runs_from_healthy_to_worst_and_crosses_its_limit_where_it_tips(
    leak: SweepCurve,
) -> None:
    watts = [state.plate_dissipation_w for state in leak.states("idle", "X2") if state]
    tip = next(one for one in leak.tipping if one.victim == "X2")
    at = next(place for place, point in enumerate(leak.points) if tip in point.tips)

    limit = leak.limit("X2", "plate_dissipation_w", "idle")
    healthy = leak.healthy["idle"].tubes["X2"].plate_dissipation_w
    assert leak.tubes()[0] == "X2"
    assert watts[0] == pytest.approx(healthy, rel=0.01)
    assert limit == 12.0
    assert watts[at] == pytest.approx(limit, rel=0.01)
    assert watts[at - 1] < limit < watts[at + 1]
    assert [point.size for point in leak.points] == sorted(
        (point.size for point in leak.points), reverse=True
    )


def test_tipping_points_come_on_top_of_the_sizes_asked_for(leak: SweepCurve) -> None:
    found = {one.value for one in leak.tipping if one.value is not None}

    assert len(leak.points) == 9 + len(found)
    assert all(isinstance(point.outcomes["idle"], Solved) for point in leak.points)


def test_sizes_of_a_linear_and_of_a_logarithmic_search() -> None:
    circuit = load_circuit(CIRCUITS / "el34_pair_fixed_bias.cir")
    faults = list_continuous(circuit, recognise(circuit))
    drift = find_continuous(circuit, faults, "vneg", "DRIFTED")
    leaky = find_continuous(circuit, faults, "C5", "leaky")

    assert sweep_sizes(drift, 3, [80.0]) == [100.0, 80.0, 50.0, 0.0]
    assert sweep_sizes(leaky, 6, []) == pytest.approx([1e10, 1e9, 1e8, 1e7, 1e6, 1e5])


@pytest.mark.parametrize(
    ("part", "kind", "message", "hint"),
    [
        ("C33", "leaky", "there is no part C33", "did you mean C3?"),
        ("C3", "leek", "C3 has no fault `leek` that can be swept", "did you mean leaky?"),
        ("R10", "turns", "R10 has no fault", "R10 can be swept for:"),
        ("VIN", "leaky", "VIN has no fault with a size", "these can be swept: C"),
    ],
)
def test_what_cannot_be_swept_is_said_with_what_can(
    part: str, kind: str, message: str, hint: str
) -> None:
    circuit = load_circuit(SINGLE)
    faults = list_continuous(circuit, recognise(circuit))

    with pytest.raises(NetcheckError) as caught:
        find_continuous(circuit, faults, part, kind)

    assert message in caught.value.message
    assert hint in caught.value.hint


def test_text_marks_the_tipping_point(leak: SweepCurve) -> None:
    text = to_sweep.render(leak)

    marked = [line for line in text.splitlines() if line.endswith("TIPS")]
    assert any("X2 1.00 TIPS" in line for line in marked)
    assert "C3 leak below" in text
    assert max(map(len, text.splitlines())) <= 100
    assert "X1 12AX7" in to_sweep.render(leak, "X1")


def test_json_and_csv_hold_every_size(leak: SweepCurve) -> None:
    loaded = json.loads(sweep_json.render_json(leak))
    rows = list(csv.DictReader(sweep_json.render_csv(leak).splitlines()))

    sizes = [point["size"] for point in loaded["points"]]
    assert len(sizes) == len(leak.points)
    assert len(rows) == len(leak.points) * len(leak.circuit.tubes)
    assert [float(row["size_ohm"]) for row in rows if row["tube"] == "X2"] == sizes
    watts = loaded["points"][-1]["conditions"]["idle"]["tubes"]["X2"]["plate_dissipation_w"]
    assert float(rows[-1]["plate_dissipation_w"]) == watts


@pytest.mark.parametrize(("name", "magic"), [("c.png", b"\x89PNG"), ("c.svg", b"<?xml")])
def test_the_picture_is_the_same_twice(leak: SweepCurve, name: str, magic: bytes) -> None:
    first, second = (sweep_plot.draw(leak, Path(name)) for _ in range(2))

    assert first.startswith(magic)
    assert first == second


def test_the_command_draws_and_prints(tmp_path: Path) -> None:
    picture = tmp_path / "curve.svg"

    result = run(SINGLE, "R8", "drifted_down", "--points", 3, "--plot", picture, "--format", "csv")

    assert result.exit_code == 0
    assert result.stdout.startswith("fault_id,size_ohm,condition,tips,tube,")
    assert "limit 12" in picture.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--plot", "curve.pdf"), "the name has to end in .png or .svg"),
        (("--tube", "X9"), "--tube: there is no tube X9"),
    ],
)
def test_options_that_cannot_be_meant(words: tuple[str, ...], message: str) -> None:
    result = run(SINGLE, "C3", "leaky", "--points", 3, *words)

    assert (result.exit_code, result.stdout) == (2, "")
    assert message in result.stderr
