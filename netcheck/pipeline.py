"""The audit of one netlist, from text to the facts a report needs.

    text > Netlist > Circuit > Roles > faults > solutions > stresses > ranking > Audit

Values travel to the right and none is changed on the way.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from netcheck.circuit.build import build_circuit, own_tube_findings
from netcheck.circuit.checks import check_circuit
from netcheck.circuit.model import Circuit
from netcheck.circuit.sockets import sockets_of
from netcheck.conditions import IDLE
from netcheck.errors import UnanswerableError
from netcheck.faults import list_continuous, list_faults
from netcheck.faults.base import ContinuousFault, Fault
from netcheck.findings import Finding
from netcheck.judge.advice import advise, overdriven
from netcheck.judge.base import LimitTable
from netcheck.judge.duty import at_duty, duty_words
from netcheck.judge.paired import Pairs
from netcheck.judge.toleranced import Toleranced, compared_as_published
from netcheck.judge.unrest import unknown_stability
from netcheck.models.audit import NOT_ASKED, Audit, Undriven
from netcheck.models.sweep import SweepCurve, SweepPoint
from netcheck.models.view import check_view
from netcheck.netlist import read_netlist
from netcheck.netlist.lines import DEFAULT_LIMITS, ReadLimits
from netcheck.rank import FaultResult, judge_fault, rank_faults, worst_of_parts
from netcheck.roles import recognise
from netcheck.roles.base import Roles
from netcheck.solve.pool import INTERRUPTED, Pool
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved
from netcheck.tipping import TippingPoint
from netcheck.tubes.library import library_with
from netcheck.workbench.baseline import Baseline, gross_at_idle, solve_at_rest
from netcheck.workbench.bass import Bass, faults_in_the_bass
from netcheck.workbench.cycles import with_cycles
from netcheck.workbench.drive import DrivenHealth, drive_healthy
from netcheck.workbench.driven_corners import with_driven_corners
from netcheck.workbench.faulted import Bench, needs_drive, sustained
from netcheck.workbench.hookup import bare_windings
from netcheck.workbench.pairs import solve_pairs
from netcheck.workbench.runaway import FedBack, with_feedback
from netcheck.workbench.settings import Progress, Settings, Step, pool_of
from netcheck.workbench.tips import tipping_under_drive
from netcheck.workbench.tolerance import tolerance_of
from netcheck.workbench.walks import find_continuous, sweep_sizes, walk_faults
from netcheck.workbench.wiring import wiring_findings

__all__ = ["Progress", "Settings", "audit", "audit_circuit", "compare", "load_circuit", "sweep"]


def audit(path: Path, options: Settings, progress: Progress) -> Audit:
    """Audit one netlist; raises NetcheckError where that cannot be done."""
    with pool_of(options) as pool:
        circuit = load_circuit(path, options.tubes, options.read_limits)
        return audit_circuit(circuit, path.as_posix(), options, pool, progress)


def load_circuit(
    path: Path, tubes: Path | None = None, limits: ReadLimits = DEFAULT_LIMITS
) -> Circuit:
    """Read a netlist and build its circuit; `tubes` is a folder of the user's own types."""
    library = library_with(tubes)
    netlist = read_netlist(
        path, is_tube=library.is_tube, socket_of=sockets_of(library), limits=limits
    )
    circuit = build_circuit(netlist, library)
    return replace(circuit, findings=(*circuit.findings, *own_tube_findings(circuit, library)))


