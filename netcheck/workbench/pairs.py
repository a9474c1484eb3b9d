"""Two faults at once: those that cause one another, and those that hide one another.

Comes in: the circuit on the pool and its faults, each judged alone.  Goes out: the
plausible pairs, solved together at idle and judged.

All pairs of some hundred faults are a hundred thousand, and nearly all mean nothing.
Two rules name those that do:

- causes: the first fault overloads a part, and the second is what that part does when
  it gives up: a resistor burns open or drifts, a capacitor beyond its volts shorts, an
  overheated tube frees gas or its grid emits, a winding opens (common practice).
- hides: the first fault overheats a tube alone; the second is of the kinds that starve
  that tube (worn out, a bias set or drifted to less current, low mains).  If both
  together look healthy, a new tube or a right setting lets the first fault loose.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, zip_longest

from netcheck.circuit.changes import AddCurrentSource, AddResistor, Change, DriveLevel, ReplaceTube
from netcheck.circuit.model import natural_key
from netcheck.conditions import IDLE
from netcheck.faults import word_of
from netcheck.faults.base import Fault
from netcheck.judge.base import GROSS_RATIO, LimitTable, Load
from netcheck.judge.paired import Pair, PairKind, Pairs
from netcheck.judge.verdict import GRAVITY, HARMLESS
from netcheck.rank import FaultResult, judge_fault
from netcheck.solve.results import NotSolved, Solved
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Progress, Step
from netcheck.workbench.sweep import IdleTask, idle_outcomes

MOST_PAIRS = 400
"""Pairs solved at most, the likeliest and gravest of both rules in turn."""

LEAST_RELIEF = 0.1
"""A fault relieves a tube if it takes at least this share of its healthy heat."""

Alone = Mapping[str, Sequence[Load]]
"""By fault id, every stress at idle with this fault alone."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """One pair to be solved."""

    first: FaultResult
    second: FaultResult
    kind: PairKind
    link: str


def solve_pairs(
    bench: Bench,
    results: Sequence[FaultResult],
    table: LimitTable,
    healthy: Mapping[str, Solved],
    progress: Progress,
) -> Pairs:
    """Solve the plausible pairs of ranked results at idle."""
    usable = [result for result in results if _can_join(result.fault)]
    alone = {result.fault.id: result.loads[IDLE] for result in usable if IDLE in result.loads}
    causes = list(_causing(usable))
    hides = list(_hiding(usable, alone, healthy[IDLE]))
    plans = _chosen(causes, hides)
    progress.start(Step.PAIRS, len(plans))
    both = [_joined(plan) for plan in plans]
    task = IdleTask(bench.shared[IDLE], IDLE, (), None)
    changes = [fault.changes for fault in both]
    outcomes = idle_outcomes(bench.pool, task, changes, progress.advance)
    progress.finish()
    groups: dict[tuple[object, ...], list[Pair]] = {}
    for plan, fault, outcome in zip(plans, both, outcomes, strict=True):
        result = judge_fault(fault, {IDLE: outcome}, bench.circuit, table, healthy)
        if plan.kind == "causes" or result.verdict in HARMLESS:
            groups.setdefault(_family(plan), []).append(_pair(plan, result, alone))
    kept = sum(map(len, groups.values()))
    return Pairs(
        tuple(sorted(map(_foremost, groups.values()), key=_order)),
        len(results) * (len(results) - 1) // 2,
        len(causes) + len(hides),
        len(plans),
        len(plans) - kept,
    )


def _can_join(fault: Fault) -> bool:
    """Leave out what has no operating point, and tubes that bring limits of their own."""
    return not any(isinstance(change, DriveLevel | ReplaceTube) for change in fault.changes)


def _causing(results: Sequence[FaultResult]) -> Iterator[_Plan]:
    """Yield each overloading fault with what the parts it overloads turn into.

    Of the sizes of one fault the mildest that overloads a part is taken, and of what
    becomes of the part the mildest that does harm: more follows from them.
    """
    by_part: dict[str, list[FaultResult]] = {}
    for result in reversed(results):
        for part in result.fault.parts:
            by_part.setdefault(part, []).append(result)
    seen: set[tuple[object, ...]] = set()
    for first in reversed(results):
        for part in dict.fromkeys(one.part for one in first.victims if _is_over(one)):
            ends: dict[str, FaultResult] = {}
            for second in by_part.get(part, ()):
                kind = second.fault.kind
                if not may_follow(part, first.fault, second.fault):
                    continue
                if kind not in ends or ends[kind].verdict in HARMLESS:
                    ends[kind] = second
            for second in ends.values():
                plan = _Plan(first, second, "causes", part)
                if _family(plan) not in seen:
                    seen.add(_family(plan))
                    yield plan


def _hiding(results: Sequence[FaultResult], alone: Alone, healthy: Solved) -> Iterator[_Plan]:
    """Yield each fault that overheats a tube at idle with those that starve this tube."""
    relief: dict[str, list[FaultResult]] = {}
    for result in results:
        outcome = result.conditions.get(IDLE)
        if not word_of(result.fault).starves or not isinstance(outcome, Solved):
            continue
        if result.condition_verdicts.get(IDLE) == "over_limit":
            continue
        for ref, state in healthy.tubes.items():
            before_w, now_w = state.plate_dissipation_w, outcome.tubes[ref].plate_dissipation_w
            if before_w > 0.0 and now_w <= (1.0 - LEAST_RELIEF) * before_w:
                relief.setdefault(ref, []).append(result)
    for first in results:
        stresses = alone.get(first.fault.id, ())
        hot = [one.part for one in stresses if _is_hot_tube(one, healthy)]
        if any(one.ratio >= GROSS_RATIO and one.is_charged for one in stresses):
            continue
        joined: set[str] = set()
        for ref in dict.fromkeys(hot):
            for second in relief.get(ref, ()):
                if second.fault.id not in joined and are_apart(first.fault, second.fault):
                    joined.add(second.fault.id)
                    yield _Plan(first, second, "hides", ref)


def _is_hot_tube(stress: Load, healthy: Solved) -> bool:
    heat = "dissipation" in stress.quantity and stress.part in healthy.tubes
    return heat and _is_over(stress)


def _family(plan: _Plan) -> tuple[object, ...]:
    """What pairs share that differ in size only."""
    first, second = plan.first.fault, plan.second.fault
    return (plan.kind, first.parts, first.kind, second.parts, second.kind)


def may_follow(part: str, first: Fault, second: Fault) -> bool:
    """Say whether `second` is what `part` does when it gives up, `first` overloading it."""
    return part in second.parts and word_of(second).gives_up and are_apart(first, second)


def are_apart(first: Fault, second: Fault) -> bool:
    """Say whether two faults change different things, so that both can be true."""
    if first.id == second.id or set(first.parts) & set(second.parts):
        return False
    return not set(map(_place, first.changes)) & set(map(_place, second.changes))


def _place(change: Change) -> str:
    if isinstance(change, AddResistor | AddCurrentSource):
        return change.name
    return "" if isinstance(change, DriveLevel) else change.part


def _chosen(causes: Iterable[_Plan], hides: Iterable[_Plan]) -> list[_Plan]:
    """Return the plans to solve: both rules in turn, the likeliest first."""
    lists = (sorted(each, key=_promise) for each in (causes, hides))
    mixed = chain.from_iterable(zip_longest(*lists))
    return [plan for plan in mixed if plan is not None][:MOST_PAIRS]


def _promise(plan: _Plan) -> tuple[object, ...]:
    """The likelier first: a consequence needs its cause only, masking needs both by chance."""
    weight = plan.first.fault.likelihood.value
    if plan.kind == "hides":
        weight *= plan.second.fault.likelihood.value
    return (-weight, natural_key(plan.first.fault.id), natural_key(plan.second.fault.id))


def _joined(plan: _Plan) -> Fault:
    first, second = plan.first.fault, plan.second.fault
    return Fault(
        id=f"{first.id} and {second.id}",
        parts=(*first.parts, *second.parts),
        kind="pair",
        changes=(*first.changes, *second.changes),
        likelihood=first.likelihood,
        summary="",
    )


def _pair(plan: _Plan, both: FaultResult, alone: Alone) -> Pair:
    first, second = plan.first, plan.second
    worst = both.worst
    outcome = both.conditions[IDLE]
    over = {one.part for each in (first, second) for one in each.victims if _is_over(one)}
    new = [one.part for one in both.victims if _is_over(one) and one.part not in over]
    return Pair(
        first.fault.id,
        second.fault.id,
        plan.kind,
        plan.link,
        _why(plan),
        both.verdict,
        worst,
        _alone(plan, worst, alone.get(first.fault.id, ())),
        tuple(dict.fromkeys(new)),
        outcome.reason if isinstance(outcome, NotSolved) else "",
    )


def _is_over(stress: Load) -> bool:
    return stress.is_charged and stress.level == "over_limit"


def _alone(plan: _Plan, worst: Load | None, alone: Sequence[Load]) -> Load | None:
    """Return what the first fault does alone, to compare both at once with."""
    if plan.kind == "hides":
        hot = [one for one in alone if one.part == plan.link and "dissipation" in one.quantity]
        return max(hot, key=lambda one: one.ratio, default=None)
    if worst is None:
        return None
    what = (worst.part, worst.quantity)
    return next((one for one in alone if (one.part, one.quantity) == what), None)


def _why(plan: _Plan) -> str:
    first, second = plan.first.fault.id, plan.second.fault.id
    if plan.kind == "causes":
        return f"{first} overloads {plan.link}, which may end as {second}"
    return (
        f"{second} takes current from {plan.link} and keeps it cool; mended alone, it lets "
        f"{first} overheat it"
    )


def _foremost(alike: Sequence[Pair]) -> Pair:
    """Return the pair of a family whose first fault is the worst alone."""

    def hidden(pair: Pair) -> float:
        return pair.first_alone.ratio if pair.first_alone else 0.0

    return replace(max(alike, key=hidden), others=len(alike) - 1)


def _order(pair: Pair) -> tuple[object, ...]:
    """Those that reach parts neither reaches alone first, then those that add most."""
    alone = pair.first_alone.ratio if pair.first_alone else 0.0
    if pair.kind == "hides" or pair.worst is None:
        weight = alone
    else:
        weight = pair.worst.ratio - (alone or pair.worst.healthy_ratio)
    return (
        pair.kind,
        not pair.new_victims,
        GRAVITY[pair.verdict],
        -weight,
        natural_key(pair.first_id),
        natural_key(pair.second_id),
    )
