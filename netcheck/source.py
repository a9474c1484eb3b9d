"""Source text, and where in it something was written.

Comes in: the name and text of a file.  Goes out: `Span` values that every card,
part and finding keeps, and the excerpt with a caret that is shown to a person.
Lines and columns are 1-based and count Unicode code points, as SARIF does with
`columnKind: unicodeCodePoints`; `end_column` points one past the last character.
"""

from __future__ import annotations

from dataclasses import dataclass, field

WIDEST_EXCERPT = 160
"""Longer lines are shown in part, round the place that is meant."""
BEFORE_CARET = 40


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Where a piece of text stands in a file.

    drawn: for a part of a schematic what it is called and where on its sheet it is drawn;
    people are told that, and files for programs get the line.
    """

    file: str
    line: int
    column: int
    end_line: int
    end_column: int
    drawn: str = ""

    def __str__(self) -> str:
        return self.in_file(self.file)

    def in_file(self, file: str) -> str:
        """Return the place in words for a person, with the file by the name that is given."""
        return f"{file}: {self.drawn}" if self.drawn else f"{file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class SourceText:
    """The decoded text of one file, under the name shown to the user.

    `name` is relative to where the user stands or to the main netlist; it is
    never an absolute path of the machine.
    """

    name: str
    text: str
    lines: tuple[str, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        text = self.text.replace("\r\n", "\n").replace("\r", "\n")
        object.__setattr__(self, "lines", tuple(text.split("\n")))

    def line(self, number: int) -> str:
        """Return line `number` (1-based), or an empty string past the end."""
        if 1 <= number <= len(self.lines):
            return self.lines[number - 1]
        return ""

    def excerpt(self, span: Span) -> str:
        """Return the line of `span` with a caret run under it.

        Tabs become single spaces so that the caret stands where it should;
        control characters are shown as a visible replacement.  Of a very long line
        only the part round the caret is shown.
        """
        line = printable(self.line(span.line))
        start = max(span.column - 1, 0)
        end = span.end_column - 1 if span.end_line == span.line else len(line)
        if len(line) > WIDEST_EXCERPT:
            first = max(0, min(start - BEFORE_CARET, len(line) - WIDEST_EXCERPT))
            last = first + WIDEST_EXCERPT
            line = f"{'…' if first else ''}{line[first:last]}{'…' if last < len(line) else ''}"
            start, end = (place - first + (first > 0) for place in (start, end))
            end = min(end, len(line))
        width = max(1, end - start)
        gutter = f"{span.line:>5} | "
        return f"{gutter}{line}\n{' ' * (len(gutter) - 2)}| {' ' * start}{'^' * width}"


def printable(text: str) -> str:
    """Replace characters that could steer a terminal; width is kept."""
    return "".join(
        character if character.isprintable() else (" " if character == "\t" else "�")
        for character in text
    )
