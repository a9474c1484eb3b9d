"""Callouts: short texts put into free places of a drawing, each tied to its part or net.

Comes in: a `Drawing` and `Callout`s.  Goes out: the drawing, grown where the sheet had no
room, and the ink of the callouts for `Annotations.overlay`.  Places are searched on a grid
of half units: a place is free where no symbol, name, wire, flag or frame is; the one
nearest to what the callout is about is taken.  Room kept for captions and volts counts
as free, so that these stay empty where callouts are shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from netcheck.drawing.model import Box, Drawing
from netcheck.drawing.paint import BASELINE, Circle, Group, Ink, Line, Shape, Text
from netcheck.drawing.style import CAPTION_PX, LINE, shortened, text_width
from netcheck.drawing.symbols import Spot

CELL = 0.5
"""Grid of the search, in lattice units."""
MARGIN = 12.0
"""Room beside the sheet in which a callout may stand."""
OUTSIDE = 3.0
"""What a place beyond the edge of the sheet costs, in lattice units of distance."""
PAD = 0.45
AIR = 0.3
"""Between a callout and anything else."""
BADGE = 0.75
"""Radius of the disc with a rank in it."""
EDGE = 2.0
CROSSING = 2.0
"""What each lattice unit costs on which the line to a callout runs over something."""
CANDIDATES = 120
"""Free places whose lines are looked at, the nearest ones, one to a tile."""
TILE = 4
"""Cells of a tile along each side: places nearer to one another differ in nothing."""
LOOKED_AT = 20_000
"""Cells, by distance, among which tiles are formed."""
TOUCHING = 0.8
"""A callout this near to its part needs no line to it."""
SUSPECT_LINE = 1.7


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a callout; `badge` is what stands in a disc before it."""

    text: str
    badge: str = ""
    loud: bool = False


@dataclass(frozen=True, slots=True)
class Callout:
    """What is said of one part or one net; `title` is said on hover."""

    about: Literal["part", "net"]
    name: str
    rows: tuple[Row, ...]
    title: str = ""
    frame: Literal["note", "note-off", "note-suspect"] = "note"


def with_callouts(
    drawing: Drawing, callouts: Sequence[Callout]
) -> tuple[Drawing, tuple[Group, ...], tuple[str, ...]]:
    """Return the drawing with room for the callouts, their ink, and what is not drawn.

    The last are names of parts and nets that the drawing does not show.
    """
    wanted = [(one, _targets(drawing, one)) for one in callouts]
    lost = tuple(dict.fromkeys(one.name for one, targets in wanted if not targets))
    sizes = [_size(one) for one, _ in wanted]
    search = _Search(drawing, sum(height + 2 * AIR + CELL for _, height in sizes))
    groups, box = [], drawing.box
    for number, ((one, targets), size) in enumerate(zip(wanted, sizes, strict=True)):
        if not targets:
            continue
        place, leader = search.place(size, targets)
        search.cover(place)
        search.take_line(*leader)
        box = box.joined(place.grown(EDGE))
        groups.append(_group(number, one, place, leader))
    return replace(drawing, box=box), tuple(groups), lost


def with_legend(drawing: Drawing, lines: Sequence[str]) -> tuple[Drawing, Group]:
    """Return the drawing with room below it for lines of text, wrapped to its width."""
    box = drawing.box
    wrapped = [piece for line in lines for piece in _wrapped(line, box.width - 2 * EDGE)]
    inks = tuple(
        Text((box.left + EDGE, box.bottom + LINE * (number + BASELINE)), line, "value")
        for number, line in enumerate(wrapped)
    )
    room = box._replace(bottom=box.bottom + LINE * len(wrapped) + EDGE / 2)
    return replace(drawing, box=room), Group("legend", "legend", inks)


def fitted(text: str, drawing: Drawing) -> str:
    """Return a heading, its middle left out where it is wider than the drawing."""
    longest = len(text)
    while longest > 1 and text_width(shortened(text, longest)) > drawing.box.width - 2 * EDGE:
        longest -= 1
    return shortened(text, longest)


def _wrapped(text: str, width: float) -> Iterable[str]:
    line = ""
    for word in text.split():
        if line and text_width(f"{line} {word}") > width:
            yield line
            line = word
        else:
            line = f"{line} {word}".strip()
    if line:
        yield line


def _targets(drawing: Drawing, callout: Callout) -> list[Box]:
    """Return the places a callout may point at: the part's body, or points of the net."""
    if callout.about == "part":
        return [part.body for part in drawing.parts if part.ref == callout.name]
    points = [
        point
        for wire in drawing.wires
        if wire.net == callout.name
        for first, second in pairwise(wire.points)
        for point in _between(first, second)
    ]
    points += [pin.at for part in drawing.parts for pin in part.pins if pin.net == callout.name]
    return [Box(x, y, x, y) for x, y in dict.fromkeys(points)]


