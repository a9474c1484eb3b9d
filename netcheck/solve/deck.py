"""The only writer of ngspice decks.

Comes in: a circuit and what is asked of it.  Goes out: a `Deck` whose every
name is ours (`n3`, `r12`), with the maps back to nets and parts, and the words by which
what is not one part (a winding's wire, a tube's gas) is found in `Deck.alter`; no text of
the user's netlist reaches ngspice.

Nets get nodes of ours (`n3`), and what is inside a part (a winding's wire, a sensed
electrode) a node with a key by which the start of a transient knows it in any deck.
Every winding has a small resistance so that two can never form a DC loop.  Tube
electrodes, semiconductors and controlled sources are sensed with 0 V sources.  A tube
type on file gets its current law, a rectifier one diode a plate, and a subcircuit of the
netlist is written card by card.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from netcheck.circuit.changes import AddCurrentSource, AddResistor
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.netlist.flat import FlatElement
from netcheck.solve.behavioral import to_ngspice
from netcheck.solve.device_cards import (
    capacitance_cards,
    changed_model_cards,
    device_text,
    rectifier_card,
    tube_cards,
)
from netcheck.solve.results import Drive, Hookup, StartState
from netcheck.tubes.model import law_of, rectifier_law_of


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


MIN_RESISTANCE_OHM = 1e-3


class DeckWriter:
    """Collects the lines of one deck, and gives every net and model a name of ours."""

    def __init__(
        self,
        circuit: Circuit,
        hookup: Hookup | None,
        drive: Drive | None,
        start: StartState | None,
    ) -> None:
        self.circuit = circuit
        self.hookup = hookup
        self.drive = drive
        self.start = start
        self.deck = Deck(lines=["* netcheck"])
        self.inductors: dict[str, str] = {}
        self.models: dict[str, str] = {}
        self.sources: dict[str, str] = {}
        for number, part in enumerate(circuit):
            if part.kind == "voltage_source":
                self.sources[part.ref.casefold()] = f"v{number}"

    def add(self, line: str) -> None:
        """Append one line."""
        self.deck.lines.append(line)

    def net(self, name: str) -> str:
        """Return the node of a net, giving it one when new."""
        if name == GROUND:
            return "0"
        node = self.deck.node.get(name)
        if node is None:
            node = self.deck.node[name] = f"n{len(self.deck.node) + 1}"
            self.deck.key[node] = name
        return node

    def start_v(self, first: str, second: str) -> float:
        """Return the volts between two nodes that the start state has."""
        assert self.start is not None
        volts, key = self.start.node_v, self.deck.key
        return volts.get(key.get(first, ""), 0.0) - volts.get(key.get(second, ""), 0.0)

    def inner(self, node: str, key: str) -> str:
        """Note a node that is no net, and what a start state calls it."""
        self.deck.inner.append(node)
        self.deck.key[node] = key
        return node

    def with_start(self, line: str) -> str:
        """Give the card of a capacitor the volts that the start state has across it."""
        if not self.start:
            return line
        _, first, second, *_ = line.split()
        return f"{line} ic={self.start_v(first, second):.12g}"

    def model_name(self, name: str, letter: str) -> str:
        """Return our name of a device model, writing its card when new."""
        key = name.casefold()
        if key not in self.models:
            model = self.circuit.models[key]
            if (text := device_text(model, diode=letter == "d")) is None:
                raise DeckError(f"model {name} is of a kind that is not read: {model.kind}")
            self.models[key] = f"m{len(self.models)}"
            self.add(f".model {self.models[key]} {text}")
        return self.models[key]

    def behavioral(self, tag: str, element: FlatElement, net: object) -> None:
        """Write a controlled source; `net` gives the node of a net."""
        assert callable(net)
        nodes = " ".join(net(name) for name in element.nodes)
        letter = element.letter.lower()
        if element.expression is not None:
            text = to_ngspice(
                element.expression,
                lambda a, b: f"v({net(a)})" if b == GROUND else f"v({net(a)},{net(b)})",
                self._sensed_current,
            )
            first, second = (net(name) for name in element.nodes[:2])
            quantity = element.quantity or ("v" if letter == "e" else "i")
            self.add(f"b{tag} {first} {second} {quantity}={text}")
        elif letter in "fh":
            source = self._source_name(element.controls[0])
            self.add(f"{letter}{tag} {nodes} {source} {element.value or 0.0:.12g}")
        else:
            self.add(f"{letter}{tag} {nodes} {element.value or 0.0:.12g}")

    def _source_name(self, ref: str) -> str:
        name = self.sources.get(ref.casefold())
        if name is None:
            raise DeckError(f"the current of {ref} is used, but there is no such voltage source")
        return name

    def _sensed_current(self, ref: str) -> str:
        return f"i({self._source_name(ref)})"


TAGS = {"plate": "p", "plate_2": "p2_", "screen": "s", "grid": "g"}
"""How the sensed electrodes are called in a deck."""


def write_tube(writer: DeckWriter, number: int, part: Part) -> None:
    """Write one section, its electrodes sensed with sources of 0 V."""
    pins = {pin.name: writer.net(pin.net) for pin in part.pins}
    inner = dict(pins)
    senses = writer.deck.sense[part.ref] = {}
    for electrode, tag in TAGS.items():
        if electrode not in pins:
            continue
        name = f"{tag}{number}"
        inner[electrode] = writer.inner(name, part.net(electrode))
        level = _series_sine(writer, part.ref) if electrode == "grid" else "0"
        writer.add(f"v{name} {pins[electrode]} {inner[electrode]} {level}")
        senses[electrode] = f"v{name}#branch"
    if part.current_scale == 0.0:
        for electrode in senses:
            writer.add(f"rc{TAGS[electrode]}{number} {inner[electrode]} {inner['cathode']} 1e12")
    elif part.element is not None and part.element.body:
        _own_model(writer, number, part, inner)
        for line in changed_model_cards(number, part.current_scale, part.gas_ratio, inner):
            writer.add(line)
    elif part.tube is not None and part.tube.kind == "rectifier":
        _rectifier(writer, number, part, inner)
    else:
        _law(writer, number, part, inner)
    if part.current_scale != 0.0 and "grid" in inner:
        _grid_emission(writer, number, part, inner)


def _grid_emission(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    """Write a source from cathode to grid, which at idle may be altered later."""
    if part.grid_emission_a or not writer.drive:
        ampere = f"dc {part.grid_emission_a:.12g}"
        writer.add(f"ie{number} {inner['cathode']} {inner['grid']} {ampere}")
        writer.deck.alter[emission_of(part.ref)] = f"ie{number}"


def _rectifier(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    """Write one diode a plate."""
    assert part.tube is not None
    law = rectifier_law_of(part.tube).scaled(part.current_scale)
    for electrode in (name for name in inner if name != "cathode"):
        name = f"t{TAGS[electrode]}{number}"
        writer.add(rectifier_card(name, law, inner[electrode], inner["cathode"]))


def _series_sine(writer: DeckWriter, ref: str) -> str:
    if writer.drive and writer.hookup:
        for tube, sign in writer.hookup.series_grids:
            if tube == ref:
                peak = sign * writer.drive.input_v
                return f"dc 0 ac {sign:.12g} sin(0 {peak:.12g} {writer.drive.frequency_hz:.12g})"
    return "0"


def _law(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    if part.tube is None:
        raise DeckError(f"{part.ref} has no current law on file and no model in the netlist")
    law = law_of(part.tube)
    if part.current_scale != 1.0:
        law = law.scaled(part.current_scale)
    if part.gas_ratio is not None:
        law = replace(law, grid=replace(law.grid, gas_ratio=part.gas_ratio))
    plate, grid, cathode = inner["plate"], inner["grid"], inner["cathode"]
    for line in tube_cards(f"t{number}", law, plate, inner.get("screen"), grid, cathode):
        writer.add(line)
    writer.deck.alter |= {
        space_of(part.ref): f"@bt{number}_i[m]",
        positive_grid_of(part.ref): f"@bt{number}g[m]",
        gas_of(part.ref): f"@gt{number}i[gain]",
    }
    if "screen" in inner:
        writer.deck.alter[screen_current_of(part.ref)] = f"@bt{number}s[m]"
    if writer.drive:
        for line in capacitance_cards(f"t{number}", part.tube, plate, grid, cathode, part.section):
            writer.add(writer.with_start(line))


def _own_model(writer: DeckWriter, number: int, part: Part, inner: dict[str, str]) -> None:
    """Write the user's own tube subcircuit, its pins on the sensed nodes."""
    element = part.element
    assert element is not None
    pin_node: dict[str, str] = {}
    for pin in part.pins:
        pin_node.setdefault(pin.net, inner[pin.name])
    locals_: dict[str, str] = {}

    def net(name: str) -> str:
        if name == GROUND:
            return "0"
        if name in pin_node:
            return pin_node[name]
        if name not in locals_:
            locals_[name] = writer.inner(f"y{number}_{len(locals_)}", name)
        return locals_[name]

    for index, card in enumerate(element.body):
        if card.letter == "V":
            writer.sources[card.ref.casefold()] = f"v{number}_{index}"
    for index, card in enumerate(element.body):
        _body_card(writer, f"{number}_{index}", card, net)


def _body_card(writer: DeckWriter, tag: str, card: FlatElement, net: object) -> None:
    assert callable(net)
    nodes = [net(name) for name in card.nodes]
    match card.letter:
        case "R":
            value = max(card.value or 0.0, MIN_RESISTANCE_OHM)
            writer.add(f"r{tag} {nodes[0]} {nodes[1]} {value:.12g}")
        case "C" if writer.drive:
            line = f"c{tag} {nodes[0]} {nodes[1]} {card.value or 0.0:.12g}"
            writer.add(writer.with_start(line))
        case "C":
            pass  # nothing at DC
        case "V" | "I":
            level = card.waveform.dc_value if card.waveform else 0.0
            writer.add(f"{card.letter.lower()}{tag} {nodes[0]} {nodes[1]} {level:.12g}")
        case "D":
            if card.name.casefold() not in writer.circuit.models:
                raise DeckError(f"{card.ref} names a model the netlist does not define")
            writer.add(f"d{tag} {nodes[0]} {nodes[1]} {writer.model_name(card.name, 'd')}")
        case "E" | "F" | "G" | "H" | "B":
            writer.behavioral(tag, card, net)
        case _:
            raise DeckError(f"{card.ref} inside a tube model is of a kind that is not read")


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
