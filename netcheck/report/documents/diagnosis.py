"""A diagnosis as JSON: readings, causes, groups and what to measure next."""

import math
from dataclasses import dataclass
from operator import attrgetter
from typing import Annotated, Literal

from pydantic import Field

from netcheck.models.diagnosis import CauseLine, Diagnosis
from netcheck.models.facts import shown_file
from netcheck.models.sheet import SheetUnit
from netcheck.report.documents.objects import (
    ITSELF,
    Figure,
    From,
    Number,
    Text,
    Version,
    Written,
)

Infinite = Annotated[
    dict[str, Literal[1, -1]],
    Field(
        description="Keys of the same object that are null because they are without bound: 1 "
        "above, -1 below all numbers. Ohms without bound are an open circuit."
    ),
]
Probability = Annotated[Number, Field(ge=0, le=1)]
CauseId = Annotated[
    str,
    Field(
        min_length=1,
        description="Of a fault, without its size; of a pair both, joined by ` & `; `no_fault` or "
        "`none_of_these`.",
    ),
]


def _infinite(*keys: str) -> From:
    """Return the source that says which of these numbers are without bound."""
    values = attrgetter(*keys)

    def found(line: object) -> dict[str, int]:
        named = zip(keys, values(line), strict=True)
        return {key: 1 if value > 0 else -1 for key, value in named if math.isinf(value)}

    return From(found)


@dataclass(frozen=True, slots=True)
class _Ranked:
    rank: int
    cause: CauseLine


def _ranked(diagnosis: Diagnosis) -> list[_Ranked]:
    return [_Ranked(rank, cause) for rank, cause in enumerate(diagnosis.causes, 1)]


@dataclass(frozen=True)
class DiagnosedObject:
    """The circuit on the bench."""

    file: Annotated[
        str,
        Written(shown_file),
        Field(description="Relative to where the run stood, never an absolute path."),
    ]
    title: str


@dataclass(frozen=True)
class ReadingObject:
    """A reading, and what a sound unit would read."""

    text: Annotated[str, Field(description="As it can be typed again.")]
    situation: str
    unit: Annotated[
        SheetUnit | None,
        Field(description="null of a ripple, whose value is 1 for yes and 0 for no."),
    ]
    net_a: Text
    net_b: Text
    part: Text
    value: Annotated[Figure, Field(description="As read.")]
    nominal: Annotated[Figure, Field(description="Of a sound unit, with this meter.")]
    low: Annotated[Figure, Field(description="With high: 90 % of sound units.")]
    high: Figure
    away: Annotated[
        Figure,
        Field(
            description="Standard deviations (tolerance, meter and model together) from nominal "
            "to value."
        ),
    ]
    infinite: Annotated[Infinite, _infinite("value", "nominal", "low", "high", "away")]


@dataclass(frozen=True)
class EvidenceObject:
    """One thing seen, heard or done besides readings."""

    text: Annotated[str, Field(description="As it can be typed again.")]
    words: str


@dataclass(frozen=True)
class ExplainedObject:
    """How one cause explains one reading."""

    expected: Annotated[Figure, Field(description="With the size that fits best.")]
    low: Annotated[Figure, Field(description="With high: 90 % of the units with it.")]
    high: Figure
    away: Annotated[Figure, Field(description="Standard deviations from expected to read.")]
    infinite: Annotated[Infinite, _infinite("expected", "low", "high", "away")]
    likelihood: Annotated[
        Figure,
        Field(
            ge=0,
            le=1,
            description="Of the answer given, for a reading without a figure such as a ripple.",
        ),
    ]


