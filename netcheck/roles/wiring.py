"""The circuit as the recogniser walks it.

Comes in: a `Circuit`.  Goes out: a `Wiring`, the same circuit with ammeters (0 V
sources put in only to read a current) and the resistances inside capacitors shorted out,
their leaks left out, the input sources named, and
the questions every walk asks: which parts of a kind are on a net, which tube
electrodes sit there.  A rectifier is a tube without a grid; its electrodes are
not counted among those of amplifying tubes.

For a part that no role was found for it also tells what stands around it: for each pin
its net and the other parts there, ground and supply nets included; whoever prints them
decides how many to show.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from netcheck.circuit.ideal_transformers import as_windings, find_ideal_transformers
from netcheck.circuit.model import GROUND, Circuit, Part, PartKind, Pin

Electrode = tuple[str, str]
"""A tube's ref and the name of its pin."""


TWO_PINS = 2


def is_amplifying(part: Part) -> bool:
    """Say whether a part is a tube with a plate, a grid and a cathode."""
    return part.kind == "tube" and all(map(part.has_pin, ("plate", "grid", "cathode")))


def is_alternating(part: Part) -> bool:
    """Say whether a source carries a signal or mains voltage."""
    waveform = part.element.waveform if part.element else None
    return waveform is not None and waveform.alternating


@dataclass(frozen=True)
class Wiring:
    """A circuit without its ammeters, with its input sources known.

    inputs: refs of the input sources, the one most likely meant first.
    inside: parts that are a property of a capacitor, with its ref.
    absorbed: controlled sources and parts of an ideal transformer that is read as
        windings, with the first of these.
    """

    circuit: Circuit
    ammeters: tuple[str, ...]
    inputs: tuple[str, ...]
    absorbed: Mapping[str, str] = field(default_factory=dict)
    inside: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, ref: str) -> Part:
        return self.circuit[ref]

    @cached_property
    def tubes(self) -> tuple[Part, ...]:
        """Amplifying tubes."""
        return tuple(part for part in self.circuit.tubes if is_amplifying(part))

    @cached_property
    def electrodes(self) -> Mapping[str, tuple[Electrode, ...]]:
        """Electrodes of amplifying tubes by net; those on ground carry no signal."""
        table = _electrodes(self.circuit)
        return {net: found for net, found in table.items() if net != GROUND}

    @cached_property
    def coupled(self) -> frozenset[str]:
        """Inductors that are windings: coupled with another one."""
        return frozenset(ref for k in self.circuit.couplings for ref in (k.first, k.second))

    @cached_property
    def input_nets(self) -> frozenset[str]:
        """Nets of input sources, ground left out."""
        return frozenset(net for ref in self.inputs for net in self[ref].nets) - {GROUND}

    def on(self, net: str, *kinds: PartKind) -> tuple[Part, ...]:
        """Return the two-pin parts of some kinds that lead away from a net."""
        return tuple(
            part
            for part in self.circuit.parts_on.get(net, ())
            if part.kind in kinds and len(part.pins) == TWO_PINS and part.nets[0] != part.nets[1]
        )

    def dc_arms(self, net: str) -> tuple[tuple[Part, str], ...]:
        """Return resistors and chokes on a net (not windings), with far nets."""
        return tuple(
            (part, part.other_net(net))
            for part in self.on(net, "resistor", "inductor")
            if part.ref not in self.coupled
        )

    def windings(self, net: str) -> tuple[Part, ...]:
        """Return the transformer windings that end on a net."""
        return tuple(part for part in self.on(net, "inductor") if part.ref in self.coupled)

    @cached_property
    def _wound(self) -> frozenset[frozenset[str]]:
        return frozenset(frozenset(self[ref].nets) for ref in self.coupled)

    def is_across_winding(self, part: Part) -> bool:
        """Say whether a part lies across a winding: it damps that and feeds nothing."""
        return part.ref not in self.coupled and frozenset(part.nets) in self._wound

    def at(self, net: str, *pins: str) -> tuple[str, ...]:
        """Return the tubes that have one of these electrodes on a net."""
        found = (ref for ref, pin in self.electrodes.get(net, ()) if pin in pins)
        return tuple(dict.fromkeys(found))


