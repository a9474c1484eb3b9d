"""The pool: order, shared values, and workers that crash, hang or fail."""

from __future__ import annotations

import os
import random
import re
import signal
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit
from netcheck.errors import SolverUnavailableError
from netcheck.solve import ngspice
from netcheck.solve import pool as pool_module
from netcheck.solve.idle import IdleRequest
from netcheck.solve.ngspice import INSTALL_HINT, LIBRARY_VARIABLE, Engine, find_library
from netcheck.solve.pool import INTERRUPTED, Job, Lost, Pool
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.workbench import sweep
from netcheck.workbench.sweep import IdleTask, idle_outcomes
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


_USUAL = sweep.solve_fault_chunk


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
        assert pool.run(jobs) == [
            10,
            Lost("no answer within 0.7 s; `--limit time=1.4s` allows more"),
            30,
        ]
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


def eat_memory(engine: Engine) -> int:
    return len(bytearray(8_000_000_000))


def interrupt_parent(engine: Engine) -> str:
    os.kill(os.getppid(), signal.SIGINT)
    time.sleep(60.0)
    return "never"


def test_a_worker_that_wants_too_much_memory_costs_its_job() -> None:
    with Pool(1, memory_bytes=3_000_000_000) as pool:
        jobs = [Job(times_ten, (1,)), Job(eat_memory, ()), Job(times_ten, (3,))]
        ten, lost, thirty = pool.run(jobs)

    assert (ten, thirty) == (10, 30)
    assert isinstance(lost, Lost)
    assert "3000 MB of memory; `--limit memory=6000MB`" in lost.reason


def test_an_interrupt_keeps_what_was_finished_and_solves_no_more() -> None:
    with Pool(1) as pool:
        jobs = [Job(times_ten, (1,)), Job(interrupt_parent, ()), Job(times_ten, (3,))]
        answers = pool.run(jobs)
        after = pool.run([Job(times_ten, (4,))])

    assert answers == [10, Lost(INTERRUPTED), Lost(INTERRUPTED)]
    assert after == [Lost(INTERRUPTED)]


def test_workers_killed_at_random_cost_only_what_they_held() -> None:
    chance = random.Random(20)
    with Pool(2) as pool:

        def kill_one(count: int) -> None:
            if chance.random() < 0.3:
                chance.choice(pool._workers).process.kill()

        answers = pool.run([Job(times_ten, (number,)) for number in range(60)], kill_one)

    lost = [each for each in answers if each == Lost("the solver crashed")]
    right = [each for number, each in enumerate(answers) if each == 10 * number]
    assert len(lost) + len(right) == 60
    assert len(right) > 30


def which_process(engine: Engine) -> int:
    return os.getpid()


def test_a_worker_is_renewed_before_ngspice_has_kept_too_much(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(pool_module, "RENEW_AFTER", 4)

    with Pool(1) as pool:
        processes = pool.run([Job(which_process, (), weight=2) for _ in range(6)])

    assert [processes.count(each) for each in dict.fromkeys(processes)] == [2, 2, 2]


def end_at_once(*arguments: object) -> None:
    os._exit(3)


def test_workers_that_never_come_up_are_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool_module, "_work", end_at_once)

    with Pool(2) as pool, pytest.raises(SolverUnavailableError, match="while they are loading"):
        pool.run([Job(times_ten, (1,))])


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
    monkeypatch.setattr(sweep, "solve_fault_chunk", fatal_chunk)
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
    assert late.reason.startswith("no answer within 1.5 s")


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


def garbage(engine: Engine, names: Sequence[str]) -> list[float]:
    raise ngspice.EngineFailure("%%% garbage")


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("OLDEST", 99, "ngspice 39 is too old; netcheck needs 99 or later"),
        ("operating_point", lambda engine, names: [7.0], "a divider of 2.5 V as 7 V"),
        ("operating_point", garbage, "does not solve a plain divider: %%% garbage"),
    ],
    ids=["too old", "wrong", "garbage"],
)
def test_a_library_that_is_not_fit(
    monkeypatch: pytest.MonkeyPatch, name: str, value: object, said: str
) -> None:
    monkeypatch.setattr(ngspice if name == "OLDEST" else Engine, name, value)

    with Pool(1) as pool, pytest.raises(SolverUnavailableError) as caught:
        pool.run([Job(times_ten, (1,))])

    assert said in re.sub(r"ngspice \d+", "ngspice 39", caught.value.message)
    assert caught.value.hint == INSTALL_HINT


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
