"""Checks as JSON, for machines, and as the baseline of a later run."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from netcheck.conditions import Occasion
from netcheck.judge.base import Load
from netcheck.likelihoods import LikelihoodClass
from netcheck.models.checks import (
    OUTCOMES,
    CheckedFile,
    CheckReport,
    Conclusion,
    Family,
    Move,
    Outcome,
)
from netcheck.models.facts import shown_file
from netcheck.report.documents.objects import (
    EMPTY_IS_NULL,
    Figure,
    From,
    Json,
    Text,
    Version,
    Written,
    reader_of,
)
from netcheck.report.words import unit_of
from netcheck.tipping import Direction, TippingStatus


def _unit(load: Load) -> str:
    return unit_of(load.quantity)


def _counts(report: CheckReport) -> dict[str, int]:
    counts = report.counts()
    return {outcome: counts[outcome] for outcome in OUTCOMES}


def _one_by_one(files: Iterable[CheckedFile]) -> Iterator[Json]:
    """Give the netlists as they are unpacked, so that hundreds need no more memory than one."""
    return map(reader_of(FileObject), files)


@dataclass(frozen=True)
class LoadObject:
    """A judged quantity."""

    part: str
    quantity: str
    condition: str
    value: Figure
    limit: Annotated[Figure, Field(description="The published figure.")]
    unit: Annotated[str, From(_unit)]
    ratio: Annotated[Figure, Field(description="To the limit as compared.")]
    healthy_ratio: Figure


@dataclass(frozen=True)
class TipObject:
    """Where a growing defect tips a part over."""

    victim: str
    quantity: str
    direction: Direction
    value: Figure
    unit: str
    status: TippingStatus


@dataclass(frozen=True)
class PlaceObject:
    """A stretch of a netlist; the end is exclusive."""

    file: Annotated[str, Written(shown_file)]
    line: Annotated[int, Field(ge=1)]
    column: Annotated[int, Field(ge=1)]
    end_line: Annotated[int, Field(ge=1)]
    end_column: Annotated[int, Field(ge=1)]


@dataclass(frozen=True)
class RowObject:
    """One thing that was checked."""

    id: Annotated[
        str,
        Field(pattern="^[a-z]+", description="Stable over runs; unique within a netlist."),
    ]
    family: Family
    outcome: Outcome
    subject: str
    parts: list[str]
    kind: Text
    verdict: Text
    likelihood: Annotated[LikelihoodClass | None, EMPTY_IS_NULL]
    made_by: Annotated[
        Occasion | None,
        EMPTY_IS_NULL,
        Field(description="Of a fault at or over a limit, the least that brings that about."),
    ]
    message: str
    hint: Text
    rule: Annotated[str, Field(description="What decided, by its name in the policy.")]
    because: str
    load: LoadObject | None
    tipping_point: Annotated[TipObject | None, From("tip")]
    place: Annotated[PlaceObject | None, From("span")]
    change: Annotated[Move | None, EMPTY_IS_NULL]
    before: Text


@dataclass(frozen=True)
class FileObject:
    """All rows of one netlist."""

    file: Annotated[
        str, Field(description="Relative to where the run stood, never an absolute path.")
    ]
    title: str
    engine: str
    conditions: Annotated[
        list[str], Field(description="Empty for a netlist that could not be audited.")
    ]
    rows: list[RowObject]


@dataclass(frozen=True)
class GateObject:
    """Checks of netlists against a policy. SI units, six significant digits; null where there is
    nothing.
    """

    schema_version: Version
    command: Literal["gate", "audit"]
    tool_version: str
    policy: Annotated[
        str, Field(description="Name of the file the policy came from, without its folder.")
    ]
    baseline: Text
    verdict: Annotated[Conclusion, Field(description="Exit code 0, 1 and 2.")]
    interrupted: bool
    counts: Annotated[
        dict[Outcome, Annotated[int, Field(ge=0)]],
        From(_counts),
        Field(description="Number of rows by outcome."),
    ]
    files: Annotated[list[FileObject], Written(_one_by_one)]
    rows: Annotated[list[RowObject], Field(description="What concerns no single netlist.")]
