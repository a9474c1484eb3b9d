"""How likely a cause shows what was seen, smelled, heard or done.

Comes in: what is asked about, a fault (None for a sound unit), and ratios that were solved
for it.  Goes out: a probability of "yes", or None where nothing is known.  A step runs
from `low` to `high` as its share goes from 0 to 1, and none reaches 0 or 1: whoever looked
may be wrong.

Glow is the fourth-power law of `judge/heat.py`: a plate of 400 to 475 degrees at its
rating, seen in a room between twilight and daylight.  A fuse goes by the gates of
IEC 60127-2 in `ratings/fuses.py`.  A resistor darkens and smells about its rating.

What dictionary and physics cannot say are the signs of each kind of fault (`netcheck.faults`)
and rows here for any kind, each with its source: the first that fits gives a probability or a
factor, a sign before a row.  A source `common practice` is the repair trade's; the other sources
are quoted from the publications named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal, get_args

from netcheck.circuit.model import Circuit, Part
from netcheck.faults import kind_of, word_of
from netcheck.faults.base import (
    NEW_IS_NOT_WORN,
    PRACTICE,
    About,
    Body,
    Cause,
    Exchange,
    Fault,
    FaultKind,
    Word,
    Work,
)
from netcheck.faults.common import grids_fed_by
from netcheck.judge.base import GROSS_RATIO
from netcheck.judge.heat import DAYLIGHT_C, OTHER_HEAT, RATED_C, TWILIGHT_C, plate_c
from netcheck.ratings.fuses import fuse_gates, fuse_time
from netcheck.ratings.parts import ADVISED_SHARE
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

LEAST, MOST = 0.02, 0.98
"""No evidence is surer than this: common practice."""
GLOW_SEEN = 0.95
"""Of plates that glow, as many are seen: getter and heater light hide some (common
practice)."""
STEPS = 4
DARKENS = (ADVISED_SHARE, 1.5)
SMELLS = (1.0, 2.0)
"""Share of its rating from which a resistor may, and beyond which it does: the words of
`judge/heat.py` ("short life" to 1.5, "discolors" to 2, then chars and smokes; common practice)."""
WINDING_BURNS = (1.0, 4.0)
"""The same for the copper loss of a winding ("too hot to last" up to 4: `judge/heat.py`)."""
BURNT = (0.05, 0.95)
"""Old heat, dust and wax darken and smell in sound units too: common practice."""
BLOWN = (0.05, 0.9)
"""Fuses open with age and at switch-on; some are replaced by larger ones: common practice."""
MAINS_FUSE = (1.5, 4.2)
"""Times the usual draw at which a mains fuse may, and must, open: it is chosen for 1.5 to 2
times the draw (common practice) and opens at 2.1 times its rating (IEC 60127-2)."""
MAINS_FUSE_MOST = 0.7
"""It sees the tubes' current only as a part of what the set draws: common practice."""


def between(share: float, low: float = LEAST, high: float = MOST) -> float:
    """Return the probability at a share of the way from `low` to `high`, within bounds."""
    return min(max(low + (high - low) * share, LEAST), MOST)


def ramp(value: float, start: float, end: float) -> float:
    """Return 0 up to `start`, 1 from `end` on, and a smooth rise between."""
    share = min(max((value - start) / (end - start), 0.0), 1.0)
    return share * share * (3.0 - 2.0 * share)


def log_ramp(value: float, start: float, end: float) -> float:
    """Return `ramp` of the logarithms; 0 at nothing and below."""
    return ramp(math.log(value), math.log(start), math.log(end)) if value > 0.0 else 0.0


@lru_cache(maxsize=4096)
def glow_share(times_rated: float) -> float:
    """Return the share of tubes and rooms in which a plate's glow is seen.

    times_rated: plate dissipation over the published limit.
    """
    if math.isinf(times_rated):
        return 1.0 if times_rated > 0.0 else 0.0
    first, last = RATED_C
    seen = [
        ramp(
            plate_c(max(times_rated, 0.0), first + (last - first) * step / (STEPS - 1), other),
            TWILIGHT_C,
            DAYLIGHT_C,
        )
        for step in range(STEPS)
        for other in OTHER_HEAT
    ]
    return sum(seen) / len(seen)


