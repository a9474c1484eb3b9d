"""The arms of a tube: what hangs on its grid, cathode, plate and screen.

Comes in: the plan and a tube.  Goes out: a block with the tube at the origin.  The
grid's arm runs along a line to the left, its leaks hang from that line; cathode
parts stand below the tube, the plate load above it, screen parts to the right.
Every arm is a ladder: series parts lie along it, shunt parts stand across.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from netcheck.circuit.model import GROUND, Part
from netcheck.drawing.claims import Plan
from netcheck.drawing.geometry import Block, name_width, symbol_of
from netcheck.drawing.model import Direction
from netcheck.drawing.style import name_and_value_width, value_text
from netcheck.drawing.symbols import HALF, is_tube
from netcheck.roles.table import Place, RoleName

BELOW = Place.CATHODE | Place.FEEDBACK
PITCH = 7
"""From one part of an upright chain to the next."""
DROP = 3
"""From the line of a ladder to the first pin of a part that hangs from it."""
TUBE_EDGE = 4
PAST_LABEL = 13
"""To the right of a tube and its texts."""
LABEL_ROOM = 3
"""Beside an upright part: half its body, and air on both sides of its texts."""
LONGEST_CHAIN = 6
LONGEST_SHARED = 2
"""A net of more parts is a place of its own; only below a cathode a chain goes on."""

Hang = Callable[[Part], bool]


def upright(part: Part, top: str) -> Direction:
    """Return the turn that puts the pin on net `top` upward."""
    return "down" if part.nets[0] == top else "up"


def flat(part: Part, left: str) -> Direction:
    """Return the turn that puts the pin on net `left` to the left."""
    return "right" if part.nets[0] == left else "left"


def column_width(part: Part) -> int:
    """Return the width of an upright part with its texts to the right."""
    return math.ceil(name_width(part)) + LABEL_ROOM


def flat_half(part: Part) -> int:
    """Return half the length that a flat part needs on its line."""
    name = name_and_value_width(part.ref, value_text(part))
    return max(HALF + 1, math.ceil(name / 2) + 1)


def hang(
    plan: Plan,
    block: Block,
    part: Part,
    net: str,
    at: tuple[int, int],
    place: Place,
    downward: bool = True,
) -> int:
    """Place an upright part on `net` and what follows it; returns the width taken.

    Where the far end is no ground, parts on it that may stand in `place` continue the chain;
    of several the first stands in line and the others beside it.
    """
    x, y = at
    width = column_width(part)
    passed = {net}
    step = PITCH if downward else -PITCH
    for _ in range(LONGEST_CHAIN):
        if part.ref not in plan.free:
            break  # one of those beside has come round to it
        plan.take(part.ref)
        block.add(part.ref, x, y, upright(part, net if downward else part.other_net(net)))
        net = part.other_net(net)
        passed.add(net)
        following = (
            []
            if net == GROUND or _is_tied(plan, net)
            else [
                other
                for other in plan.on(net, place)
                if other.other_net(net) not in passed and _feeds_back_to(plan, other, net)
            ]
        )
        if place != BELOW and len(plan.circuit.parts_on[net]) > LONGEST_SHARED:
            following = []
        if not following:
            break
        part, *beside = following
        for other in beside:
            if other.ref in plan.free:
                width += hang(plan, block, other, net, (x + width, y + step), place, downward)
        y += step
        width = max(width, column_width(part))
    return width


def _is_tied(plan: Plan, net: str) -> bool:
    """Say whether a net is a supply, or one of many parts: a chain ends there."""
    return (
        net in plan.roles.rails
        or net in plan.drivers
        or any(net == supply.feed_net for supply in plan.roles.bias_supplies)
    )


class Ladder:
    """A line of flat parts with upright parts hanging from it, to the left or right.

    top and low are how far the line, and what hangs from it, have come.
    """

    def __init__(
        self, plan: Plan, block: Block, toward: int, y: int, top: int, low: int, room: int = 0
    ) -> None:
        self.plan, self.block = plan, block
        self.toward, self.y, self.top, self.low, self.room = toward, y, top, low, room

    def run(
        self,
        net: str,
        series: Place,
        shunt: Place,
        along: Callable[[Part, str], bool] = lambda part, net: True,
    ) -> str:
        """Lay out the line from `net` on; returns the net where it ends."""
        while True:
            parts = self.plan.on(net, series | shunt)
            inline = [
                part
                for part in parts
                if part.other_net(net) != GROUND
                and self.plan.has(part.ref, series)
                and along(part, net)
            ]
            for part in parts:
                hangs = (
                    self.plan.has(part.ref, shunt)
                    and part not in inline[:1]
                    and _feeds_back_to(self.plan, part, net)
                )
                if hangs and part.ref in self.plan.free:
                    self.drop(part, net, shunt)
            inline = [part for part in inline if part.ref in self.plan.free]
            if not inline:
                return net
            self.lay(inline[0], net)
            net = inline[0].other_net(net)
            if net in self.plan.drivers or net in self.plan.roles.rails:
                return net

    def drop(self, part: Part, net: str, place: Place) -> None:
        """Hang an upright part, and what follows it, from the line."""
        hung = Block(self.plan.circuit)
        width = hang(self.plan, hung, part, net, (0, self.y + DROP + HALF), place)
        if self.toward < 0:
            x = min(self.top - 1, self.low - width + 1)
        else:
            x = max(self.top + 1, self.low + 2)
        self.block.take(hung, x)
        self.top = x + self.toward
        self.low = x - 2 - self.room if self.toward < 0 else x + width - 1

    def lay(self, part: Part, net: str) -> None:
        """Lay a flat part on the line; `net` is the end toward the tube."""
        half = flat_half(part)
        self.plan.take(part.ref)
        x = self.top + self.toward * half
        left = part.other_net(net) if self.toward < 0 else net
        self.block.add(part.ref, x, self.y, flat(part, left))
        self.top = x + self.toward * half


def along_signal(plan: Plan) -> Callable[[Part, str], bool]:
    """Say of a part at a net whether its far end lies toward the input."""
    downstream = {
        (role.part, role.source_net)
        for role in plan.roles.named(RoleName.COUPLING_CAPACITOR, RoleName.INPUT_CAPACITOR)
        if role.source_net
    }
    return lambda part, net: (part.ref, net) not in downstream


def grid_arm(plan: Plan, block: Block, tube: Part, room: int) -> None:
    """Lay out what leads to a grid, to the left of the tube."""
    low = -TUBE_EDGE - room - (HALF if tube.net("cathode") == GROUND else 0)
    ladder = Ladder(plan, block, -1, 0, -TUBE_EDGE, low, room)
    hanging = Place.GRID_SHUNT | Place.FEEDBACK
    ladder.run(tube.net("grid"), Place.GRID_SERIES, hanging, along_signal(plan))


def cathode_arm(plan: Plan, block: Block, net: str, x: int, y: int, room: int = 0) -> int:
    """Stand the parts of a cathode side by side below it; returns the right edge."""
    if net == GROUND:
        return x
    order = {"resistor": 0, "inductor": 1, "current_source": 1}
    parts = sorted(
        plan.on(net, BELOW),
        key=lambda part: (plan.has(part.ref, Place.FEEDBACK), order.get(part.kind, 2)),
    )
    for part in parts:
        if part.ref not in plan.free or not _feeds_back_to(plan, part, net):
            continue
        x += hang(plan, block, part, net, (x, y + HALF), BELOW) + room
    return x


def _feeds_back_to(plan: Plan, part: Part, net: str) -> bool:
    feeds = [
        role.feeds
        for role in plan.roles.of_part(part.ref)
        if Place.FEEDBACK in role.name.kind.place
    ]
    return not feeds or net in feeds


def plate_arm(plan: Plan, block: Block, net: str) -> None:
    """Stand the load of a plate above it, and what lies beside the load."""
    x = 0
    for part in plan.on(net, Place.PLATE):
        if part.ref in plan.free:
            x += hang(plan, block, part, net, (x, -12), Place.PLATE, downward=False)


def screen_arm(plan: Plan, block: Block, tube: Part, low: int) -> None:
    """Lay out what feeds a screen, to the right of the tube."""
    if tube.has_pin("screen"):
        ladder = Ladder(plan, block, 1, -1, TUBE_EDGE, max(low, 12))
        ladder.run(tube.net("screen"), Place.SCREEN, Place.SCREEN)


def output_arm(plan: Plan, block: Block, tube: Part, edge: int) -> int:
    """Lay out what leads from plate or cathode to a load that is no tube."""
    for net, y in ((tube.net("cathode"), 6), (tube.net("plate"), -8)):
        if net == GROUND or net in plan.roles.rails:
            continue
        start = max(edge, PAST_LABEL if tube.has_pin("screen") else 5) if y > 0 else PAST_LABEL
        ladder = Ladder(plan, block, 1, y, start, start)
        ladder.run(net, Place.OUTPUT, Place.OUTPUT)
        if y > 0:
            edge = max(edge, ladder.top, ladder.low)
    return edge


def tube_cell(plan: Plan, ref: str, with_cathode: bool = True, room: int = 0) -> Block:
    """Return a tube at the origin with everything that hangs on it.

    room: more air left of upright parts, for ground marks that stand beside them once
        the cell is upside down.
    """
    tube = plan.circuit[ref]
    block = Block(plan.circuit)
    if ref in plan.free:
        plan.take(ref)
        block.add(ref, 0, 0, "right")
    if not is_tube(symbol_of(tube)):
        return block
    edge = 0
    if with_cathode:
        edge = cathode_arm(plan, block, tube.net("cathode"), -1, 6, room)
    if tube.net("grid") != GROUND:
        grid_arm(plan, block, tube, room)
    plate_arm(plan, block, tube.net("plate"))
    edge = output_arm(plan, block, tube, edge)
    screen_arm(plan, block, tube, edge)
    return block


def facing_pair(plan: Plan, left_ref: str, right_ref: str) -> Block:
    """Return two tubes with one cathode circuit, mirrored, its parts between them."""
    left = tube_cell(plan, left_ref, with_cathode=False)
    right = tube_cell(plan, right_ref, with_cathode=False).left_to_right()
    block = Block(plan.circuit)
    block.take(left)
    distance = math.ceil(left.box.right - right.box.left) + 4
    block.take(right, max(distance, 16))
    tail = Block(plan.circuit)
    net = plan.circuit[left_ref].net("cathode")
    cathode_arm(plan, tail, net, 0, 7)
    block.take(tail, max(distance, 16) // 2)
    return block
