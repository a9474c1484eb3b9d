"""Open or wrong sense resistor in a cathode.

What it does:
    The small resistor that shows cathode current in millivolts is open or has another
    value.
Why it overheats something:
    Open, its tube passes nothing, the cathode floats to tens of volts, and the partner
    carries the signal. Ten times too much shows ten times the current: who then turns the
    bias down or up by the meter sets it wrong by as much.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    What the owner adjusts by a wrong reading is the fault `bias_supply`.
Example:
    `R24/open`, `R24/wrong_value@10ohm`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.preferred import decade_slips
from netcheck.faults.resistors import Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "sense_resistor"

HABITS = Habits(
    NAME,
    ("sense_resistor",),
    slips=decade_slips,
    shorted=None,
    sweeps=("drifted_up",),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every sense resistor."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every sense resistor."""
    yield from resistor_sweeps(circuit, roles, HABITS)


SENSE_RESISTOR = FaultKind(
    name=NAME,
    title="Open or wrong sense resistor",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062), open; swept up to a hundred times.",
    likelihood="Decade slip common, open occasional.",
    readings="Open: the reading is absurdly high, tens of volts, and the tube is cold. Wrong: "
    "the reading is off by ten.",
    next_step="Power off, capacitors discharged, tube out: measure the resistor, leads of the "
    "meter subtracted.",
    source="common practice; failure modes of resistors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted_up", "open"),
    expected={
        "wrong_value": Expected("common", "assembly"),
        "drifted_up": Expected("occasional", "wear"),
        "open": Expected("occasional", "chance"),
    },
    group="resistors",
)
