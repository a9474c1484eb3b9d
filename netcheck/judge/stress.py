"""Comparing a solved state with the limits.

Comes in: the table of limits, a solved state, and the healthy states.  Goes out:
one `Stress` for each limit that holds in that condition, with the ratio of the
same limit in the healthy circuit beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from netcheck.circuit.model import Circuit
from netcheck.judge.base import LimitTable, PartLimit, Stress
from netcheck.judge.measure import measure
from netcheck.solve.results import Solved


def judge_state(
    circuit: Circuit, table: LimitTable, solved: Solved, healthy: Mapping[str, Solved]
) -> tuple[Stress, ...]:
    """Return every judged quantity of `solved`, in the order of the table.

    circuit is the healthy circuit.  Where it was not solved in this condition
    the healthy ratio is the ratio itself: nothing can be charged to a fault
    without knowing health.  The healthy circuit is judged against itself.
    """
    reference = healthy.get(solved.condition, solved)
    return tuple(_stresses(circuit, table, solved, reference))


def _stresses(
    circuit: Circuit, table: LimitTable, solved: Solved, reference: Solved
) -> Iterator[Stress]:
    for limit in table.limits:
        if not limit.applies_in(solved.condition):
            continue
        value = measure(limit, solved)
        if value is None:
            continue
        ratio = value / limit.compared_limit
        yield Stress(
            limit.part,
            limit.quantity,
            solved.condition,
            value,
            limit.limit,
            ratio,
            _healthy_ratio(table, limit, reference),
            limit.rating_system,
            limit.comparison,
            0 if circuit[limit.part].kind in ("tube", "inductor") else 1,
        )


def _healthy_ratio(table: LimitTable, limit: PartLimit, reference: Solved) -> float:
    """Ratio of the same limit in health.

    A tube that a fault cuts off meets its rating at zero current, which the
    conducting healthy tube does not; its healthy volts are then compared with
    the rating that held for it.
    """
    value = measure(limit, reference)
    if value is not None:
        return value / limit.compared_limit
    for other in table.limits:
        same = (other.part, other.quantity) == (limit.part, limit.quantity)
        if same and other.applies_in(reference.condition):
            value = measure(other, reference)
            if value is not None:
                return value / other.compared_limit
    return 0.0
