"""Cathode circuits: how each cathode returns to ground or a negative supply.

Comes in: wiring, supply, transformers.  Goes out: one `CathodeCircuit` a tube.
From the cathode the walk goes through resistors, chokes, diodes and current
sources, over nets that are plain junctions, as long as they lead on to a quiet
net; a resistor that only leads to a secondary or to a grid is not part of the
cathode circuit (feedback, or a leak to a higher point).  Transistors and controlled
sources that set a current count as current sources.  Cathodes that meet on the way
share what lies below the meeting point.  A cathode without such a way may stand on
the plate of another tube (cascode, current source): then the walk ends there.

Output transformers in the cathode: one that no plate feeds but a cathode does is read as
an output transformer too.  Such a winding is a primary by what it does: it carries the
tube's whole current to ground and drives a coupled load.  A winding in the cathode of a
tube whose plate feeds the same transformer is a feedback winding and stays one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from netcheck.circuit.model import GROUND, Part, PartKind
from netcheck.roles.rails import Supply
from netcheck.roles.transformers import Transformer
from netcheck.roles.wiring import Wiring

PATH_KINDS: tuple[PartKind, ...] = ("resistor", "inductor", "diode", "current_source")

HELPER_OHM = 1e6
"""From here on a resistor from a cathode to ground only helps a solver to find the net's
volts: at 100 V it takes 0.1 mA (our choice)."""

LONGEST_CHAIN = 40
"""Plain nets in a row after which a chain of parts is no electrode's circuit any more."""


@dataclass(frozen=True, slots=True)
class CathodeCircuit:
    """What lies between one cathode and ground.

    nets: the cathode's net and the junctions below it, ground left out.
    parts: ref to its two nets, nearer the cathode first.  own: parts that carry
    this cathode's current only.  returns: quiet nets it ends on.  bypass:
    capacitors from any of `nets` to a quiet net or between two of them.
    shared_with: tubes whose cathode circuit meets this one.  bleeds: resistors
    to B+, which raise the cathode.  stands_on: tubes below, whose plates take the
    cathode's current where nothing else does.
    """

    tube: str
    net: str
    nets: tuple[str, ...]
    parts: Mapping[str, tuple[str, str]]
    own: tuple[str, ...]
    returns: tuple[str, ...]
    bypass: tuple[str, ...]
    shared_with: tuple[str, ...] = ()
    bleeds: tuple[str, ...] = ()
    windings: tuple[str, ...] = ()
    stands_on: tuple[str, ...] = ()

    @property
    def shared(self) -> tuple[str, ...]:
        """Parts that carry the current of several cathodes."""
        return tuple(ref for ref in self.parts if ref not in self.own)

    @property
    def grounded(self) -> bool:
        """Say whether the cathode sits on a quiet net directly."""
        return not self.parts and not self.windings and bool(self.returns)


def find_cathodes(
    wiring: Wiring, supply: Supply, transformers: tuple[Transformer, ...]
) -> Mapping[str, CathodeCircuit]:
    """Find the cathode circuit of every tube."""
    barrier = (
        frozenset(net for transformer in transformers for net in transformer.secondary_nets)
        | wiring.input_nets
    )
    in_cathode = frozenset(
        ref for transformer in transformers for ref in transformer.cathode_windings
    )
    walks: dict[str, _Walk] = {}
    for tube in wiring.tubes:
        walk = _Walk(wiring, supply, barrier, in_cathode, tube)
        if not walk.returns:
            walk = _Walk(wiring, supply, barrier, in_cathode, tube, onto_plates=True)
        elif _only_helped(wiring, walk):
            stacked = _Walk(wiring, supply, barrier, in_cathode, tube, onto_plates=True)
            walk = stacked if stacked.stands_on else walk
        walks[tube.ref] = walk
    owners: dict[str, list[str]] = {}
    for ref, walk in walks.items():
        for net in walk.nets:
            owners.setdefault(net, []).append(ref)
    return {ref: _circuit(wiring, supply, ref, walk, owners) for ref, walk in walks.items()}


def _only_helped(wiring: Wiring, walk: _Walk) -> bool:
    """Say whether a cathode reaches ground only over resistors far too large to feed it."""
    last = [wiring[ref] for ref, (_, far) in walk.parts.items() if far in walk.returns]
    return bool(last) and all(
        part.kind == "resistor" and (part.value or 0.0) >= HELPER_OHM for part in last
    )


