"""Leak across a tube socket or board, from a plate to its grid.

What it does:
    Carbonized tracks, flux, dirt and damp let a little current creep from a plate pin to
    the grid pin.
Why it overheats something:
    It pulls the grid positive exactly as a leaky coupling capacitor does, but stays when
    the capacitor is lifted and when the tube is exchanged.
How it is modelled:
    A resistor from the plate's net to the grid's pin.
Known limits:
    Leaks between other pins are not tried; from the screen they look like a leak inside the
    tube.
Example:
    `X4/socket_leaky@10Mohm`.
References:
    Carbonized sockets and damp boards, 10 Mohm to 1 Gohm: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import AddResistor
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Word,
    likelihood,
)
from netcheck.faults.common import fault_id, gridded_tubes, make_fault
from netcheck.roles.base import Roles

NAME = "socket_leak"
LEAKS_OHM = (10e6, 100e6, 1e9)
SMALL_OHM = (100e6,)
SWEEP_OHM = (100e9, 1e6)

LEAKY = likelihood("occasional", "common practice: carbonized sockets, flux, damp boards")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the leaks at every socket."""
    for tube in _tubes(circuit):
        for ohm in LEAKS_OHM if tube.ref in roles.output_tubes else SMALL_OHM:
            yield _leak(tube, ohm)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak at every socket."""
    for tube in _tubes(circuit):
        yield ContinuousFault(
            id=fault_id([tube.ref], "socket_leaky"),
            parts=(tube.ref,),
            kind="socket_leaky",
            unit="ohm",
            from_value=SWEEP_OHM[0],
            to_value=SWEEP_OHM[1],
            logarithmic=True,
            make=partial(_leak, tube),
            family=NAME,
        )


def _tubes(circuit: Circuit) -> Iterator[Part]:
    for tube in gridded_tubes(circuit):
        if tube.has_pin("plate") and tube.net("plate") != tube.net("grid"):
            yield tube


def _leak(tube: Part, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    return make_fault(
        NAME,
        [tube.ref],
        "socket_leaky",
        [AddResistor(f"{tube.ref}.socket", tube.net("plate"), tube.net("grid"), ohm)],
        LEAKY,
        summary=f"The socket of {tube.ref} leaks {defect.text} from the plate pin to the grid pin.",
        measure=f"{tube.ref} out, power on: lift the coupling capacitor from its grid "
        "and measure the grid pin; a positive shift that stays comes over the socket.",
        defect=defect,
    )


SOCKET_LEAK = FaultKind(
    name=NAME,
    title="Leak across a tube socket",
    model="A resistor from the plate's net to the grid's pin.",
    defects="10 Mohm, 100 Mohm and 1 Gohm at output tubes, 100 Mohm at others; swept from 100 "
    "Gohm to 1 Mohm.",
    likelihood="Occasional, and common when old.",
    readings="A positive shift of the grid that stays with the tube out and the coupling "
    "capacitor lifted.",
    next_step="Tube out, coupling capacitor lifted, power on: measure the grid pin; then clean "
    "or replace the socket.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="socket",
    words=(Word("socket_leaky", "occasional", "wear"),),
    group="tubes",
)
