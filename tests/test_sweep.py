"""`netcheck sweep`: the curve, its marks, its formats, and what it cannot sweep."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner, Result

from netcheck.cli import app
from netcheck.errors import NetcheckError
from netcheck.faults import list_continuous
from netcheck.models.sweep import SweepCurve, SweepPoint
from netcheck.pipeline import load_circuit, sweep
from netcheck.report import sweep_plot, to_csv, to_json, to_sweep
from netcheck.report.progress import SilentProgress
from netcheck.roles import recognise
from netcheck.solve.results import NotSolved, Solved
from netcheck.workbench.settings import Settings
from netcheck.workbench.walks import find_continuous, sweep_sizes

CIRCUITS = Path(__file__).parents[1] / "circuits"
SINGLE = CIRCUITS / "6v6_single_ended.cir"


def solve(part: str, kind: str, points: int = 9) -> SweepCurve:
    options = Settings(idle_only=True, jobs=1)
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
    loaded = json.loads(to_json.render(leak))
    rows = list(csv.DictReader(to_csv.render_sweep(leak).splitlines()))

    sizes = [point["size"] for point in loaded["points"]]
    assert len(sizes) == len(leak.points)
    assert len(rows) == len(leak.points) * len(leak.circuit.tubes)
    assert [float(row["size_ohm"]) for row in rows if row["tube"] == "X2"] == sizes
    watts = loaded["points"][-1]["conditions"]["idle"]["tubes"]["X2"]["plate_dissipation_w"]
    assert float(rows[-1]["plate_dissipation_w"]) == watts


Change = Callable[[dict[str, Any]], object]


def check(document: object) -> None:
    validator = jsonschema.Draft202012Validator
    jsonschema.validate(document, to_json.schema_of("sweep"), cls=validator)


@pytest.fixture(scope="module")
def driven() -> SweepCurve:
    """No load down to the right one, under drive and at 100 Hz."""
    options = Settings(jobs=2)
    return sweep(SINGLE, ("R21", "load_up"), 3, options, SilentProgress())


def test_a_driven_sweep_of_the_load_is_driven_at_100_hz_too(driven: SweepCurve) -> None:
    ends = (driven.points[0], driven.points[-1])
    mid, low = (
        [solved_state(point, name).tubes["X2"].plate_dissipation_w for point in ends]
        for name in ("full", "full_100hz")
    )

    assert driven.conditions == ("idle", "full", "overdrive", "full_100hz")
    assert mid[1] < mid[0] < low[0] < low[1]  # inductance takes current and no power


def solved_state(point: SweepPoint, name: str) -> Solved:
    outcome = point.outcomes[name]
    assert isinstance(outcome, Solved)
    return outcome


def test_json_keeps_to_its_published_schema(leak: SweepCurve, driven: SweepCurve) -> None:
    jsonschema.Draft202012Validator.check_schema(to_json.schema_of("sweep"))

    for curve in (leak, driven):
        check(json.loads(to_json.render(curve)))


def test_json_of_what_was_not_solved_keeps_to_the_schema_too(leak: SweepCurve) -> None:
    lost = {"idle": NotSolved("idle", "it did not converge")}
    first = replace(leak.points[0], outcomes=lost, stresses={})

    document = json.loads(to_json.render(replace(leak, points=(first,))))

    check(document)
    state = document["points"][0]["conditions"]["idle"]
    assert state["reason"] == "it did not converge"
    state["reason"] = None
    with pytest.raises(jsonschema.ValidationError):
        check(document)


@pytest.mark.parametrize(
    "change",
    [
        lambda whole: whole.pop("fault_id"),
        lambda whole: whole.update(schema_version="2.0"),
        lambda whole: whole.update(unit="kohm"),
        lambda whole: whole.update(parts=[]),
        lambda whole: whole["points"][0].pop("tips"),
        lambda whole: whole["points"][0].update(size=None),
        lambda whole: whole["points"][0]["conditions"]["idle"].update(reason="it did not"),
        lambda whole: whole["points"][0]["conditions"]["idle"]["tubes"]["X2"].pop("plate_v"),
        lambda whole: whole["points"][0]["conditions"]["idle"]["stresses"][0].update(ratio="1"),
        lambda whole: whole["tipping_points"][0].update(status="perhaps"),
    ],
)
def test_the_schema_refuses_what_is_missing_or_of_another_type(
    leak: SweepCurve, change: Change
) -> None:
    document = json.loads(to_json.render(leak))
    changed = deepcopy(document)
    change(changed)

    check(document)
    with pytest.raises(jsonschema.ValidationError):
        check(changed)


@pytest.mark.parametrize("name", ["tube", "stress", "tipping_point"])
def test_the_schema_says_of_tubes_and_loads_what_that_of_the_audit_says(name: str) -> None:
    assert to_json.schema_of("sweep")["$defs"][name] == to_json.schema_of("audit")["$defs"][name]


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
