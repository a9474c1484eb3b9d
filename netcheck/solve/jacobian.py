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

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import copysign, sqrt

import numpy as np

from netcheck.circuit.model import GROUND, Circuit, Part, Pin, natural_key
from netcheck.netlist.cards import PartNote
from netcheck.netlist.flat import FlatElement
from netcheck.solve.deck import MIN_RESISTANCE_OHM, write_deck
from netcheck.solve.ngspice import Array, Engine, EngineFailure
from netcheck.solve.observe import Observation
from netcheck.solve.results import Solved
from netcheck.source import Span
from netcheck.tubes.model import RectifierLaw, law_of, rectifier_law_of

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
        ohms = np.linalg.inv(windings)
    except np.linalg.LinAlgError as error:
        raise EngineFailure("the windings do not determine their currents") from error
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
SLOPE_V = 1e-4
"""Step of the difference that stands for a slope."""
SHUNT_S = 1e-12
"""From every net to ground, so that none hangs in the air; an open grid leaks 1e-10 S."""
UNDETERMINED = "the slow states do not determine each other"

Currents = Callable[..., tuple[Array, ...]]


@dataclass(frozen=True, slots=True)
class _Device:
    """Electrodes whose currents follow from their volts to the cathode."""

    part: Part
    pins: tuple[str, ...]
    currents: Currents


class AveragedNetwork:
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
        self.circuit = circuit
        self.place = {net: number for number, net in enumerate(circuit.nets[1:])}
        self.devices = [_device(part) for part in circuit.tubes if _conducts(part)]
        sources = circuit.of_kind("voltage_source")
        copies = sum(_letter(part) == "E" for part in circuit)
        windings = sum(len(core.turns) for core in cores)
        branches = len(capacitors) + len(sources) + copies + windings + len(cores)
        states, size = len(capacitors) + len(chokes) + len(cores), len(self.place) + branches
        self.fixed = np.diag([SHUNT_S] * len(self.place) + [0.0] * branches)
        self.inputs = np.zeros((size, states))
        self.outputs = np.zeros((states, size))
        self.direct = np.zeros((states, states))
        self._next = len(self.place)
        for part in circuit.of_kind("resistor"):
            self._resistor(part)
        for number, part in enumerate(capacitors):
            branch = self._branch(part.nets, SERIES_OHM)
            self.inputs[branch, number] = self.outputs[number, branch] = 1.0
        for part in sources:
            self._branch(part.nets, MIN_RESISTANCE_OHM)
        for part in circuit.of_kind("controlled_source"):
            self._controlled(part)
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
            self._slopes(matrix, device, each)
        inputs = np.broadcast_to(self.inputs, (instants, *self.inputs.shape))
        try:
            answer = np.linalg.solve(matrix, inputs).mean(axis=0)
        except np.linalg.LinAlgError as error:
            raise EngineFailure(UNDETERMINED) from error
        if not np.isfinite(answer).all():
            raise EngineFailure(UNDETERMINED)
        return np.asarray(self.direct + self.outputs @ answer)

    def _at(self, net: str) -> int | None:
        return None if net == GROUND else self.place[net]

    def _put(self, row: int | None, column: int | None, value: float) -> None:
        if row is not None and column is not None:
            self.fixed[row, column] += value

    def _resistor(self, part: Part) -> None:
        first, second = map(self._at, part.nets)
        siemens = 1.0 / max(part.value or 0.0, MIN_RESISTANCE_OHM)
        self._put(first, first, siemens)
        self._put(second, second, siemens)
        self._put(first, second, -siemens)
        self._put(second, first, -siemens)

    def _branch(self, nets: tuple[str, ...], ohm: float) -> int:
        """Add a branch; its row says what its volts are, beyond what its ohms take."""
        branch = self._next
        self._next += 1
        for net, sign in zip(nets, (1.0, -1.0), strict=True):
            self._put(self._at(net), branch, sign)
            self._put(branch, self._at(net), sign)
        self.fixed[branch, branch] -= ohm
        return branch

    def _controlled(self, part: Part) -> None:
        """Add a source whose volts (E) or amperes (G) are a multiple of other volts."""
        assert part.element is not None
        gain = part.element.value or 0.0
        if _letter(part) == "E":
            rows = [(self._branch(part.nets[:2], MIN_RESISTANCE_OHM), -gain)]
        else:
            places = map(self._at, part.nets[:2])
            rows = [
                (row, way)
                for row, way in zip(places, (gain, -gain), strict=True)
                if row is not None
            ]
        for row, way in rows:
            self._put(row, self._at(part.nets[2]), way)
            self._put(row, self._at(part.nets[3]), -way)

    def _choke(self, number: int, part: Part) -> None:
        for net, sign in zip(part.nets, (1.0, -1.0), strict=True):
            place = self._at(net)
            if place is not None:
                self.inputs[place, number] -= sign
                self.outputs[number, place] += sign
        self.direct[number, number] = -_wire_ohm(part)

    def _core(self, number: int, core: Core) -> None:
        """Add an ideal transformer: one flux, and amperes that sum to what magnetizes it."""
        flux = self._next
        self._next += 1
        for ref, share in core.turns.items():
            winding = self.circuit[ref]
            branch = self._branch(winding.nets, _wire_ohm(winding))
            self.fixed[branch, flux] -= share
            self.fixed[flux, branch] += share
        self.fixed[flux, flux] -= OPEN_S
        self.inputs[flux, number] = self.outputs[number, flux] = 1.0

    def _slopes(self, matrix: Array, device: _Device, volts: Array) -> None:
        """Add the slopes of a device's currents at every instant."""
        steps = np.zeros((len(volts), len(volts) + 1, 1))
        for number in range(len(volts)):
            steps[number, number + 1] = SLOPE_V
        amps = device.currents(*(volts[:, None, :] + steps))
        places = [self._at(device.part.net(pin)) for pin in device.pins]
        cathode = self._at(device.part.net("cathode"))
        for row, current in zip(places, amps, strict=True):
            for column, moved in zip(places, current[1:], strict=True):
                slope = (moved - current[0]) / SLOPE_V
                for one, sign in ((row, 1.0), (cathode, -1.0)):
                    for other, way in ((column, 1.0), (cathode, -1.0)):
                        if one is not None and other is not None:
                            matrix[:, one, other] += sign * way * slope


