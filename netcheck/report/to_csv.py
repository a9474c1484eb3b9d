"""CSV: one line a row, for a spreadsheet.

Comes in: a `CheckReport`.  Goes out: a head and a line for everything that was
checked, passes included, as RFC 4180 has it but with a bare line feed.  Numbers are
bare SI values of six digits; a text that a spreadsheet would take for a formula gets
an apostrophe in front.
"""

from __future__ import annotations

import csv
import io

from netcheck.report.checks import CheckReport, CheckRow
from netcheck.report.escapes import csv_cell
from netcheck.report.to_json import number
from netcheck.report.words import unit_of

HEAD = (
    "file",
    "line",
    "column",
    "id",
    "family",
    "outcome",
    "verdict",
    "likelihood",
    "victim",
    "quantity",
    "condition",
    "value",
    "limit",
    "unit",
    "ratio",
    "healthy_ratio",
    "tipping_value",
    "tipping_unit",
    "tipping_status",
    "rule",
    "change",
    "before",
    "message",
)


def render(report: CheckReport) -> str:
    """Return the table."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(HEAD)
    for file, row in report.every_row():
        writer.writerow(_cells(file, row))
    return buffer.getvalue()


def _cells(file: str, row: CheckRow) -> list[str]:
    load, tip, span = row.load, row.tip, row.span
    texts = [
        csv_cell(span.file if span else file),
        str(span.line) if span else "",
        str(span.column) if span else "",
        csv_cell(row.id),
        row.family,
        row.outcome,
        row.verdict,
        row.likelihood,
    ]
    if load:
        texts += [csv_cell(load.part), load.quantity, load.condition]
        texts += [_plain(load.value), _plain(load.limit), unit_of(load.quantity)]
        texts += [_plain(load.ratio), _plain(load.healthy_ratio)]
    else:
        texts += [csv_cell(tip.victim) if tip else "", tip.quantity if tip else "", *[""] * 6]
    texts += [_plain(tip.value), tip.unit, tip.status] if tip else ["", "", ""]
    return [*texts, csv_cell(row.rule), row.change, csv_cell(row.before), csv_cell(row.message)]


def _plain(value: float | None) -> str:
    digits = number(value)
    return "" if digits is None else f"{digits:.6g}"
