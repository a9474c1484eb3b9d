"""From circuit and roles to the drawing.

Comes in: a circuit and what was recognised in it.  Goes out: a `Drawing`.  The same
circuit gives the same drawing, whatever is solved or annotated later.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit
from netcheck.drawing.arrange import Sheet
from netcheck.drawing.block import joined
from netcheck.drawing.geometry import ground_marks, outline, place
from netcheck.drawing.model import Box, Drawing
from netcheck.drawing.wiring import Wiring
from netcheck.roles.base import Roles

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
