"""The bench sheet as readable text.

Comes in: a `BenchSheet`.  Goes out: cautions, then each step with its measurements:
what, expected, band and stop on the first line, probes and what a wrong value points
to below it.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from rich.text import Text

from netcheck.models.sheet import BenchSheet, SheetLine, SheetStep
from netcheck.report.console import plain_text
from netcheck.report.expect_words import band_words, off_words, reading, stop_words
from netcheck.report.terminal.layout import bullets, hanging, heading, paragraph, safe

if TYPE_CHECKING:
    from rich.console import Console

INDENT = "      "


def render(sheet: BenchSheet, width: int | None = None) -> str:
    """Return the sheet as plain text."""
    return plain_text(partial(write, sheet), width)


def write(sheet: BenchSheet, console: Console) -> None:
    """Print the sheet."""
    paragraph(console, f"netcheck expect: {sheet.file}")
    paragraph(console, sheet.title)
    console.print()
    paragraph(console, f"Meter: {sheet.meter}. Mains: {sheet.mains}.")
    heading(console, "Cautions first")
    bullets(console, (f"{one.text} ({one.source})" for one in sheet.cautions))
    for number, step in enumerate(sheet.steps, 1):
        _step(console, number, step)
    heading(console, "What this takes for granted")
    bullets(console, sheet.assumptions)


def _step(console: Console, number: int, step: SheetStep) -> None:
    heading(console, f"{number}. {step.title}")
    if step.missing:
        paragraph(console, f"Nothing to expect here: {step.missing}.")
        return
    paragraph(console, step.lead)
    console.print()
    for place, line in enumerate(step.lines, 1):
        _line(console, f"{number}.{place}", line)


def _line(console: Console, number: str, line: SheetLine) -> None:
    first = safe(f"{line.what}: ")
    first.append(reading(line.nominal, line.unit), style="bold")
    first.append(f" ({band_words(line)})")
    if line.stop is not None:
        first.append(f"  STOP {stop_words(line)}", style="bold red")
        first.append(f": {line.stop.why}")
    hanging(console, f"{number:<{len(INDENT)}}", first)
    hanging(console, INDENT, safe(f"red {line.red}; black {line.black}"))
    if line.note:
        hanging(console, INDENT, safe(line.note))
    for words in off_words(line):
        hanging(console, INDENT, Text.assemble(safe(words)))
