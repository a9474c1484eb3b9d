"""Open, shorted, drifted or wrong resistor between the bias supply and the grids.

What it does:
    A resistor of the network that divides the negative supply down to the grids has another
    value.
Why it overheats something:
    Whatever takes the grids less negative makes every tube they belong to draw more at
    once: a series resistor that has risen or opened, a leg to ground that is too low.
How it is modelled:
    The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted. A value that
    two slips lead to is listed once.
Known limits:
    A wrong value that the pot can still trim away is shown at the pot's place of the
    netlist.
Example:
    `R30/open`, `R33/wrong_value@820ohm`.
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

NAME = "bias_network"

HABITS = Habits(
    NAME,
    ("bias_divider", "bias_series_resistor"),
    slips=slips,
    drifts=(1.2, 1.5, 2.0),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every resistor of the bias network."""
    yield from resistor_faults(circuit, roles, HABITS)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the value of every resistor of the bias network."""
    yield from resistor_sweeps(circuit, roles, HABITS)


BIAS_NETWORK = FaultKind(
    name=NAME,
    title="Open, shorted, drifted or wrong resistor of the bias supply",
    model="The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted.",
    defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
    "x1.2 x1.5 x2, open, shorted; swept to a hundredth and a hundred times.",
    likelihood="Decade slip common, neighbor occasional, two decades rare; drift and open "
    "occasional; short rare.",
    readings="All grids of the supply wrong by one share; the nominal bias cannot be reached "
    "at either end of the pot.",
    next_step="All output tubes out, power on: measure from the supply to the feed, resistor by "
    "resistor, and compare each drop.",
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
