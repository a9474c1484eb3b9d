"""Leak or short between electrodes of a tube.

What it does:
    A film of metal on the mica, a flake or a sagging grid connects the control grid with
    the cathode or with the screen.
Why it overheats something:
    A path from the screen pulls the grid positive as a leaky coupling capacitor does, and
    it goes with the tube. A short of grid to cathode takes the bias away.
How it is modelled:
    A resistor between the two electrodes; 0.1 ohm for a short.
Known limits:
    Shorts that come and go with heat or a tap of a finger are solved as if they stayed.
Example:
    `X4/grid_screen_leaky@1Mohm`, `X4/grid_cathode_shorted`.
References:
    Insulation between electrodes of a sound tube is 5 Mohm or more: a tester's standard, as
    quoted. Shorts are rare in tubes past their first hours and not yet worn out: as quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SHORT_OHM, AddResistor
from netcheck.circuit.model import Circuit, Part
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
from netcheck.faults.common import POWER_OFF, fault_id, gridded_tubes, make_fault
from netcheck.roles.base import Roles

NAME = "tube_leak"
LEAKS_OHM = (100e3, 1e6, 10e6)
SWEEP_OHM = (10e9, 1e3)

LEAKY = likelihood("occasional", "common practice: old power tubes")
SHORTED = likelihood("occasional", "common practice: new tubes and worn-out ones, rare between")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List leaks and shorts from the grid of every output tube, and shorts of the others."""
    for tube, electrode in _paths(circuit):
        power = tube.ref in roles.output_tubes
        for ohm in LEAKS_OHM if power else ():
            yield _leak(tube, electrode, "leaky", ohm)
        if power or electrode == "cathode":
            yield _leak(tube, electrode, "shorted", SHORT_OHM)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leaks of every output tube."""
    for tube, electrode in _paths(circuit):
        if tube.ref in roles.output_tubes:
            kind = f"grid_{electrode}_leaky"
            yield ContinuousFault(
                id=fault_id([tube.ref], kind),
                parts=(tube.ref,),
                kind=kind,
                unit="ohm",
                from_value=SWEEP_OHM[0],
                to_value=SWEEP_OHM[1],
                logarithmic=True,
                make=partial(_leak, tube, electrode, "leaky"),
                family=NAME,
            )


def _paths(circuit: Circuit) -> Iterator[tuple[Part, str]]:
    """Give each tube with each electrode that its grid may touch."""
    for tube in gridded_tubes(circuit):
        for electrode in ("cathode", "screen"):
            if tube.has_pin(electrode) and tube.net(electrode) != tube.net("grid"):
                yield tube, electrode


def _leak(tube: Part, electrode: str, word: str, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    name = f"{tube.ref}.grid_{electrode}"
    happened = "is shorted" if word == "shorted" else f"leaks {defect.text}"
    return make_fault(
        NAME,
        [tube.ref],
        f"grid_{electrode}_{word}",
        [AddResistor(name, tube.net("grid"), tube.net(electrode), ohm)],
        SHORTED if word == "shorted" else LEAKY,
        summary=f"Inside {tube.ref} the grid {happened} to the {electrode}.",
        measure=f"{POWER_OFF}, {tube.ref} out: measure between grid and {electrode} of the tube, "
        "warm from use, while tapping it; a sound tube shows no reading.",
        defect=defect,
        only_size=word == "shorted",
    )


TUBE_LEAK = FaultKind(
    name=NAME,
    title="Leak or short between electrodes of a tube",
    model="A resistor between the two electrodes; 0.1 ohm for a short.",
    defects="Output tubes: 100 kohm, 1 and 10 Mohm and a short from grid to cathode and to "
    "screen; others a short to the cathode; swept from 10 Gohm to 1 kohm.",
    likelihood="Occasional.",
    readings="Bias right with the tube out, wrong with it in; it goes with the tube; stopper "
    "or screen resistor burnt after a short to the screen.",
    next_step="Tube out and still warm: measure between the electrodes while tapping the glass.",
    source="common practice; a tester's standard, as quoted",
    find=find,
    continuous=continuous,
    body="tube",
    words=(
        Word("grid_cathode_leaky", "occasional", "wear"),
        Word("grid_cathode_shorted", "occasional", "chance"),
        Word("grid_screen_leaky", "occasional", "wear"),
        Word("grid_screen_shorted", "occasional", "chance"),
    ),
    exchange="tube",
    signs=(
        Sign("driver", HEATS, PRACTICE),
        Sign(
            "blows",
            0.3,
            f"{PRACTICE}: flashes over inside the tube",
            "grid_cathode_shorted grid_screen_shorted",
        ),
        Sign(
            "new_tubes",
            2.0,
            "geofex.com on power tubes: shorts are common in new tubes and very old ones",
            "grid_cathode_shorted grid_screen_shorted",
        ),
    ),
    group="tubes",
)
