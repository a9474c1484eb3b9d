"""What is kept of a solved circuit for the dictionary: columns, and how they are read off.

Comes in: a circuit, and operating points of it.  Goes out: one row a column.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import GROUND, Circuit
from netcheck.solve.deck import write_deck
from netcheck.solve.draws import Drawn

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Layout:
    """What is kept of a solved circuit: columns, and the nets that can be loaded.

    columns: `v:NET`, `i:PART`, `ip:TUBE`, `is:TUBE`, `ik:TUBE` (plate, screen, cathode), `w:TUBE`.
    """

    nets: tuple[str, ...]
    resistors: tuple[str, ...]
    branches: tuple[str, ...]
    tubes: tuple[str, ...]

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """All columns in order."""
        return (
            *(f"v:{net}" for net in self.nets),
            *(f"i:{ref}" for ref in (*self.resistors, *self.branches)),
            *(f"{kind}:{ref}" for ref in self.tubes for kind in ("ip", "is", "ik", "w")),
        )

    @cached_property
    def place(self) -> dict[str, int]:
        """Number of each column."""
        return {name: at for at, name in enumerate(self.columns)}


def layout_of(circuit: Circuit) -> Layout:
    """Return what can be read in a circuit."""
    deck = write_deck(circuit)
    return Layout(
        tuple(net for net in circuit.nets if net != GROUND),
        tuple(part.ref for part in circuit.of_kind("resistor")),
        tuple(
            part.ref
            for part in circuit.of_kind("inductor", "voltage_source")
            if part.ref in deck.current
        ),
        tuple(
            tube.ref for tube in circuit.tubes if tube.has_pin("grid") and tube.ref in deck.sense
        ),
    )


def kept(layout: Layout, drawn: Drawn) -> Array:
    """Return the columns of a layout: (columns, draws)."""
    blank = np.full(drawn.rows.shape[1], np.nan)
    rows = [drawn.net(net) if net in drawn.deck.node else blank for net in layout.nets]
    rows += [np.abs(_through(drawn, ref)) for ref in layout.resistors]
    rows += [
        np.abs(drawn.branch(ref)) if ref in drawn.deck.current else blank * 0.0
        for ref in layout.branches
    ]
    for ref in layout.tubes:
        rows += list(_of_tube(drawn, ref))
    return np.array(rows)


def _through(drawn: Drawn, ref: str) -> Array:
    first, second = drawn.circuit[ref].nets
    return np.asarray((drawn.net(first) - drawn.net(second)) / drawn.resistance(ref))


def _of_tube(drawn: Drawn, ref: str) -> Iterator[Array]:
    """Yield plate, screen and cathode current, and plate dissipation."""
    tube = drawn.circuit[ref]
    plate, screen, grid = (drawn.electrode(ref, name) for name in ("plate", "screen", "grid"))
    volts = drawn.net(tube.net("plate")) - drawn.net(tube.net("cathode"))
    yield from (plate, screen, plate + screen + grid, volts * plate)
