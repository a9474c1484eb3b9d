"""The healthy circuit, made one way for every command.

Comes in: the circuit on the pool.  Goes out: a `Baseline`: what stands where, where the
signal goes in, the healthy outcomes, the limits they give and every load judged by them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from netcheck.circuit.changes import ReplaceTube, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.conditions import COLD_START, IDLE
from netcheck.faults.base import Fault
from netcheck.faults.windings import estimated_wires
from netcheck.judge.base import GROSS_RATIO, LimitTable, Load
from netcheck.judge.duty import CONTINUOUS, at_duty
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.roles import recognise
from netcheck.roles.base import Roles
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved
from netcheck.workbench.drive import ELECTRODES
from netcheck.workbench.faulted import Bench
from netcheck.workbench.health import require_health
from netcheck.workbench.hookup import hookup_of


@dataclass(frozen=True, slots=True)
class Baseline:
    """The healthy circuit that faults are compared with.

    outcomes: by condition, `NotSolved` included.  states: those of them that were solved.
    table: limits, ratings that are assumed included, from all the states.
    stresses: every judged quantity of every state, in the order of the states.
    """

    circuit: Circuit
    roles: Roles
    hookup: Hookup
    assumptions: tuple[str, ...]
    outcomes: Mapping[str, Outcome]
    states: Mapping[str, Solved]
    table: LimitTable
    stresses: tuple[Load, ...]

    @property
    def idle(self) -> Solved:
        """The state without a signal; KeyError where that was not solved."""
        return self.states[IDLE]

    def judged(self, state: Solved, fault: Fault | None = None) -> tuple[Load, ...]:
        """Return every judged quantity of a state of this circuit, with a fault or without."""
        table = self.table_for(fault) if fault else self.table
        return judge_state(self.circuit, table, state, self.states)

    def table_for(self, fault: Fault) -> LimitTable:
        """Return the limits a fault is judged by: a tube of another type brings its own.

        What the fault adds is by what the right tube takes of its own limits.
        """
        replaced = tuple(one for one in fault.changes if isinstance(one, ReplaceTube))
        if not replaced:
            return self.table
        theirs = limits_of(apply_changes(self.circuit, replaced), self.roles, self.states)
        return replace(theirs, in_health=self.table.limits)

    def having(self, outcomes: Mapping[str, Outcome], duty: float = CONTINUOUS) -> Baseline:
        """Return the same circuit with these outcomes, its limits and loads made anew."""
        return baseline_of(self.circuit, outcomes, self.roles, duty)


def baseline_of(
    circuit: Circuit,
    outcomes: Mapping[str, Outcome],
    roles: Roles | None = None,
    duty: float = CONTINUOUS,
) -> Baseline:
    """Return the baseline of a circuit that has been solved; what failed is kept as it is.

    duty: of the heat under drive; ratings that are assumed are those for a continuous signal.
    """
    roles = recognise(circuit) if roles is None else roles
    table = limits_of(circuit, roles, _solved(outcomes))
    outcomes = at_duty(outcomes, duty)
    states = _solved(outcomes)
    stresses = tuple(
        one for state in states.values() for one in judge_state(circuit, table, state, states)
    )
    hookup, assumptions = hookup_of(circuit, roles)
    assumptions = (*assumptions, *estimated_wires(circuit, roles))
    return Baseline(circuit, roles, hookup, assumptions, outcomes, states, table, stresses)


def _solved(outcomes: Mapping[str, Outcome]) -> dict[str, Solved]:
    return {name: one for name, one in outcomes.items() if isinstance(one, Solved)}


def solve_at_idle(bench: Bench, roles: Roles | None = None) -> Baseline:
    """Solve the healthy circuit at idle, and say so in the outcome where that fails."""
    return baseline_of(bench.circuit, {IDLE: bench.healthy(IDLE)}, roles)


def solve_at_rest(bench: Bench, roles: Roles, *, cold: bool) -> Baseline:
    """Solve the healthy circuit without a signal, tubes warm and, if wanted, cold.

    Raises UnanswerableError where it does not solve or none of its tubes conducts.
    """
    idle = bench.healthy(IDLE)
    bench.pool.heed_stop()
    outcomes: dict[str, Outcome] = {IDLE: require_health(bench.circuit, roles, idle)}
    if cold:
        outcomes[COLD_START] = bench.healthy(COLD_START)
    return baseline_of(bench.circuit, outcomes, roles)


def gross_at_idle(
    base: Baseline, faults: Sequence[Fault], outcomes: Sequence[Outcome]
) -> dict[int, str]:
    """Return, by number, the faults that burn a tube at idle beyond what the ranking tells.

    A signal makes none of them graver: beyond `GROSS_RATIO` a ratio says nothing more,
    and such faults are ordered by how likely they are.
    """
    found: dict[int, str] = {}
    for number, outcome in enumerate(outcomes):
        if isinstance(outcome, NotSolved):
            continue
        burnt = [
            stress
            for stress in base.judged(outcome, faults[number])
            if stress.quantity in ELECTRODES and stress.ratio >= GROSS_RATIO and stress.is_charged
        ]
        if burnt:
            worst = max(burnt, key=lambda stress: stress.ratio)
            electrode = worst.quantity.split("_", 1)[0]
            found[number] = (
                f"at idle the {electrode} of {worst.part} is already at "
                f"{worst.ratio:.1f} times its limit"
            )
    return found
