"""The audit of one netlist, from text to the facts a report needs.

    text > Netlist > Circuit > Roles > faults > solutions > stresses > ranking > Audit

Values travel to the right and none is changed on the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from netcheck.analysis.drive import DrivenHealth, drive_healthy
from netcheck.analysis.health import require_health
from netcheck.analysis.hookup import hookup_of
from netcheck.analysis.options import AuditOptions, Progress
from netcheck.analysis.sweep import DrivenTask, IdleTask, driven_outcomes, idle_outcomes
from netcheck.circuit.build import build_circuit
from netcheck.circuit.changes import ScaleEmission, apply_changes
from netcheck.circuit.checks import check_circuit
from netcheck.circuit.model import GROUND, Circuit
from netcheck.faults import list_continuous, list_faults
from netcheck.faults.base import Fault
from netcheck.judge.advice import advise
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.netlist import read_netlist
from netcheck.rank import judge_fault, rank_faults, worst_of_parts
from netcheck.report.model import Audit
from netcheck.roles import recognise
from netcheck.solve.idle import meter_matters
from netcheck.solve.pool import Pool, Shared
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.tipping import TippingPoint, find_all
from netcheck.tubes.library import load_library

__all__ = ["AuditOptions", "Progress", "audit", "audit_circuit", "load_circuit"]

IDLE, COLD = "idle", "cold_start"


def audit(path: Path, options: AuditOptions, progress: Progress) -> Audit:
    """Audit one netlist; raises NetcheckError where that cannot be done."""
    with Pool(options.jobs, options.time_limit_s) as pool:
        circuit = load_circuit(path)
        return audit_circuit(circuit, path.as_posix(), options, pool, progress)


def load_circuit(path: Path) -> Circuit:
    """Read a netlist and build its circuit."""
    library = load_library()
    return build_circuit(read_netlist(path, is_tube=library.is_tube), library)


def audit_circuit(
    circuit: Circuit, name: str, options: AuditOptions, pool: Pool, progress: Progress
) -> Audit:
    """Audit a circuit that has been built."""
    findings = (*circuit.findings, *check_circuit(circuit))
    roles = recognise(circuit)
    faults = list_faults(circuit, roles)
    hookup, assumptions = hookup_of(circuit, roles)
    sweep = _IdleSweep(circuit, options, pool)
    idle = require_health(circuit, roles, sweep.healthy(IDLE))
    table = limits_of(circuit, roles, {IDLE: idle})

    progress.start("faults at idle and at cold start", 2 * len(faults))
    sweep.meter_nets = meter_matters(idle)
    conditions = {
        name: sweep.outcomes([fault.changes for fault in faults], name, progress)
        for name in (IDLE, COLD)
    }
    progress.finish()
    healthy: dict[str, Outcome] = {IDLE: idle, COLD: sweep.healthy(COLD)}
    tipping = _tipping_points(sweep, circuit, roles, table, _solved(healthy))

    driven = DrivenHealth()
    if not options.idle_only:
        progress.start("driven faults", len(faults) + 13)
        driven = drive_healthy(
            pool,
            sweep.shared[IDLE],
            circuit,
            roles,
            hookup,
            options.frequency_hz,
            idle,
            table,
            progress.advance,
        )
        healthy |= driven.outcomes
        conditions |= _driven(sweep, hookup, driven, idle, faults, options, progress)
        progress.finish()
        if driven.reason:
            assumptions = (*assumptions, f"not driven: {driven.reason}")

    known = _solved(healthy)
    table = limits_of(circuit, roles, known)
    results = rank_faults(
        judge_fault(fault, _of_fault(conditions, number), circuit, table, known)
        for number, fault in enumerate(faults)
    )
    stresses = tuple(
        stress for state in known.values() for stress in judge_state(circuit, table, state, known)
    )
    return Audit(
        file=name,
        circuit=circuit,
        roles=roles,
        healthy=healthy,
        healthy_stresses=stresses,
        worst_drive=driven.worst,
        faults=results,
        worst_of_part=worst_of_parts(results),
        tipping_points=tipping,
        findings=(*findings, *advise(circuit, table, stresses)),
        assumptions=(*assumptions, *table.assumptions),
        not_judged=tuple(f"{gap.part}: {gap.reason}" for gap in table.not_judged),
        frequency_hz=options.frequency_hz,
        meter_ohm=options.meter_ohm or 0.0,
        engine=pool.engine,
    )


class _IdleSweep:
    """Operating points of the circuit, warm and cold, with and without faults."""

    def __init__(self, circuit: Circuit, options: AuditOptions, pool: Pool) -> None:
        self.pool = pool
        self.meter_ohm = options.meter_ohm
        self.meter_nets = tuple(net for net in circuit.nets if net != GROUND)
        cold = apply_changes(circuit, tuple(ScaleEmission(t.ref, 0.0) for t in circuit.tubes))
        self.shared: Mapping[str, Shared] = {
            IDLE: pool.share(IDLE, circuit),
            COLD: pool.share(COLD, cold),
        }

    def healthy(self, condition: str) -> Outcome:
        """Return the healthy state under a condition."""
        return idle_outcomes(self.pool, self._task(condition), [()])[0]

    def outcomes(
        self, variants: Sequence[tuple[object, ...]], condition: str, progress: Progress | None
    ) -> list[Outcome]:
        """Return the state of each variant under a condition."""
        task = self._task(condition)
        if progress is None:
            return idle_outcomes(self.pool, replace(task, meter_nets=()), variants)  # type: ignore[arg-type]
        return idle_outcomes(self.pool, task, variants, progress.advance)  # type: ignore[arg-type]

    def _task(self, condition: str) -> IdleTask:
        return IdleTask(self.shared[condition], condition, self.meter_nets, self.meter_ohm)


def _tipping_points(
    sweep: _IdleSweep, circuit: Circuit, roles: object, table: object, healthy: Mapping[str, Solved]
) -> tuple[TippingPoint, ...]:
    def solve_batch(faults: Sequence[Fault]) -> list[Outcome]:
        return sweep.outcomes([fault.changes for fault in faults], IDLE, None)

    def judge(outcome: Outcome) -> tuple[object, ...]:
        if isinstance(outcome, NotSolved):
            return ()
        return judge_state(circuit, table, outcome, healthy)  # type: ignore[arg-type]

    return find_all(list_continuous(circuit, roles), solve_batch, judge)  # type: ignore[arg-type]


def _driven(
    sweep: _IdleSweep,
    hookup: object,
    driven: DrivenHealth,
    idle: Solved,
    faults: Sequence[Fault],
    options: AuditOptions,
    progress: Progress,
) -> dict[str, list[Outcome]]:
    """Drive every fault at the levels found for the healthy circuit."""
    if not driven.levels:
        names = ("full", "overdrive")
        return {
            name: [NotSolved(name, f"not driven: {driven.reason}") for _ in faults]
            for name in names
        }
    pool = sweep.pool
    task = DrivenTask(
        sweep.shared[IDLE],
        hookup,  # type: ignore[arg-type]
        options.frequency_hz,
        driven.levels,
        pool.share("starts", driven.starts),
        pool.share("healthy idle", idle),
    )
    answers = driven_outcomes(pool, task, [fault.changes for fault in faults], progress.advance)
    return {name: [answer[name] for answer in answers] for name in driven.levels}


def _of_fault(conditions: Mapping[str, Sequence[Outcome]], number: int) -> dict[str, Outcome]:
    return {name: outcomes[number] for name, outcomes in conditions.items()}


def _solved(outcomes: Mapping[str, Outcome]) -> dict[str, Solved]:
    return {name: each for name, each in outcomes.items() if isinstance(each, Solved)}
