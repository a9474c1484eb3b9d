"""Faults: what can go wrong in a circuit, as a list in stable order.

Comes in: a circuit and its roles, and what is known of its age and build.  Goes out:
`list_faults`, every fault of a stated size, and `list_continuous`, the faults that can
be swept for their tipping point.
`FAULT_KINDS` is the register: a new kind is one row of the module of what is at fault.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache, partial
from itertools import count
from typing import TypeVar

from netcheck.circuit.model import Circuit, natural_key
from netcheck.faults import (
    assembly,
    bias,
    capacitor,
    coupling,
    electrodes,
    mains,
    rails,
    socket,
    stage_resistor,
    transformer,
    tube,
    windings,
)
from netcheck.faults.base import (
    NO_KIND,
    BuildState,
    Cause,
    ContinuousFault,
    Fault,
    FaultKind,
    Word,
)
from netcheck.faults.build_state import BUILD_STATES, in_state
from netcheck.likelihoods import LikelihoodClass
from netcheck.roles.base import Roles

__all__ = [
    "BUILD_STATES",
    "FAULT_KINDS",
    "kind_named",
    "kind_of",
    "list_continuous",
    "list_faults",
    "word_named",
    "word_of",
]

Listed = TypeVar("Listed", Fault, ContinuousFault)

FAULT_KINDS: tuple[FaultKind, ...] = (
    *coupling.KINDS,
    *capacitor.KINDS,
    *stage_resistor.KINDS,
    *bias.KINDS,
    *windings.KINDS,
    *transformer.KINDS,
    *tube.KINDS,
    *electrodes.KINDS,
    *socket.KINDS,
    *mains.KINDS,
    *rails.KINDS,
    *assembly.KINDS,
)


def list_faults(
    circuit: Circuit,
    roles: Roles,
    *,
    build: BuildState = "unknown",
    age_years: float | None = None,
) -> tuple[Fault, ...]:
    """Return every fault of a stated size, by part, kind and size.

    build, age_years: what stands on the bench, which says how likely each fault is
    and nothing else; a part whose own note gives an age or a dielectric goes by that.

    Ids are unique.  Two kinds may find the same change of the same part (a grid leak that
    is a cathode resistor too): it is listed once, for the first of them.  A different
    change under an id already taken keeps its place and has its family in its id.
    """
    found: dict[str, list[Fault]] = {}
    for kind in FAULT_KINDS:
        for fault in kind.faults(circuit, roles):
            known = found.setdefault(fault.id, [])
            if all(fault.changes != other.changes for other in known):
                known.append(fault)
    table = _named_apart(found)
    causes = {(kind.name, word.name): word.cause for kind in FAULT_KINDS for word in kind.words}
    graded = (
        in_state(fault, causes[fault.family, fault.kind], circuit, build, age_years)
        for fault in table.values()
    )
    return tuple(sorted(graded, key=_fault_order))


def list_continuous(circuit: Circuit, roles: Roles) -> tuple[ContinuousFault, ...]:
    """Return every fault that can be swept, by part and kind; ids are unique, as of faults.

    Two sweeps under one id are the same where one size makes the same change in both.
    """
    found: dict[str, list[ContinuousFault]] = {}
    for kind in FAULT_KINDS:
        for sweep in kind.sweeps(circuit, roles):
            known = found.setdefault(sweep.id, [])
            if not any(_same_sweep(sweep, other) for other in known):
                known.append(sweep)
    table = _named_apart(found)
    return tuple(sorted(table.values(), key=lambda sweep: natural_key(sweep.id)))


def kind_of(fault: Fault) -> FaultKind:
    """Return the kind that a fault is of; a fault that names none is of no kind at all."""
    return kind_named(fault.family)


def kind_named(name: str) -> FaultKind:
    """Return the kind of this name; the empty one is no kind at all."""
    return _by_name()[name]


def word_of(fault: Fault) -> Word:
    """Return what the word of a fault means in its kind."""
    return _words()[fault.family, fault.kind] if fault.family else Word(fault.kind, *UNKNOWN)


def word_named(name: str) -> Word:
    """Return a word that means the same in all kinds but for how likely it is, by its name."""
    return _in_all_kinds().get(name, Word(name, *UNKNOWN))


UNKNOWN: tuple[LikelihoodClass, Cause] = ("occasional", "chance")


@cache
def _by_name() -> Mapping[str, FaultKind]:
    return {each.name: each for each in (NO_KIND, *FAULT_KINDS)}


@cache
def _words() -> Mapping[tuple[str, str], Word]:
    return {(kind.name, word.name): word for kind in FAULT_KINDS for word in kind.words}


@cache
def _in_all_kinds() -> Mapping[str, Word]:
    return {name: word for (_, name), word in _words().items()}


def _same_sweep(one: ContinuousFault, other: ContinuousFault) -> bool:
    size = other.to_value
    return one.unit == other.unit and one.make(size).changes == other.make(size).changes


def _named_apart(found: Mapping[str, Sequence[Listed]]) -> dict[str, Listed]:
    """Give each its own id: its own where it came first, else one with its family."""
    table: dict[str, Listed] = {shared: first for shared, (first, *_) in found.items()}
    for sharing in found.values():
        for other in sharing[1:]:
            words = (other.family if n == 1 else f"{other.family}_{n}" for n in count(1))
            named = (_with_word(other, word) for word in words)
            apart: Listed = next(each for each in named if each.id not in table)
            table[apart.id] = apart
    return table


def _with_word(one: Listed, word: str) -> Listed:
    """Put a word before the size in the id; the faults a sweep makes bear it too."""
    name, at, size = one.id.partition("@")
    new_id = f"{name}@{word}{at}{size}"
    if isinstance(one, ContinuousFault):
        return replace(one, id=new_id, make=partial(_make_with_word, one.make, word))
    return replace(one, id=new_id)


def _make_with_word(make: Callable[[float], Fault], word: str, size: float) -> Fault:
    return _with_word(make(size), word)


def _fault_order(fault: Fault) -> tuple[object, ...]:
    """Order by part, then kind, then size as a number (20 Mohm after 2 Mohm)."""
    size = fault.defect.value if fault.defect else 0.0
    return natural_key("+".join(fault.parts)), fault.kind, size, fault.id
