"""One `.kicad_sch` file, read list by list but not understood.

What matters of the format: `lib_symbols` carries the symbols; `symbol` is a placed part;
`wire`, `junction`, the labels and `sheet` (with a file below it) make nets; `text` that begins
with a dot is a card.  Everything else is there for the eye.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from netcheck.errors import NetcheckError
from netcheck.netlist.schematics.drawn import DrawnPlace
from netcheck.netlist.schematics.geometry import Point
from netcheck.netlist.schematics.lists.listing import Listing, read_listing
from netcheck.netlist.schematics.lists.symbols import (
    LibrarySymbol,
    coordinate,
    read_symbols,
)
from netcheck.source import SourceText


@dataclass(frozen=True, slots=True)
class PlacedSymbol:
    """A part, or one unit of it, on a sheet; `references` by the path of the sheet."""

    library: str
    shape: str
    at: Point
    angle: int
    mirror: str
    unit: int
    style: int
    uuid: str
    line: int
    is_fitted: bool
    fields: Mapping[str, str]
    references: Mapping[tuple[str, ...], tuple[str, int]]


@dataclass(frozen=True, slots=True)
class PlacedLabel:
    """A label; `kind` is local, global or port (a hierarchical label)."""

    name: str
    at: Point
    kind: str


@dataclass(frozen=True, slots=True)
class PlacedSheet:
    """A sheet below this one: its file, its name, and its pins."""

    file: str
    name: str
    uuid: str
    line: int
    pins: tuple[tuple[str, Point], ...]


@dataclass(slots=True)
class SheetFile:
    """All of one file that matters."""

    source: SourceText
    version: int
    uuid: str
    title: str
    symbols: Mapping[str, LibrarySymbol]
    parts: list[PlacedSymbol] = field(default_factory=list)
    wires: list[tuple[Point, Point]] = field(default_factory=list)
    junctions: list[Point] = field(default_factory=list)
    labels: list[PlacedLabel] = field(default_factory=list)
    sheets: list[PlacedSheet] = field(default_factory=list)
    texts: list[tuple[str, Point, int]] = field(default_factory=list)
    buses: list[int] = field(default_factory=list)
    instances: dict[tuple[str, ...], tuple[str, int]] = field(default_factory=dict)


_LABELS = {"label": "local", "global_label": "global", "hierarchical_label": "port"}
_ANGLES = frozenset({0, 90, 180, 270})


def read_sheet_file(source: SourceText) -> SheetFile:
    """Read a file; a list that cannot be read raises `NetlistError` with its line."""
    root = read_listing(source)
    at = root
    try:
        block = root.first("title_block")
        sheet = SheetFile(
            source,
            _number(root.text("version", "0")),
            root.text("uuid"),
            block.text("title").strip() if block else "",
            read_symbols(root),
        )
        for item in root.items:
            if isinstance(item, Listing):
                at = item
                _read_item(sheet, item)
    except NetcheckError as error:
        place = DrawnPlace(source, at.line, f"line {at.line}")
        raise place.error(f"the list `{at.name[:30]}` cannot be read: {error.message}") from None
    return sheet


def _read_item(sheet: SheetFile, item: Listing) -> None:
    match item.name:
        case "symbol":
            sheet.parts.append(_symbol(item))
        case "wire":
            points = item.first("pts")
            places = [_xy(one) for one in points.all("xy")] if points else []
            sheet.wires += pairwise(places)
        case "junction":
            sheet.junctions.append(_at(item))
        case "label" | "global_label" | "hierarchical_label":
            label = PlacedLabel(_name(item.word(0)), _at(item), _LABELS[item.name])
            sheet.labels.append(label)
        case "sheet":
            sheet.sheets.append(_sheet(item))
        case "text":
            sheet.texts.append((item.word(0), _at(item), item.line))
        case "bus_entry":
            sheet.buses.append(item.line)
        case "symbol_instances":
            for path in item.all("path"):
                key = _path(path.word(0))
                sheet.instances[key] = (path.text("reference"), _number(path.text("unit", "1")))
        case _:
            return


def _symbol(item: Listing) -> PlacedSymbol:
    at = item.first("at")
    angle = round(float(coordinate(at.word(2, "0"))) / 10_000) % 360 if at else 0
    if angle not in _ANGLES:
        raise NetcheckError(f"a part stands at {angle} degrees")
    style = item.text("body_style") or item.text("convert", "1")
    references: dict[tuple[str, ...], tuple[str, int]] = {}
    listed = item.first("instances")
    for project in listed.all("project") if listed else ():
        for path in project.all("path"):
            unit = _number(path.text("unit", "1"))
            references[_path(path.word(0))] = (path.text("reference"), unit)
    return PlacedSymbol(
        library=item.text("lib_id"),
        shape=item.text("lib_name") or item.text("lib_id"),
        at=_at(item),
        angle=angle,
        mirror=item.text("mirror"),
        unit=_number(item.text("unit", "1")),
        style=_number(style),
        uuid=item.text("uuid"),
        line=item.line,
        is_fitted=item.text("dnp", "no") != "yes",
        fields={one.word(0).casefold(): one.word(1) for one in item.all("property")},
        references=references,
    )


def _sheet(item: Listing) -> PlacedSheet:
    fields = {one.word(0).casefold().replace(" ", ""): one.word(1) for one in item.all("property")}
    pins = tuple((_name(pin.word(0)), _at(pin)) for pin in item.all("pin"))
    return PlacedSheet(
        fields.get("sheetfile", ""),
        fields.get("sheetname", ""),
        item.text("uuid"),
        item.line,
        pins,
    )


def _path(text: str) -> tuple[str, ...]:
    return tuple(part for part in text.split("/") if part)


def _name(text: str) -> str:
    return text.replace("{slash}", "/").replace("~{", "").replace("}", "").strip()


def _at(item: Listing) -> Point:
    at = item.first("at")
    if at is None:
        raise NetcheckError("it has no place")
    return _xy(at)


def _xy(item: Listing) -> Point:
    return coordinate(item.word(0)), coordinate(item.word(1))


def _number(text: str) -> int:
    if not text.isdecimal() or len(text) > 9:
        raise NetcheckError(f"`{text[:20]}` is not a number")
    return int(text)
