"""Signal order, from the input to the output, and the roles of what couples the stages.

Comes in: `Facts` and the stages.  Goes out: a `SignalPath` for every way the signal
takes from one stage into the next, and the ids of all stages in signal order.  A
drive from tube to tube becomes a path from stage to stage; what passes between the
tubes of one stage stays inside it.  A stage comes as late as its longest way from
the input; where stages drive each other in a ring, the one that the input reaches
comes first.  A current source stands right before the stage whose current it sets.

Of a coupling capacitor's role, `of` is the tube whose plate or cathode feeds it,
`source_net` that side's net, `feeds` the net on the grid's side: a leak through the
capacitor lifts the latter toward the former.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from netcheck.circuit.model import natural_key
from netcheck.roles.base import Role, SignalPath, Stage
from netcheck.roles.branches import feedback_nets
from netcheck.roles.coupling import CouplingCapacitor, Drive, Network
from netcheck.roles.facts import Facts
from netcheck.roles.grids import GridCircuit
from netcheck.roles.table import RoleName


def signal_flow(
    facts: Facts, stages: tuple[Stage, ...]
) -> tuple[tuple[str, ...], tuple[SignalPath, ...]]:
    """Return the stage ids in signal order, and the paths in order of what they drive."""
    home = {tube: stage.id for stage in stages for tube in stage.tubes}
    found: dict[SignalPath, None] = {}
    for drive in facts.couplings.drives:
        source = home.get(drive.source, "")
        target = home.get(drive.target, "")
        if target and source != target and (source or not drive.source):
            via = drive.via or _series(facts, drive)
            path = SignalPath(source, target, _how(facts, drive), via, drive.electrode, drive.pin)
            found[path] = None
    order = _order(stages, tuple(found), _serves(facts, home))
    place = {name: index for index, name in enumerate(order)}
    paths = sorted(
        found, key=lambda path: (place[path.target], place.get(path.source, -1), path.via)
    )
    return order, tuple(paths)


def _how(facts: Facts, drive: Drive) -> str:
    if drive.direct:
        return "direct"
    if any(ref in facts.wiring.coupled for ref in drive.via):
        return "transformer"
    return "capacitor" if len(drive.via) == 1 else "network"


def _series(facts: Facts, drive: Drive) -> tuple[str, ...]:
    """Return the resistors between a directly coupled grid and what drives it."""
    grid = facts.grids[drive.target]
    inward = {far: (near, ref) for ref, (near, far) in grid.series.items()}
    around = facts.around
    net = next(
        (
            net
            for net in inward
            if around.plates.get(net) == drive.source
            or drive.source in around.cathodes.get(net, ())
        ),
        grid.net,
    )
    found: list[str] = []
    while net in inward and net != grid.net:
        net, ref = inward.pop(net)
        found.append(ref)
    return tuple(found)


def _serves(facts: Facts, home: dict[str, str]) -> dict[str, str]:
    """Return the stage above each stage that other tubes stand on."""
    return {
        home[lower]: home[upper]
        for upper, circuit in facts.cathodes.items()
        for lower in circuit.stands_on
        if lower in home and upper in home and home[lower] != home[upper]
    }


def _order(
    stages: tuple[Stage, ...], paths: tuple[SignalPath, ...], serves: dict[str, str]
) -> tuple[str, ...]:
    """Sort the stages by their longest way from the input."""
    sources: dict[str, set[str]] = {stage.id: set() for stage in stages}
    for path in paths:
        if path.source:
            sources[path.target].add(path.source)
    at_input = {path.target for path in paths if not path.source}
    outputs = {stage.id for stage in stages if stage.is_output}
    moving = {name for path in paths for name in (path.source, path.target)}
    idle = {name for name in serves if name not in moving}
    depth: dict[str, int] = {}
    waiting = sorted(set(sources) - idle, key=natural_key)
    while waiting:
        ready = [name for name in waiting if sources[name] <= set(depth)]
        if not ready:  # a ring: begin where the signal comes in
            ready = [min(waiting, key=lambda name: (name not in at_input, name in outputs))]
        for name in ready:
            known = [depth[source] for source in sources[name] if source in depth]
            depth[name] = max(known, default=-1) + 1
        waiting = [name for name in waiting if name not in depth]
    keys = {name: (level, 1, name in outputs, natural_key(name)) for name, level in depth.items()}
    for name in idle:
        keys[name] = (depth.get(serves[name], 0), 0, False, natural_key(name))
    return tuple(sorted(keys, key=keys.__getitem__))


def input_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of input sources."""
    for ref in facts.wiring.inputs:
        part = facts.wiring[ref]
        reached = [drive.target for drive in facts.couplings.drives if drive.source == ""]
        grids = (
            f", its signal reaches the grid of {', '.join(dict.fromkeys(reached))}"
            if reached
            else ""
        )
        how = "noted as the input" if part.note.is_input else "a source that leads to a grid first"
        yield Role(ref, RoleName.INPUT_SOURCE, part.nets[0], how + grids)


