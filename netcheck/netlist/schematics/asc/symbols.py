"""Symbols of `.asc` schematics: where their pins are and which card they make.

Comes in: the name of a symbol.  Goes out: a `CardSymbol`, from a symbol file (`.asy`)
beside the schematic, else from the table of the stock symbols.

The table holds facts of the file format: a symbol's pins in the order of the card, as
`x,y` in sheet units from its origin, and the letter its card begins with.  They were taken
from symbol files in public collections.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from netcheck.errors import NetcheckError
from netcheck.netlist.schematics.drawn import DrawnPlace
from netcheck.netlist.schematics.folder import SheetFolder
from netcheck.netlist.schematics.geometry import Point
from netcheck.source import SourceText


@dataclass(frozen=True, slots=True)
class CardPin:
    """A pin of a symbol: its name, and its place from the origin."""

    name: str
    at: Point


@dataclass(frozen=True, slots=True)
class CardSymbol:
    """A symbol that stands for a card; `defaults` are attributes by lower-case name.

    is_block: it stands for another sheet, if the card has no prefix.
    """

    name: str
    pins: tuple[CardPin, ...]
    defaults: Mapping[str, str] = field(default_factory=dict)
    is_block: bool = False


# name: (prefix, pins in the order of the card); several names may share a shape.
_VERTICAL = "A 16,16 B 16,96"
_SHORT = "A 16,0 B 16,64"
_SOURCE = "+ 0,16 - 0,96"
_ARROW = "+ 0,0 - 0,80"
_BIPOLAR = "C 64,0 B 0,48 E 64,96"
_JUNCTION_FET = "D 48,0 G 0,64 S 48,96"
_MOSFET = "D 48,0 G 0,80 S 48,96"
_TABLE = {
    "res": ("R", _VERTICAL), "res2": ("R", _SHORT), "europeanresistor": ("R", _VERTICAL),
    "cap": ("C", _SHORT), "polcap": ("C", _SHORT),
    "europeancap": ("C", _SHORT), "europeanpolcap": ("C", _SHORT),
    "ind": ("L", _VERTICAL), "ind2": ("L", _VERTICAL),
    "voltage": ("V", _SOURCE), "battery": ("V", _SOURCE), "signal": ("V", _SOURCE),
    "cell": ("V", "+ 0,0 - 0,64"), "current": ("I", _ARROW),
    "bv": ("B", _SOURCE), "bi": ("B", _ARROW), "bi2": ("B", "+ 0,80 - 0,0"),
    "e": ("E", "+ 0,16 - 0,96 P -48,32 N -48,80"),
    "e2": ("E", "+ 0,16 - 0,96 P -48,80 N -48,32"),
    "g": ("G", "+ 0,96 - 0,16 P -48,32 N -48,80"),
    "g2": ("G", "+ 0,96 - 0,16 P -48,80 N -48,32"),
    "f": ("F", _ARROW), "h": ("H", _SOURCE),
    "diode": ("D", _SHORT), "zener": ("D", _SHORT), "schottky": ("D", _SHORT),
    "led": ("D", _SHORT), "varactor": ("D", _SHORT),
    "npn": ("Q", _BIPOLAR), "npn2": ("Q", _BIPOLAR), "npn3": ("Q", _BIPOLAR),
    "pnp": ("Q", _BIPOLAR), "pnp2": ("Q", _BIPOLAR),
    "njf": ("J", _JUNCTION_FET), "pjf": ("J", _JUNCTION_FET),
    "nmos": ("M", _MOSFET), "pmos": ("M", _MOSFET),
    "nmos4": ("M", f"{_MOSFET} B 48,48"), "pmos4": ("M", f"{_MOSFET} B 48,48"),
    "triode": ("X", "Plate 0,-48 Grid -48,0 Cathode -32,48"),
    "tetrode": ("X", "Anode 0,-48 Screen 48,0 Grid -48,16 Cathode -32,64"),
    "pentode": ("X", "Cathode -32,64 G1 -48,16 G2 48,0 G3 -48,-16 Anode 0,-64"),
}  # fmt: skip
POLARIZED = frozenset({"polcap", "europeanpolcap"})


class SymbolShelf:
    """The symbols of one schematic, each looked up once."""

    def __init__(self, folder: SheetFolder) -> None:
        self.folder = folder
        self._known: dict[str, CardSymbol | None] = {}

    def find(self, name: str) -> CardSymbol | None:
        """Return a symbol by the name a schematic gives it, None where it is not to be had."""
        if name not in self._known:
            self._known[name] = self._find(name)
        return self._known[name]

    def _find(self, name: str) -> CardSymbol | None:
        path = PurePosixPath(name.replace("\\", "/"))
        base = path.name.removesuffix(".asy")
        file = self.folder.read(PurePosixPath(f"{base}.asy"), path.with_name(f"{base}.asy"))
        if file is not None:
            return read_symbol(file, base)
        return stock_symbol(base)


def base_name(name: str) -> str:
    """Return the name of a symbol without its folders, in lower case."""
    return name.replace("\\", "/").rpartition("/")[2].casefold()


def stock_symbol(base: str) -> CardSymbol | None:
    """Return a symbol of the table."""
    row = _TABLE.get(base.casefold())
    if row is None:
        return None
    prefix, text = row
    words = text.split()
    pins = tuple(CardPin(pin, _point(at)) for pin, at in zip(words[::2], words[1::2], strict=True))
    return CardSymbol(base, pins, {"prefix": prefix})


def _point(text: str) -> Point:
    x, y = text.split(",")
    return int(x), int(y)


def read_symbol(source: SourceText, name: str) -> CardSymbol:
    """Read a symbol file; a pin without its place raises `NetlistError`."""
    pins: list[tuple[int, CardPin]] = []
    defaults: dict[str, str] = {}
    is_block = False
    for number, line in enumerate(source.lines, 1):
        words = line.split(None, 2)
        if not words:
            continue
        match words[0].upper():
            case "SYMBOLTYPE":
                is_block = words[1:2] == ["BLOCK"]
            case "SYMATTR" if len(words) > 1:
                defaults[words[1].casefold()] = words[2].strip() if len(words) > 2 else ""
            case "PIN":
                pins.append((len(pins) + 1, CardPin("", _place_of_pin(line, number, source))))
            case "PINATTR" if pins and len(words) > 2:
                order, pin = pins[-1]
                if words[1].casefold() == "pinname":
                    pins[-1] = (order, CardPin(words[2].strip(), pin.at))
                elif words[1].casefold() == "spiceorder" and words[2].strip().isdecimal():
                    pins[-1] = (int(words[2][:9]), pin)
    ordered = sorted(pins, key=lambda row: row[0])
    return CardSymbol(name, tuple(pin for _, pin in ordered), defaults, is_block)


def _place_of_pin(line: str, number: int, source: SourceText) -> Point:
    try:
        words = line.split()
        return whole(words[1]), whole(words[2])
    except (IndexError, NetcheckError):
        place = DrawnPlace(source, number, f"line {number}")
        raise place.error("a PIN has two whole numbers for its place") from None


def whole(text: str) -> int:
    """Read a coordinate; anything else raises `NetcheckError`."""
    digits = text.lstrip("+-")
    if not digits.isdecimal() or len(digits) > 9 or len(text) - len(digits) > 1:
        raise NetcheckError(f"`{text[:20]}` is not a whole number")
    return int(text)
