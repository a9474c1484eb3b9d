"""Which fault a fuse ends, and which cooks quietly below it.

Comes in: the circuit with its fuses (resistors noted `fuse=500mA`), what was solved of a
fault, and the verdict under each condition.  Goes out: the fuse that carries most under
each condition, when it opens, and whether an overload goes on without any fuse that
opens soon: that one is dangerous, since nothing shows until something burns.

A fuse heats with the square of its current: the rms value counts.  The states are
steady ones: the surge of switching on is not in them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from netcheck.circuit.model import Circuit
from netcheck.judge.base import Load, Verdict
from netcheck.ratings.fuses import FuseTime, fuse_time
from netcheck.solve.results import Outcome, Solved

FuseWord = Literal["opens", "may_open", "holds", "no_fuse", "unknown"]


@dataclass(frozen=True, slots=True)
class FuseLoad:
    """One fuse under one condition, and when it opens."""

    part: str
    condition: str
    current_a: float
    rating_a: float
    time: FuseTime

    @property
    def times_rating(self) -> float:
        """Current over rated current."""
        return self.current_a / self.rating_a


@dataclass(frozen=True, slots=True)
class Fused:
    """What the fuses do about a fault.

    word: of the fuse that is first to open, under any condition that was solved;
    `no_fuse` where the netlist has none, `unknown` where nothing was solved.  quiet: a
    part gets too hot under a condition in which no fuse opens soon.
    """

    word: FuseWord
    hardest: FuseLoad | None
    quiet: bool


def has_fuse(circuit: Circuit) -> bool:
    """Say whether the netlist has a fuse that can be solved."""
    return any(part.note.fuse_a and part.kind == "resistor" for part in circuit)


def fused(
    circuit: Circuit,
    conditions: Mapping[str, Outcome],
    verdicts: Mapping[str, Verdict],
    victims: Iterable[Load],
) -> Fused:
    """Return what the fuses do about what was solved of one fault.

    victims: what the fault is charged with; volts alone heat nothing.
    """
    cooks = any(_is_heat(one) and one.level == "over_limit" for one in victims)
    over = [name for name, verdict in verdicts.items() if cooks and verdict == "over_limit"]
    if not has_fuse(circuit):
        return Fused("no_fuse", None, bool(over))
    first = {
        name: min(loads, key=_order)
        for name, outcome in conditions.items()
        if isinstance(outcome, Solved) and (loads := list(fuse_loads(circuit, outcome)))
    }
    if not first:
        return Fused("unknown", None, False)
    hardest = min(first.values(), key=_order)
    quiet = any(name in first and first[name].time.opening != "opens" for name in over)
    return Fused(hardest.time.opening, hardest, quiet)


def fuse_loads(circuit: Circuit, state: Solved) -> Iterator[FuseLoad]:
    """Yield every fuse with its current in a solved state."""
    for part in circuit:
        rating_a = part.note.fuse_a
        if not rating_a or part.kind != "resistor" or part.ref not in state.parts:
            continue
        current_a = abs(state.parts[part.ref].rms_current_a)
        time = fuse_time(current_a / rating_a)
        yield FuseLoad(part.ref, state.condition, current_a, rating_a, time)


def _is_heat(stress: Load) -> bool:
    return stress.quantity.endswith(("_w", "current_a"))


def _order(load: FuseLoad) -> tuple[float, str, str]:
    return (-load.times_rating, load.part, load.condition)
