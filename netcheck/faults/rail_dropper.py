"""Open, shorted, drifted or wrong dropper between two B+ nodes.

What it does:
    The resistor between two nodes of the supply no longer drops what it should.
Why it overheats something:
    Too low a value or a short lifts all that hangs behind it: screens see more, and current
    goes with a power of 1.5 of screen volts; capacitors behind it may see more than they
    are made for. An open one leaves the node behind it dead and the one before it higher.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    A regulator in its place is not recognised as one; a shorted regulator acts as a shorted
    dropper.
Example:
    `R20/shorted`, `R20/wrong_value@1kohm`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory. Droppers open or drift
    after a capacitor behind them has leaked: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.resistors import OPEN_AFTER_OVERLOAD, Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "rail_dropper"

HABITS = Habits(
    NAME,
    ("rail_dropper",),
    drifts=(1.5, 2.0),
    open=OPEN_AFTER_OVERLOAD,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every dropper."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every dropper."""
    yield from resistor_sweeps(circuit, roles, HABITS)


RAIL_DROPPER = FaultKind(
    name=NAME,
    title="Open, shorted, drifted or wrong dropper in B+",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
    "open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Open common (after a leak behind it); decade slip common, neighbor and drift "
    "occasional; short rare.",
    readings="The node behind it reads 0 V, or as much as the node before it; the drop over "
    "marked resistance disagrees with the current behind it.",
    next_step="Power off, capacitors discharged: measure the resistor, and the capacitor behind "
    "it for a leak.",
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
    group="mains and supply",
)
