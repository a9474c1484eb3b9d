"""How ink looks, by name: pens, fills and type; texts as a schematic writes them, and their width.

Heat is never said by color alone: a bar with a mark at its limit, the percentage,
a heavier pen and, over the limit, a ring of dashes.  The colors run from light to
dark, so that they keep their order in gray and for color-blind readers.

Widths of texts are in lattice units, those of a wide sans-serif face in em; most faces that a
browser may put in its place are narrower, so a text never leaves its box.
Source of the widths: advance widths of DejaVu Sans, rounded up.
"""

from __future__ import annotations

from dataclasses import dataclass

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


INK, PAPER, FAINT = "#1b2733", "#ffffff", "#6b7785"
HEAT = {
    "cool": "#8fb8cf", "warm": "#e3c04f", "hot": "#dd8a2e", "at": "#b8461f", "over": "#7a1022",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Style:
    """How a line, a shape or a text looks; sizes in pixels."""

    stroke: str = ""
    width: float = 0.0
    fill: str = ""
    dash: tuple[float, ...] = ()
    size: float = 0.0
    bold: bool = False


STYLES: dict[str, Style] = {
    "paper": Style(fill=PAPER),
    "wire": Style(INK, 1.1),
    "dot": Style(fill=INK),
    "pen": Style(INK, 1.3),
    "heavy": Style(INK, 2.0),
    "solid": Style(INK, 1.0, INK),
    "glass": Style(INK, 1.3, PAPER),
    "core": Style(INK, 1.3),
    "pin": Style(fill=FAINT, size=6.5),
    "name": Style(fill=INK, size=NAME_PX, bold=True),
    "value": Style(fill=INK, size=NAME_PX),
    "caption": Style(fill="#21405a", size=CAPTION_PX),
    "loud": Style(fill="#21405a", size=CAPTION_PX, bold=True),
    "volts": Style(fill="#21405a", size=CAPTION_PX),
    "tag": Style(INK, 0.9, "#eef2f5"),
    "tag-text": Style(fill=INK, size=NAME_PX),
    "frame": Style(FAINT, 1.0, "", (6.0, 4.0)),
    "heading": Style(fill=FAINT, size=11.0, bold=True),
    "title": Style(fill=INK, size=13.0, bold=True),
    "bar": Style(INK, 0.8, PAPER),
    "limit": Style(INK, 1.2),
    "before": Style(INK, 0.8, PAPER),
    "fault": Style("#7a1022", 2.2, "", (7.0, 3.0)),
    "changed": Style("#21405a", 1.0, "", (2.0, 2.5)),
    "suspect": Style("#7a1022", 1.1, "", (3.0, 3.0)),
    "note": Style("#21405a", 0.8, PAPER),
    "note-off": Style("#21405a", 1.8, PAPER),
    "note-suspect": Style("#7a1022", 1.8, "#fbf1ea"),
    "leader": Style("#21405a", 0.7),
    "probe": Style("#21405a", 1.2, PAPER),
    "badge": Style(fill=PAPER, size=CAPTION_PX, bold=True),
    **{f"bar-{level}": Style(fill=color) for level, color in HEAT.items()},
    "halo-hot": Style(HEAT["warm"], 5.0),
    "halo-at": Style(HEAT["hot"], 6.5),
    "halo-over": Style(HEAT["at"], 8.0),
    "ring-over": Style(HEAT["over"], 1.8, "", (3.0, 2.0)),
}
HALOS = {"hot": "halo-hot", "at": "halo-at", "over": "halo-over"}
