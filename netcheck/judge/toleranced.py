"""Limits under tolerance: what is found, and which comparison each rating system asks for.

Goes out: `Toleranced`, frozen, for reports.  IEC 60134 and EIA RS-239-A (as quoted
in the tube trade) name three systems.  A design-center limit has the tolerance in
it and is compared with the nominal circuit.  A design-maximum limit is compared
with the toleranced circuit: mains and parts at the worse end, a bogey tube.  An
absolute-maximum limit is compared with the worst case, a limit tube included.  A
limit without a stated system is taken as design-center.  Each is compared as
published; the step of 1.1 a system, which stands in where only the nominal circuit
was solved, is not taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from netcheck.conditions import IDLE
from netcheck.judge.base import Load, PartLimit, RatingSystem
from netcheck.judge.statistics import Share

VariableKind = Literal["mains", "value", "wire", "emission", "screen"]
Case = Literal["nominal", "toleranced", "worst_case"]
_Key = tuple[str, str, str, float]
"""Condition, part, quantity and limit."""

CASE_OF: Mapping[RatingSystem, Case] = {
    "design_center": "nominal",
    "not_stated": "nominal",
    "design_maximum": "toleranced",
    "absolute_maximum": "worst_case",
}

COMPARISON: Mapping[RatingSystem, str] = {
    "design_center": "nominal circuit against the design-center limit",
    "not_stated": "nominal circuit against the limit as printed, system not stated",
    "design_maximum": "toleranced circuit (mains and parts at the worse end, bogey tubes)"
    " against the design-maximum limit",
    "absolute_maximum": "worst case (mains, parts and tubes at the worse end) against the"
    " absolute-maximum limit",
}


@dataclass(frozen=True, slots=True)
class Variable:
    """One thing that spreads from unit to unit.

    low and high: its ends as factors on nominal; sigma: of a normal distribution
    cut off at the ends, 0 for an even one between them.  is_tube: spread of a tube,
    which a bogey tube has not.
    """

    name: str
    kind: VariableKind
    parts: tuple[str, ...]
    low: float
    high: float
    sigma: float
    source: str

    @property
    def is_tube(self) -> bool:
        """Say whether a bogey tube is free of it."""
        return self.kind in ("emission", "screen")


@dataclass(frozen=True, slots=True)
class Influence:
    """What one variable does to one judged quantity.

    low_ratio and high_ratio: ratio to the limit with this variable alone at its low
    and its high end.  variance_share: of the drawn units.
    """

    variable: str
    low_ratio: float
    high_ratio: float
    variance_share: float


@dataclass(frozen=True, slots=True)
class LimitSpread:
    """One limit over the drawn units and in the corners, at idle.

    limit: as published.  nominal, toleranced, worst_case: the quantity in each case;
    None where that corner was not solved.  judged: the ratio to the limit of the
    case that its rating system asks for.  draws: mean, 5th and 95th percentile.
    drawn_worse: a draw exceeded the corner that sensitivities led to and stands for it.
    corner: by variable the factor at which it makes the quantity largest; those that do
    not matter are left out.
    """

    part: str
    quantity: str
    limit: float
    rating_system: RatingSystem
    case: Case
    comparison: str
    nominal: float
    toleranced: float | None
    worst_case: float | None
    judged: float | None
    mean: float
    low: float
    high: float
    exceeding: Share
    influences: tuple[Influence, ...]
    rank_class: int
    drawn_worse: bool = False
    corner: tuple[tuple[str, float], ...] = ()

    def load(self, judged: float) -> Load:
        """Return it as a load at this ratio to the limit as published."""
        return Load(
            self.part,
            self.quantity,
            IDLE,
            judged * self.limit,
            self.limit,
            self.limit,
            self.nominal / self.limit,
            self.rating_system,
            self.comparison,
            self.rank_class,
        )


@dataclass(frozen=True, slots=True)
class DrivenCorner:
    """One plate limit of an output tube under drive, nominal and in its corners.

    input_v: peak of the test signal.  limit: as published.  nominal, toleranced,
    worst_case: watts in each case; None where that was not solved, for the `reasons`.
    judged: the ratio to the limit of the case that its rating system asks for.
    """

    part: str
    quantity: str
    condition: str
    input_v: float
    limit: float
    rating_system: RatingSystem
    case: Case
    comparison: str
    nominal: float | None
    toleranced: float | None
    worst_case: float | None
    judged: float | None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Toleranced:
    """The circuit at idle over mains, parts and tubes; its output plates under drive too.

    mains: the band in words.  reasons: why draws were not solved.  driven: empty where
    nothing was driven.
    """

    draws: int
    seed: int
    mains: str
    variables: tuple[Variable, ...]
    limits: tuple[LimitSpread, ...]
    exceeding_any: Share
    assumptions: tuple[str, ...]
    reasons: tuple[str, ...] = ()
    driven: tuple[DrivenCorner, ...] = ()


def judged_value(
    system: RatingSystem, nominal: float, toleranced: float | None, worst: float | None
) -> float | None:
    """Return the value that a limit of this system is compared with."""
    return {"nominal": nominal, "toleranced": toleranced, "worst_case": worst}[CASE_OF[system]]


def compared_as_published(
    stresses: Iterable[Load],
    spreads: Sequence[LimitSpread],
    driven: Sequence[DrivenCorner] = (),
) -> tuple[Load, ...]:
    """Return the healthy stresses; those that were scaled are compared anew.

    That is at idle, and under drive where a corner was driven.  Only limits of the
    design-maximum and absolute-maximum systems were scaled.
    """
    at_idle = {(IDLE, one.part, one.quantity, one.limit): one for one in spreads}
    corners = {(one.condition, one.part, one.quantity, one.limit): one for one in driven}
    every: Mapping[_Key, LimitSpread | DrivenCorner] = {**at_idle, **corners}
    return tuple(_compared(stress, every) for stress in stresses)


def _compared(stress: Load, known: Mapping[_Key, LimitSpread | DrivenCorner]) -> Load:
    found = known.get((stress.condition, stress.part, stress.quantity, stress.limit))
    if found is None or found.case == "nominal" or found.judged is None:
        return stress
    return replace(
        stress,
        value=found.judged * found.limit,
        compared_limit=found.limit,
        healthy_ratio=found.judged,
        comparison=found.comparison,
    )


def idle_limits(limits: Iterable[PartLimit]) -> tuple[PartLimit, ...]:
    """Return the limits that hold at idle."""
    return tuple(limit for limit in limits if limit.applies_in(IDLE))
