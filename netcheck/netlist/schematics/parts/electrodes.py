"""Which pin of a tube's symbol is which electrode, by the names symbols give their pins."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

WORDS: dict[str, str] = {
    **dict.fromkeys(("p", "pl", "plate", "a", "anode", "a1", "p1", "a2", "p2"), "plate"),
    **dict.fromkeys(("s", "sg", "g2", "screen"), "screen"),
    **dict.fromkeys(("g", "g1", "grid", "cg"), "grid"),
    **dict.fromkeys(("k", "c", "cathode", "cath", "kg3", "g3k"), "cathode"),
}
SUPPRESSOR = frozenset({"g3", "suppressor", "sup"})
ORDER = ("plate", "screen", "grid", "cathode")
_DROPPED = re.compile(r"[^a-z0-9]")


def electrode_of(name: str) -> str:
    """Return plate, screen, grid or cathode for the name of a pin, else nothing."""
    return WORDS.get(_DROPPED.sub("", name.casefold()), "")


def electrode_order(names: Sequence[str]) -> list[int] | None:
    """Return the places of the electrodes in the order of a card.

    None where the names do not tell a plate, a cathode and a grid, each once.
    """
    places: dict[str, int] = {}
    for place, name in enumerate(names):
        electrode = electrode_of(name)
        if electrode and electrode in places:
            return None
        if electrode:
            places[electrode] = place
    if not {"plate", "cathode"} <= places.keys():
        return None
    return [places[electrode] for electrode in ORDER if electrode in places]


def suppressor_of(nets: Mapping[str, str]) -> str:
    """Return the net of the suppressor, of nets by the name of their pin."""
    for name, net in nets.items():
        if _DROPPED.sub("", name.casefold()) in SUPPRESSOR:
            return net
    return ""
