"""Bias supplies: the negative source, its divider and pots, and whom it biases.

Comes in: `Facts`.  Goes out: one `BiasSupply` for every net where grid leaks meet a
negative supply (a pot for each tube makes a supply for each), and the roles of the
parts between source, feed and ground.  Two resistors joined by a `pot=` note are
the halves of a pot; what each pot does is an `Adjuster`.  A resistor straight across the
source loads it and sets no bias.

What a pot does: a negative supply and its resistors are a linear network, and grids take
no current, so the volts at every feed follow from the wiper's place.  A pot that moves the
feeds of all tubes of one source the same way sets the bias; one that lifts some and lowers
others is a balance control; one that reaches only some is a trim.  (Ohm's and Kirchhoff's
laws; nodal analysis.)

How a tube is biased (cathode, fixed, mixed, grid_leak, back, direct or unknown, with the
evidence) is read from where grid and cathode return.  A grid that returns to a negative
supply has fixed bias; with a cathode resistor of more than a sense resistor's size
besides, mixed bias.  A grid that sits on another stage's plate is biased by that stage;
one that sits on a cathode follower inherits the follower's supply.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from netcheck.circuit.model import GROUND, Part, natural_key
from netcheck.roles.base import Adjuster, BiasSupply, Role
from netcheck.roles.facts import Facts
from netcheck.roles.table import RoleName
from netcheck.units import six_digits

END_OHM = 1.0
"""What is left of a half when the wiper is at its end."""

STEP = 0.01
"""Share of the track by which a wiper is moved to see what follows."""

MOVED_SHARE = 1e-4
"""A feed that moves less than this share of its volts does not follow a pot."""

HALVES = 2


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
            yield Role(source.ref, RoleName.BIAS_SOURCE, bias.feed_net, why)
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
            yield Role(ref, RoleName.BIAS_SOURCE, tube, why)
    for net, ref in facts.supply.cells.items():
        for tube in facts.wiring.at(net, "cathode"):
            why = f"cell that holds the cathode of {tube} above ground"
            yield Role(ref, RoleName.BIAS_SOURCE, tube, why)


def _pot_role(part: Part, adjuster: Adjuster, feed: str) -> Role:
    side = part.note.pot_side or "one"
    does = {
        "balance": f"shifts bias between {' and '.join(adjuster.range_v)}",
        "trim": f"trims the bias of {' and '.join(adjuster.tubes)} alone, at {feed}",
    }.get(adjuster.kind, f"sets the bias at {feed}")
    return Role(
        part.ref, RoleName.BIAS_POT, feed, f"{side} half of the pot {adjuster.pot} that {does}"
    )


def _part_roles(facts: Facts, part: Part, net: str, feed: str, biases: bool) -> Iterator[Role]:
    far = part.other_net(net)
    if not facts.supply.quiet(far) or part.ref in facts.wiring.coupled:
        return
    if part.kind == "capacitor":
        if far in facts.supply.positive:
            return  # across the B+ source: its reservoir
        name = RoleName.BIAS_FILTER_CAPACITOR if biases else RoleName.DECOUPLING_CAPACITOR
        yield Role(part.ref, name, net, f"holds the negative supply net {net} steady")
    elif part.kind == "diode":
        if far == GROUND:
            why = f"holds the negative supply net {net} at its own voltage"
            yield Role(part.ref, RoleName.REGULATOR_DIODE, net, why, 0.9)
        else:
            why = f"passes current between {net} and {far}"
            yield Role(part.ref, RoleName.RECTIFIER_DIODE, net, why)
    elif part.kind == "inductor":
        why = f"smooths the negative supply between {net} and {far}"
        yield Role(part.ref, RoleName.RAIL_CHOKE, net, why)
    elif part.note.pot:
        side = part.note.pot_side or "one"
        why = f"{side} half of the pot {part.note.pot} that sets the bias at {feed}"
        yield Role(part.ref, RoleName.BIAS_POT, feed, why)
    elif far == GROUND:
        if _is_held(facts, net):
            why = f"lies across the negative supply at {net} and sets no bias"
            yield Role(part.ref, RoleName.BLEEDER, net, why)
        elif net in facts.supply.back:
            why = f"the return current of the supply drops through it and makes {net} negative"
            yield Role(part.ref, RoleName.BACK_BIAS_RESISTOR, net, why)
        elif biases:
            why = f"leg of the bias divider from {net} to ground"
            yield Role(part.ref, RoleName.BIAS_DIVIDER, feed, why)
        else:
            yield Role(
                part.ref, RoleName.BLEEDER, net, f"loads the negative supply net {net} to ground"
            )
    elif far in facts.supply.negative:
        name = RoleName.BIAS_SERIES_RESISTOR if biases else RoleName.RAIL_DROPPER
        why = f"stands in the negative supply between {net} and {far}"
        yield Role(part.ref, name, feed, why)


MAX_SENSE_OHM = 22.0
"""Largest cathode resistor that is only there to read the current (common practice)."""

GRID_LEAK_BIAS_OHM = 1e6
"""Smallest leak by which grid current alone makes a bias (common practice)."""


def negative_return(facts: Facts, tube: str) -> str:
    """Return the negative net a grid gets its bias from, or an empty string.

    The way may lead over a cathode follower whose own grid returns there.
    """
    for net in facts.returns_to(tube):
        if net in facts.supply.negative and net not in facts.cathodes[tube].returns:
            return net
    for source, electrode in facts.grids[tube].direct:
        if electrode == "cathode" and facts.plates[source].kind == "rail" and source != tube:
            for net in facts.returns_to(source):
                if net in facts.supply.negative:
                    return net
    return ""


def held_by_input(facts: Facts, tube: str) -> bool:
    """Say whether the input source itself holds the grid negative."""
    return any((facts.wiring[ref].value or 0.0) < 0 for ref in facts.grids[tube].inputs)


def sense_parts(facts: Facts, tube: str) -> tuple[str, ...]:
    """Return cathode resistors that only read the current of a fixed-bias tube."""
    circuit = facts.cathodes[tube]
    parts = [ref for ref in circuit.parts if ref not in circuit.windings]
    ohm = [facts.wiring[ref].value or 0.0 for ref in parts]
    plain = all(facts.wiring[ref].kind == "resistor" for ref in parts)
    fixed = negative_return(facts, tube) or held_by_input(facts, tube)
    small = ohm and plain and sum(ohm) <= MAX_SENSE_OHM
    return tuple(parts) if fixed and small and GROUND in circuit.returns else ()


def bias_of(facts: Facts, tubes: tuple[str, ...], kind: str) -> tuple[str, tuple[str, ...], float]:
    """Return the bias of a stage, the evidence, and how sure that is."""
    if kind == "regulator":
        net = facts.grids[tubes[0]].net
        return "direct", (f"the grid of {tubes[0]} is held by the net {net}",), 1.0
    found = [_bias(facts, tube, kind) for tube in tubes]
    kinds = list(dict.fromkeys(bias for bias, _, _ in found))
    evidence = tuple(dict.fromkeys(why for _, why, _ in found))
    certain = min(confidence for _, _, confidence in found)
    if len(kinds) == 1:
        return kinds[0], evidence, certain
    # The second grid of a directly coupled pair is held by its own means.
    if "direct" in kinds and kind == "phase_inverter":
        return "direct", evidence, certain
    return kinds[0], (*evidence, "the tubes are not biased alike"), 0.5


def _bias(facts: Facts, tube: str, kind: str) -> tuple[str, str, float]:
    circuit = facts.cathodes[tube]
    carrying = [ref for ref in circuit.parts if ref not in circuit.windings]
    resistor = bool(carrying) and not sense_parts(facts, tube)
    negative = negative_return(facts, tube)
    through = ", ".join(facts.grids[tube].leaks)
    way = f" through {through}" if through else ""
    if negative or held_by_input(facts, tube):
        if negative and facts.supply.is_back(negative):
            return (
                "back",
                f"the grid of {tube} returns to the drop in the supply's return{way}",
                1.0,
            )
        source = f"the negative supply at {negative}" if negative else "the input source"
        load = kind in ("cathode_follower", "phase_inverter")
        if resistor and not load:
            parts = ", ".join(circuit.parts)
            why = f"the grid of {tube} returns to {source}{way}, and {parts} is in the cathode"
            return "mixed", why, 1.0
        return "fixed", f"the grid of {tube} gets its bias from {source}{way}", 1.0
    if cells := facts.grids[tube].cells:
        why = f"{' and '.join(cells)} stands between the grid of {tube} and its leak"
        return ("mixed" if resistor else "fixed"), why, 1.0
    if cell := [facts.supply.cells[net] for net in circuit.returns if net in facts.supply.cells]:
        why = f"{cell[0]} holds the cathode of {tube} above ground"
        return ("mixed" if resistor else "fixed"), why, 1.0
    if facts.grids[tube].direct:
        source, pin = facts.grids[tube].direct[0]
        return "direct", f"the grid of {tube} is on the {pin} of {source} for direct current", 1.0
    if circuit.stands_on and not resistor:
        below = ", ".join(circuit.stands_on)
        return "cathode", f"{below} below sets the current and so the cathode of {tube}", 1.0
    if resistor or circuit.windings:
        parts = ", ".join(circuit.parts)
        return "cathode", f"the current of {tube} through {parts} lifts its cathode", 1.0
    return _without_resistor(facts, tube)


def _without_resistor(facts: Facts, tube: str) -> tuple[str, str, float]:
    grid = facts.grids[tube]
    ohm = sum(
        facts.wiring[ref].value or 0.0 for ref in grid.leaks if facts.wiring[ref].kind == "resistor"
    )
    if facts.cathodes[tube].grounded and grid.leaks and ohm > 0:
        why = f"the cathode of {tube} is grounded and {', '.join(grid.leaks)} returns its grid"
        return "grid_leak", why, 1.0 if ohm >= GRID_LEAK_BIAS_OHM else 0.6
    return "unknown", f"nothing was found that biases {tube}", 0.3


def pots_of(parts: Sequence[Part]) -> Mapping[str, tuple[Part, ...]]:
    """Group resistors with a pot's note by that pot, the upper half first."""
    found: dict[str, list[Part]] = {}
    for part in parts:
        if part.note.pot and part.kind == "resistor":
            found.setdefault(part.note.pot, []).append(part)
    return {
        name: tuple(sorted(halves, key=lambda half: half.note.pot_side != "upper"))
        for name, halves in found.items()
        if len(halves) <= HALVES
    }


