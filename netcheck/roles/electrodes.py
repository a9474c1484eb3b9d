"""Roles of the parts around each electrode: loads, leaks, stoppers, resistors.

Comes in: `Facts` and the stages.  Goes out: roles.  A part that serves several
tubes (a shared cathode resistor) gets one role for each of them.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import GROUND
from netcheck.roles.base import Role, Stage
from netcheck.roles.bias_kind import sense_parts
from netcheck.roles.facts import Facts
from netcheck.roles.grids import GridCircuit
from netcheck.roles.plates import is_plate_stopper

DIVIDER_SHARE = 0.05
"""A series resistor above this share of the leak behind it divides the signal."""


def electrode_roles(facts: Facts, stages: tuple[Stage, ...]) -> Iterator[Role]:
    """Yield the roles of the parts around every tube's electrodes."""
    for stage in stages:
        for tube in stage.tubes:
            yield _tube_role(facts, stage, stages, tube)
            yield from _plate_roles(facts, stage, tube)
            yield from _screen_roles(facts, tube)
            yield from _cathode_roles(facts, stage, tube)
            yield from _grid_roles(facts, facts.grids[tube])


def _tube_role(facts: Facts, stage: Stage, stages: tuple[Stage, ...], tube: str) -> Role:
    output = {ref for other in stages if other.is_output for ref in other.tubes}
    inverters = {ref for other in stages if other.kind == "phase_inverter" for ref in other.tubes}
    if stage.is_output:
        return Role(tube, "output_tube", stage.id, stage.evidence[0], stage.confidence)
    if stage.kind == "phase_inverter":
        return Role(tube, "phase_inverter_tube", stage.id, stage.evidence[0], stage.confidence)
    targets = {drive.target for drive in facts.couplings.out_of(tube)}
    if targets & output:
        driven = ", ".join(sorted(targets & output))
        return Role(tube, "driver_tube", stage.id, f"drives the grid of {driven}")
    if targets & inverters:
        driven = stage_of(stages, targets & inverters)
        return Role(tube, "driver_tube", stage.id, f"drives the phase inverter {driven}")
    name = "cathode_follower_tube" if stage.kind == "cathode_follower" else "voltage_amplifier_tube"
    return Role(tube, name, stage.id, stage.evidence[0], stage.confidence)


def stage_of(stages: tuple[Stage, ...], tubes: set[str]) -> str:
    """Return the id of the first stage that has one of the tubes."""
    return next((stage.id for stage in stages if tubes & set(stage.tubes)), "")


def _plate_roles(facts: Facts, stage: Stage, tube: str) -> Iterator[Role]:
    feed = facts.plates[tube]
    for ref, (_, far) in feed.parts.items():
        part = facts.wiring[ref]
        if is_plate_stopper(facts.wiring, feed, ref):
            yield Role(ref, "plate_stopper", tube, f"small resistor at the plate of {tube}", 0.9)
        elif part.kind == "inductor":
            yield Role(ref, "plate_choke", tube, f"choke from {far} to the plate of {tube}")
        elif feed.kind == "choke" and stage.is_output:
            why = f"across the inductor in the plate of {tube}: the load it drives"
            yield Role(ref, "speaker_load", tube, why, 0.7)
        else:
            yield Role(
                ref, "plate_load", tube, f"feeds the plate of {tube} from {far}", source_net=far
            )


def _screen_roles(facts: Facts, tube: str) -> Iterator[Role]:
    screen = facts.screens.get(tube)
    if screen is None:
        return
    ends = {"plate": "its plate", "tap": "the ultralinear tap"}
    for ref in screen.parts:
        end = ends.get(screen.kind, screen.source)
        why = f"feeds the screen of {tube} from {end}"
        yield Role(ref, "screen_resistor", tube, why, source_net=screen.source)


def _cathode_roles(facts: Facts, stage: Stage, tube: str) -> Iterator[Role]:
    circuit = facts.cathodes[tube]
    sense = sense_parts(facts, tube)
    for ref in circuit.parts:
        if ref not in circuit.windings:
            yield _cathode_role(facts, stage, tube, ref, ref in sense)
    for ref in circuit.bypass:
        why = f"bypasses the cathode circuit of {tube} for signal"
        yield Role(ref, "cathode_bypass_capacitor", tube, why)
    for ref in circuit.bleeds:
        yield Role(ref, "bleeder", tube, f"lifts the cathode of {tube} with current from B+")


