"""A budget for the solving of a netlist: what is not solved by its end is a row that says so."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from netcheck.cli import app
from netcheck.cli.limits import budget_of
from netcheck.errors import NetcheckError, UnanswerableError
from netcheck.pipeline import audit_circuit, load_circuit
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Budget, Job, Lost, Pool
from netcheck.solve.results import NotSolved
from netcheck.workbench.settings import Settings

CIRCUIT = Path(__file__).resolve().parents[1] / "circuits" / "12ax7_preamp.cir"
LONG_S = 60.0
REASON = "the budget of 1s was used up"


class Silent:
    def start(self, label: str, total: int) -> None: ...
    def advance(self, count: int = 1) -> None: ...
    def finish(self) -> None: ...


class Short(Pool):
    """Workers whose budget is used up when they are asked to run jobs for the n-th time."""

    last_runs = 2

    def allow(self, budget: Budget | None) -> None:
        super().allow(budget)
        self._deadline = float("inf")

    def run(
        self, jobs: Sequence[Job], advance: Callable[[int], None] = lambda count: None
    ) -> list[Any]:
        self.last_runs -= 1
        if self.last_runs < 0 and not self.stopped:
            self._stop()
        return super().run(jobs, advance)


def asleep(engine: Engine, seconds: float) -> float:
    time.sleep(seconds)
    return seconds


@pytest.mark.parametrize(
    ("text", "seconds"), [("90s", 90.0), ("10min", 600.0), ("0.5 h", 1800.0), (" 2h ", 7200.0)]
)
def test_a_budget_is_a_time_with_its_unit(text: str, seconds: float) -> None:
    found = budget_of(text)

    assert found == Budget(seconds, text.strip())


@pytest.mark.parametrize("text", ["", "10", "-3min", "0s", "nans", "infh", "5 days", "min"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(NetcheckError, match="not a time above zero"):
        budget_of(text)


def test_no_budget_is_as_long_as_it_takes() -> None:
    assert budget_of(None) is None


def test_what_is_not_answered_by_its_end_is_lost_with_that_reason() -> None:
    with Pool(2) as pool:
        pool.allow(Budget(1.0, "1s"))
        begun = time.monotonic()
        answers = pool.run([Job(asleep, (one,)) for one in (0.0, LONG_S, LONG_S)])
        took = time.monotonic() - begun
        after = pool.run([Job(asleep, (0.0,))])
        pool.allow(None)
        again = pool.run([Job(asleep, (0.0,))])

    assert answers[1:] == [Lost(REASON)] * 2
    assert took < LONG_S  # what was under way was left
    assert after == [Lost(REASON)]
    assert again == [0.0]


def test_what_needs_all_answers_is_refused() -> None:
    with Pool(1) as pool:
        pool.allow(Budget(1e-9, "1s"))
        pool.run([Job(asleep, (0.0,))])

        with pytest.raises(UnanswerableError, match=REASON) as refused:
            pool.heed_stop()
        assert "--budget" in (refused.value.hint or "")


@pytest.mark.parametrize("runs", [2, 3])
def test_every_fault_is_still_a_row(runs: int) -> None:
    circuit = load_circuit(CIRCUIT)
    options = Settings(idle_only=True, jobs=1, budget=Budget(1.0, "1s"))
    with Pool(1) as pool:
        whole = audit_circuit(circuit, "x.cir", replace(options, budget=None), pool, Silent())
    with Short(1) as pool:
        pool.last_runs = runs
        cut = audit_circuit(circuit, "x.cir", options, pool, Silent())

    assert {one.fault.id for one in cut.faults} == {one.fault.id for one in whole.faults}
    lost = [
        outcome
        for one in cut.faults
        for outcome in one.conditions.values()
        if isinstance(outcome, NotSolved) and outcome.reason == REASON
    ]
    assert len(lost) == (2 if runs == 2 else 1) * len(cut.faults)
    (finding,) = [one for one in cut.findings if one.rule == "out-of-budget"]
    assert finding.level == "error"
    assert REASON in finding.message
    assert not [one for one in whole.findings if one.rule == "out-of-budget"]


def test_without_time_for_the_healthy_circuit_there_is_no_answer() -> None:
    result = CliRunner().invoke(
        app, ["audit", str(CIRCUIT), "--idle-only", "--budget", "0.000001s"]
    )

    assert result.exit_code == 2
    assert "the budget of 0.000001s was used up" in result.output
    assert "Traceback" not in result.output
