"""Open, shorted or wrong back-bias resistor.

What it does:
    The resistor in the negative return of B+, across which the bias arises, has another
    value.
Why it overheats something:
    Too low, or shorted, it takes bias away from every tube that lives on it. Open, the
    whole supply floats and the tubes get nothing.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    A capacitor across it that leaks is a fault of the bias filter.
Example:
    `R1/shorted`, `R1/wrong_value@15ohm`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.preferred import slips
from netcheck.faults.resistors import Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "back_bias"

HABITS = Habits(
    NAME,
    ("back_bias_resistor",),
    slips=slips,
    drifts=(1.5, 2.0),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every back-bias resistor."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every back-bias resistor."""
    yield from resistor_sweeps(circuit, roles, HABITS)


BACK_BIAS = FaultKind(
    name=NAME,
    title="Open, shorted or wrong back-bias resistor",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
    "x1.5 x2, open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor occasional, two decades rare; drift and open "
    "occasional; short rare.",
    readings="The bias of the whole stage is low and B+ current high; the drop over marked "
    "resistance disagrees with the total current.",
    next_step="Power off, capacitors discharged: measure the resistor, then the capacitor "
    "across it.",
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
    group="bias supply",
)
