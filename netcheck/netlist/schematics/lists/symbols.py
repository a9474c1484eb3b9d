"""The symbols that a `.kicad_sch` file carries: their pins, and which unit each is of.

Comes in: the list `(lib_symbols ...)`.  Goes out: a `LibrarySymbol` by name.  Pins are given
from the symbol's origin with y upwards; on the sheet y runs downwards.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from netcheck.errors import NetcheckError
from netcheck.netlist.schematics.geometry import Point
from netcheck.netlist.schematics.lists.listing import Listing

PER_MM = 10_000
"""Coordinates are whole numbers of a ten-thousandth of a millimeter, the finest they have."""
FARTHEST_MM = 100_000
DEEPEST_EXTENSION = 5


@dataclass(frozen=True, slots=True)
class LibraryPin:
    """A pin of a symbol; unit and style 0 are common to all."""

    number: str
    name: str
    at: Point
    unit: int
    style: int
    kind: str
    is_hidden: bool


@dataclass(frozen=True, slots=True)
class LibrarySymbol:
    """A symbol; `is_power` where it only names a net."""

    pins: tuple[LibraryPin, ...]
    is_power: bool
    units: int

    def of_unit(self, unit: int, style: int) -> Iterator[LibraryPin]:
        """Yield the pins of one unit."""
        for pin in self.pins:
            if pin.unit in {0, unit} and pin.style in {0, style}:
                yield pin


def read_symbols(root: Listing) -> dict[str, LibrarySymbol]:
    """Return the symbols a schematic carries, by the name its parts call them."""
    listed = root.first("lib_symbols")
    symbols = {one.word(0): one for one in listed.all("symbol")} if listed else {}
    return {name: _symbol(name, symbols) for name in symbols}


def _symbol(name: str, symbols: Mapping[str, Listing]) -> LibrarySymbol:
    listing = base = symbols[name]
    for _ in range(DEEPEST_EXTENSION):
        extended = base.text("extends")
        shelf = name.rpartition(":")[0]
        known = symbols.get(f"{shelf}:{extended}") or symbols.get(extended)
        if not extended or known is None:
            break
        base = known
    pins = [pin for unit in (base, *base.all("symbol")) for pin in _pins(unit, unit is base)]
    is_power = listing.first("power") is not None or base.first("power") is not None
    return LibrarySymbol(tuple(pins), is_power, max((pin.unit for pin in pins), default=1))


def _pins(listing: Listing, is_whole: bool) -> Iterator[LibraryPin]:
    unit, style = (0, 0) if is_whole else _unit_and_style(listing.word(0))
    for pin in listing.all("pin"):
        at = pin.first("at")
        hide = pin.first("hide")
        is_hidden = "hide" in pin.words() or (hide is not None and hide.word(0, "yes") == "yes")
        yield LibraryPin(
            number=pin.text("number"),
            name=pin.text("name").replace("~{", "").replace("}", ""),
            at=(coordinate(at.word(0)), coordinate(at.word(1))) if at else (0, 0),
            unit=unit,
            style=style,
            kind=pin.word(0),
            is_hidden=is_hidden,
        )


def _unit_and_style(name: str) -> tuple[int, int]:
    """Read the end of `ECC83_2_1`: unit 2, style 1."""
    words = name.rsplit("_", 2)[1:]
    if len(words) == 2 and all(word.isdecimal() and len(word) < 5 for word in words):
        return int(words[0]), int(words[1])
    return 0, 0


def coordinate(text: str) -> int:
    """Read millimeters; anything else raises `NetcheckError`."""
    try:
        value = Decimal(text)
        if not value.is_finite() or abs(value) > FARTHEST_MM:
            raise InvalidOperation
        return round(value * PER_MM)
    except (InvalidOperation, ValueError):
        raise NetcheckError(f"`{text[:20]}` is not a place on a sheet") from None


def turned(at: Point, angle: int, mirror: str) -> Point:
    """Return where a pin is from its part's place, on a sheet whose y runs downwards.

    A part is turned against the clock first, then mirrored about the x or y axis.
    """
    x, y = {
        0: (at[0], -at[1]), 90: (-at[1], -at[0]), 180: (-at[0], at[1]), 270: (at[1], at[0]),
    }[angle]  # fmt: skip
    return (-x if mirror == "y" else x, -y if mirror == "x" else y)