def bulb_of(circuit: Circuit, ref: str) -> tuple[str, ...]:
    """Return the sections in one bulb with this one, itself among them."""
    return tuple(tube.ref for tube in circuit.bulb_of(ref))


def glows(
    ref: str, fault: Fault | None, ratios: Mapping[str, float], circuit: Circuit, roles: Roles
) -> float | None:
    """Return the probability that a plate in the bulb of `ref` is seen to glow.

    Not less than a floor where the fault heats that plate under drive only: what a
    technician sees is often seen with music.
    """
    bulb = bulb_of(circuit, ref)
    known = [ratios[one] for one in bulb if one in ratios and not math.isnan(ratios[one])]
    idle = between(GLOW_SEEN * max(map(glow_share, known))) if known else None
    floor = max((driven_floor(one, fault, circuit, roles) for one in bulb), default=0.0)
    return floor or None if idle is None else max(idle, floor)


def driven_floor(ref: str, fault: Fault | None, circuit: Circuit, roles: Roles) -> float:
    """Return the least probability of glow under drive; 0 where drive adds nothing."""
    stage = next((one for one in roles.output_stages if ref in one.tubes), None)
    if fault is None or stage is None or _is_near(fault, circuit):
        return 0.0
    served = frozenset(served_by(fault, circuit, roles))
    mine, other = sides_of(ref, roles)
    partner = bool(served & set(other)) and not served & set(mine)
    reached: Mapping[About, bool] = {
        "all_plates": True,
        "low_load": lower_load(fault, circuit),
        "partner": partner,
        "driver": bool(stage.sides and served and not served & set(roles.output_tubes)),
    }
    return max(shown(whose, fault, roles, 0.0) for whose, yes in reached.items() if yes)


def served_by(fault: Fault, circuit: Circuit, roles: Roles) -> tuple[str, ...]:
    """Return the tubes that a fault is in, or whose parts it is in."""
    found = [ref for ref in fault.parts if _is_tube(circuit, ref)]
    for ref in fault.parts:
        for role in roles.of_part(ref):
            if role.name == RoleName.COUPLING_CAPACITOR:
                found += grids_fed_by(circuit, roles, role.feeds)
            elif _is_tube(circuit, role.of):
                found.append(role.of)
    return tuple(dict.fromkeys(found))


def lower_load(fault: Fault, circuit: Circuit) -> bool:
    """Say whether a fault of the load lowers what the plates see."""
    if fault.defect is None:
        return False
    right = 100.0 if fault.defect.unit == "%" else circuit[fault.parts[0]].value or 0.0
    return fault.defect.value < right


def _is_near(fault: Fault, circuit: Circuit) -> bool:
    """Say whether a resistor has a value that is not far from the right one."""
    right = circuit[fault.parts[0]].value or 0.0
    if kind_of(fault).body != "resistor" or fault.defect is None or right <= 0.0:
        return False
    return 1.0 / FAR < fault.defect.value / right < FAR


def burns(
    ref: str,
    steps: tuple[float, float],
    fault: Fault | None,
    ratios: Mapping[str, float],
    circuit: Circuit,
    roles: Roles,
) -> float | None:
    """Return the probability that a part smells or is discolored.

    steps: shares of a resistor's rating between which it comes about.  A part that is
    itself at fault, or that an upset load heats under drive, has a floor.
    """
    part = circuit[ref]
    ratio = ratios.get(ref, 0.0 if part.kind == "capacitor" else math.nan)
    first, last = WINDING_BURNS if part.kind == "inductor" else steps
    floor = 0.0
    if fault is not None and ref in fault.parts:
        floor = shown("damaged", fault, roles, 0.0)
    if fault is not None and kind_of(fault).upsets_load:
        heated = any(role.name.kind.hot_when_driven for role in roles.of_part(ref))
        floor = max(floor, DRIVEN_PART if heated else 0.0)
    if math.isnan(ratio):
        return floor or None
    return max(between(log_ramp(ratio, first, last), *BURNT), floor)


