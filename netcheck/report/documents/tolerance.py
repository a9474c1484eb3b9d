"""The healthy circuit over mains, parts and tubes, as JSON."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from netcheck.judge.statistics import CONFIDENCE, Share
from netcheck.judge.toleranced import Case, LimitSpread, Toleranced, VariableKind
from netcheck.models.facts import sorted_spreads
from netcheck.report.documents.effects import Count
from netcheck.report.documents.objects import Figure, From, Number, Written, always, number

Bound = Annotated[Number, Field(ge=0, le=1)]


def _share(share: Share) -> float | None:
    return share.value if share.solved else None


def _corner(spread: LimitSpread) -> dict[str, float]:
    return dict(spread.corner)


def _limits(found: Toleranced) -> list[LimitSpread]:
    return sorted_spreads(found.limits)


@dataclass(frozen=True)
class UnitShareObject:
    """Drawn units that exceed, with the interval for all units that will be built."""

    units: Annotated[Count, From("exceeding")]
    of: Annotated[Count, From("solved")]
    not_solved: Count
    share: Annotated[Figure, From(_share)]
    low: Bound
    high: Bound


@dataclass(frozen=True)
class InfluenceObject:
    """What one variable does to a quantity."""

    variable: str
    variance_share: Figure
    ratio_at_low_end: Annotated[Figure, From("low_ratio")]
    ratio_at_high_end: Annotated[Figure, From("high_ratio")]


@dataclass(frozen=True)
class LimitSpreadObject:
    """One limit as published; values in SI units of the quantity. toleranced: mains and parts at
    the worse ends, bogey tubes; worst_case: tubes too.
    """

    part: str
    quantity: str
    limit: Figure
    rating_system: str
    case: Case
    comparison: str
    judged_ratio: Annotated[Figure, From("judged")]
    nominal: Figure
    toleranced: Figure
    worst_case: Figure
    worst_case_drawn: Annotated[bool, From("drawn_worse")]
    mean: Figure
    percentile_5: Annotated[Figure, From("low")]
    percentile_95: Annotated[Figure, From("high")]
    units_over: Annotated[UnitShareObject, From("exceeding")]
    influences: list[InfluenceObject]
    worst_corner: Annotated[
        dict[str, Figure],
        From(_corner),
        Field(
            description="By variable the factor on nominal at which it makes the quantity "
            "largest; the others do not matter."
        ),
    ]


@dataclass(frozen=True)
class DrivenCornerObject:
    """One plate under drive, every variable at the end that heats it at idle."""

    part: str
    quantity: str
    condition: str
    input_v: Annotated[Figure, Field(description="Peak, as in the nominal circuit.")]
    limit: Annotated[Figure, Field(description="As published.")]
    rating_system: str
    case: Case
    comparison: str
    judged_ratio: Annotated[
        Figure,
        From("judged"),
        Field(
            description="The case that the rating system asks for, over the limit; null where "
            "that was not solved."
        ),
    ]
    nominal: Figure
    toleranced: Figure
    worst_case: Figure
    not_solved_reasons: Annotated[list[str], From("reasons")]


@dataclass(frozen=True)
class VariableObject:
    """low and high: factors on nominal; sigma null: even between them."""

    name: str
    kind: VariableKind
    parts: list[str]
    low: Figure
    high: Figure
    sigma: Annotated[float | None, Written(lambda sigma: number(sigma) or None)]
    source: str


@dataclass(frozen=True)
class ToleranceObject:
    """The healthy circuit at idle over mains, parts and tubes, and its output plates under
    drive.
    """

    draws: Count
    seed: Count
    mains: str
    interval: Annotated[str, always(f"Clopper-Pearson, {CONFIDENCE:.0%}")]
    units_over_any_limit: Annotated[UnitShareObject, From("exceeding_any")]
    limits: Annotated[list[LimitSpreadObject], From(_limits)]
    variables: list[VariableObject]
    assumptions: list[str]
    not_solved_reasons: Annotated[list[str], From("reasons")]
    driven: Annotated[
        list[DrivenCornerObject],
        Field(
            description="Plates of output tubes under drive, every variable at the end that heats "
            "the plate at idle; empty where nothing was driven."
        ),
    ]
