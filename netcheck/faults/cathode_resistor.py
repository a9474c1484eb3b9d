"""Wrong, drifted or open cathode resistor.

What it does:
    The resistor between cathode and ground sets the bias of a cathode-biased tube; a
    tail resistor sets the current of a pair.  A wrong value sets a wrong current.
Why it overheats something:
    Too low a value leaves too little bias: the tube draws more, and so does the
    resistor itself.  Too high a value, or an open one, starves the tube but puts a
    high voltage on the bypass capacitor.
How it is modelled:
    The resistor takes another value: ten, a hundred times, a tenth, a hundredth (color
    code slips), the neighbors in E12 and E6, drift by 0.7 to 2, and 1 Gohm for open.
    A value that two slips lead to is listed once, under the likelier.
Known limits:
    A resistor shorted by its bypass capacitor is that capacitor's fault
    (`cathode_bypass.py`).  Two resistors exchanged with each other are not tried.
Example:
    `R9/wrong_value@47ohm`, `R9/drifted@329ohm`, `R9/open`.
References:
    IEC 60062 (color code), IEC 60063 (E series).  Carbon composition drifts upward:
    common practice.  Failed film resistors are open in 59 %, wirewound in 65 % of
    cases: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import OPEN_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Likelihood,
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
from netcheck.faults.preferred import slips
from netcheck.roles.base import Roles

NAME = "cathode_resistor"
DRIFTS = (0.7, 0.8, 0.9, 1.2, 1.5, 2.0)
SWEEP_FACTOR = 100.0
SAME = 1e-3

UPWARD = likelihood("occasional", "common practice: carbon composition drifts upward")
DOWNWARD = likelihood("rare", "common practice: resistors seldom drift downward")
OPEN = likelihood(
    "common",
    "common practice, after a tube has run away; open is 59 % of film and 65 % of wirewound "
    "resistor failures (FMD-91, from memory)",
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List wrong values, drift and open for every cathode and tail resistor."""
    for resistor, job in _resistors(circuit, roles):
        healthy = resistor.value or 0.0
        listed = [healthy]
        for slip in slips(healthy):
            if _is_new(slip.ohm, listed):
                yield _fault(resistor, job, "wrong_value", slip.ohm, slip.likelihood, slip.why)
        for factor in DRIFTS:
            if _is_new(healthy * factor, listed):
                yield _drifted(resistor, job, "drifted", healthy * factor)
        yield _fault(resistor, job, "open", OPEN_OHM, OPEN, "no current")


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep every cathode resistor down to a hundredth and up to a hundred times."""
    for resistor, job in _resistors(circuit, roles):
        healthy = resistor.value or 0.0
        ends = {"drifted_down": healthy / SWEEP_FACTOR, "drifted_up": healthy * SWEEP_FACTOR}
        for kind, end in ends.items():
            yield ContinuousFault(
                id=fault_id([resistor.ref], kind),
                parts=(resistor.ref,),
                kind=kind,
                unit="ohm",
                from_value=healthy,
                to_value=end,
                logarithmic=True,
                make=partial(_drifted, resistor, job, kind),
                family=NAME,
            )


def _resistors(circuit: Circuit, roles: Roles) -> Iterator[tuple[Part, str]]:
    """Give each resistor with its job in words."""
    for part, played in parts_with_role(
        circuit, roles, "resistor", "cathode_resistor", "tail_resistor"
    ):
        name = played[0].name.replace("_", " ")
        tubes = served_tubes(circuit, played)
        yield part, f"the {name} of {joined(tubes, played[0].of)}"


def _is_new(ohm: float, listed: list[float]) -> bool:
    """Say whether no listed value is the same as `ohm`, and list it then."""
    if any(abs(ohm - other) <= SAME * other for other in listed):
        return False
    listed.append(ohm)
    return True


def _drifted(part: Part, job: str, kind: str, ohm: float) -> Fault:
    factor = ohm / (part.value or ohm)
    chance = UPWARD if factor > 1.0 else DOWNWARD
    return _fault(part, job, kind, ohm, chance, f"{factor:.3g} times its value")


def _fault(part: Part, job: str, kind: str, ohm: float, chance: Likelihood, why: str) -> Fault:
    defect = Defect(ohm, "ohm")
    marked = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "is open",
        "wrong_value": f"is {defect.text} where {marked} belongs ({why})",
    }.get(kind, f"has drifted to {defect.text} from {marked} ({why})")
    return make_fault(
        NAME,
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, {job}, {happened}.",
        measure=f"{POWER_OFF}: lift one end of {part.ref} and measure it; {marked} belongs there.",
        defect=defect,
        only_size=kind == "open",
    )


CATHODE_RESISTOR = FaultKind(
    name=NAME,
    title="Wrong, drifted or open cathode resistor",
    model="The resistor takes another value; open is 1 Gohm.",
    defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
    "x0.7 0.8 0.9 1.2 1.5 2, open; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor occasional, two decades rare; drift up occasional, "
    "down rare; open common after a tube has run away.",
    readings="Cathode voltage over marked resistance gives a current that disagrees with the plate "
    "side; low value: low cathode voltage and hot tube; open: cathode floats to tens of volts.",
    next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
    "measure it against its marking.",
    source="IEC 60062 and IEC 60063; common practice; FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted", "drifted_down", "drifted_up", "open"),
)
