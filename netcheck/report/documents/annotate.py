"""The annotated circuit as JSON: groups, parts with their roles and idle values, findings."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from netcheck.circuit.model import Part
from netcheck.findings import Finding, Level
from netcheck.models.facts import sorted_findings, type_name
from netcheck.report.annotation import (
    AnnotatedCircuit,
    IdleLoad,
    groups_of,
    load_of,
    neighbors,
)
from netcheck.report.documents.objects import (
    EMPTY_IS_NULL,
    ITSELF,
    LEFT_OUT,
    Figure,
    From,
    Number,
    Text,
    Version,
)
from netcheck.report.documents.shared import CircuitObject, IdleTubeObject, Value, of_file, of_span
from netcheck.roles.base import Role, Stage
from netcheck.solve.results import NotSolved, Solved, TubeState


@dataclass(frozen=True, slots=True)
class _Placed:
    """A part and the circuit it is annotated in."""

    annotated: AnnotatedCircuit
    ref: str

    @property
    def part(self) -> Part:
        return self.annotated.circuit[self.ref]

    @property
    def type(self) -> str:
        return type_name(self.part) if self.part.kind == "tube" else ""

    @property
    def roles(self) -> tuple[Role, ...]:
        return self.annotated.roles.of_part(self.ref)

    @property
    def load(self) -> IdleLoad:
        return load_of(self.annotated, self.ref)

    @property
    def tube(self) -> TubeState | None:
        idle = self.annotated.idle
        return idle.tubes.get(self.ref) if isinstance(idle, Solved) else None

    @property
    def beside(self) -> Iterator[str]:
        return neighbors(self.annotated.circuit, self.annotated.roles, self.ref)


@dataclass(frozen=True, slots=True)
class _Group:
    title: str
    stage: Stage | None
    parts: list[_Placed]


def _groups(annotated: AnnotatedCircuit) -> Iterator[_Group]:
    for group in groups_of(annotated):
        yield _Group(group.title, group.stage, [_Placed(annotated, ref) for ref in group.parts])


def _unknown(annotated: AnnotatedCircuit) -> list[_Placed]:
    return [_Placed(annotated, ref) for ref in annotated.roles.unrecognised]


def _why_not(annotated: AnnotatedCircuit) -> str | None:
    return annotated.idle.reason if isinstance(annotated.idle, NotSolved) else None


def _findings(annotated: AnnotatedCircuit) -> list[Finding]:
    return sorted_findings(annotated.findings)


@dataclass(frozen=True)
class AlternativeObject:
    """A second reading of a stage."""

    kind: str
    form: Text
    confidence: Number
    why: str


@dataclass(frozen=True)
class AnnotatedStageObject:
    """What a stage was recognised as, and by what."""

    id: str
    kind: str
    form: Text
    tubes: list[str]
    connection: str
    bias: str
    confidence: Number
    evidence: list[str]
    alternatives: list[AlternativeObject]


@dataclass(frozen=True)
class AnnotatedRoleObject:
    """What a part does, for which tube or stage, and by what that was seen."""

    role: Annotated[str, From("name")]
    of: str
    why: str
    confidence: Number
    source_net: Text
    feeds: Text


@dataclass(frozen=True)
class IdleLoadObject:
    """What a part carries at idle; null where it is not known or means nothing."""

    voltage_v: Annotated[
        Figure,
        From("volts"),
        Field(description="From the first to the second pin, of a tube from plate to cathode."),
    ]
    current_a: Annotated[Figure, From("ampere")]
    power_w: Annotated[Figure, From("watts")]
    share_of_limit: Annotated[
        Figure, From("share"), Field(description="The highest of its quantities over its limit.")
    ]
    quantity: Text
    assumed_limit: Annotated[
        bool, From("assumed"), Field(description="Whether nobody published that limit.")
    ]


@dataclass(frozen=True, kw_only=True)
class AnnotatedPartObject:
    """A part; of a tube also its volts and currents, where idle was solved."""

    ref: str
    kind: Annotated[str, From("part.kind")]
    type: Annotated[str | None, EMPTY_IS_NULL, Field(description="Type of a tube.")]
    value: Annotated[Value, From("part.value")]
    nets: Annotated[list[str], From("part.nets")]
    roles: list[AnnotatedRoleObject]
    idle: Annotated[IdleLoadObject, From("load")]
    tube: IdleTubeObject = LEFT_OUT


@dataclass(frozen=True, kw_only=True)
class UnknownPartObject(AnnotatedPartObject):
    """A part without a role."""

    beside: Annotated[
        list[str], Field(description="For each of its nets who else is on it, in words.")
    ]


@dataclass(frozen=True)
class GroupObject:
    """Parts that belong together."""

    title: str
    stage: AnnotatedStageObject | None
    parts: list[AnnotatedPartObject]


@dataclass(frozen=True)
class AnnotatedFindingObject:
    """What was found of the netlist; the place is null where it is of the whole."""

    rule: str
    level: Level
    message: str
    hint: Text
    part: Text
    file: Annotated[str | None, of_file()]
    line: Annotated[int | None, of_span("line")]


@dataclass(frozen=True)
class AnnotateObject:
    """What each part does and carries at idle. SI units with the unit in the key, six significant
    digits; null where a number does not exist.
    """

    schema_version: Version
    circuit: Annotated[CircuitObject, ITSELF]
    engine: str
    not_solved: Annotated[
        str | None,
        From(_why_not),
        Field(description="Why idle was not solved; null where it was."),
    ]
    groups: Annotated[
        list[GroupObject], From(_groups), Field(description="In the order of the signal.")
    ]
    unknown: Annotated[list[UnknownPartObject], From(_unknown)]
    findings: Annotated[list[AnnotatedFindingObject], From(_findings)]
