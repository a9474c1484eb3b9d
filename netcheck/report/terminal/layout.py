"""How the readable report looks: headings, tables, and text that cannot steer.

Comes in: words and numbers.  Goes out: rich renderables.  Names and messages come
from netlists, so every text passes through `safe`, which makes control characters
visible and never reads markup.  Color only repeats what words say already.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from rich.box import Box
from rich.cells import cell_len
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from netcheck.report.words import VERDICT_WORDS
from netcheck.source import printable

if TYPE_CHECKING:
    from netcheck.judge.base import Verdict

WIDE = 112
"""From here on tables have room for values beside ratios."""
NARROW = 80
"""Below this, tables of many columns become short paragraphs."""
_ROOMY = 100
_LONG_WORD = 24
"""A word of a table longer than this may break."""
DEFAULT_ROWS = 20
"""Rows of a table without `--all`."""

STYLES: dict[Verdict, str] = {
    "over_limit": "bold red",
    "not_solved": "magenta",
    "not_judged": "cyan",
    "at_limit": "yellow",
    "over_in_health": "yellow",
    "within_limits": "green",
}
LEVEL_STYLES = {"error": "bold red", "warning": "yellow", "note": "cyan"}
_RULED = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)


NO_HEADINGS: Mapping[int, str] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    title: str
    justify: Literal["left", "right"] = "left"
    wrap: bool = True


def safe(text: str, style: str = "") -> Text:
    """Return text from anywhere as text: no markup, no control characters."""
    return Text(printable(text), style=style, overflow="fold")


def verdict_text(verdict: Verdict, gross: bool = False, short: bool = False) -> Text:
    """Return a verdict in words, colored."""
    words = VERDICT_WORDS[verdict] + (", gross" if gross else "")
    if short:
        words = words.replace("OVER LIMIT, gross", "OVER, gross")
    return Text(words, style=STYLES[verdict])


def heading(console: Console, title: str) -> None:
    """Write a heading that is one in plain text too."""
    console.print()
    console.print(Text(title, style="bold"))
    console.print(Text("-" * len(title), style="dim"))


def paragraph(console: Console, text: str | Text, indent: int = 0) -> None:
    """Write one paragraph, wrapped and indented as a whole."""
    body = safe(text) if isinstance(text, str) else text
    console.print(Padding(body, (0, 0, 0, indent)))


def bullets(console: Console, texts: Iterable[str | Text]) -> None:
    """Write a list; following lines stand under the first word."""
    for text in texts:
        hanging(console, "- ", safe(text) if isinstance(text, str) else text)


def hanging(console: Console, lead: str, body: Text) -> None:
    """Write `lead` once and `body` beside it."""
    width = max(1, console.width - len(lead))
    lines = body.wrap(console, width, overflow="fold")
    leads = [lead, *[" " * len(lead)] * (len(lines) - 1)]
    pieces = [Text(before).append_text(line) for before, line in zip(leads, lines, strict=True)]
    console.print(Text("\n").join(pieces), no_wrap=True, overflow="ignore", crop=False)


def table(
    console: Console,
    columns: Sequence[Column],
    rows: Iterable[Sequence[str | Text]],
    headings: Mapping[int, str] = NO_HEADINGS,
) -> None:
    """Write a table with a rule under its head; as paragraphs where a word would break.

    headings: lines between rows, by the number of the row that each stands above.
    """
    gap = 1 if console.width >= _ROOMY else 0  # beside the blank that the box itself puts there
    cells = [[safe(cell) if isinstance(cell, str) else cell for cell in row] for row in rows]
    widths = _widths(columns, cells, console.width - (gap + 1) * (len(columns) - 1))
    starts = sorted({0, *headings})
    if widths and 0 in headings:
        console.print(_made(columns, widths, gap, with_head=True))
    for start, end in zip(starts, [*starts[1:], len(cells)], strict=True):
        if start in headings:
            console.print(safe(headings[start], "bold"))
        if widths is None:
            for row in cells[start:end]:
                hanging(console, "- ", _record(columns, row))
        else:
            made = _made(columns, widths, gap, with_head=start == 0 and 0 not in headings)
            for row in cells[start:end]:
                made.add_row(*row)
            console.print(made)


def _made(columns: Sequence[Column], widths: Sequence[int], gap: int, *, with_head: bool) -> Table:
    made = Table(
        box=_RULED, show_edge=False, pad_edge=False, padding=(0, gap, 0, 0), show_header=with_head
    )
    for column, width in zip(columns, widths, strict=True):
        made.add_column(
            Text(column.title),
            justify=column.justify,
            no_wrap=not column.wrap,
            width=width,
            overflow="fold",
            vertical="top",
        )
    return made


def _widths(
    columns: Sequence[Column], cells: Sequence[Sequence[Text]], room: int
) -> list[int] | None:
    """Return the width of each column, the widest giving way first; none where words would break.

    room: what the columns may take together.  A word longer than `_LONG_WORD` may break.
    """
    texts = [[Text(column.title), *(row[at] for row in cells)] for at, column in enumerate(columns)]
    widths = [
        max(cell_len(line) for text in each for line in text.plain.split("\n")) for each in texts
    ]
    least = [
        max(min(_LONG_WORD, cell_len(word)) for text in each for word in text.plain.split() or [""])
        if column.wrap
        else width
        for column, width, each in zip(columns, widths, texts, strict=True)
    ]
    while sum(widths) > room:
        slack = [at for at, width in enumerate(widths) if width > least[at]]
        if not slack:
            return None
        widths[max(slack, key=widths.__getitem__)] -= 1
    return widths


def _record(columns: Sequence[Column], row: Sequence[Text]) -> Text:
    """Return a row of a table as one sentence: the first cell, then what each other one is."""
    lead, *rest = row
    named = (
        Text(f"{column.title} ").append_text(cell)
        for column, cell in zip(columns[1:], rest, strict=True)
        if cell.plain
    )
    return Text(": ").join((lead, Text(", ").join(named)))
