"""The supply chain along the top, the bias supply below, and the transformers with their load.

Comes in: the plan, and where the stages need which rail.  Goes out: blocks.  The
chain runs from the last rail at the left to the source at the right, since the
signal runs the other way; each dropper lies where the stages of one rail end and
those of the next begin, and its capacitors hang from the line.

Coupled windings are one block: columns with the core between them.  Plate
windings stand to the left, in the order of the current: from one plate to the
center tap, and from there to the other plate; the other windings stand to the
right.  What lies across a plate winding stands left of it; speaker and what
belongs to it follow the secondary as a ladder.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part
from netcheck.drawing.arms import Ladder, column_width, flat, flat_half, hang, upright
from netcheck.drawing.claims import LOW_SUPPLIES, NOWHERE, Plan
from netcheck.drawing.geometry import Block, Spot, name_width
from netcheck.drawing.model import Core, Direction
from netcheck.drawing.symbols import HALF
from netcheck.roles.table import Place, RoleName

MOST_WAYS = 500
"""A mesh of rails has many ways through it; so many are looked at."""
RAIL_ROOM = 11
"""Height of the row with the rail line and what hangs from it."""


@dataclass(frozen=True, slots=True)
class Link:
    """One piece of the chain: a rail, and the part that feeds it from the next."""

    net: str
    feeder: Part | None


def chain(plan: Plan) -> list[Link]:
    """Return the rails from the farthest to the source, along the longest way."""
    known = {role.part for role in plan.roles.named(RoleName.SUPPLY_SOURCE)}
    sources = [
        part.nets[0] if part.nets[0] != GROUND else part.nets[1]
        for part in plan.circuit.of_kind("voltage_source", "current_source")
        if part.ref in known
    ]
    start = sources[0] if sources else (plan.roles.rails[0] if plan.roles.rails else "")
    best: list[Link] = []
    waiting: list[list[Link]] = [[Link(start, None)]] if start else []
    for _ in range(MOST_WAYS):
        if not waiting:
            break
        path = waiting.pop(0)
        if len(path) > len(best):
            best = path
        here = path[-1].net
        onward: dict[str, Part] = {}
        for part in plan.on(here, Place.RAIL_SERIES):
            onward.setdefault(part.other_net(here), part)
        for far, part in onward.items():
            if far != GROUND and all(link.net != far for link in path):
                waiting.append([*path, Link(far, part)])
    return best[::-1]


def rail_row(plan: Plan, users: Mapping[str, Sequence[int]], right_edge: int) -> Block:
    """Return the chain with its line at y = 0, fitted between the users of the rails.

    users: x of the pins that go up to each rail.
    """
    block = Block(plan.circuit)
    links = chain(plan)
    all_x = sorted(x for each in users.values() for x in each)
    cursor = min(all_x, default=0) - 4
    for number, link in enumerate(links):
        rails = {each.net for each in links}
        shunts = [
            part
            for part in plan.on(link.net, Place.RAIL_SHUNT)
            if part.other_net(link.net) not in rails
        ]
        feeder = link.feeder
        width = sum(map(column_width, shunts)) + 2 + (2 * flat_half(feeder) if feeder else 0)
        passed = [x for other in links[: number + 1] for x in users.get(other.net, ())]
        after = max(passed, default=cursor) + 2
        before = [x for x in all_x if x > after - 2]
        start = max(cursor, after)
        if before and start + width > min(before):
            start = _gap(all_x, start, width)
        x = start + 1
        for part in shunts:
            if part.ref in plan.free:
                x += hang(plan, block, part, link.net, (x, HALF), Place.RAIL_SHUNT)
        if feeder is not None and feeder.ref in plan.free:
            plan.take(feeder.ref)
            half = flat_half(feeder)
            block.add(feeder.ref, x + half, 0, flat(feeder, link.net))
            x += 2 * half
        cursor = x
    return block


def _gap(taken: Sequence[int], start: int, width: int) -> int:
    """Return the first place from `start` on where nothing goes up to the line."""
    while any(start - 1 <= x <= start + width for x in taken):
        start = min(x for x in taken if start - 1 <= x <= start + width) + 2
    return start


def low_supplies(plan: Plan) -> list[Block]:
    """Return bias and heater supplies as ladders to the right, each from its source."""
    blocks = []
    for source_role, place in LOW_SUPPLIES:
        sources = {role.part for role in plan.roles.named(source_role)}
        for source in plan.circuit:
            if source.ref not in plan.free or source.ref not in sources or len(source.pins) != 2:
                continue
            net = source.nets[1] if source.nets[0] == GROUND else source.nets[0]
            block = Block(plan.circuit)
            ladder = Ladder(plan, block, 1, 0, -1, -1)
            ladder.drop(source, net, NOWHERE)
            ladder.run(net, place, place)
            blocks.append(block)
    return blocks


ROW = 8
"""From one winding of a stack to the next."""
SECOND_COLUMN = 6


def groups(plan: Plan) -> list[tuple[str, ...]]:
    """Return the sets of coupled windings, in part order."""
    found: list[tuple[str, ...]] = []
    seen: set[str] = set()
    for part in plan.circuit.of_kind("inductor"):
        if part.ref in seen or not plan.circuit.coupled_with(part.ref):
            continue
        group, waiting = {part.ref: None}, [part.ref]
        while waiting:
            for other in plan.circuit.coupled_with(waiting.pop()):
                if other not in group:
                    group[other] = None
                    waiting.append(other)
        seen.update(group)
        found.append(tuple(ref for ref in plan.circuit.parts if ref in group))
    return found


def primary_order(plan: Plan, group: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return the plate windings from top to bottom, each with its upper net."""
    ordered: dict[str, str] = {}
    for transformer in plan.roles.transformers:
        runs = [
            tuple(segments)
            for segments in dict.fromkeys(map(tuple, transformer.primaries.values()))
            if set(segments) <= set(group)
        ]
        lone = len(runs) == 1
        for number, run in enumerate(runs):
            from_tap = lone or number % 2 == 1
            nets = _nets_along(plan, run[::-1] if from_tap else run)
            refs = run[::-1] if from_tap else run
            for ref, upper in zip(refs, nets, strict=True):
                ordered.setdefault(ref, upper)
    if not ordered:
        fed = [ref for ref in group if not set(plan.circuit[ref].nets).isdisjoint(plan.drivers)]
        for ref in fed or group[:1]:
            part = plan.circuit[ref]
            rails = [net for net in part.nets if net in plan.roles.rails]
            ordered[ref] = rails[0] if rails else part.nets[0]
    return list(ordered.items())


