"""A comparison as readable text: what changed, what got better, what got worse."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from netcheck.circuit.model import Part
from netcheck.judge.base import Load
from netcheck.models import facts
from netcheck.models.audit import Audit
from netcheck.models.comparison import (
    MOVED,
    ComparedLoad,
    Comparison,
    FaultMove,
    PartChange,
    TippingMove,
    over_limit,
)
from netcheck.rank import FaultResult
from netcheck.report.console import plain_text
from netcheck.report.terminal.layout import (
    DEFAULT_ROWS,
    Column,
    bullets,
    heading,
    paragraph,
    safe,
    table,
)
from netcheck.report.words import (
    VERDICT_WORDS,
    condition_words,
    counted,
    quantity_words,
    ratio_words,
    size,
)
from netcheck.tipping import TippingPoint
from netcheck.units import format_quantity

FILE_WIDTH = 100
_UNITS = {
    "resistor": "ohm",
    "capacitor": "F",
    "inductor": "H",
    "voltage_source": "V",
    "current_source": "A",
}
BETTER, WORSE, SAME = "better", "WORSE", "-"


def render(comparison: Comparison, *, show_all: bool = False) -> str:
    """Return the report as plain text."""
    return plain_text(lambda console: write(comparison, console, show_all=show_all), FILE_WIDTH)


def write(comparison: Comparison, console: Console, *, show_all: bool = False) -> None:
    """Write the whole report; `show_all` shows every row, also those that did not move."""
    before, after = comparison.before, comparison.after
    console.print(safe("netcheck compare", "bold"))
    console.print(safe(f"before: {facts.shown_file(before.file)}: {_verdict(before)}"))
    console.print(safe(f"after:  {facts.shown_file(after.file)}: {_verdict(after)}"))
    console.print()
    paragraph(console, _summary(comparison))
    _write_parts(console, comparison)
    _write_loads(console, comparison, show_all)
    _write_tipping(console, comparison, show_all)
    _write_faults(console, comparison, show_all)
    _write_one_sided(console, comparison)
    console.print()
    paragraph(console, safe(f"Solved with {after.engine}.", "dim"))


def _verdict(audit: Audit) -> str:
    healthy = VERDICT_WORDS[facts.healthy_verdict(audit)].lower()
    over = over_limit(audit)
    return f"healthy circuit {healthy}; {over} of {counted(len(audit.faults), 'fault')} over limit"


def _summary(comparison: Comparison) -> str:
    moves = comparison.faults
    better = sum(move.better is True for move in moves)
    worse = sum(move.better is False for move in moves)
    tips = comparison.tipping
    harder = sum(move.better is True for move in tips)
    easier = sum(move.better is False for move in tips)
    return (
        f"Of the faults that both circuits have, {better} got milder and {worse} got worse; "
        f"{counted(harder, 'tipping point')} moved to a larger defect, {easier} to a smaller one."
    )


def _write_parts(console: Console, comparison: Comparison) -> None:
    heading(console, "What was changed")
    if not comparison.parts:
        paragraph(console, "No part differs; the nets may.")
        return
    bullets(console, [_part_line(comparison, change) for change in comparison.parts])


def _part_line(comparison: Comparison, change: PartChange) -> str:
    if change.before is None and change.after is not None:
        return f"{change.after.ref} added: {_described(comparison.after, change.after)}"
    if change.after is None and change.before is not None:
        return f"{change.before.ref} removed: {_described(comparison.before, change.before)}"
    assert change.before is not None
    assert change.after is not None
    old, new = (
        _described(comparison.before, change.before),
        _described(comparison.after, change.after),
    )
    names = [change.before.ref, change.after.ref]
    name = names[1] if names[0] == names[1] else f"{names[1]} (before: {names[0]})"
    if old == new:
        return f"{name}: {change.what}: {old}"
    return f"{name}: {change.what}: {old} before, {new} after"


def _described(audit: Audit, part: Part) -> str:
    jobs = dict.fromkeys(
        f"{role.name.words}{f' of {role.of}' if role.of else ''}"
        for role in audit.roles.of_part(part.ref)
    )
    value = facts.type_name(part) if part.kind == "tube" else _value(part)
    words = [value or part.kind.replace("_", " "), *list(jobs)[:2]]
    return ", ".join(words)


def _value(part: Part) -> str:
    if part.value is None:
        return ""
    return format_quantity(part.value, _UNITS.get(part.kind, ""))


def _better_words(better: bool | None) -> Text:
    if better is None:
        return Text(SAME)
    return Text(BETTER, "green") if better else Text(WORSE, "bold red")


def _write_loads(console: Console, comparison: Comparison, show_all: bool) -> None:
    heading(console, "Healthy loads, times the limit (highest of all conditions but overdrive)")
    moved = [load for load in comparison.loads if abs(load.moved) > MOVED]
    rows = list(comparison.loads) if show_all else moved[:DEFAULT_ROWS]
    if rows:
        columns = [
            Column("part"),
            Column("quantity"),
            Column("before", "right"),
            Column("after", "right"),
            Column("change", "right"),
            Column("", wrap=False),
        ]
        table(console, columns, [_load_row(load) for load in rows])
    else:
        paragraph(console, "No load moved by more than 1 % of its limit.")
    _tell_hidden(console, len(moved), len(rows), "load that moved", "loads that moved", show_all)


def _load_row(load: ComparedLoad) -> list[str | Text]:
    both = load.before is not None and load.after is not None
    moved = abs(load.moved) > MOVED
    return [
        load.part,
        quantity_words(load.quantity),
        _stress(load.before),
        _stress(load.after),
        f"{load.moved:+.2f}" if both else "-",
        _better_words(load.moved < 0 if both and moved else None),
    ]


def _stress(stress: Load | None) -> str:
    if stress is None:
        return "not there"
    return f"{ratio_words(stress.ratio)} ({condition_words(stress.condition)})"


def _write_tipping(console: Console, comparison: Comparison, show_all: bool) -> None:
    both = [move for move in comparison.tipping if move.before and move.after]
    if not both:
        return
    heading(console, "How small a defect is enough")
    moved = [move for move in both if move.better is not None]
    rows = both if show_all else moved[:DEFAULT_ROWS]
    if rows:
        columns = [Column("fault"), Column("before"), Column("after"), Column("", wrap=False)]
        table(console, columns, [_tipping_row(move) for move in rows])
    else:
        paragraph(console, "No tipping point moved by more than 3 %.")
    _tell_hidden(console, len(moved), len(rows), "more that moved", "more that moved", show_all)


def _tipping_row(move: TippingMove) -> list[str | Text]:
    return [move.fault_id, _enough(move.before), _enough(move.after), _better_words(move.better)]


def _enough(point: TippingPoint | None) -> str:
    if point is None:
        return "-"
    if point.status == "never":
        return "no size is enough"
    if point.status == "not_at_idle":
        return "no size is enough at idle"
    if point.status == "not_solved":
        return "not solved to the end"
    victim = f"{point.victim} {quantity_words(point.quantity)}"
    if point.value is None:
        return f"over already: {victim}"
    digits = 2 if facts.searched_wide(point) else 3
    return f"{point.direction} {size(point.value, point.unit, digits)}: {victim}"


def _write_faults(console: Console, comparison: Comparison, show_all: bool) -> None:
    heading(console, "Faults, ranked as after the change")
    both = [move for move in comparison.faults if move.before and move.after]
    moved = [move for move in both if move.better is not None]
    rows = both if show_all else moved[:DEFAULT_ROWS]
    if rows:
        columns = [
            Column("fault"),
            Column("place", "right"),
            Column("before"),
            Column("after"),
            Column("", wrap=False),
        ]
        table(console, columns, [_fault_row(move) for move in rows])
        paragraph(console, "Place: before > after, in the ranking by severity.")
    else:
        paragraph(console, "No fault that both have moved.")
    _tell_hidden(console, len(moved), len(rows), "fault that moved", "faults that moved", show_all)


def _fault_row(move: FaultMove) -> list[str | Text]:
    return [
        move.fault_id,
        f"{move.before_place} > {move.after_place}",
        _result(move.before),
        _result(move.after),
        _better_words(move.better),
    ]


def _result(result: FaultResult | None) -> str:
    if result is None:
        return "-"
    words = VERDICT_WORDS[result.verdict]
    worst = result.victims[0] if result.victims else None
    if worst is None:
        return words
    return f"{words}, {worst.part} {quantity_words(worst.quantity)} {ratio_words(worst.ratio)}"


def _write_one_sided(console: Console, comparison: Comparison) -> None:
    """Name what only one of the two can suffer: a change brings faults of its own."""
    gone = [move.before for move in comparison.faults if move.before and not move.after]
    new = [move.after for move in comparison.faults if move.after and not move.before]
    if not gone and not new:
        return
    heading(console, "Faults that only one of the two has")
    for words, results in (("Only before", gone), ("Only after", new)):
        if results:
            over = [one for one in results if one.verdict == "over_limit"]
            tail = f": {_ids(over)}" if over else ""
            paragraph(
                console,
                f"{words}: {counted(len(results), 'fault')}, {len(over)} over limit{tail}.",
            )


def _ids(results: Sequence[FaultResult]) -> str:
    shown = [one.fault.id for one in results[:DEFAULT_ROWS]]
    more = len(results) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def _tell_hidden(
    console: Console, moved: int, shown: int, one: str, many: str, show_all: bool
) -> None:
    if not show_all and moved > shown:
        paragraph(console, f"Not shown: {counted(moved - shown, one, many)}; --all shows them.")
