"""Cathode interface resistance of a small tube.

What it does:
    Between the coating and the sleeve of a cathode that was kept hot for long without
    current a layer grows that conducts badly.
Why it overheats something:
    It overheats nothing; the stage's gain and, where the next grid hangs straight on its
    plate, the next stage's rest current shift. It is here so that it is not taken for
    something else.
How it is modelled:
    A resistor in series with the cathode.
Known limits:
    The layer is bridged by its own capacitance at high frequencies, which is left out.
Example:
    `X1/interface@200ohm`.
References:
    50 to 500 ohm after long service with heaters only: common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import AddResistor, Reconnect
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Word,
    likelihood,
)
from netcheck.faults.common import POWER_OFF, fault_id, gridded_tubes, make_fault
from netcheck.roles.base import Roles

NAME = "cathode_interface"
LAYERS_OHM = (200.0,)
SWEEP_OHM = (10.0, 2e3)

LAYER = likelihood("rare", "common practice: after long service with heaters only")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the layer of every small tube with a sleeve."""
    for tube in _tubes(circuit, roles):
        for ohm in LAYERS_OHM:
            yield _layer(tube, ohm)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the layer of every small tube."""
    for tube in _tubes(circuit, roles):
        yield ContinuousFault(
            id=fault_id([tube.ref], "interface"),
            parts=(tube.ref,),
            kind="interface",
            unit="ohm",
            from_value=SWEEP_OHM[0],
            to_value=SWEEP_OHM[1],
            logarithmic=True,
            make=partial(_layer, tube),
            family=NAME,
        )


def _tubes(circuit: Circuit, roles: Roles) -> Iterator[Part]:
    for tube in gridded_tubes(circuit):
        direct = tube.tube is not None and tube.tube.directly_heated
        if tube.ref not in roles.output_tubes and not direct:
            yield tube


def _layer(tube: Part, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    sleeve = f"{tube.ref}.coating"
    return make_fault(
        NAME,
        [tube.ref],
        "interface",
        [
            Reconnect(tube.ref, "cathode", sleeve),
            AddResistor(f"{tube.ref}.layer", sleeve, tube.net("cathode"), ohm),
        ],
        LAYER,
        summary=f"A layer of {defect.text} has grown between sleeve and coating of the cathode of "
        f"{tube.ref}.",
        measure=f"{POWER_OFF}: put another tube in the place of {tube.ref}; gain that comes back "
        "while the direct volts hardly move is a worn cathode.",
        defect=defect,
    )


CATHODE_INTERFACE = FaultKind(
    name=NAME,
    title="Cathode interface resistance",
    model="A resistor in series with the cathode.",
    defects="200 ohm; swept from 10 ohm to 2 kohm.",
    likelihood="Rare.",
    readings="Low gain with direct volts that hardly differ; it goes with the tube.",
    next_step="Power off: try another tube.",
    source="common practice",
    find=find,
    continuous=continuous,
    body="tube",
    words=(Word("interface", "rare", "wear"),),
    exchange="tube",
    group="tubes",
)
