"""The making of a `Stage`: its name, its screens, its bias, its evidence; and two tubes as one.

Comes in: `Facts`, the tubes and the kind that was recognised.  Goes out: a `Stage`
that also says how the screens are connected and how the tubes are biased, each with
its evidence; the confidence is that of the least certain of these.

Stacked tubes: one tube's cathode current is the plate current of another.  Which stage
the two make, or whether they stay two, follows from what drives the upper grid:

- nothing: cascode (the upper tube passes the current on and gives the signal);
- the lower plate, directly: shunt-regulated push-pull where the upper cathode gives
  the signal, an active load where the lower plate does;
- the lower plate, over a capacitor: mu follower;
- another stage, while the upper plate drives the lower grid: White follower;
- another stage, while nothing drives the lower grid: the lower tube only sets the
  current.

Two or more cathodes on one plate whose grid is at rest have a current source as
their tail.

Pairs: two tubes that share a tail (long-tailed pair, balanced pair, cathode-coupled
amplifier), and two amplifiers of which one turns the other's signal round (paraphase).  A
paraphase floats where the second grid hangs between both outputs: it then takes the
difference of the two, and holds it small.
"""

from __future__ import annotations

from collections.abc import Collection

from netcheck.circuit.model import GROUND, natural_key
from netcheck.roles.base import Alternative, Stage
from netcheck.roles.bias import bias_of
from netcheck.roles.coupling import Drive
from netcheck.roles.facts import Facts

PAIR = 2


def stage_id(kind: str, tubes: tuple[str, ...]) -> str:
    """Return the stable name of a stage."""
    return f"{kind}({','.join(tubes)})"


def make_stage(
    facts: Facts,
    kind: str,
    tubes: tuple[str, ...],
    evidence: tuple[str, ...],
    confidence: float = 1.0,
    form: str = "",
    alternatives: tuple[Alternative, ...] = (),
    biased_by: tuple[str, ...] = (),
) -> Stage:
    """Return a stage; `biased_by` are the tubes whose bias sets that of all."""
    tubes = tuple(sorted(tubes, key=natural_key))
    connection, certain, screen_evidence = connection_of(facts, tubes)
    bias, bias_evidence, bias_certain = bias_of(facts, biased_by or tubes, kind)
    return Stage(
        stage_id(kind, tubes),
        kind,
        tubes,
        connection,
        bias,
        (*evidence, *screen_evidence, *bias_evidence),
        min(confidence, certain, bias_certain),
        form,
        alternatives=alternatives,
    )


def connection_of(facts: Facts, tubes: tuple[str, ...]) -> tuple[str, float, tuple[str, ...]]:
    """Return how the screens are connected, how sure that is, and why."""
    kinds = {"plate": "triode", "tap": "ultralinear"}
    found: list[str] = []
    evidence: list[str] = []
    for tube in tubes:
        screen = facts.screens.get(tube)
        kind = "triode" if screen is None else kinds.get(screen.kind, "pentode")
        if kind not in found:
            found.append(kind)
            if screen is not None:
                evidence.append(_screen_evidence(tube, screen.kind, screen.parts, screen.source))
    if len(found) > 1:
        evidence.append("the tubes are not connected alike")
    return found[0], 1.0 if len(found) == 1 else 0.5, tuple(evidence)


def _screen_evidence(tube: str, kind: str, parts: tuple[str, ...], source: str) -> str:
    through = f" through {' and '.join(parts)}" if parts else ""
    ends = {
        "plate": f"the screen of {tube} is tied to its plate",
        "tap": f"the screen of {tube} is fed from a tap of the plate winding",
        "rail": f"the screen of {tube} is on {'ground' if source == GROUND else 'B+'}",
        "resistor": f"the screen of {tube} is fed from B+",
    }
    return ends.get(kind, f"nothing feeds the screen of {tube}") + through


def named_net(net: str) -> str:
    """Return a net as a text says it."""
    return "ground" if net == GROUND else net


def gives_signal(facts: Facts, tube: str, electrode: str, inside: tuple[str, ...]) -> bool:
    """Say whether an electrode drives something outside of a group of tubes."""
    if any(drive.target not in inside for drive in facts.couplings.out_of(tube, electrode)):
        return True
    return any(not network.grids for network in facts.couplings.networks_at(tube, electrode))


