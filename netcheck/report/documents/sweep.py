"""A sweep as JSON: one fault from nearly healthy to its worst."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from netcheck.circuit.model import natural_key
from netcheck.judge.base import Load
from netcheck.models.facts import condition_order, sorted_tipping
from netcheck.models.sweep import SweepPoint
from netcheck.report.documents.objects import (
    ITSELF,
    From,
    Number,
    Version,
    Written,
    always,
)
from netcheck.report.documents.shared import (
    CircuitObject,
    Parts,
    StressObject,
    TippingPointObject,
    TubeObject,
    tubes_in_order,
)
from netcheck.solve.results import NotSolved, Solved


@dataclass(frozen=True, slots=True)
class _State:
    outcome: Solved
    stresses: tuple[Load, ...]


def _states(point: SweepPoint) -> Mapping[str, _State | NotSolved]:
    found: dict[str, _State | NotSolved] = {}
    for name in condition_order(point.outcomes):
        outcome = point.outcomes[name]
        if isinstance(outcome, Solved):
            found[name] = _State(outcome, point.stresses.get(name, ()))
        else:
            found[name] = outcome
    return found


def _loud(stresses: tuple[Load, ...]) -> list[Load]:
    return sorted(stresses, key=lambda one: (-one.ratio, natural_key(one.part), one.quantity))


def _tips(point: SweepPoint) -> list[str]:
    return [f"{tip.victim} {tip.quantity}" for tip in point.tips]


@dataclass(frozen=True)
class StateObject:
    """One size, solved under one condition."""

    OF: ClassVar[type] = _State

    solved: Annotated[Literal[True], always(True)]
    reason: Annotated[None, always(None)]
    tubes: Annotated[dict[str, TubeObject], From(lambda state: tubes_in_order(state.outcome))]
    stresses: Annotated[
        list[StressObject],
        From(lambda state: _loud(state.stresses)),
        Field(description="The highest ratio first."),
    ]


@dataclass(frozen=True)
class NoStateObject:
    """One size that was not solved under one condition, and why."""

    OF: ClassVar[type] = NotSolved

    solved: Annotated[Literal[False], always(False)]
    reason: Annotated[str, Field(min_length=1)]
    tubes: Annotated[dict[str, TubeObject], Field(max_length=0), always({})]
    stresses: Annotated[list[StressObject], Field(max_length=0), always(())]


@dataclass(frozen=True)
class PointObject:
    """One size of the defect."""

    size: Number
    tips: Annotated[
        list[Annotated[str, Field(pattern="^\\S+ \\S+$")]],
        From(_tips),
        Field(description="Victim and quantity of each tipping point at this size."),
    ]
    conditions: Annotated[
        dict[str, StateObject | NoStateObject],
        From(_states),
        Field(min_length=1, description="By the names in the sweep's own conditions."),
    ]


@dataclass(frozen=True)
class SweepObject:
    """One fault from nearly healthy to its worst. SI units with the unit in the key, shares in
    percent as `unit` says, six significant digits; null where a number does not exist.
    """

    schema_version: Version
    circuit: Annotated[CircuitObject, ITSELF]
    fault_id: Annotated[
        str,
        From("fault.id"),
        Field(pattern="^.+/[^/@]+$", description="Parts and kind, without a size."),
    ]
    parts: Annotated[Parts, From("fault.parts")]
    kind: Annotated[str, From("fault.kind")]
    unit: Annotated[
        Literal["ohm", "A", "%"],
        From("fault.unit"),
        Field(description="Of from, to and every size."),
    ]
    start: Annotated[
        Number,
        From("fault.from_value"),
        Field(alias="from", description="The nearly healthy end."),
    ]
    end: Annotated[
        Number,
        From("fault.to_value"),
        Field(alias="to", description="The worst end searched."),
    ]
    logarithmic: Annotated[
        bool,
        From("fault.logarithmic"),
        Field(description="Whether the sizes are spread by ratio or evenly."),
    ]
    conditions: Annotated[
        list[str],
        Written(condition_order),
        Field(
            min_length=1,
            json_schema_extra={"uniqueItems": True},
            description="Names of conditions: idle, and full, overdrive, ... where the sweep was "
            "driven.",
        ),
    ]
    frequency_hz: Annotated[
        Number, Field(description="Of the test signal; full_100hz is at 100 Hz.")
    ]
    duty: Annotated[
        Number,
        Field(
            description="Share of the time at full signal: of the heat under drive that is "
            "compared with limits. 1 is a continuous sine."
        ),
    ]
    engine: str
    tipping_points: Annotated[
        list[TippingPointObject], From(lambda curve: sorted_tipping(curve.tipping))
    ]
    assumptions: list[str]
    points: Annotated[
        list[PointObject],
        Field(
            description="In the order in which the fault grows; sizes at which something tips are "
            "among them."
        ),
    ]
