"""From circuit and roles to the drawing: which block stands where.

Comes in: a circuit and its roles.  Goes out: a `Drawing`, from a spot for every part, frames,
and transformer cores.  The same circuit gives the same drawing, whatever is solved or annotated
later.  Stages stand in columns by how many stages the signal has
passed; a push-pull stage has one half above and its mirror image below.  Above
them runs the supply chain, below stand the bias supply, parts that found no place,
and, in a frame, parts without a role.
"""

from __future__ import annotations

import math
from itertools import zip_longest

from netcheck.circuit.model import GROUND, Circuit
from netcheck.drawing.arms import column_width, facing_pair, tube_cell
from netcheck.drawing.claims import Plan
from netcheck.drawing.geometry import Block, ground_marks, joined, outline, place, sift
from netcheck.drawing.model import Area, Box, Drawing
from netcheck.drawing.supply import (
    RAIL_ROOM,
    chain,
    groups,
    low_supplies,
    rail_row,
    transformer_block,
)
from netcheck.drawing.wiring import Wiring
from netcheck.roles.base import Roles, Stage
from netcheck.roles.table import RoleName

COLUMN_GAP = 6
BAND_GAP = 4
TUBE_GAP = 4
HOOK_ROOM = 3
UNKNOWN_HEADING = "parts without a recognised role"
LOOSE_PITCH = 13


class Sheet:
    """Builds the arrangement step by step."""

    def __init__(self, circuit: Circuit, roles: Roles) -> None:
        self.plan = Plan(circuit, roles)
        self.circuit, self.roles = circuit, roles
        self.upper = Block(circuit)
        self.lower = Block(circuit)
        self.edge = 0
        self.rail_y: int | None = None

    def arranged(self) -> Block:
        """Return the whole sheet."""
        staged = {ref for stage in self.roles.stages for ref in stage.tubes}
        unknown = [
            ref for ref in self.plan.free if ref in self.roles.unrecognised and ref not in staged
        ]
        for ref in unknown:
            self.plan.take(ref)
        windings = groups(self.plan)
        self._columns(windings)
        sheet = Block(self.circuit)
        sheet.take(self.upper)
        lower_at = self._lower_place()
        sheet.take(self.lower, 0, lower_at)
        for group in windings:
            self._transformer(sheet, group, lower_at if self.lower.spots else None)
        self._rails(sheet)
        self._below(sheet, unknown, sift(sheet))
        return sheet

    def _columns(self, windings: list[tuple[str, ...]]) -> None:
        depths = self.plan.depths()
        for stage in sorted(self.roles.stages, key=lambda each: (each.is_output, depths[each.id])):
            start = self.edge
            interstage = self._interstage(stage, windings)
            if interstage is not None:
                start = self._put(self.upper, interstage, start)
            if stage.sides and all(stage.sides):
                self._put_halves(stage.sides, start)
            else:
                self._put(self.upper, self._stage_block(stage), start)

    def _put_halves(self, sides: tuple[tuple[str, ...], tuple[str, ...]], start: int) -> None:
        """Put the two halves of a push-pull stage above each other, tube under tube."""
        edge = start
        for above, below in zip_longest(*sides):
            upper = self._row((above,) if above else ())
            lower = self._row((below,) if below else (), HOOK_ROOM).upside_down()
            boxes = [block.box for block in (upper, lower) if block.spots]
            if not boxes:
                continue
            at = math.ceil(edge - min(box.left for box in boxes))
            self.upper.take(upper, at)
            self.lower.take(lower, at)
            edge = math.ceil(at + max(box.right for box in boxes)) + TUBE_GAP
        self.edge = max(self.edge, edge - TUBE_GAP + COLUMN_GAP)

    def _interstage(self, stage: Stage, windings: list[tuple[str, ...]]) -> Block | None:
        """Return the transformer that drives a stage's grids, if there is one."""
        grids = {self.circuit[ref].net("grid") for ref in stage.tubes}
        for group in windings:
            nets = {net for ref in group for net in self.circuit[ref].nets}
            named = self.roles.named(RoleName.INTERSTAGE_TRANSFORMER)
            if grids & nets and any(role.part in group for role in named):
                windings.remove(group)
                return transformer_block(self.plan, group)
        return None

    def _stage_block(self, stage: Stage) -> Block:
        tubes = [ref for ref in stage.tubes if ref in self.plan.free]
        if len(tubes) == 2:
            first, second = (self.circuit[ref] for ref in tubes)
            if first.net("cathode") == second.net("cathode") and not stage.is_output:
                return facing_pair(self.plan, *tubes)
        return self._row(tuple(tubes))

    def _row(self, refs: tuple[str, ...], room: int = 0) -> Block:
        block = Block(self.circuit)
        edge: int | None = None
        for ref in refs:
            if ref not in self.plan.free:
                continue
            cell = tube_cell(self.plan, ref, room=room)
            box = cell.box
            at = 0 if edge is None else math.ceil(edge + TUBE_GAP - box.left)
            block.take(cell, at)
            edge = math.ceil(at + box.right)
        return block

    def _put(self, band: Block, block: Block, start: int) -> int:
        """Put a block into a band with its left edge at `start`; returns where it ends."""
        if not block.spots:
            return start
        box = block.box
        at = math.ceil(start - box.left)
        band.take(block, at)
        end = math.ceil(at + box.right) + COLUMN_GAP
        self.edge = max(self.edge, end)
        return end

    def _lower_place(self) -> int:
        if not self.lower.spots:
            return 0
        upper, lower = self.upper.box, self.lower.box
        return math.ceil(upper.bottom + BAND_GAP - lower.top)

    def _transformer(self, sheet: Block, group: tuple[str, ...], lower_at: int | None) -> None:
        block = transformer_block(self.plan, group)
        if not block.spots:
            return
        box = block.box
        middle = (lower_at or 0) / 2 if lower_at is not None else -9
        at = (math.ceil(self.edge - box.left), round(middle - (box.top + box.bottom) / 2))
        sheet.take(block, *at)
        self.edge = math.ceil(at[0] + box.right) + COLUMN_GAP

    def _rails(self, sheet: Block) -> None:
        box = sheet.box
        nets = {link.net for link in chain(self.plan)}
        users: dict[str, list[int]] = {}
        for spot in sheet.spots:
            for pin in place(self.circuit[spot.ref], spot).pins:
                if pin.net in nets and pin.at[1] < 0 and pin.facing == "up":
                    users.setdefault(pin.net, []).append(pin.at[0])
        row = rail_row(self.plan, users, self.edge)
        if row.spots:
            self.rail_y = math.floor(box.top - RAIL_ROOM)
            sheet.take(row, 0, self.rail_y)

    def _below(self, sheet: Block, unknown: list[str], aside: list[str]) -> None:
        """Put what is left below the stages: low supplies, loose parts, unknown parts."""
        blocks = low_supplies(self.plan)
        for block in blocks:
            aside += sift(block)
        aside += self.plan.free
        blocks.append(self._standing(aside))
        self.plan.free.clear()
        framed = self._standing(unknown)
        if framed.spots:
            frame = framed.box.grown(3)
            framed.areas.append(Area(UNKNOWN_HEADING, frame._replace(top=frame.top - 1)))
            blocks.append(framed)
        for block in blocks:
            if block.spots:
                self._fit(sheet, block)

    def _standing(self, refs: list[str]) -> Block:
        """Stand parts in rows, with room for a flag at every pin."""
        block = Block(self.circuit)
        x, y = 0, 0
        widest = max(80, self.edge - 20)
        for ref in refs:
            part = self.circuit[ref]
            width = max(LOOSE_PITCH, column_width(part) + 4)
            if len(part.pins) != 2:
                width = 28
            if x + width > widest and x:
                x, y = 0, y + 16
            two = len(part.pins) == 2
            block.add(ref, x if two else x + 10, y, "down" if two else "right")
            x += width
        return block

    def _fit(self, sheet: Block, block: Block) -> None:
        """Put a block at the left as high as it goes, else below everything."""
        box = block.box
        obstacles = _boxes(sheet)
        if not obstacles:
            sheet.take(block)
            return
        left = math.ceil(min(o.left for o in obstacles) - box.left) + 2
        low = max(o.bottom for o in obstacles)
        y = math.ceil(self.upper.box.bottom + 5 - box.top)
        while y < low + 8 - box.top:
            there = box.moved(left, y).grown(3.5)
            if not any(there.overlaps(other) for other in obstacles):
                break
            y += 1
        sheet.take(block, left, y)


