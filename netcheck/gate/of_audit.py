"""One audit as checks, without a policy: for the formats that know only checks.

Comes in: an `Audit`.  Goes out: a `CheckReport` in which the verdicts speak for
themselves: a healthy part or a fault over a limit is `fail`, what was not solved is
`unsolved`, what was not judged or is at a limit is `warn`.  The exit code of an audit
is another matter: there a fault over its limit fails nothing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from netcheck import __version__
from netcheck.gate.decide import decide
from netcheck.gate.policy_file import default_policy
from netcheck.report.checks import CheckReport, CheckRow, Outcome
from netcheck.report.facts import shown_file
from netcheck.report.model import Audit

RATINGS = "published ratings"
_OUTCOMES: dict[str, Outcome] = {
    "over_limit": "fail",
    "not_solved": "unsolved",
    "not_judged": "warn",
    "at_limit": "warn",
    "within_limits": "pass",
}


def audit_report(audit: Audit) -> CheckReport:
    """Return the audit as a report of checks."""
    usual = default_policy()
    unasked = audit.undriven is not None and not audit.undriven.asked
    kept = tuple(one for one in usual.conditions if one != "driven" or not unasked)
    policy = usual.model_copy(update={"tipping": (), "faults": (), "conditions": kept})
    checked = decide(audit, policy, shown_file(audit.file), dt.date.min).checked
    rows = tuple(_by_verdict(row) for row in checked.rows if row.family != "tolerance")
    return CheckReport((replace(checked, rows=rows),), RATINGS, __version__, command="audit")


def _by_verdict(row: CheckRow) -> CheckRow:
    if row.family not in {"healthy", "fault"} or row.id.startswith("healthy/not_judged"):
        return row
    outcome = _OUTCOMES.get(row.verdict, row.outcome)
    return replace(row, outcome=outcome, rule=RATINGS, because=f"its verdict is {row.verdict}")
