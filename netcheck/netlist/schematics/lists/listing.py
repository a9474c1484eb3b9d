"""S-expressions: nested lists of words and quoted texts, each list with its line.

Comes in: text.  Goes out: its one list as a `Listing`.  The reader keeps its own stack, so
that nesting costs no recursion, and bounds depth and number of lists: a file may come from
a stranger.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from netcheck.errors import NetlistError
from netcheck.source import SourceText, Span

DEEPEST = 100
"""Lists within lists; a schematic has some ten."""
MOST_LISTS = 1_000_000

_TOKEN = re.compile(r'[()]|"(?:[^"\\]|\\.)*"|[^\s()"]+|"', re.DOTALL)
_ESCAPE = re.compile(r"\\(.)", re.DOTALL)
_ESCAPED = {"n": "\n", "t": "\t", "r": "\r"}


@dataclass(slots=True)
class Listing:
    """One list: its first word, what follows, and the line its bracket stands on."""

    name: str
    line: int
    items: list[str | Listing] = field(default_factory=list)

    def all(self, name: str) -> Iterator[Listing]:
        """Yield the lists of this name directly within this one."""
        for item in self.items:
            if isinstance(item, Listing) and item.name == name:
                yield item

    def first(self, name: str) -> Listing | None:
        """Return the first list of this name, if there is one."""
        return next(self.all(name), None)

    def text(self, name: str, default: str = "") -> str:
        """Return the first word of the list of this name."""
        found = self.first(name)
        return default if found is None else found.word(0, default)

    def word(self, place: int, default: str = "") -> str:
        """Return the word at a place behind the name."""
        if place < len(self.items) and isinstance(item := self.items[place], str):
            return item
        return default

    def words(self) -> list[str]:
        """Return the words directly in this list."""
        return [item for item in self.items if isinstance(item, str)]


def read_listing(source: SourceText) -> Listing:
    """Read the one list a file holds; a mistake raises `NetlistError` with its line."""
    text = source.text.replace("\r\n", "\n").replace("\r", "\n")
    root: Listing | None = None
    stack: list[Listing] = []
    lists = line = at = 0
    for match in _TOKEN.finditer(text):
        line, at = line + text.count("\n", at, match.start()), match.start()
        token = match.group()
        if token == "(":
            lists += 1
            if len(stack) >= DEEPEST or lists > MOST_LISTS:
                what = f"nest deeper than {DEEPEST}" if len(stack) >= DEEPEST else "are too many"
                raise _mistake(source, line + 1, f"the lists of {source.name} {what}, the limit")
            stack.append(Listing("", line + 1))
        elif token == ")":
            if not stack:
                raise _mistake(source, line + 1, "a bracket is closed that was never opened")
            done = stack.pop()
            if not stack:
                root = done
                break
            stack[-1].items.append(done)
        elif token == '"':
            raise _mistake(source, line + 1, "a quoted text is never closed")
        elif not stack:
            raise _mistake(source, line + 1, "a list begins with a bracket")
        else:
            _take(stack[-1], token)
    if root is None:
        place = stack[-1].line if stack else 1
        raise _mistake(source, place, f"{source.name} is cut short: a bracket is never closed")
    return root


def _take(listing: Listing, token: str) -> None:
    if token[0] == '"':
        listing.items.append(
            _ESCAPE.sub(lambda found: _ESCAPED.get(found.group(1), found.group(1)), token[1:-1])
        )
    elif not listing.name and not listing.items:
        listing.name = token
    else:
        listing.items.append(token)


def _mistake(source: SourceText, line: int, message: str) -> NetlistError:
    span = Span(source.name, line, 1, line, 2, f"line {line}")
    return NetlistError(message, span=span, hint="is the file whole?")
