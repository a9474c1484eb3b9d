"""Part notes from the fields of a drawn part.

Fields by the name of a note (`power`, `tol`, `dcr`, ...) or by the words people have for it
(`Voltage`, `Tolerance`) are taken; one that says nothing a note can hold is named.  A field
`Note` holds notes as a netlist has them: `speaker power=10W`.
"""

from __future__ import annotations

from netcheck.errors import NetcheckError
from netcheck.netlist.notes import NoteKey, note_key
from netcheck.netlist.schematics.drawn import as_word, one_line
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.value_texts import rating_of
from netcheck.units import format_quantity, parse_quantity

_DRAWN = {name: key for key in NoteKey for name in key.row.drawn}
_ELECTRIC = {key for key in NoteKey if key.row.drawn}
"""Keys whose figure is read as people write it on a sheet; others go to the reader as they are."""


def notes_of(part: DrawnPart, letter: str) -> tuple[list[str], list[str]]:
    """Return notes for a card of this letter, and fields that look like one and are none."""
    notes: dict[str, str] = {}
    odd: list[str] = []
    for name, text in part.fields.items():
        key = _DRAWN.get(name) or note_key(name)
        if key is None or key.row.letter != letter or not text.strip() or text == "~":
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


def _said(key: NoteKey, text: str, letter: str) -> str | None:
    """Return `key=value`; empty for a flag that is off, None for what is no value."""
    if key.is_flag:
        return key.value if text.casefold() in {"1", "yes", "true", "x", key} else ""
    rating = rating_of(text.replace(" ", ""), letter)
    if rating is not None and rating[0] == key:
        return key.written(rating[1])
    unit = key.row.unit if key in _ELECTRIC else None
    if unit is None:
        return key.written(as_word(text))
    try:
        value = parse_quantity(text.removeprefix("±").strip(), unit)
    except NetcheckError:
        return None
    shown = format_quantity(value, unit, 6).replace(" ", "")
    return key.written(shown) if value > 0 else None
