"""Output stages: tubes that drive a load through a transformer, a choke or a cathode.

Comes in: `Facts`.  Goes out: a `Stage` for each group of output tubes.  One plate
winding makes a stage single-ended, two make it push-pull, several tubes on one
winding are in parallel.  The form says what is special: parafeed (a choke feeds the
plate, a capacitor the winding), choke_loaded, cathode_feedback (a winding of the
same transformer in the cathode), cathode_follower (the load winding itself is in the
cathode), bridged (the load joins the load windings of two transformers), no_load (the
transformer was left out of the netlist: plate on B+, cathode at signal ground).
"""

from __future__ import annotations

from dataclasses import replace

from netcheck.circuit.model import GROUND, natural_key
from netcheck.roles.base import NO_LOAD, Alternative, Stage
from netcheck.roles.facts import Facts
from netcheck.roles.rails import capacitance
from netcheck.roles.stage_making import make_stage
from netcheck.roles.transformers import Transformer

PAIR = 2
HELD_F = 1e-6
"""A capacitor this large holds a cathode at signal ground (common practice)."""
COUNT_WORDS = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}


def find_outputs(facts: Facts) -> list[Stage]:
    """Return the output stages."""
    stages = [
        _output(facts, transformer)
        for transformer in facts.transformers
        if transformer.use == "output"
        and transformer.paths
        and not _is_interstage_choke(facts, transformer)
    ]
    taken = {tube for stage in stages for tube in stage.tubes}
    for tube in (tube.ref for tube in facts.wiring.tubes):
        if tube not in taken and _is_choke_output(facts, tube):
            stages.append(_choke_output(facts, tube))
            taken.add(tube)
    stages += [
        _without_load(facts, tube.ref)
        for tube in facts.wiring.tubes
        if tube.ref not in taken and _lacks_its_load(facts, tube.ref)
    ]
    return stages


def _lacks_its_load(facts: Facts, tube: str) -> bool:
    """Say whether a driven tube gives its signal nowhere.

    Its plate is on B+ and its cathode at signal ground, so that neither can move.
    """
    circuit = facts.cathodes[tube]
    if facts.plates[tube].kind != "rail" or tube in facts.supply.passes:
        return False
    if facts.plates[tube].net not in facts.supply.positive or circuit.stands_on or circuit.windings:
        return False
    if not facts.couplings.into(tube) or facts.takes_signal(tube, "cathode"):
        return False
    if any(facts.plates[other].kind != "rail" for other in circuit.shared_with):
        return False
    return circuit.grounded or capacitance(facts.wiring, circuit.net, _quiet_nets(facts)) >= HELD_F


def _quiet_nets(facts: Facts) -> tuple[str, ...]:
    return (GROUND, *facts.supply.positive, *facts.supply.negative)


def _without_load(facts: Facts, tube: str) -> Stage:
    how = "on ground" if facts.cathodes[tube].grounded else "held by its bypass capacitor"
    evidence = (
        f"the plate of {tube} is straight on B+ and its cathode is {how}: its load is left out",
    )
    stage = make_stage(facts, "single_ended", (tube,), evidence, 0.6, NO_LOAD)
    # The screen is on B+, as the plate is only for want of its winding: that is no triode.
    connection = "pentode" if tube in facts.screens else "triode"
    told = tuple(text for text in stage.evidence if not text.startswith(f"the screen of {tube}"))
    return replace(stage, is_output=True, connection=connection, evidence=told)


def _is_interstage_choke(facts: Facts, transformer: Transformer) -> bool:
    """Say whether plates with a coupled choke drive grids, not a load."""
    return not transformer.secondaries and any(
        facts.couplings.out_of(tube) for tube in transformer.paths
    )


