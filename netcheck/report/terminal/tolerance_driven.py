"""Output plates under drive at tolerance: one row a tube and condition.

Comes in: what was found over mains, parts and tubes.  Goes out: a table, nothing where
nothing was driven; why a corner was not solved stands below it.
"""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from netcheck.judge.base import ratio_verdict
from netcheck.judge.toleranced import DrivenCorner, Toleranced
from netcheck.report.terminal.layout import Column, bullets, paragraph, table, verdict_text
from netcheck.report.words import amount, condition_words, quantity_words, ratio_words

_CASES = {"nominal": "nominal", "toleranced": "tolerance", "worst_case": "worst"}


def write_driven_corners(console: Console, found: Toleranced) -> None:
    """Write the corners under drive, the highest against its limit first."""
    if not found.driven:
        return
    paragraph(
        console,
        "Under drive, each output plate with every variable at the end that heats it at idle, "
        "driven as hard as the nominal circuit is:",
    )
    columns = [
        Column("limit"),
        Column("under"),
        *(Column(title, "right") for title in ("nominal", "tolerance", "worst")),
        Column("judged at"),
    ]
    table(console, columns, [_row(one) for one in sorted(found.driven, key=_order)])
    bullets(
        console,
        [
            f"{one.part}, {condition_words(one.condition)}: not solved in a corner: {reason}"
            for one in found.driven
            for reason in dict.fromkeys(one.reasons)
        ],
    )


def _order(one: DrivenCorner) -> tuple[float, str, str]:
    return (-(one.judged or 0.0), one.part, one.condition)


def _row(one: DrivenCorner) -> list[str | Text]:
    verdict = verdict_text("not_solved" if one.judged is None else ratio_verdict(one.judged))
    judged = "?" if one.judged is None else ratio_words(one.judged)
    return [
        f"{one.part} {quantity_words(one.quantity)}, {amount(one.limit, one.quantity)}",
        condition_words(one.condition),
        *(_times(value, one.limit) for value in (one.nominal, one.toleranced, one.worst_case)),
        f"{_CASES[one.case]} {judged}: {verdict.plain}",
    ]


def _times(value: float | None, limit: float) -> str:
    return "?" if value is None else ratio_words(value / limit)
