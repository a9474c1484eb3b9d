"""What a fault is, what a kind of fault declares, and the register of kinds.

A fault kind is a module in this package, or a row of `plain.py`, with one `FaultKind`
whose `find` lists the faults of that kind in a circuit, through the roles of its parts.
Each `Fault` says what it changes as data (`netcheck.circuit.changes`).

How likely a fault is depends on what stands on the bench: `BuildState`.  A kind says
what brings each of its faults about (`Cause`); `build_state.py` makes of both how
likely it is in a new build, a restored set and an old one that nobody has touched.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.roles.base import Roles

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"))
_SMALL_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))

LikelihoodClass = Literal["very_common", "common", "occasional", "rare"]
BuildState = Literal["unknown", "new_build", "restored", "untouched_and_old"]
Cause = Literal["assembly", "adjustment", "wear", "exchange", "use", "chance"]
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


LIKELIHOOD_VALUE: dict[LikelihoodClass, float] = {
    "very_common": 1.0,
    "common": 0.3,
    "occasional": 0.1,
    "rare": 0.01,
}


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
class Expected:
    """How likely one word of a kind is where nothing else is known, and what causes it."""

    level: LikelihoodClass
    cause: Cause


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


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault: how it is modelled and how it is found.

    kinds: the kind words its faults carry in their ids.
    expected: by kind word, how likely its usual size is and what brings it about.
    group: under which heading a list of kinds shows it.
    """

    name: str
    title: str
    model: str
    defects: str
    likelihood: str
    readings: str
    next_step: str
    source: str
    find: Callable[[Circuit, Roles], Iterable[Fault]]
    continuous: Callable[[Circuit, Roles], Iterable[ContinuousFault]]
    kinds: tuple[str, ...] = ()
    expected: Mapping[str, Expected] = field(default_factory=dict, hash=False)
    group: Group = "resistors"
