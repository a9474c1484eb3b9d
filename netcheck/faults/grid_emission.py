"""Grid emission.

What it does:
    Cathode material that has settled on a hot grid makes the grid emit electrons itself.
Why it overheats something:
    The current flows out of the grid through its resistance and lifts it. It needs no plate
    current, only heat: the bias is right when cold and creeps away minutes after switching
    on.
How it is modelled:
    A current from cathode to grid. At idle it grows with the tube's own heat, or runs away
    (`netcheck/workbench/runaway.py`); the stated size is that of the healthy, warm tube.
Known limits:
    Under drive and in the search for tipping points the stated current is constant.
Example:
    `X4/grid_emission@5uA`.
References:
    Reverse grid current of a new power tube below 0.5 to 3 uA, rejected in service above 5
    to 10 uA: from memory, low confidence.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SetGridEmission
from netcheck.circuit.model import Circuit
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
from netcheck.faults.common import fault_id, make_fault, output_tubes
from netcheck.roles.base import Roles

NAME = "grid_emission"
CURRENTS_A = (1e-6, 5e-6, 20e-6, 100e-6)
SWEEP_A = (1e-7, 1e-3)
BAD_A = 10e-6

MILD = likelihood("common", "common practice: hard-driven power tubes; limits from memory")
STRONG = likelihood("occasional", "common practice: beyond any limit of a tester")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the currents of every output tube."""
    for tube in output_tubes(circuit, roles):
        for ampere in CURRENTS_A:
            yield _emitting(tube.ref, ampere)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the current of every output tube."""
    for tube in output_tubes(circuit, roles):
        yield ContinuousFault(
            id=fault_id([tube.ref], "grid_emission"),
            parts=(tube.ref,),
            kind="grid_emission",
            unit="A",
            from_value=SWEEP_A[0],
            to_value=SWEEP_A[1],
            logarithmic=True,
            make=partial(_emitting, tube.ref),
            family=NAME,
        )


def _emitting(ref: str, ampere: float) -> Fault:
    defect = Defect(ampere, "A")
    return make_fault(
        NAME,
        [ref],
        "grid_emission",
        [SetGridEmission(ref, ampere)],
        MILD if ampere <= BAD_A else STRONG,
        summary=f"The hot grid of {ref} emits {defect.text} of its own.",
        measure=f"{ref} out, power on: measure the bias at its grid pin, put {ref} in and watch "
        "the bias for ten minutes; a slow creep upward is grid emission.",
        defect=defect,
    )


GRID_EMISSION = FaultKind(
    name=NAME,
    title="Grid emission",
    model="A current from cathode to grid; at idle it doubles with every 15 degrees that the "
    "tube's own heat adds, or runs away; under drive it is constant.",
    defects="1, 5, 20 and 100 uA out of the grid of an output tube; swept from 0.1 uA to 1 mA.",
    likelihood="Common up to 10 uA, occasional beyond.",
    readings="Bias right when cold, falling minutes after switching on, still wrong with the "
    "plate supply off while the tube is hot.",
    next_step="Watch the bias at the grid pin for ten minutes after switching on, then try "
    "another tube.",
    source="common practice; limits of testers from memory, low confidence",
    find=find,
    continuous=continuous,
    body="tube",
    words=(Word("grid_emission", "common", "wear", gives_up=True),),
    exchange="tube",
    signs=(Sign("new_tubes", 0.6, f"{PRACTICE}: tubes from stock may have drawn gas"),),
    group="tubes",
)
