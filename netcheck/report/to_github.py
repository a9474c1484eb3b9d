"""Annotations for a GitHub workflow: the findings beside the lines of the netlist.

Comes in: a `CheckReport`.  Goes out: one workflow command a row, on the part's own
line and columns, the gravest first (GitHub shows ten of a level a step), and a last
line with the verdict.  Nothing in a netlist can begin a command of its own.

Source: GitHub documentation, "Workflow commands for GitHub Actions".
"""

from __future__ import annotations

from netcheck.models.checks import CheckReport, CheckRow, Outcome, shown_rows
from netcheck.report.escapes import github_message, github_property
from netcheck.report.words import counted

_COMMANDS: dict[Outcome, str] = {
    "unanswered": "error",
    "fail": "error",
    "unsolved": "error",
    "warn": "warning",
    "waived": "notice",
    "known": "notice",
}


def render(report: CheckReport) -> str:
    """Return the commands, one a line."""
    rows = shown_rows(report)
    lines = [_command(file, row) for file, row in rows]
    lines.append(
        f"netcheck {report.command}: {report.verdict}; "
        f"{counted(len(report.files), 'netlist')}, {counted(len(rows), 'annotation')}"
    )
    return "\n".join(lines) + "\n"


def _command(file: str, row: CheckRow) -> str:
    properties = []
    if row.span:
        span = row.span
        properties = [f"file={github_property(span.file)}", f"line={span.line}"]
        if span.end_line == span.line:  # columns mean something within one line only
            properties += [f"col={span.column}", f"endColumn={span.end_column}"]
        else:
            properties += [f"endLine={span.end_line}"]
    elif file:
        properties = [f"file={github_property(file)}"]
    properties.append(f"title={github_property(f'netcheck {row.family}: {row.subject}')}")
    message = row.message
    if row.hint and row.outcome == "unanswered":
        message += f"\nhint: {row.hint}"
    if row.because and row.outcome != "unanswered":
        message += f"\nrule: {row.rule}: {row.because}"
    return f"::{_COMMANDS[row.outcome]} {','.join(properties)}::{github_message(message)}"
