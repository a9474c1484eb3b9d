"""Bias supplies: the negative source, its divider and pot, and whom it biases.

Comes in: `Facts`.  Goes out: one `BiasSupply` for every net where grid leaks meet a
negative supply (a pot for each tube makes a supply for each), and the roles of the
parts between source, feed and ground.  Two resistors joined by a `pot=` note are
the halves of a pot.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.base import BiasSupply, Role
from netcheck.roles.bias_kind import negative_return
from netcheck.roles.facts import Facts


def find_bias_supplies(facts: Facts) -> tuple[BiasSupply, ...]:
    """Return the bias supplies in the order of their nets from the source.

    Back bias is among them, with the B+ source as its source.
    """
    feeds: dict[str, list[str]] = {}
    for tube in facts.wiring.tubes:
        net = negative_return(facts, tube.ref)
        if net:
            feeds.setdefault(net, []).append(tube.ref)
    return tuple(
        _supply(facts, net, tuple(feeds[net]), set(feeds) - {net})
        for net in facts.supply.negative
        if net in feeds
    )


def _supply(facts: Facts, feed: str, tubes: tuple[str, ...], others: set[str]) -> BiasSupply:
    parts = _network(facts, feed, others)
    pot = sorted(
        (part for part in parts if part.note.pot),
        key=lambda part: part.note.pot_side != "upper",
    )
    rest = tuple(part.ref for part in parts if not part.note.pot)
    source = facts.supply.source_of[feed]
    return BiasSupply(source, feed, tubes, tuple(part.ref for part in pot), rest)


def _network(facts: Facts, feed: str, others: set[str]) -> list[Part]:
    """Return the resistors between the source, a feed net and ground.

    The nets of other feeds are left out, so that each supply has its own branch
    and what is common to all.
    """
    nets = _same_source(facts, feed) - others
    reached = {feed}
    queue = [feed]
    found: dict[str, Part] = {}
    while queue:
        net = queue.pop()
        for part in facts.wiring.on(net, "resistor"):
            far = part.other_net(net)
            if far == GROUND or far in nets:
                found[part.ref] = part
            if far in nets and far not in reached:
                reached.add(far)
                queue.append(far)
    return [part for part in facts.wiring.circuit if part.ref in found]


def _same_source(facts: Facts, net: str) -> set[str]:
    source = facts.supply.source_of[net]
    return {n for n in facts.supply.negative if facts.supply.source_of[n] == source}


def bias_roles(facts: Facts, supplies: tuple[BiasSupply, ...]) -> Iterator[Role]:
    """Yield the roles of all parts of negative supplies."""
    feeds_of: dict[str, list[str]] = {}
    for bias in supplies:
        for ref in (*bias.pot, *bias.divider):
            feeds_of.setdefault(ref, []).append(bias.feed_net)
        source = facts.wiring[bias.source]
        if source.kind == "voltage_source" and not facts.supply.is_back(bias.feed_net):
            why = f"negative supply that the grid of {' and '.join(bias.tubes)} returns to"
            yield Role(source.ref, "bias_source", bias.feed_net, why)
    sources = {bias.source for bias in supplies}
    for net in facts.supply.negative:
        biases = facts.supply.source_of[net] in sources
        for part in facts.wiring.on(net, "resistor", "capacitor", "inductor", "diode"):
            for feed in feeds_of.get(part.ref, [net]):
                yield from _part_roles(facts, part, net, feed, biases)


def _part_roles(facts: Facts, part: Part, net: str, feed: str, biases: bool) -> Iterator[Role]:
    far = part.other_net(net)
    if not facts.supply.quiet(far) or part.ref in facts.wiring.coupled:
        return
    if part.kind == "capacitor":
        name = "bias_filter_capacitor" if biases else "decoupling_capacitor"
        yield Role(part.ref, name, net, f"holds the negative supply net {net} steady")
    elif part.kind == "diode":
        why = f"passes current between {net} and {far}"
        yield Role(part.ref, "rectifier_diode", net, why)
    elif part.kind == "inductor":
        why = f"smooths the negative supply between {net} and {far}"
        yield Role(part.ref, "rail_choke", net, why)
    elif part.note.pot:
        side = part.note.pot_side or "one"
        why = f"{side} half of the pot {part.note.pot} that sets the bias at {feed}"
        yield Role(part.ref, "bias_pot", feed, why)
    elif far == GROUND:
        if net in facts.supply.back:
            why = f"the return current of the supply drops through it and makes {net} negative"
            yield Role(part.ref, "back_bias_resistor", net, why)
        elif biases:
            why = f"leg of the bias divider from {net} to ground"
            yield Role(part.ref, "bias_divider", feed, why)
        else:
            yield Role(part.ref, "bleeder", net, f"loads the negative supply net {net} to ground")
    elif far in facts.supply.negative:
        name = "bias_series_resistor" if biases else "rail_dropper"
        why = f"stands in the negative supply between {net} and {far}"
        yield Role(part.ref, name, feed, why)
