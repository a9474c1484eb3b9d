"""What a change of the circuit does: two audits side by side.

Comes in: the audit before and the audit after.  Goes out: a `Comparison`: which parts
correspond, which changed, and how loads, tipping points and faults moved.

Parts correspond by ref where kind and job agree; what is left by its job (the grid leak
of the same tube), if only one part on each side has it.  Tubes that were renamed
correspond by their place in a stage of the same kind.  A fault corresponds to the one
of the same kind and size on corresponding parts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from netcheck.circuit.model import Part, natural_key
from netcheck.conditions import is_in_use
from netcheck.judge.base import GROSS_RATIO, Load, Verdict
from netcheck.judge.verdict import GRAVITY
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.rank import FaultResult
from netcheck.tipping import TippingPoint, times_what_passes

MOVED = 0.01
"""A ratio that moves by less is within the solver's own error."""
CHARGED = 0.05
"""A fault's ratio that moves by less than the width of `at_limit` is no news, nor is what
it does beyond `GROSS_RATIO`."""
TIPPED = 0.03
"""A tipping point is narrowed to 1 %; less than three times that is no news."""


@dataclass(frozen=True, slots=True)
class PartChange:
    """A part that changed: before, after, or None where only one netlist has it."""

    before: Part | None
    after: Part | None
    what: str


@dataclass(frozen=True, slots=True)
class ComparedLoad:
    """The highest healthy ratio of one quantity, by the part's name after the change."""

    part: str
    quantity: str
    before: Load | None
    after: Load | None

    @property
    def moved(self) -> float:
        """How much the ratio rose."""
        return (self.after.ratio if self.after else 0.0) - (
            self.before.ratio if self.before else 0.0
        )


@dataclass(frozen=True, slots=True)
class TippingMove:
    """The first tipping point of one fault on both sides, by its id after the change.

    better: a larger defect is needed after the change; None where nothing moved.
    """

    fault_id: str
    before: TippingPoint | None
    after: TippingPoint | None
    better: bool | None


