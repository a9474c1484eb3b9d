"""The bias supply: its source, its resistors and filter, its pots.

Comes in: a circuit and its roles.  Goes out: what leaves the output grids less negative.

References.  Selenium rectifiers and dried-out filters lose 5 to 40 % of the bias, and a pot left
where the last tubes needed it is a first suspect: common practice.  Failed rectifier diodes are
open in 29 % of cases, failed variable resistors in 53 %: FMD-91, from memory.  Failed variable
resistors are open in 53 % of cases: FMD-91, from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from netcheck.circuit.changes import OPEN_OHM, AddResistor, Change, SetValue
from netcheck.circuit.model import Circuit, Part, natural_key
from netcheck.faults.base import (
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
)
from netcheck.faults.bias_pot import BiasPot, bias_pots
from netcheck.faults.capacitor import (
    CAPACITOR_SOURCE,
    ELECTROLYTIC_DRIED,
    FILTERING,
    LEAK_OR_LOSS,
    VENTS,
    Wear,
)
from netcheck.faults.common import (
    POWER_OFF,
    joined,
    make_fault,
    parts_with_role,
    sweep,
)
from netcheck.faults.resistor import (
    BURNT,
    OTHER_VALUE,
    RESISTOR,
    RESISTOR_SOURCE,
    Habits,
    slips,
)
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

DRIFTS_PERCENT = (60.0, 70.0, 80.0, 85.0, 90.0, 95.0, 110.0)
WIPER_PERCENT = tuple(range(0, 101, 10))
SAME_PERCENT = 1.0
NEAR_PERCENT = 20.0
SOURCE_DRIFTED = likelihood(
    "common", "common practice: aged rectifiers and filters of bias supplies"
)
SOURCE_LOST = likelihood(
    "common",
    "common practice; open is 29 % of rectifier diode failures (FMD-91, from memory)",
)
SET_NEAR = likelihood("very_common", "common practice: bias not set again after new tubes")
SET_FAR = likelihood("common", "common practice: pot turned the wrong way or set by guess")
SET_AT_END = likelihood("occasional", "common practice: pot left at its end")


def _bias(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List drift and loss of every bias source and the places of every bias pot."""
    for source, tubes in _bias_sources(circuit, roles):
        for percent in DRIFTS_PERCENT:
            yield _source_drifted(circuit, source, tubes, percent)
        yield _source_lost(source, tubes)
    for pot in bias_pots(circuit, roles):
        for place in WIPER_PERCENT:
            if abs(place - pot.percent) > SAME_PERCENT:
                yield _misadjusted(pot, float(place))


