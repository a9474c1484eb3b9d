"""Paths inside a tube: grids that emit, and leaks and shorts between electrodes and to the heater.

Comes in: a circuit and its roles.  Goes out: currents and resistances between electrodes.

References.  Reverse grid current of a new power tube below 0.5 to 3 uA, rejected in service above
5 to 10 uA: from memory, low confidence.  Insulation between electrodes of a sound tube is 5 Mohm
or more: a tester's standard, as quoted. Shorts are rare in tubes past their first hours and not
yet worn out: as quoted.  Shorts from heater to cathode are a chief sudden failure of tubes: a
military study, as quoted. Sound tubes have 0.5 to 1 Mohm or more there: a tester's standard, as
quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import (
    SHORT_OHM,
    AddCurrentSource,
    AddResistor,
    Change,
    SetGridEmission,
)
from netcheck.circuit.model import GROUND, Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Found,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.common import (
    POWER_OFF,
    gridded_tubes,
    make_fault,
    output_tubes,
    sweep,
)
from netcheck.roles.base import Roles

CURRENTS_A = (1e-6, 5e-6, 20e-6, 100e-6)
SWEEP_A = (1e-7, 1e-3)
BAD_A = 10e-6
MILD_EMISSION = likelihood("common", "common practice: hard-driven power tubes; limits from memory")
STRONG_EMISSION = likelihood("occasional", "common practice: beyond any limit of a tester")


def _emitting_grid(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the currents of every output tube."""
    for tube in output_tubes(circuit, roles):
        for ampere in CURRENTS_A:
            yield _emitting(tube.ref, ampere)


def _emitting_grid_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the current of every output tube."""
    for tube in output_tubes(circuit, roles):
        yield sweep((tube.ref,), "grid_emission", "A", SWEEP_A, partial(_emitting, tube.ref))


def _emitting(ref: str, ampere: float) -> Fault:
    defect = Defect(ampere, "A")
    return make_fault(
        [ref],
        "grid_emission",
        [SetGridEmission(ref, ampere)],
        MILD_EMISSION if ampere <= BAD_A else STRONG_EMISSION,
        summary=f"The hot grid of {ref} emits {defect.text} of its own.",
        measure=f"{ref} out, power on: measure the bias at its grid pin, put {ref} in and watch "
        "the bias for ten minutes; a slow creep upward is grid emission.",
        defect=defect,
    )


LEAKS_OHM = (100e3, 1e6, 10e6)
SWEEP_OHM = (10e9, 1e3)
ELECTRODES_LEAKY = likelihood("occasional", "common practice: old power tubes")
ELECTRODES_SHORTED = likelihood(
    "occasional", "common practice: new tubes and worn-out ones, rare between"
)


def _electrode_leaks(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List leaks and shorts from the grid of every output tube, and shorts of the others."""
    for tube, electrode in _paths(circuit):
        power = tube.ref in roles.output_tubes
        for ohm in LEAKS_OHM if power else ():
            yield _electrode_leak(tube, electrode, "leaky", ohm)
        if power or electrode == "cathode":
            yield _electrode_leak(tube, electrode, "shorted", SHORT_OHM)


