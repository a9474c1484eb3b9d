"""The lattice that wires run on: what is in the way, and the way through.

Comes in: boxes that no wire may enter, pins, and wires as they are laid.  Goes out:
paths.  A wire may cross another net's wire at a right angle where that runs
straight; it may not touch its corners, its pins or its junctions, and not the first
step before a pin that still waits for its own wire.

The way is found with A* (Hart, Nilsson and Raphael 1968): length, plus something
for each bend and crossing.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Iterator

from netcheck.drawing.model import Box, Point

BEND_COST = 3.0
CROSSING_COST = 3.0
SIDEWAYS_COST = 1.0
LONGEST_SEARCH = 20_000
"""Points looked at before a connection is given up for flags."""
NOWHERE: set[int] = set()
NO_WAY = 4
"""Heading of a path that has not begun; the ways are right, down, left and up."""
MARGIN = 30
"""Free lattice around the sheet, where wires and flags may go."""
CORNER = 2
"""Axis of a point that no other net may cross: a corner, pin or junction."""


class Lattice:
    """Points as numbers: row by row, so that a step is an addition."""

    def __init__(self, box: Box) -> None:
        self.x0 = math.floor(box.left) - MARGIN
        self.y0 = math.floor(box.top) - MARGIN
        self.width = math.ceil(box.width) + 2 * MARGIN + 1
        self.height = math.ceil(box.height) + 2 * MARGIN + 1
        self.steps = (1, self.width, -1, -self.width)
        self.blocked = bytearray(self.width * self.height)
        self.boxes: list[Box] = []
        self.owner: dict[int, str] = {}
        self.axis: dict[int, int] = {}
        self.reserved: dict[int, str] = {}
        self.facing: dict[int, int] = {}
        for x in range(self.width):
            self.blocked[x] = self.blocked[x + self.width * (self.height - 1)] = 1
        for y in range(self.height):
            self.blocked[y * self.width] = self.blocked[y * self.width + self.width - 1] = 1

    def number(self, point: Point) -> int:
        """Return the number of a point."""
        return (point[1] - self.y0) * self.width + point[0] - self.x0

    def point(self, number: int) -> Point:
        """Return the point of a number."""
        y, x = divmod(number, self.width)
        return x + self.x0, y + self.y0

    def inside(self, box: Box) -> Iterator[int]:
        """Yield the numbers of all points in a box, its edge left out."""
        for y in range(math.floor(box.top) + 1, math.ceil(box.bottom)):
            for x in range(math.floor(box.left) + 1, math.ceil(box.right)):
                yield self.number((x, y))

    def block(self, box: Box) -> None:
        """Keep wires and texts out of a box."""
        self.boxes.append(box)
        for number in self.inside(box):
            self.blocked[number] = 1

    def is_free(self, box: Box) -> bool:
        """Say whether nothing at all is in a box."""
        if any(box.overlaps(other) for other in self.boxes):
            return False
        return not any(n in self.owner or n in self.reserved for n in self.inside(box))

    def pin(self, at: Point, net: str, way: int) -> None:
        """Put a pin on a point, which a wire best leaves by `way`."""
        number = self.number(at)
        self.owner[number] = net
        self.axis[number] = CORNER
        self.facing[number] = way

    def lay(self, path: list[int], net: str) -> None:
        """Lay a wire of a net along a path of neighboring points."""
        last = len(path) - 1
        for place, number in enumerate(path):
            here = self.owner.get(number)
            if place in (0, last):
                axis = CORNER
            else:
                before, after = number - path[place - 1], path[place + 1] - number
                axis = CORNER if before != after else int(abs(after) != 1)
            if here is not None and here != net:
                axis = CORNER  # a crossing: nothing else may pass here
                self.axis[number] = axis
                continue
            self.owner[number] = net
            self.axis[number] = CORNER if here == net else axis

    def way(
        self, net: str, starts: Iterable[int], targets: set[int], dearest: float
    ) -> list[int] | None:
        """Return the cheapest path from any start to any target, None beyond `dearest`."""
        width, steps = self.width, self.steps
        goal = _Goal(targets, width)
        queue: list[tuple[float, float, int, int]] = []
        cost: dict[int, float] = {}
        came: dict[int, int] = {}
        for start in starts:
            state = start * 5 + NO_WAY
            cost[state] = 0.0
            heapq.heappush(queue, (goal.distance(start), 0.0, start, NO_WAY))
        while queue and len(cost) < LONGEST_SEARCH:
            _, so_far, here, heading = heapq.heappop(queue)
            state = here * 5 + heading
            if so_far > cost[state]:
                continue
            if here in targets and heading != NO_WAY:
                return _walked_back(came, state)
            straight_only = heading != NO_WAY and self.owner.get(here, net) != net
            for way, step in enumerate(steps):
                if heading != NO_WAY and ((straight_only and way != heading) or way == heading ^ 2):
                    continue
                there = here + step
                price = self._price(net, there, way, targets)
                if price is None:
                    continue
                total = so_far + price + self._turn(here, heading, way, there)
                key = there * 5 + way
                if total < cost.get(key, math.inf):
                    estimate = total + goal.distance(there)
                    if estimate > dearest:
                        continue
                    cost[key] = total
                    came[key] = state
                    heapq.heappush(queue, (estimate, total, there, way))
        return None

    def onward(self, net: str, here: int, heading: int) -> Iterator[tuple[float, int, int]]:
        """Yield every step on from a point, with its price, way and end."""
        straight_only = heading != NO_WAY and self.owner.get(here, net) != net
        for way, step in enumerate(self.steps):
            turned = heading not in (NO_WAY, way)
            if turned and (straight_only or way == heading ^ 2):
                continue
            price = self._price(net, here + step, way, NOWHERE)
            if price is not None:
                yield price + (BEND_COST if turned else 0.0), way, here + step

    def _turn(self, here: int, heading: int, way: int, there: int) -> float:
        """Return what a bend costs, and leaving or reaching a pin from its side."""
        cost = BEND_COST if heading not in (NO_WAY, way) else 0.0
        if heading == NO_WAY and self.facing.get(here, way) != way:
            cost += SIDEWAYS_COST
        if self.facing.get(there, way ^ 2) != way ^ 2:
            cost += SIDEWAYS_COST
        return cost

    def _price(self, net: str, there: int, way: int, targets: set[int]) -> float | None:
        """Return what a step to a point costs, None where it is not allowed."""
        if there in targets:
            return 1.0
        if self.blocked[there]:
            return None
        owner = self.owner.get(there)
        if owner is None:
            holder = self.reserved.get(there)
            return 1.0 if holder is None or holder == net else None
        crosses = owner != net and self.axis[there] == 1 - way % 2
        return 1.0 + CROSSING_COST if crosses else None


class _Goal:
    """Distance to the box around the targets: never more than the true distance."""

    def __init__(self, targets: set[int], width: int) -> None:
        rows, columns = zip(*(divmod(target, width) for target in targets), strict=True)
        self.width = width
        self.top, self.bottom = min(rows), max(rows)
        self.left, self.right = min(columns), max(columns)

    def distance(self, number: int) -> float:
        y, x = divmod(number, self.width)
        dx = self.left - x if x < self.left else max(0, x - self.right)
        dy = self.top - y if y < self.top else max(0, y - self.bottom)
        return float(dx + dy)


def _walked_back(came: dict[int, int], state: int) -> list[int]:
    path = [state // 5]
    while state in came:
        state = came[state]
        path.append(state // 5)
    return path[::-1]
