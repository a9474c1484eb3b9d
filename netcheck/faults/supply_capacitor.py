"""Leaky, shorted, dried-out or open capacitor of B+.

What it does:
    A reservoir or decoupling electrolytic leaks, shorts, or has lost its capacitance.
Why it overheats something:
    A leak or a short loads rectifier, transformer and the droppers before it; the droppers
    burn first. What hangs behind them gets less, so that tubes run cooler. Lost capacitance
    shows as hum and as feedback from stage to stage over the supply.
How it is modelled:
    A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open
    part keeps a thousandth of its capacitance; a dried-out one keeps 30 %.
Known limits:
    B+ is a direct voltage behind a resistance here: neither ripple nor the fall of B+ to
    the mean of the rectified wave is modelled. A capacitor straight across an ideal source
    is not listed as leaky: nothing else would change.
Example:
    `C21/leaky@10kohm`, `C20/shorted`, `C22/dried@30%`.
References:
    Failed aluminum electrolytics are shorted in 53 %, open in 35 %, leaky in 10 % of cases:
    FMD-91, from memory. Below 80 % of its capacitance an electrolytic counts as worn out:
    common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.capacitors import ELECTROLYTIC_DRIED, Wear, capacitor_faults, capacitor_sweeps
from netcheck.roles.base import Roles

NAME = "supply_capacitor"

WEAR = Wear(
    NAME,
    ("reservoir_capacitor", "decoupling_capacitor"),
    leaks_ohm=(1e3, 10e3, 100e3),
    dried=ELECTROLYTIC_DRIED,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every reservoir and decoupling capacitor."""
    yield from capacitor_faults(circuit, roles, WEAR)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every reservoir and decoupling capacitor."""
    yield from capacitor_sweeps(circuit, roles, WEAR)


SUPPLY_CAPACITOR = FaultKind(
    name=NAME,
    title="Leaky, shorted, dried-out or open capacitor of B+",
    model="A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an "
    "open part keeps a thousandth of its capacitance; a dried-out one keeps 30 %.",
    defects="Leaks of 1, 10 and 100 kohm; a short of 0.1 ohm; 30 % of its capacitance; open; "
    "swept from 100 Mohm to 100 ohm.",
    likelihood="Leak, short and drying out common, and very common when old; open occasional.",
    readings="Leak: the node reads low and the dropper before it is hot. Short: fuse. Dried "
    "out: hum, and tubes that work on each other.",
    next_step="Power off, capacitors discharged: lift the capacitor, measure capacitance, then "
    "leakage at its working voltage.",
    source="common practice; failure modes of capacitors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("leaky", "shorted", "open", "dried"),
    expected={
        "leaky": Expected("common", "wear"),
        "shorted": Expected("common", "wear"),
        "open": Expected("occasional", "chance"),
        "dried": Expected("common", "wear"),
    },
    group="mains and supply",
)