def fuse_share(times_rating: float) -> float:
    """Return the share of fuses that open at a multiple of their rating, in use.

    0 where one must last an hour, 1 where one must open within seconds.
    """
    opening = fuse_time(times_rating).opening
    if opening == "may_open":
        return log_ramp(times_rating, *_fuse_ends())
    return 1.0 if opening == "opens" else 0.0


@cache
def _fuse_ends() -> tuple[float, float]:
    """Return the multiples up to which every fuse lasts, and from which it opens soon."""
    gates = sorted({gate.times_rating for gate in fuse_gates()})
    return gates[0], next(gate for gate in gates if fuse_time(gate).opening == "opens")


def blows(
    ref: str,
    fault: Fault | None,
    fuse_ratios: Mapping[str, float],
    plate_ratios: Mapping[str, float],
    circuit: Circuit,
    roles: Roles,
) -> float | None:
    """Return the probability that a fuse has blown; an empty `ref` is any fuse.

    Where the netlist shows no fuse, the one in the mains goes by what the output plates
    take together, and by a row for what shorts the supply.
    """
    fuses = [one.ref for one in fuses_of(circuit)]
    if fuses:
        wanted = [ref] if ref else fuses
        known = [
            fuse_ratios[one] for one in wanted if not math.isnan(fuse_ratios.get(one, math.nan))
        ]
        return between(max(map(fuse_share, known)), *BLOWN) if known else None
    shorted = shown("blows", fault, roles, 0.0)
    plates = _figures(plate_ratios, roles.output_tubes)
    if not plates:
        return shorted or None
    draw = log_ramp(sum(plates) / len(plates), *MAINS_FUSE)
    return max(between(draw, BLOWN[0], MAINS_FUSE_MOST), shorted)


def fuses_of(circuit: Circuit) -> tuple[Part, ...]:
    """Return the resistors that stand for fuses."""
    return tuple(part for part in circuit.of_kind("resistor") if part.note.fuse_a)


def hums(fault: Fault | None, plate_ratios: Mapping[str, float], roles: Roles) -> float:
    """Return the probability that the unit hums.

    By the fault's row, and by what the dictionary solved: an unbalanced pair no longer
    cancels the ripple of B+, and ripple grows with the current drawn.
    """
    listed = shown("hum", fault, roles, HUM_LEAST)
    if listed < HUM_LEAST:
        return listed
    outputs = _figures(plate_ratios, roles.output_tubes)
    over = log_ramp(max(outputs, default=0.0), 1.0, GROSS_RATIO) * HUM_OF_OVERLOAD
    apart = max((_unbalance(one.sides, plate_ratios) for one in roles.output_stages), default=0.0)
    solved = HUM_LEAST + max(over, HUM_OF_UNBALANCE * apart)
    return between(max(listed, solved), 0.0, 1.0)


def _unbalance(
    sides: tuple[Sequence[str], Sequence[str]] | None, ratios: Mapping[str, float]
) -> float:
    """Return the difference of two sides over their sum."""
    if not sides or any(math.isnan(ratios.get(one, math.nan)) for side in sides for one in side):
        return 0.0
    first, second = (sum(min(ratios[one], 1e3) for one in side) for side in sides)
    return abs(first - second) / (first + second) if first + second > 0.0 else 0.0


def swapped(word: str, ref: str, fault: Fault | None, circuit: Circuit, roles: Roles) -> float:
    """Return the probability of what an exchange of the tube at `ref` showed."""
    word = "followed" if word == "changed_sides" else word
    return SWAPPED[swap_place(ref, fault, circuit, roles)][word]


def swap_place(ref: str, fault: Fault | None, circuit: Circuit, roles: Roles) -> SwapPlace:
    """Say where a fault is, seen from the socket whose tube was exchanged."""
    if fault is None:
        return "sound"
    tubes = {one for one in fault.parts if _is_tube(circuit, one)}
    place = EXCHANGED[kind_of(fault).exchange]
    if not tubes or place == "circuit":
        return "circuit"
    if tubes & set(bulb_of(circuit, ref)):
        return place
    return "other_side" if tubes & set(sides_of(ref, roles)[1]) else "another_tube"


