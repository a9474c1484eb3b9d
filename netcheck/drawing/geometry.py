"""Where the pins, the body and the texts of a part are, once it has a place; blocks of parts.

Comes in: a part and a `Spot` (center, turn, side of its texts).  Goes out: a
`PlacedPart`.  Room for a caption is kept beside every part that can be stressed,
whether or not anything is to be said, so that a drawing is the same for every fault.
A `Block` is parts placed relative to each other, moved and mirrored as one; it knows nothing
of circuits beyond the shape of its parts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.drawing.model import (
    STEP,
    Area,
    Box,
    Core,
    Direction,
    GroundMark,
    Label,
    PlacedPart,
    PlacedPin,
    Point,
)
from netcheck.drawing.style import (
    LINE,
    name_and_value_width,
    shortened,
    text_width,
    value_text,
)
from netcheck.drawing.symbols import HALF, is_tube

CAPTION_WIDTH = 5.2
"""Room for `12.3 mW` and, below it, a bar with its percentage."""
TUBE_CAPTION_WIDTH = 7.4
LABEL_GAP = 0.4
STRESSED = frozenset({"resistor", "capacitor", "inductor"})
OPPOSITE: dict[Direction, Direction] = {
    "right": "left", "left": "right", "up": "down", "down": "up",
}  # fmt: skip
BOX_WIDTH = 10
BOX_PITCH = 4
"""From pin to pin of a box: a ground mark fits between."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A place for a part."""

    ref: str
    x: int
    y: int
    turn: Direction
    texts: Literal["auto", "left"] = "auto"

    def moved(self, dx: int, dy: int) -> Spot:
        """Return the spot shifted."""
        return Spot(self.ref, self.x + dx, self.y + dy, self.turn, self.texts)


def symbol_of(part: Part) -> str:
    """Return the name of the shape a part is drawn with."""
    if part.kind == "tube":
        pins = {pin.name for pin in part.pins}
        if pins == {"plate", "grid", "cathode"}:
            return "triode"
        if pins == {"plate", "screen", "grid", "cathode"}:
            return (
                "beam"
                if part.tube is not None and getattr(part.tube, "beam", False)
                else ("pentode")
            )
        return "box"
    if len(part.pins) != 2:
        return "box"
    if part.note.is_speaker:
        return "speaker"
    if part.note.pot and part.kind == "resistor":
        return "pot_half"
    if part.kind == "voltage_source" and _is_signal(part):
        return "signal_source"
    return "box" if part.kind == "transistor" else part.kind


def _is_signal(part: Part) -> bool:
    wave = part.element.waveform if part.element else None
    return part.note.is_input or (wave is not None and wave.alternating)


def place(part: Part, spot: Spot) -> PlacedPart:
    """Return the part with every pin, box and text where the spot puts it."""
    symbol = symbol_of(part)
    if symbol == "box":
        return _place_box(part, spot)
    return _place_tube(part, spot, symbol) if is_tube(symbol) else _place_two(part, spot, symbol)


def name_width(part: Part) -> float:
    """Return the width of the texts beside an upright part of two pins."""
    caption = CAPTION_WIDTH if part.kind in STRESSED else 0.0
    name = text_width(shortened(part.ref), bold=True)
    return max(caption, name, text_width(value_text(part)))


def _one_line(part: Part) -> tuple[str, str]:
    """Return name and value, for a label that has both on one line."""
    return shortened(part.ref), value_text(part)


def half_across(symbol: str) -> float:
    """Return how far an upright symbol reaches to its sides."""
    if symbol == "speaker":
        return 1.9
    return 1.5 if symbol.endswith("source") else 1.25


def _place_two(part: Part, spot: Spot, symbol: str) -> PlacedPart:
    x, y, turn = spot.x, spot.y, spot.turn
    dx, dy = STEP[turn]
    first, second = part.pins
    pins = (
        PlacedPin(first.name, first.net, (x - HALF * dx, y - HALF * dy), OPPOSITE[turn]),
        PlacedPin(second.name, second.net, (x + HALF * dx, y + HALF * dy), turn),
    )
    across = half_across(symbol)
    along = HALF - 0.05
    upright = dx == 0
    body = (
        Box(x - across, y - along, x + across, y + along)
        if upright
        else Box(x - along, y - across, x + along, y + across)
    )
    labels = _beside(part, spot) if upright else _above(part, spot)
    return PlacedPart(part.ref, symbol, (x, y), turn, pins, body, labels)


def _beside(part: Part, spot: Spot) -> tuple[Label, ...]:
    lines = tuple(line for line in (shortened(part.ref), value_text(part)) if line)
    width = name_width(part)
    left = spot.texts == "left"
    gap = half_across(symbol_of(part)) + LABEL_GAP
    start = spot.x - gap - width if left else spot.x + gap
    top = spot.y - 2 * LINE
    stressed = part.kind in STRESSED
    if not stressed:
        top = spot.y - len(lines) * LINE / 2
    side: Literal["start", "end"] = "end" if left else "start"
    name_box = Box(start, top, start + width, top + len(lines) * LINE)
    name = Label("name", part.ref, name_box, lines, side)
    if not stressed:
        return (name,)
    caption = Box(start, name_box.bottom, start + width, name_box.bottom + 2 * LINE)
    return (name, Label("caption", part.ref, caption, (), side))


def _above(part: Part, spot: Spot) -> tuple[Label, ...]:
    lines = _one_line(part)
    half = name_and_value_width(*lines) / 2
    across = half_across(symbol_of(part)) + 0.05
    top = spot.y - across - LINE
    name_box = Box(spot.x - half, top, spot.x + half, spot.y - across)
    name = Label("name", part.ref, name_box, lines, "middle")
    if part.kind not in STRESSED:
        return (name,)
    half = CAPTION_WIDTH / 2
    caption = Box(spot.x - half, spot.y + across, spot.x + half, spot.y + across + 2 * LINE)
    return (name, Label("caption", part.ref, caption, (), "middle"))


