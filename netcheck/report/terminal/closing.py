"""The closing: tipping points, findings with their place, what was left out, assumptions."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from netcheck.circuit.model import natural_key
from netcheck.findings import Finding
from netcheck.report import facts
from netcheck.report.model import Audit
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    LEVEL_STYLES,
    bullets,
    heading,
    paragraph,
    safe,
)
from netcheck.report.words import (
    amount,
    condition_words,
    counted,
    defect_words,
    joined,
    quantity_words,
    size,
)
from netcheck.tipping import TippingPoint
from netcheck.units import format_quantity


def write_tipping(console: Console, audit: Audit, show_all: bool) -> None:
    """Write how small a defect is enough, the smallest first."""
    if not audit.tipping_points:
        return
    heading(console, "How small a defect is enough")
    points = facts.sorted_tipping(audit.tipping_points)
    by_fault: dict[str, list[TippingPoint]] = {}
    for point in points:
        if point.status in ("found", "already_over"):
            by_fault.setdefault(point.fault_id, []).append(point)
    limits = facts.limit_table(audit)
    sentences = [tipping_sentence(group, limits) for group in by_fault.values()]
    shown = sentences if show_all else sentences[:DEFAULT_ROWS]
    bullets(console, shown)
    if len(sentences) > len(shown):
        paragraph(console, f"{len(sentences) - len(shown)} more not shown; --all shows them.")
    for status, words in (
        ("never", "No size that was searched puts a part over its limit"),
        ("not_solved", "Could not be searched to the end"),
    ):
        ids = [point.fault_id for point in points if point.status == status]
        if ids:
            paragraph(console, f"{words}: {joined(list(dict.fromkeys(ids)))}.")


def tipping_sentence(points: Sequence[TippingPoint], limits: facts.Limits) -> str:
    """Return `C3 leak below 14 Mohm puts V3's plate over 25 W (idle)`.

    points: all of one fault, the smallest sufficient defect first; victims that
    the same size puts over the same limit share a clause.
    """
    clauses: dict[tuple[str, str], list[str]] = {}
    for point in points:
        limit = limits.get((point.victim, point.quantity, point.condition))
        over = amount(limit, point.quantity) if limit is not None else "its limit"
        where = condition_words(point.condition)
        effect = f"{quantity_words(point.quantity)} over {over} ({where})"
        clauses.setdefault((_size_clause(point), effect), []).append(f"{point.victim}'s")
    what = f"{joined(points[0].parts)} {defect_words(points[0].kind)}"
    told = [
        f"{size_clause} {'also' if number else 'puts'} {joined(victims)} {effect}"
        for number, ((size_clause, effect), victims) in enumerate(clauses.items())
    ]
    return f"{what} {'; '.join(told)}"


def _size_clause(point: TippingPoint) -> str:
    if point.status == "already_over" or point.value is None:
        return f"of the smallest size searched, {size(point.searched[0], point.unit)}, already"
    # The search stops within 1 %; on a wide scale a third digit would pretend too much.
    digits = 2 if facts.searched_wide(point) else 3
    return f"{point.direction} {size(point.value, point.unit, digits)}"


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
    place = f"{facts.shown_file(span.file)}:{span.line}:{span.column}" if span else ""
    where = ", ".join(word for word in (finding.part, place) if word)
    body = f" {where}: {finding.message}" if where else f": {finding.message}"
    return text.append_text(safe(f"{body} [{finding.rule}]"))


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
