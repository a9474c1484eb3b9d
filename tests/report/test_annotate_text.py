"""`netcheck annotate`: what a person and a program read of a circuit."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.cli import app
from netcheck.netlist.lines import ANNOTATION_MARK
from netcheck.pipeline import load_circuit
from netcheck.report.annotate_text import render
from netcheck.report.annotation import AnnotatedCircuit, groups_of
from netcheck.roles import recognise
from netcheck.roles.base import Alternative
from netcheck.solve.results import NotSolved

CHECKOUT = Path(__file__).resolve().parents[2]
EL34 = CHECKOUT / "circuits" / "el34_pair_fixed_bias.cir"
CASES = CHECKOUT / "tests" / "roles" / "cases"
CORPUS = sorted([*(CHECKOUT / "circuits").glob("*.cir"), *CASES.glob("*.cir")])
ODD = """A stage with a part nobody knows
VHT bp 0 300
VIN in 0 0 ;! input
R1 in 0 1Meg
X1 p in k 12AX7
R2 bp p 100k
R3 k 0 1.5k
C2 p out 22n
R5 out 0 1Meg
L9 odd1 odd2 1
R9 odd1 odd2 10k
R8 odd1 0 1k
.end
"""


def run(*arguments: str, columns: int = 80) -> str:
    result = CliRunner(env={"COLUMNS": str(columns)}).invoke(app, ["annotate", *arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def unsolved(path: Path) -> AnnotatedCircuit:
    circuit = load_circuit(path)
    return AnnotatedCircuit(path.name, circuit, recognise(circuit), NotSolved("idle", "not asked"))


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_every_known_part_is_in_one_group(path: Path) -> None:
    annotated = unsolved(path)
    grouped = [ref for group in groups_of(annotated) for ref in group.parts]

    expected = set(annotated.circuit.parts) - set(annotated.roles.unrecognised)
    assert sorted(grouped) == sorted(expected)


def test_stages_stand_in_signal_order_and_supplies_apart() -> None:
    text = run(str(EL34))

    titles = [
        "Voltage amplifier: X1",
        "Phase inverter, long tailed pair: X2 and X3",
        "Push pull: X4 and X5",
        "Output and load",
        "Supply, from the source outward",
        "Bias supply",
        "Findings",
    ]
    places = [text.index(f"\n{title}\n") for title in titles]
    assert places == sorted(places)
    assert "Rails: ht0 430 V, ht 425 V, sg 423 V" in text
    assert "54 of 54 parts have a role" in text
    assert "\x1b" not in text
    assert max(map(len, text.split("\n"))) <= 80


def test_readings_and_shares_are_those_of_the_idle_state() -> None:
    text = run(str(EL34), columns=140)

    row = next(line for line in text.split("\n") if line.startswith("R22 "))
    # 425 V across 220 kohm: 1.93 mA and 0.82 W, of 3 W.
    assert row.split() == [
        "R22", "220", "kohm", "bleeder", "at", "ht", "425", "V", "1.93", "mA", "820", "mW", "27%",
    ]  # fmt: skip
    assert "X4 EL34, output tube: plate 423 V, screen 415 V, grid -38.0 V" in text


def test_narrow_output_keeps_to_its_width() -> None:
    text = run(str(EL34), columns=50)

    assert max(map(len, text.split("\n"))) <= 50
    assert "- R22 220 kohm, bleeder at ht: 425 V" in text


def test_why_tells_the_reason_of_every_role() -> None:
    text = " ".join(run(str(EL34), "--why", columns=200).split())

    for role in recognise(load_circuit(EL34)):
        assert " ".join(role.why.split()) in text


def test_unknown_part_stands_with_its_neighbors(tmp_path: Path) -> None:
    path = tmp_path / "odd.cir"
    path.write_text(ODD)

    text = " ".join(render(unsolved(path), width=200).split())

    assert recognise(load_circuit(path)).unrecognised
    assert "Unknown parts" in text
    assert "L9 1 H, between net odd1 with R8" in text
    assert "Not solved at idle" in text


def test_other_readings_of_a_stage_are_shown() -> None:
    sure = unsolved(EL34)
    other = Alternative("phase_inverter", "paraphase", 0.3, "its grid leak is tapped")
    stages = (replace(sure.roles.stages[0], alternatives=(other,)), *sure.roles.stages[1:])
    annotated = replace(sure, roles=replace(sure.roles, stages=stages))

    text = " ".join(render(annotated, width=200).split())

    assert "could also be: phase inverter, paraphase (30%): its grid leak is tapped" in text


def test_netlist_format_twice_is_the_same(tmp_path: Path) -> None:
    once, twice = tmp_path / "once.cir", tmp_path / "twice.cir"

    run(str(EL34), "--format", "netlist", "--output", str(once))
    run(str(once), "--format", "netlist", "--output", str(twice))

    assert once.read_bytes() == twice.read_bytes()
    assert load_circuit(once).parts.keys() == load_circuit(EL34).parts.keys()
    assert once.read_text().count(ANNOTATION_MARK) == 54
    assert run(str(EL34), "--format", "netlist").encode() == once.read_bytes()


def test_netlist_is_not_written_over_itself(tmp_path: Path) -> None:
    path = tmp_path / "mine.cir"
    path.write_text(ODD)

    arguments = ["annotate", str(path), "--format", "netlist", "--output", str(path)]
    result = CliRunner().invoke(app, arguments)

    assert result.exit_code == 2
    assert path.read_text() == ODD


def test_json_has_every_part_with_its_idle_values() -> None:
    document = json.loads(run(str(EL34), "--format", "json"))

    parts = {part["ref"]: part for group in document["groups"] for part in group["parts"]}
    assert len(parts) == 54
    assert parts["R22"]["idle"]["power_w"] == pytest.approx(0.82, rel=0.01)
    assert parts["X4"]["tube"]["grid_v"] == pytest.approx(-38.0, abs=0.5)
    assert [group["stage"]["kind"] for group in document["groups"] if group["stage"]] == [
        "voltage_amplifier", "phase_inverter", "push_pull",
    ]  # fmt: skip
