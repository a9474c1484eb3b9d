"""Tubes that draw more or less than they should.

Comes in: a circuit and its roles.  Goes out: strong, weak, dead and gassy tubes, unlike pairs.

References.  Typical values hold within about 30 % from tube to tube, and samples at 125 % are
normal: a maker's remark, as quoted. 25 tubes of one lot of a power pentode: the strongest drew
twice the weakest, as quoted. Burnt-out heaters are a chief sudden failure of tubes: a military
study, as quoted.  Matched pairs are sold within 5 to 20 %; within a lot the ratio reaches 2 to 1:
sellers' statements, as quoted.  Loop gain is transconductance times grid resistance times the
share: Terman, Radio Engineers' Handbook, as quoted. Shares from 0.001 % (good) to 0.02 % (bad):
derived from testers' limits, as quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import ScaleEmission, SetGas
from netcheck.circuit.model import Circuit, Part
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
    bulbs,
    gridded_tubes,
    joined,
    make_fault,
    sweep,
)
from netcheck.roles.base import Roles

STRONG_PERCENT = (115.0, 125.0, 135.0)
WEAK_PERCENT = (80.0, 60.0, 30.0)
SMALL_PERCENT = (125.0, 60.0)
"""Of tubes that are no output tubes, one size of each is enough."""
EMISSION_SWEEPS = (("strong", 100.0, 200.0), ("weak", 100.0, 10.0))
SPREAD = likelihood(
    "very_common", "common practice; samples at 125 % of the typical current are normal, as quoted"
)
FAR_SPREAD = likelihood(
    "occasional",
    "the strongest of one lot drew twice the weakest, as quoted: the end of the spread",
)
WORN = likelihood("common", "common practice: tubes lose emission; nine in ten fail slowly")
WORN_OUT = likelihood("common", "common practice: tubes are run until nothing is left")
DEAD = likelihood(
    "occasional",
    "burnt-out heaters are a chief sudden failure of tubes: a military study, as quoted",
)
FAR_PERCENT = 130.0
WORN_PERCENT = 50.0


def _emission(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List strong and weak samples of every tube, and every bulb without heat."""
    for tube in gridded_tubes(circuit):
        power = tube.ref in roles.output_tubes
        for percent in (*STRONG_PERCENT, *WEAK_PERCENT) if power else SMALL_PERCENT:
            yield _scaled(tube, "strong" if percent > 100.0 else "weak", percent)
    for sections in bulbs(circuit):
        yield _dead(sections)


def _emission_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the current of every tube up to twice and down to a tenth."""
    for tube in gridded_tubes(circuit):
        for kind, start, end in EMISSION_SWEEPS:
            yield sweep(
                (tube.ref,), kind, "%", (start, end), partial(_scaled, tube, kind), linear=True
            )


def _scaled(tube: Part, kind: str, percent: float) -> Fault:
    defect = Defect(percent, "%")
    if kind == "strong":
        chance = FAR_SPREAD if percent > FAR_PERCENT else SPREAD
        measure = (
            f"{POWER_OFF}: put another tube of the type in the place of {tube.ref} and compare "
            "the currents; a strong sample takes its current along to any socket."
        )
    else:
        chance = WORN_OUT if percent < WORN_PERCENT else WORN
        measure = (
            f"{POWER_OFF}: exchange {tube.ref} with its partner or a new tube; a weak sample stays "
            "weak in any socket."
        )
    return make_fault(
        [tube.ref],
        kind,
        [ScaleEmission(tube.ref, percent / 100.0)],
        chance,
        summary=f"{tube.ref} draws {defect.text} of what its type should at the same volts.",
        measure=measure,
        defect=defect,
    )


def _dead(sections: tuple[Part, ...]) -> Fault:
    refs = [part.ref for part in sections]
    bulb = sections[0].note.envelope
    name = f"{joined(refs)} ({bulb})" if bulb else joined(refs)
    return make_fault(
        refs,
        "open_heater",
        [ScaleEmission(ref, 0.0) for ref in refs],
        DEAD,
        summary=f"The heater of {name} is open.",
        measure=f"{POWER_OFF}, {joined(refs)} out: measure the heater between its pins; a sound "
        "one reads a few ohms cold.",
    )


DIFFERENCES_PERCENT = (20.0, 40.0, 60.0)
MISMATCH_SWEEP_PERCENT = (0.0, 100.0)
NEAR_PERCENT = 30.0
NEAR_MATCH = likelihood(
    "very_common", "common practice: unmatched tubes of one type differ by this"
)
FAR_MATCH = likelihood(
    "common", "common practice: tubes of different age or lot; up to 2 to 1, as quoted"
)


def _mismatch(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List each output pair with either tube as the strong one."""
    for strong, weak in _pairs(circuit, roles):
        for percent in DIFFERENCES_PERCENT:
            yield _mismatched(strong, weak, percent)


