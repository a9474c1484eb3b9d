"""CSV, for a spreadsheet: of checks a line a row, of a sweep and of a bench sheet.

Comes in: a `CheckReport`, a `SweepCurve` or a `BenchSheet`.  Goes out: a head and lines
as RFC 4180 has them but with a bare line feed.  Numbers are bare SI values of six
digits; a text that a spreadsheet would take for a formula gets an apostrophe in front.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence

from netcheck.circuit.model import natural_key
from netcheck.models import facts
from netcheck.models.checks import CheckReport, CheckRow
from netcheck.models.sheet import BenchSheet, SheetLine
from netcheck.models.sweep import SweepCurve, SweepPoint
from netcheck.report.documents.objects import number
from netcheck.report.escapes import csv_cell
from netcheck.report.words import unit_of
from netcheck.solve.results import Solved

CHECK_HEAD = (
    "file", "line", "column", "id", "family", "outcome", "verdict", "likelihood", "victim",
    "quantity", "condition", "value", "limit", "unit", "ratio", "healthy_ratio", "tipping_value",
    "tipping_unit", "tipping_status", "rule", "change", "before", "message", "made_by",
)  # fmt: skip
SHEET_HEAD = (
    "id", "step", "number", "measure", "red_probe", "black_probe", "unit", "expected", "low",
    "high", "stop_side", "stop_value", "stop_why", "above_points_to", "below_points_to", "note",
    "reading",
)  # fmt: skip
STATE_HEAD = (
    "plate_dissipation_w", "screen_dissipation_w", "plate_v", "screen_v", "grid_v", "cathode_v",
    "plate_current_a", "screen_current_a", "grid_current_a",
)  # fmt: skip


def render(report: CheckReport) -> str:
    """Return everything that was checked, passes included."""
    return _table(CHECK_HEAD, (_check(file, row) for file, row in report.every_row()))


def render_sweep(curve: SweepCurve) -> str:
    """Return one row a size, condition and tube, with the worst part of the row's state."""
    unit = "percent" if curve.fault.unit == "%" else curve.fault.unit.lower()
    lead = ("fault_id", f"size_{unit}", "condition", "tips", "tube")
    tail = ("worst_part", "worst_quantity", "worst_ratio", "not_solved")
    rows = (
        row
        for point in curve.points
        for name in facts.condition_order(curve.conditions)
        for row in _states(curve, point, name)
    )
    return _table((*lead, *STATE_HEAD, *tail), rows)


def render_sheet(sheet: BenchSheet) -> str:
    """Return one row a measurement, with a column left for the reading."""
    rows = (
        _measurement(step.key, f"{at}.{place}", line)
        for at, step in enumerate(sheet.steps, 1)
        for place, line in enumerate(step.lines, 1)
    )
    return _table(SHEET_HEAD, rows)


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return buffer.getvalue()


def _check(file: str, row: CheckRow) -> list[str]:
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
    texts += [csv_cell(row.rule), row.change, csv_cell(row.before), csv_cell(row.message)]
    return [*texts, row.made_by]


def _states(curve: SweepCurve, point: SweepPoint, name: str) -> Iterator[list[object]]:
    outcome = point.outcomes[name]
    tips = " ".join(f"{tip.victim}:{tip.quantity}" for tip in point.tips)
    lead: list[object] = [curve.fault.id, number(point.size), name, tips]
    if not isinstance(outcome, Solved):
        yield [*lead, "", *("" for _ in STATE_HEAD), "", "", "", outcome.reason]
        return
    worst = point.worst(name)
    tail = [worst.part, worst.quantity, number(worst.ratio), ""] if worst else ["", "", "", ""]
    for ref, state in sorted(outcome.tubes.items(), key=lambda item: natural_key(item[0])):
        yield [*lead, ref, *(number(getattr(state, column)) for column in STATE_HEAD), *tail]


def _measurement(step: str, at: str, line: SheetLine) -> list[str]:
    stop = line.stop
    return [
        csv_cell(line.id),
        step,
        at,
        csv_cell(line.what),
        csv_cell(line.red),
        csv_cell(line.black),
        line.unit,
        *(_ohms(one) for one in (line.nominal, line.low, line.high)),
        stop.side if stop else "",
        _ohms(stop.value) if stop else "",
        csv_cell(stop.why) if stop else "",
        csv_cell("; ".join(line.above)),
        csv_cell("; ".join(line.below)),
        csv_cell(line.note),
        "",
    ]


def _ohms(value: float) -> str:
    """Write a figure; an open circuit is `open`."""
    return "open" if math.isinf(value) else _plain(value)


def _plain(value: float | None) -> str:
    digits = number(value)
    return "" if digits is None else f"{digits:.6g}"
