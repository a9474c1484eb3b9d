"""The conditions a circuit is solved in, and everything the program knows of each.

A condition is a name that stands in results and reports as it is.  Levels of drive are
set where they are searched for; here is what a condition is called, where it comes in a
list, what kind it is and whether it is part of use.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

ConditionKind = Literal["idle", "driven", "cold_start"]
Occasion = Literal["idle", "use", "overdrive"]

IDLE: Final = "idle"
COLD_START: Final = "cold_start"
FULL: Final = "full"
OVERDRIVE: Final = "overdrive"
FULL_100HZ: Final = "full_100hz"
HOTTEST: Final = "hottest_drive"
WORST_DRIVE: Final = "worst drive"
"""Of the highest load over all inputs; nothing is solved under this name."""
DRIVEN: Final = "driven"
"""The kind of every condition with a signal; no condition has this name."""
USE: Final = "use"
"""The occasion of every condition of use but idle; no condition has this name."""

OCCASION_WORDS: Mapping[Occasion, str] = {
    IDLE: "at idle",
    USE: "in use",
    OVERDRIVE: "only when overdriven",
}
"""What brings an overload about, the least that is enough first.  A signal up to full
output and switching on are use; a sine at overdrive is a test, which music is not."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What the program knows of one condition.

    name: as in results and JSON; words: as a person reads it.
    kind: what limits are compared in; see `PartLimit.conditions`.
    in_use: false for what lies beyond use, which is a test and not a load to judge by.
    """

    name: str
    words: str
    kind: ConditionKind
    in_use: bool = True

    @property
    def habitual(self) -> bool:
        """Whether the circuit is in it for long: what a designer sizes a part by."""
        return self.in_use and self.kind != COLD_START


CONDITIONS: tuple[Condition, ...] = (
    Condition(IDLE, "idle", IDLE),
    Condition(COLD_START, "cold start", COLD_START),
    Condition(FULL, "full drive", DRIVEN),
    Condition(OVERDRIVE, "overdrive", DRIVEN, in_use=False),
    Condition(FULL_100HZ, "full drive at 100 Hz", DRIVEN),
    Condition(HOTTEST, "hottest drive", DRIVEN),
)
"""All conditions, in the order in which they are listed."""

_PLACES = {each.name: place for place, each in enumerate(CONDITIONS)}


def condition_of(name: str) -> Condition:
    """Return what is known of a condition; a level of drive without a row is driven."""
    if name in _PLACES:
        return CONDITIONS[_PLACES[name]]
    return Condition(name, name.replace("_", " "), DRIVEN)


def condition_kind(name: str) -> ConditionKind:
    """Return the kind of a condition; every name with a signal is `driven`."""
    return condition_of(name).kind


def is_in_use(name: str) -> bool:
    """Return whether a condition is part of use; what is beyond it is a test."""
    return condition_of(name).in_use


def kind_beyond_use(name: str) -> str:
    """Return the kind of a condition, or its own name where it is beyond use."""
    known = condition_of(name)
    return known.kind if known.in_use else known.name


def occasion_of(name: str) -> Occasion:
    """Return when a circuit is in a condition: at rest, in use otherwise, or in a test only."""
    if name == IDLE:
        return IDLE
    return USE if is_in_use(name) else OVERDRIVE


def condition_place(name: str) -> int:
    """Return where a condition stands in a list; one without a row is last."""
    return _PLACES.get(name, len(CONDITIONS))


def kinds_in_order(names: Iterable[str] = _PLACES) -> tuple[str, ...]:
    """Return the kinds in order, each once, then what lies beyond use."""
    used = [kind_beyond_use(name) for name in names if is_in_use(name)]
    beyond = [name for name in names if not is_in_use(name)]
    return tuple(dict.fromkeys([*used, *beyond]))
