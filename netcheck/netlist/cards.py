"""Cards: what one logical line says, before names and parameters are resolved.

Each card keeps its words with their offsets into the logical line, so that every
later complaint can point at the word itself.  Its values may be expressions: numbers,
names, calls and references to the circuit.  What SPICE has no field for stands in its
part note, after `;!` at the end, where values carry units and `M` is mega (`20Mohm`),
unlike in the SPICE fields.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from netcheck.netlist.lines import Line
from netcheck.source import Span
from netcheck.units import Ruling


@dataclass(frozen=True, slots=True)
class Number:
    """A number in SI units."""

    value: float


@dataclass(frozen=True, slots=True)
class Name:
    """A parameter; none is left after expansion (except `time`)."""

    name: str


@dataclass(frozen=True, slots=True)
class Voltage:
    """V(net) or V(net, reference)."""

    net: str
    reference: str = "0"


@dataclass(frozen=True, slots=True)
class Current:
    """I(source): current through a voltage source."""

    source: str


@dataclass(frozen=True, slots=True)
class Unary:
    """A sign or a negation before an operand."""

    operator: str
    operand: Expression


@dataclass(frozen=True, slots=True)
class Binary:
    """Two operands and what stands between them."""

    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True, slots=True)
class Choice:
    """condition ? when_true : when_false, or IF(condition, a, b)."""

    condition: Expression
    when_true: Expression
    when_false: Expression


@dataclass(frozen=True, slots=True)
class Call:
    """A function, in lower case, and its arguments."""

    function: str
    arguments: tuple[Expression, ...]


Expression = Number | Name | Voltage | Current | Unary | Binary | Choice | Call


@dataclass(frozen=True, slots=True)
class PartNote:
    """The note of one part; `None` or empty where nothing was said.

    power_w, tolerance (fraction, 0.05 for 5 %), volts_v, max_current_a, dcr_ohm,
    turns, age_years, dielectric, follows_mains, pot and pot_side ("upper" or
    "lower"), envelope (the bulb a section sits in), heater ("elevated", or
    "grounded"), heater_v, tube_type (`type=`), is_input, is_speaker, fuse_a (a resistor
    that stands for a fuse), is_lamp (for a lamp),
    section (which one of its bulb a tube section is), is_polarized (a capacitor whose
    first pin is its plus).
    """

    power_w: float | None = None
    tolerance: float | None = None
    volts_v: float | None = None
    max_current_a: float | None = None
    dcr_ohm: float | None = None
    turns: float | None = None
    age_years: float | None = None
    dielectric: str = ""
    follows_mains: bool = False
    pot: str = ""
    pot_side: str = ""
    envelope: str = ""
    heater: str = ""
    heater_v: float | None = None
    tube_type: str = ""
    is_input: bool = False
    is_speaker: bool = False
    plate_power_w: float | None = None
    screen_power_w: float | None = None
    fuse_a: float | None = None
    is_lamp: bool = False
    section: str = ""
    is_polarized: bool = False


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
