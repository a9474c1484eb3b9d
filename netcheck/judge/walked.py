"""A continuous fault, walked from nearly healthy through its tipping point at idle.

A `Walk` is what a reader with a slider needs: sizes in the order in which the fault
grows, what was solved at each, and how that compares with the limits.
"""

from __future__ import annotations

from dataclasses import dataclass

from netcheck.judge.base import Load
from netcheck.solve.results import Outcome


@dataclass(frozen=True, slots=True)
class WalkStep:
    """One size of the fault.

    tips: it is the smallest size found to be enough for one of the victims.
    """

    size: float
    outcome: Outcome
    stresses: tuple[Load, ...]
    tips: bool = False


@dataclass(frozen=True, slots=True)
class Walk:
    """One continuous fault at idle; steps grow worse."""

    fault_id: str
    parts: tuple[str, ...]
    kind: str
    unit: str
    steps: tuple[WalkStep, ...]
