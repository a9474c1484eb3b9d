"""Open or shorted smoothing choke.

What it does:
    The choke between two B+ nodes breaks, or its winding is shorted or bridged.
Why it overheats something:
    Open, all that hangs behind it is dead and the reservoir before it rises. Shorted, the
    nodes behind it rise by the choke's own drop; hum follows.
How it is modelled:
    Its wire becomes 1 Gohm, or a resistor of 0.1 ohm lies across it.
Known limits:
    Ripple is not in the netlist's direct supply.
Example:
    `L10/winding_open`, `L10/shorted`.
References:
    Open and short are 42 % each of transformer and coil failures: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import OPEN_OHM, SHORT_OHM, Change, SetWire
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    PRACTICE,
    ContinuousFault,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, across, make_fault, parts_with_role
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "rail_choke"
EITHER = likelihood(
    "occasional",
    "common practice; open and short are 42 % each of coil failures (FMD-91, from memory)",
)


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List open and short of every choke of a rail or at a plate."""
    for part, played in parts_with_role(
        circuit, roles, "inductor", RoleName.RAIL_CHOKE, RoleName.PLATE_CHOKE
    ):
        name = f"{part.ref}, the choke to {played[0].of},"
        yield _fault(part, "winding_open", SetWire(part.ref, OPEN_OHM), f"{name} is open")
        yield _fault(part, "shorted", across(part, SHORT_OHM), f"{name} is shorted")


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Neither has a size."""
    yield from ()


def _fault(part: Part, kind: str, change: Change, summary: str) -> Fault:
    ohm = part.note.dcr_ohm
    right = f"{ohm:.4g} ohm belongs there" if ohm else "tens to hundreds of ohms belong there"
    return make_fault(
        NAME,
        [part.ref],
        kind,
        [change],
        EITHER,
        summary=f"{summary}.",
        measure=f"{POWER_OFF}: measure the resistance of {part.ref}; {right}.",
    )


RAIL_CHOKE = FaultKind(
    name=NAME,
    title="Open or shorted choke",
    model="Its wire becomes 1 Gohm, or a resistor of 0.1 ohm lies across it.",
    defects="Open; a short of 0.1 ohm.",
    likelihood="Occasional.",
    readings="Open: nothing behind it. Shorted: hum, and both nodes at the same volts.",
    next_step="Power off, capacitors discharged: measure the choke's resistance.",
    source="common practice; FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="choke",
    words=(
        Word("winding_open", "occasional", "chance", gives_up=True, ripple="network"),
        Word("shorted", "occasional", "chance", ripple="network"),
    ),
    signs=(
        Sign("damaged", 0.3, f"{PRACTICE}: a winding that broke down has mostly been too hot"),
        Sign("hum", 0.7, f"{PRACTICE}: a choke without inductance filters nothing", "shorted"),
        Sign("hum", 0.03, f"{PRACTICE}: no B+, no sound", "winding_open"),
    ),
    group="mains and supply",
)
