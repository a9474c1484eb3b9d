"""JSON of checks, for machines, and as the baseline of a later run.

Comes in: a `CheckReport`.  Goes out: one object as text, SI units with the unit in
the key or beside the value, six significant digits, a row a line.  The same report
gives the same bytes.  The schema is `schema/gate.schema.json` beside this file.
"""

from __future__ import annotations

from netcheck.report.checks import (
    GATE_SCHEMA_VERSION,
    OUTCOMES,
    CheckedFile,
    CheckReport,
    CheckRow,
    Load,
    Tip,
)
from netcheck.report.facts import shown_file
from netcheck.report.json_layout import Json, compact, published_schema
from netcheck.report.to_json import number
from netcheck.report.words import unit_of
from netcheck.source import Span


def render(report: CheckReport) -> str:
    """Return the report as one JSON object."""
    counts = report.counts()
    head: Json = {
        "schema_version": GATE_SCHEMA_VERSION,
        "command": report.command,
        "tool_version": report.tool_version,
        "policy": report.policy,
        "baseline": report.baseline or None,
        "verdict": report.verdict,
        "interrupted": report.interrupted,
        "counts": {outcome: counts[outcome] for outcome in OUTCOMES},
    }
    lines = [f" {compact(key)}: {compact(value)}" for key, value in head.items()]
    files = ",\n".join(_file(checked) for checked in report.files)
    lines.append(f' "files": [\n{files}\n ]' if files else ' "files": []')
    lines.append(f' "rows": {_rows(report.rows, " ")}')
    return "{\n" + ",\n".join(lines) + "\n}\n"


def schema() -> Json:
    """Return the JSON Schema that `render` keeps to."""
    return published_schema("gate")


def _file(checked: CheckedFile) -> str:
    head: Json = {
        "file": checked.file,
        "title": checked.title,
        "engine": checked.engine,
        "conditions": list(checked.conditions),
    }
    lines = [f"   {compact(key)}: {compact(value)}" for key, value in head.items()]
    lines.append(f'   "rows": {_rows(checked.rows, "   ")}')
    return "  {\n" + ",\n".join(lines) + "\n  }"


def _rows(rows: tuple[CheckRow, ...], indent: str) -> str:
    if not rows:
        return "[]"
    inner = f",\n{indent} ".join(compact(_row(row)) for row in rows)
    return f"[\n{indent} {inner}\n{indent}]"


def _row(row: CheckRow) -> Json:
    return {
        "id": row.id,
        "family": row.family,
        "outcome": row.outcome,
        "subject": row.subject,
        "parts": list(row.parts),
        "kind": row.kind or None,
        "verdict": row.verdict or None,
        "likelihood": row.likelihood or None,
        "message": row.message,
        "hint": row.hint or None,
        "rule": row.rule,
        "because": row.because,
        "load": _load(row.load) if row.load else None,
        "tipping_point": _tip(row.tip) if row.tip else None,
        "place": _place(row.span) if row.span else None,
        "change": row.change or None,
        "before": row.before or None,
    }


def _load(load: Load) -> Json:
    return {
        "part": load.part,
        "quantity": load.quantity,
        "condition": load.condition,
        "value": number(load.value),
        "limit": number(load.limit),
        "unit": unit_of(load.quantity),
        "ratio": number(load.ratio),
        "healthy_ratio": number(load.healthy_ratio),
    }


def _tip(tip: Tip) -> Json:
    return {
        "victim": tip.victim,
        "quantity": tip.quantity,
        "direction": tip.direction,
        "value": number(tip.value),
        "unit": tip.unit,
        "status": tip.status,
    }


def _place(span: Span) -> Json:
    return {
        "file": shown_file(span.file),
        "line": span.line,
        "column": span.column,
        "end_line": span.end_line,
        "end_column": span.end_column,
    }
