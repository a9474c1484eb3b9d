"""Open, missing or wrong grid stopper.

What it does:
    The resistor in front of a grid no longer lets the bias through, or no longer damps.
Why it overheats something:
    With the stopper open the grid hangs on its own leakage and drifts up until the tube
    red-plates, while bias measured at the grid leak looks right. With it shorted nothing
    shows at rest, but the tube may oscillate at radio frequency. Ten or a hundred times too
    much adds to the resistance the reverse grid current flows through.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    Oscillation for want of a stopper is not solved: the direct volts are those of a sound
    stage.
Example:
    `R16/open`, `R16/wrong_value@220kohm`.
References:
    IEC 60062 (color code), IEC 60063 (E series). Failed film resistors are open in 59 % of
    cases, drifted in 36 % and shorted in 5 %: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    ContinuousFault,
    Defect,
    Expected,
    Fault,
    FaultKind,
    likelihood,
)
from netcheck.faults.common import POWER_OFF
from netcheck.faults.preferred import BAND, Slip
from netcheck.faults.resistors import Habits, resistor_faults, resistor_sweeps
from netcheck.roles.base import Roles

NAME = "grid_stopper"

OPEN_FROM_HEAT = likelihood(
    "occasional",
    "common practice: stoppers sit on the socket, in its heat; open is 59 % of film resistor "
    "failures (FMD-91, from memory)",
)


def decade_up_slips(ohm: float) -> Iterator[Slip]:
    """Give the values that raise the resistance in the grid; lower ones only damp less."""
    yield Slip(10.0 * ohm, "ten times the value, multiplier one off", likelihood("common", BAND))
    yield Slip(
        100.0 * ohm, "a hundred times the value, multiplier two off", likelihood("rare", BAND)
    )


def _measure(part: Part) -> str:
    return (
        f"{POWER_OFF}, tube out: measure from the grid pin of the socket through {part.ref} to its "
        f"far end; {Defect(part.value or 0.0, 'ohm').text} belongs there."
    )


HABITS = Habits(
    NAME,
    ("grid_stopper",),
    slips=decade_up_slips,
    open=OPEN_FROM_HEAT,
    sweeps=("drifted_up",),
    measure=_measure,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every grid stopper."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every grid stopper."""
    yield from resistor_sweeps(circuit, roles, HABITS)


GRID_STOPPER = FaultKind(
    name=NAME,
    title="Open, missing or wrong grid stopper",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10 and x100, open, shorted; swept up to a hundred times.",
    likelihood="Decade slip common, two decades rare, open occasional, short rare.",
    readings="Bias right at the junction of grid leak and stopper, absent at the grid pin; the "
    "tube draws more minute by minute. Shorted: current jumps when a probe comes "
    "near.",
    next_step="Power off, capacitors discharged, tube out: measure from the grid pin through "
    "the stopper to the grid leak.",
    source="common practice; failure modes of resistors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("wrong_value", "drifted_up", "open", "shorted"),
    expected={
        "wrong_value": Expected("common", "assembly"),
        "drifted_up": Expected("occasional", "wear"),
        "open": Expected("occasional", "chance"),
        "shorted": Expected("rare", "assembly"),
    },
    group="resistors",
)
