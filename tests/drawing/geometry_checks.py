"""What must hold for every drawing, and the netlist read back from its geometry.

Everything here looks at the drawing's own data only: boxes, points and lines.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from netcheck.circuit.model import GROUND, Circuit
from netcheck.drawing.model import Box, Drawing, Point

Group = frozenset[tuple[str, str]]


def named_boxes(drawing: Drawing) -> list[tuple[str, Box]]:
    """Every box that must not touch another one."""
    boxes = [(f"{part.ref} body", part.body) for part in drawing.parts]
    for part in drawing.parts:
        boxes += [(f"{part.ref} {label.kind}", label.box) for label in part.labels]
    boxes += [(f"flag {flag.net} {flag.at}", flag.box) for flag in drawing.flags]
    boxes += [(f"ground {mark.at}", mark.box) for mark in drawing.grounds]
    boxes += [(f"volts {label.of}", label.box) for label in drawing.volts]
    return boxes


def overlaps(drawing: Drawing) -> list[str]:
    """Pairs of boxes that share area."""
    return [
        f"{first} and {second}"
        for (first, one), (second, other) in combinations(named_boxes(drawing), 2)
        if one.overlaps(other)
    ]


def lines_of(drawing: Drawing) -> Iterator[tuple[str, Point, Point]]:
    """Every straight piece of a wire or of a ground mark's hook, with its net."""
    for wire in drawing.wires:
        for first, second in wire.segments():
            yield wire.net, first, second
    for mark in drawing.grounds:
        for first, second in zip(mark.hook, mark.hook[1:], strict=False):
            yield GROUND, first, second


def wires_through_boxes(drawing: Drawing) -> list[str]:
    """Wires that run through a symbol or a text."""
    found = []
    for net, (x1, y1), (x2, y2) in lines_of(drawing):
        line = Box(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2)).grown(0.02)
        found += [
            f"{net} {x1},{y1} {x2},{y2} through {name}"
            for name, box in named_boxes(drawing)
            if line.overlaps(box.grown(-0.05))
        ]
    return found


def points_between(first: Point, second: Point) -> list[Point]:
    """Lattice points of a straight piece."""
    (x1, y1), (x2, y2) = first, second
    assert x1 == x2 or y1 == y2, f"a slanted wire: {first} {second}"
    steps = max(abs(x2 - x1), abs(y2 - y1), 1)
    return [(x1 + (x2 - x1) * n // steps, y1 + (y2 - y1) * n // steps) for n in range(steps + 1)]


class Islands:
    """Points held together (union-find)."""

    def __init__(self) -> None:
        self.parent: dict[object, object] = {}

    def root(self, item: object) -> object:
        self.parent.setdefault(item, item)
        while self.parent[item] != item:
            item = self.parent[item]
        return item

    def join(self, one: object, other: object) -> None:
        self.parent[self.root(one)] = self.root(other)


def recovered_nets(drawing: Drawing) -> set[Group]:
    """Pins that hang together, from geometry alone: net names of wires are not read.

    A wire joins the points it ends or bends on, and any wire that ends on it; where
    two wires merely cross, they do not touch.
    """
    islands = Islands()
    runs = [(points_between(a, b), n) for n, (_, a, b) in enumerate(lines_of(drawing))]
    for points, number in runs:
        ends = {points[0], points[-1]}
        for end in ends:
            islands.join(("run", number), end)
        for other, other_number in runs:
            for end in ends & set(other):
                islands.join(("run", other_number), end)
    pins = [(part.ref, pin) for part in drawing.parts for pin in part.pins]
    for _, pin in pins:
        for points, number in runs:
            if pin.at in points:
                islands.join(("run", number), pin.at)
    for flag in drawing.flags:
        islands.join(("flag", flag.net), flag.at)
    for mark in drawing.grounds:
        islands.join("ground", mark.at)
    groups: dict[object, set[tuple[str, str]]] = {}
    for ref, pin in pins:
        groups.setdefault(islands.root(pin.at), set()).add((ref, pin.name))
    return {frozenset(group) for group in groups.values()}


def true_nets(circuit: Circuit) -> set[Group]:
    """Pins that hang together by the netlist."""
    groups: dict[str, set[tuple[str, str]]] = {}
    for part in circuit:
        for pin in part.pins:
            groups.setdefault(pin.net, set()).add((part.ref, pin.name))
    return {frozenset(group) for group in groups.values()}


def loose_ends(drawing: Drawing) -> list[str]:
    """Ends of wires that touch no pin, no flag and no other wire."""
    anchors = {pin.at for part in drawing.parts for pin in part.pins}
    anchors |= {flag.at for flag in drawing.flags}
    found = []
    for number, wire in enumerate(drawing.wires):
        for end in (wire.points[0], wire.points[-1]):
            touched = end in anchors or any(
                end in points_between(a, b)
                for place, other in enumerate(drawing.wires)
                if place != number and other.net == wire.net
                for a, b in other.segments()
            )
            if not touched:
                found.append(f"{wire.net} ends loose at {end}")
    return found


def problems(circuit: Circuit, drawing: Drawing) -> list[str]:
    """Everything that is wrong with a drawing; empty for a good one."""
    found = overlaps(drawing) + wires_through_boxes(drawing) + loose_ends(drawing)
    drawn = sorted(part.ref for part in drawing.parts)
    if drawn != sorted(circuit.parts):
        found.append(f"drawn {drawn}, in the netlist {sorted(circuit.parts)}")
    wrong = recovered_nets(drawing) ^ true_nets(circuit)
    found += [f"net differs: {sorted(group)}" for group in wrong]
    return found
