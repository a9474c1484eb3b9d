"""From the circuit to its roles.

Comes in: a `Circuit`.  Goes out: `Roles`.  First the walks gather facts, then stages
are read from them, then every part is given its roles, and what is still without
one is read from the nets it stands between.  Only structure counts: the kinds of
parts, how they are joined, their values where two structures look alike, and part
notes.  Names of parts and nets play no role.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcheck.circuit.model import Circuit, natural_key
from netcheck.roles.base import Adjuster, BiasSupply, Role, Roles
from netcheck.roles.bias import bias_roles, cathode_adjusters, find_bias_supplies, pots_of
from netcheck.roles.branches import feedback_roles, find_branches, load_roles, shunt_roles
from netcheck.roles.electrodes import electrode_roles, screen_chains
from netcheck.roles.facts import Facts, gather
from netcheck.roles.heaters import heater_roles
from netcheck.roles.signal import coupling_roles, input_roles, network_roles, signal_flow
from netcheck.roles.stages import find_stages
from netcheck.roles.supply_roles import rail_chain, supply_roles
from netcheck.roles.table import RoleName
from netcheck.roles.transformer_roles import bridged_loads, output_transformers, transformer_roles
from netcheck.units import format_quantity


def recognise(circuit: Circuit) -> Roles:
    """Recognise stages, rails, bias supplies and the role of every part."""
    facts = gather(circuit)
    stages = find_stages(facts)
    supplies = find_bias_supplies(facts)
    found = [
        *supply_roles(facts),
        *bias_roles(facts, supplies),
        *transformer_roles(facts, stages),
        *electrode_roles(facts, stages),
        *input_roles(facts),
        *coupling_roles(facts),
        *_ammeter_roles(facts, circuit),
        *_inner_roles(facts),
        *_noted_roles(facts),
        *heater_roles(facts.wiring, facts.heaters),
    ]
    found = _without_heater_pots(found)
    found += network_roles(facts, stages, {role.part for role in found})
    branches, speakers = _branch_roles(facts, {role.part for role in found})
    found += branches
    roles = _ordered(circuit, _with_tone_controls(facts, found))
    known = {role.part for role in roles}
    order, paths = signal_flow(facts, stages)
    return Roles(
        roles,
        tuple(sorted(stages, key=lambda stage: natural_key(stage.tubes[0]))),
        output_transformers(facts, stages, speakers),
        tuple(bias for bias in supplies if not facts.supply.is_back(bias.feed_net)),
        rail_chain(facts),
        facts.wiring.inputs[0] if facts.wiring.inputs else None,
        tuple(part.ref for part in circuit if part.ref not in known),
        order,
        paths,
        _all_adjusters(facts, supplies),
        screen_chains(facts),
    )


def _noted_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of fuses and lamps, and of parts that do nothing."""
    for part in facts.wiring.circuit:
        if part.note.fuse_a:
            rating = format_quantity(part.note.fuse_a, "A")
            yield Role(part.ref, RoleName.FUSE, part.nets[0], f"noted as a fuse of {rating}")
        elif part.note.is_lamp:
            yield Role(part.ref, RoleName.LAMP, part.nets[0], "noted as a lamp")
        elif len(part.nets) > 1 and len(set(part.nets)) == 1 and part.kind != "tube":
            why = f"all its pins are on {part.nets[0]}: it carries nothing"
            yield Role(part.ref, RoleName.UNUSED_PART, part.nets[0], why)
    for ref, winding in facts.wiring.absorbed.items():
        why = f"makes an ideal transformer together with {winding}"
        yield Role(ref, RoleName.TRANSFORMER_SOURCE, winding, why, 0.9)


def _without_heater_pots(found: list[Role]) -> list[Role]:
    """Leave out the readings of a hum-balance pot as a tube's cathode resistor."""
    balance = {role.part for role in found if role.name == RoleName.HUM_BALANCE}
    return [role for role in found if role.part not in balance or role.name == RoleName.HUM_BALANCE]


def _with_tone_controls(facts: Facts, found: list[Role]) -> list[Role]:
    """Read pots in a signal's way as tone controls where no end of them is at rest.

    A volume control has one end on ground or a supply net, or its signal comes in there.
    """
    controls = [facts.wiring[role.part] for role in found if role.name == RoleName.VOLUME_CONTROL]
    names = {part.note.pot for part in controls}
    halves = [part for part in facts.wiring.circuit if part.note.pot in names]
    at_rest = {part.note.pot for part in halves if any(map(facts.supply.quiet, part.nets))}
    tone = {part.ref for part in controls if part.note.pot not in at_rest}
    return [
        replace(role, name=RoleName.TONE_CONTROL)
        if role.name == RoleName.VOLUME_CONTROL and role.part in tone
        else role
        for role in found
    ]


def _all_adjusters(facts: Facts, supplies: tuple[BiasSupply, ...]) -> tuple[Adjuster, ...]:
    """Return all pots that set a bias or the hum, each once."""
    hum = {ref: heater for heater in facts.heaters for ref in heater.balance}
    halves = pots_of([facts.wiring[ref] for ref in hum])
    found = [
        *(each for supply in supplies for each in supply.adjusters),
        *(each for each in cathode_adjusters(facts) if not set(each.parts) & set(hum)),
        *(
            Adjuster(name, "hum", tuple(part.ref for part in pair), hum[pair[0].ref].tubes)
            for name, pair in halves.items()
        ),
    ]
    unique = {each.pot: each for each in found}
    return tuple(sorted(unique.values(), key=lambda each: natural_key(each.pot)))


def _branch_roles(facts: Facts, taken: set[str]) -> tuple[list[Role], dict[int, str]]:
    """Return the roles of all parts not yet placed, and the speakers."""
    branches = find_branches(facts, taken)
    roles, speakers = load_roles(branches, facts)
    bridged, more = bridged_loads(branches, {role.part for role in roles})
    roles += bridged
    speakers |= {index: ref for index, ref in more.items() if index not in speakers}
    placed = {role.part for role in roles}
    for branch in branches:
        if branch.parts[0].ref in placed:
            continue
        feedback = list(feedback_roles(branch, facts))
        roles += feedback or shunt_roles(branch, facts)
    return roles, speakers


def _ammeter_roles(facts: Facts, circuit: Circuit) -> Iterator[Role]:
    for ref in facts.wiring.ammeters:
        nets = " and ".join(circuit[ref].nets)
        yield Role(
            ref,
            RoleName.CURRENT_SENSOR,
            ref,
            f"0 V source between {nets}: reads a current, or is a closed switch",
        )


def _inner_roles(facts: Facts) -> Iterator[Role]:
    for ref, whose in facts.wiring.inside.items():
        yield Role(ref, RoleName.PART_PROPERTY, whose, f"written on the card of {whose}")


def _ordered(circuit: Circuit, found: list[Role]) -> tuple[Role, ...]:
    """Return the roles in part order, each (part, name, of) once."""
    unique: dict[tuple[str, str, str], Role] = {}
    for role in found:
        unique.setdefault((role.part, role.name, role.of), role)
    order = {part.ref: index for index, part in enumerate(circuit)}
    return tuple(sorted(unique.values(), key=lambda role: order[role.part]))
