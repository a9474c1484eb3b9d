"""What every part of a deck's writer shares: lines, names of nodes and of models.

Comes in: a circuit and what is asked of it.  Goes out: a `Deck` that fills.  Nets get
nodes of ours (`n3`), and what is inside a part (a winding's wire, a sensed electrode)
a node with a key by which the start of a transient knows it in any deck.
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND, Circuit
from netcheck.netlist.flat import FlatElement
from netcheck.solve.analyses import Drive, Hookup, StartState
from netcheck.solve.behavioral import to_ngspice
from netcheck.solve.deck_names import Deck, DeckError
from netcheck.solve.device_models import device_text

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
