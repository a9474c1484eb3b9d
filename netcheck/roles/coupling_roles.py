"""Roles of coupling capacitors, the networks behind them, and input sources.

Comes in: `Facts` and the stages.  Goes out: roles.  `of` is the tube whose plate or
cathode feeds the capacitor, `source_net` that side's net, `feeds` the net on the
grid's side: a leak through the capacitor lifts the latter toward the former.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from netcheck.roles.base import Role, Stage
from netcheck.roles.coupling import Network
from netcheck.roles.drives import CouplingCapacitor
from netcheck.roles.facts import Facts
from netcheck.roles.feedback import feedback_nets
from netcheck.roles.grids import GridCircuit


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
        yield Role(ref, "input_source", part.nets[0], how + grids)


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
            yield Role(found.part, "input_capacitor", tube, why, 1.0, *nets)
        return
    blocks = "B+" if found.electrode == "plate" else "the cathode's voltage"
    why = (
        f"joins the {found.electrode} of {found.source} to the {pin} of {grids}{way}; "
        f"keeps {blocks} off that {pin}"
    )
    yield Role(
        found.part,
        "coupling_capacitor",
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
            yield Role(network.first, "coupling_capacitor", network.source, why, 0.9, *nets)
        else:
            for tube in network.grids:
                yield Role(network.first, "input_capacitor", tube, why, 0.9, *nets)
    for ref in network.parts:
        if ref in taken:
            continue
        part = facts.wiring[ref]
        why = f"in the network that leads to the grid of {grids}"
        name = "volume_control" if part.note.pot else f"interstage_{part.kind}"
        for tube in network.grids:
            yield Role(ref, name, tube, why, 0.8)


def _output(facts: Facts, network: Network, taken: Collection[str]) -> Iterator[Role]:
    if network.first not in taken:
        why = f"brings the signal of the {network.electrode} of {network.source} out"
        yield Role(
            network.first,
            "output_capacitor",
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
            yield Role(ref, "interstage_capacitor", network.source, why, 0.7)
        else:
            name = "volume_control" if part.note.pot else "output_load"
            yield Role(ref, name, network.source, why, 0.8)
