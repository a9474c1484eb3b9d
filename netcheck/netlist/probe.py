"""What a subcircuit does at its pins, worked out from its cards alone.

Comes in: the expanded cards of a subcircuit and volts at its pins.  Goes out: the current
into every pin [A].  Nothing is solved: a net inside is worth what a voltage source puts
there, or what its resistors and current sources make of nets that are known.  Diodes and
capacitors pass nothing.  A subcircuit for which that is not enough raises `UnclearError`: so
does a resistor that some current has to be guessed for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from netcheck.netlist.cards import Current, Expression, Name, Voltage
from netcheck.netlist.evaluate import ExpressionError, evaluate, walk
from netcheck.netlist.flat import FlatElement

GROUND = "0"
AMMETER_V = 1e-9
"""A source of no more volts than this joins its two nets."""
LEAST_OHM = 1e-6


class UnclearError(Exception):
    """The subcircuit is more than this can follow."""


class Probe:
    """One subcircuit; `currents` may be asked for at any volts."""

    def __init__(self, body: Sequence[FlatElement]) -> None:
        self._joined: dict[str, str] = {}
        for card in body:
            if card.letter == "V" and abs(card.value or 0.0) < AMMETER_V:
                self._join(*card.nodes[:2])
        self._driven: dict[str, FlatElement] = {}
        self._sources: dict[str, list[tuple[FlatElement, float]]] = {}
        self._resistors: dict[str, list[tuple[str, float]]] = {}
        for card in body:
            self._enter(card)

    def _join(self, one: str, other: str) -> None:
        first, second = self.net(one), self.net(other)
        if first != second:
            low, high = (second, first) if second == GROUND else (first, second)
            self._joined[high] = low

    def net(self, name: str) -> str:
        """Return the net that stands for all that ammeters join with this one."""
        name = name.lower()
        while name in self._joined:
            name = self._joined[name]
        return name

    def _enter(self, card: FlatElement) -> None:
        nets = [self.net(node) for node in card.nodes[:2]]
        if _gives_volts(card):
            if abs(card.value or 0.0) >= AMMETER_V or card.letter != "V":
                target = nets[0] if nets[0] != GROUND else nets[1]
                self._driven[target] = card
        elif card.letter in "GBI":
            for net, sign in zip(nets, (-1.0, 1.0), strict=False):
                self._sources.setdefault(net, []).append((card, sign))
        elif card.letter == "R":
            ohm = max(card.value or 0.0, LEAST_OHM)
            for near, far in (nets, reversed(nets)):
                self._resistors.setdefault(near, []).append((far, ohm))
        elif card.letter in "FH":
            raise UnclearError

    def currents(self, pins: Mapping[str, float]) -> dict[str, float]:
        """Return the current into every pin [A] at these volts."""
        known = {self.net(net): volts for net, volts in pins.items()}
        work = _Work(self, known | {GROUND: known.get(GROUND, 0.0)})
        return {pin: work.into(self.net(pin)) for pin in pins}


def _gives_volts(card: FlatElement) -> bool:
    return card.letter in "VE" or (card.letter == "B" and card.quantity == "v")


class _Work:
    """One set of volts: nets already known, and those being worked out."""

    def __init__(self, probe: Probe, known: dict[str, float]) -> None:
        self.probe, self.known = probe, known
        self.pins = frozenset(known)
        self.asked: set[str] = set()

    def volts(self, name: str) -> float:
        net = self.probe.net(name)
        if net not in self.known:
            if net in self.asked:
                raise UnclearError
            self.asked.add(net)
            self.known[net] = self._worked_out(net)
            self.asked.discard(net)
        return self.known[net]

    def _worked_out(self, net: str) -> float:
        card = self.probe._driven.get(net)
        if card is not None:
            plus, minus = (self.probe.net(node) for node in card.nodes[:2])
            level = self._level(card)
            return self.volts(minus) + level if net == plus else self.volts(plus) - level
        siemens = amperes = 0.0
        for far, ohm in self.probe._resistors.get(net, ()):
            if far in self.asked:
                continue
            siemens += 1.0 / ohm
            amperes += self.volts(far) / ohm
        if not siemens:
            raise UnclearError
        for source, sign in self.probe._sources.get(net, ()):
            amperes += sign * self._level(source)
        return amperes / siemens

    def into(self, pin: str) -> float:
        """Return the current from a pin into the subcircuit."""
        total = 0.0
        for source, sign in self.probe._sources.get(pin, ()):
            total -= sign * self._level(source)
        for far, ohm in self.probe._resistors.get(pin, ()):
            if far != pin:
                total += (self.known[pin] - self.volts(far)) / ohm
        return total

    def _level(self, card: FlatElement) -> float:
        """Volts or amperes that a source gives."""
        if card.expression is None:
            gain = card.value or 0.0
            if card.letter in "EG" and len(card.nodes) == 4:
                return gain * (self.volts(card.nodes[2]) - self.volts(card.nodes[3]))
            return gain
        try:
            value = evaluate(card.expression, self._asked_for(card.expression), None, {"time": 0})
        except ExpressionError:
            raise UnclearError from None
        if not math.isfinite(value):
            raise UnclearError
        return value

    def _asked_for(self, expression: Expression) -> dict[str, float]:
        nets: set[str] = set()
        for part, _ in walk(expression):
            if isinstance(part, Current):
                raise UnclearError
            if isinstance(part, Voltage):
                nets |= {part.net, part.reference}
            elif isinstance(part, Name) and part.name.lower() not in {"time", "pi", "temper"}:
                raise UnclearError
        return {net: self.volts(net) for net in nets}
