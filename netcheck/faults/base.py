"""What a fault is, what a kind of fault declares, and the register of kinds.

A fault kind is a module in this package with one `FaultKind` whose `find`
lists the faults of that kind in a circuit, through the roles of its parts.
Each `Fault` says what it changes as data (`netcheck.circuit.changes`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from netcheck.circuit.changes import Change
from netcheck.circuit.model import Circuit
from netcheck.roles.base import Roles

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"))

LikelihoodClass = Literal["very_common", "common", "occasional", "rare"]


@dataclass(frozen=True, slots=True)
class Likelihood:
    """How likely a fault is: an ordinal class, a figure, and who says so.

    value: relative weight, 1 for very common down to 0.001 for rare; only the
    order carries meaning unless the source gives a rate.
    """

    level: LikelihoodClass
    value: float
    source: str


LIKELIHOOD_VALUE: dict[LikelihoodClass, float] = {
    "very_common": 1.0,
    "common": 0.3,
    "occasional": 0.1,
    "rare": 0.01,
}


def likelihood(level: LikelihoodClass, source: str) -> Likelihood:
    """Return a likelihood with the class's own weight."""
    return Likelihood(level, LIKELIHOOD_VALUE[level], source)


def size_text(value: float, unit: str, gap: str = "") -> str:
    """Write a size with six digits: `2Mohm`, `0.5%`; `gap` goes before the unit.

    This text is part of ids that users keep, so it does not follow changes in how
    numbers are printed elsewhere.
    """
    rounded = float(f"{value:.6g}")
    if unit != "%":
        for scale, prefix in _PREFIXES:
            if abs(rounded) >= scale:
                return f"{rounded / scale:.6g}{gap}{prefix}{unit}"
    return f"{rounded:.6g}{gap}{unit}"


@dataclass(frozen=True, slots=True)
class Defect:
    """The size of a fault: a resistance in `ohm`, or a share in `%` (5 is five percent).

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
        is left out where the kind has one size only (`C5/shorted`), and several
        parts are joined by `+`.
    kind: the word in the id; family: the name of the `FaultKind` that found it.
    defect: what the faulty part measures, also where the id leaves it out; None
        where the fault has no size.
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
