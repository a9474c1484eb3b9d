"""How small a defect is enough under drive, for what idle cannot show.

Comes in: the bench, the healthy circuit as it was driven, the continuous faults and what a
search at idle found.  Goes out: the tipping points of both searches.

The kinds that are searched say so themselves (`shows_driven`), and of them the faults of
which no size is enough at idle.  They are driven as hard as the healthy circuit is in use, at
the levels that were found for it, and every size starts from where the healthy circuit or its
own nearest size settled.  That is some 10 runs a fault: of a pair of EL34, whose 436 faults
take 872 driven runs, 68 runs for the output transformer and its load, and 168 with the
emission of tubes (6 s of 56 s on two processors).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcheck.conditions import IDLE, is_in_use
from netcheck.faults import kind_named
from netcheck.faults.base import ContinuousFault, Fault
from netcheck.judge.base import Load
from netcheck.judge.bodies import Bodies
from netcheck.judge.duty import at_duty
from netcheck.judge.stress import judge_faulted
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.tipping import Judged, TippingPoint, find_all, joined_searches, under_drive
from netcheck.workbench.baseline import Baseline
from netcheck.workbench.drive import DrivenHealth
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Progress, Step


def tipping_under_drive(
    bench: Bench,
    base: Baseline,
    health: DrivenHealth,
    faults: Sequence[ContinuousFault],
    at_idle: Sequence[TippingPoint],
    progress: Progress,
) -> tuple[TippingPoint, ...]:
    """Return the tipping points at idle and under drive; base: with the driven states."""
    known = {point.fault_id for point in at_idle if point.is_enough}
    chosen = [
        fault for fault in faults if kind_named(fault.family).shows_driven and fault.id not in known
    ]
    levels = {name: level for name, level in health.levels.items() if is_in_use(name)}
    if not chosen or not levels:
        return tuple(at_idle)
    task = bench.driven_task(base.hookup, levels, health.starts, base.idle)

    def solve_batch(batch: Sequence[Fault]) -> Sequence[Judged]:
        outcomes = bench.driven_sizes(task, batch)
        return [
            _judged(base, fault, at_duty({**found, IDLE: base.idle}, bench.options.duty))
            for fault, found in zip(batch, outcomes, strict=True)
        ]

    progress.start(Step.TIPPING_DRIVEN, 1)
    driven = find_all(chosen, solve_batch, under_drive(tuple(levels)))
    progress.finish()
    return joined_searches(at_idle, driven)


def _judged(base: Baseline, fault: Fault, found: Mapping[str, Outcome]) -> Judged:
    """Return the loads under every drive; what one of them did not solve, no drive shows."""
    driven = [one for name, one in found.items() if name != IDLE]
    states = [one for one in driven if isinstance(one, Solved)]
    lost = [one for one in driven if isinstance(one, NotSolved)]
    bodies = Bodies(base.circuit, base.table, fault.changes)
    loads: list[Load] = []
    for state in states:
        loads += judge_faulted(bodies, base.table, state, base.states)
    if lost and not any(one.ratio >= 1.0 and one.adds_to_health for one in loads):
        return lost[0]
    return loads
