"""Built units at their tolerances, against the policy.

Comes in: an audit and the policy.  Goes out: one row for each limit, about the case
its rating system asks for (nominal, toleranced, worst case); one for each corner that
was not solved.  A policy that asks for `toleranced` is not silently content without it.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.gate.policy import Policy
from netcheck.gate.words import level_outcome, load_words, share_words
from netcheck.judge.toleranced import LimitSpread
from netcheck.judge.verdict import ratio_verdict
from netcheck.report.checks import CheckRow, Load, Outcome
from netcheck.report.model import Audit


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
        for spread in sorted(audit.tolerance.limits, key=_order):
            yield _row(audit, policy, spread)


def _order(spread: LimitSpread) -> tuple[float, str, str]:
    return (-(spread.judged or float("inf")), spread.part, spread.quantity)


def _row(audit: Audit, policy: Policy, spread: LimitSpread) -> CheckRow:
    row_id = f"tolerance/{spread.part}/{spread.quantity}"
    if spread.judged is None:
        return _unknown(policy, row_id, f"{spread.part}: the worst corner was not solved")
    allowed = policy.limits.toleranced
    value = spread.judged * spread.limit
    numbers = (value, spread.limit, spread.judged, spread.nominal / spread.limit)
    load = Load(spread.part, spread.quantity, "idle", *numbers)
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
        verdict=ratio_verdict(spread.judged),
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
