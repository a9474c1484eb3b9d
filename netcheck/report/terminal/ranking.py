"""The ranking: fault to its worst victim, part to its worst fault, what to measure next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.text import Text

from netcheck.circuit.model import natural_key
from netcheck.judge.base import GROSS_RATIO
from netcheck.judge.seen import seen_under
from netcheck.likelihoods import LIKELIHOOD_WORDS
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.models.view import filters, shown_faults, shown_parts
from netcheck.rank import FaultResult, PartWorst, RankBy, group_of
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    NARROW,
    WIDE,
    Column,
    bullets,
    hanging,
    heading,
    paragraph,
    safe,
    table,
    verdict_text,
)
from netcheck.report.words import (
    SCALED_NOTE,
    SEEN_WORDS,
    VERDICT_WORDS,
    VERDICTS,
    amount,
    condition_words,
    counted,
    group_words,
    joined,
    limit_amount,
    quantity_words,
    ratio_words,
)
from netcheck.solve.results import NotSolved

HEADINGS: Mapping[RankBy, str] = {
    "severity": "Faults, the worst first",
    "risk": "Faults, by likelihood times severity",
    "smallest_defect": "Faults, the smallest sufficient defect first",
}
_NEXT_STEPS = 5
_REASONS = 8
_LONGEST_ID = 24
"""Longer ids are folded, so that they do not take the table's whole width."""


def write_ranking(console: Console, audit: Audit, show_all: bool) -> None:
    """Write the faults in ranked order and say how many are not shown."""
    heading(console, HEADINGS[audit.view.rank_by])
    if not audit.faults:
        paragraph(console, "None of the kinds of fault on file applies to this circuit.")
        return
    chosen = shown_faults(audit)
    _write_filters(console, audit, len(chosen))
    shown = chosen if show_all else chosen[:DEFAULT_ROWS]
    headings = _headings(shown) if audit.view.rank_by == "severity" else {}
    if console.width < NARROW:
        _write_stacked(console, shown, headings)
    else:
        _write_table(console, shown, headings)
    if len(shown) < len(chosen):
        rest = chosen[len(shown) :]
        tail = f"Not shown: {counted(len(rest), 'fault')} ({tally(rest)}); --all shows them."
        paragraph(console, safe(tail, "bold"))
    notes = "In brackets: the healthy circuit. A fault is charged only with what it adds."
    if any(result.gross for result in shown):
        notes += (
            f" Gross: beyond {GROSS_RATIO:g} times a limit the figure says little (a supply sags, "
            "a fuse goes), so these are grouped by likelihood."
        )
    paragraph(console, notes)
    _write_unsolved(console, chosen, show_all)


def _write_filters(console: Console, audit: Audit, shown: int) -> None:
    """Say what is hidden: a row that is missing must not pass for a fault that is harmless."""
    named = [f"{name} {value}" for name, value in filters(audit.view).items()]
    if named:
        hidden = len(audit.faults) - shown
        tail = f"Only {joined(named)}: {counted(hidden, 'row')} of {len(audit.faults)} hidden."
        paragraph(console, safe(tail, "bold"))


def tally(results: Sequence[FaultResult]) -> str:
    """Return `3 over limit, 1 not solved`."""
    counts = Counter(result.verdict for result in results)
    words = [f"{counts[name]} {VERDICT_WORDS[name].lower()}" for name in VERDICTS if counts[name]]
    return ", ".join(words)


def _headings(shown: Sequence[FaultResult]) -> dict[int, str]:
    """Return the headings of the groups, by the number of the first row of each."""
    groups = [group_of(result) for result in shown]
    return {
        place: group_words(group)
        for place, group in enumerate(groups)
        if place == 0 or group != groups[place - 1]
    }


def _write_table(
    console: Console, shown: Sequence[FaultResult], headings: Mapping[int, str]
) -> None:
    wide = console.width >= WIDE
    sizes = [Column("value", "right", False), Column("limit", "right", False)] if wide else []
    columns = [
        Column("#", "right", False),
        Column("fault", wrap=any(len(result.fault.id) > _LONGEST_ID for result in shown)),
        Column("worst victim"),
        *sizes,
        Column("times limit", "right", False),
        *([Column("condition")] if wide else []),
        Column("seen", wrap=False),
        Column("likelihood", wrap=False),
        Column("verdict"),
    ]
    rows = [_row(place, result, wide) for place, result in enumerate(shown, 1)]
    table(console, columns, rows, headings)
    if any(str(row[4]).endswith("*") for row in rows if wide):
        paragraph(console, SCALED_NOTE)


