"""`netcheck help`: the manual that comes with the package, one file a topic.

Comes in: the name of a topic.  Goes out: `netcheck/manual/TOPIC.md`, its prose and tables laid
out for the width of the terminal, its samples line by line as the program printed them.  A
topic's file begins with its title and one line that says what is in it.
"""

from __future__ import annotations

import os
import re
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from netcheck.cli.shell import guarded, print_report

if TYPE_CHECKING:
    from rich.console import Console

MANUAL = Path(__file__).resolve().parent.parent / "manual"
_SAMPLE_MARK = re.compile(r"^<!-- .*? -->\n", re.MULTILINE)
_FENCED = re.compile(r"^```\w*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_HEADING = re.compile(r"^#+ (.+)$", re.MULTILINE)


@guarded
def help(
    topic: Annotated[
        str | None,
        typer.Argument(metavar="TOPIC", help="One topic of the manual.", show_default=False),
    ] = None,
) -> int:
    """Show the manual: a list of its topics, or one of them."""
    if topic is None:
        print_report(_write_topics)
        return 0
    write = partial(_write_topic, text=_text_of(topic))
    print_report(partial(_paged, write) if sys.stdout.isatty() else write)
    return 0


def topics() -> list[str]:
    """Return the names of the topics, sorted."""
    return sorted(file.stem for file in MANUAL.glob("*.md"))


def _text_of(topic: str) -> str:
    """Return the text of a topic; raises `NetcheckError` where there is none of this name."""
    from netcheck.errors import NetcheckError
    from netcheck.netlist.mistakes import did_you_mean, listed

    known = topics()
    name = topic.casefold()
    if name not in known:
        hint = did_you_mean(topic, known) or f"topics are {listed(known)}"
        raise NetcheckError(f"the manual has no topic `{topic}`", hint=hint)
    return (MANUAL / f"{name}.md").read_text(encoding="utf-8")


def _write_topics(console: Console) -> None:
    from netcheck.report.terminal.layout import hanging, safe

    for topic in topics():
        _, summary, _ = _text_of(topic).split("\n\n", 2)
        hanging(console, f"{topic:<11}", safe(summary.replace("`", "")))
    console.print()
    console.print("`netcheck help TOPIC` shows one of them, `netcheck COMMAND --help` the options.")


def _write_topic(console: Console, text: str) -> None:
    """Write samples as they are, headings as in a report, and lay out what is between."""
    from rich.markdown import Markdown

    from netcheck.report.terminal.layout import heading

    between = _FENCED.split(_SAMPLE_MARK.sub("", text))
    for number, block in enumerate(between):
        if number % 2:
            console.print()
            console.print(block.rstrip("\n"), soft_wrap=True)
            continue
        for place, part in enumerate(_HEADING.split(block)):
            if place % 2:
                heading(console, part.replace("`", ""))
            elif part.strip():
                console.print()
                console.print(Markdown(part))


def _paged(write: partial[None], console: Console) -> None:
    """Show it in the user's pager; `less`, the usual one, is told to pass colors on."""
    os.environ.setdefault("LESS", "-R")
    with console.pager(styles=True):
        write(console)
