"""Drifted, open, shorted or wrong plate load of a voltage amplifier.

What it does:
    The resistor that feeds a plate rises with age, opens, or has a wrong value.
Why it overheats something:
    The stage itself dissipates little. But where the next grid hangs straight on this
    plate, a lower load lifts it and the next tube draws more; an open load lets it cool.
    Unequal loads of an inverter drive the output tubes unequally.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    Noise, the usual first sign of a failing plate load, is not modelled.
Example:
    `R3/drifted@150kohm`, `R3/open`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory. Carbon composition of 33
    kohm to 470 kohm drifts upward and most parts found bad are of that size: common
    practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.resistors import CARBON_UPWARD, Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "plate_load"

HABITS = Habits(
    NAME,
    ("plate_load",),
    drifts=(1.5, 2.0, 3.0),
    upward=CARBON_UPWARD,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every plate load."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every plate load."""
    yield from resistor_sweeps(circuit, roles, HABITS)


PLATE_LOAD = FaultKind(
    name=NAME,
    title="Drifted, open, shorted or wrong plate load",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5, x2, x3, "
    "open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Drift upward common, decade slip common, neighbor and open occasional, short rare.",
    readings="Plate volts low with a load that has drifted up, high with a low one; cathode "
    "volts confirm which.",
    next_step="Power off, capacitors discharged: measure the resistor in place, rail to plate "
    "pin; tubes cold it reads true.",
    source="common practice; failure modes of resistors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted_down", "open", "shorted", "drifted", "drifted_up"),
    expected={
        "wrong_value": Expected("common", "assembly"),
        "drifted_down": Expected("rare", "wear"),
        "open": Expected("occasional", "chance"),
        "shorted": Expected("rare", "assembly"),
        "drifted": Expected("common", "wear"),
        "drifted_up": Expected("common", "wear"),
    },
    group="resistors",
)
