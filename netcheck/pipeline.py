"""The audit of one netlist, from text to the facts a report needs.

    text > Netlist > Circuit > Roles > faults > solutions > stresses > ranking > Audit

Values travel to the right and none is changed on the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from netcheck.analysis.drive import DrivenHealth, drive_healthy
from netcheck.analysis.faulted import COLD, IDLE, Bench
from netcheck.analysis.health import require_health
from netcheck.analysis.hookup import hookup_of
from netcheck.analysis.options import AuditOptions, Progress
from netcheck.circuit.build import build_circuit
from netcheck.circuit.checks import check_circuit
from netcheck.circuit.model import Circuit
from netcheck.faults import list_continuous, list_faults
from netcheck.judge.advice import advise, overdriven
from netcheck.judge.limits import limits_of
from netcheck.judge.stress import judge_state
from netcheck.netlist import read_netlist
from netcheck.rank import judge_fault, rank_faults, worst_of_parts
from netcheck.report.model import Audit
from netcheck.roles import recognise
from netcheck.solve.pool import Pool
from netcheck.solve.results import Outcome, Solved
from netcheck.tubes.library import load_library

__all__ = ["AuditOptions", "Progress", "audit", "audit_circuit", "load_circuit"]


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
    bench = Bench(circuit, options, pool)
    idle = require_health(circuit, roles, bench.healthy(IDLE))
    healthy: dict[str, Outcome] = {IDLE: idle, COLD: bench.healthy(COLD)}

    progress.start("faults at idle and at cold start", 2 * len(faults))
    conditions = bench.faulted(faults, idle, progress)
    progress.finish()
    table = limits_of(circuit, roles, _solved(healthy))
    sweeps = list_continuous(circuit, roles)
    progress.start("tipping points", 1)
    tipping = bench.tipping_points(sweeps, table, _solved(healthy))
    progress.finish()

    driven = DrivenHealth()
    if not options.idle_only:
        driven = drive_healthy(bench, roles, hookup, idle, table, progress)
        healthy |= driven.outcomes
        progress.start("driven faults", len(faults))
        conditions |= bench.driven(faults, hookup, driven, idle, progress)
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
        findings=(*findings, *overdriven(circuit, stresses), *advise(circuit, table, stresses)),
        assumptions=(*assumptions, *table.assumptions),
        not_judged=tuple(f"{gap.part}: {gap.reason}" for gap in table.not_judged),
        frequency_hz=options.frequency_hz,
        meter_ohm=options.meter_ohm or 0.0,
        engine=pool.engine,
    )


def _of_fault(conditions: Mapping[str, Sequence[Outcome]], number: int) -> dict[str, Outcome]:
    return {name: outcomes[number] for name, outcomes in conditions.items()}


def _solved(outcomes: Mapping[str, Outcome]) -> dict[str, Solved]:
    return {name: each for name, each in outcomes.items() if isinstance(each, Solved)}