@dataclass(frozen=True)
class CauseObject:
    """One candidate cause."""

    rank: Annotated[int, Field(ge=1)]
    id: Annotated[CauseId, From("cause.id")]
    parts: Annotated[list[str], From("cause.parts")]
    kind: Annotated[Text, From("cause.kind")]
    words: Annotated[str, From("cause.words")]
    probability: Annotated[
        Probability,
        From("cause.probability"),
        Field(description="After readings and evidence."),
    ]
    prior: Annotated[Probability, From("cause.prior"), Field(description="Before them.")]
    group: Annotated[
        int, From("cause.group"), Field(ge=1, description="Number of its ambiguity group.")
    ]
    best_size: Annotated[
        Text,
        From("cause.defect"),
        Field(description="Size of the defect that fits best, with its unit."),
    ]
    smallest_size: Annotated[
        Text,
        From("cause.smallest"),
        Field(description="With largest_size: 90 % of its probability."),
    ]
    largest_size: Annotated[Text, From("cause.largest")]
    explained: Annotated[
        list[ExplainedObject],
        From("cause.explained"),
        Field(
            description="One entry to a reading, in the same order; empty where none was worked "
            "out."
        ),
    ]
    evidence: Annotated[
        list[Probability],
        From("cause.evidence"),
        Field(
            description="How likely each line of evidence is under this cause, in the same order."
        ),
    ]
    overheats: Annotated[list[str], From("cause.overheats")]
    next_step: Annotated[Text, From("cause.next_step")]


@dataclass(frozen=True)
class CauseGroupObject:
    """Causes that no reading so far splits."""

    number: Annotated[int, Field(ge=1)]
    probability: Probability
    causes: Annotated[list[CauseId], Field(min_length=1)]
    splits: Annotated[
        Text,
        Field(description="Id of the measurement that would split them best; null where none can."),
    ]


@dataclass(frozen=True)
class ForetoldObject:
    """What a measurement would read under one cause."""

    cause: CauseId
    value: Annotated[
        Figure, Field(description="null where it was not solved, unless `infinite` names it.")
    ]
    low: Figure
    high: Figure
    infinite: Annotated[Infinite, _infinite("value", "low", "high")]


@dataclass(frozen=True)
class ProbeObject:
    """A measurement that would split the candidates."""

    id: Annotated[str, Field(min_length=1)]
    what: str
    situation: str
    reading: Annotated[str, Field(description="How to type the answer, with `?` for the value.")]
    red: str
    black: str
    unit: SheetUnit
    gain_bit: Annotated[
        Number,
        Field(description="By how much it lowers the entropy of the causes, expected, in bit."),
    ]
    effort: Annotated[Number, Field(description="1 is a reading of ohms with the power off.")]
    foretold: list[ForetoldObject]


@dataclass(frozen=True)
class CautionObject:
    """A caution and who says so."""

    text: str
    source: str


@dataclass(frozen=True)
class DiagnosisObject:
    """What readings of one unit point to. SI values with their unit beside, six significant digits.
    A number that is not finite is null: where `infinite` of the same object names its key it is
    without bound (ohms of an open circuit), else there is no figure.
    """

    schema_version: Version
    circuit: Annotated[DiagnosedObject, ITSELF]
    engine: str
    meter: Annotated[str, Field(description="The meter that was read, in words.")]
    readings: list[ReadingObject]
    evidence: Annotated[
        list[EvidenceObject], Field(description="What was seen, heard or done besides readings.")
    ]
    causes: Annotated[
        list[CauseObject],
        From(_ranked),
        Field(description="Likeliest first; `no_fault` and `none_of_these` are always among them."),
    ]
    groups: list[CauseGroupObject]
    probes: Annotated[
        list[ProbeObject],
        Field(description="What to measure next; what splits most per effort first."),
    ]
    settled: Annotated[
        Text,
        Field(description="Why no more is asked; null while there is a next measurement."),
    ]
    doubtful: Annotated[list[str], Field(description="Readings that look like mistakes.")]
    refused: Annotated[list[str], Field(description="Measurements left out, and why.")]
    unsolved: Annotated[list[str], Field(description="Faults that could not be weighed, and why.")]
    cautions: list[CautionObject]
    assumptions: list[str]
