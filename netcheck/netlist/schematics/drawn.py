"""What every reader of schematics hands on: cards, each with the place it was drawn at.

A schematic is translated into the cards of a netlist, and these go through the same reader
as a netlist that somebody typed.  A card remembers where its part is drawn, so that a
message can name the file, the reference and the place on the sheet.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from netcheck.errors import ManyErrors, NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.lines import ReadLimits
from netcheck.source import SourceText, Span, printable


@dataclass(frozen=True, slots=True)
class DrawnPlace:
    """Where something is drawn: `words` say it to a person (`R5 at (320, 176)`)."""

    source: SourceText = field(repr=False)
    line: int
    words: str

    @property
    def span(self) -> Span:
        """The line of the file that says it, and the place on the sheet."""
        end = len(self.source.line(self.line)) + 1
        return Span(self.source.name, self.line, 1, self.line, max(end, 2), self.words)

    def error(self, message: str, hint: str = "") -> NetlistError:
        """Return a mistake that stands here."""
        return NetlistError(message, span=self.span, hint=hint)


@dataclass(frozen=True, slots=True)
class DrawnCard:
    """One card of the netlist that a schematic stands for."""

    text: str
    place: DrawnPlace


@dataclass(frozen=True, slots=True)
class Translation:
    """A schematic as the cards it stands for."""

    title: str
    cards: tuple[DrawnCard, ...]
    findings: tuple[Finding, ...]
    sources: Mapping[str, SourceText]

    @property
    def text(self) -> str:
        """The netlist, one card a line below its title."""
        return "\n".join([self.title, *(card.text for card in self.cards)]) + "\n"


_NOT_IN_A_WORD = re.compile(r"[\s(),={}'\";]+")
_DOLLAR = re.compile(r"^\$+$|^//")


def as_word(text: str) -> str:
    """Return a name as one word of a card: what cannot stand in it becomes `_`."""
    word = _NOT_IN_A_WORD.sub("_", printable(text).strip())
    return _DOLLAR.sub("_", word) or "_"


def one_line(text: str) -> str:
    """Return a text as one line: it goes into one card."""
    return " ".join(printable(part) for part in text.split())


def raise_all(errors: Iterable[NetcheckError], limits: ReadLimits) -> None:
    """Raise the mistakes of a schematic together, if there are any."""
    found = list(errors)
    if not found:
        return
    if len(found) == 1:
        raise found[0]
    shown = found[: limits.errors]
    if len(found) > len(shown):
        shown.append(NetlistError(f"and {len(found) - len(shown)} more mistakes"))
    raise ManyErrors(shown)