class _Walk:
    """One walk from a cathode down to quiet nets, or onto other tubes' plates."""

    def __init__(
        self,
        wiring: Wiring,
        supply: Supply,
        barrier: frozenset[str],
        windings: frozenset[str],
        tube: Part,
        onto_plates: bool = False,
    ) -> None:
        self.tube = tube.ref
        self.onto_plates = onto_plates
        self.wiring = wiring
        self.supply = supply
        self.barrier = barrier
        self.cathode_windings = windings
        self.nets: list[str] = []
        self.parts: dict[str, tuple[str, str]] = {}
        self.returns: list[str] = []
        self.bleeds: list[str] = []
        self.windings: list[str] = []
        self.stands_on: list[str] = []
        self._leads: dict[str, bool] = {}
        cathode = tube.net("cathode")
        if supply.quiet(cathode):
            self.returns.append(cathode)
        else:
            self.stands_on += self._plates_at(cathode)
            self._step(cathode)

    def _step(self, net: str) -> None:
        self.nets.append(net)
        for part, far in self._arms(net):
            if part.ref in self.parts or part.ref in self.bleeds:
                continue
            if far in self.supply.positive:
                self.bleeds.append(part.ref)
            elif far in self.nets:
                self.parts[part.ref] = (net, far)
            elif self._leads_down(far, frozenset(self.nets)):
                self.parts[part.ref] = (net, far)
                if part.ref in self.cathode_windings:
                    self.windings.append(part.ref)
                self._arrive(far)

    def _arrive(self, net: str) -> None:
        """Note where a part ends, or walk on from there."""
        below = self._plates_at(net)
        if self.supply.quiet(net):
            if net not in self.returns:
                self.returns.append(net)
        elif below:
            self.stands_on += [ref for ref in below if ref not in self.stands_on]
        else:
            self._step(net)

    def _plates_at(self, net: str) -> tuple[str, ...]:
        """Return the other tubes whose plates are on a net, where those may end the walk."""
        if not self.onto_plates or self.supply.quiet(net):
            return ()
        return tuple(ref for ref in self.wiring.at(net, "plate") if ref != self.tube)

    def _arms(self, net: str) -> Iterable[tuple[Part, str]]:
        for part in self.wiring.on(net, *PATH_KINDS):
            if part.ref not in self.wiring.coupled or part.ref in self.cathode_windings:
                yield part, part.other_net(net)
        for part in self.wiring.circuit.parts_on.get(net, ()):
            far = current_exit(part, net)
            if far:
                yield part, far

    def _leads_down(self, net: str, seen: frozenset[str]) -> bool:
        """Say whether a net is quiet or leads to a quiet net over plain nets."""
        if net == GROUND or net in self.supply.negative:
            return True
        if self.supply.quiet(net) or net in self.barrier or len(seen) > LONGEST_CHAIN:
            return False
        if self._plates_at(net):
            return True
        if self.wiring.at(net, "plate", "screen", "grid", "cathode"):
            return False
        if net not in self._leads:
            self._leads[net] = any(
                self._leads_down(far, seen | {net}) for _, far in self._arms(net) if far not in seen
            )
        return self._leads[net]


def current_exit(part: Part, net: str) -> str:
    """Return the net where a current leaves that an active part takes from `net`.

    That is the emitter (source) of a transistor for its collector (drain), and the
    far pin of a controlled source that forces a current.
    """
    if part.kind == "transistor":
        for upper, lower in (("collector", "emitter"), ("drain", "source")):
            if part.has_pin(upper) and part.net(upper) == net and part.net(lower) != net:
                return part.net(lower)
    elif part.kind == "controlled_source" and part.element is not None:
        element = part.element
        forced = element.letter in "FG" or (element.letter == "B" and element.quantity == "i")
        ends = (part.net("plus"), part.net("minus"))
        if forced and net in ends and ends[0] != ends[1]:
            return ends[1] if net == ends[0] else ends[0]
    return ""


def _circuit(
    wiring: Wiring, supply: Supply, ref: str, walk: _Walk, owners: Mapping[str, list[str]]
) -> CathodeCircuit:
    cathode = wiring[ref].net("cathode")
    others = dict.fromkeys(tube for net in walk.nets for tube in owners[net] if tube != ref)
    own = tuple(part for part, (near, _) in walk.parts.items() if len(owners.get(near, ())) == 1)
    bypass = [
        part.ref
        for net in walk.nets
        for part in wiring.on(net, "capacitor")
        if supply.quiet(part.other_net(net)) or part.other_net(net) in walk.nets
    ]
    return CathodeCircuit(
        ref,
        cathode,
        tuple(walk.nets),
        walk.parts,
        own,
        tuple(walk.returns),
        tuple(dict.fromkeys(bypass)),
        tuple(others),
        tuple(walk.bleeds),
        tuple(walk.windings),
        tuple(walk.stands_on),
    )


def with_cathode_outputs(
    wiring: Wiring, supply: Supply, transformers: tuple[Transformer, ...]
) -> tuple[Transformer, ...]:
    """Read transformers that only cathodes feed as output transformers."""
    return tuple(_read(wiring, supply, transformer) for transformer in transformers)


def _read(wiring: Wiring, supply: Supply, transformer: Transformer) -> Transformer:
    if transformer.paths or not transformer.secondaries or transformer.use != "unknown":
        return transformer
    paths: dict[str, tuple[str, ...]] = {}
    entry: dict[str, str] = {}
    ends: list[str] = []
    for tube in wiring.tubes:
        cathode = tube.net("cathode")
        path, end = _path(wiring, supply, transformer, cathode)
        if path:
            paths[tube.ref], entry[tube.ref] = path, cathode
            ends.append(end)
    if not paths:
        return transformer
    return replace(
        transformer,
        paths=paths,
        entry=entry,
        center_tap=ends[0],
        from_cathode=frozenset(paths),
        use="output",
    )


def _path(
    wiring: Wiring, supply: Supply, transformer: Transformer, start: str
) -> tuple[tuple[str, ...], str]:
    """Return the windings from a cathode to where its current leaves them, and that net."""
    path: list[str] = []
    net = start
    while not supply.quiet(net):
        onward = [
            ref
            for ref in transformer.cathode_windings
            if ref not in path and net in transformer.windings[ref].ends
        ]
        if not onward or (path and _leaves(wiring, supply, net)):
            break
        onward.sort(key=lambda ref: not supply.quiet(transformer.windings[ref].far(net)))
        path.append(onward[0])
        net = transformer.windings[onward[0]].far(net)
    return tuple(path), net


def _leaves(wiring: Wiring, supply: Supply, net: str) -> bool:
    """Say whether a resistor takes the current of a winding's end on to a quiet net."""
    return any(far == GROUND or supply.quiet(far) for _, far in wiring.dc_arms(net))