def _nets_along(plan: Plan, refs: tuple[str, ...]) -> list[str]:
    """Return the net at the upper end of each winding of a run."""
    if len(refs) == 1:
        part = plan.circuit[refs[0]]
        tap = [net for net in part.nets if net in plan.roles.rails]
        return [tap[0] if tap else part.nets[0]] if tap else [part.nets[0]]
    first, second = (plan.circuit[ref] for ref in refs[:2])
    shared = set(first.nets) & set(second.nets)
    upper = next((net for net in first.nets if net not in shared), first.nets[0])
    nets = []
    for ref in refs:
        nets.append(upper)
        upper = plan.circuit[ref].other_net(upper)
    return nets


def transformer_block(plan: Plan, group: tuple[str, ...]) -> Block:
    """Return the windings of one transformer with the parts around them."""
    block = Block(plan.circuit)
    left = _sorted_by_plates(plan, primary_order(plan, group))
    left = [(ref, net) for ref, net in left if ref in plan.free]
    right = [ref for ref in group if ref in plan.free and ref not in dict(left)]
    height = ROW * (len(left) - 1)
    for number, (ref, net) in enumerate(left):
        part = plan.circuit[ref]
        plan.take(ref)
        y = ROW * number
        block.spots.append(Spot(ref, 0, y, upright(part, net), "left"))
    first = (height - ROW * (len(right) - 1)) // 2
    for number, ref in enumerate(right):
        part = plan.circuit[ref]
        plan.take(ref)
        block.add(ref, SECOND_COLUMN, first + ROW * number, _second_turn(plan, part, right, number))
    tall = max(height, first + ROW * (len(right) - 1))
    block.cores.append(Core(SECOND_COLUMN / 2, min(0, first) - 2.5, tall + 2.5))
    _across_primary(plan, block, [ref for ref, _ in left])
    _load(plan, block, right, first)
    return block


