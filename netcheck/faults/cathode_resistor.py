"""Wrong, drifted, open or shorted cathode resistor.

What it does:
    The resistor between cathode and ground sets the bias of a cathode-biased tube; a
    tail resistor sets the current of a pair.  A wrong value sets a wrong current.
Why it overheats something:
    Too low a value leaves too little bias: the tube draws more, and so does the
    resistor itself.  Too high a value, or an open one, starves the tube but puts a
    high voltage on the bypass capacitor.
How it is modelled:
    The resistor takes another value: ten, a hundred times, a tenth, a hundredth (color
    code slips), the neighbors in E12 and E6, drift by 0.7 to 2, 1 Gohm for open and
    0.1 ohm for a short across it.  A value that two slips lead to is listed once,
    under the likelier.
Known limits:
    A resistor shorted by its bypass capacitor is that capacitor's fault
    (`cathode_bypass.py`).  An open one keeps no leak of its bypass capacitor.
Example:
    `R9/wrong_value@47ohm`, `R9/drifted@329ohm`, `R9/open`.
References:
    IEC 60062 (color code), IEC 60063 (E series).  Carbon composition drifts upward:
    common practice.  Failed film resistors are open in 59 %, wirewound in 65 % of
    cases: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.preferred import slips
from netcheck.faults.resistors import (
    OPEN_AFTER_OVERLOAD,
    Habits,
    resistor_faults,
    resistor_sweeps,
)
from netcheck.roles.base import Roles

NAME = "cathode_resistor"
HABITS = Habits(
    NAME,
    ("cathode_resistor", "tail_resistor"),
    slips=slips,
    drifts=(0.7, 0.8, 0.9, 1.2, 1.5, 2.0),
    open=OPEN_AFTER_OVERLOAD,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List wrong values, drift, open and short of every cathode and tail resistor."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep every cathode resistor down to a hundredth and up to a hundred times."""
    yield from resistor_sweeps(circuit, roles, HABITS)


CATHODE_RESISTOR = FaultKind(
    name=NAME,
    title="Wrong, drifted, open or shorted cathode resistor",
    model="The resistor takes another value; open is 1 Gohm, shorted 0.1 ohm.",
    defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
    "x0.7 0.8 0.9 1.2 1.5 2, open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor occasional, two decades rare; drift up occasional, "
    "down and a short rare; open common after a tube has run away.",
    readings="Cathode voltage over marked resistance gives a current that disagrees with the plate "
    "side; low value: low cathode voltage and hot tube; open: cathode floats to tens of volts.",
    next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
    "measure it against its marking.",
    source="IEC 60062 and IEC 60063; common practice; FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted", "drifted_down", "drifted_up", "open", "shorted"),
    expected={
        "wrong_value": Expected("common", "assembly"),
        "drifted": Expected("occasional", "wear"),
        "drifted_down": Expected("rare", "wear"),
        "drifted_up": Expected("occasional", "wear"),
        "open": Expected("common", "chance"),
        "shorted": Expected("rare", "assembly"),
    },
    group="resistors",
)
