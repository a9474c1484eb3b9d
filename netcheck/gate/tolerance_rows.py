"""Built units at their tolerances, against the policy.

Comes in: an audit and the policy.  Goes out: a row that says whether toleranced
results are there.  A policy that asks for them is not silently content without them.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.gate.policy import Policy
from netcheck.gate.words import level_outcome
from netcheck.report.checks import CheckRow
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
    else:
        computed = getattr(audit, "tolerance", None) is not None
        state = "not held against the policy" if computed else "not computed"
        yield CheckRow(
            "tolerance",
            "tolerance",
            level_outcome(policy.not_solved, "unsolved"),
            "toleranced",
            f"loads at the tolerances of parts, tubes and mains were asked for and {state}",
            "not_solved",
            "what was not computed cannot be called within limits",
            verdict="not_solved",
        )