def bias_adjusters(
    facts: Facts, source: str, feeds: Mapping[str, tuple[str, ...]], parts: Sequence[Part]
) -> tuple[Adjuster, ...]:
    """Return what each pot of one source's network does; `feeds` has the tubes by net."""
    return tuple(
        _bias_adjuster(facts, source, feeds, parts, halves)
        for _, halves in sorted(pots_of(parts).items(), key=lambda item: natural_key(item[0]))
    )


def _bias_adjuster(
    facts: Facts,
    source: str,
    feeds: Mapping[str, tuple[str, ...]],
    parts: Sequence[Part],
    halves: tuple[Part, ...],
) -> Adjuster:
    here = _volts(facts, source, parts, {})
    moved = _volts(facts, source, parts, _turned(halves, STEP))
    start = _volts(facts, source, parts, _turned(halves, -1.0))
    end = _volts(facts, source, parts, _turned(halves, 1.0))
    change = {net: moved.get(net, 0.0) - here.get(net, 0.0) for net in feeds}
    largest = max(map(abs, change.values()), default=0.0)
    follow = [net for net in feeds if largest and abs(change[net]) > MOVED_SHARE * largest]
    signs = {change[net] > 0 for net in follow}
    kind = "bias" if len(follow) == len(feeds) else "trim"
    if len(signs) == HALVES:
        kind = "balance"
    follow = follow or list(feeds)
    return Adjuster(
        halves[0].note.pot,
        kind,
        tuple(half.ref for half in halves),
        tuple(tube for net in follow for tube in feeds[net]),
        {net: (six_digits(start.get(net, 0.0)), six_digits(end.get(net, 0.0))) for net in follow},
    )


