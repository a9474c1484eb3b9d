"""How ink looks: pens, fills and type, by name.

Heat is never said by color alone: a bar with a mark at its limit, the percentage,
a heavier pen and, over the limit, a ring of dashes.  The colors run from light to
dark, so that they keep their order in gray and for color-blind readers.
"""

from __future__ import annotations

from dataclasses import dataclass

from netcheck.drawing.text import CAPTION_PX, NAME_PX

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
