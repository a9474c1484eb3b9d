"""The names of the subcircuits that a schematic's directives define or include.

Asked for only where a tube's symbol has its pins in another order than the tube on file:
a subcircuit of the user's own then has the order of the symbol.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import PurePosixPath

from netcheck.errors import NetcheckError
from netcheck.netlist.cards import SubcktCard
from netcheck.netlist.gather import Broken, Gathering
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.source import SourceText


def subcircuit_names(
    sources: Mapping[str, SourceText], folder: SheetFolder, directives: Iterable[str]
) -> set[str]:
    """Return the names, in lower case; a mistake in an include is told later by the reader."""
    main = next(iter(sources), "schematic")
    gathering = Gathering(folder.root, folder.limits)
    try:
        gathering.read(SourceText(main, "\n".join(directives)), 1, PurePosixPath())
    except NetcheckError:
        return set()
    cards = (item.content for item in gathering.items if not isinstance(item, Broken))
    return {card.name.text.casefold() for card in cards if isinstance(card, SubcktCard)}
