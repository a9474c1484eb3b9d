"""Electrolytic fitted the wrong way round.

What it does:
    An electrolytic capacitor is wired with plus and minus exchanged.
Why it overheats something:
    It leaks from the first minute, heats, and soon shorts or bursts. Across a cathode
    resistor it takes the bias; across the bias supply all bias; at B+ the fuse goes.
How it is modelled:
    A leak of 1 kohm across the part.
Known limits:
    The leak of a reversed part is anything from 10 kohm down to 100 ohm and falls with
    time; its kinds `leaky` and `shorted` show the rest of the way.
Example:
    `C5/reversed`, `C30/reversed`.
References:
    100 ohm to 10 kohm: common practice. From 0.9 uF up, without a dielectric in its note, a
    part is taken for an electrolytic: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import (
    POWER_OFF,
    across,
    held_by_source,
    make_fault,
    parts_with_role,
)
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "reversed_electrolytic"
REVERSED_OHM = 1e3
ELECTROLYTIC_F = 0.9e-6
"""From a microfarad up a part is taken for an electrolytic (common practice)."""
ROLES = tuple(each for each in RoleName if each.kind.electrolytic)

REVERSED = likelihood("occasional", "common practice: new builds and hurried repairs")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every part that is taken for an electrolytic."""
    for part, played in parts_with_role(circuit, roles, "capacitor", *ROLES):
        electrolytic = (part.value or 0.0) >= ELECTROLYTIC_F and not part.note.dielectric
        if electrolytic and not held_by_source(circuit, part):
            yield _reversed(part, played[0].name.words)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """The leak's size is swept as a leaky part."""
    yield from ()


def _reversed(part: Part, job: str) -> Fault:
    return make_fault(
        NAME,
        [part.ref],
        "reversed",
        [across(part, REVERSED_OHM)],
        REVERSED,
        summary=f"{part.ref}, the {job}, is fitted the wrong way round and leaks.",
        measure=f"{POWER_OFF}: compare the marked end of {part.ref} with the drawing, and replace "
        "it, since it does not recover.",
        defect=Defect(REVERSED_OHM, "ohm"),
        only_size=True,
    )


REVERSED_ELECTROLYTIC = FaultKind(
    name=NAME,
    title="Reversed electrolytic",
    model="A leak of 1 kohm across the part.",
    defects="A leak of 1 kohm.",
    likelihood="Occasional, common in new builds.",
    readings="The part is warm within a minute, its node reads low.",
    next_step="Power off, capacitors discharged: compare the marked end with the drawing.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="capacitor",
    words=(Word("reversed", "occasional", "assembly"),),
    signs=(
        Sign(
            "damaged",
            0.4,
            f"{PRACTICE}: a leaking or reversed electrolytic heats, bulges and vents",
            "reversed",
        ),
        Sign(
            "blows",
            0.5,
            f"{PRACTICE}: a choke or a dropper may limit the current first",
            "reversed",
        ),
        Sign("hum", 0.3, PRACTICE),
        Sign("new_capacitors", 8.0, f"{PRACTICE}: the first fault of a new electrolytic"),
    ),
    group="kit errors",
)