def _between(first: tuple[int, int], second: tuple[int, int]) -> Iterable[tuple[int, int]]:
    (x1, y1), (x2, y2) = first, second
    steps = max(abs(x2 - x1), abs(y2 - y1), 1)
    return [(x1 + (x2 - x1) * n // steps, y1 + (y2 - y1) * n // steps) for n in range(steps + 1)]


def _size(callout: Callout) -> tuple[float, float]:
    width = max(
        text_width(row.text, CAPTION_PX, row.loud) + (2 * BADGE + 0.4 if row.badge else 0.0)
        for row in callout.rows
    )
    return width + 2 * PAD, sum(_height(row) for row in callout.rows) + PAD


def _height(row: Row) -> float:
    return max(LINE, SUSPECT_LINE) if row.badge else LINE


class _Search:
    """Which cells of the sheet and its margin are taken."""

    def __init__(self, drawing: Drawing, below: float) -> None:
        box = drawing.box
        self.sheet = box
        self.left, self.top = box.left - MARGIN, box.top
        columns = math.ceil((box.width + 2 * MARGIN) / CELL)
        rows = math.ceil((box.height + below + MARGIN) / CELL)
        self.taken = np.zeros((rows, columns), dtype=bool)
        self.covered = np.zeros((rows, columns), dtype=bool)  # where a line would hide something
        for each in _solid(drawing):
            self.cover(each)
        for each in _lines(drawing):
            self.take(each)

    def take(self, box: Box) -> None:
        """Keep callouts out of a box."""
        self.taken[self._cells(box, AIR)] = True

    def cover(self, box: Box) -> None:
        """Keep callouts out of a box, and lines to them where there is a way around."""
        self.take(box)
        self.covered[self._cells(box, 0.0)] = True

    def _cells(self, box: Box, margin: float) -> tuple[slice, slice]:
        grown = box.grown(margin)
        return (
            slice(
                max(0, math.floor((grown.top - self.top) / CELL)),
                max(0, math.ceil((grown.bottom - self.top) / CELL)),
            ),
            slice(
                max(0, math.floor((grown.left - self.left) / CELL)),
                max(0, math.ceil((grown.right - self.left) / CELL)),
            ),
        )

    def take_line(self, first: Spot, second: Spot) -> None:
        """Mark the cells that a slanted line runs through."""
        steps = max(1, math.ceil(math.dist(first, second) / CELL))
        for n in range(steps + 1):
            x = first[0] + (second[0] - first[0]) * n / steps
            y = first[1] + (second[1] - first[1]) * n / steps
            self.take(Box(x, y, x, y))

    def place(
        self, size: tuple[float, float], targets: Sequence[Box]
    ) -> tuple[Box, tuple[Spot, Spot]]:
        """Return the free place of this size nearest to any of the targets, and its line.

        There always is one: the margin below the sheet holds all callouts.
        """
        width, height = size
        across, down = math.ceil(width / CELL) + 1, math.ceil(height / CELL) + 1
        sums = np.pad(self.taken.cumsum(0).cumsum(1), ((1, 0), (1, 0)))
        over, under = sums[down:] - sums[:-down], self.sheet.bottom
        count = over[:, across:] - over[:, :-across]
        lefts = self.left + CELL * np.arange(count.shape[1], dtype=float)
        tops = self.top + CELL * np.arange(count.shape[0], dtype=float)
        cost = self._distance(lefts, tops, size, targets)
        aside = np.maximum(self.sheet.left - lefts, lefts + width - self.sheet.right)
        cost += OUTSIDE * ((aside[None, :] > 0) | (tops[:, None] + height > under))
        cost[count > 0] = np.inf
        flat = cost.ravel()
        nearest = np.argsort(flat, kind="stable")[:LOOKED_AT]
        rows, columns = np.divmod(nearest, cost.shape[1])
        _, first = np.unique(rows // TILE * cost.size + columns // TILE, return_index=True)
        nearest = nearest[np.sort(first)[:CANDIDATES]]
        best: tuple[float, Box, tuple[Spot, Spot]] | None = None
        for cell in nearest:
            row, column = divmod(int(cell), cost.shape[1])
            left, top = float(lefts[column]), float(tops[row])
            box = Box(left, top, left + width, top + height)
            line = _leader(box, targets)
            total = float(flat[cell]) + CROSSING * self._crossed(*line)
            if best is None or total < best[0]:
                best = total, box, line
        assert best is not None  # a grid has cells
        return best[1], best[2]

    def _crossed(self, first: Spot, second: Spot) -> float:
        """Return on which length a line runs over something, its very end left out."""
        length = math.dist(first, second)
        if length <= 2 * CELL:
            return 0.0
        share = np.linspace(0.0, 1.0 - CELL / length, math.ceil(length / CELL) + 1)
        columns = (first[0] + (second[0] - first[0]) * share - self.left) / CELL
        rows = (first[1] + (second[1] - first[1]) * share - self.top) / CELL
        hits = self.covered[
            np.clip(rows.astype(int), 0, self.covered.shape[0] - 1),
            np.clip(columns.astype(int), 0, self.covered.shape[1] - 1),
        ]
        return CELL * int(hits.sum())

    def _distance(
        self,
        lefts: NDArray[np.float64],
        tops: NDArray[np.float64],
        size: tuple[float, float],
        targets: Sequence[Box],
    ) -> NDArray[np.float64]:
        """Return by row and column the distance from a box put there to the nearest target."""
        nearest = np.full((len(tops), len(lefts)), np.inf)
        for target in targets:
            dx = np.maximum(0.0, np.maximum(lefts - target.right, target.left - lefts - size[0]))
            dy = np.maximum(0.0, np.maximum(tops - target.bottom, target.top - tops - size[1]))
            np.minimum(nearest, dx[None, :] ** 2 + dy[:, None] ** 2, out=nearest)
        found: NDArray[np.float64] = np.sqrt(nearest)
        return found


def _solid(drawing: Drawing) -> Iterable[Box]:
    """Yield symbols, names and marks."""
    for part in drawing.parts:
        yield part.body
        yield from (
            label.box for label in part.labels if label.kind not in ("caption", "screen", "volts")
        )
    yield from (mark.box for mark in drawing.grounds)
    yield from (flag.box for flag in drawing.flags)
    yield from (Box(core.x - 0.3, core.top, core.x + 0.3, core.bottom) for core in drawing.cores)
    for area in drawing.areas:
        left, top, right, _ = area.box
        yield Box(left, top, right, top + 1.8)  # its heading


def _lines(drawing: Drawing) -> Iterable[Box]:
    """Yield wires, and the frames of areas."""
    runs = [wire.points for wire in drawing.wires] + [mark.hook for mark in drawing.grounds]
    for run in runs:
        for (x1, y1), (x2, y2) in pairwise(run):
            yield Box(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2))
    for area in drawing.areas:
        left, top, right, bottom = area.box
        yield Box(left, bottom, right, bottom)
        yield Box(left, top, left, bottom)
        yield Box(right, top, right, bottom)


def _leader(place: Box, targets: Sequence[Box]) -> tuple[Spot, Spot]:
    """Return the shortest line from the callout to what it is about."""

    def ends(target: Box) -> tuple[Spot, Spot]:
        start, stop = [], []
        for low, high, first, last in (
            (place.left, place.right, target.left, target.right),
            (place.top, place.bottom, target.top, target.bottom),
        ):
            if last < low or first > high:
                start.append(low if last < low else high)
                stop.append(last if last < low else first)
            else:
                middle = (max(low, first) + min(high, last)) / 2
                start.append(middle)
                stop.append(middle)
        return (start[0], start[1]), (stop[0], stop[1])

    return min((ends(target) for target in targets), key=lambda pair: math.dist(*pair))


def _group(number: int, callout: Callout, place: Box, leader: tuple[Spot, Spot]) -> Group:
    corners = (
        (place.left, place.top), (place.right, place.top),
        (place.right, place.bottom), (place.left, place.bottom),
    )  # fmt: skip
    inks: list[Ink] = []
    if callout.about == "net":
        inks += [Line(leader, "leader"), Circle(leader[1], 0.35, "probe")]
    elif math.dist(*leader) > TOUCHING:
        inks.append(Line(leader, "leader"))
    inks.append(Shape(corners, callout.frame))
    top = place.top + PAD / 2
    for row in callout.rows:
        height = _height(row)
        baseline = top + (height - LINE) / 2 + LINE * BASELINE
        left = place.left + PAD
        if row.badge:
            middle = (left + BADGE, top + height / 2)
            inks.append(Circle(middle, BADGE, "solid"))
            inks.append(Text((middle[0], middle[1] + 0.28), row.badge, "badge", "middle"))
            left += 2 * BADGE + 0.4
        inks.append(Text((left, baseline), row.text, "loud" if row.loud else "caption"))
        top += height
    data = ((f"data-note-of-{callout.about}", callout.name),)
    return Group(f"note-{number}", callout.frame, tuple(inks), (), callout.title, data)
