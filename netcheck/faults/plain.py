"""Resistors and capacitors whose faults are those of any other: one row for each job.

Comes in: a circuit and its roles.  Goes out: faults and sweeps of every part that plays
the job of a row.  A row says which jobs, what goes wrong and how likely (`Habits`,
`Wear`), and in words what the part does, why its faults overheat something and what is
left out.  A job with a rule of its own has a module of its own.

How it is modelled: a resistor takes another value; a value that two slips lead to is
listed once, under the likelier.  A leak or a short of a capacitor is a resistor across it.

References: IEC 60062 (color code), IEC 60063 (E series).  FMD-91, from memory: failed film
resistors are open in 59 % of cases, drifted in 36 % and shorted in 5 %, wirewound ones
open in 65 %; failed aluminum electrolytics are shorted in 53 %, open in 35 %, leaky in
10 %; shorts are 63 % of paper and 40 % of film capacitor failures, open 37 and 42 %.
Common practice: carbon composition drifts upward, and most plate loads found bad are of
33 kohm to 470 kohm; droppers open or drift after a capacitor behind them has leaked,
screen resistors after an arc in the tube; a leak of less than twenty times the resistor
that feeds a screen counts as bad, an electrolytic below 80 % of its capacitance as worn
out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

from netcheck.circuit.model import Part
from netcheck.faults.base import (
    HEATS,
    PRACTICE,
    Body,
    Defect,
    FaultKind,
    Group,
    Ripple,
    Sign,
    Word,
    likelihood,
)
from netcheck.faults.capacitors import (
    ELECTROLYTIC_DRIED,
    FILM_SHORT,
    Wear,
    capacitor_faults,
    capacitor_sweeps,
)
from netcheck.faults.common import POWER_OFF
from netcheck.faults.preferred import BAND, Slip, decade_slips, slips
from netcheck.faults.resistors import (
    CARBON_UPWARD,
    OPEN_AFTER_OVERLOAD,
    Habits,
    resistor_faults,
    resistor_sweeps,
)
from netcheck.roles.table import RoleName

OTHER_VALUE = "The resistor takes another value; 1 Gohm when open, 0.1 ohm when shorted."
LEAK_OR_LOSS = (
    "A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open part "
    "keeps a thousandth of its capacitance"
)
RESISTOR_SOURCE = "common practice; failure modes of resistors: FMD-91, from memory"
CAPACITOR_SOURCE = "common practice; failure modes of capacitors: FMD-91, from memory"

WRONG_VALUE = Word("wrong_value", "common", "assembly")
DRIFTED = Word("drifted", "occasional", "wear", grows="drift", deviates=True, starves=True,
               gives_up=True)  # fmt: skip
DRIFTED_DOWN = Word("drifted_down", "rare", "wear", grows="drift", deviates=True)
DRIFTED_UP = replace(DRIFTED_DOWN, name="drifted_up", level="occasional")
LEFT_OPEN = Word("open", "occasional", "chance", gives_up=True, unsoldered=True)
BURNT_OPEN = replace(LEFT_OPEN, level="common")
BRIDGED = Word("shorted", "rare", "assembly")
RESISTOR = (WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, LEFT_OPEN, BRIDGED)


def rippling(how: Ripple, *words: Word) -> tuple[Word, ...]:
    """Return words of parts that filter or feed what ripples."""
    return tuple(replace(one, ripple=how) for one in words)


LEAKY = Word("leaky", "common", "wear", grows="leak", gives_up=True)
BROKEN_DOWN = Word("shorted", "common", "wear", gives_up=True)
NO_CONTACT = Word("open", "occasional", "chance", unsoldered=True)
FILM_BROKEN_DOWN = replace(BROKEN_DOWN, level="occasional")
ELECTROLYTIC = (LEAKY, BROKEN_DOWN, NO_CONTACT)
FILM = (replace(LEAKY, level="occasional"), FILM_BROKEN_DOWN, NO_CONTACT)
DRYING = (*ELECTROLYTIC, Word("dried", "common", "wear"))
FILTERING = tuple(one if one is LEAKY else replace(one, ripple="network") for one in DRYING)

BURNT = (
    Sign(
        "damaged",
        0.4,
        f"{PRACTICE}: cathode, screen and supply resistors open by burning",
        "open",
    ),
    Sign(
        "damaged",
        0.3,
        f"{PRACTICE}: heat darkens the bands of a composition resistor and raises it",
        "drifted drifted_up",
    ),
)
"""What is seen of resistors that carry current."""

FILM_LEAK = likelihood("occasional", "common practice: such capacitors leak when they are paper")
OPEN_FROM_HEAT = likelihood(
    "occasional",
    "common practice: stoppers sit on the socket, in its heat; open is 59 % of film resistor "
    "failures (FMD-91, from memory)",
)


@dataclass(frozen=True, slots=True)
class PlainKind:
    """One row: a job, its faults, and what is said of them.

    job: which roles, what goes wrong and how likely; its family is the kind's name.
    does: what the part does when it fails; why: why that overheats something; limits:
    what is not modelled; examples: ids.  The rest goes into the `FaultKind` as it is.
    """

    job: Habits | Wear
    title: str
    does: str
    why: str
    limits: str
    examples: tuple[str, ...]
    defects: str
    likelihood: str
    readings: str
    next_step: str
    body: Body
    words: tuple[Word, ...]
    group: Group
    model: str
    source: str
    bass: bool = False
    upsets_load: bool = False
    signs: tuple[Sign, ...] = ()

    def fault_kind(self) -> FaultKind:
        """Return the kind, which finds and sweeps the parts of the job."""
        job = self.job
        if isinstance(job, Habits):
            find, sweep = partial(resistor_faults, habits=job), partial(resistor_sweeps, habits=job)
        else:
            find, sweep = partial(capacitor_faults, wear=job), partial(capacitor_sweeps, wear=job)
        return FaultKind(
            name=job.family,
            title=self.title,
            model=self.model,
            defects=self.defects,
            likelihood=self.likelihood,
            readings=self.readings,
            next_step=self.next_step,
            source=self.source,
            find=find,
            continuous=sweep,
            body=self.body,
            words=self.words,
            group=self.group,
            bass=self.bass,
            upsets_load=self.upsets_load,
            signs=self.signs,
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


ROWS = (
    PlainKind(
        Habits(
            "cathode_resistor",
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
        "(`cathode_bypass.py`). An open one keeps no leak of its bypass capacitor.",
        examples=(
            "R9/wrong_value@47ohm",
            "R9/drifted@329ohm",
            "R9/open",
        ),
        defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), "
        "drift x0.7 0.8 0.9 1.2 1.5 2, open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional, two decades rare; drift up "
        "occasional, down and a short rare; open common after a tube has run away.",
        readings="Cathode voltage over marked resistance gives a current that disagrees with "
        "the plate side; low value: low cathode voltage and hot tube; open: cathode floats to "
        "tens of volts.",
        next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
        "measure it against its marking.",
        body="resistor",
        words=(WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, BURNT_OPEN, BRIDGED),
        signs=(
            Sign("partner", HEATS, PRACTICE, "open"),
            Sign("driver", HEATS, PRACTICE, "wrong_value shorted"),
            *BURNT,
        ),
        group="resistors",
        model="The resistor takes another value; open is 1 Gohm, shorted 0.1 ohm.",
        source="IEC 60062 and IEC 60063; common practice; FMD-91, from memory",
    ),
    PlainKind(
        Habits(
            "cathode_load",
            (RoleName.CATHODE_LOAD,),
            drifts=(1.5, 2.0),
        ),
        title="Wrong, drifted, open or shorted cathode load",
        does="The resistor between the cathode of a follower or a split-load inverter and "
        "ground has another value.",
        why="A lower one draws more current through tube and resistor; with direct coupling it "
        "also moves the next grid. A missing one leaves the tube without current and its "
        "cathode at several times its usual volts.",
        limits="A split load whose halves differ gives unequal drive, which shows when driven.",
        examples=(
            "R7/wrong_value@2.2kohm",
            "R7/open",
        ),
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional; drift and open occasional; short "
        "rare.",
        readings="Cathode volts over marked resistance disagree with the plate side; the two "
        "halves of a cathodyne differ.",
        next_step="Power off, capacitors discharged, tube out: lift one end of the resistor and "
        "measure it against its marking.",
        body="resistor",
        words=RESISTOR,
        signs=BURNT,
        group="resistors",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "sense_resistor",
            (RoleName.SENSE_RESISTOR,),
            slips=decade_slips,
            shorted=None,
            sweeps=("drifted_up",),
        ),
        title="Open or wrong sense resistor",
        does="The small resistor that shows cathode current in millivolts is open or has "
        "another value.",
        why="Open, its tube passes nothing, the cathode floats to tens of volts, and the "
        "partner carries the signal. Ten times too much shows ten times the current: who then "
        "turns the bias down or up by the meter sets it wrong by as much.",
        limits="What the owner adjusts by a wrong reading is the fault `bias_supply`.",
        examples=(
            "R24/open",
            "R24/wrong_value@10ohm",
        ),
        defects="x10, /10 (IEC 60062), open; swept up to a hundred times.",
        likelihood="Decade slip common, open occasional.",
        readings="Open: the reading is absurdly high, tens of volts, and the tube is cold. "
        "Wrong: the reading is off by ten.",
        next_step="Power off, capacitors discharged, tube out: measure the resistor, leads of "
        "the meter subtracted.",
        body="resistor",
        words=(WRONG_VALUE, DRIFTED_UP, LEFT_OPEN),
        signs=(
            Sign("partner", HEATS, PRACTICE, "open"),
            *BURNT,
        ),
        group="resistors",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "grid_stopper",
            (RoleName.GRID_STOPPER,),
            slips=decade_up_slips,
            open=OPEN_FROM_HEAT,
            sweeps=("drifted_up",),
            measure=_from_grid_pin,
        ),
        title="Open, missing or wrong grid stopper",
        does="The resistor in front of a grid no longer lets the bias through, or no longer damps.",
        why="With the stopper open the grid hangs on its own leakage and drifts up until the "
        "tube red-plates, while bias measured at the grid leak looks right. With it shorted "
        "nothing shows at rest, but the tube may oscillate at radio frequency. Ten or a hundred "
        "times too much adds to the resistance the reverse grid current flows through.",
        limits="Oscillation for want of a stopper is not solved: the direct volts are those of "
        "a sound stage.",
        examples=(
            "R16/open",
            "R16/wrong_value@220kohm",
        ),
        defects="x10 and x100, open, shorted; swept up to a hundred times.",
        likelihood="Decade slip common, two decades rare, open occasional, short rare.",
        readings="Bias right at the junction of grid leak and stopper, absent at the grid pin; "
        "the tube draws more minute by minute. Shorted: current jumps when a probe comes near.",
        next_step="Power off, capacitors discharged, tube out: measure from the grid pin "
        "through the stopper to the grid leak.",
        body="resistor",
        words=rippling("grid", WRONG_VALUE, DRIFTED_UP, LEFT_OPEN, BRIDGED),
        signs=(Sign("hum", 0.6, f"{PRACTICE}: an open grid picks up hum", "open"),),
        group="resistors",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "screen_resistor",
            (RoleName.SCREEN_RESISTOR,),
            drifts=(1.5, 2.0),
            open=OPEN_AFTER_OVERLOAD,
        ),
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
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Open common (after an arc); decade slip common, neighbor occasional; drift "
        "occasional; short rare.",
        readings="Open: screen volts near zero, the tube cold, power low and one-sided. Too "
        "low: nothing at idle, screen glows when overdriven.",
        next_step="Power off, capacitors discharged, tube out: measure the resistor, then the "
        "tube's screen for a short.",
        body="resistor",
        words=(WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, BRIDGED, BURNT_OPEN),
        signs=(
            Sign("partner", HEATS, PRACTICE, "wrong_value drifted drifted_up open"),
            *BURNT,
        ),
        group="resistors",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "plate_load",
            (RoleName.PLATE_LOAD,),
            drifts=(1.5, 2.0, 3.0),
            upward=CARBON_UPWARD,
        ),
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
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5, x2, x3, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Drift upward common, decade slip common, neighbor and open occasional, "
        "short rare.",
        readings="Plate volts low with a load that has drifted up, high with a low one; cathode "
        "volts confirm which.",
        next_step="Power off, capacitors discharged: measure the resistor in place, rail to "
        "plate pin; tubes cold it reads true.",
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
        group="resistors",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "feedback_resistor",
            (RoleName.FEEDBACK_RESISTOR,),
            drifts=(2.0,),
        ),
        title="Open, shorted or wrong feedback resistor",
        does="The resistor that brings the output back to an earlier stage is missing, shorted "
        "or has a wrong value.",
        why="Without feedback the same input drives the output tubes several times harder. "
        "Where it lies across direct volts (plate to plate, plate to grid) it is part of the "
        "bias too. Ten times too little overdoes the feedback and may start an oscillation.",
        limits="Whether the loop oscillates is not judged; a driven run that does not settle "
        "says so.",
        examples=(
            "R6/open",
            "R6/wrong_value@8.2kohm",
        ),
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x2, open, "
        "shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor, drift and open occasional; short rare.",
        readings="Open: gain goes up by the amount of feedback, direct volts stay. Too low: low "
        "gain, ringing.",
        next_step="Power off, capacitors discharged: lift one end of the resistor and measure "
        "it against its marking.",
        body="resistor",
        words=RESISTOR,
        signs=(Sign("hum", 0.3, f"{PRACTICE}: feedback reduced hum as well", "open"),),
        group="resistors",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "bias_network",
            (RoleName.BIAS_DIVIDER, RoleName.BIAS_SERIES_RESISTOR),
            slips=slips,
            drifts=(1.2, 1.5, 2.0),
        ),
        title="Open, shorted, drifted or wrong resistor of the bias supply",
        does="A resistor of the network that divides the negative supply down to the grids has "
        "another value.",
        why="Whatever takes the grids less negative makes every tube they belong to draw more "
        "at once: a series resistor that has risen or opened, a leg to ground that is too low.",
        limits="A wrong value that the pot can still trim away is shown at the pot's place of "
        "the netlist.",
        examples=(
            "R30/open",
            "R33/wrong_value@820ohm",
        ),
        defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), "
        "drift x1.2 x1.5 x2, open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional, two decades rare; drift and open "
        "occasional; short rare.",
        readings="All grids of the supply wrong by one share; the nominal bias cannot be "
        "reached at either end of the pot.",
        next_step="All output tubes out, power on: measure from the supply to the feed, "
        "resistor by resistor, and compare each drop.",
        body="resistor",
        words=RESISTOR,
        signs=(
            Sign(
                "bias_adjusted",
                0.6,
                f"{PRACTICE}: an adjustment takes up what drifted slowly",
                "drifted drifted_down drifted_up",
            ),
            *BURNT,
        ),
        group="bias supply",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "back_bias",
            (RoleName.BACK_BIAS_RESISTOR,),
            slips=slips,
            drifts=(1.5, 2.0),
        ),
        title="Open, shorted or wrong back-bias resistor",
        does="The resistor in the negative return of B+, across which the bias arises, has "
        "another value.",
        why="Too low, or shorted, it takes bias away from every tube that lives on it. Open, "
        "the whole supply floats and the tubes get nothing.",
        limits="A capacitor across it that leaks is a fault of the bias filter.",
        examples=(
            "R1/shorted",
            "R1/wrong_value@15ohm",
        ),
        defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), "
        "drift x1.5 x2, open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional, two decades rare; drift and open "
        "occasional; short rare.",
        readings="The bias of the whole stage is low and B+ current high; the drop over marked "
        "resistance disagrees with the total current.",
        next_step="Power off, capacitors discharged: measure the resistor, then the capacitor "
        "across it.",
        body="resistor",
        words=RESISTOR,
        signs=BURNT,
        group="bias supply",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "rail_dropper",
            (RoleName.RAIL_DROPPER,),
            drifts=(1.5, 2.0),
            open=OPEN_AFTER_OVERLOAD,
        ),
        title="Open, shorted, drifted or wrong dropper in B+",
        does="The resistor between two nodes of the supply no longer drops what it should.",
        why="Too low a value or a short lifts all that hangs behind it: screens see more, and "
        "current goes with a power of 1.5 of screen volts; capacitors behind it may see more "
        "than they are made for. An open one leaves the node behind it dead and the one before "
        "it higher.",
        limits="A regulator in its place is not recognised as one; a shorted regulator acts as "
        "a shorted dropper.",
        examples=(
            "R20/shorted",
            "R20/wrong_value@1kohm",
        ),
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x1.5 and x2, "
        "open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Open common (after a leak behind it); decade slip common, neighbor and "
        "drift occasional; short rare.",
        readings="The node behind it reads 0 V, or as much as the node before it; the drop over "
        "marked resistance disagrees with the current behind it.",
        next_step="Power off, capacitors discharged: measure the resistor, and the capacitor "
        "behind it for a leak.",
        body="resistor",
        words=rippling(
            "network", WRONG_VALUE, DRIFTED, DRIFTED_DOWN, DRIFTED_UP, BRIDGED, BURNT_OPEN
        ),
        signs=BURNT,
        group="mains and supply",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Habits(
            "bleeder",
            (RoleName.BLEEDER,),
            drifts=(2.0,),
        ),
        title="Open, missing or wrong bleeder or divider leg at B+",
        does="A resistor from B+ or from a screen to ground no longer draws its current.",
        why="As the lower leg of a divider it holds the screen down: open, the screen rises up "
        "to B+ and the tube draws more. As a plain bleeder it only matters for safety: the "
        "capacitors stay charged after switch-off. A wrong low value burns itself.",
        limits="The charge that stays after switch-off is not solved.",
        examples=(
            "R22/open",
            "R22/wrong_value@22kohm",
        ),
        defects="x10, /10 (IEC 60062) and the neighbors in E6 (IEC 60063), drift x2, open, "
        "shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor, drift and open occasional; short rare.",
        readings="High voltage stays after switch-off; a screen behind an open leg reads B+.",
        next_step="Power off, and wait: measure whether the capacitors discharge by themselves, "
        "then the resistor.",
        body="resistor",
        words=RESISTOR,
        signs=BURNT,
        group="mains and supply",
        model=OTHER_VALUE,
        source=RESISTOR_SOURCE,
    ),
    PlainKind(
        Wear(
            "screen_bypass",
            (RoleName.SCREEN_BYPASS_CAPACITOR,),
            leaks_ohm=(10e3, 100e3, 1e6),
        ),
        title="Leaky, shorted or open screen bypass",
        does="The capacitor from a screen to ground or to the cathode leaks or shorts.",
        why="It takes current from the screen's dropper, which burns, and takes volts from the "
        "screen, so that the tube runs cold.",
        limits="Loss of gain with an open bypass is not judged.",
        examples=(
            "C8/leaky@1Mohm",
            "C8/shorted",
        ),
        defects="Leaks of 10 kohm, 100 kohm and 1 Mohm; a short of 0.1 ohm; open; swept from "
        "100 Mohm to 100 ohm.",
        likelihood="Leak and short common; open occasional.",
        readings="Screen volts low, the tube's current low, the dropper hot.",
        next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at "
        "its working voltage.",
        body="capacitor",
        words=ELECTROLYTIC,
        signs=(
            Sign(
                "damaged",
                0.4,
                f"{PRACTICE}: a leaking or reversed electrolytic heats, bulges and vents",
                "leaky shorted",
            ),
        ),
        group="capacitors",
        model=f"{LEAK_OR_LOSS}.",
        source=CAPACITOR_SOURCE,
    ),
    PlainKind(
        Wear(
            "grid_capacitor",
            (RoleName.GROUNDING_CAPACITOR, RoleName.GRID_SHUNT_CAPACITOR),
            leaks_ohm=(1e6, 10e6, 100e6),
            leak=FILM_LEAK,
            short=FILM_SHORT,
            sweep_ohm=(10e9, 10e3),
        ),
        title="Leaky, shorted or open capacitor from a grid to ground",
        does="The capacitor that grounds one grid of a long-tailed pair for signal, or shunts a "
        "grid, leaks or shorts.",
        why="Where the grid stands at tens of volts, a leak pulls it down: one half of the pair "
        "stops, the other takes all current, and the drive of the two output tubes becomes "
        "unequal.",
        limits="An open one leaves the far grid without its signal ground; the loss of drive "
        "shows when driven.",
        examples=(
            "C4/leaky@10Mohm",
            "C4/shorted",
        ),
        defects="Leaks of 1, 10 and 100 Mohm; a short of 0.1 ohm; open; swept from 10 Gohm to "
        "10 kohm.",
        likelihood="Leak, short and open occasional.",
        readings="The two plates of the pair differ far; the grid reads below its partner.",
        next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at "
        "its working voltage.",
        body="capacitor",
        words=FILM,
        group="capacitors",
        model=f"{LEAK_OR_LOSS}.",
        source=CAPACITOR_SOURCE,
    ),
    PlainKind(
        Wear(
            "output_capacitor",
            (RoleName.OUTPUT_CAPACITOR, RoleName.INTERSTAGE_CAPACITOR),
            leaks_ohm=(1e6, 10e6),
            leak=FILM_LEAK,
            short=FILM_SHORT,
            sweep_ohm=(10e9, 10e3),
        ),
        title="Leaky, shorted or open output capacitor",
        does="The capacitor that keeps direct volts from the output, or from a load winding, "
        "leaks or shorts.",
        why="A short puts the load across the plate or the cathode: the load and the tube's own "
        "resistor carry current they are not made for, and what is connected next gets the "
        "direct volts.",
        limits="What hangs on the output outside of the netlist is not there.",
        examples=(
            "C3/leaky@1Mohm",
            "C3/shorted",
        ),
        defects="Leaks of 1 and 10 Mohm; a short of 0.1 ohm; open; swept from 10 Gohm to 10 kohm.",
        likelihood="Leak, short and open occasional.",
        readings="Direct volts at the output; the load resistor warm.",
        next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at "
        "its working voltage.",
        body="capacitor",
        words=FILM,
        group="capacitors",
        model=f"{LEAK_OR_LOSS}.",
        source=CAPACITOR_SOURCE,
    ),
    PlainKind(
        Wear(
            "primary_snubber",
            (
                RoleName.WINDING_LOSS,
                RoleName.WINDING_CAPACITANCE,
                RoleName.ZOBEL,
                RoleName.PLATE_SHUNT,
            ),
            short=FILM_SHORT,
            open=None,
        ),
        title="Shorted damping capacitor of a winding",
        does="The capacitor of the network that damps the output transformer, or of the one "
        "across the speaker, breaks down.",
        why="The resistor in series with it then lies across the winding: nothing changes at "
        "rest, but under drive it takes the plate's whole swing and burns. A capacitor straight "
        "across the winding shorts it.",
        limits="The transient that broke the capacitor is not modelled. A capacitor at a plate "
        "wants a rating of 1000 V or more: common practice.",
        examples=("C26/shorted",),
        defects="A short of 0.1 ohm.",
        likelihood="Short occasional.",
        readings="Direct volts normal; output low or distorted, and a resistor beside the "
        "transformer smells.",
        next_step="Power off, capacitors discharged: measure the capacitor for a short, and the "
        "resistor in series with it.",
        body="capacitor",
        words=(FILM_BROKEN_DOWN,),
        bass=True,
        upsets_load=True,
        signs=(Sign("all_plates", HEATS, PRACTICE),),
        group="capacitors",
        model=f"{LEAK_OR_LOSS}.",
        source=CAPACITOR_SOURCE,
    ),
    PlainKind(
        Wear(
            "bias_filter",
            (RoleName.BIAS_FILTER_CAPACITOR,),
            leaks_ohm=(1e3, 10e3, 100e3),
            dried=ELECTROLYTIC_DRIED,
        ),
        title="Leaky, shorted, dried-out or open bias filter",
        does="The electrolytic that smooths the negative supply leaks, shorts or dries out.",
        why="A leak pulls the bias toward ground and every tube it feeds draws more; a short "
        "takes it all. It is among the first electrolytics to fail, since it was often fitted "
        "with the wrong polarity or too near its voltage.",
        limits="The supply is a direct voltage here: that a dried-out filter lets the bias fall "
        "from the peak toward the mean (0.45 of the rms voltage with one diode) is the fault "
        "`drifted` of the supply.",
        examples=(
            "C30/leaky@10kohm",
            "C31/shorted",
        ),
        defects="Leaks of 1, 10 and 100 kohm; a short of 0.1 ohm; 30 % of its capacitance; "
        "open; swept from 100 Mohm to 100 ohm.",
        likelihood="Leak, short and drying out common, and very common when old; open occasional.",
        readings="All grids less negative by one share; the resistor before the filter is hot; "
        "hum when it is dried out.",
        next_step="All output tubes out, power on: measure the bias before and behind the "
        "filter's resistor, then, power off, the capacitor's leakage.",
        body="capacitor",
        words=FILTERING,
        signs=(
            Sign(
                "damaged",
                0.4,
                f"{PRACTICE}: a leaking or reversed electrolytic heats, bulges and vents",
                "leaky shorted",
            ),
            Sign("hum", 0.4, f"{PRACTICE}: leaky electrolytics heat, dry out and hum", "leaky"),
            Sign(
                "hum",
                0.9,
                f"{PRACTICE}: ripple of the bias supply on all output grids",
                "open dried",
            ),
        ),
        group="bias supply",
        model=f"{LEAK_OR_LOSS}; a dried-out one keeps 30 %.",
        source=CAPACITOR_SOURCE,
    ),
    PlainKind(
        Wear(
            "supply_capacitor",
            (RoleName.RESERVOIR_CAPACITOR, RoleName.DECOUPLING_CAPACITOR),
            leaks_ohm=(1e3, 10e3, 100e3),
            dried=ELECTROLYTIC_DRIED,
        ),
        title="Leaky, shorted, dried-out or open capacitor of B+",
        does="A reservoir or decoupling electrolytic leaks, shorts, or has lost its capacitance.",
        why="A leak or a short loads rectifier, transformer and the droppers before it; the "
        "droppers burn first. What hangs behind them gets less, so that tubes run cooler. Lost "
        "capacitance shows as hum and as feedback from stage to stage over the supply.",
        limits="B+ is a direct voltage behind a resistance here: neither ripple nor the fall of "
        "B+ to the mean of the rectified wave is modelled. A capacitor straight across an ideal "
        "source is not listed as leaky: nothing else would change.",
        examples=(
            "C21/leaky@10kohm",
            "C20/shorted",
            "C22/dried@30%",
        ),
        defects="Leaks of 1, 10 and 100 kohm; a short of 0.1 ohm; 30 % of its capacitance; "
        "open; swept from 100 Mohm to 100 ohm.",
        likelihood="Leak, short and drying out common, and very common when old; open occasional.",
        readings="Leak: the node reads low and the dropper before it is hot. Short: fuse. Dried "
        "out: hum, and tubes that work on each other.",
        next_step="Power off, capacitors discharged: lift the capacitor, measure capacitance, "
        "then leakage at its working voltage.",
        body="capacitor",
        words=FILTERING,
        signs=(
            Sign(
                "damaged",
                0.4,
                f"{PRACTICE}: a leaking or reversed electrolytic heats, bulges and vents",
                "leaky shorted",
            ),
            Sign(
                "blows",
                0.8,
                f"{PRACTICE}: nothing but the supply's own resistance limits the current",
                "shorted",
                role=RoleName.RESERVOIR_CAPACITOR,
            ),
            Sign(
                "blows",
                0.5,
                f"{PRACTICE}: a choke or a dropper may limit the current first",
                "shorted",
            ),
            Sign(
                "hum",
                0.9,
                "derived: ripple Vpp = I/(2 f C) grows as the capacitance falls",
                "open dried",
            ),
            Sign("hum", 0.4, f"{PRACTICE}: leaky electrolytics heat, dry out and hum", "leaky"),
            Sign("hum", 0.03, f"{PRACTICE}: no B+, no sound", "shorted"),
            Sign(
                "new_rectifier",
                1.5,
                f"{PRACTICE}: without warm-up delay capacitors see the full peak",
                "leaky shorted",
            ),
        ),
        group="mains and supply",
        model=f"{LEAK_OR_LOSS}; a dried-out one keeps 30 %.",
        source=CAPACITOR_SOURCE,
    ),
)

PLAIN: Mapping[str, FaultKind] = {row.job.family: row.fault_kind() for row in ROWS}
"""Each plain kind by its name."""
