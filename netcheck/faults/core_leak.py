"""Leak from the primary of an output transformer to its core or secondary.

What it does:
    Insulation between the primary and the grounded core, or the secondary, breaks down.
Why it overheats something:
    B+ drives a current through the winding that no tube controls: it heats the winding and
    the supply, and puts the speaker at high voltage where the secondary is not grounded.
How it is modelled:
    A resistor from the plate end of the half to ground.
Known limits:
    Where along the winding the leak sits hardly matters, since all of it stands near B+.
Example:
    `L1/core_leaky@100kohm`.
References:
    Sound insulation is 10 Mohm or more at 500 V: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import AddResistor
from netcheck.circuit.model import GROUND, Circuit
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
from netcheck.faults.common import POWER_OFF, fault_id, joined, make_fault
from netcheck.faults.windings import Half, halves
from netcheck.roles.base import Roles

NAME = "core_leak"
LEAKS_OHM = (1e3, 10e3, 100e3)
SWEEP_OHM = (100e6, 1e3)

LEAKY = likelihood("rare", "common practice: damp or overheated transformers")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the leaks of every half."""
    for half in halves(circuit, roles):
        for ohm in LEAKS_OHM:
            yield _leak(circuit, half, ohm)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every half."""
    for half in halves(circuit, roles):
        yield ContinuousFault(
            id=fault_id([half.segments[0]], "core_leaky"),
            parts=half.segments[:1],
            kind="core_leaky",
            unit="ohm",
            from_value=SWEEP_OHM[0],
            to_value=SWEEP_OHM[1],
            logarithmic=True,
            make=partial(_leak, circuit, half),
            family=NAME,
        )


def _leak(circuit: Circuit, half: Half, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    winding = circuit[half.segments[0]]
    following = circuit[half.segments[1]].nets if half.segments[1:] else ()
    plate = circuit[half.tubes[0]].net("plate")
    outer = plate if plate in winding.nets else _outer(winding.nets, following)
    return make_fault(
        NAME,
        [winding.ref],
        "core_leaky",
        [AddResistor(f"{winding.ref}.core", outer, GROUND, ohm)],
        LEAKY,
        summary=f"{winding.ref}, the plate winding of {joined(half.tubes)}, leaks {defect.text} to "
        "the core.",
        measure=f"{POWER_OFF}, output tubes out: disconnect {winding.ref} from B+ and test it "
        "against the core and the secondary with an insulation tester at 500 V.",
        defect=defect,
    )


def _outer(nets: tuple[str, ...], following: tuple[str, ...]) -> str:
    """Return the end of a winding that is not shared with the next segment."""
    return next((net for net in nets if net not in following), nets[0])


CORE_LEAK = FaultKind(
    name=NAME,
    title="Leak from a primary to the core",
    model="A resistor from the plate end of the half to ground.",
    defects="1, 10 and 100 kohm; swept from 100 Mohm to 1 kohm.",
    likelihood="Rare.",
    readings="B+ current that no cathode accounts for; the transformer warm with the tubes "
    "out; volts on an ungrounded speaker.",
    next_step="Power off, capacitors discharged: test the primary against core and secondary "
    "with an insulation tester.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="transformer",
    words=(Word("core_leaky", "rare", "wear"),),
    bass=True,
    signs=(
        Sign("damaged", 0.3, f"{PRACTICE}: a winding that broke down has mostly been too hot"),
        Sign("blows", 0.3, PRACTICE),
    ),
    group="output transformer and load",
)
