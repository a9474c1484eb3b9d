"""Which points of a sheet are one net: the union of wires.

Comes in: wires between points, and the points that matter (pins, labels, junctions).  Goes
out: a key for each net.  A wire joins another where one of its ends lies on it; wires that
only cross stay apart.  Coordinates are whole numbers, so that touching is exact.

Wires along one straight line that overlap or touch are merged first, so that a sheet of
many wires costs no more than sorting them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import gcd

Point = tuple[int, int]
Direction = tuple[int, int]
Stretch = tuple[Direction, int, int]
"""A merged piece of wire: direction, offset of its line, and its number on that line."""

MOST_DIRECTIONS = 60
"""Wires are drawn along the grid and now and then at 45 degrees."""


class TooManyDirectionsError(ValueError):
    """The wires of a sheet run at more angles than anybody draws."""


@dataclass(slots=True)
class Joins:
    """Which of some keys are one: points, labels, nets of a sheet."""

    _parents: dict[object, object] = field(default_factory=dict)

    def root(self, key: object) -> object:
        """Return the key that stands for all that are one with it."""
        parents = self._parents
        root = key
        while (above := parents.get(root, root)) != root:
            root = above
        while (above := parents.get(key, key)) != root:
            parents[key] = root
            key = above
        return root

    def unite(self, first: object, second: object) -> None:
        """Make two keys one."""
        one, other = self.root(first), self.root(second)
        if one != other:
            self._parents[other] = one


@dataclass(slots=True)
class Wiring:
    """The wires of one sheet."""

    _lines: dict[Direction, dict[int, list[tuple[int, int]]]] = field(default_factory=dict)
    _ends: list[Point] = field(default_factory=list)
    joins: Joins = field(default_factory=Joins)

    def add(self, first: Point, second: Point) -> None:
        """Add a wire."""
        self._ends += [first, second]
        step_x, step_y = second[0] - first[0], second[1] - first[1]
        divisor = gcd(step_x, step_y)
        if divisor == 0:
            return
        direction = (step_x // divisor, step_y // divisor)
        if direction < (0, 0):
            direction = (-direction[0], -direction[1])
        if direction not in self._lines and len(self._lines) >= MOST_DIRECTIONS:
            raise TooManyDirectionsError
        places = sorted((_along(direction, first), _along(direction, second)))
        line = self._lines.setdefault(direction, {})
        line.setdefault(_offset(direction, first), []).append((places[0], places[1]))

    def join(self, points: Iterable[Point]) -> None:
        """Find out which wires and points are one net."""
        for lines in self._lines.values():
            for offset, stretches in lines.items():
                lines[offset] = _merged(stretches)
        for point in (*self._ends, *points):
            for stretch in self._stretches_at(point):
                self.joins.unite(point, stretch)

    def net(self, point: Point) -> object:
        """Return the key of the net a point is on."""
        return self.joins.root(point)

    def without_junction(self, points: Iterable[Point], junctions: Iterable[Point]) -> list[Point]:
        """Return where a wire ends on another, or a pin lies on one, without a junction."""
        ends = Counter(self._ends)
        marked = set(junctions)
        found = [
            point
            for point, count in ends.items()
            if count == 1 and point not in marked and len(self._stretches_at(point)) > 1
        ]
        found += [
            point
            for point in points
            if not ends[point] and point not in marked and self._stretches_at(point)
        ]
        return found

    def _stretches_at(self, point: Point) -> list[Stretch]:
        found: list[Stretch] = []
        for direction, lines in self._lines.items():
            offset = _offset(direction, point)
            stretches = lines.get(offset)
            if not stretches:
                continue
            place = _along(direction, point)
            number = bisect_right(stretches, (place, _BEYOND)) - 1
            if number >= 0 and stretches[number][1] >= place:
                found.append((direction, offset, number))
        return found


_BEYOND = 1 << 62


def _along(direction: Direction, point: Point) -> int:
    return point[0] if direction[0] else point[1]


def _offset(direction: Direction, point: Point) -> int:
    return direction[1] * point[0] - direction[0] * point[1]


def _merged(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for first, last in sorted(stretches):
        if merged and first <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return merged
