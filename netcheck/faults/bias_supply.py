"""Negative bias supply drifted, lost or misadjusted.

What it does:
    The supply that holds the output grids negative sags with its rectifier or filter,
    fails altogether, or its pot stands in the wrong place.
Why it overheats something:
    All grids it feeds become less negative together, so all their tubes draw more at
    once; with the supply lost they run at zero bias and nothing else limits them.
How it is modelled:
    The source takes 60 to 95 % or 110 % of its volts, or none.  The pot's wiper is moved
    in steps of 10 % of its track: its two halves are two resistors whose sum stays.
    100 % is the hot end, where the grids are least negative; the netlist's own bias
    network, solved as resistors, tells which end that is.
Known limits:
    A pot of which the netlist shows one half only is taken as set to mid-track.  An
    open wiper is `pot_wiper.py`, one tube's broken feed its open grid leak.  A pot between two
    feeds (balance) moves one against the other; its end called hot is the first feed's.
Example:
    `V5/drifted@80%`, `V5/lost`, `R20+R21/misadjusted@100%`.
References:
    Selenium rectifiers and dried-out filters lose 5 to 40 % of the bias, and a pot left
    where the last tubes needed it is a first suspect: common practice.  Failed
    rectifier diodes are open in 29 % of cases, failed variable resistors in 53 %:
    FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from netcheck.circuit.changes import SetValue
from netcheck.circuit.model import Circuit, natural_key
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
from netcheck.faults.bias_pot import BiasPot, bias_pots
from netcheck.faults.common import fault_id, joined, make_fault
from netcheck.roles.base import Roles

NAME = "bias_supply"
DRIFTS_PERCENT = (60.0, 70.0, 80.0, 85.0, 90.0, 95.0, 110.0)
WIPER_PERCENT = tuple(range(0, 101, 10))
SAME_PERCENT = 1.0
NEAR_PERCENT = 20.0

DRIFTED = likelihood("common", "common practice: aged rectifiers and filters of bias supplies")
LOST = likelihood(
    "common",
    "common practice; open is 29 % of rectifier diode failures (FMD-91, from memory)",
)
NEAR = likelihood("very_common", "common practice: bias not set again after new tubes")
FAR = likelihood("common", "common practice: pot turned the wrong way or set by guess")
END = likelihood("occasional", "common practice: pot left at its end")


def find(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List drift and loss of every bias source and the places of every bias pot."""
    for source, tubes in _sources(circuit, roles):
        for percent in DRIFTS_PERCENT:
            yield _drifted(circuit, source, tubes, percent)
        yield _lost(source, tubes)
    for pot in bias_pots(circuit, roles):
        for place in WIPER_PERCENT:
            if abs(place - pot.percent) > SAME_PERCENT:
                yield _misadjusted(pot, float(place))