def audit_circuit(
    circuit: Circuit, name: str, options: Settings, pool: Pool, progress: Progress
) -> Audit:
    """Audit a circuit that has been built."""
    pool.allow(options.budget)
    roles = recognise(circuit)
    faults = _faults(circuit, roles, options)
    bench = Bench(circuit, options, pool, bare_windings(circuit, roles))
    rest = solve_at_rest(bench, roles, cold=True)
    idle, hookup, assumptions = rest.idle, rest.hookup, rest.assumptions
    fed_back = _at_rest(bench, roles, faults, idle, progress)
    conditions = fed_back.conditions
    swept = list_continuous(circuit, roles)
    with _step(progress, Step.TIPPING, 1):
        tipping = bench.tipping_points(swept, rest.table, rest.states)
    driven, bass, base, health = DrivenHealth(), Bass(), rest, rest.outcomes
    if not options.idle_only:
        lasting = with_cycles(bench, hookup, faults, conditions[IDLE], idle, progress)
        conditions = {**conditions, IDLE: lasting}
        driven = drive_healthy(bench, roles, hookup, idle, rest.table, progress)
        healthy = {**rest.outcomes, **driven.outcomes}
        gross = gross_at_idle(rest, faults, conditions[IDLE])
        more, bass = _drive_faults(bench, roles, hookup, driven, healthy, faults, progress, gross)
        conditions, health = {**conditions, **more}, {**bass.healthy, **healthy}
        base = rest.having(health, options.duty)
        tipping = tipping_under_drive(bench, base, driven, swept, tipping, progress)
        assumptions += _said_of_drive(options, driven, bass, len(faults))
    conditions = sustained(faults, conditions, health)
    known, table, stresses = base.states, base.table, base.stresses
    found = [_of_fault(conditions, place) | bass.of_fault(place) for place in range(len(faults))]
    results = _ranked(faults, found, base, options.duty)
    toleranced = _toleranced(bench, roles, hookup, table, known, progress)
    if toleranced is not None:
        stresses = compared_as_published(stresses, toleranced.limits, toleranced.driven)
    return Audit(
        file=name,
        circuit=circuit,
        roles=roles,
        healthy=base.outcomes,
        healthy_stresses=stresses,
        worst_drive=driven.worst,
        faults=results,
        worst_of_part=worst_of_parts(results),
        tipping_points=tipping,
        findings=_findings(bench, replace(base, stresses=stresses), results),
        assumptions=(*assumptions, *table.assumptions, *unknown_stability(idle)),
        not_judged=tuple(f"{gap.part}: {gap.reason}" for gap in table.not_judged),
        frequency_hz=options.frequency_hz,
        duty=options.duty,
        meter_ohm=options.meter_ohm or 0.0,
        engine=pool.engine,
        tolerance=toleranced,
        view=options.view,
        runaways=fed_back.runaways,
        pairs=_pairs(bench, results, table, known, progress),
        walks=walk_faults(bench, swept, tipping, table, known, progress),
        undriven=_undriven(options, driven),
        table=table,
        idle_loads=tuple(one for one in base.stresses if one.condition == IDLE),
    )


def _undriven(options: Settings, driven: DrivenHealth) -> Undriven | None:
    """Return why the healthy circuit was not driven, None where it was."""
    if options.idle_only:
        return NOT_ASKED
    return Undriven(driven.reason) if driven.reason else None


def _said_of_drive(
    options: Settings, driven: DrivenHealth, bass: Bass, faults: int
) -> tuple[str, ...]:
    """Return what was taken for granted under drive, or why there was none."""
    not_driven = (f"not driven: {driven.reason}",) if driven.reason else ()
    asked = (*bass.assumptions(faults, options.frequency_hz), *not_driven)
    return (*asked, *duty_words(options.duty))


def _drive_faults(
    bench: Bench,
    roles: Roles,
    hookup: Hookup,
    driven: DrivenHealth,
    healthy: Mapping[str, Outcome],
    faults: Sequence[Fault],
    progress: Progress,
    gross: Mapping[int, str],
) -> tuple[dict[str, list[Outcome]], Bass]:
    """Return every fault under drive, and at 100 Hz those for which that says more."""
    idle = healthy[IDLE]
    assert isinstance(idle, Solved)
    with _step(progress, Step.DRIVEN, len(faults)):
        conditions = bench.driven(faults, hookup, driven, idle, progress, gross)
    return conditions, faults_in_the_bass(bench, roles, faults, hookup, healthy, gross, progress)


