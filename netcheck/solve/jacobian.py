"""How the means of a circuit depend on its slow states, measured at idle.

Comes in: a circuit and its operating point.  Goes out: the matrix of derivatives.
It is measured, not derived: each slow capacitor becomes a voltage source, each
choke a current source, and each core an ideal transformer with a given
magnetizing current, whose volts per turn are free; then the operating point is
solved once more for a small change of each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import copysign, sqrt

import numpy as np

from netcheck.circuit.model import GROUND, Circuit, Part, Pin, natural_key
from netcheck.netlist.flat import FlatElement
from netcheck.netlist.notes import PartNote
from netcheck.solve.deck import MIN_RESISTANCE_OHM, write_deck
from netcheck.solve.ngspice import Array, Engine
from netcheck.solve.observe import Observation
from netcheck.solve.results import Solved
from netcheck.source import Span

SERIES_OHM = 1.0
"""In series with a capacitor's stand-in, so that two cannot fight."""
PROBE_V = 0.05
PROBE_A = 1e-5
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
        cores.append(Core(part.ref, dict(sorted(turns.items(), key=lambda item: natural_key(item[0])))))
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
        pins = (Pin("plus", part.nets[0]), Pin("minus", part.nets[1]))
        amps = idle.parts[part.ref].current_a
        parts.append(Part(part.ref, "current_source", pins, amps, PartNote()))
    for core in cores:
        parts += _held_core(circuit, core, idle)
    held = circuit.with_parts(*parts, couplings=())
    deck = write_deck(held)
    engine.load(deck.lines)

    def means() -> Array:
        seen = Observation.of_point(deck, np.array(engine.operating_point(deck.vectors)))
        currents = [float(seen.vector(deck.current[part.ref])[0]) for part in capacitors]
        voltages = [
            float(seen.net(part.nets[0])[0] - seen.net(part.nets[1])[0]) for part in chokes
        ]
        per_turn = [float(seen.net(_core_net(core))[0]) for core in cores]
        return np.array(currents + voltages + per_turn)

    base = means()
    columns: list[Array] = []
    for ref in [*(part.ref for part in (*capacitors, *chokes)), *map(_core_net, cores)]:
        level = held[ref].value or 0.0
        probe = PROBE_V if held[ref].kind == "voltage_source" else PROBE_A
        engine.alter(deck.alter[ref], level + probe)
        columns.append((means() - base) / probe)
        engine.alter(deck.alter[ref], level)
    table = np.column_stack(columns)
    for number, part in enumerate(chokes, len(capacitors)):
        table[number, number] -= part.note.dcr_ohm or 0.0
    return table


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


def _core_net(core: Core) -> str:
    """Net whose volts are the volts across the core's first winding."""
    return f"core of {core.winding}"


def _held_core(circuit: Circuit, core: Core, idle: Solved) -> list[Part]:
    """Return an ideal transformer with the idle magnetizing current."""
    net = _core_net(core)
    parts: list[Part] = []
    magnetizing = 0.0
    for ref, share in core.turns.items():
        first, second = circuit[ref].nets
        magnetizing += share * idle.parts[ref].current_a
        sense, inner, wire = f"{ref} sense", f"{ref} inner", f"{ref} wire"
        ohm = max(circuit[ref].note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM)
        pins = (Pin("plus", first), Pin("minus", inner))
        parts.append(Part(sense, "voltage_source", pins, 0.0, PartNote()))
        parts.append(_source(ref, "E", (inner, wire, net, GROUND), share, ()))
        parts.append(_source(f"{ref} turns", "F", (GROUND, net), share, (sense,)))
        pins = (Pin("a", wire), Pin("b", second))
        parts.append(Part(f"{ref} ohm", "resistor", pins, ohm, PartNote()))
    pins = (Pin("plus", net), Pin("minus", GROUND))
    parts.append(Part(net, "current_source", pins, magnetizing, PartNote()))
    return parts


def _source(
    ref: str, letter: str, nodes: tuple[str, ...], gain: float, controls: tuple[str, ...]
) -> Part:
    names = ("plus", "minus", "control_plus", "control_minus")
    pins = tuple(Pin(name, node) for name, node in zip(names, nodes, strict=False))
    element = FlatElement(ref, letter, nodes, NOWHERE, value=gain, controls=controls)
    return Part(ref, "controlled_source", pins, gain, PartNote(), element)
