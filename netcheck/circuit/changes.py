"""What a fault does to a circuit, as data.

A fault is a tuple of changes.  `apply_changes` gives the faulted circuit; the
solver takes the short way for changes that need no new deck (`solve/idle.py` says
which).  A test holds both ways to the same answer.

Shorted turns are a second winding on the same core, closed through its own wire:
with a winding of resistance D and load R, a share s of shorted turns leaves
`D (1-s) + (1-s)^2 (R || D/s)`, far less than taking those turns away would
(ideal-transformer algebra; a test holds the split winding to it).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import GROUND, Circuit, Coupling, Part, Pin
from netcheck.netlist.cards import PartNote
from netcheck.netlist.flat import FlatElement
from netcheck.source import Span
from netcheck.tubes.library import load_library

OPEN_OHM = 1e9
"""An open part: a finite leak keeps every net solvable (common practice)."""

SHORT_OHM = 0.1
"""A shorted part (common practice)."""

MIN_LOOP_OHM = 1e-3
"""Floor for the wire of shorted turns and for the short itself: no loop is lossless."""

SHORT_SHARE = 1e-3
"""The short's own resistance as a share of the shorted wire's: too small to count."""


@dataclass(frozen=True, slots=True)
class SetValue:
    """Give a resistor, capacitor, inductor or source another value (SI)."""

    part: str
    value: float


@dataclass(frozen=True, slots=True)
class AddResistor:
    """Put a resistor between two nets: a leak or a short."""

    name: str
    net_a: str
    net_b: str
    ohm: float


@dataclass(frozen=True, slots=True)
class ShortTurns:
    """Short a share of one winding's turns.

    The winding is split in two windings with inductances by the square of their
    turns and with their own share of the wire resistance; the short lies across
    the part at the winding's first pin, through that part's wire resistance.

    share: of this winding's turns, between 0 and 1.  dcr_ohm: wire resistance of
    the whole winding, estimated where the netlist gives none.  coupling: least
    coupling of the two parts; raised where the winding is coupled more tightly
    with others than that allows (`part_coupling`).
    """

    part: str
    share: float
    dcr_ohm: float
    coupling: float = 0.9995


@dataclass(frozen=True, slots=True)
class ScaleEmission:
    """Multiply all currents of one tube (strong, weak, or cold at 0)."""

    part: str
    scale: float


@dataclass(frozen=True, slots=True)
class SetGas:
    """Give one tube another ion current, as a share of its space current."""

    part: str
    ratio: float


@dataclass(frozen=True, slots=True)
class SetGridEmission:
    """Let one tube's grid emit electrons: a constant current out of the grid [A]."""

    part: str
    ampere: float


@dataclass(frozen=True, slots=True)
class ReplaceTube:
    """Put a tube of another type, by its name on file, into the same socket."""

    part: str
    type_name: str


@dataclass(frozen=True, slots=True)
class SetWire:
    """Give the wire of one winding another resistance; an open winding has 1 Gohm."""

    part: str
    ohm: float


@dataclass(frozen=True, slots=True)
class Reconnect:
    """Move one pin of a part to another net, or to a new one."""

    part: str
    pin: str
    net: str


@dataclass(frozen=True, slots=True)
class AddCurrentSource:
    """Put a constant current in, from one net to another [A]."""

    name: str
    net_from: str
    net_to: str
    ampere: float


@dataclass(frozen=True, slots=True)
class ScaleDrive:
    """Multiply the signal that a coupling capacitor hands on.

    The capacitor's end at `source_net` moves to a controlled source that copies the
    volts there times `scale`; direct volts stop at the capacitor as before.
    """

    part: str
    source_net: str
    scale: float


@dataclass(frozen=True, slots=True)
class DriveLevel:
    """Say that the circuit drives itself, at rest too, as hard as a condition does.

    The parts stay as they are: an oscillating stage has no operating point, and what
    it does at rest is what the named driven condition of the healthy circuit does.
    """

    condition: str
    reason: str


Change = (
    SetValue
    | AddResistor
    | ShortTurns
    | ScaleEmission
    | SetGas
    | SetGridEmission
    | ReplaceTube
    | SetWire
    | Reconnect
    | AddCurrentSource
    | ScaleDrive
    | DriveLevel
)


