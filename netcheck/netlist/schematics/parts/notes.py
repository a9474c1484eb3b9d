"""Part notes from the fields of a drawn part.

Fields by the name of a note (`power`, `tol`, `dcr`, ...) or by the words people have for it
(`Voltage`, `Tolerance`) are taken; one that says nothing a note can hold is named.  A field
`Note` holds notes as a netlist has them: `speaker power=10W`.
"""

from __future__ import annotations

from netcheck.errors import NetcheckError
from netcheck.netlist.parse import known_flags, known_keys
from netcheck.netlist.schematics.drawn import as_word, one_line
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.value_texts import rating_of
from netcheck.units import format_quantity, parse_quantity

_OTHER_NAMES = {
    "voltage": "volts", "voltage rating": "volts", "voltage_rating": "volts", "rated voltage":
    "volts", "power rating": "power", "power_rating": "power", "wattage": "power",
    "tolerance": "tol", "resistance dc": "dcr", "current": "max_current",
}  # fmt: skip
_UNITS = {"volts": "V", "power": "W", "tol": "%", "dcr": "ohm", "max_current": "A"}
_OF_KIND = {
    "C": {"volts", "dielectric", "age", "polarized"},
    "L": {"turns", "dcr", "max_current"},
    "V": {"follows_mains", "input"},
    "X": {"type", "envelope", "section", "heater", "plate_power", "screen_power"},
}


def notes_of(part: DrawnPart, letter: str) -> tuple[list[str], list[str]]:
    """Return notes for a card of this letter, and fields that look like one and are none."""
    notes: dict[str, str] = {}
    odd: list[str] = []
    usable = _OF_KIND.get(letter, set())
    if letter == "R":
        usable = set(known_keys()).difference(*_OF_KIND.values())
    for name, text in part.fields.items():
        key = _OTHER_NAMES.get(name, name)
        if key not in usable or key not in known_keys() or not text.strip() or text == "~":
            continue
        said = _said(key, one_line(text), letter)
        if said is None:
            odd.append(f"{name}: {one_line(text)}")
        elif said:
            notes[key] = said
    written = [notes[key] for key in notes]
    if note := one_line(part.fields.get("note", "")).removeprefix(";").removeprefix("!").strip():
        written.append(note)
    return written, odd


def _said(key: str, text: str, letter: str) -> str | None:
    """Return `key=value`; empty for a flag that is off, None for what is no value."""
    if key in known_flags():
        return key if text.casefold() in {"1", "yes", "true", "x", key} else ""
    rating = rating_of(text.replace(" ", ""), letter)
    if rating is not None and rating[0] == key:
        return "=".join(rating)
    unit = _UNITS.get(key)
    if unit is None:
        return f"{key}={as_word(text)}"
    try:
        value = parse_quantity(text.removeprefix("±").strip(), unit)
    except NetcheckError:
        return None
    shown = format_quantity(value, unit, 6).replace(" ", "")
    return f"{key}={shown}" if value > 0 else None
