"""The formats that checks are written in, by name.

Comes in: the name of a format and a `CheckReport`.  Goes out: the text.  The gate
writes all of them; an audit, once turned into checks, those that make sense for it.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from importlib import import_module

from netcheck.models.checks import CheckReport


class CheckFormat(StrEnum):
    """Formats a report of checks is written in."""

    TEXT = "text"
    JSON = "json"
    SARIF = "sarif"
    JUNIT = "junit"
    GITHUB = "github"
    MARKDOWN = "markdown"
    CSV = "csv"


_WRITERS = {
    CheckFormat.TEXT: "to_gate_text",
    CheckFormat.JSON: "to_json",
    CheckFormat.SARIF: "to_sarif",
    CheckFormat.JUNIT: "to_junit",
    CheckFormat.GITHUB: "to_github",
    CheckFormat.MARKDOWN: "to_markdown",
    CheckFormat.CSV: "to_csv",
}


def render_checks(report: CheckReport, format: CheckFormat) -> str:
    """Return the report in one of the formats; only its writer is loaded."""
    writer = import_module(f"netcheck.report.{_WRITERS[format]}")
    render: Callable[[CheckReport], str] = writer.render
    return render(report)