def _row(place: int, result: FaultResult, wide: bool) -> list[str | Text]:
    worst, fault = result.worst, result.fault
    seen = SEEN_WORDS[seen_under(result.condition_verdicts)]
    likely = LIKELIHOOD_WORDS[fault.likelihood.level]
    verdict = verdict_text(result.verdict, result.gross, short=not wide)
    if worst is None:
        unrated = f"{joined(result.unjudged)}: no rating" if result.unjudged else "-"
        blanks = ["-"] * (4 if wide else 1)
        return [str(place), fault.id, unrated, *blanks, seen, likely, verdict]
    sizes = [
        amount(worst.value, worst.quantity),
        limit_amount(worst),
    ]
    victim, when = (
        f"{worst.part} {quantity_words(worst.quantity)}",
        condition_words(worst.condition),
    )
    ratios = _both_ratios(worst.ratio, worst.healthy_ratio)
    if wide:
        return [str(place), fault.id, victim, *sizes, ratios, when, seen, likely, verdict]
    return [str(place), fault.id, f"{victim} ({when})", ratios, seen, likely, verdict]


def _both_ratios(ratio: float, healthy: float) -> str:
    return f"{ratio_words(ratio)} ({ratio_words(healthy)})"


def _write_stacked(
    console: Console, shown: Sequence[FaultResult], headings: Mapping[int, str]
) -> None:
    for place, result in enumerate(shown, 1):
        if place - 1 in headings:
            paragraph(console, safe(headings[place - 1], "bold"))
        worst = result.worst
        body = safe(f"{result.fault.id}: ")
        body.append_text(verdict_text(result.verdict, result.gross))
        if worst:
            ratios = _both_ratios(worst.ratio, worst.healthy_ratio)
            body.append("\n")
            body.append_text(
                safe(
                    f"{worst.part} {quantity_words(worst.quantity)} {ratios} times limit, "
                    f"{condition_words(worst.condition)}"
                )
            )
        body.append(f"\nseen: {SEEN_WORDS[seen_under(result.condition_verdicts)]}")
        body.append(f"\nlikelihood: {LIKELIHOOD_WORDS[result.fault.likelihood.level]}")
        hanging(console, f"{place}. ", body)


def _write_unsolved(console: Console, chosen: Sequence[FaultResult], show_all: bool) -> None:
    lines = [
        f"{result.fault.id}, {condition_words(name)}: {outcome.reason}"
        for result in chosen
        for name in facts.condition_order(result.conditions)
        if isinstance(outcome := result.conditions[name], NotSolved)
    ]
    if not lines:
        return
    heading(console, "Not solved, and why")
    shown = lines if show_all else lines[:_REASONS]
    bullets(console, shown)
    if len(lines) > len(shown):
        paragraph(console, f"{len(lines) - len(shown)} more not shown; --all shows them.")


def write_next_steps(console: Console, audit: Audit) -> None:
    """Write what to measure next for the first faults, each place once."""
    steps: dict[tuple[tuple[str, ...], str], list[FaultResult]] = {}
    for result in shown_faults(audit):
        if result.verdict in ("over_limit", "at_limit") and result.fault.next_measurement:
            key = (result.fault.parts, result.fault.next_measurement)
            steps.setdefault(key, []).append(result)
    if not steps:
        return
    heading(console, "What to measure next, for the first in rank")
    for number, results in enumerate(list(steps.values())[:_NEXT_STEPS], 1):
        first = results[0].fault
        body = safe(first.summary or first.id)
        if len(results) > 1:
            body.append_text(
                safe(f" (The same step tells of {counted(len(results) - 1, 'more fault')}.)")
            )
        body.append("\n")
        body.append_text(safe(first.next_measurement, "bold"))
        hanging(console, f"{number}. ", body)


def write_part_view(console: Console, audit: Audit, show_all: bool) -> None:
    """Write for each part the fault that stresses it most."""
    if not (parts := shown_parts(audit)):
        return
    heading(console, "Parts, each with the fault that stresses it most")
    ordered = sorted(parts, key=_part_key)
    shown = ordered if show_all else ordered[:DEFAULT_ROWS]
    titles = ("part", "worst fault", "quantity")
    columns = [
        *(Column(title) for title in titles),
        Column("times limit", "right"),
        Column("condition"),
    ]
    rows = [
        [
            worst.part,
            worst.fault_id,
            quantity_words(worst.stress.quantity),
            _both_ratios(worst.stress.ratio, worst.stress.healthy_ratio),
            condition_words(worst.stress.condition),
        ]
        for worst in shown
    ]
    table(console, columns, rows)
    if rest := ordered[len(shown) :]:
        names = joined(sorted((worst.part for worst in rest), key=natural_key))
        paragraph(console, f"Not shown, all less stressed: {names}; --all shows them.")


def _part_key(worst: PartWorst) -> tuple[object, ...]:
    return (worst.stress.rank_class, -worst.stress.ratio, natural_key(worst.part))
