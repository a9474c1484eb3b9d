"""Open, drifted, wrong or shorted grid leak.

What it does:
    The resistor that ties a grid to its bias, or to ground, no longer holds it there.
Why it overheats something:
    A little reverse current flows out of every negative grid.  Through a higher grid
    leak it moves the grid further positive, which raises the current and with it the
    reverse current; with the leak open the grid drifts up until the tube red-plates.
How it is modelled:
    The resistor takes another value: 1.2, 1.5, 2, 3 or 5 times its own, or 1 Gohm for
    open; ten times or a tenth of its value where the multiplier was read wrong; 0.1 ohm
    for a short.  The reverse grid current is part of the tube's current law.
Known limits:
    A gassy or hot tube has far more reverse current than the model's sound one, so
    real tubes tip over earlier.  The slow creep over minutes is not modelled.
Example:
    `R12/open`, `R12/drifted@330kohm`.
References:
    Carbon composition of 220 kohm to 1 Mohm drifts upward, and an open grid leak shows
    as a reading that a 10 Mohm meter cures: common practice.  Failed composition
    resistors have drifted in 66 % and opened in 31 % of cases: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import OPEN_OHM, SHORT_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Likelihood,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import (
    POWER_OFF,
    fault_id,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
)
from netcheck.faults.preferred import decade_slips
from netcheck.faults.resistors import SHORTED
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "grid_leak"
DRIFTS = (1.2, 1.5, 2.0, 3.0, 5.0)
FAR_DRIFT = 2.5

OPEN = likelihood(
    "occasional",
    "common practice; open is 31 % of composition resistor failures (FMD-91, from memory)",
)
NEAR = likelihood("common", "common practice: carbon composition of this size drifts upward")
FAR = likelihood("occasional", "common practice: drift beyond two or three times is less usual")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the drifts and the open of every grid leak."""
    for part, tubes in _leaks(circuit, roles):
        for factor in DRIFTS:
            yield _drifted(part, tubes, (part.value or 0.0) * factor)
        for slip in decade_slips(part.value or 0.0):
            yield _fault(part, tubes, "wrong_value", slip.ohm, slip.likelihood)
        if (part.value or 0.0) < OPEN_OHM:
            yield _fault(part, tubes, "open", OPEN_OHM, OPEN)
        yield _fault(part, tubes, "shorted", SHORT_OHM, SHORTED)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep every grid leak from its value up to an open one."""
    for part, tubes in _leaks(circuit, roles):
        if (part.value or 0.0) < OPEN_OHM:
            yield ContinuousFault(
                id=fault_id([part.ref], "drifted"),
                parts=(part.ref,),
                kind="drifted",
                unit="ohm",
                from_value=part.value or 0.0,
                to_value=OPEN_OHM,
                logarithmic=True,
                make=partial(_drifted, part, tubes),
                family=NAME,
            )


def _leaks(circuit: Circuit, roles: Roles) -> Iterator[tuple[Part, str]]:
    """Give each grid leak with its tubes in words."""
    for part, played in parts_with_role(circuit, roles, "resistor", RoleName.GRID_LEAK):
        yield part, joined(served_tubes(circuit, played), played[0].of)


def _drifted(part: Part, tubes: str, ohm: float) -> Fault:
    chance = FAR if ohm > FAR_DRIFT * (part.value or ohm) else NEAR
    return _fault(part, tubes, "drifted", ohm, chance)


def _fault(part: Part, tubes: str, kind: str, ohm: float, chance: Likelihood) -> Fault:
    defect = Defect(ohm, "ohm")
    marked = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "is open, or was left out",
        "shorted": "is shorted",
        "wrong_value": f"is {defect.text} where {marked} belongs",
    }.get(kind, f"has drifted to {defect.text} from {marked}")
    return make_fault(
        NAME,
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, the grid leak of {tubes}, {happened}.",
        measure=f"{POWER_OFF}, {tubes} out: measure from the grid pin of {tubes} to the far end of "
        f"{part.ref}; {marked} belongs there, grid stopper included.",
        defect=defect,
        only_size=kind in ("open", "shorted"),
    )


GRID_LEAK = FaultKind(
    name=NAME,
    title="Open, drifted, wrong or shorted grid leak",
    model="The resistor takes another value, 1 Gohm when open; the tube's reverse grid current "
    "lifts the grid.",
    defects="x1.2, 1.5, 2, 3, 5; x10, /10 (IEC 60062); open; shorted; swept from its value to "
    "1 Gohm.",
    likelihood="Drift common up to about twice, occasional beyond; decade slip common, open "
    "occasional, short rare.",
    readings="Plate current creeps up over minutes; a 10 Mohm meter on the grid seems to cure it.",
    next_step="Power off, capacitors discharged, tube out: measure from the grid pin to the bias "
    "feed or ground.",
    source="common practice; failure modes of resistors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="resistor",
    words=(
        Word(
            "drifted",
            "common",
            "wear",
            grows="drift",
            deviates=True,
            starves=True,
            gives_up=True,
            ripple="grid",
        ),
        Word("wrong_value", "common", "assembly", ripple="grid"),
        Word("open", "occasional", "chance", gives_up=True, unsoldered=True, ripple="grid"),
        Word("shorted", "rare", "assembly", ripple="grid"),
    ),
    signs=(
        Sign("partner", HEATS, PRACTICE, "shorted"),
        Sign("hum", 0.6, f"{PRACTICE}: an open grid picks up hum", "open"),
    ),
    group="resistors",
)