def _place_tube(part: Part, spot: Spot, symbol: str) -> PlacedPart:
    x, y = spot.x, spot.y
    across = -1 if spot.turn in ("left", "up") else 1
    along = -1 if spot.turn in ("down", "up") else 1
    where: dict[str, tuple[int, int]] = {
        "plate": (0, -5), "grid": (-4, 0), "cathode": (-1, 5), "screen": (4, -1),
    }  # fmt: skip
    pins = tuple(
        PlacedPin(
            pin.name,
            pin.net,
            (x + across * where[pin.name][0], y + along * where[pin.name][1]),
            _tube_facing(pin.name, across, along),
        )
        for pin in part.pins
    )
    body = Box(x - 3.95, y - 4.95, x + 3.95, y + 4.95)
    lines = _one_line(part)
    width = max(name_and_value_width(*lines), TUBE_CAPTION_WIDTH)
    left = x + 4.8
    top = y - 6.9 if along > 0 else y + 4.9
    labels = [
        Label("name", part.ref, Box(left, top, left + width, top + LINE), lines),
        Label("caption", part.ref, Box(left, top + LINE, left + width, top + 3 * LINE)),
    ]
    if any(pin.name == "screen" for pin in part.pins):
        top = y + 2.7 if along > 0 else y - 2.7 - 2 * LINE
        box = Box(left, top, left + TUBE_CAPTION_WIDTH, top + 2 * LINE)
        labels.append(Label("screen", part.ref, box))
    return PlacedPart(part.ref, symbol, (x, y), spot.turn, pins, body, tuple(labels))


def _tube_facing(pin: str, across: int, along: int) -> Direction:
    if pin in ("plate", "cathode"):
        return "up" if (pin == "plate") == (along > 0) else "down"
    return "left" if (pin == "grid") == (across > 0) else "right"


def _place_box(part: Part, spot: Spot) -> PlacedPart:
    """Place a part of many pins: a box with the name of each pin in it."""
    x, y = spot.x, spot.y
    half = (len(part.pins) + 1) // 2
    width = BOX_WIDTH // 2
    pins: list[PlacedPin] = []
    labels: list[Label] = []
    for number, pin in enumerate(part.pins):
        on_left = number < half
        row = y + BOX_PITCH * (number if on_left else number - half)
        at = (x - width, row) if on_left else (x + width, row)
        pins.append(PlacedPin(pin.name, pin.net, at, "left" if on_left else "right"))
    bottom = y + BOX_PITCH * (half - 1) + 1
    body = Box(x - width + 0.05, y - 1.0, x + width - 0.05, bottom)
    lines = _one_line(part)
    half_width = name_and_value_width(*lines) / 2
    name = Box(x - half_width, y - 1.2 - LINE, x + half_width, y - 1.2)
    labels.append(Label("name", part.ref, name, lines, "middle"))
    if part.kind == "tube":
        half_width = TUBE_CAPTION_WIDTH / 2
        caption = Box(x - half_width, bottom + 0.2, x + half_width, bottom + 0.2 + 2 * LINE)
        labels.append(Label("caption", part.ref, caption, (), "middle"))
    return PlacedPart(part.ref, "box", (x, y), "right", tuple(pins), body, tuple(labels))


def ground_mark(pin: PlacedPin, aside: int = 3) -> GroundMark:
    """Return the ground symbol of a pin: right below it, else below a short hook."""
    x, y = pin.at
    hook: tuple[Point, ...] = ()
    if pin.facing == "up":
        hook = (pin.at, (x, y - 1), (x - aside, y - 1), (x - aside, y))
    elif pin.facing != "down":
        dx = 2 * STEP[pin.facing][0]
        hook = (pin.at, (x + dx, y), (x + dx, y + 1))
    at = hook[-1] if hook else pin.at
    box = Box(at[0] - 1.0, at[1] + 0.05, at[0] + 1.0, at[1] + 1.6)
    return GroundMark(at, box, hook)


def ground_marks(placed: PlacedPart) -> tuple[GroundMark, ...]:
    """Return the ground symbols of all of a part's pins."""
    aside = 5 if is_tube(placed.symbol) else 3  # clear of the envelope, or of the body
    if any(label.anchor == "end" for label in placed.labels):
        aside = -aside  # the texts stand on that side
    return tuple(ground_mark(pin, aside) for pin in placed.pins if pin.net == GROUND)


def outline(placed: PlacedPart) -> Box:
    """Return everything a part covers, with its pins and ground symbols."""
    box = placed.body
    for other in placed.boxes:
        box = box.joined(other)
    for pin in placed.pins:
        box = box.joined(Box(*pin.at, *pin.at))
    for mark in ground_marks(placed):
        box = box.joined(mark.box)
        for x, y in mark.hook:
            box = box.joined(Box(x, y, x, y))
    return box


def covered(placed: PlacedPart) -> tuple[Box, ...]:
    """Return every box that nothing else may touch: symbol, texts and ground marks."""
    marks = ground_marks(placed)
    hooks = [
        Box(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2)).grown(0.2)
        for mark in marks
        for (x1, y1), (x2, y2) in pairwise(mark.hook)
    ]
    pins = [Box(*pin.at, *pin.at).grown(0.2) for pin in placed.pins]
    return (*placed.boxes, *(mark.box for mark in marks), *hooks, *pins)


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
