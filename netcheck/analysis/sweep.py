"""Solving many variants of a circuit on the pool of workers.

Comes in: the circuit and the changes of each variant.  Goes out: one outcome a
variant, in order.  A worker that is lost with a chunk of operating points has the
chunk solved once more, one by one, so that only the variant at fault is lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.judge.base import LimitTable, Stress
from netcheck.judge.stress import judge_state
from netcheck.solve.analyses import Hookup, StartState
from netcheck.solve.driven import DrivenAnswer, DrivenRequest, solve_driven
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.solve.results import NotSolved, Outcome, Solved

CHUNK = 24
"""Operating points a job: fewer would spend their time on messages."""
Advance = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class IdleTask:
    """What stays the same over the operating points of one condition."""

    circuit: Shared
    condition: str
    meter_nets: tuple[str, ...] = ()
    meter_ohm: float | None = 10e6
    healthy: Shared | None = None


def solve_chunk(
    engine: Engine,
    circuit: Circuit,
    requests: tuple[IdleRequest, ...],
    condition: str,
    meter_ohm: float | None,
    healthy: Solved | None,
) -> list[Outcome]:
    """Solve some operating points in a worker."""
    return solve_sweep(engine, IdleSweep(circuit, requests, condition, meter_ohm, healthy))


def idle_outcomes(
    pool: Pool,
    task: IdleTask,
    variants: Sequence[tuple[Change, ...]],
    advance: Advance = lambda count: None,
) -> list[Outcome]:
    """Return the operating point of each variant."""
    requests = [IdleRequest(tuple(changes), task.meter_nets) for changes in variants]
    chunks = _chunks(pool, requests)
    outcomes: list[Outcome] = []
    for chunk, answer in zip(chunks, pool.run(_jobs(task, chunks), advance), strict=True):
        outcomes.extend(_one_by_one(pool, task, chunk) if isinstance(answer, Lost) else answer)
    return outcomes


def _chunks(pool: Pool, requests: Sequence[IdleRequest]) -> list[tuple[IdleRequest, ...]]:
    size = max(1, min(CHUNK, -(-len(requests) // pool.size)))
    return [tuple(requests[at : at + size]) for at in range(0, len(requests), size)]


def _jobs(task: IdleTask, chunks: Sequence[tuple[IdleRequest, ...]]) -> list[Job]:
    return [
        Job(
            solve_chunk,
            (task.circuit, chunk, task.condition, task.meter_ohm, task.healthy),
            len(chunk),
        )
        for chunk in chunks
    ]


def _one_by_one(pool: Pool, task: IdleTask, chunk: tuple[IdleRequest, ...]) -> list[Outcome]:
    answers = pool.run(_jobs(task, [(request,) for request in chunk]))
    return [
        NotSolved(task.condition, answer.reason) if isinstance(answer, Lost) else answer[0]
        for answer in answers
    ]


def judge_chunk(
    engine: Engine,
    circuit: Circuit,
    judging: tuple[LimitTable, Mapping[str, Solved]],
    requests: tuple[IdleRequest, ...],
    condition: str,
) -> list[NotSolved | tuple[Stress, ...]]:
    """Solve some operating points in a worker and return what is over its limit."""
    table, healthy = judging
    outcomes = solve_sweep(engine, IdleSweep(circuit, requests, condition, None))
    return [
        outcome
        if isinstance(outcome, NotSolved)
        else tuple(
            stress
            for stress in judge_state(circuit, table, outcome, healthy)
            if stress.ratio >= 1.0
        )
        for outcome in outcomes
    ]


def idle_overloads(
    pool: Pool, task: IdleTask, judging: Shared, variants: Sequence[tuple[Change, ...]]
) -> list[NotSolved | tuple[Stress, ...]]:
    """Return, for each variant at idle, its stresses over a limit."""
    answers: list[NotSolved | tuple[Stress, ...]] = []
    chunks = _chunks(pool, [IdleRequest(changes) for changes in variants])
    jobs = [Job(judge_chunk, (task.circuit, judging, chunk, task.condition)) for chunk in chunks]
    for chunk, answer in zip(chunks, pool.run(jobs), strict=True):
        lost = isinstance(answer, Lost)
        answers += [NotSolved(task.condition, answer.reason)] * len(chunk) if lost else answer
    return answers


@dataclass(frozen=True, slots=True)
class DrivenTask:
    """What stays the same over the driven runs of one circuit."""

    circuit: Shared
    hookup: Hookup
    frequency_hz: float
    levels: Mapping[str, float]
    starts: Shared
    healthy_idle: Shared


def solve_variant(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    levels: Mapping[str, float],
    changes: tuple[Change, ...],
    starts: Mapping[str, StartState],
    healthy_idle: Solved,
) -> DrivenAnswer:
    """Drive one variant in a worker."""
    request = DrivenRequest(levels, changes, starts, healthy_idle)
    return solve_driven(engine, circuit, hookup, frequency_hz, request)


def driven_outcomes(
    pool: Pool,
    task: DrivenTask,
    variants: Sequence[tuple[Change, ...]],
    advance: Advance = lambda count: None,
) -> list[Mapping[str, Outcome]]:
    """Return, for each variant, its outcome under every drive."""
    jobs = [
        Job(
            solve_variant,
            (
                task.circuit,
                task.hookup,
                task.frequency_hz,
                dict(task.levels),
                changes,
                task.starts,
                task.healthy_idle,
            ),
        )
        for changes in variants
    ]
    return [
        {name: NotSolved(name, answer.reason, level) for name, level in task.levels.items()}
        if isinstance(answer, Lost)
        else answer.outcomes
        for answer in pool.run(jobs, advance)
    ]
