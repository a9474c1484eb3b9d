"""Which faults are shown, and in which order.

Comes in: an `Audit` with its `View`.  Goes out: the results that writers show, how
many are hidden, and the filters in words.  Verdict, exit code and every count of
faults speak of all of them; a filter only hides rows.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from netcheck.circuit.model import Circuit, natural_key
from netcheck.conditions import CONDITIONS
from netcheck.errors import NetcheckError
from netcheck.faults.base import Fault
from netcheck.models.audit import Audit
from netcheck.rank import FaultResult, PartWorst, View, reorder
from netcheck.roles.base import Roles
from netcheck.tipping import TippingPoint, times_what_passes

SHOWN_VERDICTS = ("over_limit", "at_limit", "not_solved")


def shown_faults(audit: Audit) -> tuple[FaultResult, ...]:
    """Return the results to show, in the order asked for."""
    kept = [result for result in audit.faults if _is_shown(audit, result)]
    return reorder(kept, audit.view.rank_by, smallness(audit.tipping_points))


def shown_tipping(audit: Audit) -> tuple[TippingPoint, ...]:
    """Return the tipping points of the parts, kinds and stages to show."""
    view = audit.view
    return tuple(
        point
        for point in audit.tipping_points
        if _names(view.part, point.parts)
        and (not view.kind or _same(view.kind, point.kind))
        and (not view.condition or _same(view.condition, point.condition))
        and (
            not view.stage
            or bool(stage_parts(audit.roles, view.stage) & {*point.parts, point.victim})
        )
    )


def shown_parts(audit: Audit) -> tuple[PartWorst, ...]:
    """Return the parts to show with the fault that is worst for each."""
    view = audit.view
    kept = {result.fault.id for result in shown_faults(audit)}
    return tuple(
        worst
        for worst in audit.worst_of_part.values()
        if worst.fault_id in kept and (not view.part or _same(worst.part, view.part))
    )


def hidden_faults(audit: Audit) -> int:
    """Return how many faults the filters hide."""
    return len(audit.faults) - sum(_is_shown(audit, result) for result in audit.faults)


def filters(view: View) -> dict[str, str]:
    """Return the filters that are set, by name."""
    every = {"stage": view.stage, "part": view.part, "kind": view.kind}
    every["condition"] = view.condition
    return {name: value for name, value in every.items() if value}


def smallness(points: Iterable[TippingPoint]) -> dict[tuple[tuple[str, ...], str], float]:
    """Return by parts and kind the smallest sufficient defect over what passes."""
    least: dict[tuple[tuple[str, ...], str], float] = {}
    for point in points:
        times = times_what_passes(point)
        if times is not None:
            key = (point.parts, point.kind)
            least[key] = min(times, least.get(key, times))
    return least


def stage_parts(roles: Roles, stage: str) -> frozenset[str]:
    """Return the parts of a stage: its tubes, and what has a role for one of them."""
    tubes = {
        tube
        for one in roles.stages
        if _same(one.id, stage) or any(_same(tube, stage) for tube in one.tubes)
        for tube in one.tubes
    }
    return frozenset(tubes) | {role.part for role in roles.roles if role.of in tubes}


def check_view(view: View, circuit: Circuit, roles: Roles, faults: Iterable[Fault]) -> None:
    """Complain of a filter that nothing in the circuit answers to."""
    tubes = {tube for stage in roles.stages for tube in stage.tubes}
    known = {
        "stage": ({stage.id for stage in roles.stages} | tubes, view.stage),
        "part": (set(circuit.parts), view.part),
        "kind": ({fault.kind for fault in faults}, view.kind),
        "condition": ({each.name for each in CONDITIONS}, view.condition),
    }
    for name, (names, wanted) in known.items():
        if wanted and not any(_same(wanted, one) for one in names):
            raise NetcheckError(
                f"--{name} {wanted}: there is no such {name} in this circuit",
                hint=nearest(wanted, names),
            )


def nearest(wanted: str, names: Iterable[str]) -> str:
    """Return a hint: names much like the one wanted, or all there are."""
    by_case = {name.casefold(): name for name in names}
    close = difflib.get_close_matches(wanted.casefold(), sorted(by_case), n=3, cutoff=0.6)
    if close:
        return f"did you mean {' or '.join(by_case[name] for name in close)}?"
    return "there are: " + ", ".join(sorted(by_case.values(), key=natural_key))


def _is_shown(audit: Audit, result: FaultResult) -> bool:
    view, fault = audit.view, result.fault
    if not _names(view.part, fault.parts) or (view.kind and not _same(view.kind, fault.kind)):
        return False
    if view.condition:
        verdicts = {name.casefold(): one for name, one in result.condition_verdicts.items()}
        if verdicts.get(view.condition.casefold()) not in SHOWN_VERDICTS:
            return False
    if not view.stage:
        return True
    members = stage_parts(audit.roles, view.stage)
    return bool(members & {*fault.parts, *(victim.part for victim in result.victims)})


def _names(wanted: str, parts: Iterable[str]) -> bool:
    return not wanted or any(_same(wanted, part) for part in parts)


def _same(first: str, second: str) -> bool:
    return first.casefold() == second.casefold()