def _output(facts: Facts, transformer: Transformer) -> Stage:
    sides = output_sides(transformer)
    tubes = tuple(ref for side in sides for ref in side)
    windings = ", ".join(sorted(transformer.primaries, key=natural_key))
    load = "a load winding" if transformer.secondaries else "no load winding"
    form, more = _form(facts, transformer)
    electrode = "cathode" if transformer.from_cathode else "plate"
    evidence: tuple[str, ...]
    if len(sides) == 1:
        kind = "single_ended" if len(tubes) == 1 else "parallel_single_ended"
        evidence = (f"the {electrode} winding {windings} is on one transformer with {load}",)
        if len(tubes) > 1:
            evidence += (f"{' and '.join(tubes)} share that winding",)
        stage = make_stage(facts, kind, tubes, (*evidence, *more), form=form)
        return replace(stage, is_output=True)
    if len(sides) > PAIR:
        reason = f"{len(sides)} plate windings of one transformer are fed by different plates"
        return replace(make_stage(facts, "unknown", tubes, (reason,), 0.3), is_output=True)
    evidence = (
        f"{' with '.join(sides[0])} and {' with '.join(sides[1])} feed opposite ends of "
        f"{windings}, on one transformer with {load}",
    )
    each = len(sides[0])
    if each > 1 and each == len(sides[1]):
        evidence += (f"{COUNT_WORDS.get(each, each)} tubes in parallel on each side",)
    stage = make_stage(facts, "push_pull", tubes, (*evidence, *more), form=form)
    alternatives = _same_phase(facts, sides)
    return replace(
        stage,
        is_output=True,
        sides=(sides[0], sides[1]),
        alternatives=alternatives,
        confidence=min(stage.confidence, 0.7 if alternatives else 1.0),
    )


def _same_phase(facts: Facts, sides: tuple[tuple[str, ...], ...]) -> tuple[Alternative, ...]:
    """Return the second reading where one and the same signal drives both sides."""
    sources = [
        {
            (drive.source, drive.electrode)
            for tube in side
            for drive in facts.couplings.into(tube)
            if not any(ref in facts.wiring.coupled for ref in drive.via)
        }
        for side in sides
    ]
    if not sources[0] or sources[0] != sources[1] or len(sources[0]) != 1:
        return ()
    source, electrode = next(iter(sources[0]))
    origin = f"the {electrode} of {source}" if source else "the input"
    why = f"both sides are driven from {origin}, in the same phase"
    return (Alternative("parallel_single_ended", "", 0.3, why),)


def _form(facts: Facts, transformer: Transformer) -> tuple[str, tuple[str, ...]]:
    """Return what is special of an output stage, and why."""
    if _bridge_partner(facts, transformer):
        return "bridged", ("its load winding is joined to another transformer's by the load",)
    if transformer.from_cathode:
        return "cathode_follower", ("the load winding hangs on the cathode, the plate is on B+",)
    if transformer.parafeed:
        parts = ", ".join(transformer.parafeed.values())
        return "parafeed", (f"{parts} brings the plate's signal to the winding, without its B+",)
    tubes = [tube for tube in transformer.paths if facts.cathodes[tube].windings]
    own = [
        ref
        for tube in tubes
        for ref in facts.cathodes[tube].windings
        if ref in transformer.cathode_windings
    ]
    if own:
        parts = ", ".join(dict.fromkeys(own))
        return "cathode_feedback", (f"{parts} of the same transformer is in the cathode",)
    return "", ()


def _bridge_partner(facts: Facts, transformer: Transformer) -> bool:
    """Say whether the load lies between this load winding and another transformer's."""
    own = transformer.secondary_nets
    others = {
        net
        for other in facts.transformers
        if other is not transformer and other.use == "output"
        for net in other.secondary_nets
    }
    return bool(own & others) or any(
        part.other_net(net) in others - own
        for net in own
        for part in facts.wiring.on(net, "resistor")
    )


def output_sides(transformer: Transformer) -> tuple[tuple[str, ...], ...]:
    """Group the tubes of an output transformer by the net they enter it."""
    by_net: dict[str, list[str]] = {}
    for tube, net in transformer.entry.items():
        by_net.setdefault(net, []).append(tube)
    sides = [tuple(sorted(side, key=natural_key)) for side in by_net.values()]
    return tuple(sorted(sides, key=lambda side: natural_key(side[0])))


def _is_choke_output(facts: Facts, tube: str) -> bool:
    """Say whether a plate on a lone inductor has its load across that inductor."""
    return facts.plates[tube].kind == "choke" and not facts.couplings.out_of(tube)


def _choke_output(facts: Facts, tube: str) -> Stage:
    chokes = [p for p in facts.plates[tube].parts if facts.wiring[p].kind == "inductor"]
    evidence = (f"the plate is fed through {chokes[0]} and drives no grid",)
    other = Alternative(
        "voltage_amplifier", "choke_loaded", 0.3, f"{chokes[0]} may be the load of a driver"
    )
    stage = make_stage(
        facts, "single_ended", (tube,), evidence, 0.7, "choke_loaded", alternatives=(other,)
    )
    return replace(stage, is_output=True)