def _mismatch_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the difference of each pair up to three to one."""
    for strong, weak in _pairs(circuit, roles):
        yield sweep(
            (strong, weak),
            "mismatched",
            "%",
            MISMATCH_SWEEP_PERCENT,
            partial(_mismatched, strong, weak),
            linear=True,
        )


def _pairs(circuit: Circuit, roles: Roles) -> Iterator[tuple[str, str]]:
    """Give the first tubes of both sides of each output stage, both ways round."""
    for stage in roles.output_stages:
        if stage.sides and all(side and side[0] in circuit.parts for side in stage.sides):
            first, second = stage.sides[0][0], stage.sides[1][0]
            yield first, second
            yield second, first


def _mismatched(strong: str, weak: str, percent: float) -> Fault:
    half = percent / 200.0
    return make_fault(
        [strong, weak],
        "mismatched",
        [ScaleEmission(strong, 1.0 + half), ScaleEmission(weak, 1.0 - half)],
        NEAR_MATCH if percent <= NEAR_PERCENT else FAR_MATCH,
        summary=f"{strong} draws {100.0 + percent / 2.0:.4g} % and {weak} "
        f"{100.0 - percent / 2.0:.4g} % of what their type should.",
        measure=f"{POWER_OFF}: exchange {strong} and {weak} with each other; the difference of "
        "their currents changes sides with the tubes.",
        defect=Defect(percent, "%"),
    )


GAS_PERCENT = (0.005, 0.01, 0.02, 0.05)
SMALL_GAS_PERCENT = (0.02,)
GAS_SWEEP_PERCENT = (0.001, 2.0)
GASSY = likelihood("common", "common practice: old or overheated power tubes turn gassy")
SMALL_GASSY = likelihood("occasional", "common practice: small tubes seldom turn gassy")


def _gas(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the shares of every tube that are above its own."""
    for tube in gridded_tubes(circuit):
        power = tube.ref in roles.output_tubes
        for percent in GAS_PERCENT if power else SMALL_GAS_PERCENT:
            if percent / 100.0 > _own_gas(tube):
                yield _gassy(tube, power, percent)