def wiring_of(circuit: Circuit) -> Wiring:
    """Find input sources and ammeters, and short the ammeters out."""
    ideal = find_ideal_transformers(circuit)
    absorbed = {ref: next(iter(each.windings)) for each in ideal for ref in each.absorbed}
    circuit = as_windings(circuit) if ideal else circuit
    electrodes = _electrodes(circuit)
    zero = [
        part
        for part in circuit.of_kind("voltage_source")
        if not part.value and not is_alternating(part) and not part.note.is_input
    ]
    inputs = [part.ref for part in circuit.of_kind("voltage_source") if part.note.is_input]
    inputs += [
        part.ref
        for part in circuit.of_kind("voltage_source")
        if not part.note.is_input
        and is_alternating(part)
        and _leads_to_grid(circuit, electrodes, part)
    ]
    if not inputs:
        inputs = [
            part.ref
            for part in zero
            if GROUND in part.nets and _leads_to_grid(circuit, electrodes, part)
        ]
    ammeters = tuple(part.ref for part in zero if part.ref not in inputs)
    inside = _inside_capacitors(circuit)
    leads = tuple(ref for ref in inside if _is_lead(circuit, ref, inside))
    across = tuple(ref for ref in inside if ref not in leads)
    kept = circuit.with_parts(without=across) if across else circuit
    contracted = _contract(kept, electrodes, (*ammeters, *leads))
    return Wiring(contracted, ammeters, tuple(inputs), absorbed, inside)


def _inside_capacitors(circuit: Circuit) -> dict[str, str]:
    """Return the parts that stand for the resistance or the leak of a capacitor."""
    return {
        part.ref: part.element.inside
        for part in circuit
        if part.element is not None
        and part.element.inside in circuit.parts
        and circuit[part.element.inside].kind == "capacitor"
    }


def _is_lead(circuit: Circuit, ref: str, inside: Mapping[str, str]) -> bool:
    """Say whether a part inside a capacitor is in series: only that capacitor is behind it."""
    whose = inside[ref]
    return any(
        all(part.ref == whose or inside.get(part.ref) == whose for part in circuit.parts_on[net])
        for net in circuit[ref].nets
        if net != GROUND
    )


def _electrodes(circuit: Circuit) -> dict[str, tuple[Electrode, ...]]:
    table: dict[str, list[Electrode]] = {}
    for part in circuit.tubes:
        if is_amplifying(part):
            for pin in part.pins:
                table.setdefault(pin.net, []).append((part.ref, pin.name))
    return {net: tuple(found) for net, found in table.items()}


def _leads_to_grid(
    circuit: Circuit, electrodes: Mapping[str, tuple[Electrode, ...]], source: Part
) -> bool:
    """Say whether the first electrodes met from a source are grids.

    Resistors, capacitors and windings are walked through; a cathode or plate met
    on the way means that the source only reads a current or feeds power.
    """
    start = [net for net in source.nets if net != GROUND]
    seen = set(start)
    queue = deque(start)
    grids = 0
    while queue:
        net = queue.popleft()
        pins = {pin for _, pin in electrodes.get(net, ())}
        if pins - {"grid"}:
            return False
        if pins:
            grids += 1
            continue
        for far in _signal_neighbours(circuit, net):
            if far not in seen:
                seen.add(far)
                queue.append(far)
    return grids > 0


def _signal_neighbours(circuit: Circuit, net: str) -> Iterable[str]:
    for part in circuit.parts_on.get(net, ()):
        if part.kind in ("resistor", "capacitor"):
            yield from (far for far in part.nets if far not in (net, GROUND))
        elif part.kind == "inductor":
            for ref in (part.ref, *circuit.coupled_with(part.ref)):
                yield from (far for far in circuit[ref].nets if far not in (net, GROUND))


def _contract(
    circuit: Circuit, electrodes: Mapping[str, tuple[Electrode, ...]], ammeters: tuple[str, ...]
) -> Circuit:
    """Join the two nets of every ammeter.

    The joined net keeps the name of ground, else of a net with an electrode, else of
    the one with more parts.
    """
    if not ammeters:
        return circuit
    name: dict[str, str] = {}

    def root(net: str) -> str:
        while net in name:
            net = name[net]
        return net

    def rank(net: str) -> tuple[bool, bool, int]:
        return net == GROUND, net in electrodes, len(circuit.parts_on[net])

    for ref in ammeters:
        first, second = (root(net) for net in circuit[ref].nets)
        if first == second:
            continue
        first, second = sorted((first, second), key=rank, reverse=True)
        name[second] = first
    parts = {
        part.ref: replace(part, pins=tuple(Pin(pin.name, root(pin.net)) for pin in part.pins))
        for part in circuit
        if part.ref not in ammeters
    }
    return replace(circuit, parts=parts)


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
