"""A comparison as JSON: two netlists, before and after a change."""

from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter
from typing import Annotated

from pydantic import Field

from netcheck.circuit.model import Part
from netcheck.judge.base import Load
from netcheck.models.comparison import Comparison, FaultMove, over_limit
from netcheck.models.facts import healthy_verdict, shown_file, shown_title, type_name
from netcheck.rank import FaultResult
from netcheck.report.documents.objects import From, Version, Written
from netcheck.report.documents.shared import (
    FaultId,
    StressObject,
    TippingPointObject,
    Value,
    Verdict,
)

Better = Annotated[
    bool | None,
    Field(
        description="Whether the change made it better; null where nothing moved that says "
        "anything."
    ),
]


@dataclass(frozen=True, slots=True)
class _Placed:
    """A result and its place in the ranking of its side."""

    result: FaultResult
    place: int

    @property
    def worst(self) -> Load | None:
        return self.result.victims[0] if self.result.victims else None


def _renamed(comparison: Comparison) -> dict[str, str]:
    return {after: old for after, old in comparison.before_name.items() if after != old}


def _tube_type(part: Part) -> str | None:
    return (type_name(part) or None) if part.kind == "tube" else None


def _placed(side: str) -> Callable[[FaultMove], _Placed | None]:
    values = attrgetter(side, f"{side}_place")

    def place(move: FaultMove) -> _Placed | None:
        result, at = values(move)
        return _Placed(result, at) if result else None

    return place


@dataclass(frozen=True)
class SideObject:
    """One of the two netlists."""

    file: Annotated[str, Written(shown_file)]
    title: Annotated[str, From(shown_title)]
    healthy_verdict: Annotated[Verdict, From(healthy_verdict)]
    faults: Annotated[int, Written(len), Field(ge=0, description="Number of faults tried.")]
    over_limit: Annotated[
        int,
        From(over_limit),
        Field(ge=0, description="Number of faults that put a part over a limit."),
    ]
    engine: str


@dataclass(frozen=True)
class ComparedPartObject:
    """A part as one of the netlists has it."""

    ref: str
    kind: str
    value: Value
    type: Annotated[str | None, From(_tube_type), Field(description="Type of a tube.")]
    nets: list[str]


@dataclass(frozen=True)
class PartChangeObject:
    """A part that changed; null where a netlist has no such part."""

    what: Annotated[
        str,
        Field(
            pattern="^(added|removed|(renamed|type|value|note)(, (type|value|note))*)$",
            description="added, removed, or what differs: renamed, type, value, note.",
        ),
    ]
    before: ComparedPartObject | None
    after: ComparedPartObject | None


@dataclass(frozen=True)
class ComparedLoadObject:
    """The highest healthy ratio of one quantity."""

    part: str
    quantity: str
    before: StressObject | None
    after: StressObject | None


@dataclass(frozen=True)
class TippingMoveObject:
    """The first tipping point of one fault on both sides."""

    fault_id: str
    better: Better
    before: TippingPointObject | None
    after: TippingPointObject | None


@dataclass(frozen=True)
class RankedFaultObject:
    """A fault as one of the netlists has it."""

    id: Annotated[FaultId, From("result.fault.id")]
    place: Annotated[int, Field(ge=1, description="In the ranking of its side.")]
    verdict: Annotated[Verdict, From("result.verdict")]
    worst: Annotated[
        StressObject | None,
        Field(
            description="The worst that the fault is charged with; null where it is charged with "
            "nothing."
        ),
    ]


@dataclass(frozen=True)
class FaultMoveObject:
    """One fault on both sides."""

    fault_id: FaultId
    better: Better
    before: Annotated[RankedFaultObject | None, From(_placed("before"))]
    after: Annotated[RankedFaultObject | None, From(_placed("after"))]


@dataclass(frozen=True)
class CompareObject:
    """Two netlists, before and after a change. SI units with the unit in the key, six significant
    digits; null where a number does not exist, and for a side that has no such part or fault. Ids
    are those after the change, or those before it of what is gone.
    """

    schema_version: Version
    before: SideObject
    after: SideObject
    renamed: Annotated[
        dict[str, str],
        From(_renamed),
        Field(description="Part after the change to its name before, where the two differ."),
    ]
    parts: Annotated[list[PartChangeObject], Field(description="Parts that changed.")]
    loads: Annotated[
        list[ComparedLoadObject],
        Field(
            description="The highest healthy ratio of each part and quantity, overdrive left out."
        ),
    ]
    tipping_points: Annotated[
        list[TippingMoveObject],
        From("tipping"),
        Field(description="The first tipping point of each fault with a size."),
    ]
    faults: Annotated[
        list[FaultMoveObject],
        Field(
            description="In the order of the ranking after the change, then what only the first "
            "netlist has."
        ),
    ]
