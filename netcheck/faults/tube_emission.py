"""Strong, weak or dead tube.

What it does:
    A tube passes more or less current than its type should, at the same volts; with an open
    heater it passes none.
Why it overheats something:
    A strong tube in a fixed-bias stage draws that much more at once and eats up the margin
    the designer left. Under cathode bias most of it is taken back. A weak or dead one
    leaves the work to its partner under drive, and lets B+ rise.
How it is modelled:
    All currents of the tube times a factor; none with an open heater, which takes every
    section of the bulb along.
Known limits:
    Loss of emission first limits the peaks; here the whole curve shrinks. A new tube's
    spread is about +-15 % (one sigma), +-35 % at most.
Example:
    `X4/strong@125%`, `X5/weak@60%`, `X4/open_heater`.
References:
    Typical values hold within about 30 % from tube to tube, and samples at 125 % are
    normal: a maker's remark, as quoted. 25 tubes of one lot of a power pentode: the
    strongest drew twice the weakest, as quoted. Burnt-out heaters are a chief sudden
    failure of tubes: a military study, as quoted.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import ScaleEmission
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
from netcheck.faults.common import (
    POWER_OFF,
    bulbs,
    fault_id,
    gridded_tubes,
    joined,
    make_fault,
)
from netcheck.roles.base import Roles

NAME = "tube_emission"
STRONG_PERCENT = (115.0, 125.0, 135.0)
WEAK_PERCENT = (80.0, 60.0, 30.0)
SMALL_PERCENT = (125.0, 60.0)
"""Of tubes that are no output tubes, one size of each is enough."""
SWEEPS = (("strong", 100.0, 200.0), ("weak", 100.0, 10.0))

SPREAD = likelihood(
    "very_common", "common practice; samples at 125 % of the typical current are normal, as quoted"
)
FAR_SPREAD = likelihood(
    "occasional",
    "the strongest of one lot drew twice the weakest, as quoted: the end of the spread",
)
WEAK = likelihood("common", "common practice: tubes lose emission; nine in ten fail slowly")
WORN_OUT = likelihood("common", "common practice: tubes are run until nothing is left")
DEAD = likelihood(
    "occasional",
    "burnt-out heaters are a chief sudden failure of tubes: a military study, as quoted",
)
FAR_PERCENT = 130.0
WORN_PERCENT = 50.0


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List strong and weak samples of every tube, and every bulb without heat."""
    for tube in gridded_tubes(circuit):
        power = tube.ref in roles.output_tubes
        for percent in (*STRONG_PERCENT, *WEAK_PERCENT) if power else SMALL_PERCENT:
            yield _scaled(tube, "strong" if percent > 100.0 else "weak", percent)
    for sections in bulbs(circuit):
        yield _dead(sections)


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep the current of every tube up to twice and down to a tenth."""
    for tube in gridded_tubes(circuit):
        for kind, start, end in SWEEPS:
            yield ContinuousFault(
                id=fault_id([tube.ref], kind),
                parts=(tube.ref,),
                kind=kind,
                unit="%",
                from_value=start,
                to_value=end,
                logarithmic=False,
                make=partial(_scaled, tube, kind),
                family=NAME,
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
        chance = WORN_OUT if percent < WORN_PERCENT else WEAK
        measure = (
            f"{POWER_OFF}: exchange {tube.ref} with its partner or a new tube; a weak sample stays "
            "weak in any socket."
        )
    return make_fault(
        NAME,
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
        NAME,
        refs,
        "open_heater",
        [ScaleEmission(ref, 0.0) for ref in refs],
        DEAD,
        summary=f"The heater of {name} is open.",
        measure=f"{POWER_OFF}, {joined(refs)} out: measure the heater between its pins; a sound "
        "one reads a few ohms cold.",
    )


TUBE_EMISSION = FaultKind(
    name=NAME,
    title="Strong, weak or dead tube",
    model="All currents of the tube times a factor; none with an open heater, which takes "
    "every section of the bulb along.",
    defects="Output tubes 115, 125, 135 and 80, 60, 30 % of the type's current, others 125 "
    "and 60 %; no current; swept to 200 and to 10 %.",
    likelihood="Strong very common as far as samples spread, occasional at the end of the "
    "spread; weak common; open heater occasional.",
    readings="One tube's current differs though the bias at both grids is alike; it goes with "
    "the tube to the other socket. Dead: cold glass, full plate volts, no cathode "
    "volts.",
    next_step="Power off: exchange the tube with its partner and see whether the reading goes "
    "along.",
    source="common practice; spread of samples as quoted in the references",
    find=find,
    continuous=continuous,
    body="tube",
    words=(
        Word("strong", "very_common", "chance"),
        Word("weak", "common", "wear", starves=True, gives_up=True),
        Word("open_heater", "occasional", "chance"),
    ),
    exchange="tube",
    signs=(
        Sign("partner", HEATS, PRACTICE, "weak open_heater"),
        Sign(
            "new_tubes", 4.0, "a maker's remark, as quoted: samples at 125 % are normal", "strong"
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
    group="tubes",
)
