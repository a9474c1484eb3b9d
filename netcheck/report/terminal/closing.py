"""The closing: tipping points, findings with their place, what was left out, assumptions."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from netcheck.circuit.model import natural_key
from netcheck.findings import Finding
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    LEVEL_STYLES,
    bullets,
    heading,
    paragraph,
    safe,
)
from netcheck.report.words import (
    counted,
    joined,
)
from netcheck.units import format_quantity


def write_findings(console: Console, audit: Audit, show_all: bool) -> None:
    """Write the findings with the place each was written at."""
    if not audit.findings:
        return
    heading(console, "Findings")
    findings = facts.sorted_findings(audit.findings)
    notes = [finding for finding in findings if finding.level == "note"]
    hidden = 0 if show_all else max(0, len(notes) - DEFAULT_ROWS)
    shown = findings[: len(findings) - hidden]
    bullets(console, [_finding_text(finding) for finding in shown])
    if hidden:
        paragraph(console, f"{counted(hidden, 'note')} not shown; --all shows them.")


def _finding_text(finding: Finding) -> Text:
    text = Text(finding.level, style=LEVEL_STYLES[finding.level])
    span = finding.span
    place = span.in_file(facts.shown_file(span.file)) if span else ""
    where = ", ".join(word for word in (finding.part, place) if word)
    body = f" {where}: {finding.message}" if where else f": {finding.message}"
    hint = f"; {finding.hint}" if finding.hint else ""
    return text.append_text(safe(f"{body}{hint} [{finding.rule}]"))


def write_left_out(console: Console, audit: Audit, show_all: bool) -> None:
    """Write parts without a role and parts without a limit: named, never dropped."""
    unknown = sorted(audit.roles.unrecognised, key=natural_key)
    if not unknown and not audit.not_judged:
        return
    heading(console, "Left out of the judgement")
    if unknown:
        names = joined(unknown)
        paragraph(
            console,
            f"Not recognised, so no fault of theirs was tried (they are solved as drawn): {names}.",
        )
    if audit.not_judged:
        paragraph(console, "Not judged:")
        shown = audit.not_judged if show_all else audit.not_judged[:DEFAULT_ROWS]
        bullets(console, shown)
        if len(audit.not_judged) > len(shown):
            paragraph(
                console, f"{len(audit.not_judged) - len(shown)} more not shown; --all shows them."
            )


def write_assumptions(console: Console, audit: Audit) -> None:
    """Write what was assumed, and with what it was solved."""
    if audit.assumptions:
        heading(console, "Assumed")
        bullets(console, audit.assumptions)
    console.print()
    meter = (
        f"a meter of {format_quantity(audit.meter_ohm, 'ohm')}"
        if audit.meter_ohm
        else "a meter that does not load"
    )
    paragraph(console, safe(f"Solved with {audit.engine}; readings are those of {meter}.", "dim"))