def _cathode_role(facts: Facts, stage: Stage, tube: str, ref: str, sense: bool) -> Role:
    circuit = facts.cathodes[tube]
    near, far = circuit.parts[ref]
    end = "ground" if far == GROUND else far
    shared = ref in circuit.shared
    company = f" (shared with {', '.join(circuit.shared_with)})" if shared else ""
    kind = facts.wiring[ref].kind
    if kind == "diode":
        return Role(ref, "cathode_diode", tube, f"lifts the cathode of {tube} by its own drop")
    if sense:
        why = f"small resistor from the cathode of {tube} to {end}{company}; its bias is fixed"
        return Role(ref, "sense_resistor", tube, why)
    if shared and stage.form in ("long_tailed_pair", "balanced_pair"):
        why = f"carries the current of both cathodes of {' and '.join(stage.tubes)} to {end}"
        return Role(ref, "tail_resistor", tube, why)
    largest = max(circuit.parts, key=lambda other: facts.wiring[other].value or 0.0)
    if kind != "resistor" or (
        (stage.kind == "cathode_follower" or stage.form == "cathodyne") and ref == largest
    ):
        why = f"load in the cathode of {tube}, from {near} to {end}"
        return Role(ref, "cathode_load", tube, why)
    why = f"carries the cathode current of {tube} from {near} to {end}{company}"
    return Role(ref, "cathode_resistor", tube, why)


def _grid_roles(facts: Facts, grid: GridCircuit) -> Iterator[Role]:
    tube = grid.tube
    for ref, net in grid.leaks.items():
        if ref in facts.wiring.coupled:
            continue
        end = _return_name(facts, tube, net)
        yield Role(ref, "grid_leak", tube, f"returns the grid of {tube} to {end}", source_net=net)
        if facts.wiring[ref].note.pot:
            why = f"part of the pot {facts.wiring[ref].note.pot} at the grid of {tube}"
            yield Role(ref, "volume_control", tube, why)
    for ref, (near, far) in grid.series.items():
        yield _series_role(facts, grid, ref, near, far)
    for ref in grid.local:
        why = f"leads from the plate of {tube} back to its own grid"
        yield Role(
            ref, "feedback_resistor", tube, why, source_net=facts.plates[tube].net, feeds=grid.net
        )
    yield from _capacitor_roles(facts, grid)


def _return_name(facts: Facts, tube: str, net: str) -> str:
    if net == GROUND:
        return "ground"
    if net in facts.supply.negative:
        return f"the bias feed {net}"
    if net in facts.cathodes[tube].nets:
        return f"its own cathode circuit at {net}"
    return net


def _series_role(facts: Facts, grid: GridCircuit, ref: str, near: str, far: str) -> Role:
    tube = grid.tube
    part = facts.wiring[ref]
    if part.note.pot:
        why = f"part of the pot {part.note.pot} in the way to the grid of {tube}"
        return Role(ref, "volume_control", tube, why)
    leaks = [
        facts.wiring[other].value or 0.0
        for other in grid.leaks
        if near in facts.wiring[other].nets and facts.wiring[other].kind == "resistor"
    ]
    divides = bool(leaks) and (part.value or 0.0) > DIVIDER_SHARE * min(leaks)
    if near == grid.net and not divides:
        return Role(ref, "grid_stopper", tube, f"in series with the grid of {tube} at {far}")
    why = f"in the signal's way from {far} to the grid of {tube}"
    return Role(ref, "interstage_resistor", tube, why, 0.9)


def _capacitor_roles(facts: Facts, grid: GridCircuit) -> Iterator[Role]:
    tube = grid.tube
    plate_nets = set(facts.plates[tube].nets)
    own = {*grid.nets, *facts.cathodes[tube].nets}
    for ref, (near, far) in grid.capacitors.items():
        if ref in grid.grounding:
            why = f"holds the grid of {tube} at signal ground"
            yield Role(ref, "grounding_capacitor", tube, why)
        elif far in plate_nets and facts.around.plates.get(far) == tube:
            why = f"leads from the plate of {tube} back to its own grid"
            yield Role(ref, "feedback_capacitor", tube, why, source_net=far, feeds=near)
        elif facts.supply.quiet(far) or far in own:
            why = f"shunts the grid circuit of {tube} for high frequencies"
            yield Role(ref, "grid_shunt_capacitor", tube, why)
