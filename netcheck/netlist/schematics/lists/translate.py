"""S-expression netlists and schematics to the cards of a netlist.

Comes in: a file whose one list is `(export ...)` or `(kicad_sch ...)`.  Goes out: a
`Translation`.  Both are read into drawn parts first, and go one way from there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache

from netcheck.netlist.schematics.drawn import DrawnCard, Translation, one_line, raise_all
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.netlist.schematics.lists.listing import read_listing
from netcheck.netlist.schematics.lists.net_names import with_one_ground
from netcheck.netlist.schematics.lists.netlist import parts_of_netlist, title_of_netlist
from netcheck.netlist.schematics.lists.sheet_tree import SheetTree
from netcheck.netlist.schematics.own_models import subcircuit_pins
from netcheck.netlist.schematics.parts.cards import PartCards
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart
from netcheck.netlist.schematics.parts.supplies import supply_cards
from netcheck.netlist.schematics.parts.tellings import Tellings
from netcheck.netlist.sockets import SocketOf
from netcheck.source import SourceText, printable

_LIBRARY_FIELDS = ("sim.library", "spice_lib_file")


def translate_netlist(
    source: SourceText, folder: SheetFolder, is_tube: Callable[[str], bool], socket_of: SocketOf
) -> Translation:
    """Translate an s-expression netlist."""
    root = read_listing(source)
    parts = parts_of_netlist(root, source, folder.limits)
    title = title_of_netlist(root, source)
    sources = {source.name: source}
    return assembled(title, parts, [], sources, Tellings(), folder, is_tube, socket_of)


def translate_sheets(
    source: SourceText, folder: SheetFolder, is_tube: Callable[[str], bool], socket_of: SocketOf
) -> Translation:
    """Translate an s-expression schematic with all of its sheets."""
    told = Tellings()
    tree = SheetTree(folder, told)
    parts = tree.parts_of(source)
    return assembled(
        tree.title, parts, tree.directives, tree.sources, told, folder, is_tube, socket_of
    )


def assembled(
    title: str,
    parts: Iterable[DrawnPart],
    directives: list[DrawnCard],
    sources: Mapping[str, SourceText],
    told: Tellings,
    folder: SheetFolder,
    is_tube: Callable[[str], bool],
    socket_of: SocketOf,
) -> Translation:
    """Return the translation of drawn parts and directives; raises all mistakes together."""
    grounded = with_one_ground(parts, told)
    directives = [*_libraries(grounded), *directives]

    @cache
    def own_models() -> dict[str, tuple[str, ...]]:
        return subcircuit_pins(sources, folder, [card.text for card in directives])

    cards = PartCards(is_tube, socket_of, told, own_models).of(grounded)
    cards += supply_cards(cards, socket_of, told)
    raise_all(told.errors, folder.limits)
    return Translation(
        one_line(printable(title)) or "schematic",
        (*cards, *directives),
        tuple(told.findings),
        sources,
    )


def _libraries(parts: Iterable[DrawnPart]) -> list[DrawnCard]:
    """Return an include for each library that a field names, the first part's place with it."""
    cards: dict[str, DrawnCard] = {}
    for part in parts:
        for name in _LIBRARY_FIELDS:
            path = one_line(part.fields.get(name, "")).replace("${KIPRJMOD}/", "")
            if path and '"' not in path:
                cards.setdefault(path, DrawnCard(f'.include "{path}"', part.place))
    return list(cards.values())
