"""What dictionary and physics cannot say of evidence: rows, each with its source.

Comes in: a fault and the cause behind it.  Goes out: a probability or a factor from the
first row that fits.  The steps of glow, smell and fuse are no tables: `evidence_rules.py`
computes them.  A source `common practice` is the repair trade's; the other sources are
quoted from the publications named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from netcheck.diagnose.situations import IN_THE_TUBE
from netcheck.faults.base import Cause, Fault
from netcheck.roles.base import Roles

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


TUBES = IN_THE_TUBE - {"oscillation"}
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

HOT_UNDER_DRIVE = frozenset({"output_transformer_primary", "screen_resistor", "winding_loss",
                             "zobel", "plate_shunt"})  # fmt: skip
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
        role="reservoir_capacitor",
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
