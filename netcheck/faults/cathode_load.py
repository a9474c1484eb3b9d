"""Wrong, drifted, open or shorted load in the cathode of a follower or cathodyne.

What it does:
    The resistor between the cathode of a follower or a split-load inverter and ground has
    another value.
Why it overheats something:
    A lower one draws more current through tube and resistor; with direct coupling it also
    moves the next grid. A missing one leaves the tube without current and its cathode at
    several times its usual volts.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    A split load whose halves differ gives unequal drive, which shows when driven.
Example:
    `R7/wrong_value@2.2kohm`, `R7/open`.
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

NAME = "cathode_load"

HABITS = Habits(
    NAME,
    ("cathode_load",),
    drifts=(1.5, 2.0),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every load of a follower or cathodyne."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every load of a follower or cathodyne."""
    yield from resistor_sweeps(circuit, roles, HABITS)


CATHODE_LOAD = FaultKind(
    name=NAME,
    title="Wrong, drifted, open or shorted cathode load",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
    "open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor occasional; drift and open occasional; short rare.",
    readings="Cathode volts over marked resistance disagree with the plate side; the two "
    "halves of a cathodyne differ.",
    next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
    "measure it against its marking.",
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
