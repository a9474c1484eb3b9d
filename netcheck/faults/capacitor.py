"""What all kinds of capacitor fault share, and the kinds that need no more.

Comes in: a capacitor, what it is there for, and `Wear`: what goes wrong with such
capacitors and how likely it is.  Goes out: faults and sweeps.  A leak and a short are
a resistor across the part; a dried-out part has lost capacitance, an open one nearly
all of it.  Neither of the last two moves an operating point: they show when driven.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
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
from netcheck.faults.common import (
    POWER_OFF,
    across,
    held_by_source,
    joined,
    make_fault,
    parts_with_role,
    served_tubes,
    sweep,
)
from netcheck.roles.base import Role, Roles
from netcheck.roles.table import RoleName

OPEN_SHARE = 1e-3
"""What is left of an open capacitor: wiring and the stray field of its foil."""
DRIED_PERCENT = 30.0
"""Capacitance left in a dried-out electrolytic; less than 80 % counts as worn out."""
SWEEP_OHM = (100e6, 100.0)

ELECTROLYTIC_SHORT = likelihood(
    "common",
    "common practice; 53 % of electrolytic failures are shorts (FMD-91, from memory)",
)
ELECTROLYTIC_LEAK = likelihood("common", "common practice: old electrolytics leak")
ELECTROLYTIC_DRIED = likelihood(
    "common", "common practice: electrolytics dry out; below 80 % they count as worn out"
)
OPEN = likelihood(
    "occasional",
    "common practice; open is 35 % of electrolytic, 42 % of plastic film and 37 % of paper "
    "capacitor failures (FMD-91, from memory)",
)
FILM_SHORT = likelihood(
    "occasional",
    "common practice; shorts are 63 % of paper and 40 % of film capacitor failures "
    "(FMD-91, from memory)",
)


LEAK_OR_LOSS = (
    "A leak or a short is a resistor across the capacitor, 0.1 ohm for the short; an open part "
    "keeps a thousandth of its capacitance"
)
CAPACITOR_SOURCE = "common practice; failure modes of capacitors: FMD-91, from memory"
FILM_LEAK = likelihood("occasional", "common practice: such capacitors leak when they are paper")

LEAKY = Word("leaky", "common", "wear", grows="leak", gives_up=True)
BROKEN_DOWN = Word("shorted", "common", "wear", gives_up=True)
NO_CONTACT = Word("open", "occasional", "chance", unsoldered=True)
FILM_BROKEN_DOWN = replace(BROKEN_DOWN, level="occasional")
ELECTROLYTIC = (LEAKY, BROKEN_DOWN, NO_CONTACT)
FILM = (replace(LEAKY, level="occasional"), FILM_BROKEN_DOWN, NO_CONTACT)
DRYING = (*ELECTROLYTIC, Word("dried", "common", "wear"))
FILTERING = tuple(one if one is LEAKY else replace(one, ripple="network") for one in DRYING)

VENTING = f"{PRACTICE}: a leaking or reversed electrolytic heats, bulges and vents"
VENTS = Sign("damaged", 0.4, VENTING, "leaky shorted")


@dataclass(frozen=True, slots=True)
class Wear:
    """What goes wrong with the capacitors of one job.

    roles: the jobs; leaks_ohm: sizes of leak.  short, leak, open,
    dried: how likely, None where it is not listed.
    """

    roles: tuple[RoleName, ...]
    leaks_ohm: tuple[float, ...] = ()
    leak: Likelihood = ELECTROLYTIC_LEAK
    short: Likelihood | None = ELECTROLYTIC_SHORT
    open: Likelihood | None = OPEN
    dried: Likelihood | None = None
    sweep_ohm: tuple[float, float] = SWEEP_OHM

    def faults(self, circuit: Circuit, roles: Roles) -> Iterator[Fault]:
        """List leaks, short, loss of capacitance and open of every such capacitor."""
        for part, played in parts_with_role(circuit, roles, "capacitor", *self.roles):
            job = job_text(circuit, played)
            if not held_by_source(circuit, part):
                for ohm in self.leaks_ohm:
                    yield leaky(self, part, job, ohm)
                if self.short:
                    yield shorted(part, job, self.short)
            yield from lost_capacitance(part, job, self.open, self.dried)

    def sweeps(self, circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
        """Sweep the leak of every such capacitor."""
        for part, played in parts_with_role(circuit, roles, "capacitor", *self.roles):
            if self.leaks_ohm and not held_by_source(circuit, part):
                make = partial(leaky, self, part, job_text(circuit, played))
                yield sweep([part.ref], "leaky", "ohm", self.sweep_ohm, make)


def job_text(circuit: Circuit, played: tuple[Role, ...]) -> str:
    """Say what a capacitor is there for: `the reservoir capacitor at ht`."""
    name = played[0].name.words
    tubes = served_tubes(circuit, played)
    return f"the {name} of {joined(tubes)}" if tubes else f"the {name} at {played[0].of}"


def leaky(wear: Wear, part: Part, job: str, ohm: float) -> Fault:
    """Return a capacitor that leaks."""
    defect = Defect(ohm, "ohm")
    return make_fault(
        [part.ref],
        "leaky",
        [across(part, ohm)],
        wear.leak,
        summary=f"{part.ref}, {job}, leaks {defect.text}.",
        measure=_leak_measurement(part),
        defect=defect,
    )


def shorted(part: Part, job: str, chance: Likelihood) -> Fault:
    """Return a shorted capacitor."""
    return make_fault(
        [part.ref],
        "shorted",
        [across(part, SHORT_OHM)],
        chance,
        summary=f"{part.ref}, {job}, is shorted.",
        measure=_leak_measurement(part),
        defect=Defect(SHORT_OHM, "ohm"),
        only_size=True,
    )


def lost_capacitance(
    part: Part, job: str, is_open: Likelihood | None, dried: Likelihood | None
) -> Iterator[Fault]:
    """List an open capacitor and a dried-out one."""
    measure = (
        f"{POWER_OFF}: lift one end of {part.ref} and measure its capacitance against its marking."
    )
    sizes = ((is_open, "open", OPEN_SHARE * 100.0), (dried, "dried", DRIED_PERCENT))
    for chance, kind, percent in sizes:
        if chance is None:
            continue
        happened = (
            "is open, or was left out"
            if kind == "open"
            else f"has dried out to {percent:g} % of its capacitance"
        )
        yield make_fault(
            [part.ref],
            kind,
            [SetValue(part.ref, (part.value or 0.0) * percent / 100.0)],
            chance,
            summary=f"{part.ref}, {job}, {happened}.",
            measure=measure,
            defect=Defect(percent, "%"),
            only_size=kind == "open",
        )


def _leak_measurement(part: Part) -> str:
    return (
        f"{POWER_OFF}: lift one end of {part.ref} and test its leakage at its working voltage, "
        "since an ordinary ohmmeter shows only a gross leak."
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="screen_bypass",
        search=Wear((RoleName.SCREEN_BYPASS_CAPACITOR,), leaks_ohm=(10e3, 100e3, 1e6)),
        title="Leaky, shorted or open screen bypass",
        does="The capacitor from a screen to ground or to the cathode leaks or shorts.",
        why="It takes current from the screen's dropper, which burns, and takes volts from the "
        "screen, so that the tube runs cold.",
        limits="Loss of gain with an open bypass is not judged.",
        examples=(
            "C8/leaky@1Mohm",
            "C8/shorted",
        ),
        model=f"{LEAK_OR_LOSS}.",
        defects="Leaks of 10 kohm, 100 kohm and 1 Mohm; a short of 0.1 ohm; open; swept from 100 "
        "Mohm to 100 ohm.",
        likelihood="Leak and short common; open occasional.",
        readings="Screen volts low, the tube's current low, the dropper hot.",
        next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at "
        "its working voltage.",
        source=CAPACITOR_SOURCE,
        group="capacitors",
        body="capacitor",
        words=ELECTROLYTIC,
        signs=(VENTS,),
    ),
    FaultKind(
        name="grid_capacitor",
        search=Wear(
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
        model=f"{LEAK_OR_LOSS}.",
        defects="Leaks of 1, 10 and 100 Mohm; a short of 0.1 ohm; open; swept from 10 Gohm to 10 "
        "kohm.",
        likelihood="Leak, short and open occasional.",
        readings="The two plates of the pair differ far; the grid reads below its partner.",
        next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at "
        "its working voltage.",
        source=CAPACITOR_SOURCE,
        group="capacitors",
        body="capacitor",
        words=FILM,
    ),
    FaultKind(
        name="output_capacitor",
        search=Wear(
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
        "resistor carry current they are not made for, and what is connected next gets the direct "
        "volts.",
        limits="What hangs on the output outside of the netlist is not there.",
        examples=(
            "C3/leaky@1Mohm",
            "C3/shorted",
        ),
        model=f"{LEAK_OR_LOSS}.",
        defects="Leaks of 1 and 10 Mohm; a short of 0.1 ohm; open; swept from 10 Gohm to 10 kohm.",
        likelihood="Leak, short and open occasional.",
        readings="Direct volts at the output; the load resistor warm.",
        next_step="Power off, capacitors discharged: lift the capacitor and test its leakage at "
        "its working voltage.",
        source=CAPACITOR_SOURCE,
        group="capacitors",
        body="capacitor",
        words=FILM,
    ),
    FaultKind(
        name="primary_snubber",
        search=Wear(
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
        model=f"{LEAK_OR_LOSS}.",
        defects="A short of 0.1 ohm.",
        likelihood="Short occasional.",
        readings="Direct volts normal; output low or distorted, and a resistor beside the "
        "transformer smells.",
        next_step="Power off, capacitors discharged: measure the capacitor for a short, and the "
        "resistor in series with it.",
        source=CAPACITOR_SOURCE,
        group="capacitors",
        body="capacitor",
        words=(FILM_BROKEN_DOWN,),
        bass=True,
        upsets_load=True,
        signs=(Sign("all_plates", HEATS, PRACTICE),),
    ),
)
