"""Wires, flags and the places of net volts, on a lattice.

Comes in: placed parts.  Goes out: what joins their pins.  Short connections are laid
first; a connection that is too long or finds no way becomes a pair of flags with the net's
name.  Ground is a mark at each pin.

The lattice knows boxes that no wire may enter, pins, and wires as they are laid.  A wire may
cross another net's wire at a right angle where that runs straight; it may not touch its
corners, its pins or its junctions, and not the first step before a pin that still waits for
its own wire.  The way is found with A* (Hart, Nilsson and Raphael 1968): length, plus
something for each bend and crossing.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import combinations, pairwise

from netcheck.circuit.model import GROUND
from netcheck.drawing.geometry import ground_marks
from netcheck.drawing.model import (
    STEP,
    Area,
    Box,
    Direction,
    Flag,
    Label,
    PlacedPart,
    PlacedPin,
    Point,
    Side,
    Wire,
)
from netcheck.drawing.style import CAPTION_PX, LINE, NAME_PX, shortened, text_width

LONGEST_WIRE = 95
LONGEST_SUPPLY_WIRE = 45
"""A supply or bias net goes everywhere: beyond this it is a flag."""
SPARE_COST = 30.0
VOLTS_WIDTH = text_width("-388.8 V", CAPTION_PX)
WAYS: tuple[Direction, ...] = ("right", "down", "left", "up")
FROM_WIRE_COST = 3.0
"""A flag stands at a pin rather than along a wire."""
FLAG_STEPS = 4000
AIR = 0.2
"""Around texts, so that no wire touches them."""


class Wiring:
    """Joins the pins of placed parts."""

    def __init__(
        self, parts: Sequence[PlacedPart], box: Box, areas: Sequence[Area], far: Collection[str]
    ) -> None:
        self.parts = parts
        self.far = far
        self.lattice = Lattice(box)
        self.wires: list[Wire] = []
        self.flags: list[Flag] = []
        self.pins: dict[str, list[PlacedPin]] = {}
        self.clusters: dict[str, list[set[int]]] = {}
        self.crossed: set[int] = set()
        self.grounds = [mark for part in parts for mark in ground_marks(part)]
        for part in parts:
            self.lattice.block(part.body)
            for label in part.labels:
                self.lattice.block(label.box.grown(AIR))
        for mark in self.grounds:
            self.lattice.block(mark.box.grown(AIR))
            self._hook(mark.hook)
        for area in areas:
            heading = area.box._replace(bottom=area.box.top + 2)
            self.lattice.block(heading)
        for part in parts:
            for pin in part.pins:
                self._pin(pin)
        for net, pins in self.pins.items():
            # Two pins on one point are joined already.
            points = dict.fromkeys(self.lattice.number(pin.at) for pin in pins)
            self.clusters[net] = [{point} for point in points]

    def _hook(self, hook: tuple[Point, ...]) -> None:
        for first, second in pairwise(hook):
            self.lattice.lay([self.lattice.number(p) for p in _between(first, second)], GROUND)

    def _pin(self, pin: PlacedPin) -> None:
        self.lattice.pin(pin.at, pin.net, WAYS.index(pin.facing))
        if pin.net == GROUND:
            return
        self.pins.setdefault(pin.net, []).append(pin)
        dx, dy = STEP[pin.facing]
        exit_ = self.lattice.number((pin.at[0] + dx, pin.at[1] + dy))
        self.lattice.reserved.setdefault(exit_, pin.net)

    def join_rails(self, y: int, rails: Sequence[str]) -> None:
        """Draw each supply as one line at height `y`, with its users hanging from it."""
        for net in rails:
            pins = self.pins.get(net, [])
            line = sorted(pin.at[0] for pin in pins if pin.at[1] == y)
            for first, second in pairwise(line):
                self._straight(net, [(x, y) for x in range(first, second + 1)])
            if not line:
                continue
            users = [pin.at for pin in pins if pin.facing == "up" and pin.at[1] > y]
            for x, below in sorted(users, key=lambda at: min(abs(at[0] - end) for end in line)):
                end = min(line, key=lambda end: abs(end - x))
                up = [(x, level) for level in range(below, y - 1, -1)]
                step = 1 if end > x else -1
                if self._straight(net, up + [(at, y) for at in range(x + step, end + step, step)]):
                    line.append(x)

    def _straight(self, net: str, points: list[Point]) -> bool:
        """Lay a wire just so, if nothing is in its way before it meets its own net."""
        path = [self.lattice.number(point) for point in points]
        clusters = self.clusters[net]
        one = next(cluster for cluster in clusters if path[0] in cluster)
        for place, number in enumerate(path[1:], 1):
            other = next((cluster for cluster in clusters if number in cluster), None)
            if other is one:
                return True
            if other is not None:
                self._join(net, path[: place + 1], one, other)
                return True
            taken = self.lattice.reserved.get(number, net) != net
            if taken or self.lattice.blocked[number] or number in self.lattice.owner:
                return False
        return False

    def _join(self, net: str, path: list[int], one: set[int], other: set[int]) -> None:
        self._lay(path, net)
        one |= other
        one.update(path)
        self.clusters[net].remove(other)
        self._release(net, path)

    def join(self) -> None:
        """Lay all wires, then put flags where pins of a net are still apart."""
        failed: dict[tuple[str, int, int], int] = {}
        for _, net, first, second in sorted(self._pairs()):
            self._connect(net, first, second, failed)
        for net in self.clusters:
            self._flag(net)

    def _pairs(self) -> Iterator[tuple[int, str, int, int]]:
        for net, pins in self.pins.items():
            longest = LONGEST_SUPPLY_WIRE if net in self.far else LONGEST_WIRE
            for first, second in combinations(pins, 2):
                away = abs(first.at[0] - second.at[0]) + abs(first.at[1] - second.at[1])
                if 0 < away <= longest:
                    yield (
                        away,
                        net,
                        self.lattice.number(first.at),
                        self.lattice.number(second.at),
                    )

    def _connect(
        self, net: str, first: int, second: int, failed: dict[tuple[str, int, int], int]
    ) -> None:
        clusters = self.clusters[net]
        one = next(cluster for cluster in clusters if first in cluster)
        other = next(cluster for cluster in clusters if second in cluster)
        if one is other:
            return
        size = len(one) + len(other)
        key = (net, id(one), id(other))
        if failed.get(key) == size:
            return
        (x1, y1), (x2, y2) = self.lattice.point(first), self.lattice.point(second)
        dearest = 1.4 * (abs(x1 - x2) + abs(y1 - y2)) + SPARE_COST
        path = self.lattice.way(net, self._open(one, net), set(self._open(other, net)), dearest)
        if path is None:
            failed[key] = size
            return
        self._join(net, path, one, other)

    def _open(self, cluster: set[int], net: str) -> list[int]:
        """Return the points of a cluster where a wire may begin: no crossings."""
        return [
            n for n in sorted(cluster) if self.lattice.owner.get(n) == net and n not in self.crossed
        ]

    def _lay(self, path: list[int], net: str) -> None:
        owner = self.lattice.owner
        self.crossed |= {number for number in path if owner.get(number, net) != net}
        self.lattice.lay(path, net)
        self.wires.append(Wire(net, _corners([self.lattice.point(n) for n in path])))

    def _release(self, net: str, path: list[int]) -> None:
        """Give free the step before a pin that has its wire."""
        ends = {path[0], path[-1]}
        for pin in self.pins[net]:
            if self.lattice.number(pin.at) in ends:
                dx, dy = STEP[pin.facing]
                exit_ = self.lattice.number((pin.at[0] + dx, pin.at[1] + dy))
                if self.lattice.reserved.get(exit_) == net:
                    del self.lattice.reserved[exit_]

    def _flag(self, net: str) -> None:
        clusters = self.clusters[net]
        if len(clusters) == 1 and len(self.pins[net]) > 1:
            return
        for cluster in clusters:
            self._flag_cluster(net, cluster)

    def _flag_cluster(self, net: str, cluster: set[int]) -> None:
        """Walk outward until a flag fits; pins are left in the way they face."""
        lattice = self.lattice
        pins = {lattice.number(pin.at) for pin in self.pins[net]}
        queue: list[tuple[float, int, int, tuple[int, ...]]] = []
        for start in self._open(cluster, net):
            heading = lattice.facing[start] if start in pins else NO_WAY
            queue.append((0.0 if start in pins else FROM_WIRE_COST, start, heading, (start,)))
        heapq.heapify(queue)
        seen: set[tuple[int, int]] = set()
        while queue and len(seen) < FLAG_STEPS:
            cost, here, heading, path = heapq.heappop(queue)
            if (here, heading) in seen:
                continue
            seen.add((here, heading))
            if len(path) > 1 and lattice.owner.get(here, net) == net:
                box = flag_box(lattice.point(here), WAYS[heading], net)
                if lattice.is_free(box.grown(AIR)):
                    self._put_flag(net, list(path), heading, box)
                    return
            for price, way, there in lattice.onward(net, here, heading):
                heapq.heappush(queue, (cost + price, there, way, (*path, there)))
        self._put_flag_anyway(net, cluster)

    def _put_flag_anyway(self, net: str, cluster: set[int]) -> None:
        """Walled in on all sides: a flag that covers something is better than none."""
        pin = next(pin for pin in self.pins[net] if self.lattice.number(pin.at) in cluster)
        self.flags.append(Flag(net, pin.at, pin.facing, flag_box(pin.at, pin.facing, net)))

    def _put_flag(self, net: str, path: list[int], heading: int, box: Box) -> None:
        self._lay(path, net)
        self._release(net, path)
        self.lattice.block(box.grown(AIR))
        self.flags.append(Flag(net, self.lattice.point(path[-1]), WAYS[heading], box))

    def dots(self) -> tuple[Point, ...]:
        """Return the points where three or more ends of one net meet."""
        ends: dict[tuple[str, Point], set[Point]] = {}
        for wire in self.wires:
            for first, second in wire.segments():
                line = _between(first, second)
                for one, other in pairwise(line):
                    ends.setdefault((wire.net, one), set()).add(other)
                    ends.setdefault((wire.net, other), set()).add(one)
        found = {point for (_, point), others in ends.items() if len(others) > 2}
        for net, pins in self.pins.items():
            for pin in pins:
                if len(ends.get((net, pin.at), ())) > 1:
                    found.add(pin.at)
        return tuple(sorted(found))

    def volts(self, nets: Sequence[str]) -> tuple[Label, ...]:
        """Find a free place beside a wire of each net for its idle volts."""
        labels: list[Label] = []
        for net in nets:
            spots = [
                (box, side)
                for box, side in self._volt_places(net)
                if self.lattice.is_free(box.grown(0.05))
            ]
            alone = [spot for spot in spots if self._is_alone(spot[0], net)]
            for box, side in (alone or spots)[:1]:
                self.lattice.block(box)
                labels.append(Label("volts", net, box, (), side))
        return tuple(labels)

    def _is_alone(self, box: Box, net: str) -> bool:
        """Say whether no wire of another net is near enough to be taken for this one."""
        near = self.lattice.inside(box.grown(1.0))
        return all(self.lattice.owner.get(number, net) == net for number in near)

    def _volt_places(self, net: str) -> Iterator[tuple[Box, Side]]:
        flagged = [flag for flag in self.flags if flag.net == net]
        wires = sorted(
            (wire for wire in self.wires if wire.net == net),
            key=lambda w: -max(abs(a[0] - b[0]) for a, b in w.segments()),
        )
        for wire in wires:
            for (x1, y1), (x2, y2) in wire.segments():
                if y1 == y2:
                    for x in range(min(x1, x2), max(x1, x2) + 1):
                        over = Box(x + 0.3, y1 - 0.2 - LINE, x + 0.3 + VOLTS_WIDTH, y1 - 0.2)
                        yield over, "start"
                        yield over.moved(0, LINE + 0.4), "start"
                else:
                    for y in range(min(y1, y2), max(y1, y2)):
                        right = Box(x1 + 0.4, y - 0.5, x1 + 0.4 + VOLTS_WIDTH, y - 0.5 + LINE)
                        yield right, "start"
                        yield right.moved(-0.8 - VOLTS_WIDTH, 0), "end"
        for flag in flagged:
            box = flag.box
            below = Box(box.left, box.bottom + 0.1, box.left + VOLTS_WIDTH, box.bottom + 0.1 + LINE)
            yield below, "start"
            yield below.moved(0, -0.2 - LINE - box.height), "start"
            yield below.moved(box.width + 0.1, -0.5 - LINE), "start"
            yield below.moved(-0.1 - VOLTS_WIDTH, -0.5 - LINE), "end"


def flag_box(at: Point, facing: Direction, net: str) -> Box:
    """Return the box of a flag whose stem ends at a point."""
    x, y = at
    width = text_width(shortened(net, 16), NAME_PX) + 1.2
    tall = LINE + 0.4
    if facing == "right":
        return Box(x + 0.05, y - tall / 2, x + width, y + tall / 2)
    if facing == "left":
        return Box(x - width, y - tall / 2, x - 0.05, y + tall / 2)
    if facing == "up":
        return Box(x - width / 2, y - tall, x + width / 2, y - 0.05)
    return Box(x - width / 2, y + 0.05, x + width / 2, y + tall)


def _between(first: Point, second: Point) -> list[Point]:
    """Return the lattice points of a straight piece."""
    (x1, y1), (x2, y2) = first, second
    steps = max(abs(x2 - x1), abs(y2 - y1))
    if not steps:
        return [first]
    dx, dy = (x2 - x1) // steps, (y2 - y1) // steps
    return [(x1 + n * dx, y1 + n * dy) for n in range(steps + 1)]


def _corners(points: list[Point]) -> tuple[Point, ...]:
    """Return a path without the points where it runs straight."""
    kept = [points[0]]
    for before, here, after in zip(points, points[1:], points[2:], strict=False):
        if (here[0] - before[0], here[1] - before[1]) != (after[0] - here[0], after[1] - here[1]):
            kept.append(here)
    kept.append(points[-1])
    return tuple(kept)


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