def _turned(halves: tuple[Part, ...], share: float) -> dict[str, float]:
    """Return the halves' ohms with the wiper moved by a share of the track, 1 to its end."""
    track = sum(half.value or 0.0 for half in halves)
    upper = halves[0].value or 0.0
    if len(halves) < HALVES:
        return {halves[0].ref: max(END_OHM, upper * (1.0 + share))}
    at = min(max(upper + share * track, END_OHM), track - END_OHM)
    return {halves[0].ref: at, halves[1].ref: track - at}


def _volts(
    facts: Facts, source: str, parts: Sequence[Part], moved: Mapping[str, float]
) -> Mapping[str, float]:
    """Return the volts at every net of the network that is not held."""
    held = {GROUND: 0.0} | _held(facts, source)
    nets = sorted({net for part in parts for net in part.nets} - set(held), key=natural_key)
    place = {net: index for index, net in enumerate(nets)}
    matrix = np.zeros((len(nets), len(nets)))
    drive = np.zeros(len(nets))
    for part in parts:
        ohm = moved.get(part.ref, part.value or 0.0)
        siemens = 1.0 / max(ohm, END_OHM)
        for near, far in (part.nets, part.nets[::-1]):
            if near not in place:
                continue
            matrix[place[near], place[near]] += siemens
            if far in place:
                matrix[place[near], place[far]] -= siemens
            else:
                drive[place[near]] += siemens * held[far]
    solution = np.linalg.lstsq(matrix, drive, rcond=None)[0] if nets else drive
    return dict(zip(nets, map(float, solution), strict=True)) | held


def _held(facts: Facts, source: str) -> dict[str, float]:
    """Return the net a source holds and its volts; 1 V below ground where unknown."""
    part = facts.wiring[source]
    plus, minus = part.nets[:2]
    known = part.kind == "voltage_source" and GROUND in (plus, minus)
    if known:
        volts = part.value or 0.0
        return {plus: volts} if minus == GROUND else {minus: -volts}
    seeds = facts.supply.seeds | facts.supply.back
    held = [net for net in facts.supply.negative if net in seeds]
    return {net: -1.0 for net in held if facts.supply.source_of[net] == source}


def cathode_adjusters(facts: Facts) -> tuple[Adjuster, ...]:
    """Return the pots in the cathode circuits of tubes."""
    table: dict[str, tuple[tuple[Part, ...], dict[str, None]]] = {}
    for tube, circuit in facts.cathodes.items():
        for name, halves in pots_of([facts.wiring[ref] for ref in circuit.parts]).items():
            table.setdefault(name, (halves, {}))[1][tube] = None
    return tuple(
        Adjuster(name, "cathode", tuple(half.ref for half in halves), tuple(tubes))
        for name, (halves, tubes) in sorted(table.items(), key=lambda item: natural_key(item[0]))
    )
