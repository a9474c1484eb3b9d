"""Roles of the positive supply: sources, droppers, chokes, capacitors, bleeders.

Comes in: `Facts`.  Goes out: roles, and the B+ chain from the source outward.  A
divider from B+ that nothing but grid leaks hangs on is a bias divider, not a rail.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.base import Role
from netcheck.roles.facts import Facts
from netcheck.roles.rails import rectifiers
from netcheck.roles.table import RoleName
from netcheck.roles.wiring import is_alternating


def elevated_nets(facts: Facts) -> frozenset[str]:
    """Return positive nets that only lift grids."""
    supply = facts.supply
    leak_ends = {net for grid in facts.grids.values() for net in grid.leaks.values()}
    feeding = {feed.rail for feed in facts.plates.values()}
    feeding |= {screen.source for screen in facts.screens.values()}
    feeding |= {near for near, _ in supply.droppers.values()}
    return frozenset(
        net
        for net in supply.positive
        if net in leak_ends and net not in feeding and net not in supply.seeds
    )


def rail_chain(facts: Facts) -> tuple[str, ...]:
    """Return the B+ nets from the source outward."""
    other = elevated_nets(facts) | {heater.lift for heater in facts.heaters}
    return tuple(net for net in facts.supply.positive if net not in other)


def supply_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of the positive supply's parts and of the sources."""
    lifted = elevated_nets(facts)
    heaters = {heater.lift for heater in facts.heaters}
    yield from _source_roles(facts)
    first = first_nets(facts)
    for ref, (near, far) in facts.supply.droppers.items():
        if near in facts.supply.positive and far not in heaters:
            lonely = near in first and far in first
            yield from _dropper_roles(facts.wiring[ref], near, far, far in lifted, lonely)
    for net in facts.supply.positive:
        if net not in heaters:
            yield from _shunt_roles(facts, net, net in first, net in lifted)
    yield from _rectifier_roles(facts)


def first_nets(facts: Facts) -> frozenset[str]:
    """Return the nets from each source to the first that more than one part leaves.

    On the way are only parts in one chain: the source's resistance, a rectifier, a
    fuse.  The capacitor at the end of the chain is the reservoir.
    """
    onward: dict[str, list[str]] = {}
    for ref, (near, _) in facts.supply.droppers.items():
        onward.setdefault(near, []).append(ref)
    found = dict.fromkeys(facts.supply.seeds)
    queue = list(found)
    before: dict[str, str] = {}
    while queue:
        net = queue.pop()
        ways = onward.get(net, [])
        others = [
            part
            for part in facts.wiring.circuit.parts_on[net]
            if part.ref not in (before.get(net), *ways) and part.kind != "voltage_source"
        ]
        far = facts.supply.droppers[ways[0]][1] if len(ways) == 1 else ""
        if far and not others and far not in found:
            found[far] = None
            before[far] = ways[0]
            queue.append(far)
    return frozenset(found)


def _source_roles(facts: Facts) -> Iterator[Role]:
    held = set(facts.supply.positive) | set(facts.supply.negative)
    feeding = set(_tail_returns(facts))
    for part in facts.wiring.circuit.of_kind("voltage_source"):
        if part.ref in facts.wiring.inputs:
            continue
        nets = [net for net in part.nets if net in held]
        if any(heater.source == part.ref for heater in facts.heaters):
            continue
        if is_alternating(part):
            why = f"alternating source between {' and '.join(part.nets)} that drives no grid"
            yield Role(part.ref, RoleName.SUPPLY_SOURCE, part.nets[0], why)
        elif nets and (set(nets) & set(facts.supply.positive) or set(nets) & feeding):
            sign = "B+" if nets[0] in facts.supply.positive else "a negative supply"
            yield Role(
                part.ref,
                RoleName.SUPPLY_SOURCE,
                nets[0],
                f"direct voltage source of {sign} at {nets[0]}",
            )


def _tail_returns(facts: Facts) -> Iterator[str]:
    """Yield the negative nets that carry cathode currents, and all behind them."""
    for circuit in facts.cathodes.values():
        for net in circuit.returns:
            if net in facts.supply.negative:
                source = facts.supply.source_of[net]
                yield from (
                    other
                    for other in facts.supply.negative
                    if facts.supply.source_of[other] == source
                )


def _dropper_roles(part: Part, near: str, far: str, lifted: bool, source: bool) -> Iterator[Role]:
    """Yield the role of a part between two rails."""
    if lifted:
        why = f"upper leg of the divider from {near} that lifts the grids at {far}"
        yield Role(part.ref, RoleName.BIAS_DIVIDER, far, why)
    elif part.note.fuse_a or part.note.is_lamp:
        return  # said by its note
    elif part.kind == "inductor":
        yield Role(
            part.ref, RoleName.RAIL_CHOKE, far, f"smooths B+ on its way from {near} to {far}"
        )
    elif part.kind == "diode" and part.nets[0] == near:
        yield Role(
            part.ref, RoleName.RECTIFIER_DIODE, far, f"passes B+ one way from {near} to {far}"
        )
    elif part.kind == "diode":
        why = f"drops its own breakdown voltage from {near} to {far}"
        yield Role(part.ref, RoleName.REGULATOR_DIODE, far, why, 0.9)
    elif part.kind == "transistor":
        why = f"passes the current of {far} on from {near} and holds its voltage"
        yield Role(part.ref, RoleName.REGULATOR_TRANSISTOR, far, why)
    elif part.kind == "tube":
        return  # a rectifier, or a regulator's tube: a stage
    elif source:
        why = f"stands between the source at {near} and everything it feeds at {far}"
        yield Role(part.ref, RoleName.SUPPLY_RESISTANCE, far, why)
    else:
        yield Role(part.ref, RoleName.RAIL_DROPPER, far, f"drops B+ from {near} to {far}")


def _shunt_roles(facts: Facts, net: str, first: bool, lifted: bool) -> Iterator[Role]:
    for part in facts.wiring.on(net, "capacitor", "resistor"):
        far = part.other_net(net)
        returned = far == GROUND or far in facts.supply.positive or far in facts.supply.back
        if part.kind == "capacitor" and returned:
            if lifted:
                why = f"holds the grid bias at {net} steady"
                yield Role(part.ref, RoleName.BIAS_FILTER_CAPACITOR, net, why)
            elif first:
                yield Role(
                    part.ref, RoleName.RESERVOIR_CAPACITOR, net, f"first capacitor of B+, at {net}"
                )
            else:
                yield Role(
                    part.ref, RoleName.DECOUPLING_CAPACITOR, net, f"holds the rail {net} steady"
                )
        elif part.kind == "resistor" and far == GROUND and not part.note.is_lamp:
            if lifted:
                why = f"lower leg of the divider that lifts the grids at {net}"
                yield Role(part.ref, RoleName.BIAS_DIVIDER, net, why)
            else:
                yield Role(part.ref, RoleName.BLEEDER, net, f"loads the rail {net} to ground")


def _rectifier_roles(facts: Facts) -> Iterator[Role]:
    seeds = facts.supply.seeds
    for part, anode, cathode in rectifiers(facts.wiring):
        if part.kind == "tube":
            why = f"has no grid and passes current from {anode} to {cathode}"
            yield Role(part.ref, RoleName.RECTIFIER_TUBE, cathode, why)
        elif cathode in seeds or anode in seeds:
            net = cathode if cathode in seeds else anode
            yield Role(part.ref, RoleName.RECTIFIER_DIODE, net, f"charges the supply net {net}")
