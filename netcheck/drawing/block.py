"""A block: parts placed relative to each other, moved and mirrored as one.

Comes in: spots.  Goes out: spots in the same arrangement elsewhere, and the box
they cover.  A block knows nothing of circuits beyond the shape of its parts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from netcheck.circuit.model import Circuit
from netcheck.drawing.geometry import OPPOSITE, Spot, covered, outline, place, symbol_of
from netcheck.drawing.model import Area, Box, Core, Direction
from netcheck.drawing.symbols import is_tube


@dataclass
class Block:
    """Parts with places; grows while a layout is being made."""

    circuit: Circuit
    spots: list[Spot] = field(default_factory=list)
    cores: list[Core] = field(default_factory=list)
    areas: list[Area] = field(default_factory=list)

    def add(self, ref: str, x: int, y: int, turn: Direction) -> None:
        """Place one part."""
        self.spots.append(Spot(ref, x, y, turn))

    def take(self, other: Block, dx: int = 0, dy: int = 0) -> None:
        """Take in another block, shifted."""
        self.spots += [spot.moved(dx, dy) for spot in other.spots]
        self.cores += [Core(c.x + dx, c.top + dy, c.bottom + dy) for c in other.cores]
        self.areas += [Area(a.heading, a.box.moved(dx, dy)) for a in other.areas]

    @property
    def box(self) -> Box:
        """What the block covers; an empty block covers nothing at the origin."""
        boxes = [outline(place(self.circuit[spot.ref], spot)) for spot in self.spots]
        boxes += [area.box for area in self.areas]
        return joined(boxes) or Box(0, 0, 0, 0)

    def upside_down(self) -> Block:
        """Return the mirror image about the x axis."""
        spots = [replace(s, y=-s.y, turn=self._flipped(s, along=True)) for s in self.spots]
        cores = [Core(core.x, -core.bottom, -core.top) for core in self.cores]
        return Block(self.circuit, spots, cores)

    def left_to_right(self) -> Block:
        """Return the mirror image about the y axis; upright parts have their texts left."""
        spots = []
        for spot in self.spots:
            turn = self._flipped(spot, along=False)
            upright = turn in ("up", "down") and not self._has_tube_shape(spot)
            spots.append(
                replace(spot, x=-spot.x, turn=turn, texts="left" if upright else spot.texts)
            )
        return Block(self.circuit, spots)

    def _has_tube_shape(self, spot: Spot) -> bool:
        return is_tube(symbol_of(self.circuit[spot.ref]))

    def _flipped(self, spot: Spot, along: bool) -> Direction:
        if self._has_tube_shape(spot):
            return "down" if along else "left"
        upright = spot.turn in ("up", "down")
        return OPPOSITE[spot.turn] if upright == along else spot.turn


def sift(block: Block) -> list[str]:
    """Take out parts that touch others, tubes last; returns which.

    The arms of a tube are laid out by rules for circuits as people build them; in one
    that nobody would build two parts may want the same place.
    """
    kept: list[Box] = []
    out: list[str] = []

    def tubes_first(spot: Spot) -> bool:
        return block.circuit[spot.ref].kind != "tube"

    for spot in sorted(block.spots, key=tubes_first):
        boxes = covered(place(block.circuit[spot.ref], spot))
        if any(one.overlaps(other) for one in boxes for other in kept):
            out.append(spot.ref)
        else:
            kept.extend(boxes)
    block.spots = [spot for spot in block.spots if spot.ref not in out]
    return out


def joined(boxes: Iterable[Box]) -> Box | None:
    """Return the box around all, None where there is none."""
    result: Box | None = None
    for box in boxes:
        result = box if result is None else result.joined(box)
    return result
