"""Transformers written as controlled sources, read as coupled windings.

Comes in: a `Circuit`.  Goes out: the same circuit with each such transformer as
inductors on one core.  In an ideal transformer one source copies the volts of one
winding onto another, V2 = n V1, and another copies the current back, I1 = -n I2, so
that no power is made or lost.  Windings that share a port, or that all copy one core
net, are on one core.  An inductance L across one of them is the core's: with it the
set behaves as inductors n^2 L with a coupling of 1 and lets no direct voltage stand.
Without it a winding passes direct current to the load, which no transformer does;
then the sources stay, and only the recogniser reads them as windings.
(Textbook algebra of the ideal transformer.)
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from math import isclose

from netcheck.circuit.model import GROUND, Circuit, Coupling, Part, Pin, natural_key
from netcheck.circuit.transfers import Transfer, transfer_of
from netcheck.findings import Finding

TOLERANCE = 0.02
"""Two gains this close as a share are meant equal: written figures are rounded."""

COUPLING = 0.99999
"""Factor of the windings: the tightest that is solved with inductors."""

NOMINAL_H = 1.0
"""Stands for the inductance where only the windings' places are wanted."""

MAX_WIRE_OHM = 500.0
"""Largest wire resistance that is looked through for a tube (common practice)."""

WIRE_PARTS = 2
"""Parts in a row that may stand between a winding and its tube: wire and an ammeter."""

Port = tuple[str, str]


@dataclass(frozen=True, slots=True)
class IdealTransformer:
    """One core.

    windings: part to its port, plus end first, and its turns to those of the first
    port.  henry: inductance at the first port, 0 where there is none.  absorbed: parts
    that the windings stand for.  moved: parts across a core that is no winding, with
    the factor on their impedance, and the port with the fewest turns, where they go.
    """

    windings: Mapping[str, tuple[Port, float]]
    henry: float
    absorbed: tuple[str, ...]
    moved: Mapping[str, tuple[Port, float]]


@dataclass(frozen=True, slots=True)
class _Pair:
    """A source of volts at port `out` that copies `source`, and what copies back.

    The ports are named by their joined nets, those on both sides of an ammeter as one.
    """

    volts: str
    back: str
    source: Port
    out: Port
    ratio: float


def with_windings(circuit: Circuit) -> Circuit:
    """Return the circuit with transformers of controlled sources as coupled inductors."""
    for found in find_ideal_transformers(circuit):
        if found.henry:
            circuit = _replaced(circuit, found, found.henry)
            circuit = replace(circuit, findings=(*circuit.findings, _note(circuit, found)))
    return circuit


def as_windings(circuit: Circuit) -> Circuit:
    """Return the circuit as the recogniser reads it, with any inductance."""
    for found in find_ideal_transformers(circuit):
        circuit = _replaced(circuit, found, found.henry or NOMINAL_H)
    return circuit


def direct_current_findings(circuit: Circuit) -> Iterator[Finding]:
    """Yield a finding for every ideal transformer that passes direct current."""
    for found in find_ideal_transformers(circuit):
        refs = sorted(found.windings, key=natural_key)
        yield Finding(
            "ideal-transformer",
            "warning",
            f"the transformer made of {', '.join(refs)} passes direct current: no inductance "
            "lies across any of its windings, so its load drops B+; put the primary "
            "inductance across it. Faults of its windings cannot be put in as it is",
            refs[0],
            circuit[refs[0]].span,
        )


def find_ideal_transformers(circuit: Circuit) -> tuple[IdealTransformer, ...]:
    """Find transformers made of linear controlled sources."""
    transfers = [found for part in circuit if (found := transfer_of(part))]
    if not transfers:
        return ()
    joined_nets = _joined_nets(circuit)
    pairs = list(_pairs(circuit, transfers, joined_nets))
    groups: list[list[_Pair]] = []
    for pair in pairs:
        ports = {_key(pair.source), _key(pair.out)}
        joined = [g for g in groups if any({_key(p.source), _key(p.out)} & ports for p in g)]
        merged = [pair, *(member for group in joined for member in group)]
        groups = [group for group in groups if group not in joined] + [merged]
    return tuple(
        _core(circuit, sorted(g, key=lambda p: natural_key(p.volts)), joined_nets) for g in groups
    )


def _key(port: Port) -> frozenset[str]:
    return frozenset(port)


def _joined_nets(circuit: Circuit) -> Mapping[str, str]:
    """Return one name for the nets on both sides of every 0 V source without a note."""
    table: dict[str, str] = {}

    def root(net: str) -> str:
        while net in table:
            net = table[net]
        return net

    for part in circuit.of_kind("voltage_source"):
        waveform = part.element.waveform if part.element else None
        if part.value or part.note.is_input or (waveform and waveform.alternating):
            continue
        first, second = sorted(map(root, part.nets), key=lambda net: (net != GROUND, net))
        if first != second:
            table[second] = first
    return {net: root(net) for net in circuit.nets}