def continuous(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep every bias source down to nothing and every wiper to its hot end."""
    for source, tubes in _sources(circuit, roles):
        yield ContinuousFault(
            id=fault_id([source], "drifted"),
            parts=(source,),
            kind="drifted",
            unit="%",
            from_value=100.0,
            to_value=0.0,
            logarithmic=False,
            make=partial(_drifted, circuit, source, tubes),
            family=NAME,
        )
    for pot in bias_pots(circuit, roles):
        if pot.percent < 100.0 - SAME_PERCENT:
            yield ContinuousFault(
                id=fault_id(pot.parts, "misadjusted"),
                parts=pot.parts,
                kind="misadjusted",
                unit="%",
                from_value=pot.percent,
                to_value=100.0,
                logarithmic=False,
                make=partial(_misadjusted, pot),
                family=NAME,
            )


def _sources(circuit: Circuit, roles: Roles) -> Iterator[tuple[str, str]]:
    """Give each bias source, once, with the tubes it biases in words."""
    table: dict[str, set[str]] = {}
    for supply in roles.bias_supplies:
        part = circuit.parts.get(supply.source)
        if part is not None and part.kind == "voltage_source" and part.value:
            table.setdefault(part.ref, set()).update(supply.tubes)
    for source in sorted(table, key=natural_key):
        yield source, joined(sorted(table[source], key=natural_key), "the output tubes")


def _measure(source: str, tubes: str) -> str:
    return (
        f"{tubes} out, power on: measure {source} at the supply, then the bias at the grid pins of "
        f"{tubes}; fit no tube before every grid pin shows its bias."
    )


def _drifted(circuit: Circuit, source: str, tubes: str, percent: float) -> Fault:
    healthy_v = circuit[source].value or 0.0
    volts = healthy_v * percent / 100.0
    defect = Defect(percent, "%")
    return make_fault(
        NAME,
        [source],
        "drifted",
        [SetValue(source, volts)],
        DRIFTED,
        summary=f"{source}, the bias supply of {tubes}, gives {volts:.4g} V, {defect.text} of its "
        f"{healthy_v:.4g} V.",
        measure=_measure(source, tubes),
        defect=defect,
    )


def _lost(source: str, tubes: str) -> Fault:
    return make_fault(
        NAME,
        [source],
        "lost",
        [SetValue(source, 0.0)],
        LOST,
        summary=f"{source}, the bias supply of {tubes}, gives nothing.",
        measure=_measure(source, tubes),
        defect=Defect(0.0, "%"),
        only_size=True,
    )


def _misadjusted(pot: BiasPot, percent: float) -> Fault:
    if percent in (0.0, 100.0):
        chance = END
    else:
        chance = NEAR if abs(percent - pot.percent) <= NEAR_PERCENT else FAR
    defect = Defect(percent, "%")
    tubes = joined(pot.tubes, "the output tubes")
    return make_fault(
        NAME,
        pot.parts,
        "misadjusted",
        pot.at(percent),
        chance,
        summary=f"The bias pot {pot.name} of {tubes} stands at {defect.text} of its travel toward "
        f"the hot end instead of {pot.percent:.3g} %.",
        measure=f"{tubes} out, power on: measure the bias at the grid pins of {tubes} while "
        f"turning {pot.name} through its travel, and leave it at the most negative end.",
        defect=defect,
    )


BIAS_SUPPLY = FaultKind(
    name=NAME,
    title="Bias supply drifted, lost or misadjusted",
    model="The negative source takes other volts; the pot's halves share its track otherwise.",
    defects="60, 70, 80, 85, 90, 95 and 110 % of the volts; none; the wiper at every 10 % of its "
    "travel, both ends included; swept from 100 % to none and from its place to the hot end.",
    likelihood="Pot set wrong very common near its place, common far from it, occasional at an "
    "end; drift and loss common.",
    readings="All grids of the supply less negative by one share; all their tubes hot alike; "
    "heater volts normal.",
    next_step="All output tubes out, power on: measure the bias at every grid pin before a tube "
    "is fitted again.",
    source="common practice; failure modes of diodes and pots: FMD-91, from memory",
    find=find,
    continuous=continuous,
    body="source",
    words=(
        Word("drifted", "common", "wear", grows="drift", deviates=True, starves=True),
        Word("lost", "common", "chance"),
        Word(
            "misadjusted", "common", "adjustment", grows="adjustment", deviates=True, starves=True
        ),
    ),
    signs=(
        Sign("hum", 0.2, f"{PRACTICE}: selenium ages with rising ripple", "drifted"),
        Sign("new_tubes", 6.0, f"{PRACTICE}: bias not set again after new tubes", "misadjusted"),
        Sign(
            "bias_adjusted", 6.0, f"{PRACTICE}: turned the wrong way or set by guess", "misadjusted"
        ),
        Sign(
            "bias_adjusted",
            0.6,
            f"{PRACTICE}: an adjustment takes up what drifted slowly",
            "drifted",
        ),
    ),
    group="bias supply",
)
