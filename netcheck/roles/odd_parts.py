"""What a note or the wiring alone tells of a part, and the list of all adjusters.

Comes in: `Facts`.  Goes out: roles of fuses, lamps, the sources of an ideal
transformer, and parts that are shorted by the wiring; which pots are tone controls; and
every pot that sets a bias.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from netcheck.circuit.model import natural_key
from netcheck.roles.adjusters import cathode_adjusters, pots_of
from netcheck.roles.base import Adjuster, BiasSupply, Role
from netcheck.roles.facts import Facts
from netcheck.units import format_quantity


def noted_roles(facts: Facts) -> Iterator[Role]:
    """Yield the roles of fuses and lamps, and of parts that do nothing."""
    for part in facts.wiring.circuit:
        if part.note.fuse_a:
            rating = format_quantity(part.note.fuse_a, "A")
            yield Role(part.ref, "fuse", part.nets[0], f"noted as a fuse of {rating}")
        elif part.note.is_lamp:
            yield Role(part.ref, "lamp", part.nets[0], "noted as a lamp")
        elif len(part.nets) > 1 and len(set(part.nets)) == 1 and part.kind != "tube":
            why = f"all its pins are on {part.nets[0]}: it carries nothing"
            yield Role(part.ref, "unused_part", part.nets[0], why)
    for ref, winding in facts.wiring.absorbed.items():
        why = f"makes an ideal transformer together with {winding}"
        yield Role(ref, "transformer_source", winding, why, 0.9)


def without_heater_pots(found: list[Role]) -> list[Role]:
    """Leave out the readings of a hum-balance pot as a tube's cathode resistor."""
    balance = {role.part for role in found if role.name == "hum_balance"}
    return [role for role in found if role.part not in balance or role.name == "hum_balance"]


def with_tone_controls(facts: Facts, found: list[Role]) -> list[Role]:
    """Read pots in a signal's way as tone controls where no end of them is at rest.

    A volume control has one end on ground or a supply net, or its signal comes in there.
    """
    controls = [facts.wiring[role.part] for role in found if role.name == "volume_control"]
    names = {part.note.pot for part in controls}
    halves = [part for part in facts.wiring.circuit if part.note.pot in names]
    at_rest = {part.note.pot for part in halves if any(map(facts.supply.quiet, part.nets))}
    tone = {part.ref for part in controls if part.note.pot not in at_rest}
    return [
        replace(role, name="tone_control")
        if role.name == "volume_control" and role.part in tone
        else role
        for role in found
    ]


def adjusters(facts: Facts, supplies: tuple[BiasSupply, ...]) -> tuple[Adjuster, ...]:
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
