"""A `.kicad_sch` schematic with all of its sheets to drawn parts.

Comes in: the root file.  Goes out: parts with the pins of all their units on named nets, and
the directives of its texts.  A file that stands for several sheets is read once for each.

A local label joins within its sheet, a hierarchical label also the pin of that name on the
sheet's symbol above, a global label and a power symbol everywhere.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath

from netcheck.errors import NetlistError
from netcheck.netlist.lines import raised_by
from netcheck.netlist.schematics.drawn import DrawnCard, DrawnPlace, one_line
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.netlist.schematics.geometry import Joins, Point, TooManyDirectionsError, Wiring
from netcheck.netlist.schematics.lists.net_names import GROUND, NamedNets
from netcheck.netlist.schematics.lists.sheet_file import (
    PlacedSheet,
    PlacedSymbol,
    SheetFile,
    read_sheet_file,
)
from netcheck.netlist.schematics.lists.symbols import PER_MM, LibraryPin, turned
from netcheck.netlist.schematics.parts.drawn_parts import DrawnPart, DrawnPin
from netcheck.netlist.schematics.parts.electrodes import electrode_of
from netcheck.netlist.schematics.parts.tellings import Tellings
from netcheck.source import SourceText, printable

MOST_SHEETS = 500
POWER_BY_VALUE = 20_230_000
"""Since this version of the format the value of a power symbol names its net, not its pin."""
_DIRECTIVE = re.compile(r"\.[A-Za-z]|K\w*\s+L\S+\s+L\S+", re.IGNORECASE)


@dataclass(slots=True)
class _Unit:
    """One unit of a part on one sheet."""

    ref: str
    unit: int
    symbol: PlacedSymbol
    place: DrawnPlace
    pins: list[tuple[LibraryPin, object]]


@dataclass(slots=True)
class SheetTree:
    """Walks the sheets of a schematic and collects what is drawn on them."""

    folder: SheetFolder
    told: Tellings
    title: str = ""
    sources: dict[str, SourceText] = field(default_factory=dict)
    directives: list[DrawnCard] = field(default_factory=list)
    _joins: Joins = field(default_factory=Joins)
    _units: list[_Unit] = field(default_factory=list)
    _labels: list[tuple[object, str, int]] = field(default_factory=list)
    _sheets: int = 0
    _symbols: int = 0
    _root: SheetFile | None = None
    _files: dict[str, SheetFile] = field(default_factory=dict)

    def parts_of(self, source: SourceText) -> list[DrawnPart]:
        """Return the parts of the schematic whose root is `source`."""
        self._root = self._file(source)
        self.title = self._root.title or PurePosixPath(source.name.replace("\\", "/")).stem
        path = (self._root.uuid,) if self._root.uuid else ("",)
        self._walk(self._root, path, "/", (source.name,))
        return self._merged(self._net_words())

    def _file(self, source: SourceText) -> SheetFile:
        if source.name not in self._files:
            self._files[source.name] = read_sheet_file(source)
            self.sources[source.name] = source
        return self._files[source.name]

    def _walk(
        self, sheet: SheetFile, path: tuple[str, ...], shown: str, above: tuple[str, ...]
    ) -> int:
        """Collect what is on a sheet and below it; returns the number of this sheet."""
        self._sheets += 1
        self._symbols += len(sheet.parts)
        self._check_bounds(sheet)
        number = self._sheets
        placed = [(part, self._pins_of(sheet, part, shown)) for part in sheet.parts]
        wiring = self._wiring(sheet, [at for _, pins in placed for _, at in pins], shown)
        for part, pins in placed:
            self._place(sheet, part, path, shown, [(p, (number, wiring.net(at))) for p, at in pins])
        for label in sheet.labels:
            key: object = ("global", label.name)
            if label.kind != "global":
                key = (number, label.name)
                self._labels.append((key, f"{shown}{label.name}", len(path)))
            else:
                self._labels.append((key, label.name, 0))
            self._joins.unite(key, (number, wiring.net(label.at)))
        self._add_directives(sheet)
        for below in sheet.sheets:
            inner = self._below(sheet, below, path, shown, above)
            for name, at in below.pins:
                self._joins.unite((inner, name), (number, wiring.net(at)))
        return number

    def _check_bounds(self, sheet: SheetFile) -> None:
        limit = self.folder.limits.parts
        if self._sheets > MOST_SHEETS:
            raise NetlistError(f"the schematic has more than {MOST_SHEETS} sheets, the limit")
        if self._symbols > limit:
            raise NetlistError(
                f"{sheet.source.name} has more than {limit} symbols, the limit for parts",
                hint=raised_by("parts", limit),
            )
        for line in sheet.buses:
            place = DrawnPlace(sheet.source, line, f"the bus entry on line {line}")
            self.told.error(place, "a bus is not read", "draw the wires one by one")

    def _pins_of(
        self, sheet: SheetFile, part: PlacedSymbol, shown: str
    ) -> list[tuple[LibraryPin, Point]]:
        symbol = sheet.symbols.get(part.shape) or sheet.symbols.get(part.library)
        if symbol is None:
            name = printable(part.library)[:60]
            self.told.error(
                self._drawn(sheet, part, part.fields.get("reference", "?"), shown),
                f"the symbol `{name}` is not in the file: where its pins are cannot be told",
            )
            return []
        x, y = part.at
        pins = symbol.of_unit(part.unit, part.style)
        placed = ((pin, turned(pin.at, part.angle, part.mirror)) for pin in pins)
        return [(pin, (x + dx, y + dy)) for pin, (dx, dy) in placed]

    def _wiring(self, sheet: SheetFile, pins: list[Point], shown: str) -> Wiring:
        wiring = Wiring()
        try:
            for first, second in sheet.wires:
                wiring.add(first, second)
        except TooManyDirectionsError:
            raise NetlistError(f"the wires of {sheet.source.name} run at too many angles") from None
        below = [at for one in sheet.sheets for _, at in one.pins]
        wiring.join([*pins, *(label.at for label in sheet.labels), *below, *sheet.junctions])
        for at in wiring.without_junction([*pins, *below], sheet.junctions):
            where = _at_words(at, shown)
            self.told.warn(
                "wire-without-junction",
                DrawnPlace(sheet.source, 1, f"the wire {where}"),
                f"a wire or a pin touches a wire {where} without a junction: they are taken as "
                "joined",
            )
        return wiring

    def _drawn(self, sheet: SheetFile, part: PlacedSymbol, ref: str, shown: str) -> DrawnPlace:
        return DrawnPlace(sheet.source, part.line, printable(f"{ref} {_at_words(part.at, shown)}"))

    def _place(
        self,
        sheet: SheetFile,
        part: PlacedSymbol,
        path: tuple[str, ...],
        shown: str,
        pins: list[tuple[LibraryPin, object]],
    ) -> None:
        symbol = sheet.symbols.get(part.shape) or sheet.symbols.get(part.library)
        if symbol is None:
            return
        ref, unit = self._reference(part, path)
        for pin, net in pins:
            if pin.kind == "power_in" and (symbol.is_power or pin.is_hidden):
                by_value = symbol.is_power and sheet.version >= POWER_BY_VALUE
                name = part.fields.get("value", "").strip() if by_value else pin.name
                self._joins.unite(("global", name), net)
                self._labels.append((("global", name), name, 0))
        if symbol.is_power or ref.startswith("#"):
            return
        several = symbol.units > 1
        called = f"{ref}{chr(ord('A') + unit - 1)}" if several and 0 < unit < 27 else ref
        place = self._drawn(sheet, part, called, shown)
        if not part.is_fitted:
            self.told.warn(
                "part-set-aside", place, f"{ref} is marked as not fitted: it is left out", ref
            )
            return
        if not ref or ref.endswith("?"):
            self.told.error(place, "the part has no number", "annotate the schematic")
            return
        self._units.append(_Unit(ref, unit if several else 0, part, place, pins))

    def _reference(self, part: PlacedSymbol, path: tuple[str, ...]) -> tuple[str, int]:
        """Return reference and unit of a part on the sheet of this path."""
        found = part.references.get(path)
        if found is None:
            found = next(
                (said for key, said in part.references.items() if key[1:] == path[1:]), None
            )
        if found is None and self._root is not None:
            found = self._root.instances.get((*path[1:], part.uuid))
        if found is None or not found[0]:
            return part.fields.get("reference", ""), part.unit
        return found[0], part.unit

    def _add_directives(self, sheet: SheetFile) -> None:
        for text, at, line in sheet.texts:
            if not _DIRECTIVE.match(text.strip()):
                continue
            x, y = at[0] / PER_MM, at[1] / PER_MM
            place = DrawnPlace(sheet.source, line, f"the directive at ({x:g}, {y:g}) mm")
            for piece in text.split("\n"):
                words = one_line(piece)
                if words.startswith("+") and self.directives:
                    last = self.directives[-1]
                    self.directives[-1] = replace(last, text=f"{last.text} {words[1:]}")
                elif words and words.casefold() != ".end":
                    self.directives.append(DrawnCard(words, place))

    def _below(
        self,
        sheet: SheetFile,
        below: PlacedSheet,
        path: tuple[str, ...],
        shown: str,
        above: tuple[str, ...],
    ) -> int:
        name = printable(below.name)[:60] or "?"
        place = DrawnPlace(sheet.source, below.line, f"the sheet {name}")
        limit = self.folder.limits.subcircuit_depth
        if len(above) > limit:
            hint = raised_by("subcircuit_depth", limit)
            raise place.error(f"sheets nest deeper than {limit}, the limit", hint)
        written = PurePosixPath(below.file.replace("\\", "/"))
        here = PurePosixPath(sheet.source.name.replace("\\", "/")).parent
        try:
            beside = here.relative_to(self.folder.shown) / written
        except ValueError:
            beside = written
        source = self.folder.read(beside, written)
        if source is None:
            file = printable(below.file)[:60]
            raise place.error(
                f"its file `{file}` is not in the schematic's folder", "copy it there"
            )
        if source.name in above:
            raise place.error(f"{source.name} contains itself")
        inner = (*path, below.uuid)
        return self._walk(self._file(source), inner, f"{shown}{name}/", (*above, source.name))

    def _net_words(self) -> dict[object, str]:
        """Return a word for each net: ground first, then global, then local labels, then pins."""
        named, words = NamedNets(), {}
        order = sorted(
            range(len(self._labels)),
            key=lambda place: (
                not GROUND.fullmatch(self._labels[place][1]),
                self._labels[place][2],
            ),
        )
        for place in order:
            key, label, _ = self._labels[place]
            root = self._joins.root(key)
            if root not in words:
                words[root] = named.name(label)
        for wanted in (True, False):
            for unit in self._units:
                electrodes = {pin.number: electrode_of(pin.name) for pin, _ in unit.pins}
                is_tube = {"plate", "cathode"} <= set(electrodes.values())
                for pin, net in unit.pins:
                    electrode = electrodes[pin.number] if is_tube else ""
                    root = self._joins.root(net)
                    if root not in words and (electrode or not wanted):
                        words[root] = named.fresh(_pin_word(unit, pin, electrode))
        return words

    def _merged(self, words: dict[object, str]) -> list[DrawnPart]:
        """Return one part for all units of a reference."""
        labelled = {self._joins.root(key) for key, _, _ in self._labels}
        count = Counter(self._joins.root(net) for unit in self._units for _, net in unit.pins)
        parts: dict[str, DrawnPart] = {}
        for unit in self._units:
            pins = []
            for pin, net in unit.pins:
                root = self._joins.root(net)
                is_free = count[root] == 1 and root not in labelled
                number = unit.unit if pin.unit else 0
                pins.append(DrawnPin(pin.number, _plain(pin.name), words[root], number, is_free))
            known = parts.get(unit.ref)
            if known is None:
                parts[unit.ref] = DrawnPart(
                    unit.ref,
                    unit.symbol.library,
                    unit.symbol.fields.get("value", "").strip(),
                    tuple(pins),
                    unit.place,
                    _fields(unit.symbol),
                    {unit.unit: unit.place},
                )
            elif unit.unit in known.units:
                self.told.error(
                    unit.place,
                    f"the part `{unit.ref}` is there twice, first {known.units[unit.unit].words}",
                    "annotate the schematic",
                )
            else:
                more = tuple(
                    pin for pin in pins if pin.number not in {p.number for p in known.pins}
                )
                parts[unit.ref] = replace(
                    known,
                    pins=(*known.pins, *more),
                    fields={**_fields(unit.symbol), **known.fields},
                    units={**known.units, unit.unit: unit.place},
                )
        return list(parts.values())


def _fields(symbol: PlacedSymbol) -> dict[str, str]:
    return {key: text for key, text in symbol.fields.items() if key not in {"reference", "value"}}


def _plain(name: str) -> str:
    return "" if name == "~" else name


def _pin_word(unit: _Unit, pin: LibraryPin, electrode: str) -> str:
    letter = chr(ord("A") + unit.unit - 1) if 0 < unit.unit < 27 else ""
    return f"{unit.ref}{letter}_{electrode}" if electrode else f"{unit.ref}_{pin.number}"


def _at_words(at: Point, shown: str) -> str:
    place = f"at ({at[0] / PER_MM:g}, {at[1] / PER_MM:g}) mm"
    return place if shown == "/" else f"{place} on sheet {printable(shown.rstrip('/'))}"