def find_current_sources(facts: Facts, tubes: list[str]) -> list[Stage]:
    """Return the tubes that set a current for the cathodes above them, each a stage."""
    found = []
    for lower in tubes:
        above = facts.above.get(lower, ())
        if not above or facts.couplings.into(lower) or facts.plates[lower].kind != "stacked":
            continue
        driven = [ref for ref in above if _driven_from_outside(facts, ref, lower)]
        if len(above) == 1 and not driven:
            continue  # nothing is known of either grid: left to the reading of the stack
        form = "tail" if len(above) > 1 else "cathode_load"
        evidence = (
            f"the cathode current of {' and '.join(above)} is the plate current of {lower}",
            f"nothing drives the grid of {lower}",
        )
        found.append(make_stage(facts, "current_source", (lower,), evidence, 1.0, form))
    return found


def _driven_from_outside(facts: Facts, upper: str, lower: str) -> bool:
    return any(drive.source not in (upper, lower) for drive in facts.couplings.into(upper))


def stack_of(facts: Facts, lower: str, tubes: Collection[str]) -> Stage | None:
    """Return the stage of a tube and the one that stands on it, if they work as one."""
    above = facts.above.get(lower, ())
    if len(above) != 1 or above[0] not in tubes or len(facts.cathodes[above[0]].stands_on) != 1:
        return None
    upper = above[0]
    up = [drive for drive in facts.couplings.into(upper) if drive.pin == "grid"]
    down = [drive for drive in facts.couplings.into(lower) if drive.source == upper]
    follows = [drive for drive in up if (drive.source, drive.electrode) == (lower, "plate")]
    if follows:
        return _following(facts, upper, lower, follows[0])
    if down and up:
        why = (
            f"{lower} is in the cathode of {upper} and is driven from its plate",
            f"the signal comes in at the grid of {upper}",
        )
        return make_stage(
            facts, "cathode_follower", (upper, lower), why, 1.0, "white", biased_by=(upper,)
        )
    return None if up else _resting(facts, upper, lower)


def _resting(facts: Facts, upper: str, lower: str) -> Stage | None:
    """Return the stage where nothing drives the upper grid."""
    both = (upper, lower)
    driven = bool(facts.couplings.into(lower))
    first = f"the cathode of {upper} is fed by the plate of {lower}, its grid is at rest"
    if facts.plates[upper].kind == "rail":
        if not gives_signal(facts, lower, "plate", both):
            return None
        evidence = (first, f"{upper} holds the current of {lower}, whose plate gives the signal")
        return make_stage(
            facts, "voltage_amplifier", both, evidence, 0.7, "active_load", biased_by=(lower,)
        )
    gives = gives_signal(facts, upper, "plate", both)
    evidence = (first, f"the plate of {upper} gives the signal" if gives else "no output was found")
    return make_stage(
        facts,
        "voltage_amplifier",
        both,
        evidence,
        1.0 if gives and driven else 0.8,
        "cascode",
        biased_by=(lower,),
    )


def _following(facts: Facts, upper: str, lower: str, drive: Drive) -> Stage:
    """Return the stage where the upper grid follows the lower plate."""
    both = (upper, lower)
    at_cathode = gives_signal(facts, upper, "cathode", both)
    at_plate = gives_signal(facts, lower, "plate", both)
    direct = drive.direct
    parts = " and ".join(facts.cathodes[upper].parts)
    way = f" through {parts}" if parts else ""
    over = "is on" if direct else f"follows over {' and '.join(drive.via)}"
    evidence = [
        f"the cathode of {upper} feeds the plate of {lower}{way}",
        f"the grid of {upper} {over} the plate of {lower}",
    ]
    others: tuple[Alternative, ...]
    usual = "shunt_regulated_push_pull" if direct else "mu_follower"
    if at_plate and not at_cathode:
        evidence.append(f"the plate of {lower} gives the signal")
        why = f"the usual output at the cathode of {upper} is free"
        other = Alternative("voltage_amplifier", usual, 0.4, why)
        form, sure, others = "active_load", 0.8, (other,)
    else:
        text = f"the cathode of {upper} gives the signal" if at_cathode else "no output was found"
        evidence.append(text)
        why = f"the plate of {lower} gives a signal too"
        other = Alternative("voltage_amplifier", "active_load", 0.3, why)
        form, others = usual, (other,) if at_plate else ()
        sure = 0.9 if at_plate else 1.0 if at_cathode else 0.8
    return make_stage(
        facts,
        "voltage_amplifier",
        both,
        tuple(evidence),
        sure,
        form,
        alternatives=others,
        biased_by=(lower,),
    )


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