def _electrode_leaks_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leaks of every output tube."""
    for tube, electrode in _paths(circuit):
        if tube.ref in roles.output_tubes:
            kind = f"grid_{electrode}_leaky"
            yield sweep(
                (tube.ref,),
                kind,
                "ohm",
                SWEEP_OHM,
                partial(_electrode_leak, tube, electrode, "leaky"),
            )


def _paths(circuit: Circuit) -> Iterator[tuple[Part, str]]:
    """Give each tube with each electrode that its grid may touch."""
    for tube in gridded_tubes(circuit):
        for electrode in ("cathode", "screen"):
            if tube.has_pin(electrode) and tube.net(electrode) != tube.net("grid"):
                yield tube, electrode


def _electrode_leak(tube: Part, electrode: str, word: str, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    name = f"{tube.ref}.grid_{electrode}"
    happened = "is shorted" if word == "shorted" else f"leaks {defect.text}"
    return make_fault(
        [tube.ref],
        f"grid_{electrode}_{word}",
        [AddResistor(name, tube.net("grid"), tube.net(electrode), ohm)],
        ELECTRODES_SHORTED if word == "shorted" else ELECTRODES_LEAKY,
        summary=f"Inside {tube.ref} the grid {happened} to the {electrode}.",
        measure=f"{POWER_OFF}, {tube.ref} out: measure between grid and {electrode} of the tube, "
        "warm from use, while tapping it; a sound tube shows no reading.",
        defect=defect,
        only_size=word == "shorted",
    )


HEATER_LEAKS_OHM = (100.0, 1e3, 10e3, 100e3)
SMALL_HEATER_OHM = (10e3,)
HEATER_SWEEP_OHM = (10e6, 1.0)
NEAR_GROUND_OHM = 20.0
"""A cathode this near to ground (a sense resistor) has no bias to lose."""
HEATER_LEAKY = likelihood("common", "common practice; a chief sudden failure of tubes, as quoted")
HEATER_SHORTED = likelihood(
    "occasional", "a chief sudden failure of tubes: a military study, as quoted"
)


def _heater_leaks(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List leaks and short of every tube whose cathode is not at ground."""
    for tube in _raised_cathodes(circuit):
        for ohm in HEATER_LEAKS_OHM if tube.ref in roles.output_tubes else SMALL_HEATER_OHM:
            yield _heater_leak(tube, "heater_cathode_leaky", ohm)
        yield _heater_leak(tube, "heater_cathode_shorted", SHORT_OHM)


