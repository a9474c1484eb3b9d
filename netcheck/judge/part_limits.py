"""The limits of resistors, capacitors, windings and supplies.

Comes in: one part, its roles, and what it takes in the healthy circuit.  Goes
out: its limit, or the reason why it is not judged.  A rating comes from the part's
note (`power=5W`, `volts=400V`, `max_current=120mA`); a resistor without one is
assumed to have been chosen by the rule in `netcheck.ratings.parts`, which the
report lists as an assumption.  Capacitors and windings are not guessed at: no
rule gives a maker's choice.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from netcheck.circuit.model import Part
from netcheck.conditions import condition_of
from netcheck.judge.base import EVERY_CONDITION, NotJudged, PartLimit
from netcheck.ratings.parts import SIGNAL_RESISTOR_W, assumed_rating_w
from netcheck.roles.table import RoleName
from netcheck.solve.results import Solved


def resistor_limit(
    part: Part, roles: Iterable[RoleName], healthy: Iterable[Solved]
) -> PartLimit | NotJudged:
    """Return the power limit of a resistor."""
    names = frozenset(roles)
    reason = _stands_for(names) if part.note.power_w is None else ""  # a rated part is a part
    if not reason and part.note.is_speaker:
        reason = RoleName.SPEAKER_LOAD.kind.stands_for
    if reason:
        return NotJudged(part.ref, "power_w", reason, ratable=False)
    if part.note.power_w is not None:
        return _noted(part, "power_w", part.note.power_w, "power")
    taken = [
        state.parts[part.ref].power_w
        for state in healthy
        if part.ref in state.parts and condition_of(state.condition).habitual
    ]
    rating = assumed_rating_w(max(taken)) if taken else None
    if not taken and any(name.kind.signal for name in names):
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


def capacitor_limit(part: Part, roles: Iterable[RoleName]) -> PartLimit | NotJudged:
    """Return the voltage limit of a capacitor."""
    if part.note.volts_v is None and (reason := _stands_for(roles)):  # a rated part is a part
        return NotJudged(part.ref, "voltage_v", reason, ratable=False)
    if part.note.volts_v is None:
        return NotJudged(part.ref, "voltage_v", "no volts= in its note")
    return _noted(part, "voltage_v", part.note.volts_v, "volts")


def winding_limit(part: Part) -> PartLimit | NotJudged:
    """Return the current limit of a winding or choke."""
    if part.note.max_current_a is None:
        return NotJudged(part.ref, "current_a", "no max_current= in its note")
    return _noted(part, "current_a", part.note.max_current_a, "max_current")


SUPPLY_TIMES = 4.2
"""A supply may give so many times its healthy idle current: a class-AB pair takes up to
twice its idle current at full signal (6L6GC: 116 to 210 mA, from memory), and a fuse for that
is only sure to open from 2.1 times its rating on (IEC 60127-2)."""
SUPPLY_LEAST_A = 0.1
"""No supply is judged below this: the smallest high-tension windings bear half of it for
hours (common practice)."""


def supply_limit(part: Part, idle: Solved | None) -> PartLimit | None:
    """Return the current limit of a source of direct volts; None for any other.

    idle: the healthy circuit at idle; None where it was not solved.
    """
    if not part.value or part.note.is_input:
        return None
    if part.note.max_current_a is not None:
        return _noted(part, "supply_current_a", part.note.max_current_a, "max_current")
    if idle is None or part.ref not in idle.parts:
        return None
    most_a = max(SUPPLY_TIMES * abs(idle.parts[part.ref].current_a), SUPPLY_LEAST_A)
    return PartLimit(
        part.ref,
        "supply_current_a",
        most_a,
        most_a,
        "not_stated",
        f"mean current against {SUPPLY_TIMES:g} times the healthy idle current, and at least "
        f"{SUPPLY_LEAST_A:g} A",
        "estimate: twice the idle current at full signal, and 2.1 times that opens a fuse "
        "(IEC 60127-2)",
        EVERY_CONDITION,
    )


def _stands_for(roles: Iterable[RoleName]) -> str:
    """Return why nobody could buy a part with one of these roles; empty where it is one."""
    return next((each.kind.stands_for for each in sorted(roles) if each.kind.stands_for), "")


COMPARED: Mapping[str, str] = {
    "power_w": "mean power against the rating as printed",
    "voltage_v": "largest volts against the rating as printed",
    "current_a": "rms current against the rating as printed",
    "supply_current_a": "mean current against the rating as printed",
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
