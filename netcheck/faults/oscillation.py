"""Oscillating output stage.

What it does:
    Without a grid stopper, or with feedback that has turned positive outside of the
    band, the amplifier makes a signal of its own, mostly above hearing.
Why it overheats something:
    The output tubes are driven as hard as they can be, all the time and with no input:
    plates, screens, the damping resistors and a tweeter take the power.
How it is modelled:
    As a sustained overdrive: what the healthy stage does when overdriven by a sine it
    does at rest.  No parts change, since the cause may be a lead as well as a part.
Known limits:
    Frequency and size of a real oscillation are not known; far above the band the
    transformer's capacitance and a failing load make it worse.  There is no operating
    point: with idle solving alone the row says so.
Example:
    `X4+X5/oscillating`.
References:
    Hot tubes with no input, readings that jump when a probe comes near and a grid more
    negative than its feed are the signs: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcheck.circuit.changes import DriveLevel
from netcheck.circuit.model import Circuit
from netcheck.conditions import OVERDRIVE
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
from netcheck.faults.common import POWER_OFF, joined, make_fault
from netcheck.roles.base import Roles, Stage
from netcheck.roles.table import RoleName

NAME = "oscillation"
SUSTAINED = DriveLevel(
    OVERDRIVE,
    "an oscillating stage has no operating point; it is judged from the overdriven healthy one, "
    "where that was solved",
)

LIKELY = likelihood("occasional", "common practice: new builds and changed transformers")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List every output stage with what is there to make it oscillate."""
    for stage in roles.output_stages:
        yield _oscillating(stage, _cause(circuit, roles, stage))


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """It grows until something limits it."""
    yield from ()


def _cause(circuit: Circuit, roles: Roles, stage: Stage) -> str:
    stopped = {role.of for role in roles.named(RoleName.GRID_STOPPER)}
    bare = [tube for tube in stage.tubes if tube not in stopped]
    if bare:
        return f"{joined(bare)} {'has' if len(bare) == 1 else 'have'} no grid stopper"
    if roles.named(RoleName.FEEDBACK_RESISTOR, RoleName.FEEDBACK_CAPACITOR):
        return "the feedback turns positive outside of the band, or a stopper is bridged"
    return "a grid stopper is bridged, or leads are long"


def _oscillating(stage: Stage, cause: str) -> Fault:
    tubes = joined(stage.tubes)
    return make_fault(
        NAME,
        stage.tubes,
        "oscillating",
        [SUSTAINED],
        LIKELY,
        summary=f"{tubes} oscillate with no input, driven to the full: {cause}."
        if len(stage.tubes) > 1
        else f"{tubes} oscillates with no input, driven to the full: {cause}.",
        measure=f"{POWER_OFF}: lift the feedback and fit a stopper at the grid pins of {tubes}; "
        "a current that then stays calm was an oscillation.",
    )


OSCILLATION = FaultKind(
    name=NAME,
    title="Oscillating output stage",
    model="A sustained overdrive: at rest the stage does what the healthy one does overdriven.",
    defects="One.",
    likelihood="Occasional, common in new builds.",
    readings="Hot tubes with no input; readings that jump near a probe; a grid more negative than "
    "its feed; a current that is never twice the same.",
    next_step="Power off: lift the feedback, fit stoppers at the grid pins, shorten leads.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="stage",
    words=(Word("oscillating", "occasional", "assembly"),),
    upsets_load=True,
    signs=(
        Sign("all_plates", HEATS, PRACTICE),
        Sign("hum", 0.3, f"{PRACTICE}: motorboating and howl are taken for hum"),
        Sign(
            "new_tubes",
            2.0,
            f"{PRACTICE}: tubes of more transconductance oscillate where the old ones did not",
        ),
        Sign("new_output_transformer", 3.0, f"{PRACTICE}: another phase outside of the band"),
        Sign("rewired", 6.0, f"{PRACTICE}: new builds and changed wiring"),
    ),
    group="signal",
)
