"""Objects that several documents hold."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from pydantic import Field
from typing_extensions import TypeAliasType

from netcheck.circuit.model import natural_key
from netcheck.judge import base
from netcheck.models.facts import condition_order, shown_file, title_of
from netcheck.ratings.systems import RatingSystem
from netcheck.report.documents.objects import Figure, From, Written
from netcheck.solve.results import Solved, TubeState
from netcheck.tipping import Direction, TippingStatus, times_what_passes

Held = TypeVar("Held")
Verdict = TypeAliasType("Verdict", base.Verdict)
FaultId = Annotated[str, Field(pattern="^.+/[^/@]+(@.+)?$")]
Parts = Annotated[list[str], Field(min_length=1)]
Value = Annotated[
    Figure, Field(description="Ohm, farad, henry, or the DC volts or amperes of a source.")
]


def of_span(name: str) -> From:
    """Return the source of what a finding says of its place; None where it has none."""
    return From(lambda finding: getattr(finding.span, name, None))


def of_file() -> From:
    """Return the source of the file that a finding is about."""
    return From(lambda finding: shown_file(finding.span.file) if finding.span else None)


def in_order(found: Mapping[str, Held]) -> dict[str, Held]:
    """Return what is held by condition in the order in which conditions are listed."""
    return {name: found[name] for name in condition_order(found)}


def tubes_in_order(solved: Solved) -> Mapping[str, TubeState]:
    """Return the states of the tubes in natural order."""
    return {ref: solved.tubes[ref] for ref in sorted(solved.tubes, key=natural_key)}


def _title(whole: Any) -> str:
    return title_of(whole.circuit)


@dataclass(frozen=True)
class CircuitObject:
    """file: name as the user gave it, never an absolute path."""

    file: Annotated[str, Written(shown_file)]
    title: Annotated[str, From(_title)]


@dataclass(frozen=True)
class StressObject:
    """One judged quantity of one part under one condition. limit is the published one; ratio is to
    the limit compared with, which comparison names.
    """

    part: str
    quantity: str
    condition: str
    value: Figure
    limit: Figure
    ratio: Figure
    healthy_ratio: Figure
    rating_system: RatingSystem
    comparison: str


@dataclass(frozen=True)
class IdleTubeObject:
    """Screen values are null for a triode."""

    plate_v: Figure
    screen_v: Figure
    grid_v: Figure
    cathode_v: Figure
    plate_current_a: Figure
    screen_current_a: Figure
    grid_current_a: Figure
    plate_dissipation_w: Figure
    screen_dissipation_w: Figure


@dataclass(frozen=True)
class TubeObject(IdleTubeObject):
    """Screen values are null for a triode."""

    cathode_current_a: Figure
    plate_peak_v: Figure
    cathode_peak_current_a: Figure


@dataclass(frozen=True)
class TippingPointObject:
    """How small a defect is enough for one victim."""

    fault_id: str
    parts: list[str]
    kind: str
    victim: str
    quantity: str
    condition: str
    direction: Direction
    value: Figure
    unit: str
    status: TippingStatus
    times_what_passes: Annotated[
        Figure,
        From(times_what_passes),
        Field(
            description="The sufficient defect over the largest that an inspection passes; null "
            "where none is enough."
        ),
    ]
    searched: Annotated[
        list[Figure],
        Field(min_length=2, max_length=2, description="From the nearly healthy end to the worst."),
    ]
    conditions: Annotated[
        list[str],
        Field(
            min_length=1,
            description="Under which it was searched. Of a fault without a sufficient size the "
            "status is `never` only where a driven one is among them, else `not_at_idle`.",
        ),
    ]