def _joined(port: Port, nets: Mapping[str, str]) -> Port:
    return nets.get(port[0], port[0]), nets.get(port[1], port[1])


def _pairs(circuit: Circuit, transfers: list[Transfer], nets: Mapping[str, str]) -> Iterator[_Pair]:
    """Match every source of volts with the one that copies its current back."""
    for volts in transfers:
        if volts.gives != "volts" or volts.sensor or not volts.factor:
            continue
        source, out = _joined(volts.control, nets), _joined(volts.ends, nets)
        for back in transfers:
            same_port = _key(_joined(back.ends, nets)) == _key(source)
            if back.gives != "amperes" or not same_port:
                continue
            sensed = _sensed(circuit, volts, back)
            # Current into the plus end of the copied port is -n times that at the other.
            along = _joined(back.ends, nets) == source
            needed = -volts.factor if along else volts.factor
            if sensed is not None and isclose(sensed, needed, rel_tol=TOLERANCE):
                yield _Pair(volts.part, back.part, source, out, volts.factor)
                break


def _sensed(circuit: Circuit, volts: Transfer, back: Transfer) -> float | None:
    """Return the current that `back` gives per ampere into the plus end of `volts`."""
    for end, sign in ((volts.ends[0], 1.0), (volts.ends[1], -1.0)):
        for part, near, far in _chain(circuit, volts.part, end):
            inward = sign if (part.nets[0] == far) else -sign
            if part.ref.casefold() == back.sensor.casefold():
                return back.factor * inward
            if not back.sensor and part.kind == "resistor" and set(back.control) == {near, far}:
                along = sign if back.control == (far, near) else -sign
                return back.factor * (part.value or 0.0) * along
    return None


def _chain(circuit: Circuit, start: str, net: str) -> Iterator[tuple[Part, str, str]]:
    """Yield the two-pin parts that carry one source's current alone, with their nets."""
    before = start
    seen = {start}
    while net != GROUND:
        onward = [
            part
            for part in circuit.parts_on.get(net, ())
            if part.ref != before and net in part.nets[:2] and part.kind != "tube"
        ]
        others = len(circuit.parts_on.get(net, ())) - len(onward) - 1
        controls = sum(
            part.kind == "controlled_source" and net in part.nets[2:]
            for part in circuit.parts_on.get(net, ())
        )
        plain = ("voltage_source", "resistor", "inductor")
        alone = len(onward) == 1 and others <= controls and onward[0].kind in plain
        if not alone or onward[0].ref in seen:
            return
        part = onward[0]
        seen.add(part.ref)
        far = part.other_net(net)
        yield part, net, far
        before, net = part.ref, far


def _core(circuit: Circuit, pairs: list[_Pair], nets: Mapping[str, str]) -> IdealTransformer:
    first = pairs[0].source
    turns = _turns(pairs, first)
    sources = {ref for pair in pairs for ref in (pair.volts, pair.back)}
    windings: dict[str, tuple[Port, float]] = {}
    absorbed: list[str] = []
    moved: dict[str, tuple[Port, float]] = {}
    inverse_h = 0.0
    for key, (port, ratio) in turns.items():
        across = _across(circuit, port, nets)
        coils = [p for p in across if p.kind == "inductor" and not circuit.coupled_with(p.ref)]
        inverse_h += sum(ratio**2 / (part.value or NOMINAL_H) for part in coils)
        own = [pair.volts for pair in pairs if _key(pair.out) == key]
        backs = [pair.back for pair in pairs if _key(pair.source) == key]
        here = [*(part.ref for part in coils), *own, *backs]
        driven = [pair.volts for pair in pairs if _key(pair.source) == key]
        if own or not _is_core_net(circuit, port, sources, driven):
            # In the place of the source of volts, so that its ammeter stays in the way.
            windings[here[0]] = (_placed(circuit[(own or here)[0]], port, nets), ratio)
        else:
            moved |= {p.ref: (port, ratio) for p in across if p.kind in ("resistor", "capacitor")}
        absorbed += here
    goal, turns_there = min(windings.values(), key=lambda winding: winding[1])
    carried = {ref: (goal, (turns_there / ratio) ** 2) for ref, (_, ratio) in moved.items()}
    gone = tuple(ref for ref in dict.fromkeys(absorbed) if ref not in windings)
    return IdealTransformer(windings, 1.0 / inverse_h if inverse_h else 0.0, gone, carried)


