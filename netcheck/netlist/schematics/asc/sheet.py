"""One `.asc` file, read line by line but not understood.

The format as far as it matters here, one item a line: `WIRE x y x y`; `FLAG x y NET`, where
the net `0` is ground; `SYMBOL NAME x y ORIENTATION`, followed by `SYMATTR NAME TEXT` lines
that belong to it; `TEXT x y JUSTIFICATION SIZE !CARD`, with `\\n` between several cards.
Everything else is there for the eye.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from netcheck.errors import NetcheckError, NetlistError
from netcheck.netlist.lines import ReadLimits, raised_by
from netcheck.netlist.schematics.asc.symbols import whole
from netcheck.netlist.schematics.drawn import DrawnPlace, as_word
from netcheck.netlist.schematics.geometry import Point, TooManyDirectionsError, Wiring
from netcheck.source import SourceText


@dataclass(slots=True)
class AscSymbol:
    """A symbol as placed; `attributes` by lower-case name."""

    name: str
    at: Point
    orientation: str
    line: int
    attributes: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class AscSheet:
    """One `.asc` file, read but not understood."""

    source: SourceText
    wires: list[tuple[Point, Point]] = field(default_factory=list)
    flags: list[tuple[Point, str]] = field(default_factory=list)
    symbols: list[AscSymbol] = field(default_factory=list)
    texts: list[tuple[Point, str, int]] = field(default_factory=list)
    buses: list[int] = field(default_factory=list)


def read_sheet(source: SourceText, limits: ReadLimits) -> AscSheet:
    """Read the lines of a sheet; one that is cut short raises `NetlistError`."""
    sheet = AscSheet(source)
    for number, line in enumerate(source.lines, 1):
        words = line.split()
        if not words:
            continue
        try:
            _read_line(sheet, words, line, number)
        except (IndexError, NetcheckError) as error:
            place = DrawnPlace(source, number, f"line {number}")
            told = error.message if isinstance(error, NetcheckError) else "it is cut short"
            raise place.error(f"a {words[0].upper()} line cannot be read: {told}") from None
    if len(sheet.symbols) > limits.parts:
        raise NetlistError(
            f"{source.name} has more than {limits.parts} symbols, the limit for parts",
            hint=raised_by("parts", limits.parts),
        )
    return sheet


def _read_line(sheet: AscSheet, words: list[str], line: str, number: int) -> None:
    match words[0].upper():
        case "WIRE":
            one, other = (_point(words[1:3]), _point(words[3:5]))
            sheet.wires.append((one, other))
        case "FLAG":
            sheet.flags.append((_point(words[1:3]), words[3]))
        case "SYMBOL":
            # The name may hold blanks; its place and orientation are the last three words.
            name = " ".join(words[1:-3])
            if not name:
                raise NetcheckError("it is cut short")
            sheet.symbols.append(AscSymbol(name, _point(words[-3:-1]), words[-1].upper(), number))
        case "SYMATTR":
            parts = line.split(None, 2)
            if sheet.symbols and len(parts) > 2:
                sheet.symbols[-1].attributes[parts[1].casefold()] = parts[2].strip()
        case "TEXT":
            text = line.split(None, 5)
            sheet.texts.append((_point(words[1:3]), text[5] if len(text) > 5 else "", number))
        case "BUSTAP":
            sheet.buses.append(number)
        case _:
            return


def _point(words: list[str]) -> Point:
    return whole(words[0]), whole(words[1])


class SheetNets:
    """Names of the nets of a sheet: those of its flags, else after one of their pins."""

    def __init__(self, sheet: AscSheet, pins: list[Point]) -> None:
        self.wiring = Wiring()
        try:
            for first, second in sheet.wires:
                self.wiring.add(first, second)
        except TooManyDirectionsError:
            raise NetlistError(f"the wires of {sheet.source.name} run at too many angles") from None
        self.wiring.join([*pins, *(at for at, _ in sheet.flags)])
        labels: dict[str, str] = {}
        for at, label in sheet.flags:
            key = "0" if label.casefold() in {"0", "gnd"} else label.casefold()
            labels.setdefault(key, "0" if key == "0" else as_word(label))
            self.wiring.joins.unite(key, at)
        self.names: dict[object, str] = {}
        # Several labels on one net: ground comes first, then the first of the sheet.
        for key, label in sorted(labels.items(), key=lambda row: row[0] != "0"):
            self.names.setdefault(self.wiring.joins.root(key), label)
        self.taken = {name.casefold() for name in self.names.values()}

    def name(self, at: Point, ref: str, pin: str) -> str:
        """Return the name of the net at a pin; one without a label is named after the pin."""
        net = self.wiring.net(at)
        if net not in self.names:
            wanted = as_word(f"{ref}_{pin}")
            name, number = wanted, 2
            while name.casefold() in self.taken:
                name, number = f"{wanted}_{number}", number + 1
            self.taken.add(name.casefold())
            self.names[net] = name
        return self.names[net]
