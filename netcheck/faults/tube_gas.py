"""Gassy tube.

What it does:
    Gas left in a tube, or set free by overheating, is ionized by the plate current; the
    ions flow to the grid.
Why it overheats something:
    The ion current flows out of the grid through everything that ties it down, lifts the
    grid, and so raises the plate current that makes the ions. With enough resistance in the
    grid circuit the tube runs away.
How it is modelled:
    The tube's gas current, a share of its space current, takes another share; the feedback
    over the grid's resistance is solved with it.
Known limits:
    The share is constant: that heat frees more gas is not modelled here, so that real tubes
    tip over earlier.
Example:
    `X4/gassy@0.02%`: 0.02 % of the space current flows out of the grid.
References:
    Loop gain is transconductance times grid resistance times the share: Terman, Radio
    Engineers' Handbook, as quoted. Shares from 0.001 % (good) to 0.02 % (bad): derived from
    testers' limits, as quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SetGas
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
from netcheck.faults.common import fault_id, gridded_tubes, make_fault
from netcheck.roles.base import Roles

NAME = "tube_gas"
SHARES_PERCENT = (0.005, 0.01, 0.02, 0.05)
SMALL_PERCENT = (0.02,)
SWEEP_PERCENT = (0.001, 2.0)

OUTPUT = likelihood("common", "common practice: old or overheated power tubes turn gassy")
SMALL = likelihood("occasional", "common practice: small tubes seldom turn gassy")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the shares of every tube that are above its own."""
    for tube in gridded_tubes(circuit):
        power = tube.ref in roles.output_tubes
        for percent in SHARES_PERCENT if power else SMALL_PERCENT:
            if percent / 100.0 > _healthy(tube):
                yield _gassy(tube, power, percent)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the share of every tube."""
    for tube in gridded_tubes(circuit):
        start = max(SWEEP_PERCENT[0], 100.0 * _healthy(tube))
        yield ContinuousFault(
            id=fault_id([tube.ref], "gassy"),
            parts=(tube.ref,),
            kind="gassy",
            unit="%",
            from_value=start,
            to_value=SWEEP_PERCENT[1],
            logarithmic=True,
            make=partial(_gassy, tube, tube.ref in roles.output_tubes),
            family=NAME,
        )


def _healthy(tube: Part) -> float:
    grid = tube.tube.model.grid if tube.tube else None
    return grid.gas_ratio if grid else 0.0


def _gassy(tube: Part, power: bool, percent: float) -> Fault:
    defect = Defect(percent, "%")
    return make_fault(
        NAME,
        [tube.ref],
        "gassy",
        [SetGas(tube.ref, percent / 100.0)],
        OUTPUT if power else SMALL,
        summary=f"{tube.ref} is gassy: {defect.text} of its space current flows out of its grid.",
        measure=f"{tube.ref} out, power on: measure the bias at its grid pin, then again with the "
        f"tube in and warm; a positive shift that {tube.ref} brings and that grows with its "
        "current is gas.",
        defect=defect,
    )


TUBE_GAS = FaultKind(
    name=NAME,
    title="Gassy tube",
    model="The tube's gas current, a share of its space current, takes another share; the "
    "feedback over the grid's resistance is solved with it.",
    defects="0.005, 0.01, 0.02 and 0.05 % of the space current for output tubes, 0.02 % for "
    "others, as far as that is more than on file; swept from 0.001 to 2 %.",
    likelihood="Common in old or overheated power tubes, occasional in small ones.",
    readings="A positive shift across the grid leak only with the tube in and conducting; it "
    "grows with the current and goes with the tube.",
    next_step="Measure the bias at the grid pin with the tube out, then with it in and warm; "
    "then try another tube.",
    source="common practice; Terman, as quoted",
    find=find,
    continuous=continuous,
    body="tube",
    words=(Word("gassy", "common", "wear", gives_up=True),),
    exchange="tube",
    signs=(Sign("new_tubes", 0.6, f"{PRACTICE}: tubes from stock may have drawn gas"),),
    group="tubes",
)
