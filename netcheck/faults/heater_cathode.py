"""Leak or short from heater to cathode.

What it does:
    The insulation between heater and cathode leaks or breaks down, so that the cathode is
    tied to what the heater is tied to.
Why it overheats something:
    Where the cathode stands on a bias resistor and the heater on ground, the leak lies
    across the bias resistor like a shorted bypass: the bias goes and the tube draws several
    times its current. With a raised heater supply the cathode is pulled up and the tube cut
    off.
How it is modelled:
    A resistor from the cathode to ground; where the note says that the heater is elevated,
    to that voltage, as its equivalent of resistor and current source. 0.1 ohm for a short.
Known limits:
    The hum of the heater's alternating voltage is not modelled. Tubes whose cathode is at
    ground, or over some ohms only, are not listed, nor directly heated ones.
Example:
    `X2/heater_cathode_leaky@1kohm`, `X2/heater_cathode_shorted`.
References:
    Shorts from heater to cathode are a chief sudden failure of tubes: a military study, as
    quoted. Sound tubes have 0.5 to 1 Mohm or more there: a tester's standard, as quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SHORT_OHM, AddCurrentSource, AddResistor, Change
from netcheck.circuit.model import GROUND, Circuit, Part
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

NAME = "heater_cathode"
LEAKS_OHM = (100.0, 1e3, 10e3, 100e3)
SMALL_OHM = (10e3,)
SWEEP_OHM = (10e6, 1.0)
NEAR_GROUND_OHM = 20.0
"""A cathode this near to ground (a sense resistor) has no bias to lose."""

LEAKY = likelihood("common", "common practice; a chief sudden failure of tubes, as quoted")
SHORTED = likelihood("occasional", "a chief sudden failure of tubes: a military study, as quoted")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List leaks and short of every tube whose cathode is not at ground."""
    for tube in _tubes(circuit):
        for ohm in LEAKS_OHM if tube.ref in roles.output_tubes else SMALL_OHM:
            yield _leak(tube, "heater_cathode_leaky", ohm)
        yield _leak(tube, "heater_cathode_shorted", SHORT_OHM)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every such tube."""
    for tube in _tubes(circuit):
        yield ContinuousFault(
            id=fault_id([tube.ref], "heater_cathode_leaky"),
            parts=(tube.ref,),
            kind="heater_cathode_leaky",
            unit="ohm",
            from_value=SWEEP_OHM[0],
            to_value=SWEEP_OHM[1],
            logarithmic=True,
            make=partial(_leak, tube, "heater_cathode_leaky"),
            family=NAME,
        )


def _tubes(circuit: Circuit) -> Iterator[Part]:
    for tube in gridded_tubes(circuit):
        direct = tube.tube is not None and tube.tube.directly_heated
        if not direct and not _grounded(circuit, tube.net("cathode")):
            yield tube


def _grounded(circuit: Circuit, net: str) -> bool:
    return net == GROUND or any(
        part.kind == "resistor" and GROUND in part.nets and (part.value or 0.0) <= NEAR_GROUND_OHM
        for part in circuit.parts_on.get(net, ())
    )


def _leak(tube: Part, kind: str, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    volts = (tube.note.heater_v or 0.0) if tube.note.heater == "elevated" else 0.0
    cathode = tube.net("cathode")
    changes: list[Change] = [AddResistor(f"{tube.ref}.heater", cathode, GROUND, ohm)]
    if volts:
        changes.append(AddCurrentSource(f"{tube.ref}.elevation", GROUND, cathode, volts / ohm))
    happened = "is shorted" if kind.endswith("shorted") else f"leaks {defect.text}"
    place = f"a heater supply at {volts:.4g} V" if volts else "the grounded heater supply"
    return make_fault(
        NAME,
        [tube.ref],
        kind,
        changes,
        SHORTED if kind.endswith("shorted") else LEAKY,
        summary=f"Inside {tube.ref} the cathode {happened} to {place}.",
        measure=f"{POWER_OFF}: put another tube in the place of {tube.ref} and compare the cathode "
        "volts; with a leak to the heater they come back with the new tube.",
        defect=defect,
        only_size=kind.endswith("shorted"),
    )


HEATER_CATHODE = FaultKind(
    name=NAME,
    title="Heater-cathode leak or short",
    model="A resistor from the cathode to ground; where the note says that the heater is "
    "elevated, to that voltage, as its equivalent of resistor and current source. 0.1 "
    "ohm for a short.",
    defects="Output tubes leaks of 100 ohm, 1, 10 and 100 kohm, others 10 kohm; a short of "
    "0.1 ohm; swept from 10 Mohm to 1 ohm.",
    likelihood="Leak common, short occasional.",
    readings="Cathode volts low or zero with hum on them while the tube runs hot; it goes with "
    "the tube.",
    next_step="Power off: try another tube; then, tube out and warm, measure between heater and "
    "cathode.",
    source="common practice; a military study and a tester's standard, as quoted",
    find=find,
    continuous=continuous,
    body="tube",
    words=(
        Word("heater_cathode_leaky", "common", "wear", ripple="heater"),
        Word("heater_cathode_shorted", "occasional", "chance", ripple="heater"),
    ),
    exchange="tube",
    signs=(
        Sign("driver", HEATS, PRACTICE),
        Sign("hum", 0.8, f"{PRACTICE}: a heater-cathode leak puts heater volts on the cathode"),
        Sign(
            "new_tubes",
            2.0,
            "geofex.com on power tubes: shorts are common in new tubes and very old ones",
            "heater_cathode_shorted",
        ),
    ),
    group="tubes",
)