def sides_of(ref: str, roles: Roles) -> tuple[Sequence[str], Sequence[str]]:
    """Return the tubes of the side of a push-pull stage that `ref` is in, and the others."""
    for stage in roles.output_stages:
        if stage.sides and ref in stage.tubes:
            first, second = stage.sides
            return (first, second) if ref in first else (second, first)
    return (), ()


def worked(word: str, fault: Fault | None, roles: Roles) -> float:
    """Return the probability that such work preceded; P = `FLAT` times the factor."""
    factor = shown(WORK[WORK.index(word)], fault, roles, 1.0)
    return between(FLAT * factor, 0.0, 1.0)


def shown(about: About, fault: Fault | None, roles: Roles, otherwise: float) -> float:
    """Return what the first sign of its kind, or of its body and cause, says of a fault."""
    if fault is None:
        return otherwise
    kind, word = kind_of(fault), word_of(fault)
    for one in kind.signs:
        if (
            one.about == about
            and one.fits(word)
            and (not one.role or plays(fault, one.role, roles))
        ):
            return one.value
    return next((one.value for one in ANY_KIND.get(about, ()) if one.fits(kind, word)), otherwise)


def plays(fault: Fault, role: RoleName, roles: Roles) -> bool:
    """Say whether one of the parts at fault plays a role."""
    return any(one.name == role for ref in fault.parts for one in roles.of_part(ref))


def _is_tube(circuit: Circuit, ref: str) -> bool:
    part = circuit.parts.get(ref)
    return part is not None and part.kind == "tube"


def _figures(ratios: Mapping[str, float], refs: Iterable[str]) -> list[float]:
    return [ratios[ref] for ref in refs if ref in ratios and not math.isnan(ratios[ref])]


@dataclass(frozen=True, slots=True)
class Row:
    """A factor for faults of any kind, by what is at fault and what brought it about.

    bodies, causes: an empty one asks nothing.  unsoldered: only what an end that was not
    soldered looks like.
    """

    value: float
    source: str
    bodies: tuple[Body, ...] = ()
    causes: tuple[Cause, ...] = ()
    unsoldered: bool = False

    def fits(self, kind: FaultKind, word: Word) -> bool:
        """Say whether the row is about such faults."""
        return (
            (not self.bodies or kind.body in self.bodies)
            and (not self.causes or word.cause in self.causes)
            and (not self.unsoldered or word.unsoldered)
        )


# Glow and smell of what heats up under drive only: the signs of the kinds are taken from the
# driven audit of `circuits/el34_pair_fixed_bias.cir`, which shows plates at 1.4 to 2.7 times
# their limit there and none over it at idle; in that of the class A pair
# `kt88_ultralinear_cathode_bias.cir` no plate that is fine at idle passes 1.3, so that the
# floor is generous in class A.  Unequal drive stays below 1.3 in both: common practice.

FAR = 2.0
"""A resistor that is wrong by less heats no plate of that audit to 1.3 under drive only."""

DRIVEN_PART = 0.3
"""Smell or color of a part whose role says `hot_when_driven`: primary, screen and damping
resistors in those audits, other networks across a winding by analogy.  Common practice."""

# Hum

HUM_LEAST = 0.1
"""Hum that is heard as too much in a unit with no fault that hums: common practice."""
HUM_OF_UNBALANCE = 0.4
"""What full unbalance of a push-pull pair adds: the ripple of B+ cancels in the primary
only as far as both sides draw alike (common practice: hum is checked after matching)."""
HUM_OF_OVERLOAD = 0.3
"""What a stage at three times its limits adds: ripple is proportional to the current,
Vpp = I/(2 f C) (derived); how loud it then is: common practice."""

# Tubes exchanged

SwapPlace = Literal["this_tube", "pair", "other_side", "contact", "another_tube", "circuit",
                    "sound"]  # fmt: skip

