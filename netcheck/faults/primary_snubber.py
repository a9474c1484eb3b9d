"""Shorted capacitor of the damping network across a winding.

What it does:
    The capacitor of the network that damps the output transformer, or of the one across the
    speaker, breaks down.
Why it overheats something:
    The resistor in series with it then lies across the winding: nothing changes at rest,
    but under drive it takes the plate's whole swing and burns. A capacitor straight across
    the winding shorts it.
How it is modelled:
    A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open
    part keeps a thousandth of its capacitance.
Known limits:
    The transient that broke the capacitor is not modelled. A capacitor at a plate wants a
    rating of 1000 V or more: common practice.
Example:
    `C26/shorted`.
References:
    Shorts are 63 % of paper and 40 % of film capacitor failures, open 37 and 42 %: FMD-91,
    from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.capacitors import FILM_SHORT, Wear, capacitor_faults, capacitor_sweeps
from netcheck.roles.base import Roles

NAME = "primary_snubber"

WEAR = Wear(
    NAME,
    ("winding_loss", "winding_capacitance", "zobel", "plate_shunt"),
    short=FILM_SHORT,
    open=None,
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every damping capacitor."""
    yield from capacitor_faults(circuit, roles, WEAR)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every damping capacitor."""
    yield from capacitor_sweeps(circuit, roles, WEAR)


PRIMARY_SNUBBER = FaultKind(
    name=NAME,
    title="Shorted damping capacitor of a winding",
    model="A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an "
    "open part keeps a thousandth of its capacitance.",
    defects="A short of 0.1 ohm.",
    likelihood="Short occasional.",
    readings="Direct volts normal; output low or distorted, and a resistor beside the "
    "transformer smells.",
    next_step="Power off, capacitors discharged: measure the capacitor for a short, and the "
    "resistor in series with it.",
    source="common practice; failure modes of capacitors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("shorted",),
    expected={
        "shorted": Expected("occasional", "wear"),
    },
    group="capacitors",
)
