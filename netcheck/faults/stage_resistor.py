"""Resistors of a stage: cathodes, grids, screens, plates and feedback.

Comes in: a circuit and its roles.  Goes out: their wrong values, drift, open and short.

References: IEC 60062 (color code), IEC 60063 (E series).  FMD-91, from memory: failed film
resistors are open in 59 % of cases, drifted in 36 % and shorted in 5 %, wirewound ones open in
65 %.  Common practice: carbon composition drifts upward, and most plate loads found bad are of
33 kohm to 470 kohm; screen resistors open or drift after an arc in the tube.

References.  Carbon composition of 220 kohm to 1 Mohm drifts upward, and an open grid leak shows
as a reading that a 10 Mohm meter cures: common practice.  Failed composition resistors have
drifted in 66 % and opened in 31 % of cases: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from netcheck.circuit.changes import OPEN_OHM, SHORT_OHM, SetValue
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    ContinuousFault,
    Defect,
    Fault,
    FaultKind,
    Found,
    Likelihood,
    Sign,
    Word,
    likelihood,
    rippling,
)
from netcheck.faults.common import (
    POWER_OFF,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
    sweep,
)
from netcheck.faults.resistor import (
    BAND,
    BRIDGED,
    BURNT,
    BURNT_OPEN,
    CARBON_UPWARD,
    DRIFTED,
    DRIFTED_DOWN,
    DRIFTED_UP,
    LEFT_OPEN,
    OPEN_AFTER_OVERLOAD,
    OTHER_VALUE,
    RESISTOR,
    RESISTOR_SOURCE,
    SHORTED,
    WRONG_VALUE,
    Habits,
    Slip,
    decade_slips,
    slips,
)
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

OPEN_FROM_HEAT = likelihood(
    "occasional",
    "common practice: stoppers sit on the socket, in its heat; open is 59 % of film resistor "
    "failures (FMD-91, from memory)",
)


def decade_up_slips(ohm: float) -> Iterator[Slip]:
    """Give the values that raise the resistance in the grid; lower ones only damp less."""
    yield Slip(10.0 * ohm, "ten times the value, multiplier one off", likelihood("common", BAND))
    yield Slip(
        100.0 * ohm, "a hundred times the value, multiplier two off", likelihood("rare", BAND)
    )


def _from_grid_pin(part: Part) -> str:
    return (
        f"{POWER_OFF}, tube out: measure from the grid pin of the socket through {part.ref} to its "
        f"far end; {Defect(part.value or 0.0, 'ohm').text} belongs there."
    )


LEAK_DRIFTS = (1.2, 1.5, 2.0, 3.0, 5.0)
FAR_DRIFT = 2.5
LEAK_OPEN = likelihood(
    "occasional",
    "common practice; open is 31 % of composition resistor failures (FMD-91, from memory)",
)
LEAK_DRIFT = likelihood("common", "common practice: carbon composition of this size drifts upward")
LEAK_FAR_DRIFT = likelihood(
    "occasional", "common practice: drift beyond two or three times is less usual"
)


def _grid_leak(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the drifts and the open of every grid leak."""
    for part, tubes in _leaks(circuit, roles):
        for factor in LEAK_DRIFTS:
            yield _leak_drifted(part, tubes, (part.value or 0.0) * factor)
        for slip in decade_slips(part.value or 0.0):
            yield _leak_fault(part, tubes, "wrong_value", slip.ohm, slip.likelihood)
        if (part.value or 0.0) < OPEN_OHM:
            yield _leak_fault(part, tubes, "open", OPEN_OHM, LEAK_OPEN)
        yield _leak_fault(part, tubes, "shorted", SHORT_OHM, SHORTED)


