"""The supply chain along the top, and the bias supply below.

Comes in: the plan, and where the stages need which rail.  Goes out: blocks.  The
chain runs from the last rail at the left to the source at the right, since the
signal runs the other way; each dropper lies where the stages of one rail end and
those of the next begin, and its capacitors hang from the line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part
from netcheck.drawing.arms import Ladder, column_width, flat, flat_half, hang
from netcheck.drawing.block import Block
from netcheck.drawing.claims import LOW_SUPPLIES, RAIL_SERIES, RAIL_SHUNT, Plan
from netcheck.drawing.symbols import HALF

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
    sources = [
        part.nets[0] if part.nets[0] != GROUND else part.nets[1]
        for part in plan.circuit.of_kind("voltage_source", "current_source")
        if plan.has(part.ref, frozenset({"supply_source"}))
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
        for part in plan.on(here, RAIL_SERIES):
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
            part for part in plan.on(link.net, RAIL_SHUNT) if part.other_net(link.net) not in rails
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
                x += hang(plan, block, part, link.net, (x, HALF), RAIL_SHUNT)
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
    for source_role, names in LOW_SUPPLIES:
        for source in plan.circuit:
            named = plan.has(source.ref, frozenset({source_role})) and len(source.pins) == 2
            if source.ref not in plan.free or not named:
                continue
            net = source.nets[1] if source.nets[0] == GROUND else source.nets[0]
            block = Block(plan.circuit)
            ladder = Ladder(plan, block, 1, 0, -1, -1)
            ladder.drop(source, net, frozenset())
            ladder.run(net, names, names)
            blocks.append(block)
    return blocks
