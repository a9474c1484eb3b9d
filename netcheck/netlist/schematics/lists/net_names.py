"""Names of the nets of a schematic as a netlist takes them: one word each, no two alike.

Ground by another name (`GNDA`, `Earth`, `Chassis`) is the net 0 as well, unless a part of the
schematic stands between the two.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from netcheck.netlist.schematics.drawn import as_word
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.tellings import Tellings

GROUND = re.compile(r"/?(?:0|gnd)", re.IGNORECASE)
OTHER_GROUND = re.compile(
    r"/?(?:(?:[adps]|chassis|signal|power|star)?gnd\w*|earth\w*|chassis|agnd|0v)", re.IGNORECASE
)


@dataclass(slots=True)
class NamedNets:
    """Gives each net its word, and keeps nets apart that a netlist would take for one."""

    _words: dict[str, str] = field(default_factory=dict)
    _taken: set[str] = field(default_factory=lambda: {"0", "gnd"})

    def name(self, label: str) -> str:
        """Return the word for a net of the schematic."""
        if GROUND.fullmatch(label):
            return "0"
        if label not in self._words:
            self._words[label] = self.fresh(label.removeprefix("/"))
        return self._words[label]

    def fresh(self, wanted: str) -> str:
        """Return a word that no other net has, like the one that is wanted."""
        wanted = as_word(wanted)
        word, number = wanted, 2
        while word.casefold() in self._taken:
            word, number = f"{wanted}_{number}", number + 1
        self._taken.add(word.casefold())
        return word


def with_one_ground(parts: Iterable[DrawnPart], told: Tellings) -> list[DrawnPart]:
    """Return the parts with every ground on net 0 that no part keeps apart from it."""
    found = list(parts)
    others: dict[str, DrawnPart] = {}
    apart: set[str] = set()
    for part in found:
        nets = {pin.net for pin in part.pins}
        grounds = {net for net in nets if OTHER_GROUND.fullmatch(net)}
        for net in grounds:
            others.setdefault(net, part)
        if len(nets) == BRIDGE and ("0" in nets or grounds == nets):
            apart |= grounds
    joined = sorted(net for net in others if net not in apart)
    for net in joined:
        part = others[net]
        told.warn("ground-joined", part.place, f"the net {net} is taken as ground, net 0", part.ref)
    return [_on_ground(part, frozenset(joined)) for part in found]


BRIDGE = 2
"""Nets of a part that stands between two grounds."""


def _on_ground(part: DrawnPart, grounds: frozenset[str]) -> DrawnPart:
    if not any(pin.net in grounds for pin in part.pins):
        return part
    pins = (replace(pin, net="0") if pin.net in grounds else pin for pin in part.pins)
    return replace(part, pins=tuple(pins))
