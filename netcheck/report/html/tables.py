"""The rows of the page's tables, as plain words.

Comes in: an audit.  Goes out: rows that the template prints; nothing in them is
markup, so that everything a user named is escaped in one place.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup, escape

from netcheck.circuit.model import Part
from netcheck.conditions import IDLE, is_in_use
from netcheck.judge.base import Load
from netcheck.judge.seen import seen_under
from netcheck.judge.verdict import GRAVITY
from netcheck.likelihoods import LIKELIHOOD_WORDS
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.models.view import shown_faults
from netcheck.rank import FaultResult, group_of
from netcheck.report.annotation import AnnotatedCircuit, load_of, role_words, value_words
from netcheck.report.words import (
    SEEN_WORDS,
    VERDICT_WORDS,
    amount,
    condition_words,
    group_words,
    limit_amount,
    quantity_words,
    ratio_words,
)
from netcheck.solve.results import NotSolved
from netcheck.units import format_quantity


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One fault of the ranking; `grave`, `ratio` and `weight` are what columns sort by."""

    id: str
    broken: Markup
    """The id with places where a line may break."""
    summary: str
    kind: str
    verdict: str
    verdict_key: str
    grave: int
    load: str
    ratio_words: str
    ratio: float
    likely: str
    likely_key: str
    weight: float
    seen: str
    heading: str
    """Of the group that starts with this row; empty within a group."""
    group: int


@dataclass(frozen=True, slots=True)
class PartRow:
    """What one part carries, in health and with its worst fault."""

    ref: str
    value: str
    role: str
    idle: str
    health: str
    health_share: float
    health_bar: str
    fault_id: str
    fault: str


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding."""

    level: str
    place: str
    message: str
    hint: str
    rule: str


def fault_rows(audit: Audit) -> list[FaultRow]:
    """Return the ranking in the order of the audit's view."""
    results = shown_faults(audit)
    grouped = audit.view.rank_by == "severity"
    rows: list[FaultRow] = []
    group, number = None, 0
    for result in results:
        now = group_of(result) if grouped else None
        heading = group_words(now) if now and now != group else ""
        number += bool(heading)
        group = now
        rows.append(_fault_row(result, heading, number))
    return rows


def _fault_row(result: FaultResult, heading: str, group: int) -> FaultRow:
    fault, worst = result.fault, result.worst
    load = ""
    if worst:
        load = f"{worst.part} {quantity_words(worst.quantity)}, {condition_words(worst.condition)}"
    return FaultRow(
        fault.id,
        escape(fault.id).replace("/", Markup("/<wbr>")).replace("@", Markup("<wbr>@")),
        fault.summary,
        fault.kind.replace("_", " "),
        VERDICT_WORDS[result.verdict],
        result.verdict,
        GRAVITY[result.verdict],
        load,
        f"{ratio_words(worst.ratio)}{' (gross)' if result.gross else ''}" if worst else "-",
        worst.ratio if worst else 0.0,
        LIKELIHOOD_WORDS[fault.likelihood.level],
        fault.likelihood.level,
        fault.likelihood.value,
        SEEN_WORDS[seen_under(result.condition_verdicts)],
        heading,
        group,
    )


def part_rows(audit: Audit) -> list[PartRow]:
    """Return all parts in the order of the netlist."""
    idle = audit.healthy.get(IDLE, NotSolved(IDLE, "not asked for"))
    annotated = AnnotatedCircuit(
        audit.file, audit.circuit, audit.roles, idle, audit.healthy_stresses
    )
    hardest: dict[str, Load] = {}
    for stress in audit.healthy_stresses:
        if not is_in_use(stress.condition):
            continue
        if stress.part not in hardest or stress.ratio > hardest[stress.part].ratio:
            hardest[stress.part] = stress
    return [_part_row(annotated, audit, part, hardest.get(part.ref)) for part in audit.circuit]


def _part_row(
    annotated: AnnotatedCircuit, audit: Audit, part: Part, hardest: Load | None
) -> PartRow:
    load = load_of(annotated, part.ref)
    shown = ((load.volts, "V"), (load.ampere, "A"), (load.watts, "W"))
    idle = ", ".join(format_quantity(value, unit, 3) for value, unit in shown if value is not None)
    worst = audit.worst_of_part.get(part.ref)
    health = "no limit on file"
    if hardest:
        limit = limit_amount(hardest)
        health = (
            f"{quantity_words(hardest.quantity)} {amount(hardest.value, hardest.quantity)} of "
            f"{limit}, {condition_words(hardest.condition)}"
        )
    return PartRow(
        part.ref,
        value_words(part),
        role_words(audit.roles, part.ref),
        idle or "-",
        health,
        hardest.ratio if hardest else -1.0,
        f"{hardest.ratio:.0%}" if hardest else "",
        worst.fault_id if worst else "",
        f"{quantity_words(worst.stress.quantity)} at {ratio_words(worst.stress.ratio)} times"
        if worst
        else "-",
    )


def finding_rows(audit: Audit) -> list[FindingRow]:
    """Return the findings, grave ones first."""
    rows = []
    for finding in facts.sorted_findings(audit.findings):
        span = finding.span
        place = span.in_file(facts.shown_file(span.file)) if span else ""
        where = ", ".join(word for word in (finding.part, place) if word)
        rows.append(FindingRow(finding.level, where, finding.message, finding.hint, finding.rule))
    return rows


def condition_lines(audit: Audit) -> list[str]:
    """Return one line for each condition of the healthy circuit."""
    lines = []
    for name in facts.condition_order(audit.healthy):
        outcome, words = audit.healthy[name], condition_words(name)
        if isinstance(outcome, NotSolved):
            lines.append(f"{words}: not solved: {outcome.reason}")
        elif outcome.input_v:
            lines.append(
                f"{words}: {format_quantity(outcome.input_v, 'V', 3)} peak at the input gives "
                f"{facts.output_words(audit, outcome)}"
            )
        else:
            lines.append(f"{words}: solved and judged")
    return lines


def sources(audit: Audit) -> list[str]:
    """Return every source of a limit or a likelihood that this report leans on, once."""
    named = [limit.source for limit in audit.table.limits if limit.source]
    named += [result.fault.likelihood.source for result in audit.faults]
    return sorted(dict.fromkeys(named), key=str.casefold)