def drives_itself(changes: Iterable[Change]) -> bool:
    """Say whether a circuit with these changes has no rest: it works itself."""
    return any(isinstance(change, DriveLevel) for change in changes)


def apply_changes(circuit: Circuit, changes: tuple[Change, ...]) -> Circuit:
    """Return the circuit with all changes made, leaving `circuit` as it was."""
    for change in changes:
        match change:
            case AddResistor():
                circuit = circuit.with_parts(added_resistor(change))
            case AddCurrentSource():
                circuit = circuit.with_parts(added_source(change))
            case ShortTurns():
                circuit = _short_turns(circuit, change)
            case ScaleDrive():
                circuit = _scale_drive(circuit, change)
            case DriveLevel():
                pass
            case _:
                circuit = circuit.with_parts(changed_part(circuit[change.part], change))
    return circuit


def changed_part(part: Part, change: Change) -> Part:
    """Return a part as a change of this part alone leaves it."""
    match change:
        case SetValue(value=value):
            return replace(part, value=value)
        case ScaleEmission(scale=scale):
            return replace(part, current_scale=part.current_scale * scale)
        case SetGas(ratio=ratio):
            return replace(part, gas_ratio=ratio)
        case SetGridEmission(ampere=ampere):
            return replace(part, grid_emission_a=ampere)
        case SetWire(ohm=ohm):
            return replace(part, note=replace(part.note, dcr_ohm=ohm))
        case ReplaceTube(type_name=name):
            return _other_type(part, name)
        case Reconnect(pin=name, net=net):
            pins = tuple(Pin(pin.name, net) if pin.name == name else pin for pin in part.pins)
            if pins == part.pins:
                raise ValueError(f"{part.ref} has no pin {name} that is not on {net}")
            return replace(part, pins=pins)
    raise TypeError(f"{type(change).__name__} is not a change of one part")


def _other_type(part: Part, name: str) -> Part:
    """Return the part as a tube of another type, without the user's own model."""
    found = load_library().find(name)
    if found is None or part.kind != "tube":
        raise ValueError(f"cannot put a {name} in the place of {part.ref}")
    element = replace(part.element, body=()) if part.element else None
    return replace(part, tube=found, element=element)


def added_source(change: AddCurrentSource) -> Part:
    """Return the part that an `AddCurrentSource` puts in."""
    pins = (Pin("plus", change.net_from), Pin("minus", change.net_to))
    return Part(change.name, "current_source", pins, change.ampere, PartNote(), added=True)


def _scale_drive(circuit: Circuit, change: ScaleDrive) -> Circuit:
    """Feed one end of a capacitor from a scaled copy of the volts it was on."""
    part, net = circuit[change.part], change.source_net
    pin = next((each.name for each in part.pins if each.net == net), "")
    copy = f"{part.ref}.drive"
    moved = changed_part(part, Reconnect(part.ref, pin, copy))
    nodes = (copy, GROUND, net, GROUND)
    span = part.span or Span("", 1, 1, 1, 1)
    element = FlatElement(copy, "E", nodes, span, value=change.scale)
    pins = tuple(map(Pin, ("plus", "minus", "control_plus", "control_minus"), nodes))
    source = Part(copy, "controlled_source", pins, None, PartNote(), element, added=True)
    return circuit.with_parts(moved, source)


def added_resistor(change: AddResistor) -> Part:
    """Return the part that an `AddResistor` puts in."""
    pins = (Pin("a", change.net_a), Pin("b", change.net_b))
    return Part(change.name, "resistor", pins, change.ohm, PartNote(), added=True)


