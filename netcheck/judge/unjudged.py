"""Parts without a rating that a fault loads harder.

Comes in: the parts that are not judged, a faulted and the healthy state.  Goes
out: those whose load has grown so much that "within limits" would claim more
than was compared.

For a tube without a type on file any growth beyond the charge margin counts,
since tubes are run near their rating; an ordinary part must carry twice its
healthy load, the margin of the rule in `netcheck.ratings.parts`.  Small loads do
not count: the floors are our choice, well below what any part bears.
"""

from __future__ import annotations

from collections.abc import Mapping

from netcheck.judge.base import CHARGE_MARGIN, LimitTable, NotJudged
from netcheck.judge.bodies import Energy
from netcheck.ratings.parts import POWER_MARGIN
from netcheck.solve.results import Solved

FLOOR: Mapping[str, float] = {"power_w": 0.25, "voltage_v": 25.0, "current_a": 0.02}
"""A quarter watt, 25 V and 20 mA: less is harmless to any part of the kind."""

TUBE_FLOOR_W = 0.1

UNACCOUNTED = "a part without a name"


def loaded_unjudged(table: LimitTable, solved: Solved, healthy: Solved) -> tuple[str, ...]:
    """Return the refs of parts without a rating that carry too much more than in health."""
    return tuple(
        gap.part for gap in table.not_judged if gap.ratable and _has_grown(gap, solved, healthy)
    )


def _has_grown(gap: NotJudged, solved: Solved, healthy: Solved) -> bool:
    if gap.part in solved.tubes and gap.part in healthy.tubes:
        now_w = solved.tubes[gap.part].plate_dissipation_w
        before_w = healthy.tubes[gap.part].plate_dissipation_w
        return now_w > max(before_w * (1.0 + CHARGE_MARGIN), TUBE_FLOOR_W)
    quantity = "current_a" if gap.quantity == "all" else gap.quantity
    now = _load(gap.part, quantity, solved)
    before = _load(gap.part, quantity, healthy)
    return now > max(before * POWER_MARGIN, FLOOR.get(quantity, 0.0))


def _load(part: str, quantity: str, solved: Solved) -> float:
    state = solved.parts.get(part)
    if state is None:
        return 0.0
    return {
        "power_w": abs(state.power_w),
        "voltage_v": abs(state.peak_voltage_v),
        "current_a": abs(state.rms_current_a),
    }.get(quantity, 0.0)


def not_judged_parts(energy: Energy) -> tuple[str, ...]:
    """Return the parts in which a fault makes heat that nothing judges, where that counts."""
    if energy.is_judged:
        return ()
    return tuple(dict.fromkeys(body.part or UNACCOUNTED for body in energy.largest))
