"""Stages: which tubes work together, and as what.

Comes in: `Facts`, all that the walks found.  Goes out: a `Stage` for every
amplifying tube.  Output stages come first (`output_stages.py`), then tubes that only
set a current and tubes that are stacked (`stage_making.py`), then pairs on one
tail (there too).  The others are read from where their signal comes in and
leaves: from the plate, the cathode, or both (cathodyne); at the grid, or at the
cathode where the grid is at rest (grounded grid).
"""

from __future__ import annotations

from netcheck.circuit.model import GROUND
from netcheck.roles.base import Alternative, Stage
from netcheck.roles.facts import Facts
from netcheck.roles.output_stages import find_outputs
from netcheck.roles.stage_making import (
    find_current_sources,
    join_paraphase,
    make_stage,
    pair_stage,
    stack_of,
)

LIKE_SHARE = 0.2
"""Plate and cathode loads this much alike, as a share, are meant equal (common practice)."""


def find_stages(facts: Facts) -> tuple[Stage, ...]:
    """Return all stages, output stages first."""
    outputs = find_outputs(facts)
    taken = {tube for stage in outputs for tube in stage.tubes}
    rest = [tube.ref for tube in facts.wiring.tubes if tube.ref not in taken]
    sources = find_current_sources(facts, rest)
    sources += _regulators(facts, rest)
    taken = {tube for stage in sources for tube in stage.tubes}
    small = _small_stages(facts, [tube for tube in rest if tube not in taken])
    return (*outputs, *sources, *join_paraphase(facts, outputs, small))


def _regulators(facts: Facts, tubes: list[str]) -> list[Stage]:
    """Return the pass tubes of supply regulators."""
    return [
        make_stage(
            facts,
            "regulator",
            (tube,),
            (f"the cathode of {tube} feeds other tubes, its plate is on B+",),
        )
        for tube in tubes
        if tube in facts.supply.passes
    ]


def _small_stages(facts: Facts, tubes: list[str]) -> list[Stage]:
    stages: list[Stage] = []
    taken: set[str] = set()

    def add(stage: Stage) -> None:
        stages.append(stage)
        taken.update(stage.tubes)

    for tube in tubes:
        if stack := stack_of(facts, tube, set(tubes) - taken if tube in facts.above else ()):
            add(stack)
    for tube in tubes:
        if tube in taken:
            continue
        group = _parallel(facts, tube, tubes)
        partners = [
            other
            for other in facts.cathodes[tube].shared_with
            if other in tubes and other not in group and other not in taken
        ]
        if len(group) == 1 and len(partners) == 1 and (pair := pair_stage(facts, tube, *partners)):
            add(pair)
        else:
            add(_single(facts, group))
    return stages


def _parallel(facts: Facts, tube: str, tubes: list[str]) -> tuple[str, ...]:
    """Return the tubes in parallel with `tube`, itself among them.

    Their plates are joined, and their grids too, directly or each through its stopper;
    followers, whose plates are all on B+, must share the cathode.
    """
    part = facts.wiring[tube]
    known = set(tubes)
    on_rail = facts.plates[tube].kind == "rail"
    siblings = facts.grids[tube].siblings
    return tuple(
        other
        for other in facts.wiring.at(part.net("plate"), "plate") or (tube,)
        if other in known
        and (facts.wiring[other].net("grid") == part.net("grid") or other in siblings)
        and (
            other == tube
            or not on_rail
            or set(facts.cathodes[other].nets) & set(facts.cathodes[tube].nets)
        )
    )


def _single(facts: Facts, tubes: tuple[str, ...]) -> Stage:
    """Return the stage of one tube, or of several in parallel."""
    tube = tubes[0]
    feed = facts.plates[tube]
    from_plate = facts.takes_signal(tube, "plate")
    from_cathode = facts.takes_signal(tube, "cathode") and not _is_looped(facts, tube)
    if _on_ground(facts, tube):
        reason = f"the plate of {tube} is on ground"
        return make_stage(facts, "unknown", tubes, (reason,), 0.3)
    has_load = bool(facts.cathodes[tube].parts or facts.cathodes[tube].windings)
    below = facts.cathodes[tube].stands_on
    at_rest = bool(below) and not any(facts.couplings.into(lower) for lower in below)
    if feed.kind == "rail" and (at_rest or (has_load and not below)):
        evidence = (f"the plate of {tube} is on B+ and its load is in the cathode",)
        return make_stage(facts, "cathode_follower", tubes, evidence, 1.0 if from_cathode else 0.8)
    if from_plate and from_cathode and feed.kind != "rail":
        return _cathodyne(facts, tubes)
    if reason := _unknown_reason(facts, tube):
        form = "" if feed.kind == "unfed" else "stacked"
        return make_stage(facts, "unknown", tubes, (reason,), 0.3, form)
    if splitter := _splits(facts, tube):
        why = (f"the transformer with {splitter[0]} gives {splitter[1]} opposite signals",)
        return make_stage(facts, "phase_inverter", tubes, why, 1.0, "interstage_transformer")
    return _amplifier(facts, tubes, from_plate)


