"""Solving many variants of a circuit on the pool of workers.

Comes in: the circuit and the changes of each variant.  Goes out: one outcome a
variant, in order.  A worker that is lost with a chunk of operating points has the
chunk solved once more, one by one, so that only the variant at fault is lost.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from netcheck.circuit.changes import AddCurrentSource, AddResistor, Change
from netcheck.circuit.model import Circuit
from netcheck.judge.base import LimitTable, Load
from netcheck.judge.bodies import Bodies
from netcheck.judge.stress import judge_faulted
from netcheck.solve.driven import DrivenRequest, solve_family
from netcheck.solve.idle import TABLED_FROM, IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved, StartState
from netcheck.solve.stability import with_stability

NEAR = 0.5
"""Stresses below this share of a limit are not sent back from a search."""
CHUNK = 24
"""Operating points a job: fewer would spend their time on messages, more on tables."""
LEAST_CHUNKS = 4
"""Jobs that a short list is shared out to, so that no worker is left without one."""
Advance = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class IdleTask:
    """What stays the same over the operating points of one condition."""

    circuit: Shared
    condition: str
    meter_nets: tuple[str, ...] = ()
    meter_ohm: float | None = 10e6
    healthy: Shared | None = None
    absent: tuple[AddResistor | AddCurrentSource, ...] = ()
    bare_windings: tuple[tuple[str, str], ...] | None = None
    """As in `Hookup`, where it is asked whether the points are stable."""


def solve_fault_chunk(
    engine: Engine,
    circuit: Circuit,
    requests: tuple[IdleRequest, ...],
    condition: str,
    meter_ohm: float | None,
    healthy: Solved | None,
    absent: tuple[AddResistor | AddCurrentSource, ...],
    bare_windings: tuple[tuple[str, str], ...] | None,
) -> list[Outcome]:
    """Solve some operating points in a worker, and say whether they are stable."""
    sweep = IdleSweep(circuit, requests, condition, meter_ohm, healthy, absent)
    outcomes = solve_sweep(engine, sweep)
    if bare_windings is None:
        return outcomes
    variants = [request.changes for request in requests]
    return with_stability(circuit, bare_windings, variants, outcomes)


def idle_outcomes(
    pool: Pool,
    task: IdleTask,
    variants: Sequence[tuple[Change, ...]],
    advance: Advance = lambda count: None,
) -> list[Outcome]:
    """Return the operating point of each variant."""
    requests = [IdleRequest(tuple(changes), task.meter_nets) for changes in variants]

    def job(chunk: tuple[IdleRequest, ...]) -> Job:
        known = (task.circuit, chunk, task.condition, task.meter_ohm, task.healthy, task.absent)
        return Job(solve_fault_chunk, (*known, task.bare_windings), len(chunk))

    answers: list[Outcome] = _in_chunks(pool, task.condition, requests, job, advance)
    return answers


def _in_chunks(
    pool: Pool,
    condition: str,
    requests: Sequence[IdleRequest],
    job: Callable[[tuple[IdleRequest, ...]], Job],
    advance: Advance = lambda count: None,
) -> list[Any]:
    """Solve requests in chunks; a chunk whose worker is lost is solved one by one."""
    chunks = _chunks(requests)
    answers: list[Any] = []
    for chunk, answer in zip(
        chunks, pool.run([job(each) for each in chunks], advance), strict=True
    ):
        if not isinstance(answer, Lost):
            answers += answer
            continue
        singles = pool.run([job((request,)) for request in chunk])
        answers += [
            NotSolved(condition, one.reason) if isinstance(one, Lost) else one[0] for one in singles
        ]
    return answers


def _chunks(requests: Sequence[IdleRequest]) -> list[tuple[IdleRequest, ...]]:
    """Share requests out; the number of workers plays no part, so that it moves no digit."""
    size = min(CHUNK, max(TABLED_FROM, -(-len(requests) // LEAST_CHUNKS)))
    return [tuple(requests[at : at + size]) for at in range(0, len(requests), size)]


def judge_chunk(
    engine: Engine,
    circuit: Circuit,
    judging: tuple[LimitTable, Mapping[str, Solved]],
    requests: tuple[IdleRequest, ...],
    condition: str,
    absent: tuple[AddResistor | AddCurrentSource, ...],
) -> list[NotSolved | tuple[Load, ...]]:
    """Solve some operating points in a worker and return what is near its limit or over."""
    table, healthy = judging
    sweep = IdleSweep(circuit, requests, condition, None, absent=absent)
    outcomes = solve_sweep(engine, sweep)
    return [
        outcome
        if isinstance(outcome, NotSolved)
        else judge_faulted(
            Bodies(circuit, table, request.changes), table, outcome, healthy, least=NEAR
        )
        for request, outcome in zip(requests, outcomes, strict=True)
    ]


def idle_overloads(
    pool: Pool, task: IdleTask, judging: Shared, variants: Sequence[tuple[Change, ...]]
) -> list[NotSolved | tuple[Load, ...]]:
    """Return, for each variant at idle, its stresses near a limit or over it."""

    def job(chunk: tuple[IdleRequest, ...]) -> Job:
        known = (task.circuit, judging, chunk, task.condition, task.absent)
        return Job(judge_chunk, known, len(chunk))

    requests = [IdleRequest(changes) for changes in variants]
    answers: list[NotSolved | tuple[Load, ...]] = _in_chunks(pool, task.condition, requests, job)
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


def solve_relatives(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    levels: Mapping[str, float],
    variants: tuple[tuple[Change, ...], ...],
    starts: Mapping[str, StartState],
    healthy_idle: Solved,
) -> list[Mapping[str, Outcome]]:
    """Drive variants of one fault in a worker."""
    healthy = DrivenRequest(levels, starts=starts, start_idle=healthy_idle)
    answers = solve_family(engine, circuit, hookup, frequency_hz, healthy, variants)
    return [answer.outcomes for answer in answers]


def driven_outcomes(
    pool: Pool,
    task: DrivenTask,
    families: Sequence[Sequence[tuple[Change, ...]]],
    advance: Advance = lambda count: None,
    *,
    in_turn: bool = False,
) -> list[Mapping[str, Outcome]]:
    """Return, for each variant of each family, its outcome under every drive.

    The largest families are given out first, so that no worker is left alone with
    one at the end, or else in turn; a family whose worker is lost is solved again one by one.
    """
    order = list(range(len(families)))
    if not in_turn:
        order.sort(key=lambda number: -len(families[number]))
    jobs = [_family_job(task, families[number]) for number in order]
    answers = dict(zip(order, pool.run(jobs, advance), strict=True))
    outcomes: list[Mapping[str, Outcome]] = []
    for number, family in enumerate(families):
        answer = answers[number]
        if isinstance(answer, Lost):
            singles = pool.run([_family_job(task, [changes]) for changes in family])
            outcomes += [_lost(task, one) if isinstance(one, Lost) else one[0] for one in singles]
        else:
            outcomes += answer
    return outcomes


def _family_job(task: DrivenTask, family: Sequence[tuple[Change, ...]]) -> Job:
    variants = tuple(family)
    shared = (task.circuit, task.hookup, task.frequency_hz, dict(task.levels), variants)
    return Job(solve_relatives, (*shared, task.starts, task.healthy_idle), len(variants))


def _lost(task: DrivenTask, lost: Lost) -> Mapping[str, Outcome]:
    return {name: NotSolved(name, lost.reason, level) for name, level in task.levels.items()}
