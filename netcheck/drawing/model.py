"""The drawing as data: placed symbols, wires, flags, texts and their boxes.

Comes in: what the layout decided.  Goes out: a frozen `Drawing`; a painter turns
it into SVG or PNG and decides nothing about places.  Coordinates are lattice
units, x to the right and y down; pins and corners of wires lie on whole numbers.

Two pins are connected where a wire, or two flags or two ground marks of the same
name, joins them; `connections` reads that back from the geometry alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

Direction = Literal["right", "down", "left", "up"]
Side = Literal["start", "middle", "end"]
Point = tuple[int, int]

STEP: dict[Direction, Point] = {"right": (1, 0), "down": (0, 1), "left": (-1, 0), "up": (0, -1)}


class Box(NamedTuple):
    """A rectangle by two corners."""

    left: float
    top: float
    right: float
    bottom: float

    def moved(self, dx: float, dy: float) -> Box:
        """Return the box shifted."""
        return Box(self.left + dx, self.top + dy, self.right + dx, self.bottom + dy)

    def grown(self, margin: float) -> Box:
        """Return the box with a margin on every side."""
        return Box(self.left - margin, self.top - margin, self.right + margin, self.bottom + margin)

    def overlaps(self, other: Box) -> bool:
        """Say whether the two share any area."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def joined(self, other: Box) -> Box:
        """Return the smallest box around both."""
        return Box(
            min(self.left, other.left),
            min(self.top, other.top),
            max(self.right, other.right),
            max(self.bottom, other.bottom),
        )

    @property
    def width(self) -> float:
        """Width."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Height."""
        return self.bottom - self.top


@dataclass(frozen=True, slots=True)
class PlacedPin:
    """A pin where it ended up; `facing` is the way a wire leaves it."""

    name: str
    net: str
    at: Point
    facing: Direction


@dataclass(frozen=True, slots=True)
class Label:
    """Lines of text in a box.  `anchor` says how the lines stand in it.

    kind: name (ref and value), caption (room kept for what an annotation says),
        screen (the same for a tube's screen), volts (of a net), pin, heading.
    of: the part or the net it belongs to.
    """

    kind: Literal["name", "caption", "screen", "volts", "pin", "heading"]
    of: str
    box: Box
    lines: tuple[str, ...] = ()
    anchor: Side = "start"


@dataclass(frozen=True, slots=True)
class PlacedPart:
    """A part's symbol: where it is, how it is turned, and what it covers.

    turn: for a part of two pins the way from its first pin to its second; for
        other parts "right", or mirrored: "left" (grid to the right), "down"
        (plate down), "up" (both).
    symbol: name of the shape, see `symbols.py`.
    """

    ref: str
    symbol: str
    at: Point
    turn: Direction
    pins: tuple[PlacedPin, ...]
    body: Box
    labels: tuple[Label, ...]

    @property
    def boxes(self) -> tuple[Box, ...]:
        """Everything the part covers: its symbol and its texts."""
        return (self.body, *(label.box for label in self.labels))


@dataclass(frozen=True, slots=True)
class Wire:
    """A straight or bent line of one net."""

    net: str
    points: tuple[Point, ...]

    def segments(self) -> Iterator[tuple[Point, Point]]:
        """Yield the straight pieces."""
        yield from zip(self.points, self.points[1:], strict=False)


@dataclass(frozen=True, slots=True)
class Flag:
    """A tag with a net's name: all tags of a name are connected."""

    net: str
    at: Point
    facing: Direction
    box: Box


@dataclass(frozen=True, slots=True)
class GroundMark:
    """A ground symbol; `at` is the point that touches the pin or its hook."""

    at: Point
    box: Box
    hook: tuple[Point, ...] = ()
    """From the pin to `at` where the symbol does not stand right on the pin."""


@dataclass(frozen=True, slots=True)
class Area:
    """A frame with a heading around parts that stand apart."""

    heading: str
    box: Box


@dataclass(frozen=True, slots=True)
class Core:
    """The core of a transformer: two lines between its windings."""

    x: float
    top: float
    bottom: float


@dataclass(frozen=True, slots=True)
class Drawing:
    """A schematic, ready to be painted."""

    title: str
    parts: tuple[PlacedPart, ...]
    wires: tuple[Wire, ...]
    flags: tuple[Flag, ...]
    grounds: tuple[GroundMark, ...]
    dots: tuple[Point, ...]
    volts: tuple[Label, ...]
    areas: tuple[Area, ...]
    cores: tuple[Core, ...]
    box: Box

    def part(self, ref: str) -> PlacedPart:
        """Return one part; KeyError where it is not drawn."""
        for part in self.parts:
            if part.ref == ref:
                return part
        raise KeyError(ref)