@contextmanager
def _step(progress: Progress, step: Step, total: int) -> Iterator[None]:
    """Show one long step while it lasts."""
    progress.start(step, total)
    yield
    progress.finish()


def _faults(circuit: Circuit, roles: Roles, options: Settings) -> tuple[Fault, ...]:
    """Return the faults to try, once it is sure that what was asked for can be done."""
    faults = list_faults(circuit, roles, build=options.build, age_years=options.age_years)
    _check_number(faults, options)
    check_view(options.view, circuit, roles, faults)
    if options.idle_only:
        faults = tuple(fault for fault in faults if not needs_drive(fault))
    return faults


def _at_rest(
    bench: Bench, roles: Roles, faults: Sequence[Fault], idle: Solved, progress: Progress
) -> FedBack:
    """Return every fault at idle and at cold start, grid current with its feedback."""
    with _step(progress, Step.AT_REST, 2 * len(faults)):
        conditions = bench.faulted(faults, idle, progress)
    return with_feedback(bench, roles, faults, conditions, idle, progress)


def _findings(
    bench: Bench,
    base: Baseline,
    results: Sequence[FaultResult],
) -> tuple[Finding, ...]:
    circuit, stopped = bench.circuit, bench.pool.stopped
    return (
        *((_cut_short(stopped, results),) if stopped else ()),
        *circuit.findings,
        *check_circuit(circuit),
        *(() if stopped else wiring_findings(bench, base)),
        *overdriven(circuit, base.stresses),
        *advise(circuit, base.table, base.stresses),
    )


def _pairs(
    bench: Bench,
    results: Sequence[FaultResult],
    table: LimitTable,
    healthy: Mapping[str, Solved],
    progress: Progress,
) -> Pairs | None:
    """Return pairs of faults, where that is asked for."""
    if not bench.options.pairs or bench.pool.stopped:
        return None
    return solve_pairs(bench, results, table, healthy, progress)


def _toleranced(
    bench: Bench,
    roles: Roles,
    hookup: Hookup,
    table: LimitTable,
    healthy: Mapping[str, Solved],
    progress: Progress,
) -> Toleranced | None:
    """Return the healthy circuit over mains, parts and tubes, where that is asked for."""
    options, pool = bench.options.tolerance, bench.pool
    if options is None or pool.stopped:
        return None
    found = tolerance_of(pool, bench.shared[IDLE], bench.circuit, roles, table, options, progress)
    return with_driven_corners(found, bench, roles, hookup, table, healthy, progress)


def _ranked(
    faults: Sequence[Fault],
    outcomes: Sequence[Mapping[str, Outcome]],
    base: Baseline,
    duty: float,
) -> tuple[FaultResult, ...]:
    """Judge every fault, and rank them; outcomes: of each fault, by condition."""
    return rank_faults(
        judge_fault(fault, at_duty(found, duty), base.circuit, base.table_for(fault), base.states)
        for fault, found in zip(faults, outcomes, strict=True)
    )


def _check_number(faults: Sequence[Fault], options: Settings) -> None:
    if len(faults) > options.most_faults:
        raise UnanswerableError(
            f"the circuit has {len(faults)} faults to try, more than {options.most_faults}, "
            "the limit",
            hint=f"`--limit faults={len(faults)}` allows them",
        )


def _cut_short(stopped: str, results: Sequence[FaultResult]) -> Finding:
    """Return what to say of an audit that Ctrl-C or its budget ended."""
    lost = sum(
        any(isinstance(one, NotSolved) and one.reason == stopped for one in outcomes)
        for outcomes in (result.conditions.values() for result in results)
    )
    rest = (
        f"{lost} of {len(results)} faults were not solved under every condition; "
        "the ranking is of what was finished"
    )
    if stopped == INTERRUPTED:
        return Finding("interrupted", "error", f"interrupted: {rest}")
    return Finding(
        "out-of-budget", "error", f"{stopped}: {rest}", hint="a larger `--budget` allows more"
    )


