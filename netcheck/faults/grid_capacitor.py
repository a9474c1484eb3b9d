"""Leaky, shorted or open capacitor from a grid to ground.

What it does:
    The capacitor that grounds one grid of a long-tailed pair for signal, or shunts a grid,
    leaks or shorts.
Why it overheats something:
    Where the grid stands at tens of volts, a leak pulls it down: one half of the pair
    stops, the other takes all current, and the drive of the two output tubes becomes
    unequal.
How it is modelled:
    A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open
    part keeps a thousandth of its capacitance.
Known limits:
    An open one leaves the far grid without its signal ground; the loss of drive shows when
    driven.
Example:
    `C4/leaky@10Mohm`, `C4/shorted`.
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

NAME = "grid_capacitor"

LEAK = likelihood("occasional", "common practice: such capacitors leak when they are paper")
WEAR = Wear(
    NAME,
    ("grounding_capacitor", "grid_shunt_capacitor"),
    leaks_ohm=(1e6, 10e6, 100e6),
    leak=LEAK,
    short=FILM_SHORT,
    sweep_ohm=(10e9, 10e3),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every capacitor from a grid to ground."""
    yield from capacitor_faults(circuit, roles, WEAR)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every capacitor from a grid to ground."""
    yield from capacitor_sweeps(circuit, roles, WEAR)


GRID_CAPACITOR = FaultKind(
    name=NAME,
    title="Leaky, shorted or open capacitor from a grid to ground",
    model="A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an "
    "open part keeps a thousandth of its capacitance.",
    defects="Leaks of 1, 10 and 100 Mohm; a short of 0.1 ohm; open; swept from 10 Gohm to 10 kohm.",
    likelihood="Leak, short and open occasional.",
    readings="The two plates of the pair differ far; the grid reads below its partner.",
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