def _grid_leak_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep every grid leak from its value up to an open one."""
    for part, tubes in _leaks(circuit, roles):
        if (part.value or 0.0) < OPEN_OHM:
            yield sweep(
                (part.ref,),
                "drifted",
                "ohm",
                (part.value or 0.0, OPEN_OHM),
                partial(_leak_drifted, part, tubes),
            )


def _leaks(circuit: Circuit, roles: Roles) -> Iterator[tuple[Part, str]]:
    """Give each grid leak with its tubes in words."""
    for part, played in parts_with_role(circuit, roles, "resistor", RoleName.GRID_LEAK):
        yield part, joined(served_tubes(circuit, played), played[0].of)


def _leak_drifted(part: Part, tubes: str, ohm: float) -> Fault:
    chance = LEAK_FAR_DRIFT if ohm > FAR_DRIFT * (part.value or ohm) else LEAK_DRIFT
    return _leak_fault(part, tubes, "drifted", ohm, chance)


def _leak_fault(part: Part, tubes: str, kind: str, ohm: float, chance: Likelihood) -> Fault:
    defect = Defect(ohm, "ohm")
    marked = Defect(part.value or 0.0, "ohm").text
    happened = {
        "open": "is open, or was left out",
        "shorted": "is shorted",
        "wrong_value": f"is {defect.text} where {marked} belongs",
    }.get(kind, f"has drifted to {defect.text} from {marked}")
    return make_fault(
        [part.ref],
        kind,
        [SetValue(part.ref, ohm)],
        chance,
        summary=f"{part.ref}, the grid leak of {tubes}, {happened}.",
        measure=f"{POWER_OFF}, {tubes} out: measure from the grid pin of {tubes} to the far end of "
        f"{part.ref}; {marked} belongs there, grid stopper included.",
        defect=defect,
        only_size=kind in ("open", "shorted"),
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="cathode_resistor",
        search=Habits(
            (RoleName.CATHODE_RESISTOR, RoleName.TAIL_RESISTOR),
            slips=slips,
            drifts=(0.7, 0.8, 0.9, 1.2, 1.5, 2.0),
            open=OPEN_AFTER_OVERLOAD,
        ),
        title="Wrong, drifted, open or shorted cathode resistor",
        does="The resistor between cathode and ground sets the bias of a cathode-biased tube; a "
        "tail resistor sets the current of a pair. A wrong value sets a wrong current.",
        why="Too low a value leaves too little bias: the tube draws more, and so does the "
        "resistor itself. Too high a value, or an open one, starves the tube but puts a high "
        "voltage on the bypass capacitor.",
        limits="A resistor shorted by its bypass capacitor is that capacitor's fault "
        "(`cathode_bypass`). An open one keeps no leak of its bypass capacitor.",
        examples=(
            "R9/wrong_value@47ohm",
            "R9/drifted@329ohm",
            "R9/open",
        ),
        model="The resistor takes another value; open is 1 Gohm, shorted 0.1 ohm.",
        defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
        "x0.7 0.8 0.9 1.2 1.5 2, open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional, two decades rare; drift up "
        "occasional, down and a short rare; open common after a tube has run away.",
        readings="Cathode voltage over marked resistance gives a current that disagrees with the "
        "plate side; low value: low cathode voltage and hot tube; open: cathode floats to tens of "
        "volts.",
        next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
        "measure it against its marking.",
        source="IEC 60062 and IEC 60063; common practice; FMD-91, from memory",
        group="resistors",
        body="resistor",
        words=(WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, BURNT_OPEN, BRIDGED),
        signs=(
            Sign("partner", HEATS, PRACTICE, "open"),
            Sign("driver", HEATS, PRACTICE, "wrong_value shorted"),
            *BURNT,
        ),
    ),
    FaultKind(
        name="cathode_load",
        search=Habits((RoleName.CATHODE_LOAD,), drifts=(1.5, 2.0)),
        title="Wrong, drifted, open or shorted cathode load",
        does="The resistor between the cathode of a follower or a split-load inverter and ground "
        "has another value.",
        why="A lower one draws more current through tube and resistor; with direct coupling it "
        "also moves the next grid. A missing one leaves the tube without current and its cathode "
        "at several times its usual volts.",
        limits="A split load whose halves differ gives unequal drive, which shows when driven.",
        examples=(
            "R7/wrong_value@2.2kohm",
            "R7/open",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional; drift and open occasional; short "
        "rare.",
        readings="Cathode volts over marked resistance disagree with the plate side; the two "
        "halves of a cathodyne differ.",
        next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
        "measure it against its marking.",
        source=RESISTOR_SOURCE,
        group="resistors",
        body="resistor",
        words=RESISTOR,
        signs=BURNT,
    ),
    FaultKind(
        name="sense_resistor",
        search=Habits(
            (RoleName.SENSE_RESISTOR,), slips=decade_slips, shorted=None, swept=("drifted_up",)
        ),
        title="Open or wrong sense resistor",
        does="The small resistor that shows cathode current in millivolts is open or has another "
        "value.",
        why="Open, its tube passes nothing, the cathode floats to tens of volts, and the partner "
        "carries the signal. Ten times too much shows ten times the current: who then turns the "
        "bias down or up by the meter sets it wrong by as much.",
        limits="What the owner adjusts by a wrong reading is the fault `bias_supply`.",
        examples=(
            "R24/open",
            "R24/wrong_value@10ohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062), open; swept up to a hundred times.",
        likelihood="Decade slip common, open occasional.",
        readings="Open: the reading is absurdly high, tens of volts, and the tube is cold. Wrong: "
        "the reading is off by ten.",
        next_step="Power off, capacitors discharged, tube out: measure the resistor, leads of the "
        "meter subtracted.",
        source=RESISTOR_SOURCE,
        group="resistors",
        body="resistor",
        words=(WRONG_VALUE, DRIFTED_UP, LEFT_OPEN),
        signs=(
            Sign("partner", HEATS, PRACTICE, "open"),
            *BURNT,
        ),
    ),
    FaultKind(
        name="grid_leak",
        search=Found(_grid_leak, _grid_leak_swept),
        title="Open, drifted, wrong or shorted grid leak",
        does="The resistor that ties a grid to its bias, or to ground, no longer holds it there.",
        why="A little reverse current flows out of every negative grid. Through a higher grid "
        "leak it moves the grid further positive, which raises the current and with it the "
        "reverse current; with the leak open the grid drifts up until the tube red-plates.",
        limits="A gassy or hot tube has far more reverse current than the model's sound one, so "
        "real tubes tip over earlier. The slow creep over minutes is not modelled.",
        examples=(
            "R12/open",
            "R12/drifted@330kohm",
        ),
        model="The resistor takes another value, 1 Gohm when open; the tube's reverse grid "
        "current lifts the grid.",
        defects="x1.2, 1.5, 2, 3, 5; x10, /10 (IEC 60062); open; shorted; swept from its value to "
        "1 Gohm.",
        likelihood="Drift common up to about twice, occasional beyond; decade slip common, open "
        "occasional, short rare.",
        readings="Plate current creeps up over minutes; a 10 Mohm meter on the grid seems to cure "
        "it.",
        next_step="Power off, capacitors discharged, tube out: measure from the grid pin to the "
        "bias feed or ground.",
        source="common practice; failure modes of resistors: FMD-91, from memory",
        group="resistors",
        body="resistor",
        words=(
            Word(
                "drifted",
                "common",
                "wear",
                grows="drift",
                deviates=True,
                starves=True,
                gives_up=True,
                ripple="grid",
            ),
            Word("wrong_value", "common", "assembly", ripple="grid"),
            Word("open", "occasional", "chance", gives_up=True, unsoldered=True, ripple="grid"),
            Word("shorted", "rare", "assembly", ripple="grid"),
        ),
        signs=(
            Sign("partner", HEATS, PRACTICE, "shorted"),
            Sign("hum", 0.6, f"{PRACTICE}: an open grid picks up hum", "open"),
        ),
    ),
    FaultKind(
        name="grid_stopper",
        search=Habits(
            (RoleName.GRID_STOPPER,),
            slips=decade_up_slips,
            open=OPEN_FROM_HEAT,
            swept=("drifted_up",),
            measure=_from_grid_pin,
        ),
        title="Open, missing or wrong grid stopper",
        does="The resistor in front of a grid no longer lets the bias through, or no longer damps.",
        why="With the stopper open the grid hangs on its own leakage and drifts up until the tube "
        "red-plates, while bias measured at the grid leak looks right. With it shorted nothing "
        "shows at rest, but the tube may oscillate at radio frequency. Ten or a hundred times too "
        "much adds to the resistance the reverse grid current flows through.",
        limits="Oscillation for want of a stopper is not solved: the direct volts are those of a "
        "sound stage.",
        examples=(
            "R16/open",
            "R16/wrong_value@220kohm",
        ),
        model=OTHER_VALUE,
        defects="x10 and x100, open, shorted; swept up to a hundred times.",
        likelihood="Decade slip common, two decades rare, open occasional, short rare.",
        readings="Bias right at the junction of grid leak and stopper, absent at the grid pin; "
        "the tube draws more minute by minute. Shorted: current jumps when a probe comes near.",
        next_step="Power off, capacitors discharged, tube out: measure from the grid pin through "
        "the stopper to the grid leak.",
        source=RESISTOR_SOURCE,
        group="resistors",
        body="resistor",
        words=rippling("grid", WRONG_VALUE, DRIFTED_UP, LEFT_OPEN, BRIDGED),
        signs=(Sign("hum", 0.6, f"{PRACTICE}: an open grid picks up hum", "open"),),
    ),
    FaultKind(
        name="screen_resistor",
        search=Habits((RoleName.SCREEN_RESISTOR,), drifts=(1.5, 2.0), open=OPEN_AFTER_OVERLOAD),
        title="Open, shorted, drifted or wrong screen resistor",
        does="The resistor that feeds a screen grid opens after an overload, drifts, or was "
        "fitted with the wrong value.",
        why="With the screen open its tube passes almost nothing and the partner carries the "
        "whole signal. Too low a value, or a short, lets the screen's dissipation run up under "
        "overdrive, where this resistor is what protects it. Too high a value starves the tube "
        "and heats the resistor.",
        limits="That a shorted tube burnt the resistor first is not part of the fault; look at "
        "the tube too.",
        examples=(
            "R18/open",
            "R18/wrong_value@220ohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Open common (after an arc); decade slip common, neighbor occasional; drift "
        "occasional; short rare.",
        readings="Open: screen volts near zero, the tube cold, power low and one-sided. Too low: "
        "nothing at idle, screen glows when overdriven.",
        next_step="Power off, capacitors discharged, tube out: measure the resistor, then the "
        "tube's screen for a short.",
        source=RESISTOR_SOURCE,
        group="resistors",
        body="resistor",
        words=(WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, BRIDGED, BURNT_OPEN),
        signs=(
            Sign("partner", HEATS, PRACTICE, "wrong_value drifted drifted_up open"),
            *BURNT,
        ),
    ),
    FaultKind(
        name="plate_load",
        search=Habits((RoleName.PLATE_LOAD,), drifts=(1.5, 2.0, 3.0), upward=CARBON_UPWARD),
        title="Drifted, open, shorted or wrong plate load",
        does="The resistor that feeds a plate rises with age, opens, or has a wrong value.",
        why="The stage itself dissipates little. But where the next grid hangs straight on this "
        "plate, a lower load lifts it and the next tube draws more; an open load lets it cool. "
        "Unequal loads of an inverter drive the output tubes unequally.",
        limits="Noise, the usual first sign of a failing plate load, is not modelled.",
        examples=(
            "R3/drifted@150kohm",
            "R3/open",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5, x2, x3, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Drift upward common, decade slip common, neighbor and open occasional, short "
        "rare.",
        readings="Plate volts low with a load that has drifted up, high with a low one; cathode "
        "volts confirm which.",
        next_step="Power off, capacitors discharged: measure the resistor in place, rail to plate "
        "pin; tubes cold it reads true.",
        source=RESISTOR_SOURCE,
        group="resistors",
        body="resistor",
        words=(
            WRONG_VALUE,
            DRIFTED_DOWN,
            LEFT_OPEN,
            BRIDGED,
            replace(DRIFTED, level="common"),
            replace(DRIFTED_UP, level="common"),
        ),
        signs=(
            Sign("driver", HEATS, PRACTICE, "wrong_value shorted"),
            *BURNT,
        ),
    ),
    FaultKind(
        name="feedback_resistor",
        search=Habits((RoleName.FEEDBACK_RESISTOR,), drifts=(2.0,)),
        title="Open, shorted or wrong feedback resistor",
        does="The resistor that brings the output back to an earlier stage is missing, shorted or "
        "has a wrong value.",
        why="Without feedback the same input drives the output tubes several times harder. Where "
        "it lies across direct volts (plate to plate, plate to grid) it is part of the bias too. "
        "Ten times too little overdoes the feedback and may start an oscillation.",
        limits="Whether the loop oscillates is not judged; a driven run that does not settle says "
        "so.",
        examples=(
            "R6/open",
            "R6/wrong_value@8.2kohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x2, open, "
        "shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor, drift and open occasional; short rare.",
        readings="Open: gain goes up by the amount of feedback, direct volts stay. Too low: low "
        "gain, ringing.",
        next_step="Power off, capacitors discharged: lift one end of the resistor and measure it "
        "against its marking.",
        source=RESISTOR_SOURCE,
        group="resistors",
        body="resistor",
        words=RESISTOR,
        signs=(Sign("hum", 0.3, f"{PRACTICE}: feedback reduced hum as well", "open"),),
    ),
)
