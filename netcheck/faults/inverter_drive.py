"""Unequal drive from the phase inverter.

What it does:
    One of the two output tubes gets less, or more, signal than the other.
Why it overheats something:
    At rest nothing shows. Under drive one tube does most of the work and its plate and
    screen heat up, while the other's share of the supply is wasted.
How it is modelled:
    The coupling capacitor of that side is fed from a copy of the plate's signal, times the
    ratio; direct volts are untouched.
Known limits:
    The cause (a worn half, an unequal load, a bad adjustment of the inverter) is not
    modelled, only what reaches the grid.
Example:
    `C5/unequal_drive@50%`.
References:
    Half to twice on one side: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import ScaleDrive
from netcheck.circuit.model import Circuit
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, fault_id, grids_fed_by, joined, make_fault
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

NAME = "inverter_drive"
SHARES_PERCENT = (50.0, 80.0, 150.0)
SWEEPS = (("drive_down", 5.0), ("drive_up", 300.0))
NEAR = (75.0, 130.0)
TWO = 2

SMALL = likelihood("common", "common practice: a phase inverter with aged or unmatched parts")
LARGE = likelihood("occasional", "common practice: a phase inverter with one half gone")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the shares of each side of every push-pull output stage."""
    for role, tubes in _couplers(circuit, roles):
        for percent in SHARES_PERCENT:
            yield _unequal(role, tubes, "unequal_drive", percent)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the drive of each side down and up."""
    for role, tubes in _couplers(circuit, roles):
        for kind, end in SWEEPS:
            yield ContinuousFault(
                id=fault_id([role.part], kind),
                parts=(role.part,),
                kind=kind,
                unit="%",
                from_value=100.0,
                to_value=end,
                logarithmic=True,
                make=partial(_unequal, role, tubes, kind),
                family=NAME,
            )


def _couplers(circuit: Circuit, roles: Roles) -> Iterator[tuple[Role, tuple[str, ...]]]:
    """Give the coupling capacitor of each side, where both sides have one of their own."""
    sides = [side for stage in roles.output_stages for side in stage.sides or ()]
    found: dict[str, tuple[Role, tuple[str, ...]]] = {}
    for role in roles.named(RoleName.COUPLING_CAPACITOR):
        part = circuit.parts.get(role.part)
        if part is None or role.source_net not in part.nets:
            continue
        fed = grids_fed_by(circuit, roles, part.other_net(role.source_net))
        if fed and any(set(fed) <= set(side) for side in sides):
            found.setdefault(role.part, (role, fed))
    if len(found) >= TWO:
        yield from found.values()


def _unequal(role: Role, tubes: tuple[str, ...], kind: str, percent: float) -> Fault:
    return make_fault(
        NAME,
        [role.part],
        kind,
        [ScaleDrive(role.part, role.source_net, percent / 100.0)],
        SMALL if NEAR[0] <= percent <= NEAR[1] else LARGE,
        summary=f"The signal that {role.part} brings to {joined(tubes)} is {percent:.4g} % of what "
        "it should be.",
        measure=f"{POWER_OFF}: compare the plate loads before {role.part} and its partner, then "
        "the halves of the phase inverter.",
        defect=Defect(percent, "%"),
    )


INVERTER_DRIVE = FaultKind(
    name=NAME,
    title="Unequal drive from the phase inverter",
    model="The coupling capacitor of that side is fed from a copy of the plate's signal, "
    "times the ratio; direct volts are untouched.",
    defects="50, 80 and 150 % of the signal on either side; swept from 5 to 300 %.",
    likelihood="Small differences common, large ones occasional.",
    readings="Direct volts normal; the signal at one output grid differs from that at the other.",
    next_step="Driven with a small sine: compare the signal at the two output grids.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="stage",
    words=(
        Word("unequal_drive", "occasional", "wear"),
        Word("drive_down", "occasional", "wear", deviates=True),
        Word("drive_up", "occasional", "wear", deviates=True),
    ),
    signs=(Sign("all_plates", HEATS, PRACTICE),),
    group="signal",
)
