"""Shapes of the symbols, in lattice units around a part's own center.

Comes in: the name of a symbol and how it is turned.  Goes out: strokes, circles and
filled shapes.  A part of two pins lies along x with its pins at -3 and +3; a tube
stands upright with its plate up and its grid to the left.  The forms are those of
tube-age schematics in America: a zigzag for a resistor, a curved plate for the
outer foil or negative side of a capacitor, loops for a winding (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from netcheck.drawing.model import Direction

Spot = tuple[float, float]
HALF = 3
"""From the center of a part of two pins to its pin."""
RADIUS = 3.0
"""Of a tube's envelope."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points; `share` scales the pen."""

    points: tuple[Spot, ...]
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Ring:
    """A circle."""

    center: Spot
    radius: float
    filled: bool = False


@dataclass(frozen=True, slots=True)
class Fill:
    """A filled polygon."""

    points: tuple[Spot, ...]


Shape = Stroke | Ring | Fill


@lru_cache(maxsize=256)
def shapes(symbol: str, turn: Direction) -> tuple[Shape, ...]:
    """Return the shapes of a symbol as it is turned."""
    make = _TUBES.get(symbol)
    if make is not None:
        return tuple(_mirrored(shape, turn) for shape in make())
    return tuple(_turned(shape, turn) for shape in _TWO_PINS[symbol]())


def is_tube(symbol: str) -> bool:
    """Say whether a symbol is that of a tube."""
    return symbol in _TUBES


def _moved(shape: Shape, move: object) -> Shape:
    assert callable(move)
    match shape:
        case Stroke(points=points, share=share):
            return Stroke(tuple(move(*p) for p in points), share)
        case Ring(center=center, radius=radius, filled=filled):
            return Ring(move(*center), radius, filled)
        case Fill(points=points):
            return Fill(tuple(move(*p) for p in points))


def _mirrored(shape: Shape, turn: Direction) -> Shape:
    across = -1.0 if turn in ("left", "up") else 1.0
    along = -1.0 if turn in ("down", "up") else 1.0
    return _moved(shape, lambda x, y: (x * across, y * along))


def _turned(shape: Shape, turn: Direction) -> Shape:
    cosine, sine = {"right": (1, 0), "down": (0, 1), "left": (-1, 0), "up": (0, -1)}[turn]
    return _moved(shape, lambda x, y: (x * cosine - y * sine, x * sine + y * cosine))


def _arc(center: Spot, radius: float, start: float, end: float, steps: int = 12) -> Stroke:
    """Return an arc from one angle to another, in degrees, y downward."""
    angles = [math.radians(start + (end - start) * n / steps) for n in range(steps + 1)]
    x, y = center
    return Stroke(tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles))


def _leads(reach: float) -> Iterator[Shape]:
    yield Stroke(((-HALF, 0.0), (-reach, 0.0)))
    yield Stroke(((reach, 0.0), (HALF, 0.0)))


def _resistor() -> Iterator[Shape]:
    tips = [(-1.75 + n * 0.5, -0.7 if n % 2 else 0.7) for n in range(8)]
    yield Stroke(((-HALF, 0.0), (-2.0, 0.0), *tips, (2.0, 0.0), (HALF, 0.0)))


def _capacitor() -> Iterator[Shape]:
    yield from _leads(0.3)
    yield Stroke(((-0.3, -1.2), (-0.3, 1.2)), 1.4)
    yield _arc((2.3, 0.0), 2.0, 143.0, 217.0)


def _inductor() -> Iterator[Shape]:
    yield from _leads(2.0)
    for n in range(4):
        yield _arc((-1.5 + n, 0.0), 0.5, 180.0, 360.0)


def _source() -> Iterator[Shape]:
    yield from _leads(1.5)
    yield Ring((0.0, 0.0), 1.5)


def _voltage_source() -> Iterator[Shape]:
    yield from _source()
    yield Stroke(((-1.1, 0.0), (-0.4, 0.0)))
    yield Stroke(((-0.75, -0.35), (-0.75, 0.35)))
    yield Stroke(((0.75, -0.35), (0.75, 0.35)))


def _signal_source() -> Iterator[Shape]:
    yield from _source()
    wave = [(x / 10, 0.6 * math.sin(math.pi * x / 8)) for x in range(-8, 9)]
    yield Stroke(tuple((y, x) for x, y in wave))


def _current_source() -> Iterator[Shape]:
    yield from _source()
    yield Stroke(((-1.0, 0.0), (0.6, 0.0)))
    yield Fill(((1.0, 0.0), (0.3, -0.4), (0.3, 0.4)))


def _diode() -> Iterator[Shape]:
    yield from _leads(0.8)
    yield Fill(((-0.8, -0.9), (0.8, 0.0), (-0.8, 0.9)))
    yield Stroke(((0.8, -0.9), (0.8, 0.9)), 1.4)


def _speaker() -> Iterator[Shape]:
    yield from _leads(1.0)
    yield Stroke(((-1.0, -0.5), (1.0, -0.5), (1.0, 0.4), (-1.0, 0.4), (-1.0, -0.5)))
    yield Stroke(((-1.0, -0.5), (-1.8, -1.4), (1.8, -1.4), (1.0, -0.5)))


def _pot_half() -> Iterator[Shape]:
    yield from _resistor()
    yield Stroke(((-1.5, 1.1), (1.3, -1.0)))
    yield Fill(((1.6, -1.22), (0.95, -1.15), (1.3, -0.65)))


def _dashes(y: float) -> Iterator[Shape]:
    for left, right in ((-1.4, -0.8), (-0.3, 0.3), (0.8, 1.4)):
        yield Stroke(((left, y), (right, y)))


def _envelope(plate: float) -> Iterator[Shape]:
    yield Ring((0.0, 0.0), RADIUS)
    yield Stroke(((0.0, -5.0), (0.0, plate)))
    yield Stroke(((-1.3, plate), (1.3, plate)), 1.6)
    yield Stroke(((-4.0, 0.0), (-1.9, 0.0)))
    yield from _dashes(0.0)
    yield Stroke(((-1.0, 5.0), (-1.0, 1.3), (1.0, 1.3), (1.0, 1.7)))


def _triode() -> Iterator[Shape]:
    yield from _envelope(-1.4)


def _beam() -> Iterator[Shape]:
    yield from _envelope(-2.2)
    yield from _dashes(-1.0)
    yield Stroke(((1.9, -1.0), (4.0, -1.0)))
    for side in (-1.0, 1.0):
        yield Stroke(((side * 1.3, -1.9), (side * 1.8, -1.9), (side * 1.8, -1.4)))


def _pentode() -> Iterator[Shape]:
    yield from _envelope(-2.3)
    yield from _dashes(-1.0)
    yield from _dashes(-1.65)
    yield Stroke(((1.9, -1.0), (4.0, -1.0)))


_TWO_PINS = {
    "resistor": _resistor,
    "capacitor": _capacitor,
    "inductor": _inductor,
    "voltage_source": _voltage_source,
    "signal_source": _signal_source,
    "current_source": _current_source,
    "controlled_source": _source,
    "diode": _diode,
    "speaker": _speaker,
    "pot_half": _pot_half,
}
_TUBES = {"triode": _triode, "beam": _beam, "pentode": _pentode}