def _of_fault(conditions: Mapping[str, Sequence[Outcome]], number: int) -> dict[str, Outcome]:
    return {name: outcomes[number] for name, outcomes in conditions.items()}


def sweep(
    path: Path,
    which: tuple[str, str],
    points: int,
    options: Settings,
    progress: Progress,
) -> SweepCurve:
    """Solve one continuous fault from nearly healthy to its worst.

    which: part and kind.  points: sizes from end to end; tipping points come on top.
    """
    with pool_of(options) as pool:
        circuit = load_circuit(path, options.tubes, options.read_limits)
        pool.allow(options.budget)
        roles = recognise(circuit)
        fault = find_continuous(circuit, list_continuous(circuit, roles), *which)
        bench = Bench(circuit, options, pool, bare_windings(circuit, roles))
        return _curve(bench, roles, fault, points, path.as_posix(), progress)


def _curve(
    bench: Bench,
    roles: Roles,
    fault: ContinuousFault,
    points: int,
    name: str,
    progress: Progress,
) -> SweepCurve:
    circuit, options, pool = bench.circuit, bench.options, bench.pool
    base = solve_at_rest(bench, roles, cold=False)
    idle, hookup, table = base.idle, base.hookup, base.table
    tipping = bench.tipping_points((fault,), table, base.states)
    driven = DrivenHealth()
    if not options.idle_only:
        driven = drive_healthy(bench, roles, hookup, idle, table, progress)
        base = base.having({**base.outcomes, **driven.outcomes}, options.duty)
        tipping = tipping_under_drive(bench, base, driven, (fault,), tipping, progress)
    sizes = sweep_sizes(fault, points, [one.value for one in tipping if one.value is not None])
    faults = [fault.make(size) for size in sizes]
    with _step(progress, Step.SIZES, 2 * len(faults)):
        conditions = {IDLE: bench.faulted(faults, idle, progress)[IDLE]}
    if not options.idle_only:
        healthy = base.outcomes
        more, bass = _drive_faults(bench, roles, hookup, driven, healthy, faults, progress, {})
        conditions = {**conditions, **more, **bass.of_every(len(faults))}
        base = base.having({**bass.healthy, **healthy}, options.duty)
    if pool.interrupted:
        raise KeyboardInterrupt
    return SweepCurve(
        file=name,
        circuit=circuit,
        fault=fault,
        points=tuple(
            _sweep_point(base, size, at_duty(_of_fault(conditions, number), options.duty), tipping)
            for number, size in enumerate(sizes)
        ),
        healthy=base.states,
        tipping=tipping,
        table=base.table,
        conditions=tuple(conditions),
        frequency_hz=options.frequency_hz,
        duty=options.duty,
        assumptions=(() if options.idle_only else (*base.assumptions, *duty_words(options.duty))),
        engine=pool.engine,
    )


def _sweep_point(
    base: Baseline,
    size: float,
    outcomes: Mapping[str, Outcome],
    tipping: Sequence[TippingPoint],
) -> SweepPoint:
    stresses = {
        name: base.judged(state) for name, state in outcomes.items() if isinstance(state, Solved)
    }
    tips = tuple(one for one in tipping if one.value == size)
    return SweepPoint(size, outcomes, stresses, tips)


def compare(paths: tuple[Path, Path], options: Settings, progress: Progress) -> tuple[Audit, Audit]:
    """Audit two netlists, the one before a change and the one after it."""
    with pool_of(options) as pool:
        circuits = [load_circuit(path, options.tubes, options.read_limits) for path in paths]
        before, after = (
            audit_circuit(circuit, path.as_posix(), options, pool, progress)
            for circuit, path in zip(circuits, paths, strict=True)
        )
    return before, after
