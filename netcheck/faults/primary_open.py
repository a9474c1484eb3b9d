"""Open winding of an output or interstage transformer.

What it does:
    The wire of one half of a primary, or of an interstage winding, is broken.
Why it overheats something:
    The plate it feeds falls to nothing, and the whole current goes to the screen, which
    glows. The partner carries the signal alone into half a transformer. An open interstage
    secondary leaves its grid without bias.
How it is modelled:
    The wire resistance of the winding becomes 1 Gohm; its coupling with the others stays.
Known limits:
    An arc at the break, which is what is usually heard first, is not modelled.
Example:
    `L1/winding_open`.
References:
    Open windings are 42 % of transformer and coil failures: FMD-91, from memory. A single-
    ended primary often opens after a leaky coupling capacitor: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import OPEN_OHM, SetWire
from netcheck.circuit.model import Circuit, natural_key
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
from netcheck.faults.common import POWER_OFF, joined, make_fault, served_tubes
from netcheck.faults.windings import halves
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "primary_open"
BROKEN = likelihood(
    "occasional",
    "common practice, after an overload; open is 42 % of transformer and coil failures "
    "(FMD-91, from memory)",
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every segment of every plate winding, and the interstage windings."""
    for half in halves(circuit, roles):
        for segment in half.segments:
            yield _open(segment, f"the plate winding of {joined(half.tubes)}")
    refs = {role.part for role in roles.named(RoleName.INTERSTAGE_TRANSFORMER)}
    for ref in sorted(refs & set(circuit.parts), key=natural_key):
        if circuit[ref].kind == "inductor":
            tubes = served_tubes(circuit, roles.of_part(ref))
            yield _open(ref, f"an interstage winding of {joined(tubes)}")


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """A wire is whole or broken."""
    yield from ()


def _open(winding: str, place: str) -> Fault:
    return make_fault(
        NAME,
        [winding],
        "winding_open",
        [SetWire(winding, OPEN_OHM)],
        BROKEN,
        summary=f"The wire of {winding}, {place}, is broken.",
        measure=f"{POWER_OFF}, output tubes out: measure the resistance of {winding}; a sound "
        "plate winding has tens to hundreds of ohms, and the two halves differ by 5 to 15 %.",
    )


PRIMARY_OPEN = FaultKind(
    name=NAME,
    title="Open winding of an output or interstage transformer",
    model="The wire resistance of the winding becomes 1 Gohm; its coupling with the others stays.",
    defects="Each segment of each plate winding; each interstage winding.",
    likelihood="Occasional.",
    readings="No volts at that plate while the screen has its own and glows; power low and "
    "one-sided.",
    next_step="Power off, capacitors discharged, tubes out: measure both halves of the primary.",
    source="common practice; FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="transformer",
    words=(Word("winding_open", "occasional", "chance", gives_up=True),),
    bass=True,
    signs=(
        Sign("partner", HEATS, PRACTICE),
        Sign("damaged", 0.3, f"{PRACTICE}: a winding that broke down has mostly been too hot"),
    ),
    group="output transformer and load",
)
