"""Fuses: how soon one opens at a multiple of its rated current.

Comes in: current over rated current.  Goes out: the shortest and the longest time in
which a fuse of IEC 60127-2 may open.  The standard gives gates, not a curve: at 1.5
times its rating a fuse must last an hour, at 2.1 times it must open within minutes,
from 2.75 times on within seconds.  Between two gates both ends are kept: it may be
as slow as at the gate below and as fast as at the gate above.  A netlist does not say
whether the fuse is fast or slow, so the gates of both are taken together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from netcheck.ratings.table import rows

Opening = Literal["opens", "may_open", "holds"]

SOON_S = 10.0
"""A fuse that must open within this is faster than a plate heats up (netcheck.judge.heat)."""
NO_TIME = "none"


@dataclass(frozen=True, slots=True)
class FuseTime:
    """When a fuse opens [s]; most_s None: it need not open at all.

    opening: `opens` within `SOON_S`; `may_open`, but then late or not at all; `holds`
    for an hour at least.
    """

    opening: Opening
    least_s: float
    most_s: float | None


@dataclass(frozen=True, slots=True)
class FuseGate:
    """One point of the standard: at `times_rating` it opens between two times [s]."""

    characteristic: str
    times_rating: float
    least_s: float
    most_s: float | None
    source: str


@cache
def fuse_gates() -> tuple[FuseGate, ...]:
    """Return the gates on file, by characteristic and multiple."""
    return tuple(
        FuseGate(
            row["characteristic"],
            float(row["times_rating"]),
            float(row["least_s"]),
            None if row["most_s"] == NO_TIME else float(row["most_s"]),
            row["source"],
        )
        for row in rows("fuse_gates")
    )


def fuse_time(times_rating: float) -> FuseTime:
    """Return how soon a fuse of unknown speed opens at a multiple of its rating."""
    below = [gate for gate in fuse_gates() if gate.times_rating <= times_rating]
    above = [gate for gate in fuse_gates() if gate.times_rating >= times_rating]
    slowest: list[float | None] = []
    quickest: list[float] = []
    for name in sorted({gate.characteristic for gate in fuse_gates()}):
        passed = [gate.most_s for gate in below if gate.characteristic == name]
        slowest.append(passed[-1] if passed else None)
        ahead = [gate.least_s for gate in above if gate.characteristic == name]
        quickest.append(_sooner(ahead) if ahead else 0.0)
    known = [most for most in slowest if most is not None]
    most_s = max(known) if len(known) == len(slowest) else None
    lasts = min(gate.times_rating for gate in fuse_gates())
    if times_rating <= lasts:
        return FuseTime(
            "holds", min(gate.least_s for gate in fuse_gates() if not gate.most_s), None
        )
    soon = most_s is not None and most_s <= SOON_S
    return FuseTime("opens" if soon else "may_open", min(quickest), most_s)


def _sooner(ahead: list[float]) -> float:
    """Return the least time of the next gate that states one; 0 where none does."""
    return next((least for least in ahead if least), 0.0)
