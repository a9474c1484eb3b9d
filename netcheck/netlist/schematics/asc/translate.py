"""`.asc` schematics to cards.

Comes in: the text of a schematic, and the folder it lies in.  Goes out: a `Translation`: one
card a symbol, in the order of the sheet, then the directives of its texts.

An orientation is R or M and an angle: M mirrors left to right after it was turned.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from pathlib import PurePosixPath

from netcheck.errors import NetcheckError, NetlistError
from netcheck.findings import Finding
from netcheck.netlist.lines import raised_by
from netcheck.netlist.notes import NoteKey
from netcheck.netlist.schematics.asc.sheet import AscSheet, AscSymbol, SheetNets, read_sheet
from netcheck.netlist.schematics.asc.symbols import (
    POLARIZED,
    CardSymbol,
    SymbolShelf,
    base_name,
)
from netcheck.netlist.schematics.drawn import (
    DrawnCard,
    DrawnPlace,
    Translation,
    as_word,
    one_line,
    raise_all,
)
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.netlist.schematics.geometry import Point
from netcheck.netlist.schematics.own_models import subcircuit_pins
from netcheck.netlist.schematics.parts.electrodes import (
    electrode_of,
    electrode_order,
    suppressor_of,
)
from netcheck.netlist.schematics.parts.value_texts import PASSIVES, ValueText, read_value_text
from netcheck.source import SourceText, printable
from netcheck.units import parse_spice_value

_TURNS: dict[str, Callable[[int, int], Point]] = {
    "R0": lambda x, y: (x, y),
    "R90": lambda x, y: (-y, x),
    "R180": lambda x, y: (-x, -y),
    "R270": lambda x, y: (y, -x),
    "M0": lambda x, y: (-x, y),
    "M90": lambda x, y: (y, x),
    "M180": lambda x, y: (x, -y),
    "M270": lambda x, y: (-y, -x),
}
_VALUE_KEYS = ("spicemodel", "value", "value2", "spiceline", "spiceline2")
_NOTE = re.compile(r";\s*!(.*)", re.DOTALL)


def translate_asc(
    source: SourceText, folder: SheetFolder, is_tube: Callable[[str], bool]
) -> Translation:
    """Translate a schematic; raises the mistakes of all its symbols together."""
    job = _Job(folder, is_tube)
    cards = job.cards_of(read_sheet(source, folder.limits), "", 0)
    raise_all(job.errors, folder.limits)
    title = PurePosixPath(source.name.replace("\\", "/")).stem
    return Translation(title, tuple(cards), tuple(job.findings), job.sources)


class _Job:
    """The translation of a schematic and of the sheets below it."""

    def __init__(self, folder: SheetFolder, is_tube: Callable[[str], bool]) -> None:
        self.folder = folder
        self.is_tube = is_tube
        self.shelf = SymbolShelf(folder)
        self.errors: list[NetcheckError] = []
        self.findings: list[Finding] = []
        self.sources: dict[str, SourceText] = {}
        self.blocks: set[str] = set()
        self.parts = 0

    def cards_of(self, sheet: AscSheet, under: str, depth: int) -> list[DrawnCard]:
        """Return the cards of one sheet; `under` names the block it stands for."""
        self.sources[sheet.source.name] = sheet.source
        self.parts += len(sheet.symbols)
        if self.parts > self.folder.limits.parts:
            raise NetlistError(
                f"the schematic has more than {self.folder.limits.parts} symbols, the limit",
                hint=raised_by("parts", self.folder.limits.parts),
            )
        for number in sheet.buses:
            place = DrawnPlace(sheet.source, number, f"the bus tap on line {number}")
            self.errors.append(place.error("a bus is not read", "draw the wires one by one"))
        placed = [(symbol, self._placed(sheet, symbol)) for symbol in sheet.symbols]
        nets = SheetNets(sheet, [pin for _, pins in placed for pin in pins])
        self._name_after_tubes(placed, nets)
        cards: list[DrawnCard] = []
        below: list[DrawnCard] = []
        for symbol, pins in placed:
            kind = self.shelf.find(symbol.name)
            if kind is None:
                continue
            place = self._place(sheet, symbol)
            if self._is_block(kind, symbol):
                below += self._block(kind, place, depth)
                cards.append(_block_card(symbol, kind, place, nets, pins))
            elif text := self._card(symbol, kind, place, nets, pins):
                cards.append(DrawnCard(text, place))
        cards += below
        cards += _directives(sheet)
        return cards

    def _name_after_tubes(
        self, placed: list[tuple[AscSymbol, list[Point]]], nets: SheetNets
    ) -> None:
        """Name nets without a label after an electrode, where there is one."""
        for symbol, pins in placed:
            kind = self.shelf.find(symbol.name)
            ref = as_word(symbol.attributes.get("instname", ""))
            prefix = kind.defaults.get("prefix", "") if kind else ""
            if kind is None or len(pins) < len(kind.pins) or prefix[:1].upper() != "X":
                continue
            for pin, at in zip(kind.pins, pins, strict=True):
                if electrode := electrode_of(pin.name):
                    nets.name(at, ref, electrode)

    def _place(self, sheet: AscSheet, symbol: AscSymbol) -> DrawnPlace:
        ref = symbol.attributes.get("instname") or f"a symbol `{symbol.name}`"
        words = printable(f"{ref} at ({symbol.at[0]}, {symbol.at[1]})")
        return DrawnPlace(sheet.source, symbol.line, words)

    def _placed(self, sheet: AscSheet, symbol: AscSymbol) -> list[Point]:
        """Return the places of a symbol's pins on the sheet."""
        place = self._place(sheet, symbol)
        kind = self.shelf.find(symbol.name)
        if kind is None:
            shown = printable(symbol.name)[:60]
            self.errors.append(
                place.error(
                    f"the symbol `{shown}` is not known: where its pins are cannot be told",
                    f"put its symbol file `{base_name(shown)}.asy` beside the schematic",
                )
            )
            return []
        turn = _TURNS.get(symbol.orientation)
        if turn is None:
            message = f"`{printable(symbol.orientation)[:20]}` is no orientation"
            self.errors.append(place.error(message, "R0, R90, R180, R270, and M0 to M270"))
            return []
        x, y = symbol.at
        turned = (turn(*pin.at) for pin in kind.pins)
        return [(x + dx, y + dy) for dx, dy in turned]

    def _is_block(self, kind: CardSymbol, symbol: AscSymbol) -> bool:
        prefix = symbol.attributes.get("prefix") or kind.defaults.get("prefix", "")
        return kind.is_block and not prefix

    def _block(self, kind: CardSymbol, place: DrawnPlace, depth: int) -> list[DrawnCard]:
        """Return the subcircuit of a sheet below, the first time it is used."""
        name = kind.name.casefold()
        if name in self.blocks:
            return []
        self.blocks.add(name)
        limit = self.folder.limits.subcircuit_depth
        if depth >= limit:
            raise place.error(
                f"sheets nest deeper than {limit}, the limit",
                raised_by("subcircuit_depth", limit),
            )
        source = self.folder.read(PurePosixPath(f"{kind.name}.asc"))
        if source is None:
            message = f"the sheet `{kind.name}.asc` is not beside the schematic"
            self.errors.append(place.error(message, "copy it there"))
            return []
        inner = self.cards_of(read_sheet(source, self.folder.limits), kind.name, depth + 1)
        pins = " ".join(as_word(pin.name) for pin in kind.pins)
        head = DrawnCard(f".subckt {as_word(kind.name)} {pins}", place)
        return [head, *inner, DrawnCard(".ends", place)]

    def _card(
        self,
        symbol: AscSymbol,
        kind: CardSymbol,
        place: DrawnPlace,
        nets: SheetNets,
        pins: list[Point],
    ) -> str:
        given = {**kind.defaults, **symbol.attributes}
        if not kind.pins or len(pins) < len(kind.pins):
            return ""
        prefix = given.get("prefix", "")[:1].upper()
        ref = as_word(symbol.attributes.get("instname", ""))
        if not prefix or ref == "_":
            what = "no reference" if prefix else "no letter that says what it is (Prefix)"
            self.errors.append(place.error(f"the symbol `{symbol.name}` has {what}"))
            return ""
        if ref[0].upper() != prefix:
            ref = prefix + ref
        names = [pin.name or str(number) for number, pin in enumerate(kind.pins, 1)]
        words = [nets.name(at, ref, name) for at, name in zip(pins, names, strict=True)]
        if prefix == "M" and len(words) == 3:
            words.append(words[-1])  # a symbol without a body pin has it on the source
        texts, notes = self._values(symbol, kind, prefix, given, place)
        if prefix == "X":
            words = self._tube_nets(texts, names, words, ref, place)
        card = " ".join([ref, *words, *texts])
        return f"{card} ;! {' '.join(notes)}" if notes else card

    def _values(
        self,
        symbol: AscSymbol,
        kind: CardSymbol,
        prefix: str,
        given: dict[str, str],
        place: DrawnPlace,
    ) -> tuple[list[str], list[str]]:
        """Return the words behind the nets of a card, and its part notes."""
        texts: list[str] = []
        notes: list[str] = [NoteKey.POLARIZED] if base_name(kind.name) in POLARIZED else []
        for key in _VALUE_KEYS:
            text = one_line(given.get(key, ""))
            if match := _NOTE.search(text):
                notes.append(match.group(1).strip())
                text = text[: match.start()].strip()
            if key == "value" and prefix in {"R", "C", "L"}:
                if not text or ("value" not in symbol.attributes and not text[0].isdigit()):
                    self.errors.append(place.error("the part has no value"))
                    return [], []
                text, ratings = self._plain_value(text, prefix, place)
                notes += ratings
            if text and text != '""':
                texts.append(text)
        return texts, notes

    def _plain_value(self, text: str, letter: str, place: DrawnPlace) -> tuple[str, list[str]]:
        """Return a value as a card takes it; ratings that stand with it become notes."""
        if text[0] in "{'" or "=" in text:
            return text, []
        try:
            parse_spice_value(text)
        except NetcheckError:
            pass
        else:
            return text, []
        read = read_value_text(text, letter)
        if read.value is None:
            shown = printable(text)[:60]
            message = f"`{shown}` is not the value of a {PASSIVES[letter]}"
            self.errors.append(place.error(message, "write it like 4.7k, 470R/2W or 22u 450V"))
            return "", []
        self._set_aside(read, text, place)
        return f"{read.value:.12g}", list(read.notes)

    def _set_aside(self, read: ValueText, text: str, place: DrawnPlace) -> None:
        if read.assumed:
            self.findings.append(Finding("value-assumed", "warning", read.assumed, span=place.span))
        if read.left:
            message = f"`{' '.join(read.left)}` in the value `{text}` says nothing that is used"
            self.findings.append(Finding("text-set-aside", "note", message, span=place.span))

    def _tube_nets(
        self, texts: list[str], names: list[str], nets: list[str], ref: str, place: DrawnPlace
    ) -> list[str]:
        """Bring the nets of a tube on file into the order of its card.

        A subcircuit of the user's own has the order of the symbol, so this is for symbols
        whose pins are not in the order plate, screen, grid, cathode, such as a pentode with
        its suppressor.
        """
        type_name = texts[0].split()[0] if texts else ""
        if not type_name or not self.is_tube(type_name):
            return nets
        order = electrode_order(names)
        if order is None or [nets[place] for place in order] == nets:
            return nets
        if type_name.casefold() in self._own_subcircuits(place.source):
            return nets
        by_name = dict(zip(names, nets, strict=True))
        ordered = [nets[place] for place in order]
        suppressor = suppressor_of(by_name)
        if suppressor and suppressor not in {ordered[-1], "0"}:
            message = (
                f"the suppressor of {ref} is on net {suppressor}, not on its cathode; "
                "it is taken as if it were"
            )
            self.findings.append(Finding("pin-set-aside", "warning", message, ref, place.span))
        left = [name for name, at in zip(names, range(len(nets)), strict=True) if at not in order]
        heaters = [name for name in left if by_name[name] != suppressor]
        if heaters:
            message = f"the pins {', '.join(heaters)} of {ref} are set aside: heater and the like"
            self.findings.append(Finding("pin-set-aside", "note", message, ref, place.span))
        return ordered

    def _own_subcircuits(self, source: SourceText) -> dict[str, tuple[str, ...]]:
        return subcircuit_pins(self.sources, self.folder, _all_directives(source))


