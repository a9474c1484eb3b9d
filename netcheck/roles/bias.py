"""Bias supplies: the negative source, its divider and pots, and whom it biases.

Comes in: `Facts`.  Goes out: one `BiasSupply` for every net where grid leaks meet a
negative supply (a pot for each tube makes a supply for each), and the roles of the
parts between source, feed and ground.  Two resistors joined by a `pot=` note are
the halves of a pot; what each pot does is read in `adjusters.py`.  A resistor straight
across the source loads it and sets no bias.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import GROUND, Part
from netcheck.roles.adjusters import bias_adjusters
from netcheck.roles.base import Adjuster, BiasSupply, Role
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
    adjusters: list[Adjuster] = []
    for source in dict.fromkeys(facts.supply.source_of[net] for net in feeds):
        own = {
            net: tuple(tubes)
            for net, tubes in feeds.items()
            if facts.supply.source_of[net] == source
        }
        network = {part.ref: part for net in own for part in _network(facts, net, set())}
        parts = [part for part in facts.wiring.circuit if part.ref in network]
        adjusters += bias_adjusters(facts, source, own, parts)
    return tuple(
        _supply(facts, net, tuple(feeds[net]), set(feeds) - {net}, adjusters)
        for net in facts.supply.negative
        if net in feeds
    )


def _supply(
    facts: Facts, feed: str, tubes: tuple[str, ...], others: set[str], adjusters: list[Adjuster]
) -> BiasSupply:
    parts = {part.ref: part for part in _network(facts, feed, others)}
    acting = [each for each in adjusters if feed in each.range_v and set(each.parts) & set(parts)]
    # The one that sets all tubes before the one that trims this one.
    setting = sorted(
        (each for each in acting if each.kind != "balance"), key=lambda each: each.kind != "bias"
    )
    pot = setting[0].parts if setting else ()
    rest = tuple(ref for ref in parts if ref not in pot)
    source = facts.supply.source_of[feed]
    return BiasSupply(source, feed, tubes, pot, rest, tuple(acting))


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
            if (far == GROUND and not _is_held(facts, net)) or far in nets:
                found[part.ref] = part
            if far in nets and far not in reached:
                reached.add(far)
                queue.append(far)
    return [part for part in facts.wiring.circuit if part.ref in found]


def _is_held(facts: Facts, net: str) -> bool:
    """Say whether a source holds a net to ground, whatever loads it."""
    source = facts.wiring[facts.supply.source_of[net]]
    return source.kind == "voltage_source" and set(source.nets) == {net, GROUND}


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
    yield from _cell_roles(facts)
    act = {ref: each for bias in supplies for each in bias.adjusters for ref in each.parts}
    sources = {bias.source for bias in supplies}
    for net in facts.supply.negative:
        biases = facts.supply.source_of[net] in sources
        for part in facts.wiring.on(net, "resistor", "capacitor", "inductor", "diode"):
            for feed in feeds_of.get(part.ref, [net]):
                if part.ref in act:
                    yield _pot_role(part, act[part.ref], feed)
                else:
                    yield from _part_roles(facts, part, net, feed, biases)


def _cell_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of cells in grid circuits and under cathodes."""
    for tube, grid in facts.grids.items():
        for ref in grid.cells:
            why = f"cell in series with the grid of {tube}"
            yield Role(ref, "bias_source", tube, why)
    for net, ref in facts.supply.cells.items():
        for tube in facts.wiring.at(net, "cathode"):
            why = f"cell that holds the cathode of {tube} above ground"
            yield Role(ref, "bias_source", tube, why)


def _pot_role(part: Part, adjuster: Adjuster, feed: str) -> Role:
    side = part.note.pot_side or "one"
    does = {
        "balance": f"shifts bias between {' and '.join(adjuster.range_v)}",
        "trim": f"trims the bias of {' and '.join(adjuster.tubes)} alone, at {feed}",
    }.get(adjuster.kind, f"sets the bias at {feed}")
    return Role(part.ref, "bias_pot", feed, f"{side} half of the pot {adjuster.pot} that {does}")


def _part_roles(facts: Facts, part: Part, net: str, feed: str, biases: bool) -> Iterator[Role]:
    far = part.other_net(net)
    if not facts.supply.quiet(far) or part.ref in facts.wiring.coupled:
        return
    if part.kind == "capacitor":
        if far in facts.supply.positive:
            return  # across the B+ source: its reservoir
        name = "bias_filter_capacitor" if biases else "decoupling_capacitor"
        yield Role(part.ref, name, net, f"holds the negative supply net {net} steady")
    elif part.kind == "diode":
        if far == GROUND:
            why = f"holds the negative supply net {net} at its own voltage"
            yield Role(part.ref, "regulator_diode", net, why, 0.9)
        else:
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
        if _is_held(facts, net):
            why = f"lies across the negative supply at {net} and sets no bias"
            yield Role(part.ref, "bleeder", net, why)
        elif net in facts.supply.back:
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