EXCHANGED: Mapping[Exchange, SwapPlace] = {
    "tube": "this_tube",
    "contact": "contact",
    "pair": "pair",
    "stays": "circuit",
}
SWAPPED: Mapping[SwapPlace, Mapping[str, float]] = {
    "this_tube": {"followed": 0.9, "stayed": 0.1, "cured": 0.9, "no_change": 0.1},
    "pair": {"followed": 0.9, "stayed": 0.1, "cured": 0.6, "no_change": 0.4},
    "other_side": {"followed": 0.5, "stayed": 0.1, "cured": 0.2, "no_change": 0.8},
    "contact": {"followed": 0.4, "stayed": 0.6, "cured": 0.6, "no_change": 0.4},
    "another_tube": {"followed": 0.1, "stayed": 0.9, "cured": 0.2, "no_change": 0.8},
    "circuit": {"followed": 0.1, "stayed": 0.9, "cured": 0.5, "no_change": 0.5},
    "sound": {"followed": 0.5, "stayed": 0.5, "cured": 0.5, "no_change": 0.5},
}
"""By where the fault is.  Followed and stayed: common practice, 1 in 10 for a contact
that moving the tubes mended, a second bad tube or a mix-up.  `other_side`: both tubes
moved, so that `stayed` speaks against either, but whoever names this socket mostly means
a complaint of this socket.  `circuit`, cured: a circuit fault makes any tube run hot, and
a weaker or less gassy one merely runs less hot; the complaint goes and the cause stays.
Every other tube hides it (common practice; tubes of one type differ by some 30 %:
radiomuseum.org on what data sheets say), so that `cured` takes less than half from the
circuit against the tube.  `sound`: one in three
tubes that are taken out has no fault (ARINC study of military sets, as quoted)."""

# Recent work

FLAT = 0.12
"""Probability of one kind of work where nothing speaks for it; times 8 is below 1."""

RENEWED = 0.25
"""What is new has not worn: build states move wear by three classes (common practice)."""

WORK: tuple[Work, ...] = get_args(Work)
ANY_KIND: Mapping[About, tuple[Row, ...]] = {
    "new_tubes": (Row(RENEWED, NEW_IS_NOT_WORN, ("tube",), ("wear",)),),
    "new_capacitors": (
        Row(2.0, f"{PRACTICE}: an end not soldered, or a part left out", ("capacitor",),
            unsoldered=True),
        Row(RENEWED, NEW_IS_NOT_WORN, ("capacitor",), ("wear",)),
    ),
    "new_resistors": (
        Row(6.0, "IEC 60062, multiplier band; how often: common practice", ("resistor",),
            ("assembly",)),
        Row(2.0, f"{PRACTICE}: an end not soldered", ("resistor",), unsoldered=True),
        Row(RENEWED, NEW_IS_NOT_WORN, ("resistor",), ("wear",)),
    ),
    "new_output_transformer": (Row(RENEWED, NEW_IS_NOT_WORN, ("transformer",)),),
    "rewired": (
        Row(4.0, f"{PRACTICE}: slips of assembly follow work", causes=("assembly",)),
        Row(2.0, f"{PRACTICE}: cold joints and ends left off", ("capacitor", "resistor"),
            unsoldered=True),
    ),
    "nothing": (
        Row(1 / 6, f"{PRACTICE}: slips show when they are new", causes=("assembly",)),
        Row(0.25, f"{PRACTICE}: a wrong part was wrong from the day it was fitted",
            causes=("exchange",)),
        Row(0.5, f"{PRACTICE}: a pot nobody touched stays where it was",
            causes=("adjustment",)),
        Row(2.0, f"{PRACTICE}: what fails untouched has mostly worn", causes=("wear",)),
    ),
}  # fmt: skip
"""Factors against a fault that the work did not touch, which has 1; the sound
unit has 1 as well.  A circuit fault that killed the last tubes is none that new tubes
speak against, so that it keeps its 1."""

# A fault that the catalogue does not hold

UNMODELLED: Mapping[str, Mapping[str, float]] = {
    "glow": {"yes": 0.3, "no": 0.7},
    "fuse": {"blown": 0.3, "whole": 0.7},
    "hum": {"yes": 0.3, "no": 0.7},
    "smell": {"yes": 0.2, "no": 0.8},
    "discolored": {"yes": 0.2, "no": 0.8},
    "swap": dict.fromkeys(("followed", "changed_sides", "stayed", "cured", "no_change"), 0.5),
    "recent": dict.fromkeys(WORK, FLAT),
}
"""What a fault that is not modelled would show: common practice; also taken where the
dictionary holds no figure.  Of an exchange it says nothing either way."""
