"""How likely a cause shows what was seen, smelled, heard or done.

Comes in: what is asked about, a fault (None for a sound unit), and ratios that were solved
for it.  Goes out: a probability of "yes", or None where nothing is known.  A step runs
from `low` to `high` as its share goes from 0 to 1, and none reaches 0 or 1: whoever looked
may be wrong.

Glow is the fourth-power law of `judge/heat.py`: a plate of 400 to 475 degrees at its
rating, seen in a room between twilight and daylight.  A fuse goes by the gates of
IEC 60127-2 in `ratings/fuses.py`.  A resistor darkens and smells about its rating.

What dictionary and physics cannot say are rows, each with its source: the first row that fits
gives a probability or a factor.  A source `common practice` is the repair trade's; the other
sources are quoted from the publications named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Literal

from netcheck.circuit.model import Circuit, Part
from netcheck.faults import FAULT_KINDS, word_of
from netcheck.faults.base import Cause, Fault
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
    reached: Mapping[Whose, bool] = {
        "any": True,
        "low_load": lower_load(fault, circuit),
        "partner": partner,
        "driver": bool(stage.sides and served and not served & set(roles.output_tubes)),
    }
    return max(
        (
            one.value
            for whose, rows in UNDER_DRIVE.items()
            for one in rows
            if reached[whose] and one.fits(fault, cause_of(fault), roles)
        ),
        default=0.0,
    )


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
    if fault.defect is None or fault.kind == "open":
        return False
    right = 100.0 if fault.defect.unit == "%" else circuit[fault.parts[0]].value or 0.0
    return fault.defect.value < right


def _is_near(fault: Fault, circuit: Circuit) -> bool:
    """Say whether a resistor has a value that is not far from the right one."""
    right = circuit[fault.parts[0]].value or 0.0
    if fault.family not in RESISTORS or fault.defect is None or right <= 0.0:
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
        floor = first_value(DAMAGED, fault, roles, 0.0)
    if fault is not None and fault.family in UPSETS_THE_LOAD:
        names = {role.name for role in roles.of_part(ref)}
        floor = max(floor, DRIVEN_PART if names & HOT_UNDER_DRIVE else 0.0)
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
    shorted = first_value(BLOWS, fault, roles, 0.0)
    plates = _known(plate_ratios, roles.output_tubes)
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
    listed = first_value(HUM, fault, roles, HUM_LEAST)
    if listed < HUM_LEAST:
        return listed
    outputs = _known(plate_ratios, roles.output_tubes)
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
    if not tubes or fault.family not in TUBES | {"rectifier"}:
        return "circuit"
    bulb = set(bulb_of(circuit, ref))
    if tubes & bulb:
        if fault.family == "tube_contact":
            return "contact"
        return "pair" if fault.family == "tube_mismatch" else "this_tube"
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
    factor = first_value(WORK[word], fault, roles, 1.0)
    return between(FLAT * factor, 0.0, 1.0)


def first_value(rows: Iterable[Row], fault: Fault | None, roles: Roles, otherwise: float) -> float:
    """Return what the first row that fits says."""
    if fault is None:
        return otherwise
    cause = cause_of(fault)
    return next((one.value for one in rows if one.fits(fault, cause, roles)), otherwise)


def cause_of(fault: Fault) -> Cause:
    """Return what brings a fault about, as its kind says; chance where no kind is named."""
    return word_of(fault).cause


def _is_tube(circuit: Circuit, ref: str) -> bool:
    part = circuit.parts.get(ref)
    return part is not None and part.kind == "tube"


def _known(ratios: Mapping[str, float], refs: Iterable[str]) -> list[float]:
    return [ratios[ref] for ref in refs if ref in ratios and not math.isnan(ratios[ref])]


PRACTICE = "common practice"


@dataclass(frozen=True, slots=True)
class Row:
    """A probability or a factor for some faults, and who says so.

    families, kinds, causes: the fault is of one of each; an empty one asks nothing.  role:
    one of the fault's parts plays it.
    """

    value: float
    source: str
    families: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()
    causes: frozenset[Cause] = frozenset()
    role: str = ""

    def fits(self, fault: Fault, cause: Cause, roles: Roles) -> bool:
        """Say whether the row is about this fault."""
        return (
            (not self.families or fault.family in self.families)
            and (not self.kinds or fault.kind in self.kinds)
            and (not self.causes or cause in self.causes)
            and (
                not self.role
                or any(role.name == self.role for ref in fault.parts for role in roles.of_part(ref))
            )
        )


def row(
    value: float,
    source: str,
    families: str | Iterable[str] = "",
    kinds: str = "",
    causes: Iterable[Cause] = (),
    role: str = "",
) -> Row:
    """Return a row; families and kinds may be written as words with blanks between."""
    names = families.split() if isinstance(families, str) else families
    return Row(value, source, frozenset(names), frozenset(kinds.split()), frozenset(causes), role)


TUBES = frozenset(each.name for each in FAULT_KINDS if each.body == "tube")
"""Families that leave with the tube when it is exchanged; an oscillation stays."""
CAPACITORS = frozenset(
    "coupling_capacitor cathode_bypass screen_bypass grid_capacitor output_capacitor "
    "primary_snubber bias_filter supply_capacitor reversed_electrolytic".split()
)
RESISTORS = frozenset(
    "cathode_resistor cathode_load sense_resistor grid_leak grid_stopper screen_resistor "
    "plate_load feedback_resistor bias_network back_bias rail_dropper bleeder "
    "swapped_parts".split()
)
TRANSFORMERS = frozenset(
    {"output_transformer", "primary_open", "core_leak", "wrong_transformer", "transformer_wiring"}
)

# Glow and smell of what heats up under drive only

Whose = Literal["any", "low_load", "partner", "driver"]

UNDER_DRIVE: Mapping[Whose, tuple[Row, ...]] = {
    "any": (
        row(0.4, PRACTICE, "output_transformer", "shorted_turns"),
        row(0.4, PRACTICE, "primary_snubber inverter_drive oscillation transformer_wiring"),
    ),
    "low_load": (row(0.4, PRACTICE, "speaker wrong_transformer"),),
    "partner": (
        row(0.4, PRACTICE, "coupling_capacitor", "open"),
        row(0.4, PRACTICE, "tube_emission", "weak open_heater"),
        row(0.4, PRACTICE, "tube_contact", "plate_open screen_open cathode_open"),
        row(0.4, PRACTICE, "screen_resistor", "open wrong_value drifted drifted_up"),
        row(0.4, PRACTICE, "sense_resistor cathode_resistor", "open"),
        row(0.4, PRACTICE, "grid_leak", "shorted"),
        row(0.4, PRACTICE, "primary_open"),
    ),
    "driver": (
        row(0.4, PRACTICE, "plate_load cathode_resistor", "shorted wrong_value"),
        row(0.4, PRACTICE, "heater_cathode tube_leak swapped_parts"),
    ),
}
"""Which output plates a fault heats under drive, though they may be cool at idle: all of
them; all where the load got lower; those of the other side, which then works alone; all
of a pair whose inverter or driver is upset by far more than a tolerance (`FAR`).  The
driven audit of `circuits/el34_pair_fixed_bias.cir` shows plates at 1.4 to 2.7 times their
limit there and none over it at idle; in that of the class A pair
`kt88_ultralinear_cathode_bias.cir` no plate that is fine at idle passes 1.3, so that the
floor is generous in class A.  Unequal drive stays below 1.3 in both: common practice."""

FAR = 2.0
"""A resistor that is wrong by less heats no plate of that audit to 1.3 under drive only."""

HOT_UNDER_DRIVE = frozenset(each for each in RoleName if each.kind.hot_when_driven)
"""Roles of the parts that such an output stage heats: primary, screen and damping
resistors in those audits; other networks across a winding by analogy."""
UPSETS_THE_LOAD = frozenset(
    "output_transformer wrong_transformer speaker primary_snubber oscillation "
    "transformer_wiring".split()
)
DRIVEN_PART = 0.3
"""Smell or color of such a part: common practice."""

# Smell and color of a part that is itself at fault

DAMAGED = (
    row(
        0.4,
        "common practice: cathode, screen and supply resistors open by burning",
        "cathode_resistor cathode_load sense_resistor screen_resistor plate_load bias_network "
        "back_bias rail_dropper bleeder",
        "open",
    ),
    row(
        0.3,
        "common practice: heat darkens the bands of a composition resistor and raises it",
        RESISTORS - {"grid_leak", "grid_stopper", "feedback_resistor", "swapped_parts"},
        "drifted drifted_up",
    ),
    row(
        0.4,
        "common practice: a leaking or reversed electrolytic heats, bulges and vents",
        "supply_capacitor bias_filter cathode_bypass screen_bypass reversed_electrolytic",
        "leaky shorted reversed",
    ),
    row(
        0.3,
        "common practice: a winding that broke down has mostly been too hot",
        "output_transformer primary_open core_leak rail_choke",
    ),
)

# A fuse that the netlist does not show

BLOWS = (
    row(
        0.8,
        "common practice: nothing but the supply's own resistance limits the current",
        "supply_capacitor",
        "shorted",
        role=RoleName.RESERVOIR_CAPACITOR,
    ),
    row(
        0.5,
        "common practice: a choke or a dropper may limit the current first",
        "supply_capacitor reversed_electrolytic",
        "shorted reversed",
    ),
    row(0.8, "common practice: alternating volts on the reservoir", "rectifier", "shorted"),
    row(0.3, PRACTICE, "core_leak"),
    row(0.3, "common practice: flashes over inside the tube", "tube_leak",
        "grid_screen_shorted grid_cathode_shorted"),
)  # fmt: skip

# Hum

HUM_LEAST = 0.1
"""Hum that is heard as too much in a unit with no fault that hums: common practice."""
HUM = (
    row(
        0.9,
        "derived: ripple Vpp = I/(2 f C) grows as the capacitance falls",
        "supply_capacitor",
        "dried open",
    ),
    row(0.4, "common practice: leaky electrolytics heat, dry out and hum",
        "supply_capacitor bias_filter", "leaky"),
    row(0.03, "common practice: no B+, no sound", "supply_capacitor", "shorted"),
    row(0.3, PRACTICE, "reversed_electrolytic"),
    row(0.9, "common practice: ripple of the bias supply on all output grids",
        "bias_filter", "dried open"),
    row(0.2, "common practice: selenium ages with rising ripple", "bias_supply", "drifted"),
    row(0.7, "common practice: one rectifier open leaves half waves", "rectifier", "open"),
    row(0.7, "common practice: alternating volts on the reservoir", "rectifier", "shorted"),
    row(0.15, PRACTICE, "rectifier", "worn_rectifier"),
    row(0.7, "common practice: a choke without inductance filters nothing",
        "rail_choke", "shorted"),
    row(0.03, "common practice: no B+, no sound", "rail_choke", "winding_open"),
    row(0.8, "common practice: a heater-cathode leak puts heater volts on the cathode",
        "heater_cathode"),
    row(0.6, "common practice: an open grid picks up hum", "grid_leak grid_stopper", "open"),
    row(0.6, "common practice: an open grid picks up hum", "tube_contact", "grid_open"),
    row(0.5, "common practice: an open grid picks up hum", "pot_wiper"),
    row(0.25, "common practice: a bare cathode passes heater leakage on",
        "cathode_bypass", "dried open"),
    row(0.3, "common practice: feedback reduced hum as well", "feedback_resistor", "open"),
    row(0.3, "common practice: motorboating and howl are taken for hum",
        "oscillation transformer_wiring"),
)  # fmt: skip
HUM_OF_UNBALANCE = 0.4
"""What full unbalance of a push-pull pair adds: the ripple of B+ cancels in the primary
only as far as both sides draw alike (common practice: hum is checked after matching)."""
HUM_OF_OVERLOAD = 0.3
"""What a stage at three times its limits adds: ripple is proportional to the current,
Vpp = I/(2 f C) (derived); how loud it then is: common practice."""

# Tubes exchanged

SwapPlace = Literal["this_tube", "pair", "other_side", "contact", "another_tube", "circuit",
                    "sound"]  # fmt: skip

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

_SLIPS: tuple[Cause, ...] = ("assembly",)
_WEAR: tuple[Cause, ...] = ("wear",)
RENEWED = 0.25
"""What is new has not worn: build states move wear by three classes (common practice)."""
NEW_IS_NOT_WORN = "common practice: what is new has not worn yet"

WORK: Mapping[str, tuple[Row, ...]] = {
    "new_tubes": (
        row(6.0, "common practice: what fits the base is put in", "wrong_tube"),
        row(5.0, "sellers' statements, as quoted: tubes of one lot differ up to 2 to 1",
            "tube_mismatch"),
        row(4.0, "a maker's remark, as quoted: samples at 125 % are normal",
            "tube_emission", "strong"),
        row(6.0, "common practice: bias not set again after new tubes",
            "bias_supply", "misadjusted"),
        row(2.0, "geofex.com on power tubes: shorts are common in new tubes and very old ones",
            TUBES, "open_heater grid_cathode_shorted grid_screen_shorted "
            "heater_cathode_shorted"),
        row(2.0, "common practice: pins bent, caps left off", "tube_contact"),
        row(0.6, "common practice: tubes from stock may have drawn gas",
            "tube_gas grid_emission"),
        row(2.0, "common practice: tubes of more transconductance oscillate where the old "
            "ones did not", "oscillation"),
        row(RENEWED, NEW_IS_NOT_WORN, TUBES, causes=_WEAR),
    ),
    "new_capacitors": (
        row(8.0, "common practice: the first fault of a new electrolytic",
            "reversed_electrolytic"),
        row(2.0, "common practice: an end not soldered, or a part left out", CAPACITORS, "open"),
        row(RENEWED, NEW_IS_NOT_WORN, CAPACITORS, causes=_WEAR),
        row(1.5, "common practice: a larger reservoir burdens the rectifier", "rectifier",
            causes=("chance", "wear")),
    ),
    "new_resistors": (
        row(6.0, "IEC 60062, multiplier band; how often: common practice", RESISTORS,
            causes=_SLIPS),
        row(2.0, "common practice: an end not soldered", RESISTORS, "open"),
        row(RENEWED, NEW_IS_NOT_WORN, RESISTORS, causes=_WEAR),
    ),
    "new_output_transformer": (
        row(8.0, "common practice: new builds and replaced transformers", "transformer_wiring"),
        row(6.0, "common practice: replacements are chosen by size", "wrong_transformer"),
        row(3.0, "common practice: another phase outside of the band", "oscillation"),
        row(2.0, "common practice: the speaker is put on another tap", "speaker",
            "wrong_load load_down load_up"),
        row(RENEWED, NEW_IS_NOT_WORN, TRANSFORMERS),
    ),
    "bias_adjusted": (
        row(6.0, "common practice: turned the wrong way or set by guess", "bias_supply",
            "misadjusted"),
        row(3.0, "common practice: a wiper moved on a worn track", "pot_wiper"),
        row(0.6, "common practice: an adjustment takes up what drifted slowly",
            "bias_supply bias_network tube_emission", "drifted drifted_up drifted_down strong "
            "weak"),
    ),
    "new_rectifier": (
        row(6.0, "common practice: silicon or another type in place of a rectifier tube",
            "rectifier", causes=("exchange",)),
        row(RENEWED, NEW_IS_NOT_WORN, "rectifier", causes=_WEAR),
        row(1.5, "common practice: without warm-up delay capacitors see the full peak",
            "supply_capacitor", "shorted leaky"),
    ),
    "rewired": (
        row(6.0, "common practice: new builds and changed wiring",
            "transformer_wiring oscillation"),
        row(4.0, "common practice: slips of assembly follow work", causes=_SLIPS),
        row(2.0, "common practice: cold joints and ends left off", CAPACITORS | RESISTORS,
            "open"),
    ),
    "nothing": (
        row(1 / 6, "common practice: slips show when they are new", causes=_SLIPS),
        row(0.25, "common practice: a wrong part was wrong from the day it was fitted",
            causes=("exchange",)),
        row(0.5, "common practice: a pot nobody touched stays where it was",
            causes=("adjustment",)),
        row(2.0, "common practice: what fails untouched has mostly worn", causes=_WEAR),
    ),
}  # fmt: skip
"""By word, factors against a fault that the work did not touch, which has 1; the sound
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