def averaged_network(
    circuit: Circuit,
    capacitors: tuple[Part, ...],
    chokes: tuple[Part, ...],
    cores: tuple[Core, ...],
) -> AveragedNetwork | None:
    """Return the network, or None for a circuit with parts whose slopes are not known.

    Those are diodes, transistors, sources that follow an expression or a current, and
    tubes with a model of the user's own.
    """
    if circuit.of_kind("transistor", "diode"):
        return None
    if not all(map(_is_linear, circuit.of_kind("controlled_source"))):
        return None
    if any(_conducts(part) and not _is_lawful(part) for part in circuit.tubes):
        return None
    return AveragedNetwork(circuit, capacitors, chokes, cores)


def _letter(part: Part) -> str:
    """Return the letter of a controlled source, nothing for another part."""
    return part.element.letter if part.kind == "controlled_source" and part.element else ""


def _is_linear(part: Part) -> bool:
    element = part.element
    return element is not None and element.letter in "EG" and element.value is not None


def _conducts(part: Part) -> bool:
    return part.current_scale != 0.0


def _is_lawful(part: Part) -> bool:
    own = part.element is not None and bool(part.element.body)
    return part.tube is not None and not own


def _device(part: Part) -> _Device:
    assert part.tube is not None
    pins = tuple(pin.name for pin in part.pins if pin.name != "cathode")
    if part.tube.kind == "rectifier":
        return _Device(part, pins, _diodes(rectifier_law_of(part.tube).scaled(part.current_scale)))
    law = law_of(part.tube).scaled(part.current_scale)
    if part.gas_ratio is not None:
        law = replace(law, grid=replace(law.grid, gas_ratio=part.gas_ratio))
    return _Device(part, pins, law.currents)


def _diodes(law: RectifierLaw) -> Currents:
    def currents(*volts: Array) -> tuple[Array, ...]:
        return tuple(law.current_a(each) for each in volts)

    return currents


def _inner(seen: Observation, part: Part, pin: str) -> Array:
    """Volts of an electrode behind its sense, where the sine may be in series with it."""
    sense = seen.deck.sense[part.ref][pin]
    return seen.node(sense.removeprefix("v").removesuffix("#branch"))


def _instants(seen: Observation, cycles: int) -> Array:
    """Return which samples to look at: the last cycle, evenly spread in time."""
    time = np.concatenate([[0.0], np.cumsum(seen.gaps)])
    wanted = time[-1] * (1.0 - (np.arange(INSTANTS) + 0.5) / INSTANTS / cycles)
    return np.asarray(np.searchsorted(time, wanted).clip(0, len(time) - 1))


def _wire_ohm(part: Part) -> float:
    return max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
