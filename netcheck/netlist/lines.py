"""Bytes of a netlist file to text, and its physical lines to logical ones.

Comes in: a path or bytes.  Goes out: a `SourceText`, and of it one `Line` a card, in
which comments and the `+` of continuations are blanked out by spaces and nothing is
moved, so that an offset into the joined text still tells line and column.

Netlists travel as UTF-8, as UTF-16 from Windows tools and as Latin-1 from old ones; a
byte-order mark decides, else zero bytes at every second place tell UTF-16, else what is
valid UTF-8 is UTF-8 and the rest is Latin-1, in which every byte is a letter.

`*` begins a comment at the start of a line, `;` anywhere, `//` and `$` only as a
word of their own (`$n_1` is a net).  Comment lines and blank lines may stand between
a card and its continuation.  A trailing comment that begins with `!` is a part note.
What `netcheck annotate` has written, from its mark to the end of the line, is blank.

A netlist comes from a stranger as often as from the user's own bench, and a few lines
of nested subcircuits can ask for a billion parts: `ReadLimits` says how much it may ask
for.  Each limit is far above any amplifier, and the message that refuses names the limit
and the option that raises it.
"""

from __future__ import annotations

import codecs
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from netcheck.errors import NetlistError, NetlistSyntaxError
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


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Upper bounds, all inclusive.

    `file_bytes` is the sum over the netlist and what it includes; `expression_depth`
    counts nested operations; `parameter_depth` counts parameters that lean on one
    another; `errors` is how many mistakes are shown in one run.
    """

    file_bytes: int = 2_000_000
    lines: int = 50_000
    card_characters: int = 20_000
    parts: int = 20_000
    subcircuit_depth: int = 20
    include_depth: int = 10
    expression_depth: int = 120
    parameter_depth: int = 40
    errors: int = 20


DEFAULT_LIMITS = ReadLimits()


def raised_by(name: str, value: int) -> str:
    """Return the hint that tells how to raise a limit."""
    return f"`--limit {name}={2 * value}` allows more"


_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_ORDINARY = frozenset("\t\n\r\f\v")
_END_OF_FILE = "\x1a"
_SHARE_OF_CONTROL = 0.01


def read_source(path: Path, name: str, limits: ReadLimits) -> SourceText:
    """Read a file under the name that is shown to the user."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise NetlistError(f"{name} is not a file", hint="name the netlist file itself")
        with path.open("rb") as file:
            data = file.read(limits.file_bytes + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not a path"
        raise NetlistError(f"{name} cannot be read: {reason}") from None
    if len(data) > limits.file_bytes:
        raise NetlistError(
            f"{name} is larger than {limits.file_bytes} bytes, the limit for a netlist",
            hint=raised_by("file_bytes", limits.file_bytes),
        )
    return SourceText(name, decode(data, name))


def decode(data: bytes, name: str) -> str:
    """Decode the bytes of a netlist; binary data raises `NetlistSyntaxError`."""
    text = _decoded(data, name).rstrip(_END_OF_FILE)
    cards = "\n".join(line for line in text.split("\n") if line.lstrip()[:1] not in {"*", ";"})
    odd = sum(1 for letter in cards if letter < " " and letter not in _ORDINARY)
    if "\0" in text or odd > _SHARE_OF_CONTROL * len(text):
        raise _binary(name)
    return text


def encoding_of(data: bytes) -> tuple[bytes, str]:
    """Return the byte-order mark of a netlist's bytes, if there is one, and the encoding."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return mark, encoding
    if guessed := _utf16_without_mark(data):
        return b"", guessed
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return b"", "latin-1"
    return b"", "utf-8"


def _decoded(data: bytes, name: str) -> str:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return data[len(mark) :].decode(encoding)
            except UnicodeDecodeError:
                raise _binary(name) from None
    if guessed := _utf16_without_mark(data):
        try:
            return data.decode(guessed)
        except UnicodeDecodeError:
            raise _binary(name) from None
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _utf16_without_mark(data: bytes) -> str:
    sample = data[:4000]
    if len(sample) < 4 or len(data) % 2:
        return ""
    half = len(sample) // 2
    if sample[1::2].count(0) > 0.8 * half and sample[0::2].count(0) == 0:
        return "utf-16-le"
    if sample[0::2].count(0) > 0.8 * half and sample[1::2].count(0) == 0:
        return "utf-16-be"
    return ""


def _binary(name: str) -> NetlistSyntaxError:
    return NetlistSyntaxError(
        f"{name} is not text", hint="a netlist is a text file; was another file meant?"
    )
