"""Leaky, shorted or open bypass capacitor of a screen.

What it does:
    The capacitor from a screen to ground or to the cathode leaks or shorts.
Why it overheats something:
    It takes current from the screen's dropper, which burns, and takes volts from the
    screen, so that the tube runs cold.
How it is modelled:
    A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open
    part keeps a thousandth of its capacitance.
Known limits:
    Loss of gain with an open bypass is not judged.
Example:
    `C8/leaky@1Mohm`, `C8/shorted`.
References:
    A leak of less than twenty times the resistor that feeds the screen counts as bad:
    common practice. Failed aluminum electrolytics are shorted in 53 %, open in 35 %, leaky
    in 10 % of cases: FMD-91, from memory. Below 80 % of its capacitance an electrolytic
    counts as worn out: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit
from netcheck.faults.base import ContinuousFault, Expected, Fault, FaultKind
from netcheck.faults.capacitors import Wear, capacitor_faults, capacitor_sweeps
from netcheck.roles.base import Roles

NAME = "screen_bypass"

WEAR = Wear(
    NAME,
    ("screen_bypass_capacitor",),
    leaks_ohm=(10e3, 100e3, 1e6),
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List what can be wrong with every screen bypass."""
    yield from capacitor_faults(circuit, roles, WEAR)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every screen bypass."""
    yield from capacitor_sweeps(circuit, roles, WEAR)


SCREEN_BYPASS = FaultKind(
    name=NAME,
    title="Leaky, shorted or open screen bypass",
    model="A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an "
    "open part keeps a thousandth of its capacitance.",
    defects="Leaks of 10 kohm, 100 kohm and 1 Mohm; a short of 0.1 ohm; open; swept from 100 "
    "Mohm to 100 ohm.",
    likelihood="Leak and short common; open occasional.",
    readings="Screen volts low, the tube's current low, the dropper hot.",
    next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at its "
    "working voltage.",
    source="common practice; failure modes of capacitors: FMD-91, from memory",
    find=find,
    continuous=continuous,
    kinds=("leaky", "shorted", "open"),
    expected={
        "leaky": Expected("common", "wear"),
        "shorted": Expected("common", "wear"),
        "open": Expected("occasional", "chance"),
    },
    group="capacitors",
)
