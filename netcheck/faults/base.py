"""What a fault is, what a kind of fault declares, and the register of kinds.

A kind of fault is a row: one `FaultKind`, whose search lists the faults of that kind in a
circuit, through the roles of its parts, and which holds all that the program knows of it:
words, likelihood, and what it means at the bench, for pairs, ripple, bass and tipping points.
Each `Fault` says what it changes as data (`netcheck.circuit.changes`).

How likely a fault is depends on what stands on the bench: `BuildState`.  A kind says
what brings each of its faults about (`Cause`); `build_state.py` makes of both how
likely it is in a new build, a restored set and an old one that nobody has touched.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal, Protocol

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.likelihoods import LIKELIHOOD_VALUE, LikelihoodClass
from netcheck.roles.base import Roles
from netcheck.roles.table import RoleName

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"))
_SMALL_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))

BuildState = Literal["unknown", "new_build", "restored", "untouched_and_old"]
Cause = Literal["assembly", "adjustment", "wear", "exchange", "use", "chance"]
Body = Literal[
    "capacitor", "resistor", "pot", "choke", "transformer", "load", "tube", "socket", "stage",
    "rectifier", "source",
]  # fmt: skip
"""What is at fault."""
Ripple = Literal["", "network", "grid", "source", "half_wave", "heater"]
"""By what ripple is found: solved in the network of resistors, chokes and capacitors; picked
up by an open grid; that of another source; of half a rectifier; divided from the heater's
volts.  Empty: by the network where the fault is in it, and by its evidence of hum."""
Exchange = Literal["stays", "tube", "contact", "pair"]
Work = Literal[
    "new_tubes", "new_capacitors", "new_resistors", "new_output_transformer", "bias_adjusted",
    "new_rectifier", "rewired", "nothing",
]  # fmt: skip
"""What was done to a set of late."""
About = Literal["all_plates", "low_load", "partner", "driver", "damaged", "blows", "hum"] | Work
"""What a sign is about.  Which output plates are heated under drive, though they may be cool at
idle: all of them; all where the load got lower; those of the other side, which then works
alone; all of a pair whose inverter or driver is upset by far more than a tolerance.  That the
part itself smells or is discolored; that a fuse blows which the netlist does not show; hum.
Or work that was done of late."""
Group = Literal[
    "capacitors",
    "resistors",
    "bias supply",
    "output transformer and load",
    "tubes",
    "mains and supply",
    "signal",
    "kit errors",
]


@dataclass(frozen=True, slots=True)
class Likelihood:
    """How likely a fault is: an ordinal class, a figure, and who says so.

    value: relative weight, 1 for very common down to 0.01 for rare; only the
    order carries meaning unless the source gives a rate.  by_part: the part's own
    note decided (its dielectric, its age), which no build state overrules.
    """

    level: LikelihoodClass
    value: float
    source: str
    by_part: bool = False


def likelihood(level: LikelihoodClass, source: str, *, by_part: bool = False) -> Likelihood:
    """Return a likelihood with the class's own weight."""
    return Likelihood(level, LIKELIHOOD_VALUE[level], source, by_part)


def size_text(value: float, unit: str, gap: str = "") -> str:
    """Write a size with six digits: `2Mohm`, `0.5%`, `20uA`; `gap` goes before the unit.

    This text is part of ids that users keep, so it does not follow changes in how
    numbers are printed elsewhere.
    """
    rounded = float(f"{value:.6g}")
    if unit == "A" and 0.0 < abs(rounded) < 1.0:
        scale, prefix = next(
            (pair for pair in _SMALL_PREFIXES if abs(rounded) >= pair[0]), _SMALL_PREFIXES[-1]
        )
        return f"{float(f'{rounded / scale:.6g}'):.6g}{gap}{prefix}{unit}"
    if unit != "%":
        for scale, prefix in _PREFIXES:
            if abs(rounded) >= scale:
                return f"{rounded / scale:.6g}{gap}{prefix}{unit}"
    return f"{rounded:.6g}{gap}{unit}"


