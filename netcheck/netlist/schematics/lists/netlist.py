"""S-expression netlists to drawn parts.

Comes in: the list `(export (components ...) (libparts ...) (nets ...))`.  Goes out: parts
with their pins on nets.  Such a file knows no places, so a message names the reference and
the sheet.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import PurePosixPath

from netcheck.errors import NetlistError
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.schematics.drawn import DrawnPlace
from netcheck.netlist.schematics.lists.listing import Listing
from netcheck.netlist.schematics.lists.net_names import NamedNets
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart, DrawnPin
from netcheck.source import SourceText, printable


def parts_of_netlist(root: Listing, source: SourceText, limits: ReadLimits) -> list[DrawnPart]:
    """Return the parts of a netlist; a node of a part that is not there is a mistake."""
    components = root.first("components")
    nets = root.first("nets")
    if components is None or nets is None:
        missing = "components" if components is None else "nets"
        raise NetlistError(f"{source.name} has no list of {missing}", hint="is the file whole?")
    listed = list(components.all("comp"))
    if len(listed) > limits.parts:
        raise NetlistError(
            f"{source.name} has more than {limits.parts} parts, the limit",
            hint=raised_by("parts", limits.parts),
        )
    pins = _pins(nets, source, {comp.text("ref") for comp in listed})
    names = _pin_names(root)
    return [_part(comp, source, pins, names) for comp in listed if comp.text("ref")]


def title_of_netlist(root: Listing, source: SourceText) -> str:
    """Return the title of the first sheet that has one, else the name of the file."""
    design = root.first("design")
    for sheet in design.all("sheet") if design else ():
        block = sheet.first("title_block")
        if block and (title := block.text("title").strip()):
            return title
    return PurePosixPath(source.name.replace("\\", "/")).stem


def _pins(
    nets: Listing, source: SourceText, known: set[str]
) -> dict[str, list[tuple[str, str, str, bool]]]:
    """Return number, name, net and whether it is free of the pins of each part."""
    named = NamedNets()
    pins: dict[str, list[tuple[str, str, str, bool]]] = {}
    for net in nets.all("net"):
        nodes = list(net.all("node"))
        name = named.name(net.text("name") or f"net {net.text('code')}")
        for node in nodes:
            ref = node.text("ref")
            if ref not in known:
                place = DrawnPlace(source, node.line, f"line {node.line}")
                raise place.error(f"`{printable(ref)[:40]}` is on a net and is no part")
            row = (node.text("pin"), node.text("pinfunction"), name, len(nodes) == 1)
            pins.setdefault(ref, []).append(row)
    return pins


def _pin_names(root: Listing) -> dict[tuple[str, str], dict[str, str]]:
    names: dict[tuple[str, str], dict[str, str]] = {}
    for part in _within(root, "libparts", "libpart"):
        pins = {pin.text("num"): pin.text("name") for pin in _within(part, "pins", "pin")}
        names[part.text("lib"), part.text("part")] = pins
    return names


def _within(listing: Listing, outer: str, inner: str) -> Iterator[Listing]:
    found = listing.first(outer)
    return found.all(inner) if found else iter(())


def _part(
    comp: Listing,
    source: SourceText,
    pins: dict[str, list[tuple[str, str, str, bool]]],
    names: dict[tuple[str, str], dict[str, str]],
) -> DrawnPart:
    ref = comp.text("ref")
    library = comp.first("libsource")
    shelf = library.text("lib") if library else ""
    symbol = library.text("part") if library else ""
    sheet = comp.first("sheetpath")
    on = sheet.text("names", "/") if sheet else "/"
    words = printable(ref if on in {"", "/"} else f"{ref} on sheet {on.rstrip('/')}")
    by_number = names.get((shelf, symbol), {})
    units = {
        pin.text("num"): number
        for number, unit in enumerate(_within(comp, "units", "unit"), 1)
        for pin in _within(unit, "pins", "pin")
    }
    return DrawnPart(
        ref=ref,
        library=f"{shelf}:{symbol}" if symbol else "",
        value=comp.text("value").strip(),
        pins=tuple(
            DrawnPin(number, name or by_number.get(number, ""), net, units.get(number, 0), free)
            for number, name, net, free in pins.get(ref, [])
        ),
        place=DrawnPlace(source, comp.line, words),
        fields=_fields(comp),
    )


def _fields(comp: Listing) -> dict[str, str]:
    fields: dict[str, str] = {}
    for field in _within(comp, "fields", "field"):
        # The text stands behind the list of the name: (field (name "Note") "speaker").
        fields[field.text("name").casefold()] = field.word(0) or next(iter(field.words()), "")
    for row in comp.all("property"):
        fields.setdefault(row.text("name").casefold(), row.text("value"))
    return fields
