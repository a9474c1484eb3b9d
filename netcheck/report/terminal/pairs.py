"""Two faults at once: what leads to more, and what hides."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from netcheck.judge.base import Load
from netcheck.judge.paired import Pair
from netcheck.models.audit import Audit
from netcheck.report.terminal.layout import (
    Column,
    bullets,
    heading,
    paragraph,
    table,
    verdict_text,
)
from netcheck.report.words import counted, joined, quantity_words, ratio_words

_ROWS = 12


def write_pairs(console: Console, audit: Audit, show_all: bool) -> None:
    """Write the pairs that were solved, and how many were not tried."""
    found = audit.pairs
    if found is None:
        return
    heading(console, "Two faults at once (idle)")
    paragraph(
        console,
        f"{found.possible} pairs are possible, {found.plausible} of them plausible: one fault "
        f"overloads the part that the other is a failure of, or starves the tube that the other "
        f"overheats. {found.solved} were solved; {found.possible - found.solved} were not tried, "
        f"{found.plausible - found.solved} of them plausible.",
    )
    _write_causes(console, [pair for pair in found.pairs if pair.kind == "causes"], show_all)
    _write_hides(console, [pair for pair in found.pairs if pair.kind == "hides"], show_all)


def _write_causes(console: Console, pairs: Sequence[Pair], show_all: bool) -> None:
    """One row for each consequence, with the first of the faults that lead to it."""
    by_end: dict[str, list[Pair]] = {}
    for pair in pairs:
        by_end.setdefault(pair.second_id if not show_all else str(pair), []).append(pair)
    groups = list(by_end.values())
    paragraph(console, f"What one fault leads to: {counted(len(pairs), 'pair')}.")
    if not groups:
        return
    columns = [
        Column("first"),
        Column("may end as"),
        Column("worst of both"),
        Column("times limit (first alone)", "right"),
        Column("newly over"),
        Column("verdict"),
    ]
    shown = groups if show_all else groups[:_ROWS]
    table(console, columns, [_cause_row(group) for group in shown])
    if len(groups) > len(shown):
        hidden = sum(map(len, groups[_ROWS:]))
        paragraph(console, f"{counted(hidden, 'pair')} not shown; --all shows them.")


def _cause_row(group: Sequence[Pair]) -> list[str | Text]:
    pair = group[0]
    more = f" (and {len(group) - 1} more)" if len(group) > 1 else ""
    return [
        f"{pair.first_id}{more}",
        pair.second_id,
        pair.reason or _what(pair.worst),
        _ratios(pair),
        joined(list(pair.new_victims)) or "-",
        verdict_text(pair.verdict),
    ]


def _what(stress: Load | None) -> str:
    return "-" if stress is None else f"{stress.part} {quantity_words(stress.quantity)}"


def _ratios(pair: Pair) -> str:
    if pair.worst is None:
        return "-"
    alone = ratio_words(pair.first_alone.ratio) if pair.first_alone else "not judged"
    return f"{ratio_words(pair.worst.ratio)} ({alone})"


def _write_hides(console: Console, pairs: Sequence[Pair], show_all: bool) -> None:
    paragraph(
        console,
        f"What hides an overload: {counted(len(pairs), 'kind of pair', 'kinds of pairs')} that "
        "together pass for healthy at idle.",
    )
    shown = pairs if show_all else pairs[:_ROWS]
    bullets(console, [_hidden_line(pair) for pair in shown])
    if len(pairs) > len(shown):
        paragraph(console, f"{len(pairs) - len(shown)} more not shown; --all shows them.")


def _hidden_line(pair: Pair) -> str:
    alone = pair.first_alone
    hot = f" ({_what(alone)} {ratio_words(alone.ratio)} times its limit alone)" if alone else ""
    more = f"; likewise {counted(pair.others, 'other size', 'other sizes')}" if pair.others else ""
    return f"{pair.first_id}{hot} is hidden by {pair.second_id}{more}"