def _across(circuit: Circuit, port: Port, nets: Mapping[str, str]) -> list[Part]:
    """Return the two-pin parts across a port, in order."""
    ends = [net for net, joined in nets.items() if joined == port[0] and joined != GROUND]
    ends = ends or [net for net, joined in nets.items() if joined == port[1]]
    found = {part.ref: part for net in ends for part in circuit.parts_on.get(net, ())}
    return [
        part
        for part in found.values()
        if len(part.nets) == len(port)
        and part.kind in ("inductor", "resistor", "capacitor")
        and _key(_joined((part.nets[0], part.nets[1]), nets)) == _key(port)
    ]


def _placed(part: Part, port: Port, nets: Mapping[str, str]) -> Port:
    """Return a part's own first two nets in the order of a port."""
    own = (part.nets[0], part.nets[1])
    return own if _joined(own, nets) == port else (own[1], own[0])


def _turns(pairs: list[_Pair], first: Port) -> dict[frozenset[str], tuple[Port, float]]:
    """Return each port, plus end first, and its turns to those of the first."""
    found = {_key(first): (first, 1.0)}
    queue = deque([first])
    while queue:
        port = queue.popleft()
        _, ratio = found[_key(port)]
        for pair in pairs:
            for here, there, factor in (
                (pair.source, pair.out, pair.ratio),
                (pair.out, pair.source, 1.0 / pair.ratio),
            ):
                if _key(here) != _key(port) or _key(there) in found:
                    continue
                signed = ratio * factor * (1.0 if here == port else -1.0)
                end = there if signed > 0 else (there[1], there[0])
                found[_key(end)] = (end, abs(signed))
                queue.append(end)
    return found


def _is_core_net(circuit: Circuit, port: Port, sources: set[str], windings: list[str]) -> bool:
    """Say whether nothing but the model's sources and a core's own parts are on a port.

    Where tubes are on all the windings that copy it, the port is that of the load.
    """
    if GROUND not in port or all(_at_tube(circuit, ref) for ref in windings):
        return False
    net = port[0] if port[1] == GROUND else port[1]
    return all(
        part.ref in sources
        or (part.kind in ("inductor", "resistor", "capacitor") and GROUND in part.nets)
        for part in circuit.parts_on[net]
    )


def _at_tube(circuit: Circuit, ref: str) -> bool:
    """Say whether a winding's end is at a tube, over the winding's wire or an ammeter."""
    near = {net for net in circuit[ref].nets[:2] if net != GROUND}
    for _ in range(WIRE_PARTS):
        near |= {
            part.other_net(net)
            for net in near
            for part in circuit.parts_on.get(net, ())
            if (part.value or 0.0) <= (MAX_WIRE_OHM if part.kind == "resistor" else 0.0)
            and part.kind in ("resistor", "voltage_source")
            and GROUND not in part.nets
        }
    return any(
        pin.net in near and pin.name != "grid"
        for net in near
        for part in circuit.parts_on.get(net, ())
        if part.kind == "tube"
        for pin in part.pins
    )


def _replaced(circuit: Circuit, found: IdealTransformer, henry: float) -> Circuit:
    parts = []
    for ref, ((plus, minus), ratio) in found.windings.items():
        part = circuit[ref]
        pins = (Pin("a", plus), Pin("b", minus))
        element = part.element
        if element is not None:
            element = replace(
                element, letter="L", nodes=(plus, minus), value=henry * ratio**2, expression=None
            )
        parts.append(
            replace(part, kind="inductor", pins=pins, value=henry * ratio**2, element=element)
        )
    for ref, ((plus, minus), factor) in found.moved.items():
        part = circuit[ref]
        value = part.value or 0.0
        scaled = value * factor if part.kind == "resistor" else value / factor
        parts.append(replace(part, pins=(Pin("a", plus), Pin("b", minus)), value=scaled))
    refs = sorted(found.windings, key=natural_key)
    couplings = [
        Coupling(f"K of {refs[0]}", one, two, COUPLING) for one, two in combinations(refs, 2)
    ]
    return circuit.with_parts(
        *parts, without=found.absorbed, couplings=(*circuit.couplings, *couplings)
    )


def _note(circuit: Circuit, found: IdealTransformer) -> Finding:
    refs = sorted(found.windings, key=natural_key)
    gone = f" (with {', '.join(found.absorbed)})" if found.absorbed else ""
    return Finding(
        "ideal-transformer",
        "note",
        f"{', '.join(refs)}{gone} are the controlled sources of a transformer; "
        f"they are solved as windings on one core, coupled by {COUPLING:g}",
        refs[0],
        circuit[refs[0]].span,
    )
