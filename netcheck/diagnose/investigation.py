"""One investigation: readings and evidence so far, and what they make of the causes.

Comes in: a dictionary, readings and other evidence, one after another.  Goes out: the
posterior, and the next measurement, or why there is none.  A measurement with the tubes
in at full mains is refused while it may mean keeping a red-plating tube on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from netcheck.diagnose.dictionary import Dictionary, Point
from netcheck.diagnose.evidence import (
    Evidence,
    HeatSigns,
    Signs,
    evidence_likelihood,
    unmodelled_likelihood,
)
from netcheck.diagnose.hypotheses import Hypotheses, hypotheses_of
from netcheck.diagnose.next_probe import Proposal, candidates, propose
from netcheck.diagnose.plan import Plan, Wanted
from netcheck.diagnose.posterior import Posterior, weigh
from netcheck.diagnose.readings import Reading
from netcheck.diagnose.ripple import ripple_likelihood
from netcheck.diagnose.situations import IDLE, POWER_OFF, TUBES_OUT, reduced
from netcheck.faults import list_continuous
from netcheck.faults.base import ContinuousFault, Fault

Array = NDArray[np.float64]

STANDS_OUT = 0.9
"""A cause with more is singled out."""
HOT_RATIO, HOT_RISK = 1.2, 0.1
"""A plate this far over its limit, with this probability, is not kept on to be read."""
SAFER = reduced(0.6)
"""Where tubes are read while full mains are refused."""


@dataclass(frozen=True)
class Basis:
    """What stays the same while readings come in.

    safer: whether reduced mains may be asked for, which may have to be solved first.
    left_out: families of faults that are not weighed.
    """

    dictionary: Dictionary
    safer: bool = True
    left_out: frozenset[str] = frozenset()

    @cached_property
    def plan(self) -> Plan:
        """The bench sheet's points."""
        return Plan(self.dictionary.circuit, self.dictionary.roles)

    @cached_property
    def heat(self) -> HeatSigns:
        """How hot parts get, by row."""
        return HeatSigns(self.dictionary)

    @cached_property
    def reasons(self) -> list[str]:
        """Why a row cannot be weighed, by row."""
        reasons = self.dictionary.reasons((TUBES_OUT.key, IDLE.key))
        for row, fault in enumerate(self.dictionary.faults, start=1):
            if fault.family in self.left_out:
                reasons[row] = "left out on purpose"
        return reasons

    @cached_property
    def swept(self) -> Mapping[tuple[tuple[str, ...], str], tuple[ContinuousFault, ...]]:
        """Faults that can be of any size, by parts and kind.

        What drifts is swept up and down as two kinds, and is one on file.
        """
        table: dict[tuple[tuple[str, ...], str], tuple[ContinuousFault, ...]] = {}
        for one in list_continuous(self.dictionary.circuit, self.dictionary.roles):
            for kind in {one.kind, one.kind.removesuffix("_up").removesuffix("_down")}:
                table[one.parts, kind] = (*table.get((one.parts, kind), ()), one)
        return table

    def of_size(self, fault: Fault, size: float) -> Fault | None:
        """Return a fault like one on file, of another size; None where no sweep has it."""
        for one in self.swept.get((fault.parts, fault.kind), ()):
            low, high = sorted((one.from_value, one.to_value))
            if low <= size <= high:
                made = one.make(size)
                return replace(
                    made, kind=fault.kind, id=made.id.replace(f"/{made.kind}", f"/{fault.kind}")
                )
        return None

    @cached_property
    def hypotheses(self) -> Hypotheses:
        """Causes and sizes."""
        return hypotheses_of(self.dictionary.faults, self.reasons, self.swept)


