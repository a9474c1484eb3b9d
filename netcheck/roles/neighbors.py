"""What stands around a part: for a part that no role was found for.

Comes in: a circuit and the ref of a part.  Goes out: for each pin its net and the
other parts there.  Ground and supply nets have many parts; they are given all the
same, and whoever prints them decides how many to show.
"""

from __future__ import annotations

from dataclasses import dataclass

from netcheck.circuit.model import Circuit


@dataclass(frozen=True, slots=True)
class Neighbors:
    """One pin of a part, its net, and the other parts on that net with their pins."""

    pin: str
    net: str
    parts: tuple[tuple[str, str], ...]


def neighbors(circuit: Circuit, ref: str) -> tuple[Neighbors, ...]:
    """Return what is on each pin of a part; KeyError where there is no such part."""
    return tuple(
        Neighbors(
            pin.name,
            pin.net,
            tuple(
                (part.ref, other.name)
                for part in circuit.parts_on[pin.net]
                if part.ref != ref
                for other in part.pins
                if other.net == pin.net
            ),
        )
        for pin in circuit[ref].pins
    )
