"""Pairs on one tail and phase inverters of two tubes.

Comes in: `Facts` and the stages found so far.  Goes out: the `Stage` of two tubes
that share a tail (long-tailed pair, balanced pair, cathode-coupled amplifier), and
of two amplifiers of which one turns the other's signal round (paraphase).  A
paraphase floats where the second grid hangs between both outputs: it then takes the
difference of the two, and holds it small.
"""

from __future__ import annotations

from netcheck.circuit.model import natural_key
from netcheck.roles.base import Alternative, Stage
from netcheck.roles.facts import Facts
from netcheck.roles.stage_making import make_stage, named_net

PAIR = 2


def pair_stage(facts: Facts, first: str, second: str) -> Stage | None:
    """Return the stage of two tubes that share a tail, if they work as one."""
    circuit = facts.cathodes[first]
    below = [ref for ref in circuit.stands_on if ref in facts.cathodes[second].stands_on]
    tail = ", ".join((*circuit.shared, *below))
    if _shared_bypass(facts, first, second) or not tail:
        return None
    if any(_drives(facts, *order) for order in ((first, second), (second, first))):
        return None
    driven = [
        tube
        for tube in (first, second)
        if any(drive.source not in (first, second) for drive in facts.couplings.into(tube))
    ]
    ends = " and ".join(named_net(net) for net in circuit.returns)
    way = f" to {ends}" if ends else ", a tube that sets the current"
    shared = f"the cathodes of {first} and {second} share the tail {tail}{way}"
    if len(driven) == PAIR:
        return _both_driven(facts, first, second, shared)
    other = second if driven == [first] else first
    grounded = facts.grids[other].ac_grounded or bool(facts.grids[other].held)
    rests = tuple(facts.grids[other].leaks.values())
    evidence: tuple[str, ...] = (
        shared,
        f"{driven[0]} is driven at the grid"
        if driven
        else "neither grid is driven by another stage",
        f"the grid of {other} is held at signal ground"
        if grounded
        else f"the grid of {other} returns to {named_net(rests[0])} and nothing drives it"
        if rests
        else f"nothing drives the grid of {other}",
    )
    both = (first, second)
    if driven and facts.plates[driven[0]].kind == "rail":
        evidence = (*evidence, f"the plate of {driven[0]} is on B+: only {other} gives the signal")
        return make_stage(facts, "voltage_amplifier", both, evidence, 1.0, "cathode_coupled")
    one = [tube for tube in both if facts.takes_signal(tube, "plate")]
    others: tuple[Alternative, ...] = ()
    if len(one) == 1:
        why = f"only the plate of {one[0]} gives the signal"
        others = (Alternative("voltage_amplifier", "cathode_coupled", 0.4, why),)
    sure = (1.0 if driven and (grounded or rests) else 0.8) - (0.2 if others else 0.0)
    return make_stage(
        facts, "phase_inverter", both, evidence, sure, "long_tailed_pair", alternatives=others
    )


def _shared_bypass(facts: Facts, first: str, second: str) -> bool:
    """Say whether a capacitor holds what two cathodes share at signal ground."""
    circuit = facts.cathodes[first]
    shared = set(circuit.nets) & set(facts.cathodes[second].nets)
    return any(
        net in shared and facts.supply.quiet(facts.wiring[ref].other_net(net))
        for ref in circuit.bypass
        for net in facts.wiring[ref].nets
    )


def _drives(facts: Facts, first: str, second: str) -> bool:
    """Say whether the plate of one tube drives the grid of the other."""
    return any(
        drive.source == first and drive.electrode == "plate"
        for drive in facts.couplings.into(second)
    )


def _both_driven(facts: Facts, first: str, second: str, shared: str) -> Stage:
    sources = [
        {(drive.source, drive.electrode) for drive in facts.couplings.into(tube)}
        for tube in (first, second)
    ]
    others: tuple[Alternative, ...] = ()
    if not all(source for pair in sources for source, _ in pair):
        why = "the input reaches one grid; the other may only receive feedback"
        others = (Alternative("phase_inverter", "long_tailed_pair", 0.3, why),)
    evidence = (shared, "both grids are driven")
    return make_stage(
        facts,
        "voltage_amplifier",
        (first, second),
        evidence,
        0.9,
        "balanced_pair",
        alternatives=others,
    )


def join_paraphase(facts: Facts, outputs: list[Stage], small: list[Stage]) -> list[Stage]:
    """Join two amplifiers into a paraphase where one drives the other.

    Each drives its own side of a push-pull stage, and the second takes its
    signal from the first.
    """
    by_tube = {stage.tubes[0]: stage for stage in small if len(stage.tubes) == 1}
    for output in outputs:
        if output.sides is None:
            continue
        drivers = [_driver_of(facts, side) for side in output.sides]
        if None in drivers or drivers[0] == drivers[1]:
            continue
        for order in ((0, 1), (1, 0)):
            first, second = (drivers[index] for index in order)
            if first not in by_tube or second not in by_tube:
                continue
            stages = (by_tube[first], by_tube[second])
            follows = any(drive.source == first for drive in facts.couplings.into(second))
            if follows and all(stage.kind == "voltage_amplifier" for stage in stages):
                pair = _paraphase(facts, first, second, output.sides[order[1]])
                small = [*(stage for stage in small if stage not in stages), pair]
                break
    return small


def _paraphase(facts: Facts, first: str, second: str, side: tuple[str, ...]) -> Stage:
    """Return the paraphase whose second tube drives `side`."""
    floating = _hangs_on(facts, second, side)
    how = "floating_paraphase" if floating else "paraphase"
    evidence = [
        f"{first} and {second} each drive one side, and {second} takes its signal from {first}"
    ]
    if floating:
        evidence.append(f"the grid of {second} hangs between both outputs")
    return make_stage(facts, "phase_inverter", (first, second), tuple(evidence), 0.9, how)


def _hangs_on(facts: Facts, tube: str, side: tuple[str, ...]) -> bool:
    """Say whether a grid is joined to the grids that its own plate drives."""
    grid = facts.grids[tube]
    if set(grid.siblings) & set(side):
        return True
    relays = {
        facts.wiring[found.part].other_net(found.feeds)
        for found in facts.couplings.capacitors
        if tube in found.targets and found.pin == "grid"
    }
    own = {net for ref in side for net in facts.grids[ref].nets}
    return bool(relays & own) or bool(grid.local)


def _driver_of(facts: Facts, side: tuple[str, ...]) -> str | None:
    sources = {
        drive.source
        for tube in side
        for drive in facts.couplings.into(tube)
        if drive.source and drive.source not in side
    }
    return min(sources, key=natural_key) if sources else None
