"""Netlists as strangers write them: read as `expected.toml` says, or refused in its words."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from netcheck.circuit.checks import check_circuit
from netcheck.cli import app
from netcheck.errors import NetcheckError
from netcheck.pipeline import load_circuit
from netcheck.roles import recognise
from netcheck.solve.pool import Pool
from tests.solve.worker import Worker

HERE = Path(__file__).parent
EXPECTED: dict[str, dict[str, Any]] = tomllib.loads((HERE / "expected.toml").read_text())
BASE = ["X1", "X2"]
FEW_NETS = 6


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    with Pool(1, time_limit_s=120.0) as pool:
        yield Worker(pool)


def test_every_netlist_has_its_row() -> None:
    assert set(EXPECTED) == {path.stem for path in (HERE / "netlists").glob("*.cir")}


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_what_a_stranger_wrote_is_read_as_it_should_be(name: str) -> None:
    row = EXPECTED[name]
    path = HERE / "netlists" / f"{name}.cir"
    if "refused" in row:
        with pytest.raises(NetcheckError) as caught:
            load_circuit(path)
        said = str(caught.value)
        assert [words for words in row["refused"] if words not in said] == [], said
        return

    circuit = load_circuit(path)

    findings = (*circuit.findings, *check_circuit(circuit))
    rules = {finding.rule for finding in findings}
    said = "\n".join(finding.message for finding in findings)
    assert set(row.get("rules", ())) <= rules
    assert rules.isdisjoint(row.get("without", ()))
    assert [words for words in row.get("says", ()) if words not in said] == [], said
    assert {ref: circuit[ref].value for ref in row.get("parts", {})} == pytest.approx(
        row.get("parts", {})
    )
    for ref, fields in row.get("notes", {}).items():
        note = asdict(circuit[ref].note)
        assert {name: note[name] for name in fields} == pytest.approx(fields)
    assert circuit.title == row.get("title", circuit.title)
    assert [part.ref for part in circuit.tubes] == row.get("tubes", BASE)
    roles = recognise(circuit)
    kinds = {
        ref: f"{stage.kind} {stage.form}".strip() for stage in roles.stages for ref in stage.tubes
    }
    assert kinds == kinds | row.get("stages", {"X1": "voltage_amplifier", "X2": "single_ended"})
    connections = {ref: stage.connection for stage in roles.stages for ref in stage.tubes}
    assert connections == connections | row.get("connections", {})
    named = {(role.part, role.name) for role in roles.roles}
    assert set(row.get("roles", {}).items()) <= named


@pytest.mark.parametrize(
    "name", [name for name in sorted(EXPECTED) if "volts_as" in EXPECTED[name]]
)
def test_two_spellings_of_one_amplifier_stand_at_the_same_volts(name: str, worker: Worker) -> None:
    one, other = (
        worker.idle(load_circuit(HERE / "netlists" / f"{each}.cir")).nets
        for each in (name, EXPECTED[name]["volts_as"])
    )

    common = one.keys() & other.keys()
    assert len(common) > FEW_NETS
    assert {net: one[net] for net in common} == pytest.approx(
        {net: other[net] for net in common}, rel=1e-4, abs=1e-4
    )


def test_an_output_stage_without_its_load_is_judged_idle_only() -> None:
    path = HERE / "netlists" / "output_transformer_left_out.cir"

    said = CliRunner().invoke(app, ["audit", str(path), "-j", "1", "--format", "json"])

    facts = json.loads(said.stdout)
    assert "output-unloaded" in {finding["rule"] for finding in facts["findings"]}
    assert "not driven: the load of X2 is not in the netlist" in said.stdout
    assert "full" not in facts["healthy"]