def _second_turn(plan: Plan, part: Part, column: list[str], number: int) -> Direction:
    """Ground goes down; else the net shared with the winding above goes up."""
    if GROUND in part.nets:
        return upright(part, part.other_net(GROUND))
    if number:
        shared = set(part.nets) & set(plan.circuit[column[number - 1]].nets)
        if shared:
            return upright(part, min(shared))
    if number + 1 < len(column):
        shared = set(part.nets) & set(plan.circuit[column[number + 1]].nets)
        if shared:
            return upright(part, part.other_net(min(shared)))
    return "down"


def _sorted_by_plates(plan: Plan, windings: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Turn single windings of a push-pull pair so that the shared net is in between."""
    if len(windings) == 2:
        (first, _), (second, _) = windings
        shared = set(plan.circuit[first].nets) & set(plan.circuit[second].nets)
        if len(shared) == 1:
            tap = shared.pop()
            return [(first, plan.circuit[first].other_net(tap)), (second, tap)]
    return windings


def _across_primary(plan: Plan, block: Block, windings: Iterable[str]) -> None:
    """Stand the parts that bridge a plate winding in a column left of it.

    Of a push-pull pair the upper half's stand above the center tap and the lower
    half's below it, so that both meet its wire.
    """
    refs = list(windings)
    rows = {spot.ref: spot.y for spot in block.spots}
    widest = max((math.ceil(name_width(plan.circuit[ref])) for ref in refs), default=0)
    nets = {ref: plan.circuit[ref].nets for ref in refs}
    plates = [net for ref in refs for net in nets[ref] if net in plan.drivers]
    middle = len(refs) // 2 if len(set(plates)) > 1 else 0
    edges = {True: -(widest + 2 * HALF), False: -(widest + 2 * HALF)}
    for tied in (False, True):
        for number, ref in enumerate(refs):
            for net in nets[ref]:
                if (net in plan.roles.rails) != tied:
                    continue
                for part in plan.on(net, Place.ACROSS_WINDING):
                    if part.ref in plan.free:
                        above = number < middle
                        row = rows[refs[middle - 1 if above else middle]]
                        _bridge(plan, block, part, net, row, above, edges)


def _bridge(
    plan: Plan, block: Block, part: Part, net: str, row: int, above: bool, edges: dict[bool, int]
) -> None:
    """Stand a chain of parts with its inner end at the height of `row`."""
    downward = above != (net in plan.roles.rails)
    own = Block(plan.circuit)
    width = hang(plan, own, part, net, (0, 0), Place.ACROSS_WINDING, downward)
    heights = [spot.y for spot in own.spots]
    edges[above] -= width
    block.take(own, edges[above], row - (max(heights) if above else min(heights)))


def _load(plan: Plan, block: Block, secondaries: list[str], y: int) -> None:
    """Lay out the speaker and its company to the right of the secondaries."""
    if not secondaries:
        return
    width = max(column_width(plan.circuit[ref]) for ref in secondaries)
    edge = SECOND_COLUMN + width
    for number, ref in enumerate(secondaries):
        top = y + ROW * number - HALF
        for net in plan.circuit[ref].nets:
            if net == GROUND:
                continue
            ladder = Ladder(plan, block, 1, top - 1, edge, edge)
            ladder.run(net, Place.OUTPUT, Place.OUTPUT | Place.ACROSS_WINDING)
            edge = max(edge, ladder.top, ladder.low)