def _gas_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the share of every tube."""
    for tube in gridded_tubes(circuit):
        start = max(GAS_SWEEP_PERCENT[0], 100.0 * _own_gas(tube))
        yield sweep(
            (tube.ref,),
            "gassy",
            "%",
            (start, GAS_SWEEP_PERCENT[1]),
            partial(_gassy, tube, tube.ref in roles.output_tubes),
        )


def _own_gas(tube: Part) -> float:
    grid = tube.tube.model.grid if tube.tube else None
    return grid.gas_ratio if grid else 0.0


def _gassy(tube: Part, power: bool, percent: float) -> Fault:
    defect = Defect(percent, "%")
    return make_fault(
        [tube.ref],
        "gassy",
        [SetGas(tube.ref, percent / 100.0)],
        GASSY if power else SMALL_GASSY,
        summary=f"{tube.ref} is gassy: {defect.text} of its space current flows out of its grid.",
        measure=f"{tube.ref} out, power on: measure the bias at its grid pin, then again with the "
        f"tube in and warm; a positive shift that {tube.ref} brings and that grows with its "
        "current is gas.",
        defect=defect,
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="tube_emission",
        search=Found(_emission, _emission_swept),
        title="Strong, weak or dead tube",
        does="A tube passes more or less current than its type should, at the same volts; with an "
        "open heater it passes none.",
        why="A strong tube in a fixed-bias stage draws that much more at once and eats up the "
        "margin the designer left. Under cathode bias most of it is taken back. A weak or dead "
        "one leaves the work to its partner under drive, and lets B+ rise.",
        limits="Loss of emission first limits the peaks; here the whole curve shrinks. A new "
        "tube's spread is about +-15 % (one sigma), +-35 % at most.",
        examples=(
            "X4/strong@125%",
            "X5/weak@60%",
            "X4/open_heater",
        ),
        model="All currents of the tube times a factor; none with an open heater, which takes "
        "every section of the bulb along.",
        defects="Output tubes 115, 125, 135 and 80, 60, 30 % of the type's current, others 125 "
        "and 60 %; no current; swept to 200 and to 10 %.",
        likelihood="Strong very common as far as samples spread, occasional at the end of the "
        "spread; weak common; open heater occasional.",
        readings="One tube's current differs though the bias at both grids is alike; it goes with "
        "the tube to the other socket. Dead: cold glass, full plate volts, no cathode volts.",
        next_step="Power off: exchange the tube with its partner and see whether the reading goes "
        "along.",
        source="common practice; spread of samples as quoted in the references",
        group="tubes",
        body="tube",
        words=(
            Word("strong", "very_common", "chance"),
            Word("weak", "common", "wear", starves=True, gives_up=True),
            Word("open_heater", "occasional", "chance"),
        ),
        shows_driven=True,
        exchange="tube",
        signs=(
            Sign("partner", HEATS, PRACTICE, "weak open_heater"),
            Sign(
                "new_tubes",
                4.0,
                "a maker's remark, as quoted: samples at 125 % are normal",
                "strong",
            ),
            Sign(
                "new_tubes",
                2.0,
                "geofex.com on power tubes: shorts are common in new tubes and very old ones",
                "open_heater",
            ),
            Sign(
                "bias_adjusted",
                0.6,
                f"{PRACTICE}: an adjustment takes up what drifted slowly",
                "strong weak",
            ),
        ),
    ),
    FaultKind(
        name="tube_mismatch",
        search=Found(_mismatch, _mismatch_swept),
        title="Mismatched output pair",
        does="Two output tubes of a pair stand at opposite ends of the spread of their type.",
        why="One bias voltage serves both: the strong one draws more than its share and runs hot, "
        "the weak one loafs, and the difference of their currents magnetizes the core.",
        limits="Tubes in parallel on one side are not set against each other. That the core "
        "saturates is not modelled.",
        examples=("X4+X5/mismatched@40%",),
        model="The first tube's currents are raised by half the difference, the other's lowered "
        "by half.",
        defects="20, 40 and 60 % between the two currents, either tube the strong one; swept to "
        "100 %.",
        likelihood="Very common up to about 30 %, common beyond.",
        readings="Unequal currents at equal grid volts; hum and weak bass from the magnetized "
        "core.",
        next_step="Power off: exchange the two tubes with each other; the difference changes "
        "sides.",
        source="common practice; sellers' statements on matching, as quoted",
        group="tubes",
        body="tube",
        words=(Word("mismatched", "common", "exchange"),),
        shows_driven=True,
        exchange="pair",
        signs=(
            Sign(
                "new_tubes",
                5.0,
                "sellers' statements, as quoted: tubes of one lot differ up to 2 to 1",
            ),
        ),
    ),
    FaultKind(
        name="tube_gas",
        search=Found(_gas, _gas_swept),
        title="Gassy tube",
        does="Gas left in a tube, or set free by overheating, is ionized by the plate current; "
        "the ions flow to the grid.",
        why="The ion current flows out of the grid through everything that ties it down, lifts "
        "the grid, and so raises the plate current that makes the ions. With enough resistance in "
        "the grid circuit the tube runs away.",
        limits="The share is constant: that heat frees more gas is not modelled here, so that "
        "real tubes tip over earlier.",
        examples=("X4/gassy@0.02%",),
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
        group="tubes",
        body="tube",
        words=(Word("gassy", "common", "wear", gives_up=True),),
        exchange="tube",
        signs=(Sign("new_tubes", 0.6, f"{PRACTICE}: tubes from stock may have drawn gas"),),
    ),
)
