"""Speaker open, shorted or of the wrong impedance.

What it does:
    What hangs on the secondary is missing, shorted, or another speaker than the tap is for.
Why it overheats something:
    At rest nothing changes. Driven into a short the tubes see almost no load and their
    plates take the whole power; into an open secondary the plates swing to a multiple of
    B+, screens take the current, and the insulation arcs. A speaker of half the impedance
    burdens the plates, one of twice the impedance the screens.
How it is modelled:
    The load resistor takes another value: a hundred times its own when open (the core's
    loss stays as a load), 0.1 ohm when shorted, and the impedances of neighboring taps.
Known limits:
    A real speaker's impedance goes up and down with frequency. Arcs are not modelled.
Example:
    `R40/open`, `R40/wrong_load@4ohm`.
References:
    A loss of one percent in the core is an assumption.  Speakers of 4, 8 and 16 ohm
    exchanged for each other: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SHORT_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Likelihood,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, fault_id, make_fault, parts_with_role
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

NAME = "speaker"
NO_LOAD_FACTOR = 100.0
"""Core loss left as load, in speaker impedances: a loss of one percent (assumption)."""
FACTORS = (0.25, 0.5, 2.0)
SWEEPS = (("load_down", 0.02), ("load_up", NO_LOAD_FACTOR))

OPEN = likelihood("common", "common practice: cable out, fuse or voice coil gone")
SHORTED = likelihood("occasional", "common practice: cables and jacks")
WRONG = likelihood("common", "common practice: speakers of 4, 8 and 16 ohm exchanged")
FAR = likelihood("occasional", "common practice: several speakers in parallel on one tap")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List an open, a shorted and a wrong speaker at every transformer."""
    for part in _speakers(circuit, roles):
        yield _load(part, "open", OPEN, NO_LOAD_FACTOR * (part.value or 0.0))
        yield _load(part, "shorted", SHORTED, SHORT_OHM)
        for factor in FACTORS:
            ohm = factor * (part.value or 0.0)
            yield _load(part, "wrong_load", FAR if factor < FACTORS[1] else WRONG, ohm)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the load down to a short and up to none."""
    for part in _speakers(circuit, roles):
        for kind, factor in SWEEPS:
            yield ContinuousFault(
                id=fault_id([part.ref], kind),
                parts=(part.ref,),
                kind=kind,
                unit="ohm",
                from_value=part.value or 0.0,
                to_value=factor * (part.value or 0.0),
                logarithmic=True,
                make=partial(_load, part, kind, WRONG),
                family=NAME,
            )


def _speakers(circuit: Circuit, roles: Roles) -> tuple[Part, ...]:
    return tuple(
        part for part, _ in parts_with_role(circuit, roles, "resistor", RoleName.SPEAKER_LOAD)
    )


def _load(part: Part, kind: str, chance: Likelihood, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    right = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "nothing is connected to the output in its place",
        "shorted": "the output is shorted",
    }.get(kind, f"{defect.text} hangs on the tap for {right}")
    return make_fault(
        NAME,
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, the speaker: {happened}.",
        measure=f"{POWER_OFF}: measure the resistance of {part.ref} at the end of its cable; a "
        f"speaker of {right} reads a little less than that.",
        defect=defect,
        only_size=kind in ("open", "shorted"),
    )


SPEAKER = FaultKind(
    name=NAME,
    title="Speaker open, shorted or of the wrong impedance",
    model="The load resistor takes another value: a hundred times its own when open (the core's "
    "loss), 0.1 ohm when shorted, and the impedances of neighboring taps.",
    defects="No load, a short of 0.1 ohm, a quarter, half and twice the impedance; swept both "
    "ways.",
    likelihood="Open and wrong common; short and a quarter occasional.",
    readings="Direct volts normal; no or distorted sound; crackling of an arc without load.",
    next_step="Power off: measure the speaker's resistance at the end of its cable, and read "
    "the tap.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="load",
    words=(
        Word("open", "common", "use", gives_up=True),
        Word("shorted", "occasional", "use"),
        Word("wrong_load", "common", "use"),
        Word("load_down", "common", "use", deviates=True),
        Word("load_up", "common", "use", deviates=True),
    ),
    bass=True,
    upsets_load=True,
    signs=(
        Sign("low_load", HEATS, PRACTICE),
        Sign(
            "new_output_transformer",
            2.0,
            f"{PRACTICE}: the speaker is put on another tap",
            "wrong_load load_down load_up",
        ),
    ),
    group="output transformer and load",
)
