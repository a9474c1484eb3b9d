"""Where readable text goes: a terminal, or plain text for a pipe or a file.

Comes in: a function that writes to a rich console.  Goes out: a console that reads
no markup into names, or the same text without color and filling blanks.  Rich
leaves out color where the output is no terminal or `NO_COLOR` is set.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import IO

from rich.console import Console


class _PipeConsole(Console):
    """Leaves it to the command line what a reader's early leave means for the exit code."""

    def on_broken_pipe(self) -> None:
        """Hand the error on; rich would end the program here with 1."""
        raise BrokenPipeError


def make_console(file: IO[str], width: int | None = None) -> Console:
    """Return a console that reads no markup, emoji codes or numbers into text."""
    return _PipeConsole(file=file, width=width, markup=False, emoji=False, highlight=False)


def plain_text(write_to: Callable[[Console], None], width: int | None = None) -> str:
    """Return what is written, without color and without the blanks that fill up lines."""
    buffer = io.StringIO()
    console = Console(
        file=buffer, width=width, color_system=None, markup=False, emoji=False, highlight=False
    )
    console.size = console.size  # else rich asks the terminal again for every line
    write_to(console)
    return "".join(f"{line.rstrip()}\n" for line in buffer.getvalue().split("\n")[:-1])
