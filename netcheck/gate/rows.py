"""One audit against the rules of a policy, as rows.

Comes in: an audit and the policy.  Goes out: rows about the healthy circuit (one a part,
quantity and kind of condition, about the highest load of that kind), about every fault,
about tipping points, tolerance and wiring.  The first rule that fits a fault decides;
without one the fault is listed and passes, since every amplifier has faults that overheat
something.  A fault answers only for what it adds to the healthy circuit.

"No leak above 20 Mohm may overheat a tube": a leak grows as its ohms fall, so it is broken
by a tipping point above 20 Mohm; a drift upward is broken by one below the size.  A policy
that asks for `toleranced` is not silently content without it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

from netcheck.conditions import DRIVEN, FULL, kind_beyond_use, kinds_in_order
from netcheck.findings import Level
from netcheck.gate.policy import FaultRule, Policy, TippingRule, Victims
from netcheck.judge.base import Load
from netcheck.judge.toleranced import LimitSpread
from netcheck.models.audit import Audit
from netcheck.models.checks import CheckRow, Outcome, Tip
from netcheck.models.facts import condition_order, sorted_findings
from netcheck.rank import FaultResult, occasion
from netcheck.report.words import (
    VERDICT_WORDS,
    amount,
    condition_words,
    defect_words,
    joined,
    quantity_words,
    ratio_words,
    size,
)
from netcheck.solve.results import NotSolved
from netcheck.solve.results import Outcome as Solution
from netcheck.tipping import TippingPoint

_SCALED = 0.005
"""From this share on, the limit compared with is not the published figure."""
OUTCOMES: Mapping[Level, Outcome] = {"error": "fail", "warning": "warn", "note": "note"}


def level_outcome(level: Level, failing: Outcome = "fail") -> Outcome:
    """Return what a level of the policy makes of a row."""
    return failing if level == "error" else OUTCOMES[level]


def share_words(share: float) -> str:
    """Write a share of a rating."""
    return "any share of its rating" if math.isinf(share) else f"{share * 100:.4g} % of its rating"


def load_words(load: Load) -> str:
    """Write a load: `X2 plate at 0.91 times its limit of 12 W (10.9 W, idle)`."""
    what = f"{load.part} {quantity_words(load.quantity)}"
    limit = amount(load.compared_limit, load.quantity)
    if abs(load.compared_limit - load.limit) > _SCALED * abs(load.limit):
        limit += f" ({amount(load.limit, load.quantity)} scaled to design-center)"
    value = amount(load.value, load.quantity)
    ratio, when = ratio_words(load.ratio), condition_words(load.condition)
    return f"{what} at {ratio} times its limit of {limit} ({value}, {when})"


_WOUND = {"inductor"}


def matches(patterns: Sequence[str], words: Iterable[str]) -> bool:
    """Say whether any word fits any pattern; no patterns fit all."""
    if not patterns:
        return True
    folded = [word.casefold() for word in words]
    return any(fnmatchcase(word, pattern.casefold()) for pattern in patterns for word in folded)


def rule_fits(rule: FaultRule | TippingRule, kind: str, parts: Sequence[str], audit: Audit) -> bool:
    """Say whether a rule fits a fault of this kind in these parts."""
    if not matches(rule.kind, (kind,)) or not matches(rule.part, parts):
        return False
    if not rule.role:
        return True
    roles = [role.name for part in parts for role in audit.roles.of_part(part)]
    return matches(rule.role, roles)


def is_victim(victims: Victims, part: str, audit: Audit) -> bool:
    """Say whether a part is one of those a rule protects."""
    if victims == "all" or part not in audit.circuit.parts:
        return victims == "all"
    kind = audit.circuit[part].kind
    return kind == "tube" or (victims == "tubes_and_transformers" and kind in _WOUND)


def scope_words(rule: FaultRule | TippingRule) -> str:
    """Return in words whom a rule protects."""
    who = {"tubes": "a tube", "tubes_and_transformers": "a tube or transformer", "all": "a part"}
    return who[rule.victims]


def quantity_scope(rule: FaultRule | TippingRule) -> str:
    """Return in words which quantities a rule is about; nothing where it is all."""
    words = [quantity_words(each.replace("*", "").strip("_")) for each in rule.quantities]
    return f" ({', '.join(words)})" if words else ""


Key = tuple[str, str, str]
_GROUPS = kinds_in_order()


def healthy_rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give the rows of the healthy circuit."""
    yield from _unsolved(audit, policy)
    for (group, part, quantity), load in sorted(_loads(audit).items(), key=_order):
        yield _row(audit, policy, group, f"healthy/{group}/{part}/{quantity}", load)
    for gap in audit.not_judged:
        yield CheckRow(
            f"healthy/not_judged/{gap}",
            "healthy",
            "note",
            gap.split(":")[0],
            f"not judged: {gap}",
            "not_judged",
            "a part without a rating cannot be held to a share of it",
            verdict="not_judged",
        )