def _short_turns(circuit: Circuit, change: ShortTurns) -> Circuit:
    """Split a winding; the shorted part is a winding of its own with its wire.

    The current sense of both parts is that of the whole, so the couplings keep
    their sign; each part couples with every other winding as the whole did.
    """
    whole, share = circuit[change.part], change.share
    if whole.kind != "inductor" or not 0.0 < share < 1.0:
        raise ValueError(f"cannot short {share:g} of the turns of {whole.ref}")
    names = _Names(circuit, whole.ref)
    start, end = whole.nets
    intact = replace(
        whole,
        value=(whole.value or 0.0) * (1.0 - share) ** 2,
        pins=(Pin("a", names.middle), Pin("b", end)),
        note=_rest_of_note(whole.note, share),
    )
    shorted = Part(
        names.shorted,
        "inductor",
        (Pin("a", start), Pin("b", names.wire)),
        (whole.value or 0.0) * share**2,
        PartNote(),
        added=True,
    )
    wire_ohm, short_ohm = loop_ohm(change)
    wire = AddResistor(names.wire, names.wire, names.middle, wire_ohm)
    short = AddResistor(names.short, start, names.middle, short_ohm)
    couplings = [
        Coupling(f"{shorted.ref}~{other}", shorted.ref, other, factor)
        for other, factor in circuit.coupled_with(whole.ref).items()
    ]
    between = part_coupling(circuit, whole.ref, change.coupling)
    couplings.append(Coupling(f"{shorted.ref}~{whole.ref}", shorted.ref, whole.ref, between))
    return circuit.with_parts(
        intact,
        shorted,
        added_resistor(wire),
        added_resistor(short),
        couplings=(*circuit.couplings, *couplings),
    )


def loop_ohm(change: ShortTurns) -> tuple[float, float]:
    """Return the wire resistance of the shorted turns, and that of the short [ohm]."""
    wire_ohm = max(change.dcr_ohm * change.share, MIN_LOOP_OHM)
    return wire_ohm, max(wire_ohm * SHORT_SHARE, MIN_LOOP_OHM)


def dc_wire_ohm(circuit: Circuit, change: ShortTurns) -> float:
    """Return the resistance that a winding with shorted turns has at DC [ohm].

    At DC a winding is its wire: the good turns in series with the shorted turns
    and their short in parallel.
    """
    wire_ohm, short_ohm = loop_ohm(change)
    good_ohm = (circuit[change.part].note.dcr_ohm or 0.0) * (1.0 - change.share)
    return good_ohm + wire_ohm * short_ohm / (wire_ohm + short_ohm)


def part_coupling(circuit: Circuit, winding: str, at_least: float) -> float:
    """Return how tightly two parts of one winding couple with each other.

    Turns of one winding leak less flux past each other than past the rest of the
    transformer.  With r2 the share of the winding's flux that all other windings
    together can cancel (the squared multiple correlation of the coupling matrix),
    the enlarged matrix stays physically possible for any factor from `2 r2 - 1`
    up (its Schur complement); `(1 + r2) / 2` lies above that for every r2.
    """
    others = _coupled_group(circuit, winding)
    if not others:
        return at_least
    place = {ref: number for number, ref in enumerate(others)}
    own = np.zeros(len(others))
    matrix = np.eye(len(others))
    for pair in circuit.couplings:
        if pair.first in place and pair.second in place:
            first, second = place[pair.first], place[pair.second]
            matrix[first, second] = matrix[second, first] = pair.factor
        elif winding in (pair.first, pair.second):
            other = pair.second if pair.first == winding else pair.first
            own[place[other]] = pair.factor
    r2 = float(own @ np.linalg.pinv(matrix, hermitian=True) @ own)
    return max(at_least, (1.0 + min(max(r2, 0.0), 1.0)) / 2.0)


def _coupled_group(circuit: Circuit, winding: str) -> list[str]:
    """Return all windings coupled with one, directly or through others."""
    found = {winding: None}
    waiting = [winding]
    while waiting:
        for other in circuit.coupled_with(waiting.pop()):
            if other not in found:
                found[other] = None
                waiting.append(other)
    return [ref for ref in found if ref != winding]


def _rest_of_note(note: PartNote, share: float) -> PartNote:
    """Return the note of the turns that are left: less wire, fewer turns."""
    return replace(
        note,
        dcr_ohm=None if note.dcr_ohm is None else note.dcr_ohm * (1.0 - share),
        turns=None if note.turns is None else note.turns * (1.0 - share),
    )


class _Names:
    """Names for the new parts and nets, free also when a winding is split again."""

    def __init__(self, circuit: Circuit, winding: str) -> None:
        number = 1
        while f"{winding}.short{number}" in circuit.parts:
            number += 1
        self.middle = f"{winding}.tap{number}"
        self.wire = f"{winding}.wire{number}"
        self.shorted = f"{winding}.turns{number}"
        self.short = f"{winding}.short{number}"
