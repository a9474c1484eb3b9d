"""How the healthy circuit behaves under drive: full drive, and where it is hottest.

Comes in: the healthy circuit, solved idle.  Goes out: the input levels every
fault is driven with (`full`, `overdrive`, and the level between at which the
output plates are hottest), the healthy states at those levels, and for each
electrode the worst drive, zero included, refined between the levels first looked at.
Where the transformer's inductance matters there, the healthy circuit is driven at 100 Hz
too.  A continuous sine is a test, not music.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from netcheck.circuit.model import Circuit
from netcheck.conditions import DRIVEN, FULL, HOTTEST, IDLE, OVERDRIVE, WORST_DRIVE
from netcheck.judge.base import LimitTable, Load
from netcheck.judge.duty import at_duty
from netcheck.judge.stress import judge_state
from netcheck.roles.base import NO_LOAD, Roles
from netcheck.solve.driven import (
    DrivenAnswer,
    DrivenRequest,
    DriveSearch,
    search_full_drive,
    solve_driven,
)
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved, StartState
from netcheck.workbench.bass import full_in_the_bass
from netcheck.workbench.settings import Circuitry, Progress, Step
from netcheck.workbench.sweep import Advance

TIMES_FULL = 2.0
"""Overdrive is +6 dB over full drive."""
SHARES = (0.25, 0.4, 0.55, 0.7, 0.85, 1.0, 1.4, TIMES_FULL)
"""Levels looked at for the worst drive, as shares of full drive."""
ELECTRODES = ("plate_dissipation_w", "screen_dissipation_w")
REFINED = 2
"""Rounds in which the hottest level is looked for between those of the scan."""
FINE = 0.03
"""Share of full drive within which two levels are one."""
APART = 0.15
"""The hottest level is a condition of its own if this far from full and zero."""


@dataclass(frozen=True, slots=True)
class DrivenHealth:
    """The healthy circuit under drive.

    levels: condition to peak input [V], empty where `reason` says why not.
    """

    levels: Mapping[str, float] = field(default_factory=dict)
    outcomes: Mapping[str, Outcome] = field(default_factory=dict)
    starts: Mapping[str, StartState] = field(default_factory=dict)
    worst: tuple[Load, ...] = ()
    gain: float = 0.0
    reason: str = ""


def drive_healthy(
    bench: Circuitry,
    roles: Roles,
    hookup: Hookup,
    idle: Solved,
    table: LimitTable,
    progress: Progress,
) -> DrivenHealth:
    """Find full drive, scan the levels, and choose the conditions."""
    bare = [ref for stage in roles.stages if stage.form == NO_LOAD for ref in stage.tubes]
    if bare:
        reason = f"the load of {', '.join(bare)} is not in the netlist; add the output transformer"
        return DrivenHealth(reason=reason)
    progress.start(Step.HEALTHY, len(SHARES) + 4)
    try:
        return _drive(bench, roles, hookup, idle, table, progress.advance)
    finally:
        progress.finish()


def _drive(
    bench: Circuitry,
    roles: Roles,
    hookup: Hookup,
    idle: Solved,
    table: LimitTable,
    advance: Advance,
) -> DrivenHealth:
    pool, shared, frequency_hz = bench.pool, bench.shared[IDLE], bench.options.frequency_hz
    job = Job(search_full_drive, (shared, hookup, frequency_hz, idle))
    search = pool.run([job], advance)[0]
    if isinstance(search, Lost):
        return DrivenHealth(reason=search.reason)
    assert isinstance(search, DriveSearch)
    if search.full_v is None:
        return DrivenHealth(gain=search.gain, reason=search.reason)
    levels_v = [share * search.full_v for share in SHARES]
    scan = (pool, shared, hookup, frequency_hz)
    states, starts = scan_levels(*scan, levels_v, search.starts, advance)
    for _ in range(REFINED):
        peaks = between(bench.circuit, table, idle, states, search.full_v)
        finer, ends = scan_levels(*scan, peaks, {**search.starts, **starts})
        states, starts = states | finer, starts | ends
    heated = {
        level: at_duty({IDLE: idle, DRIVEN: state}, bench.options.duty)[DRIVEN]
        for level, state in states.items()
    }
    worst = worst_drives(bench.circuit, table, idle, heated)
    levels = {FULL: search.full_v, OVERDRIVE: TIMES_FULL * search.full_v}
    hottest = hottest_level(roles, worst, search.full_v)
    if hottest is not None:
        levels = {HOTTEST: hottest, **levels}
    outcomes = {name: replace(states[level], condition=name) for name, level in levels.items()}
    known = {name: starts[level] for name, level in levels.items() if level in starts}
    jobs = [
        Job(solve_level, (shared, hookup, frequency_hz, levels[name], start, True))
        for name, start in known.items()
    ]
    for name, answer in zip(tuple(known), pool.run(jobs, advance), strict=True):
        if not isinstance(answer, Lost) and answer.starts:
            known[name] = answer.starts["drive"]
    bass = full_in_the_bass(pool, shared, bench.circuit, roles, hookup, search.full_v)
    if bass is not None:
        outcomes[bass.condition] = bass
    return DrivenHealth(levels, outcomes, known, worst, search.gain)


def scan_levels(
    pool: Pool,
    shared: Shared,
    hookup: Hookup,
    frequency_hz: float,
    levels: Sequence[float],
    known: Mapping[float, StartState],
    advance: Advance = lambda count: None,
) -> tuple[dict[float, Outcome], dict[float, StartState]]:
    """Solve the healthy circuit at each level, from the nearest known one."""
    nearest = [min(known, key=lambda other: abs(other - level)) for level in levels]
    jobs = [
        Job(solve_level, (shared, hookup, frequency_hz, level, known[near]))
        for level, near in zip(levels, nearest, strict=True)
    ]
    states: dict[float, Outcome] = {}
    starts: dict[float, StartState] = {}
    for level, answer in zip(levels, pool.run(jobs, advance), strict=True):
        if isinstance(answer, Lost):
            states[level] = NotSolved("drive", answer.reason, level)
            continue
        states[level] = answer.outcomes["drive"]
        for start in answer.starts.values():
            starts[level] = start
    return states, starts


def solve_level(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    level: float,
    start: StartState,
    learn: bool = False,
) -> DrivenAnswer:
    """Solve one level in a worker; `learn` also measures how faults will move it."""
    request = DrivenRequest({"drive": level}, starts={"drive": start}, learn=learn)
    return solve_driven(engine, circuit, hookup, frequency_hz, request)


def between(
    circuit: Circuit,
    table: LimitTable,
    idle: Solved,
    states: Mapping[float, Outcome],
    full_v: float,
) -> list[float]:
    """Return the levels at which an electrode may be hotter than at those already solved.

    For each electrode that is the top of the parabola through its hottest level and the
    two beside it, where that is not next to one of them.
    """
    wanted: list[float] = []
    for curve in ratios(circuit, table, idle, states).values():
        levels = sorted(curve)
        place = levels.index(max(levels, key=lambda level: curve[level]))
        if not 0 < place < len(levels) - 1:
            continue  # hottest at rest, or at the end of the range looked at
        near = levels[place - 1 : place + 2]
        top = _top(near, [curve[level] for level in near])
        if min(abs(top - level) for level in (*levels, *wanted)) > FINE * full_v:
            wanted.append(top)
    return sorted(wanted)


def _top(x: Sequence[float], y: Sequence[float]) -> float:
    """Return the top of the parabola through three points, the middle one the highest."""
    left, right = x[1] - x[0], x[2] - x[1]
    up, down = (y[1] - y[0]) * right, (y[1] - y[2]) * left
    if up + down <= 0.0:
        return x[1]
    return x[1] + (up * right - down * left) / (up + down) / 2.0


def ratios(
    circuit: Circuit, table: LimitTable, idle: Solved, states: Mapping[float, Outcome]
) -> dict[tuple[str, str], dict[float, float]]:
    """Return for each judged electrode its ratio by input level [V]."""
    curves: dict[tuple[str, str], dict[float, float]] = {}
    for level, stress in _judged(circuit, table, idle, states):
        curves.setdefault((stress.part, stress.quantity), {})[level] = stress.ratio
    return curves


def _judged(
    circuit: Circuit, table: LimitTable, idle: Solved, states: Mapping[float, Outcome]
) -> Iterator[tuple[float, Load]]:
    """Yield the stresses of the electrodes, level by level from zero up."""
    every: Iterable[tuple[float, Outcome]] = [(0.0, idle), *sorted(states.items())]
    for level, outcome in every:
        if isinstance(outcome, NotSolved):
            continue
        state = outcome if level == 0.0 else replace(outcome, condition=FULL)
        for stress in judge_state(circuit, table, state, {}):
            if stress.quantity in ELECTRODES:
                yield level, stress


def worst_drives(
    circuit: Circuit, table: LimitTable, idle: Solved, states: Mapping[float, Outcome]
) -> tuple[Load, ...]:
    """Return for each judged electrode the input at which its ratio is highest."""
    best: dict[tuple[str, str], tuple[float, Load]] = {}
    for level, stress in _judged(circuit, table, idle, states):
        key = (stress.part, stress.quantity)
        if key not in best or stress.ratio > best[key][1].ratio:
            best[key] = (level, stress)
    return tuple(
        replace(stress, condition=WORST_DRIVE, input_v=level, healthy_ratio=stress.ratio)
        for level, stress in best.values()
    )


def hottest_level(roles: Roles, worst: Iterable[Load], full_v: float) -> float | None:
    """Return the level of the hottest output plate where it is neither idle nor full."""
    plates = [
        each
        for each in worst
        if each.part in roles.output_tubes and each.quantity == "plate_dissipation_w"
    ]
    if not plates:
        return None
    level = max(plates, key=lambda each: each.ratio).input_v
    apart = min(abs(level - known) for known in (0.0, full_v, TIMES_FULL * full_v))
    return level if apart > APART * full_v else None
