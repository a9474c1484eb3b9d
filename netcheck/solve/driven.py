"""Driven solving: a circuit under a sine, settled, as means over whole cycles.

Comes in: a circuit, the changes of a fault, the hookup and the input levels asked
for.  Goes out: one `Solved` or `NotSolved` a level.  A fault starts from where
the healthy circuit settled at the same level, moved by how far the fault moves
the idle volts of each net.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import hypot, inf

import numpy as np

from netcheck.circuit.changes import Change, DriveLevel, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.solve.analyses import Drive, Hookup, StartState
from netcheck.solve.deck import DeckError
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Array, Engine, EngineFailure
from netcheck.solve.observe import Observation
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.solve.slow import SlowStates, slow_states
from netcheck.solve.steady import AVERAGED, SteadyState, find_steady_state

HARMONICS = 9
SAMPLES = 256


@dataclass(frozen=True, slots=True)
class DrivenRequest:
    """Levels to drive one variant of a circuit with.

    levels: condition name to peak input [V].  starts: where a similar circuit (the
    healthy one, or one with a smaller defect) settled under the same condition, and
    start_idle its idle state.  learn: also measure how the slow states act on each
    other where it settles, for runs that start from there.
    """

    levels: Mapping[str, float]
    changes: tuple[Change, ...] = ()
    starts: Mapping[str, StartState] = field(default_factory=dict)
    start_idle: Solved | None = None
    learn: bool = False


@dataclass(frozen=True, slots=True)
class DrivenAnswer:
    """What a request gave: the outcomes, and where each level settled."""

    outcomes: Mapping[str, Outcome]
    starts: Mapping[str, StartState]
    idle: Solved | None = None


def solve_driven(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    request: DrivenRequest,
) -> DrivenAnswer:
    """Solve all levels of one request, each level from the one before.

    A circuit that drives itself has no steady state of its own under a sine.
    """
    for change in request.changes:
        if isinstance(change, DriveLevel):
            return _failed(request, change.reason)
    faulted = apply_changes(circuit, request.changes)
    idle = solve_sweep(engine, IdleSweep(faulted, (IdleRequest(),)))[0]
    if isinstance(idle, NotSolved):
        return _failed(request, f"no operating point: {idle.reason}")
    try:
        slow = slow_states(engine, faulted, idle)
    except (EngineFailure, DeckError) as failure:
        return _failed(request, str(failure))
    outcomes: dict[str, Outcome] = {}
    starts: dict[str, StartState] = {}
    shift = _idle_shift(idle, request.start_idle)
    latest: tuple[str, StartState] | None = None
    for name, level in request.levels.items():
        guess = _guess(name, request.starts, shift, latest)
        drive = Drive(frequency_hz, level)
        try:
            state = _settle(engine, faulted, hookup, drive, slow, guess, request.learn)
        except (EngineFailure, DeckError) as failure:
            outcomes[name] = NotSolved(name, str(failure), level)
            continue
        starts[name] = state.end
        latest = name, state.end
        outcomes[name] = _observed(name, faulted, hookup, drive, state)
    return DrivenAnswer(outcomes, starts, idle)


def solve_family(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    healthy: DrivenRequest,
    variants: tuple[tuple[Change, ...], ...],
) -> list[DrivenAnswer]:
    """Solve variants that differ by the size of a defect; answers are in their order.

    They are solved from the least to the most disturbed at idle, each from the
    healthy circuit or from the one before, whichever idles nearer to it.
    healthy: levels, and where the healthy circuit settled.
    """
    origin = healthy.start_idle
    points = solve_sweep(engine, IdleSweep(circuit, tuple(map(IdleRequest, variants))))
    distance = [_distance(point, origin) for point in points]
    answers: dict[int, DrivenAnswer] = {}
    before: DrivenAnswer | None = None
    for number in sorted(range(len(variants)), key=lambda place: (distance[place], place)):
        request = replace(healthy, changes=variants[number])
        if before and _distance(points[number], before.idle) < distance[number]:
            starts = {**healthy.starts, **before.starts}
            request = replace(request, starts=starts, start_idle=before.idle)
        answer = solve_driven(engine, circuit, hookup, frequency_hz, request)
        answers[number] = answer
        if answer.starts:
            before = answer
    return [answers[number] for number in range(len(variants))]


def _distance(point: Outcome, other: Solved | None) -> float:
    """Largest difference of idle net volts [V]."""
    if other is None or isinstance(point, NotSolved):
        return inf
    shared = point.nets.keys() & other.nets.keys()
    return max((abs(point.nets[net] - other.nets[net]) for net in shared), default=0.0)


def _failed(request: DrivenRequest, reason: str) -> DrivenAnswer:
    return DrivenAnswer(
        {name: NotSolved(name, reason, level) for name, level in request.levels.items()}, {}
    )


def _settle(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    drive: Drive,
    slow: SlowStates,
    guess: StartState | None,
    learn: bool,
) -> SteadyState:
    """Find the steady state from a guess; if that fails, once more from idle."""
    if guess is not None:
        try:
            return find_steady_state(
                engine, circuit, hookup, drive, slow.taught(guess), guess, learn
            )
        except EngineFailure:
            pass  # a fault may be too far from health to start there
    return find_steady_state(engine, circuit, hookup, drive, slow, None, learn)


def _idle_shift(idle: Solved, healthy: Solved | None) -> dict[str, float]:
    if healthy is None:
        return {}
    return {net: volts - healthy.nets.get(net, 0.0) for net, volts in idle.nets.items()}


def _guess(
    name: str,
    known: Mapping[str, StartState],
    shift: Mapping[str, float],
    latest: tuple[str, StartState] | None,
) -> StartState | None:
    """Return where a level may settle.

    That is where the similar circuit settled, moved by what the fault did to the level
    before, or by what it does at idle where there was none.
    """
    if name not in known:
        return latest[1] if latest else None
    if latest is None or latest[0] not in known:
        return _moved(known[name], shift)
    before, after = known[latest[0]], latest[1]
    amps = {ref: now - before.winding_a.get(ref, now) for ref, now in after.winding_a.items()}
    moved = _moved(
        known[name],
        {key: now - before.node_v.get(key, now) for key, now in after.node_v.items()},
    )
    winding_a = {ref: now + amps.get(ref, 0.0) for ref, now in known[name].winding_a.items()}
    return replace(moved, winding_a=winding_a, learned=_lesson(known[name], before, after))


def _lesson(start: StartState, before: StartState, after: StartState) -> Array | None:
    """Return what a start has learned, with what a fault taught at the level before."""
    first, second, third = start.learned, before.learned, after.learned
    if first is None or second is None or third is None:
        return first
    if not first.shape == second.shape == third.shape:
        return first
    return np.asarray(first + third - second)


def _moved(start: StartState, shift_v: Mapping[str, float]) -> StartState:
    """Move a start by how far a fault moves the idle volts of each net."""
    node_v = dict(start.node_v)
    for net, volts in shift_v.items():
        node_v[net] = node_v.get(net, 0.0) + volts
    return replace(start, node_v=node_v)


def _observed(
    condition: str, circuit: Circuit, hookup: Hookup, drive: Drive, state: SteadyState
) -> Solved:
    seen = state.observation
    parts = seen.parts(circuit)
    first, second = hookup.output_nets
    peak, distortion = fundamental(state.time, seen.net(first) - seen.net(second))
    return Solved(
        condition,
        seen.nets(circuit),
        seen.tubes(circuit),
        parts,
        input_v=drive.input_v,
        frequency_hz=drive.frequency_hz,
        output_w=sum(parts[ref].power_w for ref in hookup.speakers if ref in parts),
        primary_output_w=sum(_winding_power(seen, ref) for ref in hookup.primaries),
        output_peak_v=peak,
        distortion=distortion,
        settled_share=state.share,
        balance=state.balance,
    )


def _winding_power(seen: Observation, ref: str) -> float:
    """Mean power an ideal winding takes from its circuit [W]."""
    if ref not in seen.deck.winding:
        return 0.0
    near, far = seen.deck.winding[ref]
    volts = seen.node(near) - seen.node(far)
    return seen.mean(volts * seen.vector(seen.deck.current[ref]))


def fundamental(time: Array, values: Array) -> tuple[float, float]:
    """Peak of the fundamental and total harmonic distortion (a fraction).

    The window holds AVERAGED whole cycles; harmonics up to the ninth count.
    """
    grid = np.linspace(time[0], time[-1], SAMPLES, endpoint=False)
    spectrum = np.abs(np.fft.rfft(np.interp(grid, time, values))) * 2.0 / SAMPLES
    base = float(spectrum[AVERAGED])
    others = [float(spectrum[AVERAGED * order]) for order in range(2, HARMONICS + 1)]
    return base, (hypot(*others) / base if base > 0.0 else 0.0)
