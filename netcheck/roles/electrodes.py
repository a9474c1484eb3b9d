"""Roles of the parts around each electrode: loads, leaks, stoppers, resistors.

Comes in: `Facts` and the stages.  Goes out: roles.  A part that serves several
tubes (a shared cathode resistor) gets one role for each of them.

Every tube with a screen gets a `ScreenSupply`: its feed with all it comes through, from
the screen back to the supply.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import GROUND
from netcheck.roles.base import Role, ScreenSupply, Stage
from netcheck.roles.bias import sense_parts
from netcheck.roles.cathodes import CathodeCircuit
from netcheck.roles.facts import Facts
from netcheck.roles.grids import GridCircuit
from netcheck.roles.plates import is_plate_stopper
from netcheck.roles.table import RoleName

DIVIDER_SHARE = 0.05
"""A series resistor above this share of the leak behind it divides the signal."""

STACKED_FORMS = ("cascode", "shunt_regulated_push_pull", "mu_follower", "active_load", "white")
"""Stages of two tubes with one output."""

MAX_STOPPER_OHM = 10e3
"""Largest resistor that only damps a grid held at rest (common practice)."""

CURRENT_SOURCES = ("current_source", "controlled_source", "transistor")


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
    by_transformer = stage.form == "interstage_transformer"
    if stage.is_output:
        return Role(tube, RoleName.OUTPUT_TUBE, stage.id, stage.evidence[0], stage.confidence)
    if stage.kind == "regulator":
        return Role(tube, RoleName.REGULATOR_TUBE, stage.id, stage.evidence[0], stage.confidence)
    if stage.kind == "current_source":
        return Role(
            tube, RoleName.CURRENT_SOURCE_TUBE, stage.id, stage.evidence[0], stage.confidence
        )
    if stage.kind == "phase_inverter" and not by_transformer:
        return Role(
            tube, RoleName.PHASE_INVERTER_TUBE, stage.id, stage.evidence[0], stage.confidence
        )
    driving = stage.tubes if stage.form in STACKED_FORMS else (tube,)
    targets = {drive.target for ref in driving for drive in facts.couplings.out_of(ref)}
    targets -= set(stage.tubes)
    if targets & output:
        driven = ", ".join(sorted(targets & output))
        return Role(tube, RoleName.DRIVER_TUBE, stage.id, f"drives the grid of {driven}")
    if targets & inverters:
        driven = stage_of(stages, targets & inverters)
        return Role(tube, RoleName.DRIVER_TUBE, stage.id, f"drives the phase inverter {driven}")
    name = (
        RoleName.CATHODE_FOLLOWER_TUBE
        if stage.kind == "cathode_follower"
        else RoleName.VOLTAGE_AMPLIFIER_TUBE
    )
    return Role(tube, name, stage.id, stage.evidence[0], stage.confidence)


def stage_of(stages: tuple[Stage, ...], tubes: set[str]) -> str:
    """Return the id of the first stage that has one of the tubes."""
    return next((stage.id for stage in stages if tubes & set(stage.tubes)), "")


def _plate_roles(facts: Facts, stage: Stage, tube: str) -> Iterator[Role]:
    feed = facts.plates[tube]
    for ref, (_, far) in feed.parts.items():
        part = facts.wiring[ref]
        if is_plate_stopper(facts.wiring, feed, ref):
            yield Role(
                ref, RoleName.PLATE_STOPPER, tube, f"small resistor at the plate of {tube}", 0.9
            )
        elif part.kind == "inductor":
            yield Role(ref, RoleName.PLATE_CHOKE, tube, f"choke from {far} to the plate of {tube}")
        elif feed.kind == "choke" and stage.is_output:
            why = f"across the inductor in the plate of {tube}: the load it drives"
            yield Role(ref, RoleName.SPEAKER_LOAD, tube, why, 0.7)
        else:
            yield Role(
                ref,
                RoleName.PLATE_LOAD,
                tube,
                f"feeds the plate of {tube} from {far}",
                source_net=far,
            )


def _screen_roles(facts: Facts, tube: str) -> Iterator[Role]:
    screen = facts.screens.get(tube)
    if screen is None:
        return
    ends = {"plate": "its plate", "tap": "the ultralinear tap"}
    for ref in screen.parts:
        end = ends.get(screen.kind, screen.source)
        why = f"feeds the screen of {tube} from {end}"
        yield Role(ref, RoleName.SCREEN_RESISTOR, tube, why, source_net=screen.source)


def _cathode_roles(facts: Facts, stage: Stage, tube: str) -> Iterator[Role]:
    circuit = facts.cathodes[tube]
    sense = sense_parts(facts, tube)
    active = [ref for ref in circuit.parts if facts.wiring[ref].kind == "transistor"]
    below = _below(circuit, active)
    for ref in circuit.parts:
        if ref in circuit.windings:
            continue
        if ref in below:
            why = f"sets the current of {', '.join(active)} below the cathode of {tube}"
            yield Role(ref, RoleName.CURRENT_SOURCE_BIAS, tube, why)
        else:
            yield _cathode_role(facts, stage, tube, ref, ref in sense)
    for ref in _control_parts(facts, active):
        why = f"holds the control pin of {', '.join(active)}, below the cathode of {tube}"
        yield Role(ref, RoleName.CURRENT_SOURCE_BIAS, tube, why, 0.9)
    for ref in circuit.bypass:
        why = f"bypasses the cathode circuit of {tube} for signal"
        yield Role(ref, RoleName.CATHODE_BYPASS_CAPACITOR, tube, why)
    for ref in circuit.bleeds:
        yield Role(ref, RoleName.BLEEDER, tube, f"lifts the cathode of {tube} with current from B+")


def _below(circuit: CathodeCircuit, starts: list[str]) -> set[str]:
    """Return the parts of a cathode circuit that lie below some others."""
    nets = {circuit.parts[ref][1] for ref in starts}
    found: set[str] = set()
    for ref, (near, far) in circuit.parts.items():
        if near in nets and ref not in starts:
            found.add(ref)
            nets.add(far)
    return found


def _control_parts(facts: Facts, active: list[str]) -> Iterator[str]:
    """Yield the parts on the base or gate of transistors in a cathode circuit."""
    for ref in active:
        for pin in ("base", "gate"):
            net = facts.wiring[ref].net(pin) if facts.wiring[ref].has_pin(pin) else GROUND
            if not facts.supply.quiet(net):
                yield from (p.ref for p in facts.wiring.on(net, "resistor", "capacitor", "diode"))


def _is_load_below(facts: Facts, circuit: CathodeCircuit, ref: str) -> bool:
    """Say whether a part between two stacked tubes loads the lower one.

    What lies between the upper cathode and the net its grid leak returns to biases
    the upper tube; what lies below that is the plate load of the lower one.
    """
    returns = set(facts.grids[circuit.tube].leaks.values()) & set(circuit.nets[1:])
    if not circuit.stands_on or not returns:
        return False
    top = [other for other in circuit.parts if circuit.parts[other][0] in returns]
    return ref in top or ref in _below(circuit, top)


def _cathode_role(facts: Facts, stage: Stage, tube: str, ref: str, sense: bool) -> Role:
    circuit = facts.cathodes[tube]
    near, far = circuit.parts[ref]
    end = "ground" if far == GROUND else far
    shared = ref in circuit.shared
    company = f" (shared with {', '.join(circuit.shared_with)})" if shared else ""
    kind = facts.wiring[ref].kind
    if _is_load_below(facts, circuit, ref):
        lower = circuit.stands_on[0]
        why = f"loads the plate of {lower}, fed by the cathode of {tube}"
        return Role(ref, RoleName.PLATE_LOAD, lower, why, source_net=near)
    if kind in CURRENT_SOURCES:
        why = f"sets the current of the cathode of {tube}{company}, from {near} to {end}"
        return Role(ref, RoleName.CURRENT_SOURCE, tube, why)
    if kind == "diode":
        return Role(
            ref, RoleName.CATHODE_DIODE, tube, f"lifts the cathode of {tube} by its own drop"
        )
    if sense:
        why = f"small resistor from the cathode of {tube} to {end}{company}; its bias is fixed"
        return Role(ref, RoleName.SENSE_RESISTOR, tube, why)
    if shared and stage.form in ("long_tailed_pair", "balanced_pair"):
        why = f"carries the current of both cathodes of {' and '.join(stage.tubes)} to {end}"
        return Role(ref, RoleName.TAIL_RESISTOR, tube, why)
    largest = max(circuit.parts, key=lambda other: facts.wiring[other].value or 0.0)
    loads = stage.kind == "cathode_follower" or stage.form == "cathodyne"
    below_white = stage.form == "white" and not circuit.stands_on
    if kind != "resistor" or (loads and not below_white and ref == largest):
        why = f"load in the cathode of {tube}, from {near} to {end}"
        return Role(ref, RoleName.CATHODE_LOAD, tube, why)
    why = f"carries the cathode current of {tube} from {near} to {end}{company}"
    return Role(ref, RoleName.CATHODE_RESISTOR, tube, why)


def _grid_roles(facts: Facts, grid: GridCircuit) -> Iterator[Role]:
    tube = grid.tube
    for ref, net in grid.leaks.items():
        if ref in facts.wiring.coupled:
            continue
        if _is_stopper_to_rest(facts, ref, net):
            why = f"in series with the grid of {tube}, which {net} holds at rest"
            yield Role(ref, RoleName.GRID_STOPPER, tube, why)
            continue
        end = _return_name(facts, tube, net)
        yield Role(
            ref, RoleName.GRID_LEAK, tube, f"returns the grid of {tube} to {end}", source_net=net
        )
        if facts.wiring[ref].note.pot:
            why = f"part of the pot {facts.wiring[ref].note.pot} at the grid of {tube}"
            yield Role(ref, RoleName.VOLUME_CONTROL, tube, why)
    for ref, (near, far) in grid.series.items():
        yield _series_role(facts, grid, ref, near, far)
    for ref in grid.local:
        why = f"leads from the plate of {tube} back to its own grid"
        yield Role(
            ref,
            RoleName.FEEDBACK_RESISTOR,
            tube,
            why,
            source_net=facts.plates[tube].net,
            feeds=grid.net,
        )
    yield from _capacitor_roles(facts, grid)


def _is_stopper_to_rest(facts: Facts, ref: str, net: str) -> bool:
    """Say whether a small resistor joins a grid to a lifted point that holds it."""
    ohm = facts.wiring[ref].value or 0.0
    return net in facts.supply.positive and ohm <= MAX_STOPPER_OHM


def _return_name(facts: Facts, tube: str, net: str) -> str:
    if net == GROUND:
        return "ground"
    if net in facts.supply.negative:
        own = net in facts.cathodes[tube].returns
        return f"the negative supply at {net}" if own else f"the bias feed {net}"
    if net in facts.cathodes[tube].nets:
        return f"its own cathode circuit at {net}"
    return net


def _series_role(facts: Facts, grid: GridCircuit, ref: str, near: str, far: str) -> Role:
    tube = grid.tube
    part = facts.wiring[ref]
    if part.note.pot:
        why = f"part of the pot {part.note.pot} in the way to the grid of {tube}"
        return Role(ref, RoleName.VOLUME_CONTROL, tube, why)
    leaks = [
        facts.wiring[other].value or 0.0
        for other in grid.leaks
        if near in facts.wiring[other].nets and facts.wiring[other].kind == "resistor"
    ]
    divides = bool(leaks) and (part.value or 0.0) > DIVIDER_SHARE * min(leaks)
    if near == grid.net and not divides:
        return Role(ref, RoleName.GRID_STOPPER, tube, f"in series with the grid of {tube} at {far}")
    why = f"in the signal's way from {far} to the grid of {tube}"
    return Role(ref, RoleName.INTERSTAGE_RESISTOR, tube, why, 0.9)


def _capacitor_roles(facts: Facts, grid: GridCircuit) -> Iterator[Role]:
    tube = grid.tube
    plate_nets = set(facts.plates[tube].nets)
    own = {*grid.nets, *facts.cathodes[tube].nets}
    for ref, (near, far) in grid.capacitors.items():
        if ref in grid.grounding:
            why = f"holds the grid of {tube} at signal ground"
            yield Role(ref, RoleName.GROUNDING_CAPACITOR, tube, why)
        elif far in plate_nets and facts.around.plates.get(far) == tube:
            why = f"leads from the plate of {tube} back to its own grid"
            yield Role(ref, RoleName.FEEDBACK_CAPACITOR, tube, why, source_net=far, feeds=near)
        elif near in grid.nets and far in grid.nets:
            why = f"passes high frequencies round a resistor in the way to the grid of {tube}"
            yield Role(ref, RoleName.INTERSTAGE_CAPACITOR, tube, why, 0.9)
        elif facts.supply.quiet(far) or far in own:
            why = f"shunts the grid circuit of {tube} for high frequencies"
            yield Role(ref, RoleName.GRID_SHUNT_CAPACITOR, tube, why)


def screen_chains(facts: Facts) -> tuple[ScreenSupply, ...]:
    """Return what each screen's current comes through."""
    users: dict[str, int] = {}
    for screen in facts.screens.values():
        for ref in screen.parts:
            users[ref] = users.get(ref, 0) + 1
    return tuple(
        ScreenSupply(
            tube,
            screen.kind,
            screen.source,
            screen.parts,
            tuple(ref for ref in screen.parts if users[ref] > 1),
            _droppers(facts, screen.source),
            _bypass(facts, screen.net),
        )
        for tube, screen in facts.screens.items()
    )


def _droppers(facts: Facts, net: str) -> tuple[str, ...]:
    """Return the parts from a rail back to where its supply begins."""
    before: dict[str, tuple[str, str]] = {}
    for ref, (near, far) in facts.supply.droppers.items():
        before.setdefault(far, (ref, near))
    found: list[str] = []
    while net in before and before[net][0] not in found:
        ref, net = before[net]
        found.append(ref)
    return tuple(found)


def _bypass(facts: Facts, net: str) -> tuple[str, ...]:
    if facts.supply.quiet(net):
        return ()
    return tuple(part.ref for part in facts.wiring.on(net, "capacitor"))
