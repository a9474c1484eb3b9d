"""Open, shorted or wrong feedback resistor.

What it does:
    The resistor that brings the output back to an earlier stage is missing, shorted or has
    a wrong value.
Why it overheats something:
    Without feedback the same input drives the output tubes several times harder. Where it
    lies across direct volts (plate to plate, plate to grid) it is part of the bias too. Ten
    times too little overdoes the feedback and may start an oscillation.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    Whether the loop oscillates is not judged; a driven run that does not settle says so.
Example:
    `R6/open`, `R6/wrong_value@8.2kohm`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.resistors import Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "feedback_resistor"

HABITS = Habits(
    NAME,
    ("feedback_resistor",),
    drifts=(2.0,),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every feedback resistor."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every feedback resistor."""
    yield from resistor_sweeps(circuit, roles, HABITS)


FEEDBACK_RESISTOR = FaultKind(
    name=NAME,
    title="Open, shorted or wrong feedback resistor",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x2, open, "
    "shorted; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor, drift and open occasional; short rare.",
    readings="Open: gain goes up by the amount of feedback, direct volts stay. Too low: low "
    "gain, ringing.",
    next_step="Power off, capacitors discharged: lift one end of the resistor and measure it "
    "against its marking.",
    source="common practice; failure modes of resistors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted", "drifted_down", "drifted_up", "open", "shorted"),
    expected={
        "wrong_value": Expected("common", "assembly"),
        "drifted": Expected("occasional", "wear"),
        "drifted_down": Expected("rare", "wear"),
        "drifted_up": Expected("occasional", "wear"),
        "open": Expected("occasional", "chance"),
        "shorted": Expected("rare", "assembly"),
    },
    group="resistors",
)
