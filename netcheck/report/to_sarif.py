"""SARIF 2.1.0: results for code scanning, each on the part's own line and columns.

Comes in: a `CheckReport`.  Goes out: one log with one run.  What passes is left out;
what is waived is a suppressed result; a netlist that could not be audited is a result
and makes the invocation unsuccessful.  Fingerprints are made of the netlist's name
and the row's id, so that a result stays the same one while lines move and numbers
change.

Source: OASIS Standard, Static Analysis Results Interchange Format (SARIF) Version
2.1.0: sections 3.27 result, 3.30 region, 3.49 reportingDescriptor, 3.27.17
partialFingerprints.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any
from urllib.parse import quote

from netcheck.models.checks import CheckReport, CheckRow, Outcome, gravest_first
from netcheck.models.facts import shown_file
from netcheck.report.documents.objects import number
from netcheck.report.escapes import one_line
from netcheck.report.sarif_rules import descriptor, rule_id
from netcheck.source import Span

FINGERPRINT = "netcheckRow/v1"
_FINGERPRINT_DIGITS = 32
_LEVELS: dict[Outcome, str] = {
    "unanswered": "error",
    "fail": "error",
    "unsolved": "error",
    "warn": "warning",
    "waived": "warning",
    "known": "warning",
    "note": "note",
}
_BASELINE_STATES = {"new": "new", "worse": "updated", "same": "unchanged", "better": "updated"}
Json = dict[str, Any]


def render(report: CheckReport) -> str:
    """Return the log."""
    rows = gravest_first(pair for pair in report.every_row() if pair[1].outcome in _LEVELS)
    ids = sorted({rule_id(row) for _, row in rows})
    answered = not any(row.outcome == "unanswered" for _, row in rows)
    run: Json = {
        "tool": {
            "driver": {
                "name": "netcheck",
                "version": report.tool_version,
                "rules": [descriptor(name) for name in ids],
            }
        },
        "columnKind": "unicodeCodePoints",
        "invocations": [{"executionSuccessful": answered}],
        "results": [_result(report, file, row, ids) for file, row in rows],
    }
    log = {"version": "2.1.0", "runs": [run]}
    return json.dumps(log, indent=1, allow_nan=False) + "\n"


def _result(report: CheckReport, file: str, row: CheckRow, ids: list[str]) -> Json:
    name = rule_id(row)
    result: Json = {
        "ruleId": name,
        "ruleIndex": ids.index(name),
        "level": _LEVELS[row.outcome],
        "message": {"text": _message(row)},
        "locations": _locations(report, file, row),
        "partialFingerprints": {FINGERPRINT: fingerprint(file, row)},
        "properties": _properties(row),
    }
    if row.outcome == "waived":
        result["suppressions"] = [{"kind": "external", "justification": one_line(row.because)}]
    if report.baseline and row.change in _BASELINE_STATES:
        result["baselineState"] = _BASELINE_STATES[row.change]
    return result


def fingerprint(file: str, row: CheckRow) -> str:
    """Return what names a result over runs: neither lines nor numbers are in it."""
    text = f"{file}\n{row.id}".encode()
    return hashlib.sha256(text).hexdigest()[:_FINGERPRINT_DIGITS]


def _message(row: CheckRow) -> str:
    """Return the message; SARIF reads brackets as links and braces as placeholders."""
    parts = [one_line(row.message)]
    if row.before and row.change in {"new", "worse", "better"}:
        parts.append(f"({row.change}; before: {one_line(row.before)})")
    if row.hint:
        parts.append(f"Next: {one_line(row.hint)}")
    text = " ".join(parts)
    for sign in "\\[]":
        text = text.replace(sign, f"\\{sign}")
    return text.replace("{", "{{").replace("}", "}}")


def _locations(report: CheckReport, file: str, row: CheckRow) -> list[Json]:
    name = row.span.file if row.span else file
    if not name:
        return []
    physical: Json = {"artifactLocation": {"uri": quote(shown_file(name))}}
    if row.span:
        physical["region"] = _region(row.span)
    location: Json = {"physicalLocation": physical}
    if row.parts:
        location["logicalLocations"] = [
            {"name": part, "kind": "part", "fullyQualifiedName": f"{file}/{part}"}
            for part in row.parts
        ]
    return [location]


def _region(span: Span) -> Json:
    return {
        "startLine": span.line,
        "startColumn": span.column,
        "endLine": span.end_line,
        "endColumn": span.end_column,
    }


def _properties(row: CheckRow) -> Json:
    bag: Json = {"id": row.id, "outcome": row.outcome, "decidedBy": row.rule}
    if row.because:
        bag["because"] = row.because
    if row.verdict:
        bag["verdict"] = row.verdict
    if row.likelihood:
        bag["likelihood"] = row.likelihood
    if row.made_by:
        bag["madeBy"] = row.made_by
    if row.load:
        bag["ratio"] = number(row.load.ratio)
        bag["healthyRatio"] = number(row.load.healthy_ratio)
    return bag
