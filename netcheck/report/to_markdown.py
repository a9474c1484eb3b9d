"""Markdown: the summary that stands under a pull request.

Comes in: a `CheckReport`.  Goes out: the verdict, a table of netlists, and a table of
what failed or warns; long lists are cut, and say so.  Every name is escaped: nothing
in a netlist makes markup, a link or a mention.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.models.checks import (
    OUTCOME_WORDS,
    CheckReport,
    CheckRow,
    shown_rows,
)
from netcheck.report.escapes import markdown
from netcheck.report.to_gate_text import counts_words, file_outcome
from netcheck.report.words import counted

MOST_ROWS = 50
"""A summary is read in a browser; the whole list is in the other formats."""
_VERDICTS = {
    "pass": "passed",
    "fail": "failed",
    "unanswered": "could not be answered",
}


def render(report: CheckReport) -> str:
    """Return the summary."""
    return "\n".join(_lines(report)) + "\n"


def _lines(report: CheckReport) -> Iterator[str]:
    yield f"## netcheck {report.command}: {_VERDICTS[report.verdict]}"
    yield ""
    against = f", against the baseline {markdown(report.baseline)}" if report.baseline else ""
    held = "Held against" if report.command == "gate" else "By"
    yield f"{held} {markdown(report.policy)}{against}; netcheck {report.tool_version}."
    yield ""
    yield "| netlist | result | what was looked at |"
    yield "| --- | --- | --- |"
    for checked in report.files:
        outcome = OUTCOME_WORDS[file_outcome(checked)]
        yield f"| {markdown(checked.file)} | {outcome} | {counts_words(checked)} |"
    rows = shown_rows(report)
    if rows:
        yield ""
        yield "| result | where | what | rule |"
        yield "| --- | --- | --- | --- |"
        for file, row in rows[:MOST_ROWS]:
            yield _row(file, row)
    if len(rows) > MOST_ROWS:
        yield ""
        yield f"{counted(len(rows) - MOST_ROWS, 'more row')} not shown here."


def _row(file: str, row: CheckRow) -> str:
    place = file
    if row.span:
        place = str(row.span) if row.span.drawn else f"{row.span.file}:{row.span.line}"
    message = markdown(row.message)
    if row.change in {"new", "worse"}:
        message += f" ({row.change}; before: {markdown(row.before)})"
    if row.outcome == "waived":
        message += f" ({markdown(row.because)})"
    return (
        f"| {OUTCOME_WORDS[row.outcome]} | {markdown(place)} | {message} | {markdown(row.rule)} |"
    )
