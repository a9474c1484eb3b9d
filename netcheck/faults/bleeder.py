"""Open, missing or wrong bleeder, or lower leg of a screen divider.

What it does:
    A resistor from B+ or from a screen to ground no longer draws its current.
Why it overheats something:
    As the lower leg of a divider it holds the screen down: open, the screen rises up to B+
    and the tube draws more. As a plain bleeder it only matters for safety: the capacitors
    stay charged after switch-off. A wrong low value burns itself.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    The charge that stays after switch-off is not solved.
Example:
    `R22/open`, `R22/wrong_value@22kohm`.
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

NAME = "bleeder"

HABITS = Habits(
    NAME,
    ("bleeder",),
    drifts=(2.0,),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every bleeder."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every bleeder."""
    yield from resistor_sweeps(circuit, roles, HABITS)


BLEEDER = FaultKind(
    name=NAME,
    title="Open, missing or wrong bleeder or divider leg at B+",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x2, open, "
    "shorted; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor, drift and open occasional; short rare.",
    readings="High voltage stays after switch-off; a screen behind an open leg reads B+.",
    next_step="Power off, and wait: measure whether the capacitors discharge by themselves, "
    "then the resistor.",
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
    group="mains and supply",
)