def _is_looped(facts: Facts, tube: str) -> bool:
    """Say whether all that hangs on a cathode leads there from a later tube's plate.

    A loop that equalises ends in a cathode over capacitors, as an output would begin there.
    """
    if facts.couplings.out_of(tube, "cathode"):
        return False
    later = _later(facts, tube)
    loops = {
        ref
        for network in facts.couplings.networks
        if network.source in later and network.electrode == "plate"
        for ref in network.parts
    }
    return all(set(each.parts) & loops for each in facts.couplings.networks_at(tube, "cathode"))


def _later(facts: Facts, tube: str) -> set[str]:
    """Return the tubes that a tube's plate drives, over others too."""
    found: set[str] = set()
    waiting = [tube]
    while waiting:
        for drive in facts.couplings.out_of(waiting.pop()):
            if drive.target not in found and drive.target != tube:
                found.add(drive.target)
                waiting.append(drive.target)
    return found


def _on_ground(facts: Facts, tube: str) -> bool:
    """Say whether a plate is on ground while its cathode is not below it."""
    below = any(net in facts.supply.negative for net in facts.cathodes[tube].returns)
    return facts.plates[tube].net == GROUND and not below and not facts.cathodes[tube].stands_on


def _unknown_reason(facts: Facts, tube: str) -> str:
    """Return why a tube's part in a stack, or in anything, is not known."""
    feed = facts.plates[tube]
    below = facts.below.get(tube, ())
    stacked = any(facts.plates[ref].kind == "stacked" for ref in below)
    passes_on = any(drive.pin == "cathode" for drive in facts.couplings.into(tube))
    sourced = all(not facts.couplings.into(ref) for ref in below)
    if feed.kind != "stacked" and stacked and not passes_on and not sourced:
        return f"the cathode of {tube} feeds the plate of {below[0]}"
    if feed.kind == "stacked" and not facts.couplings.out_of(tube, "plate"):
        return f"the plate of {tube} is fed through {feed.above}"
    if feed.kind == "unfed":
        return f"nothing feeds the plate of {tube}"
    return ""


def _amplifier(facts: Facts, tubes: tuple[str, ...], from_plate: bool) -> Stage:
    tube = tubes[0]
    feed = facts.plates[tube]
    through = {
        "load": "a plate load",
        "choke": "a choke",
        "winding": "a winding",
        "stacked": f"the cathode of {feed.above}",
    }
    how = through.get(feed.kind, "B+ directly")
    evidence = [f"the plate of {tube} is fed through {how} and gives the signal"]
    form = "choke_loaded" if feed.kind == "choke" else ""
    at_cathode = [drive for drive in facts.couplings.into(tube) if drive.pin == "cathode"]
    if at_cathode:
        form = "grounded_grid"
        origin = at_cathode[0].source or "the input"
        evidence.append(f"{origin} drives the cathode of {tube}, whose grid is at rest")
    others = () if at_cathode else _half_cathodyne(facts, tube)
    sure = (1.0 if from_plate else 0.8) - (0.1 if others else 0.0)
    return make_stage(
        facts, "voltage_amplifier", tubes, tuple(evidence), sure, form, alternatives=others
    )


def _loads(facts: Facts, tube: str) -> tuple[float, float]:
    """Return the resistance in the plate's feed and in the cathode [ohm]."""
    wiring = facts.wiring
    circuit = facts.cathodes[tube]
    refs = (facts.plates[tube].parts, circuit.parts)
    plate, cathode = (
        sum(wiring[ref].value or 0.0 for ref in parts if wiring[ref].kind == "resistor")
        for parts in refs
    )
    return plate, cathode


def _alike(first: float, second: float) -> bool:
    return min(first, second) >= (1.0 - LIKE_SHARE) * max(first, second)


def _half_cathodyne(facts: Facts, tube: str) -> tuple[Alternative, ...]:
    plate, cathode = _loads(facts, tube)
    circuit = facts.cathodes[tube]
    if not cathode or not _alike(plate, cathode) or circuit.shared_with or circuit.bypass:
        return ()
    why = "plate and cathode have like loads, but nothing takes the cathode's signal"
    return (Alternative("phase_inverter", "cathodyne", 0.4, why),)


def _cathodyne(facts: Facts, tubes: tuple[str, ...]) -> Stage:
    tube = tubes[0]
    evidence = (f"signal is taken from plate and cathode of {tube}",)
    plate, cathode = _loads(facts, tube)
    others: tuple[Alternative, ...] = ()
    if plate and cathode and not _alike(plate, cathode):
        why = "the loads of plate and cathode differ, as in an amplifier with two outputs"
        others = (Alternative("voltage_amplifier", "", 0.3, why),)
    return make_stage(
        facts,
        "phase_inverter",
        tubes,
        evidence,
        0.8 if others else 1.0,
        "cathodyne",
        alternatives=others,
    )


def _splits(facts: Facts, tube: str) -> tuple[str, str] | None:
    """Return windings and grids where a tube's interstage transformer inverts for one side."""
    for transformer in facts.transformers:
        if transformer.use != "interstage" or tube not in transformer.paths:
            continue
        if len(transformer.paths) > 1:
            return None  # a balanced driver: the signal is split already
        grids = {
            facts.grids[drive.target].net: drive.target for drive in facts.couplings.out_of(tube)
        }
        if len(grids) > 1:
            return ", ".join(transformer.paths[tube]), " and ".join(grids.values())
    return None