def _order(item: tuple[Key, Load]) -> tuple[int, float, str, str]:
    (group, part, quantity), load = item
    return (_GROUPS.index(group), -load.ratio, part, quantity)


def _loads(audit: Audit) -> dict[Key, Load]:
    """Return the highest load by kind of condition, part and quantity."""
    highest: dict[Key, Load] = {}

    def keep(group: str, load: Load) -> None:
        key = (group, load.part, load.quantity)
        if key not in highest or load.ratio > highest[key].ratio:
            highest[key] = load

    for one in audit.healthy_stresses:
        keep(kind_beyond_use(one.condition), one)
    full = audit.healthy.get(FULL)
    full_v = full.input_v if full else 0.0
    for worst in audit.worst_drive:
        if 0.0 < worst.input_v <= full_v:
            keep(DRIVEN, worst)
    return highest


def _row(audit: Audit, policy: Policy, group: str, row_id: str, load: Load) -> CheckRow:
    limits = policy.limits
    allowed = float(getattr(limits, group))
    outcome: Outcome = "pass"
    if load.ratio > allowed:
        outcome = "fail"
    elif load.ratio >= limits.warn_from and allowed != float("inf"):
        outcome = "warn"
    because = f"a healthy part may take {share_words(allowed)} at {condition_words(group)}"
    if outcome == "warn":
        because += f"; from {share_words(limits.warn_from)} on it is a warning"
    part = audit.circuit.parts.get(load.part)
    return CheckRow(
        row_id,
        "healthy",
        outcome,
        load.part,
        f"the healthy circuit has {load_words(load)}",
        f"limits.{'warn_from' if outcome == 'warn' else group}",
        because,
        (load.part,),
        verdict=load.level,
        load=load,
        span=part.span if part else None,
    )


def _unsolved(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give the conditions of the healthy circuit that have no solution.

    Full drive is use, so a policy that asks for `driven` has no answer without it.
    """
    for name in condition_order(audit.healthy):
        outcome = audit.healthy[name]
        if isinstance(outcome, NotSolved):
            needed = name == FULL
            yield CheckRow(
                f"healthy/{name}",
                "healthy",
                "unanswered" if needed else level_outcome(policy.not_solved, "unsolved"),
                condition_words(name),
                f"the healthy circuit was not solved at {condition_words(name)}: {outcome.reason}",
                "conditions" if needed else "not_solved",
                "what was not solved cannot be called within limits",
                verdict="not_solved",
            )
    if DRIVEN in policy.conditions and FULL not in audit.healthy:
        why = audit.undriven
        yield CheckRow(
            "healthy/driven",
            "healthy",
            level_outcome(policy.not_solved, "unsolved"),
            DRIVEN,
            f"not driven: {why.reason}" if why and why.asked else "the circuit was not driven",
            "not_solved",
            "the policy asks for driven conditions; leave `driven` out of `conditions` otherwise",
            verdict="not_solved",
        )


NO_RULE = "no rule"
UNRULED = "no rule of the policy is about this fault; it is listed only"


def fault_rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give one row a fault, in ranked order."""
    for result in audit.faults:
        yield _fault_row(audit, policy, result)


def unsolved_words(conditions: Mapping[str, Solution]) -> str:
    """Return why a fault was not solved."""
    reasons = [
        f"{name}: {one.reason}" for name, one in conditions.items() if isinstance(one, NotSolved)
    ]
    return "; ".join(reasons) or "no reason known"


def _fault_row(audit: Audit, policy: Policy, result: FaultResult) -> CheckRow:
    fault = result.fault
    rule = _rule_for(audit, policy, result)
    worst = result.worst
    charged = _charged(audit, rule, result) if rule else None
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
        worst,
        span=part.span if part else None,
        hint=fault.next_measurement,
        made_by=occasion(result) or "",
    )


def _consequence(result: FaultResult, shown: Load | None) -> str:
    if result.verdict == "not_solved":
        return f"It was not solved ({unsolved_words(result.conditions)})."
    if result.verdict == "not_judged":
        loaded = f": {', '.join(result.unjudged)} has no rating" if result.unjudged else ""
        return f"It was not judged{loaded}."
    words = VERDICT_WORDS[result.verdict].lower()
    return f"{words.capitalize()}: {load_words(shown)}." if shown else f"{words}."


