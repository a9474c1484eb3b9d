"""The healthy circuit against the policy's shares of ratings.

Comes in: an audit and the limits of the policy.  Goes out: one row for each part,
quantity and kind of condition, about the highest load of that kind; one for each
condition that could not be solved; one for each part without a rating.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.gate.policy import Policy
from netcheck.gate.words import level_outcome, load_words, share_words
from netcheck.judge.base import condition_kind
from netcheck.judge.verdict import ratio_verdict
from netcheck.report.checks import CheckRow, Load, Outcome
from netcheck.report.facts import condition_order
from netcheck.report.model import Audit
from netcheck.report.words import condition_words
from netcheck.solve.results import NotSolved

Key = tuple[str, str, str]
_GROUPS = ("idle", "cold_start", "driven", "overdrive")


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
        name = one.condition
        load = Load(
            one.part, one.quantity, name, one.value, one.limit, one.ratio, one.healthy_ratio
        )
        keep("overdrive" if name == "overdrive" else condition_kind(name), load)
    full = audit.healthy.get("full")
    full_v = full.input_v if full else 0.0
    for worst in audit.worst_drive:
        if 0.0 < worst.input_v <= full_v:
            numbers = (worst.value, worst.limit, worst.ratio, worst.ratio)
            keep("driven", Load(worst.part, worst.quantity, "worst drive", *numbers))
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
        verdict=ratio_verdict(load.ratio),
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
            needed = name == "full"
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
    if "driven" in policy.conditions and "full" not in audit.healthy:
        why = audit.undriven
        yield CheckRow(
            "healthy/driven",
            "healthy",
            level_outcome(policy.not_solved, "unsolved"),
            "driven",
            f"not driven: {why.reason}" if why and why.asked else "the circuit was not driven",
            "not_solved",
            "the policy asks for driven conditions; leave `driven` out of `conditions` otherwise",
            verdict="not_solved",
        )
