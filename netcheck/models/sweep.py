"""One continuous fault from nearly healthy to its worst: what the sweep found.

The pipeline builds one `SweepCurve`; writers of text, JSON, CSV and plots look
nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.faults.base import ContinuousFault
from netcheck.judge.base import LimitTable, Load
from netcheck.rank import RAISED
from netcheck.solve.results import Outcome, Solved, TubeState
from netcheck.tipping import TippingPoint


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One size, solved.

    outcomes and stresses: by condition.  tips: the tipping points at this size,
    which was solved because of them.
    """

    size: float
    outcomes: Mapping[str, Outcome]
    stresses: Mapping[str, tuple[Load, ...]]
    tips: tuple[TippingPoint, ...] = ()

    def worst(self, condition: str) -> Load | None:
        """Return the highest of the stresses that the fault has raised, against their limits."""
        every = self.stresses.get(condition, ())
        raised = [one for one in every if one.ratio - one.healthy_ratio > RAISED]
        return max(raised, key=lambda one: one.ratio, default=None)


@dataclass(frozen=True, slots=True)
class SweepCurve:
    """A continuous fault, solved from nearly healthy to its worst.

    points: in the order in which the fault grows.  healthy: by condition.
    """

    file: str
    circuit: Circuit
    fault: ContinuousFault
    points: tuple[SweepPoint, ...]
    healthy: Mapping[str, Solved]
    tipping: tuple[TippingPoint, ...]
    table: LimitTable
    conditions: tuple[str, ...]
    frequency_hz: float
    duty: float
    assumptions: tuple[str, ...]
    engine: str

    def tubes(self, condition: str = IDLE) -> tuple[str, ...]:
        """Return the tubes, the one whose heat the fault moves most first.

        Moves are measured against the tube's own limit, so that a driver of one watt
        counts beside an output tube of twenty-five.
        """
        return tuple(
            sorted(
                (tube.ref for tube in self.circuit.tubes if tube.has_pin("grid")),
                key=lambda ref: -self._move(ref, condition),
            )
        )

    def states(self, condition: str, tube: str) -> list[TubeState | None]:
        """Return one state of a tube a point; None where it was not solved."""
        outcomes = [point.outcomes.get(condition) for point in self.points]
        return [one.tubes.get(tube) if isinstance(one, Solved) else None for one in outcomes]

    def limit(self, part: str, quantity: str, condition: str) -> float | None:
        """Return a limit as compared."""
        for one in self.table.limits:
            if (one.part, one.quantity) == (part, quantity) and one.applies_in(condition):
                return one.compared_limit
        return None

    def _move(self, tube: str, condition: str) -> float:
        watts = [one.plate_dissipation_w for one in self.states(condition, tube) if one]
        limit = self.limit(tube, "plate_dissipation_w", condition) or 1.0
        return (max(watts) - min(watts)) / limit if watts else 0.0
