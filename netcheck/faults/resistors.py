"""What all kinds of resistor fault share.

Comes in: a circuit, its roles, and `Habits`: what goes wrong with resistors of one
job and how likely each of it is.  Goes out: faults and sweeps.  Every kind spells its
ids here, so that a resistor with two jobs is listed once: wrong value, drift, open
and short are the same change of the same part whatever it is there for.

An open resistor is also one that was left out or never soldered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

from netcheck.circuit.changes import OPEN_OHM, SHORT_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import ContinuousFault, Defect, Fault, Likelihood, likelihood
from netcheck.faults.common import (
    POWER_OFF,
    fault_id,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
)
from netcheck.faults.preferred import Slip, coarse_slips
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

SAME = 1e-3
"""Two values this near are one fault, under the likelier word."""
SWEEP_FACTOR = 100.0

UPWARD = likelihood("occasional", "common practice: carbon composition drifts upward")
CARBON_UPWARD = likelihood(
    "common", "common practice: carbon composition of 33 kohm to 1 Mohm drifts upward"
)
DOWNWARD = likelihood("rare", "common practice: resistors seldom drift downward")
MODES = "59 % of film, 65 % of wirewound and 31 % of composition resistor failures"
OPEN = likelihood("occasional", f"common practice; open is {MODES} (FMD-91, from memory)")
OPEN_AFTER_OVERLOAD = likelihood(
    "common", f"common practice, after an overload; open is {MODES} (FMD-91, from memory)"
)
SHORTED = likelihood(
    "rare",
    "common practice: a stray wire or a bridge of solder; a short is 5 % of film and 9 % of "
    "wirewound resistor failures (FMD-91, from memory)",
)

Job = tuple[Part, tuple[Role, ...]]


@dataclass(frozen=True, slots=True)
class Habits:
    """What goes wrong with the resistors of one job.

    family: of the kind; roles: the jobs; slips: wrong values, None for none.
    drifts: factors; open, shorted: how likely, None where it is not listed.
    sweeps: which way the value is swept.  measure: how it is found, None for the
    usual way.
    """

    family: str
    roles: tuple[RoleName, ...]
    slips: Callable[[float], Iterable[Slip]] | None = coarse_slips
    drifts: tuple[float, ...] = ()
    upward: Likelihood = UPWARD
    open: Likelihood | None = OPEN
    shorted: Likelihood | None = SHORTED
    sweeps: tuple[str, ...] = ("drifted_down", "drifted_up")
    measure: Callable[[Part], str] | None = None


def resistor_faults(circuit: Circuit, roles: Roles, habits: Habits) -> Iterator[Fault]:
    """List wrong values, drift, open and short of every resistor with one of the jobs."""
    for part, played in resistors(circuit, roles, habits):
        job, healthy = job_text(circuit, played), part.value or 0.0
        listed = [healthy]
        for slip in habits.slips(healthy) if habits.slips else ():
            if _is_new(slip.ohm, listed):
                yield _fault(habits, part, job, "wrong_value", slip.ohm, slip.likelihood, slip.why)
        for factor in habits.drifts:
            if _is_new(healthy * factor, listed):
                yield drifted(habits, part, job, "drifted", healthy * factor)
        if habits.open and healthy < OPEN_OHM:
            yield _fault(habits, part, job, "open", OPEN_OHM, habits.open)
        if habits.shorted and healthy > SHORT_OHM:
            yield _fault(habits, part, job, "shorted", SHORT_OHM, habits.shorted)


def resistor_sweeps(circuit: Circuit, roles: Roles, habits: Habits) -> Iterator[ContinuousFault]:
    """Sweep every such resistor down to a hundredth and up to a hundred times."""
    for part, played in resistors(circuit, roles, habits):
        healthy = part.value or 0.0
        ends = {"drifted_down": healthy / SWEEP_FACTOR, "drifted_up": healthy * SWEEP_FACTOR}
        for kind in habits.sweeps:
            yield ContinuousFault(
                id=fault_id([part.ref], kind),
                parts=(part.ref,),
                kind=kind,
                unit="ohm",
                from_value=healthy,
                to_value=ends[kind],
                logarithmic=True,
                make=partial(drifted, habits, part, job_text(circuit, played), kind),
                family=habits.family,
            )


def resistors(circuit: Circuit, roles: Roles, habits: Habits) -> tuple[Job, ...]:
    """Return the resistors with one of the jobs, pots left out: those have kinds of their own."""
    listed = parts_with_role(circuit, roles, "resistor", *habits.roles)
    return tuple((part, played) for part, played in listed if not part.note.pot)


def job_text(circuit: Circuit, played: tuple[Role, ...]) -> str:
    """Say what a part is there for: `the cathode resistor of V1 and V2`."""
    name = played[0].name.words
    return f"the {name} of {joined(served_tubes(circuit, played), played[0].of)}"


def drifted(habits: Habits, part: Part, job: str, kind: str, ohm: float) -> Fault:
    """Return a resistor that has drifted to `ohm`."""
    factor = ohm / (part.value or ohm)
    chance = habits.upward if factor > 1.0 else DOWNWARD
    return _fault(habits, part, job, kind, ohm, chance, f"{factor:.3g} times its value")


def _is_new(ohm: float, listed: list[float]) -> bool:
    """Say whether no listed value is the same as `ohm`, and list it then."""
    if any(abs(ohm - other) <= SAME * other for other in listed):
        return False
    listed.append(ohm)
    return True


def _fault(
    habits: Habits,
    part: Part,
    job: str,
    kind: str,
    ohm: float,
    chance: Likelihood,
    why: str = "",
) -> Fault:
    defect = Defect(ohm, "ohm")
    marked = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "is open, or was left out",
        "shorted": "is shorted",
        "wrong_value": f"is {defect.text} where {marked} belongs ({why})",
    }.get(kind, f"has drifted to {defect.text} from {marked} ({why})")
    measure = habits.measure(part) if habits.measure else usual_measurement(part)
    return make_fault(
        habits.family,
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, {job}, {happened}.",
        measure=measure,
        defect=defect,
        only_size=kind in ("open", "shorted"),
    )


def usual_measurement(part: Part) -> str:
    """Say how a resistor is measured."""
    marked = Defect(part.value or 0.0, "ohm").text
    return f"{POWER_OFF}: lift one end of {part.ref} and measure it; {marked} belongs there."
