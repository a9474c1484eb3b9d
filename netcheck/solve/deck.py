"""The only writer of ngspice decks.

Comes in: a circuit and what is asked of it.  Goes out: a `Deck` whose every
name is ours (`n3`, `r12`), with the maps back to nets and parts; no text of the
user's netlist reaches ngspice.  Tube electrodes, semiconductors and controlled
sources are sensed with 0 V sources;
every winding has a small resistance so that two can never form a DC loop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from netcheck.circuit.changes import AddCurrentSource, AddResistor
from netcheck.circuit.model import Circuit, Part
from netcheck.solve.analyses import Drive, Hookup, StartState
from netcheck.solve.deck_names import Deck, DeckError, wire_of
from netcheck.solve.deck_tubes import write_tube
from netcheck.solve.deck_writer import MIN_RESISTANCE_OHM, DeckWriter

__all__ = ["MIN_RESISTANCE_OHM", "NEUTRAL_OHM", "Deck", "DeckError", "wire_of", "write_deck"]

NEUTRAL_OHM = 1e15
"""A resistor that is not there yet."""
MAX_COUPLING = 0.99999
IDLE_OPTIONS = "itl1=300 rshunt=1e13"
"""The shunt keeps an island of nets without a DC path solvable; it is a finding."""
DRIVEN_OPTIONS = (
    "method=gear reltol=1e-3 vntol=1e-3 abstol=1e-7 trtol=20 itl4=60 cshunt=1e-12",
    "method=gear reltol=3e-3 vntol=1e-2 abstol=1e-6 trtol=20 itl4=200 cshunt=3e-12",
    "method=gear maxord=1 reltol=1e-3 vntol=1e-3 abstol=1e-7 trtol=20 itl4=200 cshunt=3e-12",
)
"""For a transient, and what to fall back on where a step cannot be found.

