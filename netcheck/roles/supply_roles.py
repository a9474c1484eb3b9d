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
    lifted = elevated_nets(facts)
    return tuple(net for net in facts.supply.positive if net not in lifted)


def supply_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of the positive supply's parts and of the sources."""
    lifted = elevated_nets(facts)
    yield from _source_roles(facts)
    resistances = {
        ref
        for ref, (near, _) in facts.supply.droppers.items()
        if near in facts.supply.positive and _is_supply_resistance(facts, ref, near)
    }
    for ref, (near, far) in facts.supply.droppers.items():
        if near in facts.supply.positive:
            yield _dropper_role(facts.wiring[ref], near, far, far in lifted, ref in resistances)
    first = facts.supply.seeds | {facts.supply.droppers[ref][1] for ref in resistances}
    for net in facts.supply.positive:
        yield from _shunt_roles(facts, net, net in first, net in lifted)
    yield from _rectifier_roles(facts)


def _source_roles(facts: Facts) -> Iterator[Role]:
    held = set(facts.supply.positive) | set(facts.supply.negative)
    feeding = set(_tail_returns(facts))
    for part in facts.wiring.circuit.of_kind("voltage_source"):
        if part.ref in facts.wiring.inputs:
            continue
        nets = [net for net in part.nets if net in held]
        if is_alternating(part):
            why = f"alternating source between {' and '.join(part.nets)} that drives no grid"
            yield Role(part.ref, "supply_source", part.nets[0], why)
        elif nets and (set(nets) & set(facts.supply.positive) or set(nets) & feeding):
            sign = "B+" if nets[0] in facts.supply.positive else "a negative supply"
            yield Role(
                part.ref, "supply_source", nets[0], f"direct voltage source of {sign} at {nets[0]}"
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


def _is_supply_resistance(facts: Facts, ref: str, near: str) -> bool:
    """Say whether a part is all that hangs on a source: its own resistance."""
    on_it = facts.wiring.circuit.parts_on[near]
    others = [part for part in on_it if part.ref != ref]
    return (
        near in facts.supply.seeds
        and facts.wiring[ref].kind == "resistor"
        and bool(others)
        and all(part.kind == "voltage_source" for part in others)
    )


def _dropper_role(part: Part, near: str, far: str, lifted: bool, source: bool) -> Role:
    if lifted:
        why = f"upper leg of the divider from {near} that lifts the grids at {far}"
        return Role(part.ref, "bias_divider", far, why)
    if part.kind == "inductor":
        return Role(part.ref, "rail_choke", far, f"smooths B+ on its way from {near} to {far}")
    if part.kind == "diode":
        return Role(part.ref, "rectifier_diode", far, f"passes B+ one way from {near} to {far}")
    if source:
        why = f"stands between the source at {near} and everything it feeds at {far}"
        return Role(part.ref, "supply_resistance", far, why)
    return Role(part.ref, "rail_dropper", far, f"drops B+ from {near} to {far}")


def _shunt_roles(facts: Facts, net: str, first: bool, lifted: bool) -> Iterator[Role]:
    for part in facts.wiring.on(net, "capacitor", "resistor"):
        far = part.other_net(net)
        if part.kind == "capacitor" and (far == GROUND or far in facts.supply.positive):
            if lifted:
                why = f"holds the grid bias at {net} steady"
                yield Role(part.ref, "bias_filter_capacitor", net, why)
            elif first:
                yield Role(part.ref, "reservoir_capacitor", net, f"first capacitor of B+, at {net}")
            else:
                yield Role(part.ref, "decoupling_capacitor", net, f"holds the rail {net} steady")
        elif part.kind == "resistor" and far == GROUND:
            if lifted:
                why = f"lower leg of the divider that lifts the grids at {net}"
                yield Role(part.ref, "bias_divider", net, why)
            else:
                yield Role(part.ref, "bleeder", net, f"loads the rail {net} to ground")


def _rectifier_roles(facts: Facts) -> Iterator[Role]:
    seeds = facts.supply.seeds
    for part, anode, cathode in rectifiers(facts.wiring):
        if part.kind == "tube":
            why = f"has no grid and passes current from {anode} to {cathode}"
            yield Role(part.ref, "rectifier_tube", cathode, why)
        elif cathode in seeds or anode in seeds:
            net = cathode if cathode in seeds else anode
            yield Role(part.ref, "rectifier_diode", net, f"charges the supply net {net}")
