"""What ngspice found no answer to is kept as a deck that fails again, without the user's words."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit
from netcheck.cli import app
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.pool import Job, Pool
from netcheck.solve.results import NotSolved, Outcome
from tests.solve.worker import circuit_of

CLASH = circuit_of("Vsecret plate 0 10", "Vother plate 0 5", "R1 plate 0 1k")
CIRCUIT = Path(__file__).resolve().parents[2] / "circuits" / "12ax7_preamp.cir"


def clash(engine: Engine, circuit: Circuit) -> list[Outcome]:
    request = IdleRequest((SetValue("R1", 2e3),))
    return solve_sweep(engine, IdleSweep(circuit, (request,), meter_ohm=None))


def again(engine: Engine, lines: list[str], alters: list[str], analysis: str) -> str:
    engine.load(lines)
    for line in alters:
        engine.command(line)
    assert analysis == "op"
    try:
        engine.operating_point(["n1"])
    except EngineFailure as failure:
        return str(failure)
    return ""


def test_a_kept_deck_fails_again_and_names_nothing_of_the_netlist(tmp_path: Path) -> None:
    with Pool(1, kept_decks=tmp_path) as pool:
        ((outcome,), _) = pool.run([Job(clash, (CLASH,)), Job(clash, (CLASH,))])
        assert isinstance(outcome, NotSolved)
        (kept,) = tmp_path.glob("*.cir")  # the same deck twice is one file
        text = kept.read_text(encoding="utf-8")
        cards, _, script = text.partition(".control\n")
        *alters, analysis = script.partition("\n.endc")[0].splitlines()
        reason = pool.run([Job(again, ([*cards.splitlines(), ".end"], alters, analysis))])[0]

    assert text.splitlines()[0].startswith(f"* {outcome.reason[:30]}")
    assert alters == ["alter r0 = 2000"]
    assert not [
        word for word in ("secret", "other", "plate", "R1") if word in text.split("\n", 1)[1]
    ]
    assert reason


def test_nothing_is_kept_that_nobody_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Pool(1) as pool:
        pool.run([Job(clash, (CLASH,))])

    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_refused_before_anything_is_solved(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")

    result = CliRunner().invoke(
        app, ["audit", str(CIRCUIT), "--idle-only", "--keep-deck", str(tmp_path / "file" / "decks")]
    )

    assert result.exit_code == 2
    assert "--keep-deck" in result.output
    assert "cannot be made" in " ".join(result.output.split())


def test_the_folder_is_made_and_stays_empty_where_all_is_solved(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "decks"

    result = CliRunner().invoke(app, ["annotate", str(CIRCUIT), "--keep-deck", str(folder)])

    assert result.exit_code == 0
    assert list(folder.iterdir()) == []
