"""Part notes: what SPICE has no field for, behind `;!` on a card (`;! power=5W tol=5%`).

`NoteKey` is the register, one row a key: how it is written, on which cards, what it means, and
the field of `PartNote` that it fills.  The reader, the writer, the hints, schematics and the
table of the manual all take it from there.

Values carry units and `M` is mega there.  An unknown key is an error with a suggestion, since a
rating that is silently not read would be judged as absent.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from netcheck.errors import NetcheckError, NetlistSyntaxError
from netcheck.netlist.cards import PartNote
from netcheck.netlist.lines import Comment, Line
from netcheck.netlist.mistakes import did_you_mean, listed
from netcheck.source import Span
from netcheck.units import parse_quantity


@dataclass(frozen=True, slots=True)
class NoteRow:
    """What is known of a key.

    sample: as it is written; without `=` it is a flag, which stands alone.  field: of
    `PartNote`.  letter: of the cards it is for.  unit: of a number, as `parse_quantity` takes
    it; None for text.  choices: the only texts there are.  may_be_zero: of a number.  drawn:
    what a schematic may call it, beside its own name.
    """

    sample: str
    field: str
    letter: str
    meaning: str
    unit: str | None = None
    choices: tuple[str, ...] = ()
    may_be_zero: bool = False
    drawn: tuple[str, ...] = ()

    @property
    def is_flag(self) -> bool:
        """Whether it stands alone, without a value."""
        return "=" not in self.sample


class NoteKey(StrEnum):
    """The keys of part notes: each is the word as it is written, and knows its row."""

    row: NoteRow
    _value_: str

    def __new__(cls, row: NoteRow) -> NoteKey:
        """Make the word of a row."""
        word = row.sample.partition("=")[0]
        key = str.__new__(cls, word)
        key._value_ = word
        key.row = row
        return key

    POWER = NoteRow(
        "power=5W", "power_w", "R", "rated watts", unit="W",
        drawn=("power rating", "power_rating", "wattage"),
    )  # fmt: skip
    TOL = NoteRow(
        "tol=5%", "tolerance", "R", "tolerance, used by `--tolerance`", unit="%",
        may_be_zero=True, drawn=("tolerance",),
    )  # fmt: skip
    VOLTS = NoteRow(
        "volts=400V", "volts_v", "C", "rated volts", unit="V",
        drawn=("voltage", "voltage rating", "voltage_rating", "rated voltage"),
    )  # fmt: skip
    MAX_CURRENT = NoteRow(
        "max_current=120mA", "max_current_a", "L", "rated current", unit="A", drawn=("current",)
    )
    DCR = NoteRow(
        "dcr=210ohm", "dcr_ohm", "L", "wire resistance", unit="ohm",
        may_be_zero=True, drawn=("resistance dc",),
    )  # fmt: skip
    TURNS = NoteRow("turns=2800", "turns", "L", "turns", unit="")
    AGE = NoteRow(
        "age=60y", "age_years", "C", "its age tells how likely a leak is", unit="y",
        may_be_zero=True,
    )  # fmt: skip
    DIELECTRIC = NoteRow(
        "dielectric=paper", "dielectric", "C", "its kind tells how likely a leak is"
    )
    POT = NoteRow("pot=VR1", "pot", "R", "one half of a pot, which is two resistors")
    SIDE = NoteRow(
        "side=upper", "pot_side", "R", "which half of the pot", choices=("upper", "lower")
    )
    ENVELOPE = NoteRow("envelope=V2", "envelope", "X", "sections in one bulb")
    SECTION = NoteRow(
        "section=2", "section", "X",
        "which section of its bulb the card is: a number, a letter or a name such as `triode`",
    )  # fmt: skip
    HEATER = NoteRow(
        "heater=elevated:60V", "heater", "X", "heater potential",
        choices=("elevated", "grounded"),
    )  # fmt: skip
    TYPE = NoteRow("type=12AX7", "tube_type", "X", "limits of this type for your own model")
    PLATE_POWER = NoteRow("plate_power=25W", "plate_power_w", "X", "a limit of your own", unit="W")
    SCREEN_POWER = NoteRow(
        "screen_power=8W", "screen_power_w", "X", "a limit of your own", unit="W"
    )
    FUSE = NoteRow("fuse=500mA", "fuse_a", "R", "a resistor that stands for a fuse", unit="A")
    FOLLOWS_MAINS = NoteRow(
        "follows_mains", "follows_mains", "V", "moves with the mains under `--tolerance`"
    )
    INPUT = NoteRow("input", "is_input", "V", "where the signal comes in")
    SPEAKER = NoteRow("speaker", "is_speaker", "R", "the load")
    LAMP = NoteRow("lamp", "is_lamp", "R", "a resistor that stands for a lamp")
    POLARIZED = NoteRow("polarized", "is_polarized", "C", "the first pin is the plus")

    @property
    def is_flag(self) -> bool:
        """Whether it stands alone, without a value."""
        return self.row.is_flag

    def written(self, value: str) -> str:
        """Return the note with a value."""
        return f"{self}={value}"


_KEYS = {key.value: key for key in NoteKey}
_NAMES = tuple(_KEYS)
_ITEM = re.compile(r"[\s,]*(?:([A-Za-z_]\w*)(?:\s*=\s*(\"[^\"]*\"|[^\s,]+))?|(\S+))")
_UNITS = frozenset({"w", "mw", "v", "kv", "ohm", "kohm", "mohm", "a", "ma", "y", "years", "h"})


def note_key(word: str) -> NoteKey | None:
    """Return the key a word is, in whatever case it is written."""
    return _KEYS.get(word.lower())


def unmarked_note(line: Line) -> Comment | None:
    """Return a trailing comment that begins with `key=value` of a part note, without `!`."""
    for comment in line.comments:
        match = _ITEM.match(comment.text)
        key = note_key(match.group(1) or "") if match and match.group(2) else None
        if key and not key.is_flag:
            return comment
    return None


def read_notes(line: Line) -> PartNote:
    """Return the part note of a line; an empty one where there is none."""
    fields: dict[str, Any] = {}
    for comment in line.notes:
        for match in _ITEM.finditer(comment.text.rstrip()):
            _read_item(match, comment, line, fields)
    return PartNote(**fields)


def _read_item(match: re.Match[str], comment: Comment, line: Line, fields: dict[str, Any]) -> None:
    word, value, other = match.groups()
    group = 3 if other else 1
    span = _span(line, comment, match.start(group), match.end())
    if other:
        sample = NoteKey.POWER.row.sample
        raise _mistake(f"`{other}` is not `key=value`", span, line, f"write it like `{sample}`")
    key = note_key(word)
    if key and key.is_flag and value is None:
        fields[key.row.field] = True
        return
    if key is None or key.is_flag:
        raise _mistake(f"a part note has no key `{word}`", span, line, _hint(word, key))
    if value is None:
        raise _mistake(f"`{word}` needs a value", span, line, "write `key=value` without blanks")
    if key.row.field in fields:
        raise _mistake(f"`{word}` is given twice", span, line, "keep one of them")
    try:
        fields.update(_value(key, value.strip('"')))
    except NetcheckError as error:
        raise _mistake(f"note `{word}`: {error.message}", span, line, error.hint) from None


def _hint(word: str, key: NoteKey | None) -> str:
    """Say what may be meant by a word that is no key with a value."""
    if key:
        return f"`{key}` stands alone, without a value"
    if word.lower() in _UNITS:
        sample = NoteKey.POWER.row.sample
        return f"value and unit are written without a blank, such as `{sample}`"
    return did_you_mean(word, _NAMES) or f"known: {listed(_NAMES, 20)}"


def _value(key: NoteKey, text: str) -> dict[str, Any]:
    row = key.row
    if row.unit is not None:
        number = parse_quantity(text, row.unit)
        if number < 0 or (number == 0 and not row.may_be_zero):
            raise NetcheckError(f"`{text}` has to be more than zero")
        return {row.field: number}
    if not row.choices:
        return {row.field: text}
    how, volts = text, ""
    if key == NoteKey.HEATER:
        how, _, volts = text.partition(":")
    if how.lower() not in row.choices:
        hint = did_you_mean(how, row.choices) or f"one of {listed(row.choices)}"
        raise NetcheckError(f"`{how}` is not known", hint=hint)
    return {row.field: how.lower()} | ({"heater_v": parse_quantity(volts, "V")} if volts else {})


def _span(line: Line, comment: Comment, start: int, end: int) -> Span:
    column = comment.column
    return Span(
        line.source.name, comment.line, column + start, comment.line, column + max(end, start + 1)
    )


def _mistake(message: str, span: Span, line: Line, hint: str) -> NetlistSyntaxError:
    return NetlistSyntaxError(message, span=span, source=line.source, hint=hint)


def note_text(note: PartNote) -> str:
    """Return a part note as it is written, without its mark: what `read_notes` reads back."""
    words: list[str] = []
    for key in NoteKey:
        value, unit = getattr(note, key.row.field), key.row.unit
        if value is None or value == "" or value is False:
            continue
        if key.is_flag:
            words.append(key)
        elif unit is None:
            shown = f'"{value}"' if re.search(r"[\s,]", value) else value
            volts = note.heater_v if key == NoteKey.HEATER else None
            words.append(key.written(shown) + (f":{volts:.12g}V" if volts is not None else ""))
        elif unit == "%":
            words.append(key.written(f"{value * 100:.12g}%"))
        else:
            words.append(key.written(f"{value:.12g}{unit}"))
    return " ".join(words)
