"""Continuous faults solved at idle from nearly healthy to their worst.

Comes in: the bench, the continuous faults and their tipping points.  Goes out: one
`Walk` for each of the faults that need the smallest defect.  The sizes are spread as
in a sweep, with the tipping points in their places.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from netcheck.faults.base import ContinuousFault
from netcheck.judge.base import LimitTable
from netcheck.judge.stress import judge_state
from netcheck.judge.walked import Walk, WalkStep
from netcheck.solve.results import Outcome, Solved
from netcheck.tipping import TippingPoint, times_what_passes
from netcheck.workbench.faulted import IDLE, Bench
from netcheck.workbench.find_fault import sweep_sizes
from netcheck.workbench.settings import Progress

SIZES = 11
"""Sizes from end to end, besides the tipping points."""
MOST_TIPS = 4
"""A fault may put many parts over a limit; a reader wants the first few."""


def walk_faults(
    bench: Bench,
    faults: Sequence[ContinuousFault],
    tipping: Sequence[TippingPoint],
    table: LimitTable,
    healthy: Mapping[str, Solved],
    progress: Progress,
) -> tuple[Walk, ...]:
    """Walk as many faults as the options ask for, the smallest sufficient defect first."""
    most = bench.options.walks
    if not most or bench.pool.interrupted:
        return ()
    by_id = {fault.id: fault for fault in faults}
    found = sorted(
        (one for one in tipping if one.status == "found" and one.fault_id in by_id),
        key=lambda one: (times_what_passes(one) or 0.0, one.fault_id),
    )
    chosen = list(dict.fromkeys(one.fault_id for one in found))[:most]
    tips = {name: _tips(name, found) for name in chosen}
    sizes = [(by_id[name], size) for name in chosen for size in _sizes(by_id[name], tips[name])]
    made = [fault.make(size) for fault, size in sizes]
    progress.start("walks of continuous faults", 2 * len(made))
    outcomes = bench.faulted(made, healthy[IDLE], progress)[IDLE] if made else []
    progress.finish()
    steps: dict[str, list[WalkStep]] = {name: [] for name in chosen}
    for (fault, size), outcome in zip(sizes, outcomes, strict=True):
        steps[fault.id].append(_step(bench, table, healthy, size, outcome, size in tips[fault.id]))
    return tuple(
        Walk(name, by_id[name].parts, by_id[name].kind, by_id[name].unit, tuple(steps[name]))
        for name in chosen
    )


def _tips(name: str, found: Sequence[TippingPoint]) -> list[float]:
    values = [one.value for one in found if one.fault_id == name and one.value is not None]
    return list(dict.fromkeys(values))[:MOST_TIPS]


def _sizes(fault: ContinuousFault, tips: Sequence[float]) -> list[float]:
    return sweep_sizes(fault, SIZES, tips)


def _step(
    bench: Bench,
    table: LimitTable,
    healthy: Mapping[str, Solved],
    size: float,
    outcome: Outcome,
    tips: bool,
) -> WalkStep:
    stresses = (
        judge_state(bench.circuit, table, outcome, healthy) if isinstance(outcome, Solved) else ()
    )
    return WalkStep(size, outcome, stresses, tips)
