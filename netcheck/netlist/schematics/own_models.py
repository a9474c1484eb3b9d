"""The subcircuits that a schematic's directives define or include.

Asked for only where it matters whether a tube is the one on file or a subcircuit of the
user's own, which has an order of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import PurePosixPath

from netcheck.errors import NetcheckError
from netcheck.netlist.cards import SubcktCard
from netcheck.netlist.gather import Broken, Gathering
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.source import SourceText


def subcircuit_pins(
    sources: Mapping[str, SourceText], folder: SheetFolder, directives: Iterable[str]
) -> dict[str, tuple[str, ...]]:
    """Return pins by lower-case name; a mistake in an include is told later by the reader."""
    main = next(iter(sources), "schematic")
    gathering = Gathering(folder.root, folder.limits)
    try:
        gathering.read(SourceText(main, "\n".join(directives)), 1, PurePosixPath())
    except NetcheckError:
        return {}
    cards = (item.content for item in gathering.cards if not isinstance(item, Broken))
    return {
        card.name.text.casefold(): tuple(pin.text for pin in card.pins)
        for card in cards
        if isinstance(card, SubcktCard)
    }
