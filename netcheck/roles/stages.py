"""Stages: which tubes work together, as what, and how they are biased.

Comes in: `Facts`, all that the walks found.  Goes out: a `Stage` for every
amplifying tube.  Output stages are read from the output transformer: one plate
winding makes it single-ended, two make it push-pull, several tubes on one winding
are in parallel.  The other tubes are read from where their signal leaves: from the
plate, the cathode, or both (cathodyne); two cathodes with one unbypassed tail and
one driven grid are a long-tailed pair.
"""

from __future__ import annotations

from dataclasses import replace

from netcheck.circuit.model import natural_key
from netcheck.roles.base import Stage
from netcheck.roles.bias_kind import bias_of
from netcheck.roles.facts import Facts
from netcheck.roles.transformers import Transformer

PAIR = 2


def find_stages(facts: Facts) -> tuple[Stage, ...]:
    """Return all stages, output stages first."""
    stages: list[Stage] = []
    for transformer in facts.transformers:
        if transformer.use == "output" and not _is_interstage_choke(facts, transformer):
            stages.append(_output(facts, transformer))
    taken = {tube for stage in stages for tube in stage.tubes}
    for tube in (tube.ref for tube in facts.wiring.tubes):
        if tube not in taken and _is_choke_output(facts, tube):
            stages.append(_choke_output(facts, tube))
            taken.add(tube)
    rest = [tube.ref for tube in facts.wiring.tubes if tube.ref not in taken]
    small = _small_stages(facts, rest)
    return (*stages, *_paraphase(facts, stages, small))


def stage_id(kind: str, tubes: tuple[str, ...]) -> str:
    """Return the stable name of a stage."""
    return f"{kind}({','.join(tubes)})"


def _make(
    facts: Facts,
    kind: str,
    tubes: tuple[str, ...],
    evidence: tuple[str, ...],
    confidence: float = 1.0,
    form: str = "",
) -> Stage:
    tubes = tuple(sorted(tubes, key=natural_key))
    connection, certain, screen_evidence = connection_of(facts, tubes)
    bias, bias_evidence, bias_certain = bias_of(facts, tubes, kind)
    return Stage(
        stage_id(kind, tubes),
        kind,
        tubes,
        connection,
        bias,
        (*evidence, *screen_evidence, *bias_evidence),
        min(confidence, certain, bias_certain),
        form,
    )


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
    if len(sides) == 1:
        kind = "single_ended" if len(tubes) == 1 else "parallel_single_ended"
        evidence = (f"the plate winding {windings} is on one transformer with {load}",)
        return replace(_make(facts, kind, tubes, evidence), is_output=True)
    if len(sides) > PAIR:
        reason = f"{len(sides)} plate windings of one transformer are fed by different plates"
        return replace(_make(facts, "unknown", tubes, (reason,), 0.3), is_output=True)
    evidence = (
        f"{' with '.join(sides[0])} and {' with '.join(sides[1])} feed opposite ends of "
        f"{windings}, on one transformer with {load}",
    )
    stage = _make(facts, "push_pull", tubes, evidence)
    return replace(stage, is_output=True, sides=(sides[0], sides[1]))


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
    return replace(_make(facts, "single_ended", (tube,), evidence, 0.7), is_output=True)


def _small_stages(facts: Facts, tubes: list[str]) -> list[Stage]:
    stages: list[Stage] = []
    taken: set[str] = set()
    for tube in tubes:
        if tube in taken:
            continue
        group = _parallel(facts, tube, tubes)
        partners = [
            other
            for other in facts.cathodes[tube].shared_with
            if other in tubes and other not in group and other not in taken
        ]
        if len(group) == 1 and len(partners) == 1 and (pair := _pair(facts, tube, partners[0])):
            stages.append(pair)
            taken.update(pair.tubes)
            continue
        stages.append(_single(facts, group))
        taken.update(group)
    return stages


def _parallel(facts: Facts, tube: str, tubes: list[str]) -> tuple[str, ...]:
    """Return the tubes whose plate and grid are joined to those of `tube`."""
    part = facts.wiring[tube]
    return tuple(
        other
        for other in tubes
        if all(facts.wiring[other].net(pin) == part.net(pin) for pin in ("plate", "grid"))
    )


