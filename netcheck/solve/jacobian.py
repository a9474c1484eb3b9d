"""How the means of a circuit depend on its slow states: measured at idle, or from a run.

Comes in: a circuit with its operating point, or with the observed cycles of a run.  Goes
out: the matrix of derivatives.

At idle it is measured, not derived: each slow capacitor, each choke and the core of each
transformer becomes a voltage source that holds it at its idle volts, so that the
operating point stays where it is; then it is solved once more for a small change
of each.  That gives the conductances between all of them.  A capacitor's state is
its volts and a winding's is its current, so the part of the matrix that belongs to
windings is turned round (hybrid parameters; any text on two-ports).

Of a driven circuit it is averaged over a cycle, from one run of it.  While the slow
states are held - a capacitor's volts, a choke's and a core's amperes - what is left of an
audio circuit follows the signal without delay, so that the mean of a current depends on
the states as the average of the instantaneous conductances does.  These are known at
every instant: a resistor is what it is, and a tube's are the slopes of its law at the
volts the run has there.  The linear network of each instant, by modified nodal analysis
(Ho, Ruehli and Brennan 1975, IEEE Trans. CAS-22, 504; from memory), gives the matrix, and
no further run is needed for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import copysign, sqrt

import numpy as np

from netcheck.circuit.model import GROUND, Circuit, Part, Pin, natural_key
from netcheck.equations import SingularError, inverse, solve_exactly
from netcheck.netlist.cards import PartNote
from netcheck.netlist.flat import FlatElement
from netcheck.solve.deck import MIN_RESISTANCE_OHM, write_deck
from netcheck.solve.network import LinearNetwork, unknown_slopes, wire_ohm
from netcheck.solve.ngspice import Array, Engine, EngineFailure
from netcheck.solve.observe import Observation
from netcheck.solve.results import Solved
from netcheck.source import Span

SERIES_OHM = 1.0
"""In series with a capacitor's stand-in, so that two cannot fight."""
PROBE_V = 0.05
OPEN_S = 1e-9
"""Conductance an open winding is given, so that its volts have a bound."""
HELD_OPTIONS = "abstol=1e-8"
"""What flows in a held capacitor is a difference of large numbers over an ohm; its last
digits never come to rest within the usual picoampere."""
NOWHERE = Span("", 0, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Core:
    """The windings of one core; turns are relative to those of `winding`.

    A winding that is wound against it has a negative share.
    """

    winding: str
    turns: Mapping[str, float]


def cores_of(circuit: Circuit) -> tuple[Core, ...]:
    """Return the cores of a circuit: groups of windings that are coupled."""
    cores: list[Core] = []
    seen: set[str] = set()
    for part in circuit.of_kind("inductor"):
        if part.ref in seen or not circuit.coupled_with(part.ref):
            continue
        turns = {part.ref: 1.0}
        for ref, factor in circuit.coupled_with(part.ref).items():
            ratio = sqrt((circuit[ref].value or 0.0) / (part.value or 1.0))
            turns[ref] = copysign(ratio, factor)
        seen.update(turns)
        cores.append(
            Core(part.ref, dict(sorted(turns.items(), key=lambda item: natural_key(item[0]))))
        )
    return tuple(cores)


def measured_jacobian(
    engine: Engine,
    circuit: Circuit,
    capacitors: tuple[Part, ...],
    chokes: tuple[Part, ...],
    cores: tuple[Core, ...],
    idle: Solved,
) -> Array:
    """Measure d(mean)/d(state): capacitors, then chokes, then cores."""
    if not (capacitors or chokes or cores):
        return np.zeros((0, 0))
    parts: list[Part] = []
    for part in capacitors:
        parts += _held_capacitor(part, idle)
    for part in chokes:
        parts += _held_choke(part)
    for core in cores:
        parts += _held_core(circuit, core)
    held = circuit.with_parts(*parts, couplings=())
    refs = [*(part.ref for part in (*capacitors, *chokes)), *map(_core_net, cores)]
    return _hybrid(_conductances(engine, held, refs), len(capacitors))


def _conductances(engine: Engine, held: Circuit, refs: list[str]) -> Array:
    """Return d(current)/d(volts) of the sources that hold the states [S]."""
    deck = write_deck(held)
    *cards, end = deck.lines
    engine.load([*cards, f".options {HELD_OPTIONS}", end])
    vectors = [deck.current[ref] for ref in refs]

    def currents() -> Array:
        return np.array(engine.operating_point(vectors))

    base = currents()
    columns: list[Array] = []
    for ref in refs:
        level = held[ref].value or 0.0
        engine.alter(deck.alter[ref], level + PROBE_V)
        columns.append((currents() - base) / PROBE_V)
        engine.alter(deck.alter[ref], level)
    return np.column_stack(columns)


def _hybrid(table: Array, capacitors: int) -> Array:
    """Return the matrix whose states are volts of capacitors and currents of windings."""
    c, m = slice(None, capacitors), slice(capacitors, None)
    windings = table[m, m] - OPEN_S * np.eye(len(table) - capacitors)
    try:
        ohms = inverse(windings, "the windings do not determine their currents")
    except SingularError as error:
        raise EngineFailure(error.message) from error
    return np.block(
        [
            [table[c, c] - table[c, m] @ ohms @ table[m, c], table[c, m] @ ohms],
            [-ohms @ table[m, c], ohms],
        ]
    )


def _held_capacitor(part: Part, idle: Solved) -> list[Part]:
    first, second = part.nets
    middle = f"{part.ref} held"
    volts = idle.nets.get(first, 0.0) - idle.nets.get(second, 0.0)
    pins = (Pin("plus", middle), Pin("minus", second))
    series = (Pin("a", first), Pin("b", middle))
    return [
        Part(part.ref, "voltage_source", pins, volts, PartNote()),
        Part(f"{part.ref} series", "resistor", series, SERIES_OHM, PartNote()),
    ]


def _held_choke(part: Part) -> list[Part]:
    """Return a choke that is its wire and a source of its inner volts."""
    first, second = part.nets
    middle = f"{part.ref} held"
    ohm = max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
    pins = (Pin("plus", first), Pin("minus", middle))
    wire = (Pin("a", middle), Pin("b", second))
    return [
        Part(part.ref, "voltage_source", pins, 0.0, PartNote()),
        Part(f"{part.ref} wire", "resistor", wire, ohm, PartNote()),
    ]


def _core_net(core: Core) -> str:
    """Net whose volts are the volts across the core's first winding."""
    return f"core of {core.winding}"


def _held_core(circuit: Circuit, core: Core) -> list[Part]:
    """Return an ideal transformer and a source of its volts per turn.

    The current of that source is the magnetizing current.
    """
    net = _core_net(core)
    parts: list[Part] = []
    for ref, share in core.turns.items():
        first, second = circuit[ref].nets
        sense, inner, wire = f"{ref} sense", f"{ref} inner", f"{ref} wire"
        ohm = max(circuit[ref].note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
        pins = (Pin("plus", first), Pin("minus", inner))
        parts.append(Part(sense, "voltage_source", pins, 0.0, PartNote()))
        parts.append(_source(ref, "E", (inner, wire, net, GROUND), share, ()))
        parts.append(_source(f"{ref} turns", "F", (GROUND, net), share, (sense,)))
        pins = (Pin("a", wire), Pin("b", second))
        parts.append(Part(f"{ref} ohm", "resistor", pins, ohm, PartNote()))
    pins = (Pin("plus", net), Pin("minus", GROUND))
    parts.append(Part(net, "voltage_source", pins, 0.0, PartNote()))
    return parts


def _source(
    ref: str, letter: str, nodes: tuple[str, ...], gain: float, controls: tuple[str, ...]
) -> Part:
    names = ("plus", "minus", "control_plus", "control_minus")
    pins = tuple(Pin(name, node) for name, node in zip(names, nodes, strict=False))
    element = FlatElement(ref, letter, nodes, NOWHERE, value=gain, controls=controls)
    return Part(ref, "controlled_source", pins, gain, PartNote(), element)


INSTANTS = 64
"""Of one cycle.  Grid current flows for a small part of it: 32 leave the matrix of an
overdriven pair up to twice as far off, 128 are no better (measured)."""
UNDETERMINED = "the slow states do not determine each other"


class AveragedNetwork(LinearNetwork):
    """The linear network of a circuit with its slow states held, instant by instant.

    Unknowns: the nets but ground, then the currents of branches, then a flux a core [V
    per turn of its first winding].  fixed: the matrix without its tubes.  The answer to
    the states is direct + outputs @ inverse(matrix) @ inputs.
    """

    def __init__(
        self,
        circuit: Circuit,
        capacitors: tuple[Part, ...],
        chokes: tuple[Part, ...],
        cores: tuple[Core, ...],
    ) -> None:
        windings = sum(len(core.turns) for core in cores)
        super().__init__(circuit, len(capacitors) + windings + len(cores))
        states = len(capacitors) + len(chokes) + len(cores)
        self.inputs = np.zeros((self.size, states))
        self.outputs = np.zeros((states, self.size))
        self.direct = np.zeros((states, states))
        for number, part in enumerate(capacitors):
            branch = self.branch(part.nets, SERIES_OHM)
            self.inputs[branch, number] = self.outputs[number, branch] = 1.0
        for number, part in enumerate(chokes, len(capacitors)):
            self._choke(number, part)
        for number, core in enumerate(cores, len(capacitors) + len(chokes)):
            self._core(number, core)

    def jacobian(self, seen: Observation, cycles: int) -> Array:
        """Return d(mean)/d(state), averaged over the last one of the observed cycles.

        Capacitors [A/V], then chokes and cores [V/A].  Raises EngineFailure where the
        states do not determine each other.
        """
        at = _instants(seen, cycles)
        return self._averaged(
            [
                np.array([_inner(seen, each.part, pin)[at] for pin in each.pins])
                - seen.net(each.part.net("cathode"))[at]
                for each in self.devices
            ]
        )

    def at_idle(self, idle: Solved) -> Array:
        """Return d(mean)/d(state) at the operating point."""
        nets = {GROUND: 0.0, **idle.nets}
        return self._averaged(
            [
                np.array([[nets[each.part.net(pin)]] for pin in each.pins])
                - nets[each.part.net("cathode")]
                for each in self.devices
            ]
        )

    def _averaged(self, volts: list[Array]) -> Array:
        """Return the matrix; volts: to the cathode, (electrodes, instants) a device."""
        instants = volts[0].shape[1] if volts else 1
        matrix = np.repeat(self.fixed[None], instants, axis=0)
        for device, each in zip(self.devices, volts, strict=True):
            self.add_slopes(matrix, device, each)
        inputs = np.broadcast_to(self.inputs, (instants, *self.inputs.shape))
        try:
            answer = solve_exactly(matrix, inputs, UNDETERMINED).mean(axis=0)
        except SingularError as error:
            raise EngineFailure(error.message) from error
        if not np.isfinite(answer).all():
            raise EngineFailure(UNDETERMINED)
        return np.asarray(self.direct + self.outputs @ answer)

    def _choke(self, number: int, part: Part) -> None:
        for net, sign in zip(part.nets, (1.0, -1.0), strict=True):
            place = self.at(net)
            if place is not None:
                self.inputs[place, number] -= sign
                self.outputs[number, place] += sign
        self.direct[number, number] = -wire_ohm(part)

    def _core(self, number: int, core: Core) -> None:
        """Add an ideal transformer: one flux, and amperes that sum to what magnetizes it."""
        flux = self.row()
        for ref, share in core.turns.items():
            winding = self.circuit[ref]
            branch = self.branch(winding.nets, wire_ohm(winding))
            self.fixed[branch, flux] -= share
            self.fixed[flux, branch] += share
        self.fixed[flux, flux] -= OPEN_S
        self.inputs[flux, number] = self.outputs[number, flux] = 1.0


def averaged_network(
    circuit: Circuit,
    capacitors: tuple[Part, ...],
    chokes: tuple[Part, ...],
    cores: tuple[Core, ...],
) -> AveragedNetwork | None:
    """Return the network, or None for a circuit with parts whose slopes are not known."""
    if unknown_slopes(circuit):
        return None
    return AveragedNetwork(circuit, capacitors, chokes, cores)


def _inner(seen: Observation, part: Part, pin: str) -> Array:
    """Volts of an electrode behind its sense, where the sine may be in series with it."""
    sense = seen.deck.sense[part.ref][pin]
    return seen.node(sense.removeprefix("v").removesuffix("#branch"))


def _instants(seen: Observation, cycles: int) -> Array:
    """Return which samples to look at: the last cycle, evenly spread in time."""
    time = np.concatenate([[0.0], np.cumsum(seen.gaps)])
    wanted = time[-1] * (1.0 - (np.arange(INSTANTS) + 0.5) / INSTANTS / cycles)
    return np.asarray(np.searchsorted(time, wanted).clip(0, len(time) - 1))
