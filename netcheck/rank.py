"""Ranking: fault to its victims, and part to its worst fault.

Comes in: a fault with what was solved of it, and the limits.  Goes out: one
`FaultResult` a fault, in order, and for each part the fault that is worst for it.

Order: groups, each with a heading of its own (`RankGroup`), and in a group the ratio, which
never rises from row to row; of equal ones, as they are shown, the likelier comes first, then
ties go by id.  Groups go by the verdict; then what use brings about before what only a test
beyond use does (a sine at overdrive is a test, music is not); then tubes and transformers
before other parts, because a small resistor at four times its rating is a lesser loss than a
plate at twice its own.  Beyond three times a limit the figure is noise (a real supply sags,
a fuse goes): those faults are `gross`, and their groups go by likelihood.  As many rows leave
as faults came in.

The same results can be put in two other orders (`RankBy`): by likelihood times
severity, and by how small a defect is enough.  The verdict comes first in each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from netcheck.circuit.model import Circuit, natural_key
from netcheck.conditions import OCCASION_WORDS, OVERDRIVE, Occasion, is_in_use, occasion_of
from netcheck.faults.base import Fault
from netcheck.judge.base import GROSS_RATIO, LimitTable, Load, Verdict
from netcheck.judge.bodies import Bodies, Energy
from netcheck.judge.stress import energy_of, judge_faulted
from netcheck.judge.unjudged import loaded_unjudged, not_judged_parts
from netcheck.judge.verdict import (
    GRAVITY,
    HARMLESS,
    condition_verdict,
    fault_verdict,
    stays,
)
from netcheck.likelihoods import LIKELIHOOD_VALUE, LikelihoodClass
from netcheck.solve.results import Outcome, Solved

SHOWN_DECIMALS, ALL_DIGITS_FROM = 2, 10.0
"""Of a ratio, and from where on it is shown without; what differs by less is a tie."""
RAISED = 0.01
"""A stress is raised by a fault from one percent of the limit above health; less
is within the solver's own error."""


RankBy = Literal["severity", "risk", "smallest_defect"]


@dataclass(frozen=True, slots=True)
class View:
    """In which order faults are shown, and which of them; an empty text shows all.

    stage: id of a stage, or one of its tubes.  kind: as in fault ids.
    condition: one under which the fault puts a part at or over a limit.
    """

    rank_by: RankBy = "severity"
    stage: str = ""
    part: str = ""
    kind: str = ""
    condition: str = ""


@dataclass(frozen=True, slots=True)
class FaultResult:
    """One fault, solved under every condition asked for, and judged.

    victims: stresses over or at a limit that the fault is charged with, the
        worst first, one for each part and quantity.
    worst: the first victim; without victims what is over its limit in health already,
        else the raised load that is nearest to its limit; None where nothing could be
        judged.
    gross: its worst ratio is beyond what the order can tell.
    part_stresses: by part its highest stress of all conditions.
    unjudged: parts without a rating that the fault loads much harder.
    loads: every judged quantity, by the condition; none where health was not solved.
    energy: where the power goes, by the condition; none where health was not solved.
    """

    fault: Fault
    conditions: Mapping[str, Outcome]
    verdict: Verdict
    condition_verdicts: Mapping[str, Verdict]
    worst: Load | None
    victims: tuple[Load, ...]
    gross: bool
    part_stresses: Mapping[str, Load] = field(default_factory=dict)
    unjudged: tuple[str, ...] = ()
    loads: Mapping[str, tuple[Load, ...]] = field(default_factory=dict)
    energy: Mapping[str, Energy] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RankGroup:
    """What faults have in common that stand under one heading of the ranking.

    beyond_use: only a test beyond use brings the verdict about.  rank_class: of the worst
    victim, 0 for tubes and transformers, 1 for other parts, None where nothing was judged.
    gross: how likely those beyond `GROSS_RATIO` are; None for the others.
    """

    verdict: Verdict
    beyond_use: bool
    rank_class: int | None
    gross: LikelihoodClass | None

    @property
    def order(self) -> tuple[int, bool, int, float]:
        """Sorts groups, the most serious first."""
        place = 2 if self.rank_class is None else self.rank_class
        likely = LIKELIHOOD_VALUE[self.gross] if self.gross else 0.0
        return (GRAVITY[self.verdict], self.beyond_use, place, -likely)


