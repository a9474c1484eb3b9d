"""The limits of resistors, capacitors and windings.

Comes in: one part, its roles, and what it takes in the healthy circuit.  Goes
out: its limit, or the reason why it is not judged.  A rating comes from the part's
note (`power=5W`, `volts=400V`, `max_current=120mA`); a resistor without one is
assumed to have been chosen by the rule in `netcheck.ratings.parts`, which the
report lists as an assumption.  Capacitors and windings are not guessed at: no
rule gives a maker's choice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from netcheck.circuit.model import Part
from netcheck.conditions import condition_of
from netcheck.judge.base import EVERY_CONDITION, NotJudged, PartLimit
from netcheck.ratings.parts import SIGNAL_RESISTOR_W, assumed_rating_w
from netcheck.roles.table import RoleName
from netcheck.solve.results import Solved

STANDS_FOR: Mapping[str, str] = {
    each: each.kind.stands_for for each in RoleName if each.kind.stands_for
}
"""Roles of parts that nobody could buy."""

SIGNAL_ROLES = frozenset(each for each in RoleName if each.kind.signal)


def resistor_limit(
    part: Part, roles: Iterable[str], healthy: Iterable[Solved]
) -> PartLimit | NotJudged:
    """Return the power limit of a resistor."""
    names = frozenset(roles)
    for role in sorted(names & STANDS_FOR.keys()):
        if part.note.power_w is not None:  # the user says it is a part
            break
        return NotJudged(part.ref, "power_w", STANDS_FOR[role], ratable=False)
    if part.note.is_speaker:
        return NotJudged(part.ref, "power_w", STANDS_FOR[RoleName.SPEAKER_LOAD], ratable=False)
    if part.note.power_w is not None:
        return _noted(part, "power_w", part.note.power_w, "power")
    taken = [
        state.parts[part.ref].power_w
        for state in healthy
        if part.ref in state.parts and condition_of(state.condition).habitual
    ]
    rating = assumed_rating_w(max(taken)) if taken else None
    if not taken and names & SIGNAL_ROLES:
        rating = SIGNAL_RESISTOR_W
    if rating is None:
        return NotJudged(part.ref, "power_w", "no power= in its note and no rating to assume")
    return PartLimit(
        part.ref,
        "power_w",
        rating,
        rating,
        "not_stated",
        "mean power against an assumed rating: no power= in its note",
        "assumption, see the report",
        EVERY_CONDITION,
        assumed=True,
    )


def capacitor_limit(part: Part, roles: Iterable[str]) -> PartLimit | NotJudged:
    """Return the voltage limit of a capacitor."""
    for role in sorted(frozenset(roles) & STANDS_FOR.keys()):
        return NotJudged(part.ref, "voltage_v", STANDS_FOR[role], ratable=False)
    if part.note.volts_v is None:
        return NotJudged(part.ref, "voltage_v", "no volts= in its note")
    return _noted(part, "voltage_v", part.note.volts_v, "volts")


def winding_limit(part: Part) -> PartLimit | NotJudged:
    """Return the current limit of a winding or choke."""
    if part.note.max_current_a is None:
        return NotJudged(part.ref, "current_a", "no max_current= in its note")
    limit = _noted(part, "current_a", part.note.max_current_a, "max_current")
    return replace(limit, wire_ohm=part.note.dcr_ohm or 0.0)


COMPARED: Mapping[str, str] = {
    "power_w": "mean power against the rating as printed",
    "voltage_v": "largest volts against the rating as printed",
    "current_a": "rms current against the rating as printed",
}


def _noted(part: Part, quantity: str, value: float, key: str) -> PartLimit:
    return PartLimit(
        part.ref,
        quantity,
        value,
        value,
        "not_stated",
        COMPARED[quantity],
        f"note {key}= in the netlist",
        EVERY_CONDITION,
    )
