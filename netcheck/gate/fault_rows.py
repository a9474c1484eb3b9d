"""Every fault tried, against the rules of the policy.

Comes in: an audit and the policy.  Goes out: as many rows as faults.  The first rule
that fits a fault decides; without one the fault is listed and passes, since every
amplifier has faults that overheat something.  A fault answers only for what it adds
to the healthy circuit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property

from netcheck.gate.fits import is_victim, matches, quantity_scope, rule_fits, scope_words
from netcheck.gate.policy import FaultRule, Policy
from netcheck.gate.words import level_outcome, load_words, share_words
from netcheck.judge.base import LimitTable, Stress
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.judge.verdict import adds_to_health
from netcheck.rank import FaultResult
from netcheck.report.checks import CheckRow, Load, Outcome
from netcheck.report.model import Audit
from netcheck.report.words import VERDICT_WORDS, condition_words
from netcheck.solve.results import NotSolved, Solved
from netcheck.solve.results import Outcome as Solution

NO_RULE = "no rule"
UNRULED = "no rule of the policy is about this fault; it is listed only"


def fault_rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give one row a fault, in ranked order."""
    judge = _Judge(audit)
    for result in audit.faults:
        yield _row(audit, policy, result, judge)


def load_of(stress: Stress) -> Load:
    """Return the load a row shows for a stress."""
    return Load(
        stress.part,
        stress.quantity,
        stress.condition,
        stress.value,
        stress.limit,
        stress.ratio,
        stress.healthy_ratio,
    )


def unsolved_words(conditions: Mapping[str, Solution]) -> str:
    """Return why a fault was not solved."""
    reasons = [
        f"{name}: {one.reason}" for name, one in conditions.items() if isinstance(one, NotSolved)
    ]
    return "; ".join(reasons) or "no reason known"


class _Judge:
    """Judges single conditions of a fault anew.

    An audit keeps of each part the worst over all conditions; a rule that leaves one
    of them out needs the worst of the others.
    """

    def __init__(self, audit: Audit) -> None:
        self._audit = audit
        self._known = {name: one for name, one in audit.healthy.items() if isinstance(one, Solved)}

    @cached_property
    def _table(self) -> LimitTable:
        return limits_of(self._audit.circuit, self._audit.roles, self._known)

    def stresses(self, result: FaultResult, conditions: Sequence[str]) -> Iterator[Stress]:
        """Give the loads of a fault under the conditions that fit the patterns."""
        for name, outcome in result.conditions.items():
            if isinstance(outcome, Solved) and name in self._known and matches(conditions, (name,)):
                yield from judge_state(self._audit.circuit, self._table, outcome, self._known)


def _row(audit: Audit, policy: Policy, result: FaultResult, judge: _Judge) -> CheckRow:
    fault = result.fault
    rule = _rule_for(audit, policy, result)
    worst = result.worst
    charged = _charged(audit, rule, result, judge) if rule else None
    outcome, name, because = _decided(policy, result, rule, charged)
    shown = charged if charged is not None and outcome in {"fail", "warn"} else worst
    message = f"{fault.summary} {_consequence(result, shown)}"
    part = audit.circuit.parts.get(fault.parts[0]) if fault.parts else None
    return CheckRow(
        f"fault/{fault.id}",
        "fault",
        outcome,
        fault.id,
        message,
        name,
        because,
        fault.parts,
        fault.kind,
        result.verdict,
        fault.likelihood.level,
        load_of(worst) if worst else None,
        span=part.span if part else None,
        hint=fault.next_measurement,
    )


def _consequence(result: FaultResult, shown: Stress | None) -> str:
    if result.verdict == "not_solved":
        return f"It was not solved ({unsolved_words(result.conditions)})."
    if result.verdict == "not_judged":
        loaded = f": {', '.join(result.unjudged)} has no rating" if result.unjudged else ""
        return f"It was not judged{loaded}."
    words = VERDICT_WORDS[result.verdict].lower()
    return f"{words.capitalize()}: {load_words(load_of(shown))}." if shown else f"{words}."


def _rule_for(audit: Audit, policy: Policy, result: FaultResult) -> FaultRule | None:
    fault = result.fault
    for rule in policy.faults:
        likely = not rule.likelihood or fault.likelihood.level in rule.likelihood
        if likely and rule_fits(rule, fault.kind, fault.parts, audit):
            return rule
    return None


def _charged(audit: Audit, rule: FaultRule, result: FaultResult, judge: _Judge) -> Stress | None:
    """Return the worst load the fault is charged with, of those the rule is about."""
    stresses = [*result.victims, *result.part_stresses.values()]
    stresses += [result.worst] if result.worst else []
    if any(not matches(rule.conditions, (stress.condition,)) for stress in stresses):
        stresses = [*judge.stresses(result, rule.conditions)]
    about = [
        stress
        for stress in stresses
        if is_victim(rule.victims, stress.part, audit)
        and matches(rule.quantities, (stress.quantity,))
        and adds_to_health(stress)
    ]
    return max(about, key=lambda stress: stress.ratio, default=None)


def _decided(
    policy: Policy, result: FaultResult, rule: FaultRule | None, charged: Stress | None
) -> tuple[Outcome, str, str]:
    """Return the outcome, the rule that decided, and that rule in words."""
    if rule is not None and charged is not None and charged.ratio > rule.max_ratio:
        return level_outcome(rule.level), f"faults: {rule.name}", _rule_words(rule)
    if result.verdict == "not_solved":
        because = "what was not solved cannot be called within limits"
        return level_outcome(policy.not_solved, "unsolved"), "not_solved", because
    if result.verdict == "not_judged":
        because = "a part without a rating carries much more than in health"
        return level_outcome(policy.not_judged, "unsolved"), "not_judged", because
    if rule is None:
        return "pass", NO_RULE, UNRULED
    return "pass", f"faults: {rule.name}", _rule_words(rule)


def _rule_words(rule: FaultRule) -> str:
    share = share_words(rule.max_ratio)
    when = f" at {', '.join(map(condition_words, rule.conditions))}" if rule.conditions else ""
    return f"such a fault may load {scope_words(rule)} to {share}{quantity_scope(rule)}{when}"
