"""Texts on the drawing: values as a schematic writes them, and how wide they are.

Comes in: parts and strings.  Goes out: short texts and their width in lattice
units.  Widths are those of a wide sans-serif face, in em; most faces that a
browser may put in its place are narrower, so a text never leaves its box.
Source of the widths: advance widths of DejaVu Sans, rounded up.
"""

from __future__ import annotations

from netcheck.circuit.model import Part
from netcheck.units import format_quantity

UNIT_PX = 10
"""Size of a lattice unit on paper."""
NAME_PX = 9.0
CAPTION_PX = 8.0
BOLDER = 1.12
GAP = 0.4
"""Between a name and the value after it."""
LINE = 1.1
"""Height of a line of text in lattice units."""

_NARROW = frozenset("iljI.,:;|!'()[]/ -")
_WIDE = frozenset("mwMW%@+=~→<>OQGDHNU")
_UNIT = {
    "resistor": "ohm",
    "capacitor": "F",
    "inductor": "H",
    "voltage_source": "V",
    "current_source": "A",
}
LONGEST_TEXT = 22
"""A longer name or value is cut in the middle; the title on hover has it whole."""


def text_width(text: str, size_px: float = NAME_PX, bold: bool = False) -> float:
    """Return the width of a line in lattice units, rather too large than too small."""
    em = sum(0.42 if c in _NARROW else 0.9 if c in _WIDE else 0.66 for c in text)
    return em * size_px / UNIT_PX * (BOLDER if bold else 1.0)


def name_and_value_width(ref: str, value: str) -> float:
    """Return the width of a name in bold and a value after it."""
    return text_width(ref, bold=True) + (GAP + text_width(value) if value else 0.0)


def shortened(text: str, longest: int = LONGEST_TEXT) -> str:
    """Return the text, with its middle left out where it is too long to be drawn."""
    if len(text) <= longest:
        return text
    head = (longest - 1) * 2 // 3
    return f"{text[:head]}…{text[-(longest - 1 - head) :]}"


def pretty(text: str) -> str:
    """Return a quantity with the signs that a schematic has for ohm and micro."""
    number, _, unit = text.partition(" ")
    if unit.endswith("ohm"):
        unit = unit.removesuffix("ohm") + "Ω"
    elif len(unit) > 1 and unit.startswith("u"):
        unit = "µ" + unit[1:]
    return f"{number} {unit}".strip()


def value_text(part: Part) -> str:
    """Return what a schematic prints beside a part's name."""
    if part.kind == "tube":
        return shortened(type_name(part))
    element = part.element
    if part.note.is_input:
        return "input"
    if part.kind in _UNIT and part.value is not None:
        if element and element.waveform and element.waveform.alternating and not part.value:
            return "signal"
        return pretty(format_quantity(part.value, _UNIT[part.kind], 4))
    if element is None:
        return ""
    if element.name:
        return shortened(element.name)
    if part.kind == "controlled_source" and element.value is not None:
        return f"gain {element.value:.4g}"
    return "formula" if element.expression else ""


def type_name(part: Part) -> str:
    """Return the type of a tube: the one on file, else the user's own."""
    if part.tube is not None:
        return part.tube.name
    return part.element.name if part.element else ""
