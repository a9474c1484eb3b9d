"""Cards: what one logical line says, before names and parameters are resolved.

Each card keeps its words with their offsets into the logical line, so that every
later complaint can point at the word itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.netlist.expressions import Expression
from netcheck.netlist.lines import Line
from netcheck.netlist.notes import PartNote
from netcheck.source import Span
from netcheck.units import Ruling


@dataclass(frozen=True, slots=True)
class Word:
    """A word of the card, as written."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Formula:
    """An expression in braces or quotes."""

    expression: Expression
    start: int = 0
    end: int = 0


Value = Word | Formula


@dataclass(frozen=True, slots=True)
class Setting:
    """`key=value`; `text` where the value is quoted text."""

    key: Word
    expression: Expression | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Wave:
    """`SIN(...)` and its like."""

    kind: str
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class PartCard:
    """A part: `words` are its nets, and for K, X and devices names too."""

    ref: Word
    words: tuple[Word, ...]
    values: tuple[Value, ...] = ()
    waves: tuple[Wave, ...] = ()
    settings: tuple[Setting, ...] = ()

    @property
    def letter(self) -> str:
        """The upper-case SPICE letter."""
        return self.ref.text[0].upper()


@dataclass(frozen=True, slots=True)
class ParamCard:
    """`.param`."""

    settings: tuple[Setting, ...]


@dataclass(frozen=True, slots=True)
class ModelCard:
    """`.model`; the values are still text, since vendors put words among them."""

    name: Word
    kind: Word
    values: tuple[tuple[Word, Word], ...]


@dataclass(frozen=True, slots=True)
class SubcktCard:
    """`.subckt`."""

    name: Word
    pins: tuple[Word, ...]
    settings: tuple[Setting, ...]


@dataclass(frozen=True, slots=True)
class EndsCard:
    """`.ends`."""

    name: Word | None


@dataclass(frozen=True, slots=True)
class IncludeCard:
    """`.include` and `.lib`; `section` where a `.lib` names one."""

    path: str
    section: str = ""


@dataclass(frozen=True, slots=True)
class GlobalCard:
    """`.global`."""

    nets: tuple[Word, ...]


@dataclass(frozen=True, slots=True)
class EndCard:
    """`.end`."""


Content = (
    PartCard | ParamCard | ModelCard | SubcktCard | EndsCard | IncludeCard | GlobalCard | EndCard
)


@dataclass(frozen=True, slots=True)
class Card:
    """A card with its line, the places of names in it, rulings and part note."""

    content: Content
    line: Line = field(repr=False)
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    rulings: tuple[tuple[Ruling, int, int], ...] = ()
    note: PartNote = field(default_factory=PartNote)

    def span(self, word: Word | Formula | None = None) -> Span:
        """Return the span of a word of the card, or of the whole card."""
        if word is None or word.end <= word.start:
            return self.line.whole
        return self.line.span(word.start, word.end)

    def span_of_name(self, name: str) -> Span:
        """Return the span of a name in an expression of the card."""
        place = self.places.get(name.lower())
        return self.line.span(*place) if place else self.line.whole
