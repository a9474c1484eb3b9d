"""Tipping points against the sizes of defect that must do no harm.

Comes in: an audit and the policy.  Goes out: one row for each tipping point a rule
is about, a word from each rule that found nothing to be about, and the other tipping
points as a list.  "No leak above
20 Mohm may overheat a tube": a leak grows as its ohms fall, so it is broken by a
tipping point above 20 Mohm; a drift upward is broken by one below the size.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcheck.gate.fault_rows import NO_RULE
from netcheck.gate.fits import is_victim, matches, quantity_scope, rule_fits, scope_words
from netcheck.gate.policy import Policy, TippingRule
from netcheck.gate.words import level_outcome
from netcheck.report.checks import CheckRow, Outcome, Tip
from netcheck.report.model import Audit
from netcheck.report.words import condition_words, defect_words, quantity_words, size
from netcheck.tipping import TippingPoint


def tipping_rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give the rows of all rules on tipping points."""
    named: set[str] = set()
    for rule in policy.tipping:
        found = False
        for point in audit.tipping_points:
            fits = rule_fits(rule, point.kind, point.parts, audit)
            if not fits or point.unit != rule.harmless_to.unit or not _is_about(rule, point, audit):
                continue
            found = True
            row = _row(audit, policy, rule, point)
            if row.id not in named:  # of several rules about one point the first decides
                named.add(row.id)
                yield row
        if not found:
            yield _about_nothing(rule)
    for point in audit.tipping_points:
        row = _listed(audit, point)
        if row.id not in named:
            named.add(row.id)
            yield row


def _is_about(rule: TippingRule, point: TippingPoint, audit: Audit) -> bool:
    """Say whether a rule protects this victim; what has no victim concerns every rule."""
    if not point.victim:
        return True
    return is_victim(rule.victims, point.victim, audit) and matches(
        rule.quantities, (point.quantity,)
    )


def _row(audit: Audit, policy: Policy, rule: TippingRule, point: TippingPoint) -> CheckRow:
    smaller = "down to" if point.direction == "below" else "up to"
    unsolved = point.status == "not_solved"
    return replace(
        _listed(audit, point),
        outcome=_outcome(policy, rule, point),
        rule="not_solved" if unsolved else f"tipping: {rule.name}",
        because=f"{defect_words(point.kind)} of {'+'.join(point.parts)} {smaller} "
        f"{rule.harmless_to} must not put {scope_words(rule)} over its limit"
        f"{quantity_scope(rule)}",
    )


def _listed(audit: Audit, point: TippingPoint) -> CheckRow:
    """Return the row of a tipping point that no rule is about."""
    part = audit.circuit.parts.get(point.parts[0]) if point.parts else None
    victim = f"/{point.victim}/{point.quantity}" if point.victim else ""
    return CheckRow(
        f"tipping/{point.fault_id}{victim}",
        "tipping",
        "pass",
        point.fault_id,
        _message(point),
        NO_RULE,
        "no rule of the policy is about this tipping point; it is listed only",
        point.parts,
        point.kind,
        tip=Tip(
            point.victim, point.quantity, point.direction, point.value, point.unit, point.status
        ),
        span=part.span if part else None,
    )


def _outcome(policy: Policy, rule: TippingRule, point: TippingPoint) -> Outcome:
    if point.status == "not_solved":
        return level_outcome(policy.not_solved, "unsolved")
    if point.status == "never":
        return "pass"
    allowed = rule.harmless_to.value
    broken = point.value is None or (
        point.value > allowed if point.direction == "below" else point.value < allowed
    )
    return level_outcome(rule.level) if broken else "pass"


def _message(point: TippingPoint) -> str:
    start, end = (size(each, point.unit) for each in point.searched)
    victim = f"{point.victim} {quantity_words(point.quantity)}"
    when = condition_words(point.condition)
    if point.status == "found" and point.value is not None:
        edge = "at or below" if point.direction == "below" else "at or above"
        return f"{point.fault_id} puts {victim} over its limit {edge} " + (
            f"{size(point.value, point.unit)} ({when})"
        )
    if point.status == "already_over":
        return f"{point.fault_id}: {victim} is over its limit from the smallest size on ({when})"
    if point.status == "never":
        return f"{point.fault_id} puts nothing over its limit between {start} and {end} ({when})"
    return f"{point.fault_id}: a size between {start} and {end} was not solved ({when})"


def _about_nothing(rule: TippingRule) -> CheckRow:
    return CheckRow(
        f"tipping/rule/{rule.name}",
        "tipping",
        "pass",
        rule.name,
        "no tipping point of this circuit is one this rule is about",
        f"tipping: {rule.name}",
    )