def _bias_swept(circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
    """Sweep every bias source down to nothing and every wiper to its hot end."""
    for source, tubes in _bias_sources(circuit, roles):
        yield sweep(
            (source,),
            "drifted",
            "%",
            (100.0, 0.0),
            partial(_source_drifted, circuit, source, tubes),
            linear=True,
        )
    for pot in bias_pots(circuit, roles):
        if pot.percent < 100.0 - SAME_PERCENT:
            yield sweep(
                pot.parts,
                "misadjusted",
                "%",
                (pot.percent, 100.0),
                partial(_misadjusted, pot),
                linear=True,
            )


def _bias_sources(circuit: Circuit, roles: Roles) -> Iterator[tuple[str, str]]:
    """Give each bias source, once, with the tubes it biases in words."""
    table: dict[str, set[str]] = {}
    for supply in roles.bias_supplies:
        part = circuit.parts.get(supply.source)
        if part is not None and part.kind == "voltage_source" and part.value:
            table.setdefault(part.ref, set()).update(supply.tubes)
    for source in sorted(table, key=natural_key):
        yield source, joined(sorted(table[source], key=natural_key), "the output tubes")


def _measure_bias(source: str, tubes: str) -> str:
    return (
        f"{tubes} out, power on: measure {source} at the supply, then the bias at the grid pins of "
        f"{tubes}; fit no tube before every grid pin shows its bias."
    )


def _source_drifted(circuit: Circuit, source: str, tubes: str, percent: float) -> Fault:
    healthy_v = circuit[source].value or 0.0
    volts = healthy_v * percent / 100.0
    defect = Defect(percent, "%")
    return make_fault(
        [source],
        "drifted",
        [SetValue(source, volts)],
        SOURCE_DRIFTED,
        summary=f"{source}, the bias supply of {tubes}, gives {volts:.4g} V, {defect.text} of its "
        f"{healthy_v:.4g} V.",
        measure=_measure_bias(source, tubes),
        defect=defect,
    )


def _source_lost(source: str, tubes: str) -> Fault:
    return make_fault(
        [source],
        "lost",
        [SetValue(source, 0.0)],
        SOURCE_LOST,
        summary=f"{source}, the bias supply of {tubes}, gives nothing.",
        measure=_measure_bias(source, tubes),
        defect=Defect(0.0, "%"),
        only_size=True,
    )


def _misadjusted(pot: BiasPot, percent: float) -> Fault:
    if percent in (0.0, 100.0):
        chance = SET_AT_END
    else:
        chance = SET_NEAR if abs(percent - pot.percent) <= NEAR_PERCENT else SET_FAR
    defect = Defect(percent, "%")
    tubes = joined(pot.tubes, "the output tubes")
    return make_fault(
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


BOTH = 2
WIPER_OFF = likelihood(
    "common", "common practice; open is 53 % of variable resistor failures (FMD-91, from memory)"
)
TRACK_BROKEN = likelihood("occasional", "common practice: burnt or cracked tracks")


def _pot(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the wiper and both ends of every pot."""
    yield from lifted_wipers(circuit, roles)
    for name, halves in _pots(circuit, roles):
        for half in halves:
            yield _track(name, half)


def lifted_wipers(circuit: Circuit, roles: Roles) -> Iterator[Fault]:
    """List the open wiper of every pot that the netlist shows whole."""
    for name, halves in _pots(circuit, roles):
        if len(halves) == BOTH:
            yield _wiper(name, halves)


def _pots(circuit: Circuit, roles: Roles) -> Iterator[tuple[str, tuple[Part, ...]]]:
    table: dict[str, list[Part]] = {}
    for part, _ in parts_with_role(
        circuit, roles, "resistor", RoleName.BIAS_POT, RoleName.VOLUME_CONTROL
    ):
        if part.note.pot:
            table.setdefault(part.note.pot, []).append(part)
    for name, halves in table.items():
        yield name, tuple(sorted(halves, key=lambda part: part.note.pot_side != "upper"))


def _wiper(name: str, halves: tuple[Part, ...]) -> Fault:
    upper, lower = halves
    changes: list[Change] = [SetValue(part.ref, OPEN_OHM) for part in halves]
    wiper = set(upper.nets) & set(lower.nets)
    ends = [net for part in halves for net in part.nets if net not in wiper]
    if len(ends) == BOTH:
        track = (upper.value or 0.0) + (lower.value or 0.0)
        changes.append(AddResistor(f"{name}.track", ends[0], ends[1], track))
    return _pot_fault(
        name, halves, "wiper_open", changes, WIPER_OFF, "the wiper does not touch the track"
    )


def _track(name: str, half: Part) -> Fault:
    side = half.note.pot_side or "one"
    happened = f"the track is broken on its {side} side"
    return _pot_fault(
        name, (half,), "track_open", [SetValue(half.ref, OPEN_OHM)], TRACK_BROKEN, happened
    )


def _pot_fault(
    name: str,
    parts: tuple[Part, ...],
    kind: str,
    changes: Sequence[Change],
    chance: Likelihood,
    happened: str,
) -> Fault:
    refs = [part.ref for part in parts]
    return make_fault(
        refs,
        kind,
        changes,
        chance,
        summary=f"{name}, the pot of {'+'.join(refs)}: {happened}.",
        measure=f"{POWER_OFF}, tubes out: measure from the wiper of {name} to both its ends while "
        "turning it; the two readings change without a jump and their sum stays.",
    )


KINDS: tuple[FaultKind, ...] = (
    FaultKind(
        name="bias_supply",
        search=Found(_bias, _bias_swept),
        title="Bias supply drifted, lost or misadjusted",
        does="The supply that holds the output grids negative sags with its rectifier or filter, "
        "fails altogether, or its pot stands in the wrong place.",
        why="All grids it feeds become less negative together, so all their tubes draw more at "
        "once; with the supply lost they run at zero bias and nothing else limits them.",
        limits="A pot of which the netlist shows one half only is taken as set to mid-track. An "
        "open wiper is `pot_wiper`, one tube's broken feed its open grid leak. A pot between "
        "two feeds (balance) moves one against the other; its end called hot is the first feed's.",
        examples=(
            "V5/drifted@80%",
            "V5/lost",
            "R20+R21/misadjusted@100%",
        ),
        model="The negative source takes other volts; the pot's halves share its track otherwise.",
        defects="60, 70, 80, 85, 90, 95 and 110 % of the volts; none; the wiper at every 10 % of "
        "its travel, both ends included; swept from 100 % to none and from its place to the hot "
        "end.",
        likelihood="Pot set wrong very common near its place, common far from it, occasional at "
        "an end; drift and loss common.",
        readings="All grids of the supply less negative by one share; all their tubes hot alike; "
        "heater volts normal.",
        next_step="All output tubes out, power on: measure the bias at every grid pin before a "
        "tube is fitted again.",
        source="common practice; failure modes of diodes and pots: FMD-91, from memory",
        group="bias supply",
        body="source",
        words=(
            Word("drifted", "common", "wear", grows="drift", deviates=True, starves=True),
            Word("lost", "common", "chance"),
            Word(
                "misadjusted",
                "common",
                "adjustment",
                grows="adjustment",
                deviates=True,
                starves=True,
            ),
        ),
        signs=(
            Sign("hum", 0.2, f"{PRACTICE}: selenium ages with rising ripple", "drifted"),
            Sign(
                "new_tubes", 6.0, f"{PRACTICE}: bias not set again after new tubes", "misadjusted"
            ),
            Sign(
                "bias_adjusted",
                6.0,
                f"{PRACTICE}: turned the wrong way or set by guess",
                "misadjusted",
            ),
            Sign(
                "bias_adjusted",
                0.6,
                f"{PRACTICE}: an adjustment takes up what drifted slowly",
                "drifted",
            ),
        ),
    ),
    FaultKind(
        name="bias_network",
        search=Habits(
            (RoleName.BIAS_DIVIDER, RoleName.BIAS_SERIES_RESISTOR),
            slips=slips,
            drifts=(1.2, 1.5, 2.0),
        ),
        title="Open, shorted, drifted or wrong resistor of the bias supply",
        does="A resistor of the network that divides the negative supply down to the grids has "
        "another value.",
        why="Whatever takes the grids less negative makes every tube they belong to draw more at "
        "once: a series resistor that has risen or opened, a leg to ground that is too low.",
        limits="A wrong value that the pot can still trim away is shown at the pot's place of the "
        "netlist.",
        examples=(
            "R30/open",
            "R33/wrong_value@820ohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
        "x1.2 x1.5 x2, open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional, two decades rare; drift and open "
        "occasional; short rare.",
        readings="All grids of the supply wrong by one share; the nominal bias cannot be reached "
        "at either end of the pot.",
        next_step="All output tubes out, power on: measure from the supply to the feed, resistor "
        "by resistor, and compare each drop.",
        source=RESISTOR_SOURCE,
        group="bias supply",
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
    ),
    FaultKind(
        name="bias_filter",
        search=Wear(
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
        model=f"{LEAK_OR_LOSS}; a dried-out one keeps 30 %.",
        defects="Leaks of 1, 10 and 100 kohm; a short of 0.1 ohm; 30 % of its capacitance; open; "
        "swept from 100 Mohm to 100 ohm.",
        likelihood="Leak, short and drying out common, and very common when old; open occasional.",
        readings="All grids less negative by one share; the resistor before the filter is hot; "
        "hum when it is dried out.",
        next_step="All output tubes out, power on: measure the bias before and behind the "
        "filter's resistor, then, power off, the capacitor's leakage.",
        source=CAPACITOR_SOURCE,
        group="bias supply",
        body="capacitor",
        words=FILTERING,
        signs=(
            VENTS,
            Sign("hum", 0.4, f"{PRACTICE}: leaky electrolytics heat, dry out and hum", "leaky"),
            Sign(
                "hum",
                0.9,
                f"{PRACTICE}: ripple of the bias supply on all output grids",
                "open dried",
            ),
        ),
    ),
    FaultKind(
        name="pot_wiper",
        search=Found(_pot),
        title="Open wiper or open track of a pot",
        does="The wiper of a bias pot or a volume control lifts off its track, or the track "
        "breaks on one side.",
        why="Where the wiper is the bias output, the grids lose their bias altogether and their "
        "tubes run away. Good circuits tie the wiper to the cold end or hold the grids by a "
        "further resistor. A broken track takes the bias to one extreme.",
        limits="A pot of which the netlist shows one half only opens as a whole. Scratchy wipers, "
        "which open for moments, are solved as if they stayed open.",
        examples=(
            "R31+R32/wiper_open",
            "R31/track_open",
        ),
        model="The halves of the pot become 1 Gohm; for the wiper the track stays, as a resistor "
        "between its ends. For a broken track one half becomes 1 Gohm.",
        defects="Wiper open; either end of the track open.",
        likelihood="Wiper common, track occasional.",
        readings="The ends of the pot read right, the wiper reads nothing or jumps.",
        next_step="Power off, tubes out: measure from the wiper to both ends while turning it.",
        source="common practice; FMD-91, from memory",
        group="bias supply",
        body="pot",
        words=(
            Word("wiper_open", "common", "wear"),
            Word("track_open", "occasional", "chance"),
        ),
        signs=(
            Sign("hum", 0.5, f"{PRACTICE}: an open grid picks up hum"),
            Sign("bias_adjusted", 3.0, f"{PRACTICE}: a wiper moved on a worn track"),
        ),
    ),
    FaultKind(
        name="back_bias",
        search=Habits((RoleName.BACK_BIAS_RESISTOR,), slips=slips, drifts=(1.5, 2.0)),
        title="Open, shorted or wrong back-bias resistor",
        does="The resistor in the negative return of B+, across which the bias arises, has "
        "another value.",
        why="Too low, or shorted, it takes bias away from every tube that lives on it. Open, the "
        "whole supply floats and the tubes get nothing.",
        limits="A capacitor across it that leaks is a fault of the bias filter.",
        examples=(
            "R1/shorted",
            "R1/wrong_value@15ohm",
        ),
        model=OTHER_VALUE,
        defects="x10, /10, x100, /100 (IEC 60062), the neighbors in E12 and E6 (IEC 60063), drift "
        "x1.5 x2, open, shorted; swept to a hundredth and a hundred times.",
        likelihood="Decade slip common, neighbor occasional, two decades rare; drift and open "
        "occasional; short rare.",
        readings="The bias of the whole stage is low and B+ current high; the drop over marked "
        "resistance disagrees with the total current.",
        next_step="Power off, capacitors discharged: measure the resistor, then the capacitor "
        "across it.",
        source=RESISTOR_SOURCE,
        group="bias supply",
        body="resistor",
        words=RESISTOR,
        signs=BURNT,
    ),
)
