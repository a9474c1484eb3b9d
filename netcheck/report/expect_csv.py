"""The bench sheet as CSV: one line a measurement, with a column left for the reading.

Numbers are bare SI values of six digits; an open circuit is `open`.
"""

from __future__ import annotations

import csv
import io
import math

from netcheck.report.escapes import csv_cell
from netcheck.report.expect_model import BenchSheet, SheetLine
from netcheck.units import six_digits

HEAD = (
    "id", "step", "number", "measure", "red_probe", "black_probe", "unit", "expected", "low",
    "high", "stop_side", "stop_value", "stop_why", "above_points_to", "below_points_to", "note",
    "reading",
)  # fmt: skip


def render(sheet: BenchSheet) -> str:
    """Return the table."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(HEAD)
    for number, step in enumerate(sheet.steps, 1):
        for place, line in enumerate(step.lines, 1):
            writer.writerow(_cells(step.key, f"{number}.{place}", line))
    return buffer.getvalue()


def _cells(step: str, number: str, line: SheetLine) -> list[str]:
    stop = line.stop
    ends = (_number(one) for one in (line.nominal, line.low, line.high))
    return [
        csv_cell(line.id),
        step,
        number,
        csv_cell(line.what),
        csv_cell(line.red),
        csv_cell(line.black),
        line.unit,
        *ends,
        stop.side if stop else "",
        _number(stop.value) if stop else "",
        csv_cell(stop.why) if stop else "",
        csv_cell("; ".join(line.above)),
        csv_cell("; ".join(line.below)),
        csv_cell(line.note),
        "",
    ]


def _number(value: float) -> str:
    if math.isinf(value):
        return "open"
    return "" if math.isnan(value) else f"{six_digits(value):.6g}"