@dataclass(frozen=True)
class Investigation:
    """Readings and evidence so far."""

    basis: Basis
    readings: tuple[Reading, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    passed: frozenset[str] = frozenset()
    """Points that were asked for and cannot be read, as `V(g4)@idle`."""

    @cached_property
    def evidence_by_row(self) -> Array:
        """How likely each piece of evidence is: (evidence, rows)."""
        dictionary, heat = self.basis.dictionary, self.basis.heat
        faults = (None, *dictionary.faults)
        table = np.ones((len(self.evidence), len(faults)))
        for row, fault in enumerate(faults):
            if self.basis.reasons[row] or not self.evidence:
                continue
            signs = Signs(*heat.at(row))
            table[:, row] = [
                evidence_likelihood(one, fault, signs, dictionary.circuit, dictionary.roles)
                for one in self.evidence
            ]
        return table

    @cached_property
    def evidence_by_node(self) -> Array:
        """How likely each piece of evidence is: (evidence, nodes)."""
        known = self.basis.hypotheses
        table = self.evidence_by_row
        return np.asarray(
            (1.0 - known.share) * table[:, known.low] + known.share * table[:, known.high]
        )

    @property
    def metered(self) -> tuple[Reading, ...]:
        """The readings that have a figure."""
        return tuple(one for one in self.readings if one.kind != "ripple")

    @property
    def ripples(self) -> tuple[Reading, ...]:
        """The readings that are yes or no."""
        return tuple(one for one in self.readings if one.kind == "ripple")

    @cached_property
    def ripple_by_node(self) -> Array:
        """How likely each yes or no is: (ripples, nodes)."""
        dictionary, known = self.basis.dictionary, self.basis.hypotheses
        table = np.array(
            [
                [
                    ripple_likelihood(one, fault, dictionary.circuit, dictionary.roles)
                    for fault in (None, *dictionary.faults)
                ]
                for one in self.ripples
            ]
        ).reshape(len(self.ripples), len(dictionary.faults) + 1)
        return np.asarray(
            (1.0 - known.share) * table[:, known.low] + known.share * table[:, known.high]
        )

    @cached_property
    def posterior(self) -> Posterior:
        """What is known."""
        none = float(np.prod([unmodelled_likelihood(one) for one in self.evidence]))
        return weigh(
            self.basis.dictionary,
            self.basis.hypotheses,
            self.metered,
            self.evidence_by_node.prod(axis=0) * self.ripple_by_node.prod(axis=0),
            none * 0.5 ** len(self.ripples),
        )

    @cached_property
    def hot_risk(self) -> float:
        """How likely a plate is well over its limit at full mains, tubes in."""
        if any(one.kind == "glow" and one.word == "yes" for one in self.evidence):
            return 1.0
        posterior, hottest = self.posterior, self.basis.heat.hottest_plate()
        if len(hottest) == 1:
            return 0.0
        known = posterior.hypotheses
        hot = (hottest[known.low] > HOT_RATIO) | (hottest[known.high] > HOT_RATIO)
        return float(posterior.node[hot].sum())

    @cached_property
    def situations(self) -> tuple[str, ...]:
        """In which situations something may be read next."""
        safe = (POWER_OFF.key, TUBES_OUT.key)
        if self.hot_risk <= HOT_RISK:
            return (*safe, IDLE.key)
        if self.basis.safer or self.basis.dictionary.has(SAFER.key):
            return (*safe, SAFER.key)
        return safe

    @cached_property
    def refused(self) -> tuple[str, ...]:
        """What may not be read next, and why."""
        if IDLE.key in self.situations:
            return ()
        further = "" if SAFER.key in self.situations else "; `--interactive` goes on at 60 % of it"
        risk = f"{self.hot_risk * 100.0:.0f} %"
        return (
            f"readings at full mains with the tubes in: with a probability of {risk} a plate is "
            f"well over its limit, and would have to be kept so while you read{further}",
        )

    @cached_property
    def proposals(self) -> list[Proposal]:
        """What to read next, the most bits per effort first."""
        safe = tuple(key for key in self.situations if key != SAFER.key)
        found = self._proposed(safe)
        if not found and SAFER.key in self.situations:
            found = self._proposed((SAFER.key,))
        return found

    def _proposed(self, situations: Sequence[str]) -> list[Proposal]:
        return propose(self.basis.dictionary, self.posterior, self.points(situations))

    def points(self, situations: Sequence[str]) -> list[tuple[Point, Wanted]]:
        """Return what can still be read in some situations."""
        every = candidates(self.basis.plan, situations, self.readings)
        return [(point, wanted) for point, wanted in every if point.text not in self.passed]

    @cached_property
    def settled(self) -> str:
        """Why nothing more is asked; empty while there is a next measurement."""
        if float(self.posterior.every.max()) >= STANDS_OUT:
            return "one cause stands out"
        return "" if self.proposals else "no reading of the bench sheet splits what is left"

    def with_reading(self, reading: Reading) -> Investigation:
        """Return the investigation with one reading more."""
        return replace(self, readings=(*self.readings, reading))
