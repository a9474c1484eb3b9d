"""How likely a fault is, by what stands on the bench.

Comes in: a fault with its likelihood where nothing is known, what causes it, and
whether the set is a new build, restored, or old and untouched, with its age.  Goes
out: the fault with the likelihood for that state.

The idea: slips of assembly are found in new builds, and were found decades ago in old
ones; wear has not begun in a new part and is everywhere in an old one; chance and
misuse know no age.  A part whose note gives dielectric or age is judged by that.
Source: common practice, in steps of one class; receiving tubes and parts past their
first hours and before wear fail at a constant rate (MIL-HDBK-217F, as quoted).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import get_args

from netcheck.circuit.model import Circuit
from netcheck.faults.base import (
    BuildState,
    Cause,
    Fault,
    likelihood,
)
from netcheck.likelihoods import LIKELIHOOD_CLASSES, LikelihoodClass

BUILD_STATES: tuple[BuildState, ...] = get_args(BuildState)
CLASSES: tuple[LikelihoodClass, ...] = LIKELIHOOD_CLASSES[::-1]

STEPS: Mapping[Cause, Mapping[BuildState, int]] = {
    "assembly": {"new_build": 1, "restored": 0, "untouched_and_old": -2},
    "adjustment": {"new_build": 1, "restored": 0, "untouched_and_old": -1},
    "wear": {"new_build": -3, "restored": -1, "untouched_and_old": 1},
    "exchange": {"new_build": 0, "restored": 1, "untouched_and_old": 0},
    "use": {},
    "chance": {},
}
"""How many classes likelier a fault is in each state than where nothing is known."""

REASONS: Mapping[Cause, str] = {
    "assembly": "slips of assembly show in new builds",
    "adjustment": "what has to be set is wrong most often when it was never set",
    "wear": "parts wear with age",
    "exchange": "tubes and transformers are exchanged in repairs",
    "use": "misuse knows no age",
    "chance": "chance failures know no age",
}
STATE_WORDS: Mapping[BuildState, str] = {
    "unknown": "nothing known",
    "new_build": "new build",
    "restored": "restored",
    "untouched_and_old": "untouched and old",
}
OLD_YEARS = 40.0
NEW_YEARS = 5.0


def level_in(level: LikelihoodClass, cause: Cause, state: BuildState) -> LikelihoodClass:
    """Return the class in one state of a fault that has `level` where nothing is known."""
    place = CLASSES.index(level) + STEPS[cause].get(state, 0)
    return CLASSES[min(max(place, 0), len(CLASSES) - 1)]


def state_of_age(years: float | None) -> BuildState:
    """Return the state that wear goes by at an age."""
    if years is None:
        return "unknown"
    if years >= OLD_YEARS:
        return "untouched_and_old"
    return "new_build" if years < NEW_YEARS else "unknown"


def in_state(
    fault: Fault, cause: Cause, circuit: Circuit, build: BuildState, age_years: float | None
) -> Fault:
    """Return a fault with its likelihood in one state."""
    base = fault.likelihood
    if base.by_part:
        return fault
    state = build
    if cause == "wear":
        own = _oldest(circuit, fault.parts)
        if own is not None or build == "unknown":
            state = state_of_age(age_years if own is None else own)
    level = level_in(base.level, cause, state)
    if level == base.level:
        return fault
    why = f"{base.source}; {STATE_WORDS[state]}: {REASONS[cause]}"
    return replace(fault, likelihood=likelihood(level, why))


def _oldest(circuit: Circuit, refs: Iterable[str]) -> float | None:
    """Return the age of the oldest of these parts, where a note gives one."""
    ages = [circuit[ref].note.age_years for ref in refs if ref in circuit.parts]
    return max((age for age in ages if age is not None), default=None)