def _rule_for(audit: Audit, policy: Policy, result: FaultResult) -> FaultRule | None:
    fault = result.fault
    for rule in policy.faults:
        likely = not rule.likelihood or fault.likelihood.level in rule.likelihood
        if likely and rule_fits(rule, fault.kind, fault.parts, audit):
            return rule
    return None


def _charged(audit: Audit, rule: FaultRule, result: FaultResult) -> Load | None:
    """Return the worst load the fault is charged with, of those the rule is about."""
    stresses = [*result.victims, *result.part_stresses.values()]
    stresses += [result.worst] if result.worst else []
    if any(not matches(rule.conditions, (stress.condition,)) for stress in stresses):
        stresses = [
            stress
            for name, loads in result.loads.items()
            if matches(rule.conditions, (name,))
            for stress in loads
        ]
    about = [
        stress
        for stress in stresses
        if is_victim(rule.victims, stress.part, audit)
        and matches(rule.quantities, (stress.quantity,))
        and stress.adds_to_health
    ]
    return max(about, key=lambda stress: stress.ratio, default=None)


def _decided(
    policy: Policy, result: FaultResult, rule: FaultRule | None, charged: Load | None
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


def wiring_rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give one row a finding, the gravest level first."""
    seen: Counter[str] = Counter()
    for finding in sorted_findings(audit.findings):
        base = f"wiring/{finding.rule}/{finding.part}".rstrip("/")
        seen[base] += 1
        number = f"/{seen[base]}" if seen[base] > 1 else ""
        by_code = finding.rule in policy.wiring.codes
        level = (
            policy.wiring.codes[finding.rule] if by_code else getattr(policy.wiring, finding.level)
        )
        yield CheckRow(
            f"{base}{number}",
            "wiring",
            level_outcome(level),
            finding.rule,
            finding.message,
            f"wiring.codes.{finding.rule}" if by_code else f"wiring.{finding.level}",
            f"a finding {finding.rule if by_code else f'of level {finding.level}'} counts as "
            f"{'an error' if level == 'error' else f'a {level}'}",
            (finding.part,) if finding.part else (),
            finding.rule,
            span=finding.span,
            hint=finding.hint,
        )


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
            row = _tipping_row(audit, policy, rule, point)
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


def _tipping_row(audit: Audit, policy: Policy, rule: TippingRule, point: TippingPoint) -> CheckRow:
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
    if point.status in ("never", "not_at_idle"):
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
        when = joined([condition_words(name) for name in point.conditions])
        return f"{point.fault_id} puts nothing over its limit between {start} and {end} ({when})"
    if point.status == "not_at_idle":
        return (
            f"{point.fault_id} puts nothing over its limit between {start} and {end} at idle; "
            "drive was not searched"
        )
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


def tolerance_rows(audit: Audit, policy: Policy) -> Iterator[CheckRow]:
    """Give the rows about tolerances: one that says so where they were not computed."""
    if "toleranced" not in policy.conditions:
        yield CheckRow(
            "tolerance",
            "tolerance",
            "note",
            "toleranced",
            "loads at the tolerances of parts, tubes and mains were not computed",
            "conditions",
            "the policy does not ask for `toleranced`",
        )
    elif audit.tolerance is None:
        yield _unknown(policy, "tolerance", "loads at tolerance were asked for and not computed")
    else:
        for spread in sorted(audit.tolerance.limits, key=_spread_order):
            yield _spread_row(audit, policy, spread)


def _spread_order(spread: LimitSpread) -> tuple[float, str, str]:
    return (-(spread.judged or float("inf")), spread.part, spread.quantity)


def _spread_row(audit: Audit, policy: Policy, spread: LimitSpread) -> CheckRow:
    row_id = f"tolerance/{spread.part}/{spread.quantity}"
    if spread.judged is None:
        return _unknown(policy, row_id, f"{spread.part}: the worst corner was not solved")
    allowed = policy.limits.toleranced
    load = spread.load(spread.judged)
    outcome: Outcome = "fail" if spread.judged > allowed else "pass"
    part = audit.circuit.parts.get(spread.part)
    exceeding = f"{spread.exceeding.value * 100:.3g} % of drawn units exceed it"
    return CheckRow(
        row_id,
        "tolerance",
        outcome,
        spread.part,
        f"at tolerance {load_words(load)}; {exceeding}",
        "limits.toleranced",
        f"{spread.comparison}; it may take {share_words(allowed)}",
        (spread.part,),
        verdict=load.level,
        load=load,
        span=part.span if part else None,
    )


def _unknown(policy: Policy, row_id: str, message: str) -> CheckRow:
    return CheckRow(
        row_id,
        "tolerance",
        level_outcome(policy.not_solved, "unsolved"),
        "toleranced",
        message,
        "not_solved",
        "what was not computed cannot be called within limits",
        verdict="not_solved",
    )
