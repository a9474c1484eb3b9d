"""Supplies that a sheet only names: a net `+300V` that nothing on the sheet feeds.

Comes in: the cards of a schematic.  Goes out: a DC source for each such net, with a warning.
A net is fed where a source reaches it through resistors, inductors or rectifiers.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable

from netcheck.netlist.schematics.drawn import DrawnCard, as_word
from netcheck.netlist.schematics.parts.tellings import Tellings
from netcheck.netlist.sockets import SocketOf

_VOLTS = re.compile(r"(?<![\d.\w])([+-]?)(\d+(?:\.\d+)?)V(?:DC)?(?![A-Za-z0-9])", re.IGNORECASE)
_NOT_NAMED = re.compile(r"(?:Net-|unconnected-|N\$)", re.IGNORECASE)
_ALTERNATING = re.compile(r"ac|~", re.IGNORECASE)
_TWO_NETS = frozenset("RLVD")


def volts_of(net: str) -> float | None:
    """Return the volts that the name of a net says, None where it says none."""
    if _NOT_NAMED.match(net) or _ALTERNATING.search(net):
        return None
    match = _VOLTS.search(net.replace("_", " "))
    if match is None:
        return None
    return float(match.group(2)) * (-1 if match.group(1) == "-" else 1)


def supply_cards(
    cards: Iterable[DrawnCard], socket_of: SocketOf, told: Tellings
) -> list[DrawnCard]:
    """Return sources for nets that are named after their volts and fed by nothing."""
    first: dict[str, DrawnCard] = {}
    joined: defaultdict[str, set[str]] = defaultdict(set)
    fed: set[str] = set()
    for card in cards:
        letter, nets = card.text[:1].upper(), _nets(card.text)
        if letter in "VI":
            fed |= {*nets}
        for net in nets:
            first.setdefault(net, card)
        if letter in _TWO_NETS or (letter == "X" and _is_rectifier(card.text, socket_of)):
            for net in nets:
                joined[net] |= {*nets}
    fed = _reached(fed - {"0"}, joined)
    added: list[DrawnCard] = []
    for net, card in first.items():
        volts = volts_of(net)
        if volts and net not in fed:
            told.warn(
                "supply-assumed",
                card.place,
                f"nothing on the sheet feeds the net {net}: a source of {volts:g} V without "
                "resistance stands in for its supply",
            )
            added.append(DrawnCard(f"V{as_word(net)} {net} 0 {volts:.9g}", card.place))
    return added


def _nets(text: str) -> list[str]:
    words = text.partition(" ;!")[0].split()
    letter = words[0][:1].upper()
    if letter in {"K", "."}:
        return []
    count = len(words) - 2 if letter == "X" else {"Q": 3, "J": 3, "M": 4}.get(letter, 2)
    return words[1 : 1 + count]


def _is_rectifier(text: str, socket_of: SocketOf) -> bool:
    socket = socket_of(text.partition(" ;!")[0].split()[-1])
    return socket is not None and all("grid" not in one.pins for one in socket.sections)


def _reached(start: set[str], joined: defaultdict[str, set[str]]) -> set[str]:
    seen, ahead = set(start), list(start)
    while ahead:
        for net in joined.get(ahead.pop(), ()):
            if net not in seen and net != "0":
                seen.add(net)
                ahead.append(net)
    return seen