def _heater_leaks_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the leak of every such tube."""
    for tube in _raised_cathodes(circuit):
        yield sweep(
            (tube.ref,),
            "heater_cathode_leaky",
            "ohm",
            HEATER_SWEEP_OHM,
            partial(_heater_leak, tube, "heater_cathode_leaky"),
        )


def _raised_cathodes(circuit: Circuit) -> Iterator[Part]:
    for tube in gridded_tubes(circuit):
        direct = tube.tube is not None and tube.tube.directly_heated
        if not direct and not _grounded(circuit, tube.net("cathode")):
            yield tube


def _grounded(circuit: Circuit, net: str) -> bool:
    return net == GROUND or any(
        part.kind == "resistor" and GROUND in part.nets and (part.value or 0.0) <= NEAR_GROUND_OHM
        for part in circuit.parts_on.get(net, ())
    )


def _heater_leak(tube: Part, kind: str, ohm: float) -> Fault:
    defect = Defect(ohm, "ohm")
    volts = (tube.note.heater_v or 0.0) if tube.note.heater == "elevated" else 0.0
    cathode = tube.net("cathode")
    changes: list[Change] = [AddResistor(f"{tube.ref}.heater", cathode, GROUND, ohm)]
    if volts:
        changes.append(AddCurrentSource(f"{tube.ref}.elevation", GROUND, cathode, volts / ohm))
    happened = "is shorted" if kind.endswith("shorted") else f"leaks {defect.text}"
    place = f"a heater supply at {volts:.4g} V" if volts else "the grounded heater supply"
    return make_fault(
        [tube.ref],
        kind,
        changes,
        HEATER_SHORTED if kind.endswith("shorted") else HEATER_LEAKY,
        summary=f"Inside {tube.ref} the cathode {happened} to {place}.",
        measure=f"{POWER_OFF}: put another tube in the place of {tube.ref} and compare the cathode "
        "volts; with a leak to the heater they come back with the new tube.",
        defect=defect,
        only_size=kind.endswith("shorted"),
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="grid_emission",
        search=Found(_emitting_grid, _emitting_grid_swept),
        title="Grid emission",
        does="Cathode material that has settled on a hot grid makes the grid emit electrons "
        "itself.",
        why="The current flows out of the grid through its resistance and lifts it. It needs no "
        "plate current, only heat: the bias is right when cold and creeps away minutes after "
        "switching on.",
        limits="Under drive and in the search for tipping points the stated current is constant.",
        examples=("X4/grid_emission@5uA",),
        model="A current from cathode to grid; at idle it doubles with every 15 degrees that the "
        "tube's own heat adds, or runs away; under drive it is constant.",
        defects="1, 5, 20 and 100 uA out of the grid of an output tube; swept from 0.1 uA to 1 mA.",
        likelihood="Common up to 10 uA, occasional beyond.",
        readings="Bias right when cold, falling minutes after switching on, still wrong with the "
        "plate supply off while the tube is hot.",
        next_step="Watch the bias at the grid pin for ten minutes after switching on, then try "
        "another tube.",
        source="common practice; limits of testers from memory, low confidence",
        group="tubes",
        body="tube",
        words=(Word("grid_emission", "common", "wear", gives_up=True),),
        exchange="tube",
        signs=(Sign("new_tubes", 0.6, f"{PRACTICE}: tubes from stock may have drawn gas"),),
    ),
    FaultKind(
        name="tube_leak",
        search=Found(_electrode_leaks, _electrode_leaks_swept),
        title="Leak or short between electrodes of a tube",
        does="A film of metal on the mica, a flake or a sagging grid connects the control grid "
        "with the cathode or with the screen.",
        why="A path from the screen pulls the grid positive as a leaky coupling capacitor does, "
        "and it goes with the tube. A short of grid to cathode takes the bias away.",
        limits="Shorts that come and go with heat or a tap of a finger are solved as if they "
        "stayed.",
        examples=(
            "X4/grid_screen_leaky@1Mohm",
            "X4/grid_cathode_shorted",
        ),
        model="A resistor between the two electrodes; 0.1 ohm for a short.",
        defects="Output tubes: 100 kohm, 1 and 10 Mohm and a short from grid to cathode and to "
        "screen; others a short to the cathode; swept from 10 Gohm to 1 kohm.",
        likelihood="Occasional.",
        readings="Bias right with the tube out, wrong with it in; it goes with the tube; stopper "
        "or screen resistor burnt after a short to the screen.",
        next_step="Tube out and still warm: measure between the electrodes while tapping the "
        "glass.",
        source="common practice; a tester's standard, as quoted",
        group="tubes",
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
    ),
    FaultKind(
        name="heater_cathode",
        search=Found(_heater_leaks, _heater_leaks_swept),
        title="Heater-cathode leak or short",
        does="The insulation between heater and cathode leaks or breaks down, so that the cathode "
        "is tied to what the heater is tied to.",
        why="Where the cathode stands on a bias resistor and the heater on ground, the leak lies "
        "across the bias resistor like a shorted bypass: the bias goes and the tube draws several "
        "times its current. With a raised heater supply the cathode is pulled up and the tube cut "
        "off.",
        limits="The hum of the heater's alternating voltage is not modelled. Tubes whose cathode "
        "is at ground, or over some ohms only, are not listed, nor directly heated ones.",
        examples=(
            "X2/heater_cathode_leaky@1kohm",
            "X2/heater_cathode_shorted",
        ),
        model="A resistor from the cathode to ground; where the note says that the heater is "
        "elevated, to that voltage, as its equivalent of resistor and current source. 0.1 ohm for "
        "a short.",
        defects="Output tubes leaks of 100 ohm, 1, 10 and 100 kohm, others 10 kohm; a short of "
        "0.1 ohm; swept from 10 Mohm to 1 ohm.",
        likelihood="Leak common, short occasional.",
        readings="Cathode volts low or zero with hum on them while the tube runs hot; it goes "
        "with the tube.",
        next_step="Power off: try another tube; then, tube out and warm, measure between heater "
        "and cathode.",
        source="common practice; a military study and a tester's standard, as quoted",
        group="tubes",
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
    ),
)
