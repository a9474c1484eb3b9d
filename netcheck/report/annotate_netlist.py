"""The user's own netlist, with what was found out written behind each part.

Comes in: the bytes of the main file and an annotated circuit.  Goes out: the same
bytes, every line kept, with a trailing comment of role, idle values and share of the
limit on the last line of each part's card.  The comment begins with a mark that the
reader takes for the end of the line, so that it may stand behind a part note, and that
a second run recognises and replaces.

Comments are lined up with blanks.  A line that ends in a blank already gets one tab
before the mark instead, so that taking a comment off gives back the very line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from netcheck.netlist.lines import ANNOTATION_MARK, encoding_of
from netcheck.report.annotation import (
    AnnotatedCircuit,
    load_of,
    role_words,
    tube_words,
    volt_words,
)
from netcheck.report.words import quantity_words
from netcheck.source import printable
from netcheck.units import format_quantity

WIDEST = 60
"""Comments are lined up behind the longest line up to this one."""
NOT_ANNOTATED = ("*", ";", "//", "$")
"""How a line begins that is a comment as a whole: it stays as it is."""
END_OF_FILE = "\x1a"
"""Old systems end a text with it; it stays the last letter."""
_LINE = re.compile(r"(\r\n|\n|\r)")


def render(annotated: AnnotatedCircuit, data: bytes) -> bytes:
    """Return the netlist's bytes with the comments, in its own encoding."""
    mark, encoding = encoding_of(data)
    text = data[len(mark) :].decode(encoding)
    body = text.rstrip(END_OF_FILE)
    done = with_comments(body, comments_of(annotated)) + text[len(body) :]
    return mark + done.encode(encoding, errors="replace")


def with_comments(text: str, comments: Mapping[int, str]) -> str:
    """Return the text with a comment behind the lines of these numbers (from 1)."""
    pieces = _LINE.split(text)
    lines = [without_comment(line) for line in pieces[::2]]
    lengths = [len(line) for number, line in enumerate(lines, 1) if number in comments]
    column = max((length for length in lengths if length <= WIDEST), default=0) + 2
    for number, comment in comments.items():
        line = lines[number - 1]
        ends_blank = line != line.rstrip()
        before = f"{line}\t" if ends_blank else line.ljust(max(column, len(line) + 2))
        lines[number - 1] = f"{before}{ANNOTATION_MARK} {comment}"
    pieces[::2] = lines
    return "".join(pieces)


def without_comment(line: str) -> str:
    """Return a line as it was before a comment of ours was put behind it."""
    if line.lstrip().startswith(NOT_ANNOTATED):
        return line
    before, mark, _ = line.partition(ANNOTATION_MARK)
    if not mark:
        return line
    return before[:-1] if before.endswith("\t") else before.rstrip(" ")


def comments_of(annotated: AnnotatedCircuit) -> dict[int, str]:
    """Return the comment of every line of the main file on which a part's card ends."""
    main = next(iter(annotated.circuit.sources), "")
    refs: dict[int, list[str]] = {}
    for part in annotated.circuit:
        if part.span is not None and part.span.file == main and not part.added:
            refs.setdefault(part.span.end_line, []).append(part.ref)
    return {line: _comment(annotated, members) for line, members in sorted(refs.items())}


def _comment(annotated: AnnotatedCircuit, refs: list[str]) -> str:
    if len(refs) == 1:
        return _clean(_of_part(annotated, refs[0]))
    uses = len({ref.rpartition(".")[0] for ref in refs})
    each = [f"{ref}: {_of_part(annotated, ref)}" for ref in refs]
    lead = f"used {uses} times | " if uses > 1 else ""
    return _clean(lead + " | ".join(each))


def _clean(text: str) -> str:
    return printable(text).replace(ANNOTATION_MARK, "")


def _of_part(annotated: AnnotatedCircuit, ref: str) -> str:
    """Return `plate load of X1, 92.1 V, 921 uA, 85 mW, 17%`."""
    words = role_words(annotated.roles, ref) or "role unknown"
    if annotated.circuit[ref].kind == "tube":
        return ", ".join(filter(None, (words, tube_words(annotated, ref).replace(";", ","))))
    load = load_of(annotated, ref)
    pieces = [words]
    if load.volts is not None:
        pieces.append(volt_words(load.volts))
    if load.ampere is not None and abs(load.ampere) >= 1e-9:
        pieces.append(format_quantity(load.ampere, "A", 3))
    if load.watts is not None and load.watts >= 1e-6:
        pieces.append(format_quantity(load.watts, "W", 3))
    if load.share is not None:
        rating = (
            "an assumed rating" if load.assumed else f"its {quantity_words(load.quantity)} rating"
        )
        pieces.append(f"{load.share:.0%} of {rating}")
    return ", ".join(pieces)
