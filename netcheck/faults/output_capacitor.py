"""Leaky, shorted or open capacitor at the output of a preamplifier or of a parafeed stage.

What it does:
    The capacitor that keeps direct volts from the output, or from a load winding, leaks or
    shorts.
Why it overheats something:
    A short puts the load across the plate or the cathode: the load and the tube's own
    resistor carry current they are not made for, and what is connected next gets the direct
    volts.
How it is modelled:
    A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open
    part keeps a thousandth of its capacitance.
Known limits:
    What hangs on the output outside of the netlist is not there.
Example:
    `C3/leaky@1Mohm`, `C3/shorted`.
References:
    Shorts are 63 % of paper and 40 % of film capacitor failures, open 37 and 42 %: FMD-91,
    from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind, likelihood
from netcheck.faults.capacitors import FILM_SHORT, Wear, capacitor_faults, capacitor_sweeps
from netcheck.roles.base import Roles

NAME = "output_capacitor"

LEAK = likelihood("occasional", "common practice: such capacitors leak when they are paper")
WEAR = Wear(
    NAME,
    ("output_capacitor", "interstage_capacitor"),
    leaks_ohm=(1e6, 10e6),
    leak=LEAK,
    short=FILM_SHORT,
    sweep_ohm=(10e9, 10e3),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every output capacitor."""
    yield from capacitor_faults(circuit, roles, WEAR)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every output capacitor."""
    yield from capacitor_sweeps(circuit, roles, WEAR)


OUTPUT_CAPACITOR = FaultKind(
    name=NAME,
    title="Leaky, shorted or open output capacitor",
    model="A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an "
    "open part keeps a thousandth of its capacitance.",
    defects="Leaks of 1 and 10 Mohm; a short of 0.1 ohm; open; swept from 10 Gohm to 10 kohm.",
    likelihood="Leak, short and open occasional.",
    readings="Direct volts at the output; the load resistor warm.",
    next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at its "
    "working voltage.",
    source="common practice; failure modes of capacitors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("leaky", "shorted", "open"),
    expected={
        "leaky": Expected("occasional", "wear"),
        "shorted": Expected("occasional", "wear"),
        "open": Expected("occasional", "chance"),
    },
    group="capacitors",
)
