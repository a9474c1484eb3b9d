"""How small a defect is enough: one row a fault, the smallest sufficient defect first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rich.console import Console

from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.models.view import shown_tipping
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    NARROW,
    Column,
    bullets,
    heading,
    paragraph,
    table,
)
from netcheck.report.words import (
    amount,
    condition_words,
    defect_words,
    joined,
    quantity_words,
    size,
)
from netcheck.tipping import (
    PASSED_DEVIATION,
    PASSED_GROWTH,
    PASSED_LEAK,
    TippingPoint,
    TippingStatus,
    times_what_passes,
)

ALREADY = " already"
NO_TIP: Mapping[TippingStatus, str] = {
    "never": "No size that was searched, at idle and with a signal, puts a part over its limit",
    "not_at_idle": "No size that was searched puts a part over its limit at idle; with a signal "
    "they were not searched",
    "not_solved": "Could not be searched to the end",
}
"""What to say of faults without a tipping point."""
MEASURE = (
    "Times what passes: the sufficient defect over the largest that an inspection passes; below 1 "
    "a defect is enough that nobody would object to. What passes is "
    f"{PASSED_DEVIATION:.0%} off the marked value for a drift or a setting, a leak of a "
    f"{PASSED_LEAK:g}th of a sound part's insulation (100 Mohm for a film capacitor), and "
    f"{PASSED_GROWTH:g} times the smallest size searched for what grows from nothing (1 % of "
    "shorted turns)."
)


def write_tipping(console: Console, audit: Audit, show_all: bool) -> None:
    """Write how small a defect is enough, the smallest first."""
    if not audit.tipping_points:
        return
    heading(console, "How small a defect is enough")
    points = facts.sorted_tipping(shown_tipping(audit))
    by_fault: dict[str, list[TippingPoint]] = {}
    for point in points:
        if point.status in ("found", "already_over"):
            by_fault.setdefault(point.fault_id, []).append(point)
    limits = facts.limit_table(audit)
    groups = list(by_fault.values())
    shown = groups if show_all else groups[:DEFAULT_ROWS]
    if shown and console.width < NARROW:
        bullets(console, [tipping_sentence(group, limits) for group in shown])
    elif shown:
        columns = [
            Column("fault"),
            Column("enough", wrap=False),
            Column("times what passes", "right"),
            Column("puts over its limit"),
        ]
        table(console, columns, [_row(group, limits) for group in shown])
        paragraph(console, MEASURE)
    if len(groups) > len(shown):
        paragraph(console, f"{len(groups) - len(shown)} more not shown; --all shows them.")
    if hidden := len(audit.tipping_points) - len(points):
        paragraph(console, f"{hidden} more rows are hidden by the filters.")
    for status, words in NO_TIP.items():
        ids = [point.fault_id for point in points if point.status == status]
        if ids:
            paragraph(console, f"{words}: {joined(list(dict.fromkeys(ids)))}.")


def _row(points: Sequence[TippingPoint], limits: facts.Limits) -> list[str]:
    """One fault: its first crossing, and the others with the size that brings them."""
    clauses = _clauses(points, limits)
    told = [
        f"{f'{clause} also ' if number else ''}{joined(victims)} {effect}"
        for number, ((clause, effect), victims) in enumerate(clauses.items())
    ]
    first = points[0]
    return [
        first.fault_id,
        _size_clause(first),
        _times_words(times_what_passes(first)),
        "; ".join(told),
    ]


def _clauses(
    points: Sequence[TippingPoint], limits: facts.Limits
) -> dict[tuple[str, str], list[str]]:
    """Return the victims by size and effect: those of one size and limit share a clause."""
    clauses: dict[tuple[str, str], list[str]] = {}
    for point in points:
        limit = limits.get((point.victim, point.quantity, point.condition))
        over = amount(limit, point.quantity) if limit is not None else "its limit"
        where = condition_words(point.condition)
        effect = f"{quantity_words(point.quantity)} over {over} ({where})"
        clauses.setdefault((_size_clause(point), effect), []).append(point.victim)
    return clauses


def _times_words(times: float | None) -> str:
    if times is None:
        return "-"
    return f"{times:.2g}" if times < 100.0 else f"{times:.0f}"


def tipping_sentence(points: Sequence[TippingPoint], limits: facts.Limits) -> str:
    """Return `C3 leak below 14 Mohm puts V3's plate over 25 W (idle)`.

    points: all of one fault, the smallest sufficient defect first; victims that
    the same size puts over the same limit share a clause.
    """
    what = f"{joined(points[0].parts)} {defect_words(points[0].kind)}"
    told = [
        f"{_spoken(clause)} {'also' if number else 'puts'} "
        + joined([f"{victim}'s" for victim in victims])
        + f" {effect}"
        for number, ((clause, effect), victims) in enumerate(_clauses(points, limits).items())
    ]
    return f"{what} {'; '.join(told)}"


def _spoken(clause: str) -> str:
    if not clause.endswith(ALREADY):
        return clause
    return f"of the smallest size searched, {clause.removesuffix(ALREADY)}, already"


def _size_clause(point: TippingPoint) -> str:
    if point.status == "already_over" or point.value is None:
        return f"{size(point.searched[0], point.unit)}{ALREADY}"
    # The search stops within 1 %; on a wide scale a third digit would pretend too much.
    digits = 2 if facts.searched_wide(point) else 3
    return f"{point.direction} {size(point.value, point.unit, digits)}"
