"""Tipping points: how small a defect is enough.

Comes in: faults with a size that can be swept, and a callable that solves and
judges a batch of faults.  Goes out: for each fault the size at
which it first puts a tube over a limit, and the first crossing of every other
part beside it.

The search looks outward from the nearly healthy end over a grid, because the
stress need not grow evenly with the defect (a leak heats a tube until the driver
collapses), then narrows the step in which a part first crosses until it is 1 %
wide, by interpolating the ratio.  An island of overload narrower than a grid step
can be missed.  A crossing is a ratio of 1 or more that exceeds the healthy one by
the charge margin.  All searches advance together, so that each round is one batch
for the solver.

Every fault is searched at idle.  What idle cannot show is searched under drive too, where
one size costs as much as hundreds at idle: over fewer sizes, and only the first crossing is
narrowed, to 2 %.  Of other parts a size is told that was solved and is enough.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from netcheck.circuit.model import natural_key
from netcheck.conditions import IDLE, condition_kind
from netcheck.faults import word_named
from netcheck.faults.base import ContinuousFault, Fault
from netcheck.judge.base import Load, ratio_verdict
from netcheck.solve.results import NotSolved

Direction = Literal["below", "above"]
TippingStatus = Literal["found", "never", "not_at_idle", "already_over", "not_solved"]

GRID_POINTS = 13
"""Sizes looked at from end to end: a factor of 2.6 apart over five decades."""

ACCURACY = 0.01
"""The crossing is narrowed to 1 % of its size."""

MAX_ROUNDS = 40
"""Halvings at most; 1 % takes six or seven from a grid step of a factor of two."""

DRIVEN_POINTS, DRIVEN_ACCURACY, DRIVEN_ROUNDS = 7, 0.02, 6
"""The same under drive, whose states are settled to 1 to 2 %."""

PASSED_DEVIATION = 0.20
"""A part or voltage this far from its marked value still passes an inspection: factory
drawings print node volts with +-20 %, and so are old resistors marked."""

PAR = 100.0
"""Percent of what a sound part or supply has."""

PASSED_LEAK = 100.0
"""A leak passes down to this part of the insulation of a sound part, with which a
search begins: 100 Mohm for a film capacitor of 10 Gohm (common practice)."""

PASSED_GROWTH = 10.0
"""What grows from next to nothing (shorted turns, grid emission) passes up to this
times the size with which a search begins (our choice)."""

Judged = NotSolved | Sequence[Load]
"""What became of one fault: at least every stress that is over its limit; those
that are near it make the search faster."""
SolveBatch = Callable[[Sequence[Fault]], Sequence[Judged]]


@dataclass(frozen=True, slots=True)
class Scope:
    """Under what a search looks, and how finely.

    conditions: names, of which the hardest counts.  rounds: halvings at most.
    first_only: only the first crossing of a fault is narrowed.
    """

    conditions: tuple[str, ...]
    grid_points: int = GRID_POINTS
    accuracy: float = ACCURACY
    rounds: int = MAX_ROUNDS
    first_only: bool = False


AT_IDLE = Scope((IDLE,))


def under_drive(conditions: Sequence[str]) -> Scope:
    """Return how faults are searched under these driven conditions."""
    return Scope(tuple(conditions), DRIVEN_POINTS, DRIVEN_ACCURACY, DRIVEN_ROUNDS, True)


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """Where a growing defect first puts a part over a limit.

    value: the smallest size found to be enough; None unless `found`.
    direction: a smaller ("below") or a larger ("above") size is worse.
    status: already_over where the part is over its limit in health, or at the
        nearly healthy end already; not_solved where a size that might have
        crossed could not be solved and no larger defect crosses; never where no size
        is enough at idle or under drive, and not_at_idle where drive was not searched.
    conditions: those that were searched.
    """

    fault_id: str
    parts: tuple[str, ...]
    kind: str
    victim: str
    quantity: str
    condition: str
    direction: Direction
    value: float | None
    unit: str
    status: TippingStatus
    searched: tuple[float, float]
    conditions: tuple[str, ...] = (IDLE,)

    @property
    def is_enough(self) -> bool:
        """Whether some size puts a part over its limit."""
        return self.status in ("found", "already_over")


@dataclass(frozen=True, slots=True)
class _Bracket:
    """The step in which a part first crosses, from not enough to enough.

    short_ratio: the ratio at the short end, where it is known.
    """

    stress: Load
    short: float
    enough: float
    short_ratio: float | None = None


_Key = tuple[str, str]
_Sample = Mapping[_Key, Load] | None
"""Stresses of one size by part and quantity; None where it was not solved."""
_Search = Generator[tuple[float, ...], Sequence[_Sample], tuple[TippingPoint, ...]]


def times_what_passes(point: TippingPoint) -> float | None:
    """Return the sufficient defect over the largest that an inspection passes.

    This makes a leak, a drift and a share of turns comparable for who has to find
    them: below 1 a defect is enough that nobody would object to.  A drift counts by
    how far it is from the marked value, up or down as a ratio.  None where no size
    that was searched is enough; 0 where the smallest one is.
    """
    if point.status == "already_over":
        return 0.0
    if point.value is None:
        return None
    start, end, value = *point.searched, point.value
    if start <= 0.0 or value <= 0.0:
        return abs(value - start) / (abs(end - start) or 1.0) / PASSED_DEVIATION
    at_par = point.unit == "%" and start == PAR
    if at_par or word_named(point.kind).deviates:
        return (max(value / start, start / value) - 1.0) / PASSED_DEVIATION
    if point.direction == "below":
        return start / (PASSED_LEAK * value)
    return value / (PASSED_GROWTH * start)


def find_tipping(fault: ContinuousFault, solve_batch: SolveBatch) -> tuple[TippingPoint, ...]:
    """Return the tipping points of one fault; see `find_all`."""
    return find_all((fault,), solve_batch)


def find_all(
    faults: Sequence[ContinuousFault], solve_batch: SolveBatch, scope: Scope = AT_IDLE
) -> tuple[TippingPoint, ...]:
    """Return the tipping points of all faults, in the order of the faults.

    Of each fault the first row is the first crossing of a tube or transformer
    limit; then one row for each other part that crosses, the earliest first.
    A fault under which nothing crosses has one row that says so.
    """
    searches = [_search(fault, scope) for fault in faults]
    finished: dict[int, tuple[TippingPoint, ...]] = {}
    wanted = {place: next(search) for place, search in enumerate(searches)}
    while wanted:
        asked = [(place, size) for place, sizes in wanted.items() for size in sizes]
        outcomes = solve_batch([faults[place].make(size) for place, size in asked])
        answers: dict[int, list[_Sample]] = {place: [] for place in wanted}
        for (place, _), outcome in zip(asked, outcomes, strict=True):
            answers[place].append(_sample(outcome))
        ahead: dict[int, tuple[float, ...]] = {}
        for place, samples in answers.items():
            try:
                ahead[place] = searches[place].send(samples)
            except StopIteration as stop:
                finished[place] = stop.value
        wanted = ahead
    return tuple(point for place in range(len(faults)) for point in finished[place])


def _sample(outcome: Judged) -> _Sample:
    if isinstance(outcome, NotSolved):
        return None
    # the hardest of those of several conditions comes last, and stays
    return {(one.part, one.quantity): one for one in sorted(outcome, key=lambda one: one.ratio)}


def _search(fault: ContinuousFault, scope: Scope) -> _Search:
    """Search one fault: yields the sizes to solve, is sent what they did."""
    grid = _grid(fault, scope.grid_points)
    samples = yield grid
    over, brackets = _first_steps(grid, samples)
    for _ in range(scope.rounds):
        wanted = _first(fault, brackets) if scope.first_only else brackets
        wide = {
            key: one for key, one in wanted.items() if not _is_narrow(fault, one, scope.accuracy)
        }
        if not wide:
            break
        middles = {key: _next_size(fault, one, scope.accuracy) for key, one in wide.items()}
        sizes = tuple(dict.fromkeys(middles.values()))
        solved = dict(zip(sizes, (yield sizes), strict=True))
        for key, bracket in brackets.items():
            size = middles.get(key, sizes[0])
            if key in middles or (scope.first_only and _is_inside(bracket, size)):
                brackets[key] = _halved(bracket, size, solved[size])
    return tuple(_points(fault, over, brackets, scope, solved_all=None not in samples))


def _first(fault: ContinuousFault, brackets: Mapping[_Key, _Bracket]) -> dict[_Key, _Bracket]:
    """Return the bracket of the part that a report names first."""
    order = sorted(
        brackets.items(), key=lambda item: _earliness(fault, item[1].stress, item[1].enough)
    )
    return dict(order[:1])


def _is_inside(bracket: _Bracket, size: float) -> bool:
    return min(bracket.short, bracket.enough) < size < max(bracket.short, bracket.enough)


def _grid(fault: ContinuousFault, points: int) -> tuple[float, ...]:
    start, end = fault.from_value, fault.to_value
    steps = [step / (points - 1) for step in range(1, points - 1)]
    if fault.logarithmic:
        if start * end <= 0.0:
            raise ValueError(f"{fault.id}: a logarithmic search cannot pass zero")
        inner = [start * (end / start) ** step for step in steps]
    else:
        inner = [start + (end - start) * step for step in steps]
    return (start, *inner, end)


def _crosses(stress: Load) -> bool:
    return stress.ratio >= 1.0 and stress.adds_to_health


def _first_steps(
    grid: Sequence[float], samples: Sequence[_Sample]
) -> tuple[dict[_Key, Load], dict[_Key, _Bracket]]:
    """Sort the crossings of the grid into those already over and those to narrow."""
    over: dict[_Key, Load] = {}
    brackets: dict[_Key, _Bracket] = {}
    last_solved, last_sample = grid[0], None
    for size, sample in zip(grid, samples, strict=True):
        if sample is None:
            continue
        for key, stress in sample.items():
            if key in over or key in brackets or not _crosses(stress):
                continue
            if size == grid[0] or ratio_verdict(stress.healthy_ratio) == "over_limit":
                over[key] = stress
            else:
                ratio = _ratio(last_sample, key)
                brackets[key] = _Bracket(stress, last_solved, size, ratio)
        last_solved, last_sample = size, sample
    return over, brackets


def _ratio(sample: _Sample, key: _Key) -> float | None:
    stress = sample.get(key) if sample else None
    return stress.ratio if stress and stress.ratio > 0.0 else None


def _next_size(fault: ContinuousFault, bracket: _Bracket, accuracy: float) -> float:
    """Where to look next: where the ratio should reach 1, or the middle.

    The ratio is taken as a power of the size; the guess is moved a little past
    its mark, towards the farther end, so that both ends close in.
    """
    share = 0.5
    if bracket.short_ratio and bracket.short_ratio < 1.0 < bracket.stress.ratio:
        share = math.log(bracket.short_ratio) / math.log(bracket.short_ratio / bracket.stress.ratio)
        width = _log_width(bracket) if fault.logarithmic else 1.0
        nudge = min(0.4 * accuracy / width, 0.2) if width else 0.0
        share = min(max(share + (nudge if share < 0.5 else -nudge), 0.02), 0.98)
    if fault.logarithmic:
        size = abs(bracket.short) * abs(bracket.enough / bracket.short) ** share
        return math.copysign(size, bracket.enough)
    return bracket.short + share * (bracket.enough - bracket.short)


def _log_width(bracket: _Bracket) -> float:
    return abs(math.log(abs(bracket.enough / bracket.short)))


def _is_narrow(fault: ContinuousFault, bracket: _Bracket, accuracy: float) -> bool:
    """Within so much of the size, or near zero within a thousandth of the span."""
    width = abs(bracket.enough - bracket.short)
    span = abs(fault.to_value - fault.from_value)
    size = max(abs(bracket.enough), abs(bracket.short))
    return width <= max(accuracy * size, 0.0 if fault.logarithmic else 1e-3 * span)


def _halved(bracket: _Bracket, size: float, sample: _Sample) -> _Bracket:
    """Narrow a bracket by what its middle did.

    A middle that could not be solved is no evidence of a crossing: the bracket
    moves up to it, and the answer stays a size known to be enough.
    """
    key = (bracket.stress.part, bracket.stress.quantity)
    stress = sample.get(key) if sample else None
    if stress is not None and _crosses(stress):
        return _Bracket(stress, bracket.short, size, bracket.short_ratio)
    return _Bracket(bracket.stress, size, bracket.enough, _ratio(sample, key))


def _points(
    fault: ContinuousFault,
    over: Mapping[_Key, Load],
    brackets: Mapping[_Key, _Bracket],
    scope: Scope,
    solved_all: bool,
) -> Iterator[TippingPoint]:
    """The rows of one fault: one for each part, tubes and transformers first."""
    rows = [(one, None) for one in over.values()]
    found = [(one.stress, one.enough) for one in brackets.values()]
    if not rows and not found:
        driven = any(condition_kind(name) != IDLE for name in scope.conditions)
        nothing: TippingStatus = "never" if driven else "not_at_idle"
        yield _point(fault, scope, None, None, nothing if solved_all else "not_solved")
        return
    named: set[str] = set()
    for stress, size in sorted([*rows, *found], key=lambda row: _earliness(fault, *row)):
        if stress.part not in named:
            named.add(stress.part)
            yield _point(fault, scope, stress, size, "already_over" if size is None else "found")


def _earliness(fault: ContinuousFault, stress: Load, size: float | None) -> tuple[object, ...]:
    distance = -1.0 if size is None else abs(size - fault.from_value)
    return (stress.rank_class, distance, natural_key(stress.part), stress.quantity)


def _point(
    fault: ContinuousFault,
    scope: Scope,
    stress: Load | None,
    size: float | None,
    status: TippingStatus,
) -> TippingPoint:
    return TippingPoint(
        fault.id,
        fault.parts,
        fault.kind,
        stress.part if stress else "",
        stress.quantity if stress else "",
        stress.condition if stress else scope.conditions[0],
        "below" if fault.to_value < fault.from_value else "above",
        size,
        fault.unit,
        status,
        (fault.from_value, fault.to_value),
        scope.conditions,
    )


def joined_searches(
    at_idle: Sequence[TippingPoint], driven: Sequence[TippingPoint]
) -> tuple[TippingPoint, ...]:
    """Return what both searches found, fault by fault in the order of the first.

    Of a part that crosses in both the smaller defect counts.
    """
    of_driven: dict[str, list[TippingPoint]] = {}
    for point in driven:
        of_driven.setdefault(point.fault_id, []).append(point)
    by_fault: dict[str, list[TippingPoint]] = {}
    for point in at_idle:
        by_fault.setdefault(point.fault_id, []).append(point)
    return tuple(
        point
        for fault_id, points in by_fault.items()
        for point in _both(points, of_driven.get(fault_id, []))
    )


def _both(at_idle: Sequence[TippingPoint], driven: Sequence[TippingPoint]) -> list[TippingPoint]:
    """Return what both searches found of one fault; `driven` is empty where there was none."""
    if not driven:
        return list(at_idle)
    best: dict[str, TippingPoint] = {}
    for point in (*driven, *at_idle):
        known = best.get(point.victim)
        if point.is_enough and (known is None or _distance(point) < _distance(known)):
            best[point.victim] = point
    rows = list(best.values()) or [
        next((one for one in (*at_idle, *driven) if one.status == "not_solved"), driven[0])
    ]
    conditions = (*at_idle[0].conditions, *driven[0].conditions)
    return [replace(point, conditions=conditions) for point in rows]


def _distance(point: TippingPoint) -> float:
    return -1.0 if point.value is None else abs(point.value - point.searched[0])