@dataclass(frozen=True, slots=True)
class PartWorst:
    """The fault that stresses one part most."""

    part: str
    fault_id: str
    stress: Load


def judge_fault(
    fault: Fault,
    conditions: Mapping[str, Outcome],
    circuit: Circuit,
    table: LimitTable,
    healthy: Mapping[str, Solved],
) -> FaultResult:
    """Judge one fault by the limits of the healthy circuit.

    conditions: what was solved of the fault, by condition, `NotSolved` included.
    healthy: the healthy states of the same conditions; a condition in which the
        healthy circuit was not solved is not judged, for want of a comparison.
    """
    loads: dict[str, tuple[Load, ...]] = {}
    verdicts: dict[str, Verdict] = {}
    unjudged: dict[str, None] = {}
    energy: dict[str, Energy] = {}
    bodies = Bodies(circuit, table, fault.changes)
    for name, outcome in conditions.items():
        stresses: tuple[Load, ...] = ()
        hard: tuple[str, ...] = ()
        lasts = True
        if isinstance(outcome, Solved) and name in healthy:
            loads[name] = stresses = judge_faulted(bodies, table, outcome, healthy)
            energy[name] = found = energy_of(bodies, table, outcome, healthy[name])
            hard = (*loaded_unjudged(table, outcome, healthy[name]), *not_judged_parts(found))
            lasts = stays(outcome, healthy[name])
        verdicts[name] = condition_verdict(outcome, stresses, hard, lasts=lasts)
        unjudged.update(dict.fromkeys(hard))
    every = [stress for stresses in loads.values() for stress in stresses]
    victims = _victims(every)
    worst = victims[0] if victims else _nearest(every)
    return FaultResult(
        fault,
        conditions,
        fault_verdict(verdicts),
        verdicts,
        worst,
        victims,
        bool(victims) and victims[0].ratio >= GROSS_RATIO,
        _highest_by_part(every),
        tuple(sorted(unjudged, key=natural_key)),
        loads,
        energy,
    )


def rank_faults(results: Iterable[FaultResult]) -> tuple[FaultResult, ...]:
    """Return the same results, the most serious fault first."""
    return tuple(sorted(results, key=_fault_order))


def reorder(
    results: Iterable[FaultResult],
    by: RankBy,
    smallness: Mapping[tuple[tuple[str, ...], str], float],
) -> tuple[FaultResult, ...]:
    """Return ranked results in another order.

    smallness: by parts and kind, the sufficient defect over what passes.
    """

    def order(result: FaultResult) -> tuple[object, ...]:
        if by == "risk":
            weight = -risk(result)
        else:
            weight = smallness.get((result.fault.parts, result.fault.kind), math.inf)
        return (GRAVITY[result.verdict], weight, _fault_order(result))

    return tuple(results) if by == "severity" else tuple(sorted(results, key=order))


def risk(result: FaultResult) -> float:
    """Return likelihood times severity: its weight times the ratio it is charged with.

    A ratio counts up to `GROSS_RATIO`, beyond which it says nothing more.
    """
    if not result.victims:
        return 0.0
    return result.fault.likelihood.value * min(result.victims[0].ratio, GROSS_RATIO)


def worst_of_parts(results: Iterable[FaultResult]) -> Mapping[str, PartWorst]:
    """Return by part the fault that is worst for it.

    Parts that no fault stresses more than health does are left out.  Beyond
    `GROSS_RATIO` the likelier fault is taken, as in the ranking.
    """
    candidates: dict[str, list[tuple[FaultResult, Load]]] = {}
    for result in results:
        for part, stress in result.part_stresses.items():
            if stress.ratio - stress.healthy_ratio > RAISED:
                candidates.setdefault(part, []).append((result, stress))
    worst = {}
    for part in sorted(candidates, key=natural_key):
        result, stress = min(candidates[part], key=_part_order)
        worst[part] = PartWorst(part, result.fault.id, stress)
    return worst


