"""The circuit with each fault in it, under every condition.

Comes in: the circuit, its faults, and the pool.  Goes out: by condition one outcome
a fault, in the order of the faults, and the tipping points of those that have a
size.  Net volts are read with the meter connected where its load matters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from netcheck.circuit.changes import (
    AddCurrentSource,
    AddResistor,
    Change,
    DriveLevel,
    ScaleEmission,
    apply_changes,
    drives_itself,
)
from netcheck.circuit.model import GROUND, Circuit
from netcheck.conditions import COLD_START, FULL, IDLE, OVERDRIVE
from netcheck.faults.base import ContinuousFault, Fault
from netcheck.judge.base import LimitTable, Load
from netcheck.solve.idle import meter_matters
from netcheck.solve.pool import Pool, Shared
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved, StartState
from netcheck.tipping import TippingPoint, find_all
from netcheck.workbench.drive import DrivenHealth
from netcheck.workbench.settings import Progress, Settings
from netcheck.workbench.sweep import (
    DrivenTask,
    IdleTask,
    driven_outcomes,
    idle_outcomes,
    idle_overloads,
)

DRIVEN = (FULL, OVERDRIVE)


NONE_GROSS: Mapping[int, str] = MappingProxyType({})


class Bench:
    """The circuit on the pool, warm and cold, ready to be solved with any fault.

    bare_windings: as in `Hookup`; given where it is asked whether idle is stable.
    """

    def __init__(
        self,
        circuit: Circuit,
        options: Settings,
        pool: Pool,
        bare_windings: tuple[tuple[str, str], ...] | None = None,
    ) -> None:
        # a rectifier conducts at once or first of all: that is what puts B+ on cold tubes
        cold_tubes = (tube.ref for tube in circuit.tubes if tube.has_pin("grid"))
        cold = apply_changes(circuit, tuple(ScaleEmission(ref, 0.0) for ref in cold_tubes))
        self.circuit = circuit
        self.options = options
        self.pool = pool
        self.bare_windings = bare_windings
        self._absent: dict[str, AddResistor | AddCurrentSource] = {}
        self.shared: Mapping[str, Shared] = {
            IDLE: pool.share(IDLE, circuit),
            COLD_START: pool.share(COLD_START, cold),
        }

    def healthy(self, condition: str) -> Outcome:
        """Return the healthy state under a condition."""
        nets = tuple(net for net in self.circuit.nets if net != GROUND)
        meter_nets = nets if condition == IDLE else ()
        return idle_outcomes(self.pool, self._watched(condition, meter_nets), [()])[0]

    def faulted(
        self, faults: Sequence[Fault], healthy: Solved, progress: Progress
    ) -> dict[str, list[Outcome]]:
        """Return the operating points of every fault, warm and cold."""
        order = self._order(faults)
        variants = [faults[number].changes for number in order]
        self._note_absent(variants)
        meter_nets = meter_matters(healthy)
        outcomes: dict[str, list[Outcome]] = {}
        for condition, nets in ((IDLE, meter_nets), (COLD_START, ())):
            task = replace(self._watched(condition, nets), healthy=self._share_idle(healthy))
            found = idle_outcomes(self.pool, task, variants, progress.advance)
            placed = dict(zip(order, found, strict=True))
            outcomes[condition] = [placed[number] for number in range(len(faults))]
        return outcomes

    def _order(self, faults: Sequence[Fault]) -> list[int]:
        """Return the numbers of faults as they are solved: the likeliest first if time is short."""
        numbers = list(range(len(faults)))
        if self.options.budget is not None:
            numbers.sort(key=lambda number: -faults[number].likelihood.value)
        return numbers

    def tipping_points(
        self, faults: Sequence[ContinuousFault], table: LimitTable, healthy: Mapping[str, Solved]
    ) -> tuple[TippingPoint, ...]:
        """Return how small a defect is enough, at idle."""
        judging = self.pool.share("judging", (table, dict(healthy)))

        def solve_batch(batch: Sequence[Fault]) -> Sequence[NotSolved | tuple[Load, ...]]:
            variants = [fault.changes for fault in batch]
            self._note_absent(variants)
            return idle_overloads(self.pool, self._task(IDLE, ()), judging, variants)

        return find_all(faults, solve_batch)

    def driven(
        self,
        faults: Sequence[Fault],
        hookup: Hookup,
        health: DrivenHealth,
        idle: Solved,
        progress: Progress,
        gross: Mapping[int, str] = NONE_GROSS,
    ) -> dict[str, list[Outcome]]:
        """Drive every fault at the levels found for the healthy circuit.

        gross: why a fault, by its number, is not worth it.
        """
        if not health.levels:
            reason = f"not driven: {health.reason}"
            return {name: [NotSolved(name, reason) for _ in faults] for name in DRIVEN}
        progress.advance(len(gross))
        order = [number for number in self._order(faults) if number not in gross]
        in_order = [faults[number] for number in order]
        task = self.driven_task(hookup, health.levels, health.starts, idle)
        answers = self.driven_sizes(task, in_order, progress)
        by_fault: dict[int, Mapping[str, Outcome]] = dict(zip(order, answers, strict=True))
        for number, reason in gross.items():
            by_fault[number] = {
                name: NotSolved(name, f"not driven: {reason}", level, skipped=True)
                for name, level in health.levels.items()
            }
        return {
            name: [by_fault[number][name] for number in range(len(faults))]
            for name in health.levels
        }

    def driven_task(
        self,
        hookup: Hookup,
        levels: Mapping[str, float],
        starts: Mapping[str, StartState],
        idle: Solved,
    ) -> DrivenTask:
        """Return what stays the same over driven runs; starts: where health settled."""
        return DrivenTask(
            self.shared[IDLE],
            hookup,
            self.options.frequency_hz,
            levels,
            self.pool.share("starts", starts),
            self._share_idle(idle),
        )

    def driven_sizes(
        self, task: DrivenTask, faults: Sequence[Fault], progress: Progress | None = None
    ) -> list[Mapping[str, Outcome]]:
        """Return the outcomes of every fault, relatives solved one from the other."""
        families: dict[tuple[tuple[str, ...], str], list[int]] = {}
        for number, fault in enumerate(faults):
            families.setdefault((fault.parts, fault.family), []).append(number)
        variants = [[faults[number].changes for number in family] for family in families.values()]
        advance = progress.advance if progress else lambda count: None
        in_turn = self.options.budget is not None
        answers = driven_outcomes(self.pool, task, variants, advance, in_turn=in_turn)
        places = [number for family in families.values() for number in family]
        by_number = dict(zip(places, answers, strict=True))
        return [by_number[number] for number in range(len(faults))]

    def _task(self, condition: str, meter_nets: tuple[str, ...]) -> IdleTask:
        absent = tuple(self._absent.values())
        meter_ohm = self.options.meter_ohm
        return IdleTask(self.shared[condition], condition, meter_nets, meter_ohm, absent=absent)

    def _watched(self, condition: str, meter_nets: tuple[str, ...]) -> IdleTask:
        """Return a task that also says of idle whether it is stable."""
        asked = self.bare_windings if condition == IDLE else None
        return replace(self._task(condition, meter_nets), bare_windings=asked)

    def _note_absent(self, variants: Sequence[tuple[Change, ...]]) -> None:
        """Remember the parts that changes put in, for the deck all of them share."""
        for change in (change for changes in variants for change in changes):
            if isinstance(change, AddResistor | AddCurrentSource):
                self._absent.setdefault(change.name, change)

    def _share_idle(self, idle: Solved) -> Shared:
        return self.pool.share("healthy idle", idle)


def sustained(
    faults: Sequence[Fault],
    conditions: Mapping[str, Sequence[Outcome]],
    healthy: Mapping[str, Outcome],
) -> dict[str, list[Outcome]]:
    """Return the outcomes with those of faults that drive the circuit themselves.

    What such a fault does, at rest and with a signal, is what the healthy circuit does
    under the driven condition that the fault names; where that was not solved its rows
    stay as they are.  Cold tubes do not drive anything.
    """
    outcomes = {name: list(each) for name, each in conditions.items()}
    for number, fault in enumerate(faults):
        for change in fault.changes:
            if isinstance(change, DriveLevel):
                driven = healthy.get(change.condition)
                for name in outcomes.keys() - {COLD_START}:
                    if isinstance(driven, Solved):
                        outcomes[name][number] = replace(driven, condition=name)
    return outcomes


def needs_drive(fault: Fault) -> bool:
    """Say whether a fault can be judged only where the circuit is driven."""
    return drives_itself(fault.changes)
