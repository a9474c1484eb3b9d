"""Findings about the netlist, as errors, warnings or notes of the policy.

Comes in: an audit and the policy.  Goes out: one row a finding.  Several findings of
one code about one part are told apart by their order in the file.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from netcheck.gate.policy import Policy
from netcheck.gate.words import level_outcome
from netcheck.report.checks import CheckRow
from netcheck.report.facts import sorted_findings
from netcheck.report.model import Audit


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