@dataclass(frozen=True, slots=True)
class Defect:
    """The size of a fault: in `ohm`, in `A`, or a share in `%` (5 is five percent).

    A share is written as a percentage, not as a fraction, because value and unit
    leave the program side by side.
    """

    value: float
    unit: str

    @property
    def text(self) -> str:
        """The size as a person writes it: `2 Mohm`, `0.5 %`."""
        return size_text(self.value, self.unit, " ")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one circuit.

    id: `<parts>/<kind>` or `<parts>/<kind>@<defect>`, stable for ever; the defect
        is left out where the kind has one size only (`C5/shorted`), several
        parts are joined by `+`, and after `@` a tube type may stand for a size.
        Where two kinds change one part differently under one word, the second has its
        family in its id: `R20/open@speaker`, `C3/leaky@grid_capacitor@1Mohm`.
    kind: the word in the id; family: the name of the `FaultKind` that found it.
    defect: what the faulty part measures, also where the id leaves it out; None
        where the fault has no size.
    likelihood: for the build state asked for.
    """

    id: str
    parts: tuple[str, ...]
    kind: str
    changes: tuple[Change, ...]
    likelihood: Likelihood
    summary: str
    defect: Defect | None = None
    next_measurement: str = ""
    family: str = ""

    @property
    def stem(self) -> str:
        """The id without its size in numbers: one for all sizes of one fault."""
        stem, _, last = self.id.rpartition("@")
        return stem if stem and self.defect is not None and not last.isidentifier() else self.id


@dataclass(frozen=True, slots=True)
class Word:
    """One word that faults of a kind bear in their ids, and what it means.

    level, cause: how likely its usual size is where nothing else is known, and what brings
        it about.
    grows: what grows as the fault grows, in words; empty where the word itself says it.
    deviates: a size is swept from the marked value on.
    starves: it may take current from a tube, so that it hides what overheats the tube.
    gives_up: it is what an overload makes of the part (common practice).
    unsoldered: an end that was never soldered, or a part left out, is the same.
    ripple: by what the ripple of a supply is found under it.
    """

    name: str
    level: LikelihoodClass
    cause: Cause
    grows: str = ""
    deviates: bool = False
    starves: bool = False
    gives_up: bool = False
    unsoldered: bool = False
    ripple: Ripple = ""

    @property
    def swept_only(self) -> bool:
        """Whether it is met in sweeps alone: a direction in which something drifts."""
        return self.name.endswith(("_down", "_up"))


def rippling(how: Ripple, *words: Word) -> tuple[Word, ...]:
    """Return words of parts that filter or feed what ripples."""
    return tuple(replace(one, ripple=how) for one in words)


@dataclass(frozen=True, slots=True)
class Sign:
    """What a kind of fault is known to show beyond what is solved, and who says so.

    value: a probability; a factor where it is about recent work.  words: of the kind, with
    blanks between; causes: of its words.  An empty one asks nothing.  role: one of the
    fault's parts plays it.
    """

    about: About
    value: float
    source: str
    words: str = ""
    causes: tuple[Cause, ...] = ()
    role: RoleName | None = None

    def fits(self, word: Word) -> bool:
        """Say whether it is about faults of this word; its role is not looked at."""
        named = not self.words or word.name in self.words.split()
        return named and (not self.causes or word.cause in self.causes)


PRACTICE = "common practice"
BURNT_WINDING = Sign(
    "damaged", 0.3, f"{PRACTICE}: a winding that broke down has mostly been too hot"
)
NEW_IS_NOT_WORN = f"{PRACTICE}: what is new has not worn yet"
HEATS = 0.4
"""How often plates are seen to glow that are too hot under drive only: common practice."""


@dataclass(frozen=True, slots=True)
class ContinuousFault:
    """A fault with a size that can be swept, for the tipping point.

    from_value is the nearly healthy end, to_value the worst end searched;
    logarithmic says how the size is swept.  make(size) gives the fault.
    """

    id: str
    parts: tuple[str, ...]
    kind: str
    unit: str
    from_value: float
    to_value: float
    logarithmic: bool
    make: Callable[[float], Fault]
    family: str = ""


class Search(Protocol):
    """How faults of one kind are found in a circuit."""

    def faults(self, circuit: Circuit, roles: Roles) -> Iterable[Fault]:
        """List the faults of stated sizes."""

    def sweeps(self, circuit: Circuit, roles: Roles) -> Iterable[ContinuousFault]:
        """List the faults whose size can be swept."""


def no_sweep(circuit: Circuit, roles: Roles) -> Iterable[ContinuousFault]:
    """Give nothing: such a fault has no size."""
    return ()


@dataclass(frozen=True, slots=True)
class Found:
    """A search by functions of its own."""

    faults: Callable[[Circuit, Roles], Iterable[Fault]]
    sweeps: Callable[[Circuit, Roles], Iterable[ContinuousFault]] = no_sweep


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """A kind of fault: how it is modelled, how it is found, and all that it means elsewhere.

    does: what the part does when it fails; why: why that overheats something; limits: what is
        not modelled; examples: ids.
    words: those its faults bear in their ids; kinds: their names.
    group: under which heading a list of kinds shows it.  body: what is at fault.
    bass: it alters an output transformer, its load or what lies across a winding, which
        tells at 100 Hz.
    upsets_load: under drive it heats what an output stage drives.
    shows_driven: what it heats may stay cool at rest, so that its sizes are searched under
        drive where none is enough at idle.
    exchange: what it looks like when tubes are exchanged: it goes with the tube, is its
        contact, goes with one tube of a pair, or stays.
    powered_only: it is there with the mains on only.
    signs: what it shows beyond what is solved; the first that fits counts.
    """

    name: str
    search: Search
    title: str
    does: str
    why: str
    limits: str
    examples: tuple[str, ...]
    model: str
    defects: str
    likelihood: str
    readings: str
    next_step: str
    source: str
    group: Group
    body: Body
    words: tuple[Word, ...]
    bass: bool = False
    upsets_load: bool = False
    shows_driven: bool = False
    exchange: Exchange = "stays"
    powered_only: bool = False
    signs: tuple[Sign, ...] = ()

    @property
    def kinds(self) -> tuple[str, ...]:
        """The names of its words."""
        return tuple(word.name for word in self.words)

    def faults(self, circuit: Circuit, roles: Roles) -> Iterator[Fault]:
        """List the faults of this kind in a circuit, in no order."""
        for fault in self.search.faults(circuit, roles):
            yield replace(fault, family=self.name)

    def sweeps(self, circuit: Circuit, roles: Roles) -> Iterator[ContinuousFault]:
        """List the faults of this kind that can be swept."""
        for sweep in self.search.sweeps(circuit, roles):
            yield replace(sweep, family=self.name, make=partial(_made, self.name, sweep.make))


def _made(family: str, make: Callable[[float], Fault], size: float) -> Fault:
    return replace(make(size), family=family)


NO_KIND = FaultKind(
    name="", search=Found(lambda *_: ()), title="", does="", why="", limits="", examples=(),
    model="", defects="", likelihood="", readings="", next_step="", source="",
    group="resistors", body="resistor", words=(),
)  # fmt: skip
"""Of a fault that no kind has found, such as two faults at once."""
