"""Physical lines joined to logical ones, with comments set aside.

Comes in: a `SourceText`.  Goes out: one `Line` a card, in which comments and the
`+` of continuations are blanked out by spaces and nothing is moved, so that an
offset into the joined text still tells line and column.

`*` begins a comment at the start of a line, `;` anywhere, `//` and `$` only as a
word of their own (`$n_1` is a net).  Comment lines and blank lines may stand between
a card and its continuation.  A trailing comment that begins with `!` is a part note.
What `netcheck annotate` has written, from its mark to the end of the line, is blank.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from netcheck.source import SourceText, Span

ANNOTATION_MARK = ";~netcheck:"
"""Begins what `netcheck annotate` adds to a line, after notes and comments of the user."""

_COMMENT = re.compile(r";|(?<!\S)\$(?=\s|$)|(?<!\S)//")
_COMMENT_IN_PATH = re.compile(r";|(?<!\S)\$(?=\s|$)")
_PATH_CARD = re.compile(r"\s*\.(inc|include|lib)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Comment:
    """A comment without its mark, and where its text begins."""

    text: str
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Line:
    """One logical line; `starts` are the offsets of its physical lines in `text`."""

    source: SourceText = field(repr=False)
    number: int
    text: str
    starts: tuple[int, ...]
    comments: tuple[Comment, ...] = ()
    following: str = ""

    def place(self, offset: int) -> tuple[int, int]:
        """Return line and column (1-based) of an offset into `text`."""
        index = max(i for i, start in enumerate(self.starts) if start <= offset or i == 0)
        return self.number + index, offset - self.starts[index] + 1

    def span(self, start: int, end: int) -> Span:
        """Return the span of `text[start:end]`."""
        line, column = self.place(start)
        end_line, end_column = self.place(max(end - 1, start))
        return Span(self.source.name, line, column, end_line, end_column + 1)

    @property
    def whole(self) -> Span:
        """The span of the card without blanks and comments around it."""
        stripped = self.text.strip()
        start = len(self.text) - len(self.text.lstrip())
        return self.span(start, start + max(len(stripped), 1))

    @property
    def note(self) -> Comment | None:
        """The part note of this card, without its `!`; several are joined by the caller."""
        return next(iter(self.notes), None)

    @property
    def notes(self) -> tuple[Comment, ...]:
        """Every trailing comment that begins with `!`, without the `!`."""
        return tuple(_without_mark(c) for c in self.comments if c.text.lstrip()[:1] == "!")

    @property
    def remark(self) -> str:
        """The other comments, joined."""
        texts = (c.text.strip() for c in self.comments if c.text.lstrip()[:1] != "!")
        return " ".join(text for text in texts if text)


def _without_mark(comment: Comment) -> Comment:
    skip = comment.text.index("!") + 1
    return Comment(comment.text[skip:], comment.line, comment.column + skip)


def split_comment(text: str, number: int) -> tuple[str, Comment | None]:
    """Return a physical line with its comment blanked, and the comment."""
    own = text.find(ANNOTATION_MARK)
    if own >= 0:
        text = text[:own].ljust(len(text))
    pattern = _COMMENT_IN_PATH if _PATH_CARD.match(text) else _COMMENT
    match = pattern.search(text)
    if match is None:
        return text, None
    blanked = text[: match.start()] + " " * (len(text) - match.start())
    return blanked, Comment(text[match.end() :], number, match.end() + 1)


def _visible(text: str) -> str:
    """Replace characters that could steer a terminal; blanks of any kind become spaces.

    Names and messages are made of this text, so they need no cleaning later.
    """
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() else " " if letter.isspace() else "\N{REPLACEMENT CHARACTER}"
        for letter in text
    )


def _is_comment_line(stripped: str) -> bool:
    return stripped[:1] in {"", "*", ";"} or stripped[:2] == "//" or stripped.split()[0] == "$"


class _Joiner:
    """Collects the physical lines of one card."""

    def __init__(self, source: SourceText) -> None:
        self.source = source
        self.number = 0
        self.pieces: list[str] = []
        self.comments: list[Comment] = []
        self.pending: list[str] = []

    def begin(self, number: int, code: str, comment: Comment | None) -> None:
        self.number, self.pieces, self.pending = number, [code], []
        self.comments = [comment] if comment else []

    def go_on(self, code: str, comment: Comment | None) -> None:
        self.pieces += [" " * len(text) for text in self.pending]
        self.pieces.append(code.replace("+", " ", 1))
        self.pending = []
        self.comments += [comment] if comment else []

    def finish(self) -> Iterator[Line]:
        if not self.pieces:
            return
        starts, offset = [], 0
        for piece in self.pieces:
            starts.append(offset)
            offset += len(piece) + 1
        following = self.pending[0].strip() if self.pending else ""
        yield Line(
            self.source,
            self.number,
            " ".join(self.pieces),
            tuple(starts),
            tuple(self.comments),
            following.lstrip("*;/ ") if following else "",
        )
        self.pieces, self.pending = [], []


def logical_lines(source: SourceText, first: int = 1) -> Iterator[Line]:
    """Yield the cards of `source` from line `first` on.

    A `+` that continues nothing is yielded as a line of its own, for the parser to
    complain about.
    """
    joiner = _Joiner(source)
    for number, raw in enumerate(source.lines[first - 1 :], first):
        text = _visible(raw)
        stripped = text.strip()
        if _is_comment_line(stripped):
            joiner.pending.append(text)
            continue
        code, comment = split_comment(text, number)
        if stripped[0] == "+" and joiner.pieces:
            joiner.go_on(code, comment)
            continue
        yield from joiner.finish()
        joiner.begin(number, code, comment)
    yield from joiner.finish()
