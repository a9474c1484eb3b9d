"""The pool: order, shared values, and workers that crash, hang or fail."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from netcheck.analysis import sweep
from netcheck.analysis.sweep import IdleTask, idle_outcomes
from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit
from netcheck.errors import SolverUnavailableError
from netcheck.solve import ngspice
from netcheck.solve.idle import IdleRequest
from netcheck.solve.ngspice import INSTALL_HINT, LIBRARY_VARIABLE, Engine, find_library
from netcheck.solve.pool import Job, Lost, Pool
from netcheck.solve.results import NotSolved, Outcome, Solved
from tests.solve.worker import circuit_of, die

FATAL_OHM, ENDLESS_OHM = 666.0, 999.0


def times_ten(engine: Engine, number: int) -> int:
    return 10 * number


def hang(engine: Engine) -> None:
    time.sleep(60.0)


def blunder(engine: Engine) -> None:
    raise KeyError("a bug of ours")


def where_am_i(engine: Engine) -> tuple[str, list[str], str]:
    here = Path.cwd()
    return str(here), [path.name for path in here.iterdir()], os.environ["HOME"]


def fatal_chunk(
    engine: Engine,
    circuit: Circuit,
    requests: tuple[IdleRequest, ...],
    *rest: object,
) -> list[Outcome]:
    """Solve as usual, except where a variant has one of the two fatal values."""
    values = {getattr(change, "value", 0.0) for each in requests for change in each.changes}
    if FATAL_OHM in values:
        die(engine)
    if ENDLESS_OHM in values:
        hang(engine)
    return _USUAL(engine, circuit, requests, *rest)


_USUAL = sweep.solve_chunk


def test_answers_come_in_the_order_of_the_jobs() -> None:
    told: list[int] = []
    with Pool(2) as pool:
        ten = pool.share("ten", 10)
        jobs = [Job(times_ten, (number,), weight=number) for number in range(20)]
        answers = pool.run([*jobs, Job(times_ten, (ten,))], told.append)

    assert answers == [*range(0, 200, 10), 100]
    assert sum(told) == sum(range(20)) + 1


def test_a_crash_costs_its_job() -> None:
    with Pool(1) as pool:
        jobs = [Job(times_ten, (1,)), Job(die, ()), Job(times_ten, (3,))]
        assert pool.run(jobs) == [10, Lost("the solver crashed"), 30]


def test_a_hang_costs_its_job() -> None:
    with Pool(2, time_limit_s=0.7) as pool:
        started = time.monotonic()
        jobs = [Job(times_ten, (1,)), Job(hang, ()), Job(times_ten, (3,))]
        assert pool.run(jobs) == [10, Lost("no answer within 0.7 s"), 30]
        assert time.monotonic() - started < 20.0


def test_a_worker_that_ends_between_jobs_costs_nothing_else() -> None:
    with Pool(1) as pool:
        assert pool.run([Job(times_ten, (1,))]) == [10]
        pool._workers[0].process.kill()
        pool._workers[0].process.join()
        ten = pool.share("ten", 10)
        assert pool.run([Job(times_ten, (ten,)), Job(times_ten, (ten,))])[1] == 100


def test_a_new_worker_knows_what_was_shared() -> None:
    with Pool(1) as pool:
        ten = pool.share("ten", 10)
        assert pool.run([Job(die, ()), Job(times_ten, (ten,))])[1] == 100


def test_a_bug_of_ours_is_no_lost_row() -> None:
    with Pool(1) as pool, pytest.raises(RuntimeError, match="a bug of ours"):
        pool.run([Job(blunder, ())])


def test_workers_live_in_an_empty_private_folder() -> None:
    with Pool(1) as pool:
        folder, files, home = pool.run([Job(where_am_i, ())])[0]

    assert files == []
    assert home == folder
    assert Path(folder) != Path.cwd()


def test_only_the_variant_at_fault_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "solve_chunk", fatal_chunk)
    circuit = circuit_of("V1 a 0 10", "R1 a b 1k", "R2 b 0 1k")
    ohms = (500.0, FATAL_OHM, 1000.0, ENDLESS_OHM, 2000.0)
    variants = [(SetValue("R2", ohm),) for ohm in ohms]

    with Pool(1, time_limit_s=1.5) as pool:
        task = IdleTask(pool.share("idle", circuit), "idle")
        outcomes = idle_outcomes(pool, task, variants)

    assert [type(outcome) for outcome in outcomes] == [Solved, NotSolved, Solved, NotSolved, Solved]
    crashed, late = outcomes[1], outcomes[3]
    assert isinstance(crashed, NotSolved)
    assert isinstance(late, NotSolved)
    assert crashed.reason == "the solver crashed"
    assert late.reason == "no answer within 1.5 s"


def test_a_library_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(LIBRARY_VARIABLE, "/nowhere/libngspice.so")

    with Pool(1) as pool, pytest.raises(SolverUnavailableError, match="not there") as caught:
        pool.run([Job(times_ten, (1,))])

    assert caught.value.hint == INSTALL_HINT


def test_a_library_that_is_none(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    fake = tmp_path / "libngspice.so"
    fake.write_bytes(b"not a library")
    monkeypatch.setenv(LIBRARY_VARIABLE, str(fake))

    with Pool(1) as pool, pytest.raises(SolverUnavailableError, match="does not load"):
        pool.run([Job(times_ten, (1,))])


def test_no_library_anywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(LIBRARY_VARIABLE, raising=False)
    monkeypatch.setattr(ngspice, "USUAL_PLACES", ())
    monkeypatch.setattr(ngspice.ctypes.util, "find_library", lambda name: None)

    with pytest.raises(SolverUnavailableError, match="was not found") as caught:
        find_library()

    for system in ("apt install libngspice0", "dnf install", "pacman -S", "brew install"):
        assert system in caught.value.hint


def fatal_judging(
    engine: Engine, circuit: Circuit, judging: object, requests: tuple[IdleRequest, ...], *_: object
) -> list[tuple[object, ...]]:
    """Find nothing over a limit, except where a variant is fatal."""
    if FATAL_OHM in {getattr(change, "value", 0.0) for each in requests for change in each.changes}:
        die(engine)
    return [() for _ in requests]


def test_a_search_loses_only_the_size_that_crashes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sweep, "judge_chunk", fatal_judging)
    circuit = circuit_of("V1 a 0 10", "R1 a b 1k", "R2 b 0 1k")
    variants = [(SetValue("R2", ohm),) for ohm in (500.0, FATAL_OHM, 2000.0)]

    with Pool(1) as pool:
        task = IdleTask(pool.share("idle", circuit), "idle")
        found = sweep.idle_overloads(pool, task, pool.share("judging", None), variants)

    assert found == [(), NotSolved("idle", "the solver crashed"), ()]
