"""Pin of an output tube without contact.

What it does:
    A worn or dirty socket contact, a cap left off or a weld inside the tube leaves one
    electrode connected to nothing.
Why it overheats something:
    Without its plate the tube's whole current goes to the screen, which glows. Without its
    grid it has no bias and drifts up. Without screen or cathode it passes nothing, and its
    partner carries the signal.
How it is modelled:
    The pin moves to a net of its own that hangs on the old one over 1 Gohm.
Known limits:
    Contacts that come and go, and the arcs they make, are not modelled.
Example:
    `X4/plate_open`, `X4/grid_open`.
References:
    Worn contacts and caps left off: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import OPEN_OHM, AddResistor, Reconnect
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, make_fault, output_tubes
from netcheck.roles.base import Roles

NAME = "tube_contact"
CONTACT = likelihood("occasional", "common practice: worn or dirty socket contacts, caps left off")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every electrode of every output tube."""
    for tube in output_tubes(circuit, roles):
        for pin in tube.pins:
            yield _open(tube, pin.name)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """A contact is there or it is not."""
    yield from ()


def _open(tube: Part, electrode: str) -> Fault:
    pin = f"{tube.ref}.{electrode}"
    return make_fault(
        NAME,
        [tube.ref],
        f"{electrode}_open",
        [
            Reconnect(tube.ref, electrode, pin),
            AddResistor(f"{pin}.contact", tube.net(electrode), pin, OPEN_OHM),
        ],
        CONTACT,
        summary=f"The {electrode} pin of {tube.ref} makes no contact in the socket.",
        measure=f"{POWER_OFF}, {tube.ref} out: look at the contact of the {electrode} pin, bend it "
        "to, and measure from the contact to the part it belongs to.",
    )


TUBE_CONTACT = FaultKind(
    name=NAME,
    title="Pin of an output tube without contact",
    model="The pin moves to a net of its own that hangs on the old one over 1 Gohm.",
    defects="No contact.",
    likelihood="Occasional.",
    readings="Plate: the screen glows and the plate pin reads full volts. Grid: right bias at "
    "the socket, the tube out of control. Screen or cathode: no current.",
    next_step="Power off, tube out: look at the contacts, bend them to, clean them, and measure "
    "through to the next part.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="tube",
    words=(
        Word("plate_open", "occasional", "wear"),
        Word("screen_open", "occasional", "wear"),
        Word("grid_open", "occasional", "wear"),
        Word("cathode_open", "occasional", "wear"),
    ),
    exchange="contact",
    signs=(
        Sign("partner", HEATS, PRACTICE, "plate_open screen_open cathode_open"),
        Sign("hum", 0.6, f"{PRACTICE}: an open grid picks up hum", "grid_open"),
        Sign("new_tubes", 2.0, f"{PRACTICE}: pins bent, caps left off"),
    ),
    group="tubes",
)