Steps are set by the request; looser error control than default costs 0.3 % of the
watts in clipping and saves three quarters of the time (measured).  A picofarad of
stray capacitance at every net is what a real chassis has, and gives every first
step a solution."""
DAMPING_OHM = 10e3
DAMPING_F = 470e-12
"""Winding loss and capacitance where the netlist gives none (common practice)."""


def write_deck(
    circuit: Circuit,
    *,
    absent: Sequence[AddResistor | AddCurrentSource] = (),
    hookup: Hookup | None = None,
    drive: Drive | None = None,
    start: StartState | None = None,
    attempt: int = 0,
) -> Deck:
    """Write the deck of a circuit.

    absent: resistors and current sources that changes may put in later, written as
        1e15 ohm and 0 A.
    drive: makes it a deck for a transient, with tube capacitances.
    attempt: which of `DRIVEN_OPTIONS` to use.
    """
    writer = _PartWriter(circuit, hookup, drive, start)
    for number, part in enumerate(circuit):
        writer.part(number, part)
    for number, change in enumerate(absent):
        writer.absent(number, change)
    writer.couplings()
    writer.damping()
    options = DRIVEN_OPTIONS[attempt] if drive else IDLE_OPTIONS
    return writer.finish(options)


class _PartWriter(DeckWriter):
    """Writes the parts of a circuit one after the other."""

    def absent(self, number: int, change: AddResistor | AddCurrentSource) -> None:
        """Write a part that is not there yet."""
        if isinstance(change, AddResistor):
            name, nets, value = f"rz{number}", (change.net_a, change.net_b), f"{NEUTRAL_OHM:.9g}"
        else:
            name, nets, value = f"iz{number}", (change.net_from, change.net_to), "dc 0"
        self.add(f"{name} {self.net(nets[0])} {self.net(nets[1])} {value}")
        self.deck.alter[change.name] = name

    def part(self, number: int, part: Part) -> None:
        """Write one part."""
        match part.kind:
            case "resistor":
                value = max(part.value or 0.0, MIN_RESISTANCE_OHM)
                self._two_pin(part, f"r{number}", f"{value:.12g}")
            case "capacitor":
                self._capacitor(f"c{number}", part)
            case "inductor":
                self._inductor(number, part)
            case "voltage_source" | "current_source":
                self._source(number, part)
            case "diode" | "transistor":
                self._semiconductor(number, part)
            case "controlled_source":
                self._controlled(number, part)
            case "tube":
                write_tube(self, number, part)

    def _two_pin(self, part: Part, name: str, value: str) -> None:
        first, second = part.nets
        self.add(f"{name} {self.net(first)} {self.net(second)} {value}")
        self.deck.alter[part.ref] = name

    def _capacitor(self, name: str, part: Part) -> None:
        value = f"{part.value or 0.0:.12g}"
        if self.start:
            first, second = (self.net(net) for net in part.nets)
            volts = self.start.capacitor_v.get(part.ref, self.start_v(first, second))
            value += f" ic={volts:.12g}"
        self._two_pin(part, name, value)

    def _inductor(self, number: int, part: Part) -> None:
        name, wire = f"l{number}", f"w{number}"
        first, second = (self.net(net) for net in part.nets)
        value = f"{part.value or 0.0:.12g}"
        if self.start:
            value += f" ic={self.start.winding_a.get(part.ref, 0.0):.12g}"
        self.add(f"{name} {first} {wire} {value}")
        ohm = max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
        self.add(f"rw{number} {wire} {second} {ohm:.12g}")
        self.deck.alter[wire_of(part.ref)] = f"rw{number}"
        self.inductors[part.ref] = name
        self.deck.alter[part.ref] = name
        self.deck.current[part.ref] = f"{name}#branch"
        self.deck.winding[part.ref] = (first, wire)
        self.inner(wire, wire_of(part.ref))

    def _source(self, number: int, part: Part) -> None:
        letter = "v" if part.kind == "voltage_source" else "i"
        name = f"{letter}{number}"
        level = part.value or 0.0
        wave = f"dc {level:.12g}"
        if self.drive and self.hookup and self.hookup.input_part == part.ref:
            wave += (
                f" ac 1 sin({level:.12g} {self.drive.input_v:.12g} {self.drive.frequency_hz:.12g})"
            )
        self._two_pin(part, name, wave)
        if letter == "v":
            self.deck.current[part.ref] = f"{name}#branch"

    def _semiconductor(self, number: int, part: Part) -> None:
        element = part.element
        model = self.circuit.models.get(element.name.casefold()) if element else None
        if element is None or model is None:
            raise DeckError(f"{part.ref} names a model the netlist does not define")
        letter = element.letter.lower()
        senses = self.deck.sense[part.ref] = {}
        nodes: list[str] = []
        for place, pin in enumerate(part.pins[:-1]):
            nodes.append(self._sensed(f"j{number}_{place}", f"{part.ref}.{pin.name}", pin.net))
            senses[pin.name] = f"v{nodes[-1]}#branch"
        if letter == "d":
            self.deck.current[part.ref] = senses[part.pins[0].name]
        nodes.append(self.net(part.pins[-1].net))
        self.add(f"{letter}{number} {' '.join(nodes)} {self.model_name(element.name, letter)}")

    def _sensed(self, node: str, key: str, net: str) -> str:
        """Return a node of its own behind a sense of 0 V at a net."""
        self.inner(node, key)
        self.add(f"v{node} {self.net(net)} {node} 0")
        return node

    def _controlled(self, number: int, part: Part) -> None:
        """Write a controlled source, its own current sensed at its first pin."""
        assert part.element is not None
        nodes = part.element.nodes
        inner = self._sensed(f"j{number}", f"{part.ref} sensed", nodes[0])
        self.deck.current[part.ref] = f"v{inner}#branch"
        element = replace(part.element, nodes=(f"{part.ref} sensed", *nodes[1:]))
        self.behavioral(
            f"{number}", element, lambda net: inner if net == element.nodes[0] else self.net(net)
        )

    def couplings(self) -> None:
        """Write the magnetic couplings, pair by pair."""
        for number, coupling in enumerate(self.circuit.couplings):
            first = self.inductors[coupling.first]
            second = self.inductors[coupling.second]
            factor = max(-MAX_COUPLING, min(MAX_COUPLING, coupling.factor))
            self.add(f"k{number} {first} {second} {factor:.12g}")

    def damping(self) -> None:
        """Give windings without loss of their own a small damping network."""
        if not (self.drive and self.hookup):
            return
        for number, (near, far) in enumerate(self.hookup.bare_windings):
            first, second = self.net(near), self.net(far)
            middle = self.inner(f"q{number}", f"damping {number}")
            self.add(f"rd{number} {first} {middle} {DAMPING_OHM:.9g}")
            line = f"cd{number} {middle} {second} {DAMPING_F:.9g}"
            self.add(self.with_start(line))

    def finish(self, options: str) -> Deck:
        """Close the deck."""
        if self.start:
            volts = self.start.node_v
            for node, key in self.deck.key.items():
                if key in volts:
                    self.add(f".ic v({node})={volts[key]:.9g}")
        self.add(f".options {options}")
        self.add(".end")
        return self.deck
