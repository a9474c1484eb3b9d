"""A deck's names: what was written, and how to alter it.

Comes in: nothing; `deck.py` fills a `Deck` while it writes.  Goes out: `Deck`, with
the maps from nets and parts to ngspice's names, and the words by which what is not
one part (a winding's wire, a tube's gas) is found in `Deck.alter`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property


class DeckError(Exception):
    """A circuit that no deck can be written for; the text says why."""


@dataclass
class Deck:
    """A deck and the way back from its names.

    node: net to node.  alter: part ref to the name `alter` takes.
    sense: tube ref to {electrode: vector}.  current: part ref to its branch
    current vector (sources and windings).  winding: ref to inner node pair.
    inner: nodes that are no net.  key: node to the name a start state knows it by,
    which is the same in every deck of circuits that differ by a fault.
    """

    lines: list[str] = field(default_factory=list)
    node: dict[str, str] = field(default_factory=dict)
    alter: dict[str, str] = field(default_factory=dict)
    sense: dict[str, dict[str, str]] = field(default_factory=dict)
    current: dict[str, str] = field(default_factory=dict)
    winding: dict[str, tuple[str, str]] = field(default_factory=dict)
    inner: list[str] = field(default_factory=list)
    key: dict[str, str] = field(default_factory=dict)

    @cached_property
    def vectors(self) -> list[str]:
        """All vectors a reader needs: nodes, then branch currents."""
        nodes = [node for node in self.node.values() if node != "0"]
        senses = [name for table in self.sense.values() for name in table.values()]
        return [*nodes, *self.inner, *senses, *self.current.values()]

    @cached_property
    def place(self) -> dict[str, int]:
        """Place of each vector among `vectors`."""
        return {name: number for number, name in enumerate(self.vectors)}


def wire_of(winding: str) -> str:
    """Name by which a winding's resistance is altered."""
    return f"wire of {winding}"


def space_of(tube: str) -> str:
    """Name by which a factor on a tube's space current is altered."""
    return f"space current of {tube}"


def positive_grid_of(tube: str) -> str:
    """Name by which a factor on a tube's positive grid current is altered."""
    return f"positive grid of {tube}"


def gas_of(tube: str) -> str:
    """Name by which a tube's gas current is altered: `gas_gain` of a ratio."""
    return f"gas of {tube}"


def emission_of(tube: str) -> str:
    """Name by which a tube's grid emission is altered [A]."""
    return f"grid emission of {tube}"


def screen_current_of(tube: str) -> str:
    """Name by which a factor on a tube's screen current alone is altered."""
    return f"screen current of {tube}"