def _all_directives(source: SourceText) -> Iterable[str]:
    for line in source.lines:
        words = line.split(None, 5)
        if words and words[0].upper() == "TEXT" and len(words) > 5 and words[5].startswith("!"):
            yield from words[5][1:].split("\\n")


def _block_card(
    symbol: AscSymbol, kind: CardSymbol, place: DrawnPlace, nets: SheetNets, pins: list[Point]
) -> DrawnCard:
    ref = as_word(symbol.attributes.get("instname", "") or f"at_{symbol.at[0]}_{symbol.at[1]}")
    ref = ref if ref[0].upper() == "X" else f"X{ref}"
    words = [nets.name(at, ref, pin.name) for at, pin in zip(pins, kind.pins, strict=False)]
    return DrawnCard(" ".join([ref, *words, as_word(kind.name)]), place)


def _directives(sheet: AscSheet) -> list[DrawnCard]:
    cards: list[DrawnCard] = []
    for at, text, line in sheet.texts:
        if not text.startswith("!"):
            continue
        place = DrawnPlace(sheet.source, line, f"the directive at ({at[0]}, {at[1]})")
        for piece in text[1:].split("\\n"):
            words = one_line(piece)
            if words.startswith("+") and cards:
                cards[-1] = DrawnCard(f"{cards[-1].text} {words[1:]}", cards[-1].place)
            elif words and words.casefold() not in {".end", ".backanno"}:
                cards.append(DrawnCard(words, place))
    return cards
