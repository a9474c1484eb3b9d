"""Plate and screen feeds: what brings B+ to each electrode.

Comes in: wiring, supply, transformers, cathode circuits.  Goes out: one `PlateFeed`
a tube and one `ScreenFeed` a pentode.  From the plate the walk goes through
resistors, chokes and current sources over plain nets that lead on to a positive
rail.  The nets passed belong to the plate's signal: a coupling capacitor may hang
on any of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from netcheck.circuit.model import GROUND, Part, PartKind
from netcheck.roles.cathodes import LONGEST_CHAIN, CathodeCircuit
from netcheck.roles.rails import Supply
from netcheck.roles.transformers import MAX_STOPPER_OHM, Transformer
from netcheck.roles.wiring import Wiring

FEED_KINDS: tuple[PartKind, ...] = ("resistor", "inductor", "current_source")
STOPPER_SHARE = 0.1
"""A series resistor below this share of the load beyond it is a stopper."""


@dataclass(frozen=True, slots=True)
class PlateFeed:
    """How one plate is fed.

    kind: rail (straight on B+), load (resistor or current source), choke,
    winding, stacked (through another tube) or unfed.  rail: the net it comes
    from.  parts: ref to its nets, nearer the plate first.  nets: signal nets
    at the plate.  above: the tube a stacked plate hangs on.
    """

    tube: str
    net: str
    kind: str
    rail: str
    parts: Mapping[str, tuple[str, str]]
    nets: tuple[str, ...]
    above: str = ""


@dataclass(frozen=True, slots=True)
class ScreenFeed:
    """How one screen is fed.

    kind: rail, plate (triode strapped), tap (ultralinear), resistor, unfed.
    parts: resistors in the feed.  source: the net it comes from.
    """

    tube: str
    net: str
    kind: str
    source: str
    parts: tuple[str, ...] = ()


def find_plates(
    wiring: Wiring,
    supply: Supply,
    transformers: tuple[Transformer, ...],
    cathodes: Mapping[str, CathodeCircuit],
) -> Mapping[str, PlateFeed]:
    """Find the plate feed of every tube."""
    cathode_nets: dict[str, str] = {}
    above: dict[str, str] = {}
    for circuit in cathodes.values():
        for net in circuit.nets:
            cathode_nets.setdefault(net, circuit.tube)
        for lower in circuit.stands_on:
            above.setdefault(lower, circuit.tube)
    return {
        tube.ref: _plate(wiring, supply, transformers, cathode_nets, above, tube.ref)
        for tube in wiring.tubes
    }


def _plate(
    wiring: Wiring,
    supply: Supply,
    transformers: tuple[Transformer, ...],
    cathode_nets: Mapping[str, str],
    stood_on: Mapping[str, str],
    ref: str,
) -> PlateFeed:
    plate = wiring[ref].net("plate")
    if supply.quiet(plate):
        return PlateFeed(ref, plate, "rail", plate, {}, ())
    for transformer in transformers:
        path = transformer.paths.get(ref)
        at_plate = ref not in transformer.parafeed and ref not in transformer.from_cathode
        if path and at_plate:
            nets = tuple(dict.fromkeys((plate, transformer.entry[ref])))
            return PlateFeed(ref, plate, "winding", transformer.center_tap, {}, nets)
    nets, parts, rails = _feed_walk(wiring, supply, plate)
    above = stood_on.get(ref, "") or next(
        (
            cathode_nets[net]
            for net in (plate, *(far for _, far in wiring.dc_arms(plate)))
            if cathode_nets.get(net, ref) != ref
        ),
        "",
    )
    kind = "unfed"
    if rails:
        kind = "choke" if any(wiring[p].kind == "inductor" for p in parts) else "load"
    elif above:
        kind = "stacked"
    return PlateFeed(ref, plate, kind, rails[0] if rails else "", parts, nets, above)


def _feed_walk(
    wiring: Wiring, supply: Supply, plate: str
) -> tuple[tuple[str, ...], dict[str, tuple[str, str]], list[str]]:
    """Walk from a plate to the rails that feed it."""
    nets = [plate]
    parts: dict[str, tuple[str, str]] = {}
    rails: list[str] = []
    leads: dict[str, bool] = {}

    def leads_up(net: str, seen: frozenset[str]) -> bool:
        if net in supply.positive:
            return True
        barrier = supply.quiet(net) or net in wiring.electrodes or net in wiring.input_nets
        if barrier or len(seen) > LONGEST_CHAIN:
            return False
        if net not in leads:
            leads[net] = any(
                leads_up(far, seen | {net}) for _, far in _arms(wiring, net) if far not in seen
            )
        return leads[net]

    waiting = [plate]
    while waiting:
        net = waiting.pop()
        for part, far in _arms(wiring, net):
            if part.ref in parts or not leads_up(far, frozenset(nets)):
                continue
            parts[part.ref] = (net, far)
            if far in supply.positive:
                rails.append(far)
            elif far not in nets:
                nets.append(far)
                waiting.append(far)
    return tuple(nets), parts, rails


def _arms(wiring: Wiring, net: str) -> tuple[tuple[Part, str], ...]:
    return tuple(
        (part, part.other_net(net))
        for part in wiring.on(net, *FEED_KINDS)
        if part.ref not in wiring.coupled
    )


def is_plate_stopper(wiring: Wiring, feed: PlateFeed, ref: str) -> bool:
    """Say whether a part of a plate feed is a small stopper before the load."""
    near, far = feed.parts[ref]
    if near != feed.net or far in (feed.rail, GROUND):
        return False
    beyond = sum(wiring[other].value or 0.0 for other in feed.parts if other != ref)
    ohm = wiring[ref].value or 0.0
    return wiring[ref].kind == "resistor" and ohm <= STOPPER_SHARE * beyond


def find_screens(
    wiring: Wiring,
    supply: Supply,
    transformers: tuple[Transformer, ...],
    plates: Mapping[str, PlateFeed],
) -> Mapping[str, ScreenFeed]:
    """Find the screen feed of every pentode."""
    taps = {tube: tap for transformer in transformers for tube, tap in transformer.taps.items()}
    return {
        tube.ref: _screen(wiring, supply, plates[tube.ref], taps.get(tube.ref, ""), tube.ref)
        for tube in wiring.tubes
        if tube.has_pin("screen")
    }


def _screen(wiring: Wiring, supply: Supply, plate: PlateFeed, tap: str, ref: str) -> ScreenFeed:
    net = wiring[ref].net("screen")
    plate_nets = (plate.net, *plate.nets)
    if net in plate_nets:
        return ScreenFeed(ref, net, "plate", plate.net)
    if net == tap:
        return ScreenFeed(ref, net, "tap", tap)
    if supply.quiet(net):  # at ground or below where the cathode is lower still
        return ScreenFeed(ref, net, "rail", net)
    arms = [(part, far) for part, far in wiring.dc_arms(net) if part.kind == "resistor"]
    for kind, goals in (
        ("plate", plate_nets),
        ("tap", (tap,)),
        ("resistor", supply.positive),
    ):
        found = [
            (part.ref, far)
            for part, far in arms
            if far in goals and (kind != "plate" or (part.value or 0.0) <= MAX_STOPPER_OHM)
        ]
        if found:
            return ScreenFeed(ref, net, kind, found[0][1], tuple(part for part, _ in found))
    return _distant_screen(wiring, supply, ref, net)


def _distant_screen(wiring: Wiring, supply: Supply, ref: str, net: str) -> ScreenFeed:
    """Follow a screen feed of a stopper and a common resistor to a rail."""
    for stopper, middle in wiring.dc_arms(net):
        if middle in wiring.electrodes and not wiring.at(middle, "screen"):
            continue
        for part, far in wiring.dc_arms(middle):
            if far in supply.positive and part.ref != stopper.ref:
                return ScreenFeed(ref, net, "resistor", far, (stopper.ref, part.ref))
    return ScreenFeed(ref, net, "unfed", "")
