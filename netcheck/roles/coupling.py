"""Coupling: which plate or cathode drives which grid, and through which capacitor.

Comes in: everything known of the electrodes.  Goes out: `Couplings`: the drives
from tube to tube, the coupling capacitors with both their nets, and the networks
of resistors and capacitors (tone controls, outputs of a preamplifier) that lie
behind a capacitor without being part of a grid circuit.

A coupling capacitor is one that stands between a plate's (or an output cathode's,
or the input's) signal nets on one side and the direct-current network of a grid on
the other: it blocks the one from the other.

Drives that need a second look: a cathode is driven where its own grid is at rest: by the
input, by a capacitor from another stage (grounded grid), or by the plate it stands on
(cascode).  A grid without a drive of its own may be coupled to a point of another grid's
circuit (floating paraphase) and then follows what drives it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

from netcheck.roles.cathodes import CathodeCircuit
from netcheck.roles.grids import GridCircuit, Surroundings
from netcheck.roles.rails import Supply
from netcheck.roles.transformers import Transformer
from netcheck.roles.wiring import Wiring


@dataclass(frozen=True, slots=True)
class Network:
    """Parts behind a capacitor that are in no grid circuit.

    grids: tubes it leads to; none for an output.
    """

    first: str
    source: str
    electrode: str
    source_net: str
    feeds: str
    parts: tuple[str, ...]
    grids: tuple[str, ...]


@dataclass(frozen=True)
class Couplings:
    """All drives and the parts that make them."""

    drives: tuple[Drive, ...]
    capacitors: tuple[CouplingCapacitor, ...]
    networks: tuple[Network, ...]

    @cached_property
    def _by_target(self) -> Mapping[str, tuple[Drive, ...]]:
        return _grouped(self.drives, lambda drive: drive.target)

    @cached_property
    def _by_source(self) -> Mapping[str, tuple[Drive, ...]]:
        return _grouped(self.drives, lambda drive: drive.source)

    @cached_property
    def _networks(self) -> Mapping[str, tuple[Network, ...]]:
        return _grouped(self.networks, lambda network: network.source)

    def into(self, tube: str) -> tuple[Drive, ...]:
        """Return what drives a tube."""
        return self._by_target.get(tube, ())

    def out_of(self, tube: str, *electrodes: str) -> tuple[Drive, ...]:
        """Return what a tube drives, from some of its electrodes."""
        found = self._by_source.get(tube, ())
        return tuple(d for d in found if not electrodes or d.electrode in electrodes)

    def networks_at(self, tube: str, electrode: str) -> tuple[Network, ...]:
        """Return the networks behind an electrode."""
        found = self._networks.get(tube, ())
        return tuple(network for network in found if network.electrode == electrode)


T = TypeVar("T")


def _grouped(values: Iterable[T], key: Callable[[T], str]) -> Mapping[str, tuple[T, ...]]:
    table: dict[str, list[T]] = {}
    for value in values:
        table.setdefault(key(value), []).append(value)
    return {name: tuple(found) for name, found in table.items()}


def find_couplings(
    wiring: Wiring,
    supply: Supply,
    transformers: tuple[Transformer, ...],
    around: Surroundings,
    grids: Mapping[str, GridCircuit],
    cathodes: Mapping[str, CathodeCircuit],
) -> Couplings:
    """Find drives, coupling capacitors and networks."""
    search = _Search(wiring, supply, around, grids)
    capacitors = search.capacitors()
    networks = search.networks({found.part for found in capacitors})
    drives = [
        Drive(found.source, found.electrode, target, (found.part,))
        for found in capacitors
        for target in found.targets
    ]
    drives += [
        Drive(network.source, network.electrode, target, (network.first, *network.parts))
        for network in networks
        for target in network.grids
    ]
    drives += search.direct_drives()
    drives += _transformer_drives(transformers, grids)
    drives = _inherited(drives, grids)
    relays = list(relayed(wiring, grids, drives))
    drives += [
        Drive(found.source, found.electrode, target, (found.part,))
        for found in relays
        for target in found.targets
    ]
    at_cathodes, more = cathode_drives(wiring, around, grids, cathodes, drives)
    return Couplings(
        tuple(dict.fromkeys([*drives, *at_cathodes])),
        (*capacitors, *relays, *more),
        tuple(networks),
    )


@dataclass(frozen=True)
class _Search:
    wiring: Wiring
    supply: Supply
    around: Surroundings
    grids: Mapping[str, GridCircuit]

    def source_at(self, net: str, not_for: str = "") -> tuple[str, str] | None:
        """Return the tube and electrode whose signal a net carries."""
        return source_at(self.wiring, self.around, net, not_for)

    def capacitors(self) -> list[CouplingCapacitor]:
        """Return capacitors between a source net and a grid circuit."""
        found: dict[str, CouplingCapacitor] = {}
        for tube, grid in self.grids.items():
            if grid.ac_grounded:
                continue
            for ref, (near, far) in grid.capacitors.items():
                source = self.source_at(far, tube)
                if source is None or source[0] == tube or near in self.wiring.input_nets:
                    continue
                before = found.get(ref)
                targets = (*before.targets, tube) if before else (tube,)
                found[ref] = CouplingCapacitor(ref, *source, far, near, targets)
        return list(found.values())

    def direct_drives(self) -> list[Drive]:
        """Return drives without a capacitor, the input's included."""
        found = []
        for tube, grid in self.grids.items():
            if grid.ac_grounded and not grid.inputs:
                continue
            found += [Drive("", "input", tube, (ref,), True) for ref in grid.inputs]
            if not grid.ac_grounded:
                found += [Drive(ref, pin, tube, (), True) for ref, pin in grid.direct]
        return found

    def networks(self, taken: set[str]) -> list[Network]:
        """Walk forward from every source net through capacitors not yet placed."""
        owner: dict[str, list[str]] = {}
        for tube, grid in self.grids.items():
            if not grid.ac_grounded and not grid.held:
                for net in grid.nets:
                    owner.setdefault(net, []).append(tube)
        found = []
        for net in self.wiring.circuit.nets:
            source = self.source_at(net)
            if source is None or self.supply.quiet(net):
                continue
            for part in self.wiring.on(net, "capacitor"):
                far = part.other_net(net)
                if part.ref not in taken and self._is_plain(far) and far not in owner:
                    parts, reached = self._forward(far, part.ref, owner, source[0])
                    found.append(Network(part.ref, *source, net, far, parts, reached))
        return found

    def _is_plain(self, net: str) -> bool:
        return not (
            self.supply.quiet(net)
            or net in self.wiring.electrodes
            or net in self.around.stop
            or self.source_at(net)
        )

    def _forward(
        self, start: str, first: str, owner: Mapping[str, Iterable[str]], source: str
    ) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Collect the parts and the grids behind a capacitor."""
        parts: dict[str, None] = {}
        reached: dict[str, None] = {}
        seen = {start}
        queue = deque([start])
        while queue:
            net = queue.popleft()
            for part in self.wiring.on(net, "resistor", "capacitor"):
                if part.ref == first:
                    continue
                parts[part.ref] = None
                far = part.other_net(net)
                if far in owner:
                    reached.update(dict.fromkeys(owner[far]))
                elif far not in seen and self._is_plain(far):
                    seen.add(far)
                    queue.append(far)
        reached.pop(source, None)
        return tuple(parts), tuple(reached)


def _transformer_drives(
    transformers: tuple[Transformer, ...], grids: Mapping[str, GridCircuit]
) -> list[Drive]:
    """Return drives through an interstage transformer."""
    found = []
    for transformer in transformers:
        if transformer.use != "interstage":
            continue
        targets = [
            tube for tube, grid in grids.items() if set(grid.windings) & set(transformer.windings)
        ]
        found += [
            Drive(source, "plate", target, path)
            for source, path in transformer.paths.items()
            for target in targets
        ]
    return found


def _inherited(drives: list[Drive], grids: Mapping[str, GridCircuit]) -> list[Drive]:
    """Give a grid without a drive that of the grid it is joined to."""
    driven = {drive.target for drive in drives}
    extra = []
    for tube, grid in grids.items():
        if tube in driven or grid.ac_grounded:
            continue
        for sibling in grid.siblings:
            extra += [
                Drive(drive.source, drive.electrode, tube, drive.via, drive.direct)
                for drive in drives
                if drive.target == sibling and drive.source != tube
            ]
    return drives + extra


@dataclass(frozen=True, slots=True)
class Drive:
    """One electrode that drives one grid, or one cathode whose grid is at rest.

    source is empty where the input source drives it.
    """

    source: str
    electrode: str
    target: str
    via: tuple[str, ...] = ()
    direct: bool = False
    pin: str = "grid"


@dataclass(frozen=True, slots=True)
class CouplingCapacitor:
    """One capacitor between a signal source and a grid (or a cathode's) circuit."""

    part: str
    source: str
    electrode: str
    source_net: str
    feeds: str
    targets: tuple[str, ...]
    pin: str = "grid"


def source_at(
    wiring: Wiring, around: Surroundings, net: str, not_for: str = ""
) -> tuple[str, str] | None:
    """Return the tube and electrode whose signal a net carries.

    A net below two cathodes is no output of either; the input counts as a source
    without a tube.
    """
    plate = around.plates.get(net)
    if plate:
        return plate, "plate"
    owners = around.cathodes.get(net, ())
    if owners and not_for not in owners:
        return owners[0], "cathode"
    if net in wiring.input_nets:
        return "", "input"
    return None


def relayed(
    wiring: Wiring, grids: Mapping[str, GridCircuit], drives: list[Drive]
) -> Iterator[CouplingCapacitor]:
    """Yield capacitors that bring an undriven grid the signal of another grid's circuit."""
    into: dict[str, list[Drive]] = {}
    for drive in drives:
        into.setdefault(drive.target, []).append(drive)
    owners: dict[str, list[str]] = {}
    for ref, grid in grids.items():
        for net in grid.nets if ref in into else ():
            owners.setdefault(net, []).append(ref)
    for tube, grid in grids.items():
        if tube in into or grid.ac_grounded:
            continue
        for ref, (near, far) in grid.capacitors.items():
            found = [
                drive
                for owner in owners.get(far, ())
                for drive in into[owner]
                if drive.source != tube
            ]
            for drive in found[:1]:
                yield CouplingCapacitor(ref, drive.source, drive.electrode, far, near, (tube,))


def cathode_drives(
    wiring: Wiring,
    around: Surroundings,
    grids: Mapping[str, GridCircuit],
    cathodes: Mapping[str, CathodeCircuit],
    drives: list[Drive],
) -> tuple[list[Drive], list[CouplingCapacitor]]:
    """Return the drives into cathodes whose grids are at rest, and their capacitors."""
    found: list[Drive] = []
    capacitors: list[CouplingCapacitor] = []
    driven = {drive.target for drive in drives}
    for tube, circuit in cathodes.items():
        if tube in driven:
            continue
        if not circuit.shared_with and (grids[tube].ac_grounded or grids[tube].held):
            found += _from_input(wiring, circuit)
            capacitors += _from_capacitors(wiring, around, circuit, drives)
        found += [
            Drive(lower, "plate", tube, (), True, "cathode")
            for lower in circuit.stands_on
            if lower in driven
        ]
    found += [
        Drive(made.source, made.electrode, target, (made.part,), False, "cathode")
        for made in capacitors
        for target in made.targets
    ]
    return found, capacitors


def _from_input(wiring: Wiring, circuit: CathodeCircuit) -> Iterator[Drive]:
    for ref in wiring.inputs:
        if set(wiring[ref].nets) & set(circuit.nets):
            yield Drive("", "input", circuit.tube, (ref,), True, "cathode")


def _from_capacitors(
    wiring: Wiring, around: Surroundings, circuit: CathodeCircuit, drives: list[Drive]
) -> Iterator[CouplingCapacitor]:
    """Yield capacitors from an earlier stage; from a later one it would be feedback."""
    later = _reached(circuit.tube, drives)
    for net in circuit.nets:
        for part in wiring.on(net, "capacitor"):
            far = part.other_net(net)
            source = source_at(wiring, around, far, circuit.tube)
            if source and source[0] not in later and far not in circuit.nets:
                yield CouplingCapacitor(part.ref, *source, far, net, (circuit.tube,), "cathode")


def _reached(tube: str, drives: list[Drive]) -> set[str]:
    """Return the tubes that a tube drives, directly or over others, and itself."""
    found = {tube}
    waiting = [tube]
    while waiting:
        source = waiting.pop()
        for drive in drives:
            if drive.source == source and drive.target not in found:
                found.add(drive.target)
                waiting.append(drive.target)
    return found
