"""Continuous faults solved at idle from nearly healthy to their worst.

Comes in: the bench, the continuous faults and their tipping points.  Goes out: one
`Walk` for each of the faults that need the smallest defect.  The sizes are spread as
in a sweep, with the tipping points in their places.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence

from netcheck.circuit.model import Circuit, natural_key
from netcheck.conditions import IDLE
from netcheck.errors import NetcheckError
from netcheck.faults.base import ContinuousFault
from netcheck.judge.base import LimitTable, Load
from netcheck.judge.bodies import Bodies
from netcheck.judge.stress import judge_faulted
from netcheck.judge.walked import Walk, WalkStep
from netcheck.solve.results import Solved
from netcheck.tipping import TippingPoint, times_what_passes
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Progress, Step

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
    if not most or bench.pool.stopped:
        return ()
    by_id = {fault.id: fault for fault in faults}
    found = sorted(
        (
            one
            for one in tipping
            if one.status == "found" and one.condition == IDLE and one.fault_id in by_id
        ),
        key=lambda one: (times_what_passes(one) or 0.0, one.fault_id),
    )
    chosen = list(dict.fromkeys(one.fault_id for one in found))[:most]
    tips = {name: _tips(name, found) for name in chosen}
    sizes = [(by_id[name], size) for name in chosen for size in _sizes(by_id[name], tips[name])]
    made = [fault.make(size) for fault, size in sizes]
    progress.start(Step.WALKS, 2 * len(made))
    outcomes = bench.faulted(made, healthy[IDLE], progress)[IDLE] if made else []
    progress.finish()
    steps: dict[str, list[WalkStep]] = {name: [] for name in chosen}
    for (fault, size), one, outcome in zip(sizes, made, outcomes, strict=True):
        loads: tuple[Load, ...] = ()
        if isinstance(outcome, Solved):
            bodies = Bodies(bench.circuit, table, one.changes)
            loads = judge_faulted(bodies, table, outcome, healthy)
        steps[fault.id].append(WalkStep(size, outcome, loads, size in tips[fault.id]))
    return tuple(
        Walk(name, by_id[name].parts, by_id[name].kind, by_id[name].unit, tuple(steps[name]))
        for name in chosen
    )


def _tips(name: str, found: Sequence[TippingPoint]) -> list[float]:
    values = [one.value for one in found if one.fault_id == name and one.value is not None]
    return list(dict.fromkeys(values))[:MOST_TIPS]


def _sizes(fault: ContinuousFault, tips: Sequence[float]) -> list[float]:
    return sweep_sizes(fault, SIZES, tips)


def find_continuous(
    circuit: Circuit, faults: Sequence[ContinuousFault], part: str, kind: str
) -> ContinuousFault:
    """Return the fault of this part and kind; letter case does not matter.

    part: a ref, or several joined by `+` as in fault ids.
    """
    wanted = part.casefold()
    of_part = [
        fault
        for fault in faults
        if wanted == "+".join(fault.parts).casefold()
        or wanted in (ref.casefold() for ref in fault.parts)
    ]
    if not of_part:
        raise _no_part(circuit, faults, part)
    found = [fault for fault in of_part if fault.kind.casefold() == kind.casefold()]
    if not found:
        kinds = sorted({fault.kind for fault in of_part})
        close = difflib.get_close_matches(kind.casefold(), kinds, n=1)
        lead = f"did you mean {close[0]}? " if close else ""
        raise NetcheckError(
            f"{part} has no fault `{kind}` that can be swept",
            hint=f"{lead}{part} can be swept for: {', '.join(kinds)}",
        )
    exact = [fault for fault in found if wanted == "+".join(fault.parts).casefold()]
    if len(exact or found) > 1:
        ids = ", ".join(fault.id for fault in found)
        raise NetcheckError(
            f"{part} {kind} is not one fault: {ids}", hint="give all parts, joined by +"
        )
    return (exact or found)[0]


def sweep_sizes(fault: ContinuousFault, points: int, others: Iterable[float]) -> list[float]:
    """Return sizes from nearly healthy to the worst, with `others` in their place."""
    start, end = fault.from_value, fault.to_value
    shares = [step / (points - 1) for step in range(1, points - 1)]
    if fault.logarithmic:
        inner = [start * (end / start) ** share for share in shares]
    else:
        inner = [start + (end - start) * share for share in shares]
    sizes = dict.fromkeys([start, *inner, end, *others])
    return sorted(sizes, reverse=end < start)


def _no_part(circuit: Circuit, faults: Sequence[ContinuousFault], part: str) -> NetcheckError:
    sweepable = sorted({"+".join(fault.parts) for fault in faults}, key=natural_key)
    if not sweepable:
        return NetcheckError("no part of this circuit has a fault that can be swept")
    refs = {ref.casefold(): ref for ref in circuit.parts}
    there = part.casefold() in refs
    close = difflib.get_close_matches(part.casefold(), sorted(refs), n=1)
    lead = f"did you mean {refs[close[0]]}? " if close and not there else ""
    message = (
        f"{refs[part.casefold()]} has no fault with a size that can be swept"
        if there
        else f"there is no part {part} in this circuit"
    )
    return NetcheckError(message, hint=f"{lead}these can be swept: {', '.join(sweepable)}")