def _victims(stresses: Iterable[Load]) -> tuple[Load, ...]:
    """The stresses a fault is charged with, the worst condition of each.

    What use brings about goes before what only a test beyond use does.
    """
    worst: dict[tuple[str, str], Load] = {}
    for stress in (one for one in stresses if one.is_charged):
        key = (stress.part, stress.quantity)
        if key not in worst or _gravity(stress) < _gravity(worst[key]):
            worst[key] = stress
    return tuple(sorted(worst.values(), key=_stress_order))


def _gravity(stress: Load) -> tuple[int, bool, float]:
    return (GRAVITY[stress.level], not is_in_use(stress.condition), -as_shown(stress.ratio))


def as_shown(ratio: float) -> float:
    """Return a finite ratio rounded as it is shown, so that noise breaks no tie."""
    return round(ratio, SHOWN_DECIMALS if abs(ratio) < ALL_DIGITS_FROM else 0)


def _stress_order(stress: Load) -> tuple[object, ...]:
    """Over before at the limit, in use, tubes and transformers before parts, then ratio."""
    level, beyond, ratio = _gravity(stress)
    return (
        level,
        beyond,
        stress.rank_class,
        ratio,
        natural_key(stress.part),
        stress.quantity,
        stress.condition,
    )


def _nearest(stresses: Sequence[Load]) -> Load | None:
    """The load that is over its limit all the same, or the raised one nearest to it.

    Of equals it is the first of the table.
    """
    over = [one for one in stresses if one.level == "over_limit" and is_in_use(one.condition)]
    raised = [one for one in stresses if one.ratio - one.healthy_ratio > RAISED]
    return max(over or raised or stresses, key=lambda one: one.ratio, default=None)


def _highest_by_part(stresses: Iterable[Load]) -> Mapping[str, Load]:
    """By part its gravest stress; what the fault adds goes before what health has."""
    highest: dict[str, tuple[tuple[bool, bool, float], Load]] = {}
    for stress in stresses:
        order = _own_order(stress)
        held = highest.get(stress.part)
        if held is None or order < held[0]:
            highest[stress.part] = (order, stress)
    return {part: stress for part, (_, stress) in highest.items()}


def _own_order(stress: Load) -> tuple[bool, bool, float]:
    raised = stress.ratio - stress.healthy_ratio > RAISED
    return (not stress.is_charged, not raised, -stress.ratio)


def _weight(gross: bool, likelihood: float, ratio: float) -> tuple[bool, float]:
    """Order within a class: gross ones first, by likelihood; the others by ratio."""
    return (not gross, -likelihood if gross else -ratio)


def group_of(result: FaultResult) -> RankGroup:
    """Return the group of the ranking that a result stands in."""
    worst = result.worst
    return RankGroup(
        result.verdict,
        occasion(result) == OVERDRIVE,
        None if worst is None or result.verdict in HARMLESS else worst.rank_class,
        result.fault.likelihood.level if result.gross else None,
    )


def occasion(result: FaultResult) -> Occasion | None:
    """Return the least that brings the verdict about; None where no part is at its limit."""
    if result.verdict not in ("over_limit", "at_limit"):
        return None
    found = {
        occasion_of(name)
        for name, verdict in result.condition_verdicts.items()
        if verdict == result.verdict
    }
    return next((each for each in OCCASION_WORDS if each in found), None)


def _fault_order(result: FaultResult) -> tuple[object, ...]:
    ratio = result.worst.ratio if result.worst else 0.0
    return (
        group_of(result).order,
        -as_shown(ratio) if math.isfinite(ratio) else 0.0,
        -result.fault.likelihood.value,
        result.fault.id,
    )


def _part_order(candidate: tuple[FaultResult, Load]) -> tuple[object, ...]:
    result, stress = candidate
    gross = stress.ratio >= GROSS_RATIO
    weight = _weight(gross, result.fault.likelihood.value, stress.ratio)
    return (not stress.is_charged, weight, result.fault.id)
