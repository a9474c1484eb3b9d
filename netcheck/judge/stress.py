"""Comparing a solved state with the limits.

Comes in: the table of limits, a solved state, and the healthy states.  Goes out:
one `Load` for each limit that holds in that condition, with the ratio of the
same limit in the healthy circuit beside it.

Hundreds of faults are compared with the same limits and the same healthy state:
what those two say alone is worked out once and kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import NamedTuple

from netcheck.circuit.model import Circuit
from netcheck.judge.base import LimitTable, Load, PartLimit
from netcheck.judge.bodies import Bodies, Energy, Same, Spot
from netcheck.judge.measure import measure
from netcheck.quantities import rank_class_of
from netcheck.solve.results import Solved

REMEMBERED_STATES = 16
"""More than the conditions of one audit."""


class _Mark(NamedTuple):
    """One limit that is compared in a condition, with its ratio in health."""

    limit: PartLimit
    rank_class: int
    healthy_ratio: float


def judge_state(
    circuit: Circuit,
    table: LimitTable,
    solved: Solved,
    healthy: Mapping[str, Solved],
    least: float = 0.0,
) -> tuple[Load, ...]:
    """Return every judged quantity of `solved`, in the order of the table.

    least: ratios below it are left out.

    circuit is the healthy circuit.  Where it was not solved in this condition
    the healthy ratio is the ratio itself: nothing can be charged to a fault
    without knowing health.  The healthy circuit is judged against itself.
    """
    reference = healthy.get(solved.condition)
    if reference is None:
        marks = tuple(_marks(circuit, table, solved, solved.condition))
    else:
        known = (Same(circuit), Same(table), Same(reference))
        marks = _kept_marks(*known, solved.condition)
    return tuple(_stresses(marks, solved, least))


def judge_faulted(
    bodies: Bodies,
    table: LimitTable,
    solved: Solved,
    healthy: Mapping[str, Solved],
    least: float = 0.0,
) -> tuple[Load, ...]:
    """Return every judged quantity of a faulted state, and what is over a floor.

    bodies: of the healthy circuit under the fault; see `bodies.py` for floors.  least:
    ratios below it are left out.
    """
    limited = judge_state(bodies.circuit, table, solved, healthy, least)
    return (*limited, *bodies.floor_loads(solved, healthy.get(solved.condition)))


def energy_of(bodies: Bodies, table: LimitTable, solved: Solved, healthy: Solved) -> Energy:
    """Return where the power of a faulted state goes, against the healthy state."""
    return bodies.energy(solved, _kept_watts(Same(bodies.circuit), Same(table), Same(healthy)))


@lru_cache(maxsize=REMEMBERED_STATES)
def _kept_watts(
    circuit: Same[Circuit], table: Same[LimitTable], state: Same[Solved]
) -> Mapping[Spot, float]:
    return Bodies(circuit.value, table.value).watts(state.value)


@lru_cache(maxsize=REMEMBERED_STATES)
def _kept_marks(
    circuit: Same[Circuit],
    table: Same[LimitTable],
    reference: Same[Solved],
    condition: str,
) -> tuple[_Mark, ...]:
    return tuple(_marks(circuit.value, table.value, reference.value, condition))


def _marks(
    circuit: Circuit, table: LimitTable, reference: Solved, condition: str
) -> Iterator[_Mark]:
    for limit in table.limits:
        if limit.applies_in(condition):
            rank_class = rank_class_of(circuit[limit.part].kind, limit.quantity)
            yield _Mark(limit, rank_class, _healthy_ratio(table, limit, reference))


def _stresses(marks: tuple[_Mark, ...], solved: Solved, least: float) -> Iterator[Load]:
    for limit, rank_class, healthy_ratio in marks:
        value = measure(limit, solved)
        if value is None or value < least * limit.compared_limit:
            continue
        yield Load(
            limit.part,
            limit.quantity,
            solved.condition,
            value,
            limit.limit,
            limit.compared_limit,
            healthy_ratio,
            limit.rating_system,
            limit.comparison,
            rank_class,
            limit.source,
        )


def _healthy_ratio(table: LimitTable, limit: PartLimit, reference: Solved) -> float:
    """Ratio of the same quantity in health, to the limit that holds for the healthy part.

    A tube that a fault cuts off meets its rating at zero current, which the
    conducting healthy tube does not; its healthy volts are then compared with
    the rating that held for it.  A tube of another type stands where a right one
    stood, and health is that one's share of its own limit; of a quantity that the
    right one has no limit for, health has used nothing.
    """
    health = table.limits if table.in_health is None else table.in_health
    value = measure(limit, reference) if table.in_health is None or limit in health else None
    if value is not None:
        return value / limit.compared_limit
    for other in health:
        same = (other.part, other.quantity) == (limit.part, limit.quantity)
        if same and other.applies_in(reference.condition):
            value = measure(other, reference)
            if value is not None:
                return value / other.compared_limit
    return 0.0
