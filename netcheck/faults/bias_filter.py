"""Leaky, shorted, dried-out or open filter capacitor of the bias supply.

What it does:
    The electrolytic that smooths the negative supply leaks, shorts or dries out.
Why it overheats something:
    A leak pulls the bias toward ground and every tube it feeds draws more; a short takes it
    all. It is among the first electrolytics to fail, since it was often fitted with the
    wrong polarity or too near its voltage.
How it is modelled:
    A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open
    part keeps a thousandth of its capacitance; a dried-out one keeps 30 %.
Known limits:
    The supply is a direct voltage here: that a dried-out filter lets the bias fall from the
    peak toward the mean (0.45 of the rms voltage with one diode) is the fault `drifted` of
    the supply.
Example:
    `C30/leaky@10kohm`, `C31/shorted`.
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

NAME = "bias_filter"

WEAR = Wear(
    NAME,
    ("bias_filter_capacitor",),
    leaks_ohm=(1e3, 10e3, 100e3),
    dried=ELECTROLYTIC_DRIED,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every bias filter."""
    yield from capacitor_faults(circuit, roles, WEAR)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every bias filter."""
    yield from capacitor_sweeps(circuit, roles, WEAR)


BIAS_FILTER = FaultKind(
    name=NAME,
    title="Leaky, shorted, dried-out or open bias filter",
    model="A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an "
    "open part keeps a thousandth of its capacitance; a dried-out one keeps 30 %.",
    defects="Leaks of 1, 10 and 100 kohm; a short of 0.1 ohm; 30 % of its capacitance; open; "
    "swept from 100 Mohm to 100 ohm.",
    likelihood="Leak, short and drying out common, and very common when old; open occasional.",
    readings="All grids less negative by one share; the resistor before the filter is hot; hum "
    "when it is dried out.",
    next_step="All output tubes out, power on: measure the bias before and behind the filter's "
    "resistor, then, power off, the capacitor's leakage.",
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
    group="bias supply",
)