def _pair(facts: Facts, first: str, second: str) -> Stage | None:
    """Return the stage of two tubes that share a tail, if they work as one."""
    circuit = facts.cathodes[first]
    shared_nets = set(circuit.nets) & set(facts.cathodes[second].nets)
    shared_bypass = any(
        net in shared_nets and facts.supply.quiet(facts.wiring[ref].other_net(net))
        for ref in circuit.bypass
        for net in facts.wiring[ref].nets
    )
    if shared_bypass or not circuit.shared:
        return None
    driven = [
        tube
        for tube in (first, second)
        if any(drive.source not in (first, second) for drive in facts.couplings.into(tube))
    ]
    tail = ", ".join(circuit.shared)
    ends = " and ".join("ground" if net == "0" else net for net in circuit.returns)
    if len(driven) == PAIR:
        why = f"the cathodes share {tail} and both grids are driven"
        return _make(facts, "voltage_amplifier", (first, second), (why,), 0.9, "balanced_pair")
    other = second if driven == [first] else first
    grounded = facts.grids[other].ac_grounded or facts.grids[other].held
    evidence = (
        f"the cathodes of {first} and {second} share the tail {tail} to {ends}",
        f"{driven[0]} is driven at the grid"
        if driven
        else "neither grid is driven by another stage",
        f"the grid of {other} is held at signal ground"
        if grounded
        else f"nothing drives the grid of {other}",
    )
    confidence = 1.0 if driven and grounded else 0.8
    return _make(facts, "phase_inverter", (first, second), evidence, confidence, "long_tailed_pair")


def _single(facts: Facts, tubes: tuple[str, ...]) -> Stage:
    tube = tubes[0]
    feed = facts.plates[tube]
    from_plate = facts.takes_signal(tube, "plate")
    from_cathode = facts.takes_signal(tube, "cathode")
    on_rail = feed.kind == "rail"
    has_load = bool(facts.cathodes[tube].parts or facts.cathodes[tube].windings)
    if from_plate and from_cathode and not on_rail:
        evidence = (f"signal is taken from plate and cathode of {tube}",)
        return _make(facts, "phase_inverter", tubes, evidence, form="cathodyne")
    below = [ref for ref, other in facts.plates.items() if other.above == tube]
    if feed.kind != "stacked" and any(facts.plates[ref].kind == "stacked" for ref in below):
        reason = (f"the cathode of {tube} feeds the plate of {below[0]}",)
        return _make(facts, "unknown", tubes, reason, 0.3, "stacked")
    if on_rail and has_load:
        evidence = (f"the plate of {tube} is on B+ and its load is in the cathode",)
        return _make(facts, "cathode_follower", tubes, evidence, 1.0 if from_cathode else 0.8)
    if feed.kind == "stacked":
        reason = (f"the plate of {tube} is fed through {feed.above}",)
        return _make(facts, "unknown", tubes, reason, 0.3, "stacked")
    if feed.kind == "unfed":
        reason = (f"nothing feeds the plate of {tube}",)
        return _make(facts, "unknown", tubes, reason, 0.3)
    through = {"load": "a plate load", "choke": "a choke", "winding": "a winding"}
    how = through.get(feed.kind, "B+ directly")
    evidence = (f"the plate of {tube} is fed through {how} and gives the signal",)
    confidence = 1.0 if from_plate else 0.8
    return _make(facts, "voltage_amplifier", tubes, evidence, confidence)


def _paraphase(facts: Facts, outputs: list[Stage], small: list[Stage]) -> list[Stage]:
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
        for first, second in (drivers, drivers[::-1]):
            if first not in by_tube or second not in by_tube:
                continue
            stages = (by_tube[first], by_tube[second])
            follows = any(drive.source == first for drive in facts.couplings.into(second))
            if follows and all(stage.kind == "voltage_amplifier" for stage in stages):
                evidence = (
                    f"{first} and {second} each drive one side, and {second} takes its "
                    f"signal from {first}",
                )
                pair = _make(facts, "phase_inverter", (first, second), evidence, 0.9, "paraphase")
                kept = [stage for stage in small if stage not in stages]
                return [*kept, pair]
    return small


def _driver_of(facts: Facts, side: tuple[str, ...]) -> str | None:
    sources = {
        drive.source
        for tube in side
        for drive in facts.couplings.into(tube)
        if drive.source and drive.source not in side
    }
    return min(sources, key=natural_key) if sources else None


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
                evidence.append(_screen_evidence(tube, screen.kind, screen.parts))
    if len(found) > 1:
        evidence.append("the tubes are not connected alike")
    return found[0], 1.0 if len(found) == 1 else 0.5, tuple(evidence)


def _screen_evidence(tube: str, kind: str, parts: tuple[str, ...]) -> str:
    through = f" through {' and '.join(parts)}" if parts else ""
    ends = {
        "plate": f"the screen of {tube} is tied to its plate",
        "tap": f"the screen of {tube} is fed from a tap of the plate winding",
        "rail": f"the screen of {tube} is on B+",
        "resistor": f"the screen of {tube} is fed from B+",
    }
    return ends.get(kind, f"nothing feeds the screen of {tube}") + through
