"""The first line of a netlist: always its title, never a part.

Exported netlists put the path of the drawing there; only its last component is kept,
since a path tells where somebody works.  A title that reads as a card is most likely
a part that got lost, and is a finding.
"""

from __future__ import annotations

import re

from netcheck.errors import NetcheckError
from netcheck.netlist.cards import Card, PartCard
from netcheck.netlist.lines import ReadLimits, logical_lines
from netcheck.netlist.mistakes import SET_ASIDE
from netcheck.netlist.parse import parse_card
from netcheck.source import SourceText, printable
from netcheck.units import parse_spice_value

# Up to the last separator; blanks may stand in folders below a drive, a share or a
# usual top folder, else a path ends at the first blank.
_PATHS = (
    re.compile(r"(?<!\w)(?:[A-Za-z]:[\\/]|\\\\)(?:.*[\\/])?"),
    re.compile(r"(?<!\S)[\"'(]?(?:~|/(?:home|Users|root|mnt|media|tmp|var|opt|srv))/(?:.*/)?"),
    re.compile(r"(?<!\S)[\"'(]?/(?:[^\s/]+/)+"),
)
_DESIGNATOR = re.compile(r"[A-Za-z]{1,3}\d+\w*|V[A-Z]{1,3}")
"""With a number, or a source as people name them: VHT, VNEG.  A lost B+ matters most."""


def read_title(source: SourceText) -> str:
    """Return the title without comment marks, paths and control characters."""
    title = printable(source.line(1)).strip().lstrip("*;").strip()
    for path in _PATHS:
        title = path.sub("", title)
    return title.strip()


def title_is_a_card(source: SourceText, limits: ReadLimits) -> bool:
    """Tell whether the first line would read as a card."""
    first = next(logical_lines(SourceText(source.name, source.line(1))), None)
    if first is None:
        return False
    word = first.text.split()[0]
    if word.startswith("."):
        if word.lower() == ".title":
            return False
        if word.lower() in SET_ASIDE:
            return True
    elif not _DESIGNATOR.fullmatch(word):
        return False
    try:
        return _has_sense(parse_card(first, limits))
    except NetcheckError:
        return False


def _has_sense(card: Card) -> bool:
    """A sentence may parse as a resistor between two words; a value must be a number."""
    content = card.content
    if not isinstance(content, PartCard) or content.letter not in "RCLKVI":
        return True
    given = content.values[-1] if content.values else content.words[-1]
    if content.settings or not hasattr(given, "text"):
        return True
    try:
        parse_spice_value(given.text)
    except NetcheckError:
        return False
    return True
