"""Values as people write them on a schematic: `100n 630V`, `470R/2W`, `4k7 1% 0.5W`.

Comes in: the text beside a part.  Goes out: its value, and its ratings as the part notes of
a netlist.  What is neither is handed back, so that it can be said that it was set aside.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from netcheck.errors import NetcheckError
from netcheck.netlist.notes import NoteKey
from netcheck.units import MICRO_SIGNS, OHM_SIGNS, parse_quantity

_FRACTIONS = {"½": "1/2", "¼": "1/4", "⅛": "1/8"}
_BETWEEN = re.compile(r"[\s,;|@_]+|(?<=\w)-(?=\d)")
_SEVERAL = re.compile(r"\d\s*\+\s*\d")
_LEADING_R = re.compile(r"[Rr](\d+)$")
_FRACTION = re.compile(r"(\d+)/(\d+)\s*w(?:atts?)?$", re.IGNORECASE)
_PERCENT = re.compile(r"(?:±|\+/?-)?(\d+(?:\.\d+)?)\s*%$")
_VOLTS = re.compile(r"(\d+(?:\.\d+)?)(k?)v(?:dc|w|dcw)?$", re.IGNORECASE)
_WATTS = re.compile(r"(\d+(?:\.\d+)?)(m?)w(?:att|atts)?$", re.IGNORECASE)
_LETTERS = rf"a-zA-Z{MICRO_SIGNS}{OHM_SIGNS}"
_VALUE = re.compile(
    rf"\s*(\d+(?:meg|[{_LETTERS}])\d+[{_LETTERS}]*"  # 4k7, 2R2, 1n5F
    rf"|[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?"
    # Behind a blank only what is a prefix or a unit of these parts: in `130 5W` none is.
    rf"(?:\s(?:meg|[pnmkKMGu{MICRO_SIGNS}])?(?:ohms?|[FfHhRr{OHM_SIGNS}]|mfds?|mmfd?|uuf)?(?!\w)"
    rf"|[{_LETTERS}]*))"
)
PASSIVES = {"R": "resistor", "C": "capacitor", "L": "inductor"}
_UNITS = {"R": "ohm", "C": "F", "L": "H"}
_OLD_UNITS = {"mfd": "uF", "mf": "uF", "uuf": "pF", "mmf": "pF", "mmfd": "pF"}
_OLD = re.compile(r"^([\d.]+)\s*(mmfd|mmf|uuf|mfd|mf)s?$", re.IGNORECASE)
_BARE = re.compile(r"\.?\d+(?:\.\d*)?$")


@dataclass(frozen=True, slots=True)
class ValueText:
    """A value in SI units, ratings as `key=value` of a part note, and what is left."""

    value: float | None
    notes: tuple[str, ...]
    left: tuple[str, ...]
    assumed: str = ""


def read_value_text(text: str, letter: str) -> ValueText:
    """Read the text beside a resistor, a capacitor or an inductor (`letter` R, C or L)."""
    for sign, words in _FRACTIONS.items():
        text = text.replace(sign, words)
    if _SEVERAL.search(text):
        return ValueText(None, (), (text,))  # 20+20uF is two parts
    first, rest = _first(text)
    value, assumed = _value(first, letter)
    notes: dict[NoteKey, str] = {}
    left: list[str] = []
    pieces = _words(rest)
    if value is None and first:
        pieces = [first, *pieces]
    for word in pieces:
        note = rating_of(word, letter)
        if note is None:
            value, left = _late_value(word, letter, value, left)
        else:
            key, figure = note
            if key:
                notes.setdefault(key, figure)
    return ValueText(
        value, tuple(key.written(figure) for key, figure in notes.items()), tuple(left), assumed
    )


def _late_value(
    word: str, letter: str, value: float | None, left: list[str]
) -> tuple[float | None, list[str]]:
    """Take a value that stands behind other words, as in `WW 470R`."""
    if value is None:
        value, _ = _value(word, letter)
        if value is not None:
            return value, left
    return value, [*left, word]


def _first(text: str) -> tuple[str, str]:
    match = _VALUE.match(text)
    if match is None:
        return "", text
    return match.group(1).strip(), text[match.end() :]


def _words(text: str) -> list[str]:
    """Split at blanks and at slashes, but not within a fraction such as `1/2W`."""
    words: list[str] = []
    for word in _BETWEEN.split(text):
        if _FRACTION.match(word.strip("/()-")) or _PERCENT.match(word.strip("/()-")):
            words.append(word.strip("/()-"))
        else:
            words += [piece.strip("()-") for piece in word.split("/")]
    return _joined([word for word in words if word])


def _joined(words: list[str]) -> list[str]:
    """Join a number and the unit behind a blank: `2 W`."""
    joined: list[str] = []
    for word in words:
        if joined and _BARE.match(joined[-1]) and word.casefold() in {"w", "v", "vdc", "%"}:
            joined[-1] += word
        else:
            joined.append(word)
    return joined


def rating_of(word: str, letter: str) -> tuple[NoteKey | None, str] | None:
    """Return the part note that a word such as `630V`, `2W` or `5%` stands for.

    Without a key it is a rating that no note holds, such as a tolerance of a capacitor.
    """
    if match := _PERCENT.match(word):
        return (NoteKey.TOL if letter == "R" else None), f"{match.group(1)}%"
    if letter == "R":
        if match := _FRACTION.match(word):
            if int(match.group(2)) == 0:
                return None
            return NoteKey.POWER, f"{int(match.group(1)) / int(match.group(2)):.6g}W"
        if match := _WATTS.match(word):
            return NoteKey.POWER, f"{match.group(1)}{match.group(2).lower()}W"
    if letter == "C" and (match := _VOLTS.match(word)):
        return NoteKey.VOLTS, f"{match.group(1)}{match.group(2).lower()}V"
    if letter == "L":
        for key, unit in ((NoteKey.MAX_CURRENT, "A"), (NoteKey.DCR, "ohm")):
            if (
                word[-1:].casefold() in {"a", "r", *OHM_SIGNS.casefold()}
                or "ohm" in word.casefold()
            ):
                try:
                    return key, f"{parse_quantity(word, unit):.6g}{unit}"
                except NetcheckError:
                    continue
    return None


def _value(text: str, letter: str) -> tuple[float | None, str]:
    unit = _UNITS[letter]
    if letter == "C" and (old := _OLD.match(text)):
        text = f"{old.group(1)}{_OLD_UNITS[old.group(2).casefold()]}"
    if letter == "C" and _BARE.match(text):
        number = float(text)
        if 0 < number <= 1:
            return number * 1e-6, f"`{text}` without a unit was taken as microfarad"
        return None, ""
    if letter == "R" and (leading := _LEADING_R.match(text)):
        text = f"0.{leading.group(1)}"
    try:
        return parse_quantity(text, unit), ""
    except NetcheckError:
        return None, ""