def _boxes(block: Block) -> list[Box]:
    boxes = [outline(place(block.circuit[spot.ref], spot)) for spot in block.spots]
    return boxes + [area.box for area in block.areas]


EDGE = 2.0
"""Air around the drawing."""


def draw_circuit(circuit: Circuit, roles: Roles) -> Drawing:
    """Lay out the schematic of a circuit."""
    sheet = Sheet(circuit, roles)
    block = sheet.arranged()
    parts = tuple(place(circuit[spot.ref], spot) for spot in block.spots)
    areas = tuple(block.areas)
    boxes = [*(outline(part) for part in parts), *(area.box for area in areas)]
    box = joined(boxes) or Box(0, 0, 0, 0)
    feeds = {*roles.rails, *(supply.feed_net for supply in roles.bias_supplies)}
    wiring = Wiring(parts, box, areas, feeds)
    if sheet.rail_y is not None:
        wiring.join_rails(sheet.rail_y, roles.rails)
    wiring.join()
    volts = wiring.volts([net for net in circuit.nets if net != GROUND])
    for extra in [*(flag.box for flag in wiring.flags), *(label.box for label in volts)]:
        box = box.joined(extra)
    for wire in wiring.wires:
        for x, y in wire.points:
            box = box.joined(Box(x, y, x, y))
    return Drawing(
        title=circuit.title,
        parts=parts,
        wires=tuple(wiring.wires),
        flags=tuple(wiring.flags),
        grounds=tuple(mark for part in parts for mark in ground_marks(part)),
        dots=wiring.dots(),
        volts=volts,
        areas=areas,
        cores=tuple(block.cores),
        box=box.grown(EDGE),
    )
