"""Open, shorted, drifted or wrong screen resistor.

What it does:
    The resistor that feeds a screen grid opens after an overload, drifts, or was fitted
    with the wrong value.
Why it overheats something:
    With the screen open its tube passes almost nothing and the partner carries the whole
    signal. Too low a value, or a short, lets the screen's dissipation run up under
    overdrive, where this resistor is what protects it. Too high a value starves the tube
    and heats the resistor.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    That a shorted tube burnt the resistor first is not part of the fault; look at the tube
    too.
Example:
    `R18/open`, `R18/wrong_value@220ohm`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory. Screen resistors open
    after an arc in the tube: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.resistors import OPEN_AFTER_OVERLOAD, Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "screen_resistor"

HABITS = Habits(
    NAME,
    ("screen_resistor",),
    drifts=(1.5, 2.0),
    open=OPEN_AFTER_OVERLOAD,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every screen resistor."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every screen resistor."""
    yield from resistor_sweeps(circuit, roles, HABITS)


SCREEN_RESISTOR = FaultKind(
    name=NAME,
    title="Open, shorted, drifted or wrong screen resistor",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
    "open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Open common (after an arc); decade slip common, neighbor occasional; drift "
    "occasional; short rare.",
    readings="Open: screen volts near zero, the tube cold, power low and one-sided. Too low: "
    "nothing at idle, screen glows when overdriven.",
    next_step="Power off, capacitors discharged, tube out: measure the resistor, then the "
    "tube's screen for a short.",
    source="common practice; failure modes of resistors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted", "drifted_down", "drifted_up", "shorted", "open"),
    expected={
        "wrong_value": Expected("common", "assembly"),
        "drifted": Expected("occasional", "wear"),
        "drifted_down": Expected("rare", "wear"),
        "drifted_up": Expected("occasional", "wear"),
        "shorted": Expected("rare", "assembly"),
        "open": Expected("common", "chance"),
    },
    group="resistors",
)