@dataclass(frozen=True, slots=True)
class FaultMove:
    """One fault on both sides with its place in the ranking.

    better: None where nothing moved that says anything.
    """

    fault_id: str
    before: FaultResult | None
    after: FaultResult | None
    before_place: int
    after_place: int
    better: bool | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two audits and how they correspond.

    before_name: part after the change to its name before.
    """

    before: Audit
    after: Audit
    before_name: Mapping[str, str]
    parts: tuple[PartChange, ...]
    loads: tuple[ComparedLoad, ...]
    tipping: tuple[TippingMove, ...]
    faults: tuple[FaultMove, ...]


def compare(before: Audit, after: Audit) -> Comparison:
    """Return what changed from one audit to the other."""
    names = _corresponding(before, after)
    return Comparison(
        before,
        after,
        names,
        tuple(_parts(before, after, names)),
        tuple(_loads(before, after, names)),
        tuple(_tipping(before, after, names)),
        tuple(_faults(before, after, names)),
    )


def over_limit(audit: Audit) -> int:
    """Return how many faults put a part over its limit."""
    return sum(result.verdict == "over_limit" for result in audit.faults)


def _corresponding(before: Audit, after: Audit) -> dict[str, str]:
    """Return part after to part before."""
    names: dict[str, str] = {}
    for ref, part in after.circuit.parts.items():
        other = before.circuit.parts.get(ref)
        if other is not None and other.kind == part.kind and part.kind == "tube":
            names[ref] = ref
    names |= _tubes_by_place(before, after, names)
    owners = names | _stages_by_tubes(before, after, names)
    for ref, part in after.circuit.parts.items():
        other = before.circuit.parts.get(ref)
        if other is None or other.kind != part.kind or part.kind == "tube":
            continue
        own, former = _jobs(after, ref, owners), _jobs(before, ref, {})
        if own & former or not (own or former):
            names[ref] = ref
    return names | _by_job(before, after, names, owners)


def _tubes_by_place(before: Audit, after: Audit, known: Mapping[str, str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for mine, theirs in zip(_places(after), _places(before), strict=False):
        if mine[0] == theirs[0] and len(mine[1]) == len(theirs[1]):
            new = [ref for ref in mine[1] if ref not in known]
            gone = [ref for ref in theirs[1] if ref not in known.values()]
            found |= dict(zip(new, gone, strict=False))
    return found


def _stages_by_tubes(before: Audit, after: Audit, names: Mapping[str, str]) -> dict[str, str]:
    """Return stage after to stage before, where both have corresponding tubes."""
    former = {frozenset(stage.tubes): stage.id for stage in before.roles.stages}
    found: dict[str, str] = {}
    for stage in after.roles.stages:
        tubes = frozenset(names.get(tube, tube) for tube in stage.tubes)
        if tubes in former:
            found[stage.id] = former[tubes]
    return found


def _places(audit: Audit) -> list[tuple[str, tuple[str, ...]]]:
    return [(stage.kind, stage.tubes) for stage in audit.roles.stages_in_order]


def _jobs(audit: Audit, ref: str, names: Mapping[str, str]) -> frozenset[tuple[str, str]]:
    """Return what a part does and for which tube, named as before the change."""
    return frozenset((role.name, names.get(role.of, role.of)) for role in audit.roles.of_part(ref))


def _by_job(
    before: Audit, after: Audit, known: Mapping[str, str], owners: Mapping[str, str]
) -> dict[str, str]:
    """Pair what is left over by its job, where only one part on each side has it."""
    taken = set(known.values())
    mine = _unique(after, [ref for ref in after.circuit.parts if ref not in known], owners)
    theirs = _unique(before, [ref for ref in before.circuit.parts if ref not in taken], {})
    return {mine[job]: theirs[job] for job in mine.keys() & theirs.keys()}


_Job = tuple[str, frozenset[tuple[str, str]]]


def _unique(audit: Audit, refs: list[str], names: Mapping[str, str]) -> dict[_Job, str]:
    found: dict[_Job, list[str]] = {}
    for ref in refs:
        if jobs := _jobs(audit, ref, names):
            found.setdefault((audit.circuit[ref].kind, jobs), []).append(ref)
    return {job: refs[0] for job, refs in found.items() if len(refs) == 1}


def _parts(before: Audit, after: Audit, names: Mapping[str, str]) -> Iterator[PartChange]:
    for ref in sorted(after.circuit.parts, key=natural_key):
        part = after.circuit[ref]
        if ref not in names:
            yield PartChange(None, part, "added")
            continue
        former = before.circuit[names[ref]]
        if what := _difference(former, part):
            yield PartChange(former, part, what)
    kept = set(names.values())
    for ref in sorted(before.circuit.parts, key=natural_key):
        if ref not in kept:
            yield PartChange(before.circuit[ref], None, "removed")


def _difference(former: Part, part: Part) -> str:
    """Return what differs, as words; nets do not count, since their names are free."""
    found = []
    if former.ref != part.ref:
        found.append("renamed")
    if facts.type_name(former) != facts.type_name(part) and part.kind == "tube":
        found.append("type")
    if former.value != part.value:
        found.append("value")
    if former.note != part.note:
        found.append("note")
    return ", ".join(found)


def _loads(before: Audit, after: Audit, names: Mapping[str, str]) -> Iterator[ComparedLoad]:
    """Give loads, those that are highest on either side first."""
    mine, theirs = _hardest(after), _hardest(before)
    rows: list[ComparedLoad] = []
    for key, stress in mine.items():
        former = theirs.pop((names.get(key[0], ""), key[1]), None)
        rows.append(ComparedLoad(key[0], key[1], former, stress))
    rows += [
        ComparedLoad(part, quantity, stress, None) for (part, quantity), stress in theirs.items()
    ]

    def order(load: ComparedLoad) -> tuple[object, ...]:
        both = [one for one in (load.before, load.after) if one]
        highest = max(one.ratio for one in both)
        return (both[0].rank_class, -highest, natural_key(load.part), load.quantity)

    yield from sorted(rows, key=order)


def _hardest(audit: Audit) -> dict[tuple[str, str], Load]:
    """Return by part and quantity the highest healthy ratio, overdrive left out."""
    found: dict[tuple[str, str], Load] = {}
    for stress in audit.healthy_stresses:
        if is_in_use(stress.condition):
            key = (stress.part, stress.quantity)
            found[key] = max(found.get(key, stress), stress, key=lambda one: one.ratio)
    return found


def _renamed(parts: tuple[str, ...], fault_id: str, names: Mapping[str, str]) -> str:
    """Return the id that a fault of the new circuit had in the old one."""
    tail = fault_id.partition("/")[2]
    return f"{'+'.join(names.get(part, part) for part in parts)}/{tail}"


def _tipping(before: Audit, after: Audit, names: Mapping[str, str]) -> Iterator[TippingMove]:
    mine, theirs = _first_points(after), _first_points(before)
    for fault_id, point in mine.items():
        former = theirs.pop(_renamed(point.parts, fault_id, names), None)
        yield TippingMove(fault_id, former, point, _less_delicate(former, point))
    for fault_id, former in theirs.items():
        yield TippingMove(fault_id, former, None, None)


def _first_points(audit: Audit) -> dict[str, TippingPoint]:
    found: dict[str, TippingPoint] = {}
    for point in facts.sorted_tipping(audit.tipping_points):
        found.setdefault(point.fault_id, point)
    return found


def _less_delicate(former: TippingPoint | None, point: TippingPoint) -> bool | None:
    """Say whether it takes more of a defect than before; None where it hardly moved."""
    if former is None or "not_solved" in (former.status, point.status):
        return None
    old, new = (
        math.inf if (times := times_what_passes(one)) is None else times for one in (former, point)
    )
    if old == new or (math.isfinite(old + new) and abs(new - old) <= TIPPED * max(old, new)):
        return None
    return new > old


def _faults(before: Audit, after: Audit, names: Mapping[str, str]) -> Iterator[FaultMove]:
    """Give faults in the order of the ranking after the change, then what is gone."""
    theirs = {one.fault.id: (place, one) for place, one in enumerate(before.faults, 1)}
    for place, result in enumerate(after.faults, 1):
        fault = result.fault
        former_place, former = theirs.pop(_renamed(fault.parts, fault.id, names), (0, None))
        yield FaultMove(fault.id, former, result, former_place, place, _milder(former, result))
    for place, former in theirs.values():
        yield FaultMove(former.fault.id, former, None, place, 0, None)


def _milder(former: FaultResult | None, result: FaultResult) -> bool | None:
    if former is None:
        return None
    if former.verdict != result.verdict:
        return _rank(result.verdict) > _rank(former.verdict)
    old, new = _charged(former), _charged(result)
    return None if abs(new - old) < CHARGED else new < old


def _rank(verdict: Verdict) -> int:
    return GRAVITY[verdict]


def _charged(result: FaultResult) -> float:
    return min(result.victims[0].ratio, GROSS_RATIO) if result.victims else 0.0
