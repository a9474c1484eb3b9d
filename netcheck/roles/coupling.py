"""Coupling: which plate or cathode drives which grid, and through which capacitor.

Comes in: everything known of the electrodes.  Goes out: `Couplings`: the drives
from tube to tube, the coupling capacitors with both their nets, and the networks
of resistors and capacitors (tone controls, outputs of a preamplifier) that lie
behind a capacitor without being part of a grid circuit.

A coupling capacitor is one that stands between a plate's (or an output cathode's,
or the input's) signal nets on one side and the direct-current network of a grid on
the other: it blocks the one from the other.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

from netcheck.roles.cathodes import CathodeCircuit
from netcheck.roles.drives import (
    CouplingCapacitor,
    Drive,
    cathode_drives,
    relayed,
    source_at,
)
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
