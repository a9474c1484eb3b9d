"""The audit as JSON: everything that was found about one netlist."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from netcheck.circuit.model import Circuit, Part, natural_key
from netcheck.conditions import Occasion
from netcheck.findings import Level
from netcheck.judge.fused import Fused, FuseLoad, fuse_loads, fused, has_fuse
from netcheck.judge.heat import heats_of
from netcheck.judge.seen import Seen, seen_under
from netcheck.likelihoods import LikelihoodClass
from netcheck.models.audit import Audit
from netcheck.models.facts import (
    healthy_verdict,
    meter_readings,
    sorted_findings,
    sorted_tipping,
    type_name,
)
from netcheck.models.view import filters, hidden_faults, shown_faults, shown_tipping
from netcheck.rank import FaultResult, PartWorst, RankBy, occasion, risk
from netcheck.report.documents.effects import (
    Count,
    EnergyObject,
    FaultFuseObject,
    FeedbackObject,
    FuseLoadObject,
    HeatObject,
    PairsObject,
)
from netcheck.report.documents.objects import (
    ITSELF,
    LEFT_OUT,
    Figure,
    From,
    Json,
    Text,
    Version,
    Written,
    always,
    reader_of,
)
from netcheck.report.documents.shared import (
    CircuitObject,
    FaultId,
    Parts,
    StressObject,
    TippingPointObject,
    TubeObject,
    Value,
    Verdict,
    in_order,
    of_file,
    of_span,
    tubes_in_order,
)
from netcheck.report.documents.tolerance import ToleranceObject
from netcheck.roles.base import Role
from netcheck.solve.results import NotSolved, Solved, Unrest


@dataclass(frozen=True, slots=True)
class _Placed:
    """A part and the audit it is in."""

    audit: Audit
    part: Part

    @property
    def roles(self) -> tuple[Role, ...]:
        return self.audit.roles.of_part(self.part.ref)

    @property
    def worst(self) -> PartWorst | None:
        return self.audit.worst_of_part.get(self.part.ref)


@dataclass(frozen=True, slots=True)
class _Tried:
    """A fault that was tried, and the circuit it is a fault of, where that notes fuses."""

    fused: Circuit | None
    result: FaultResult

    @property
    def fuse(self) -> Fused | None:
        found = self.result
        if self.fused is None:
            return None
        return fused(self.fused, found.conditions, found.condition_verdicts, found.victims)


def _natural(names: Iterable[str]) -> list[str]:
    return sorted(names, key=natural_key)


def _worst(worst: PartWorst | None) -> Json | None:
    """Return the fault and, beside it, what it does to the part."""
    if worst is None:
        return None
    return {"fault_id": worst.fault_id, **reader_of(StressObject)(worst.stress)}


def _fuse_loads(audit: Audit) -> Iterator[FuseLoad]:
    for state in in_order(audit.healthy).values():
        if isinstance(state, Solved):
            yield from fuse_loads(audit.circuit, state)


def _tried(audit: Audit) -> list[_Tried]:
    with_fuses = audit.circuit if has_fuse(audit.circuit) else None
    return [_Tried(with_fuses, result) for result in shown_faults(audit)]


@dataclass(frozen=True)
class StageObject:
    """What a stage was recognised as, and by what."""

    id: str
    kind: str
    tubes: list[str]
    connection: str
    bias: str
    evidence: list[str]
    confidence: Figure
    form: Text
    sides: Annotated[
        list[list[str]] | None,
        Written(lambda sides: [list(side) for side in sides] if sides else None),
    ]
    is_output: bool


@dataclass(frozen=True)
class RoleObject:
    """What a part does, for which tube or stage, and by what that was seen."""

    role: Annotated[str, From("name")]
    of: str
    why: str
    confidence: Figure


@dataclass(frozen=True)
class WorstOfPartObject(StressObject):
    """What the worst fault does to the part."""

    fault_id: str


@dataclass(frozen=True)
class PartObject:
    """One part of the circuit."""

    ref: Annotated[str, From("part.ref")]
    kind: Annotated[str, From("part.kind")]
    value: Annotated[Value, From("part.value")]
    roles: list[RoleObject]
    worst: Annotated[
        WorstOfPartObject | None,
        Written(_worst),
        Field(description="The fault that stresses this part most."),
    ]
    type: Annotated[
        str | None,
        From(lambda placed: type_name(placed.part) or None),
        Field(description="Type of a tube."),
    ]
    nets: Annotated[list[str], From("part.nets")]


@dataclass(frozen=True)
class StabilityObject:
    """Whether the circuit stays at the operating point: the poles of the circuit linearised there.
    Only at idle.
    """

    stable: Annotated[bool | None, Field(description="Null where it is not known.")]
    frequency_hz: Annotated[
        Figure,
        Field(
            ge=0,
            description="Of the pole that grows fastest; 0 where it runs to another state, null "
            "where it runs to and fro.",
        ),
    ]
    growth_per_s: Annotated[Figure, Field(description="Its real part.")]
    trusted: Annotated[
        bool,
        Field(
            description="False where a growing pole lies above the audio band or rests on "
            "capacitances that the netlist does not give."
        ),
    ]
    kind: Unrest | None
    reason: Annotated[Text, Field(description="Why it is not known.")]
    is_cycle: Annotated[
        bool,
        Field(
            description="The figures of this condition are means over the cycle the circuit makes "
            "by itself, and not the point that it leaves; frequency_hz is then that of the "
            "cycle, 0 where it came to another rest. Not with --idle-only."
        ),
    ]


@dataclass(frozen=True)
class ConditionObject:
    """One solved state. nets: volts to ground as the meter reads them. tubes: volts to ground,
    cycle means. output_w is at the speaker or another load, primary_output_w at the plate
    windings; null under drive where there is none.
    """

    OF: ClassVar[type] = Solved

    solved: Annotated[Literal[True], always(True)]
    reason: Annotated[None, always(None)]
    input_v: Annotated[Figure, Field(description="Peak; 0 when idle.")]
    output_w: Figure
    primary_output_w: Figure
    nets: Annotated[dict[str, Figure], From(meter_readings)]
    tubes: Annotated[dict[str, TubeObject], From(tubes_in_order)]
    meter_loaded: Annotated[
        list[str],
        From(lambda solved: _natural(solved.readings)),
        Field(description="Nets whose volts include the load of the meter."),
    ]
    frequency_hz: Figure
    distortion: Annotated[Figure, Field(description="Total harmonic distortion as a fraction.")]
    output_peak_v: Annotated[
        Figure,
        Field(
            description="Peak of the fundamental at the output: the speaker, the load, or the last "
            "coupling capacitor; over input_v it is the gain."
        ),
    ]
    settled_share: Figure
    notes: list[str]
    stability: StabilityObject = LEFT_OUT


@dataclass(frozen=True)
class UnsolvedConditionObject:
    """A state that was not solved, and why."""

    OF: ClassVar[type] = NotSolved

    solved: Annotated[Literal[False], always(False)]
    reason: Annotated[str, Field(min_length=1)]
    input_v: Figure
    output_w: Annotated[None, always(None)]
    primary_output_w: Annotated[None, always(None)]
    nets: Annotated[dict[str, Figure], Field(max_length=0), always({})]
    tubes: Annotated[dict[str, TubeObject], Field(max_length=0), always({})]
    meter_loaded: Annotated[list[str], Field(max_length=0), always(())]


Conditions = Annotated[
    dict[str, ConditionObject | UnsolvedConditionObject],
    Field(description="By the name of the condition: idle, cold_start, full, overdrive, ..."),
]


@dataclass(frozen=True)
class WorstDriveObject:
    """The input at which one electrode of the healthy circuit is hottest."""

    part: str
    quantity: str
    input_v: Figure
    value: Figure
    limit: Figure
    ratio: Figure


@dataclass(frozen=True)
class HealthyObject:
    """The circuit without a fault."""

    conditions: Annotated[Conditions, From(lambda audit: in_order(audit.healthy))]
    worst_drive: list[WorstDriveObject]
    verdict: Annotated[Verdict, From(healthy_verdict)]
    stresses: Annotated[list[StressObject], From("healthy_stresses")]


@dataclass(frozen=True)
class DefectObject:
    """The size of a defect."""

    value: Figure
    unit: str


@dataclass(frozen=True)
class LikelihoodObject:
    """How likely a fault is, and who says so."""

    level: Annotated[LikelihoodClass, Field(alias="class")]
    value: Figure
    source: Annotated[str, Field(min_length=1)]


@dataclass(frozen=True)
class FaultObject:
    """One fault that was tried."""

    id: Annotated[FaultId, From("result.fault.id")]
    parts: Annotated[Parts, From("result.fault.parts")]
    kind: Annotated[str, From("result.fault.kind")]
    defect: Annotated[DefectObject | None, From("result.fault.defect")]
    likelihood: Annotated[LikelihoodObject, From("result.fault.likelihood")]
    verdict: Annotated[Verdict, From("result.verdict")]
    worst: Annotated[
        StressObject | None,
        From("result.worst"),
        Field(description="null where nothing is judged."),
    ]
    victims: Annotated[list[StressObject], From("result.victims")]
    conditions: Annotated[Conditions, From(lambda tried: in_order(tried.result.conditions))]
    condition_verdicts: Annotated[
        dict[str, Verdict], From(lambda tried: in_order(tried.result.condition_verdicts))
    ]
    gross: Annotated[
        bool,
        From("result.gross"),
        Field(description="So far over a limit that the order within the class is by likelihood."),
    ]
    risk: Annotated[
        Figure,
        From(lambda tried: risk(tried.result)),
        Field(
            description="Weight of the likelihood times the worst ratio charged, which counts up "
            "to 3."
        ),
    ]
    unjudged: Annotated[
        list[str],
        From(lambda tried: _natural(tried.result.unjudged)),
        Field(description="Parts without a rating that the fault loads much harder."),
    ]
    energy: Annotated[
        dict[str, EnergyObject],
        From(lambda tried: in_order(tried.result.energy)),
        Field(description="Where the power goes, by condition."),
    ]
    summary: Annotated[str, From("result.fault.summary")]
    next_measurement: Annotated[str, From("result.fault.next_measurement")]
    seen: Annotated[
        Seen,
        From(lambda tried: seen_under(tried.result.condition_verdicts)),
        Field(description="Where the fault puts a part at or over a limit."),
    ]
    made_by: Annotated[
        Occasion | None,
        From(lambda tried: occasion(tried.result)),
        Field(
            description="What brings the verdict about, the least that is enough: idle; "
            "use, a signal up to full output or switching on; or a test with a sine at overdrive "
            "alone. null where no part is at its limit."
        ),
    ]
    fuse: Annotated[
        FaultFuseObject | None, Field(description="null where the netlist notes no fuse.")
    ]
    heat: Annotated[list[HeatObject], From(lambda tried: heats_of(tried.result.victims))]


@dataclass(frozen=True, kw_only=True)
class FindingObject:
    """What was found of the netlist or of how it is wired; the place is null where it is of the
    whole.
    """

    rule: str
    part: Text
    line: Annotated[int | None, Field(ge=1), of_span("line")]
    column: Annotated[int | None, Field(ge=1), of_span("column")]
    level: Level
    message: str
    file: Annotated[str | None, of_file()]
    hint: str = LEFT_OUT


@dataclass(frozen=True)
class ViewObject:
    """Order and choice of the entries of faults; verdicts speak of all faults."""

    rank_by: Annotated[RankBy, From("view.rank_by")]
    filters: Annotated[dict[str, str], From(lambda audit: filters(audit.view))]
    hidden_faults: Annotated[Count, From(hidden_faults)]


@dataclass(frozen=True)
class AuditObject:
    """One audited netlist. SI units with the unit in the key, six significant digits; null where a
    number does not exist.
    """

    schema_version: Version
    circuit: Annotated[CircuitObject, ITSELF]
    engine: str
    frequency_hz: Figure
    duty: Annotated[
        Figure,
        Field(
            description="Share of the time at full signal: of the heat under drive that is "
            "compared with limits. 1 is a continuous sine."
        ),
    ]
    meter_ohm: Annotated[
        Figure,
        From(lambda audit: audit.meter_ohm or None),
        Field(description="Load of the meter; null for a meter that does not load."),
    ]
    stages: Annotated[list[StageObject], From("roles.stages_in_order")]
    parts: Annotated[
        list[PartObject], From(lambda audit: [_Placed(audit, part) for part in audit.circuit])
    ]
    healthy: Annotated[HealthyObject, ITSELF]
    faults: Annotated[
        list[FaultObject],
        From(_tried),
        Field(
            description="In the order asked for, one entry for every fault that the filters leave; "
            "see view."
        ),
    ]
    tipping_points: Annotated[
        list[TippingPointObject],
        From(lambda audit: sorted_tipping(shown_tipping(audit))),
        Field(description="The smallest sufficient defect over what an inspection passes first."),
    ]
    findings: Annotated[list[FindingObject], From(lambda audit: sorted_findings(audit.findings))]
    assumptions: list[str]
    unrecognised: Annotated[
        list[str],
        From(lambda audit: _natural(audit.roles.unrecognised)),
        Field(description="Parts without a role."),
    ]
    not_judged: Annotated[
        list[str], Field(description="What has no limit on file, with the reason.")
    ]
    view: Annotated[ViewObject, ITSELF]
    tolerance: Annotated[ToleranceObject | None, Field(description="null where not asked for.")]
    fuses: Annotated[
        list[FuseLoadObject],
        From(_fuse_loads),
        Field(
            description="Every fuse of the healthy circuit under every condition; empty where the "
            "netlist notes none."
        ),
    ]
    feedback: Annotated[
        list[FeedbackObject],
        From("runaways"),
        Field(
            description="Gas and grid emission with the feedback over the tube's own current and "
            "heat, idle; one entry for each output tube."
        ),
    ]
    pairs: Annotated[
        PairsObject | None,
        Field(description="Two faults at once, idle; null where not asked for."),
    ]
