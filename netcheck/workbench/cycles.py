"""Faults with which idle does not last: what the circuit does instead.

Comes in: the operating point of every fault, with its stability.  Goes out: the same,
where a point does not last with the cycle that the circuit makes by itself in its place, or
with the reason why none was found.  A circuit that is restless in health is left as it is:
its faults are compared with a state that does not last either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from netcheck.circuit.changes import Change, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.faults.base import Fault
from netcheck.judge.unrest import unrest_words
from netcheck.judge.verdict import stays
from netcheck.solve.limit_cycle import solve_cycle
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved
from netcheck.workbench.settings import Circuitry, Progress, Step


def with_cycles(
    bench: Circuitry,
    hookup: Hookup,
    faults: Sequence[Fault],
    outcomes: Sequence[Outcome],
    healthy: Solved,
    progress: Progress,
) -> list[Outcome]:
    """Return the outcomes at idle, those that do not last as what comes of them."""
    found = healthy.stability
    if found is None or found.stable is False:
        return list(outcomes)
    restless: dict[tuple[Change, ...], Solved] = {}
    for fault, outcome in zip(faults, outcomes, strict=True):
        if isinstance(outcome, Solved) and not stays(outcome, healthy):
            restless.setdefault(fault.changes, outcome)
    if not restless or bench.pool.stopped:
        return list(outcomes)
    progress.start(Step.RESTLESS, len(restless))
    jobs = [
        Job(_solve_changed, (bench.shared[IDLE], changes, hookup, outcome))
        for changes, outcome in restless.items()
    ]
    answers = dict(zip(restless, bench.pool.run(jobs, progress.advance), strict=True))
    progress.finish()
    return [
        _told(outcome, answers[fault.changes])
        if isinstance(outcome, Solved) and not stays(outcome, healthy)
        else outcome
        for fault, outcome in zip(faults, outcomes, strict=True)
    ]


def _solve_changed(
    engine: Engine,
    circuit: Circuit,
    changes: tuple[Change, ...],
    hookup: Hookup,
    idle: Solved,
) -> Outcome:
    """Solve one cycle in a worker."""
    return solve_cycle(engine, apply_changes(circuit, changes), hookup, idle)


def _told(left: Solved, answer: Outcome | Lost) -> Outcome:
    """Return a cycle, or why there is none, with what the circuit does in words."""
    assert left.stability is not None
    words = f"idle does not last: it {unrest_words(left.stability)}"
    if isinstance(answer, Solved):
        return replace(answer, notes=(*left.notes, words, "figures are means over its own cycle"))
    return NotSolved(IDLE, f"{words}; its cycle: {answer.reason}")