def coupling_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of capacitors between a signal source and a grid."""
    for found in facts.couplings.capacitors:
        yield from _capacitor_role(facts, found)


def _capacitor_role(facts: Facts, found: CouplingCapacitor) -> Iterator[Role]:
    grids = " and ".join(found.targets)
    pin = found.pin
    stoppers = _stoppers(facts.grids[found.targets[0]], found.feeds)
    way = f" through {' and '.join(stoppers)}" if stoppers else ""
    if not found.source:
        why = f"joins the input to the {pin} of {grids}{way}"
        nets = (found.source_net, found.feeds)
        for tube in found.targets:
            yield Role(found.part, RoleName.INPUT_CAPACITOR, tube, why, 1.0, *nets)
        return
    blocks = "B+" if found.electrode == "plate" else "the cathode's voltage"
    why = (
        f"joins the {found.electrode} of {found.source} to the {pin} of {grids}{way}; "
        f"keeps {blocks} off that {pin}"
    )
    yield Role(
        found.part,
        RoleName.COUPLING_CAPACITOR,
        found.source,
        why,
        source_net=found.source_net,
        feeds=found.feeds,
    )


def _stoppers(grid: GridCircuit, feeds: str) -> list[str]:
    """Return the resistors from a net inward to the grid."""
    inward = {far: (near, ref) for ref, (near, far) in grid.series.items()}
    found: list[str] = []
    net = feeds
    while net in inward and net != grid.net:
        net, ref = inward[net]
        if ref in found:
            break
        found.append(ref)
    return found


def network_roles(
    facts: Facts, stages: tuple[Stage, ...], taken: Collection[str]
) -> Iterator[Role]:
    """Yield the roles of networks between stages and at a preamplifier's output."""
    output = {tube for stage in stages if stage.is_output for tube in stage.tubes}
    fed_back = feedback_nets(facts)
    for network in facts.couplings.networks:
        if network.grids:
            yield from _interstage(facts, network, taken)
        elif (
            network.source
            and network.source not in output
            and network.source_net not in fed_back
            and not facts.couplings.out_of(network.source, network.electrode)
        ):
            yield from _output(facts, network, taken)


def _interstage(facts: Facts, network: Network, taken: Collection[str]) -> Iterator[Role]:
    grids = " and ".join(network.grids)
    nets = (network.source_net, network.feeds)
    if network.first not in taken:
        origin = f"the {network.electrode} of {network.source}" if network.source else "the input"
        why = f"joins {origin} to the network that leads to the grid of {grids}"
        if network.source:
            yield Role(network.first, RoleName.COUPLING_CAPACITOR, network.source, why, 0.9, *nets)
        else:
            for tube in network.grids:
                yield Role(network.first, RoleName.INPUT_CAPACITOR, tube, why, 0.9, *nets)
    for ref in network.parts:
        if ref in taken:
            continue
        part = facts.wiring[ref]
        why = f"in the network that leads to the grid of {grids}"
        name = (
            RoleName.INTERSTAGE_CAPACITOR
            if part.kind == "capacitor"
            else RoleName.INTERSTAGE_RESISTOR
        )
        if part.note.pot:
            name = RoleName.VOLUME_CONTROL
        for tube in network.grids:
            yield Role(ref, name, tube, why, 0.8)


def _output(facts: Facts, network: Network, taken: Collection[str]) -> Iterator[Role]:
    if network.first not in taken:
        why = f"brings the signal of the {network.electrode} of {network.source} out"
        yield Role(
            network.first,
            RoleName.OUTPUT_CAPACITOR,
            network.source,
            why,
            0.8,
            source_net=network.source_net,
            feeds=network.feeds,
        )
    for ref in network.parts:
        if ref in taken:
            continue
        part = facts.wiring[ref]
        why = f"at the output behind {network.first}; no grid follows"
        if part.kind == "capacitor":
            yield Role(ref, RoleName.INTERSTAGE_CAPACITOR, network.source, why, 0.7)
        else:
            name = RoleName.VOLUME_CONTROL if part.note.pot else RoleName.OUTPUT_LOAD
            yield Role(ref, name, network.source, why, 0.8)
