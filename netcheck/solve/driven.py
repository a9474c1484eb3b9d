"""Driven solving: a circuit under a sine, settled, and its full drive.

Comes in: a circuit, the changes of a fault, the hookup and the input levels asked
for.  Goes out: one `Solved` or `NotSolved` a level, as means over whole cycles.  A fault
starts from where the healthy circuit settled at the same level, moved by how far the
fault moves the idle volts of each net.

Full drive is the least input at which the gain of the healthy circuit has fallen by 1 dB.
The small-signal gain is ngspice's own linear analysis; the rest is found by driven runs,
first upward in steps, then by bisection on a logarithmic scale; the settled states met on
the way are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import hypot, inf, nan, sqrt

import numpy as np

from netcheck.circuit.changes import Change, DriveLevel, apply_changes
from netcheck.circuit.model import Circuit
from netcheck.conditions import FULL
from netcheck.solve.deck import DeckError, write_deck
from netcheck.solve.idle import IdleRequest, IdleSweep, solve_sweep
from netcheck.solve.ngspice import Array, Engine, EngineFailure
from netcheck.solve.observe import Observation
from netcheck.solve.results import Drive, Hookup, NotSolved, Outcome, Solved, StartState
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
        engine.keep_failed()
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
            engine.keep_failed()
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
        output_w=_sum_w(parts[ref].power_w for ref in hookup.speakers if ref in parts),
        primary_output_w=_sum_w(_winding_power(seen, ref) for ref in hookup.primaries),
        output_peak_v=peak,
        distortion=distortion,
        settled_share=state.share,
        balance=state.balance,
    )


def _sum_w(watts: Iterable[float]) -> float:
    """Return the sum, not a number where there is nothing to sum."""
    every = list(watts)
    return sum(every) if every else nan


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


COMPRESSION = 10.0 ** (-1.0 / 20.0)
"""1 dB."""
FIRST_SWING = 0.08
"""The first level swings the largest plate by about this share of its volts."""
STEP = 1.8
MAX_STEPS = 12
PRECISION = 1.03


@dataclass(frozen=True, slots=True)
class DriveSearch:
    """What was found.  full_v is None where `reason` says why.

    gain: output over input, small signal.  states: by input level [V].
    """

    gain: float
    full_v: float | None
    reason: str
    states: Mapping[float, Solved] = field(default_factory=dict)
    starts: Mapping[float, StartState] = field(default_factory=dict)


def search_full_drive(
    engine: Engine, circuit: Circuit, hookup: Hookup, frequency_hz: float, idle: Solved
) -> DriveSearch:
    """Find the full drive of a healthy circuit."""
    try:
        gain, first_v = small_signal(engine, circuit, hookup, frequency_hz, idle)
    except (EngineFailure, DeckError) as failure:
        return DriveSearch(0.0, None, str(failure))
    if gain <= 0.0 or first_v <= 0.0:
        return DriveSearch(gain, None, "the input does not reach the output")
    search = _Search(engine, circuit, hookup, frequency_hz, gain)
    below, above = 0.0, 0.0
    level = first_v
    for _ in range(MAX_STEPS):
        reason = search.try_level(level)
        if reason:
            return search.result(None, f"at {level:.3g} V peak input: {reason}")
        if search.compressed(level):
            above = level
            break
        below, level = level, level * STEP
    if not above:
        return search.result(None, "the gain does not fall by 1 dB within reach")
    if not below:
        below = above / STEP
    while above / below > PRECISION:
        middle = sqrt(above * below)
        reason = search.try_level(middle)
        if reason:
            return search.result(None, f"at {middle:.3g} V peak input: {reason}")
        if search.compressed(middle):
            above = middle
        else:
            below = middle
    return search.result(above, "")


class _Search:
    """Keeps the states met so far."""

    def __init__(
        self, engine: Engine, circuit: Circuit, hookup: Hookup, frequency_hz: float, gain: float
    ) -> None:
        self.engine = engine
        self.circuit = circuit
        self.hookup = hookup
        self.frequency_hz = frequency_hz
        self.gain = gain
        self.states: dict[float, Solved] = {}
        self.starts: dict[float, StartState] = {}

    def try_level(self, level: float) -> str:
        """Solve one level; return the reason where it fails."""
        nearest = min(self.starts, key=lambda known: abs(known - level), default=None)
        starts = {FULL: self.starts[nearest]} if nearest is not None else {}
        request = DrivenRequest({FULL: level}, starts=starts)
        answer = solve_driven(self.engine, self.circuit, self.hookup, self.frequency_hz, request)
        outcome = answer.outcomes[FULL]
        if isinstance(outcome, NotSolved):
            return outcome.reason
        self.states[level] = outcome
        self.starts[level] = answer.starts[FULL]
        return ""

    def compressed(self, level: float) -> bool:
        """Say whether the gain at a level is 1 dB below small signal."""
        return self.states[level].output_peak_v < COMPRESSION * self.gain * level

    def result(self, full_v: float | None, reason: str) -> DriveSearch:
        """Wrap up."""
        return DriveSearch(self.gain, full_v, reason, self.states, self.starts)


def small_signal(
    engine: Engine, circuit: Circuit, hookup: Hookup, frequency_hz: float, idle: Solved
) -> tuple[float, float]:
    """Return the small-signal gain and a first input level [V peak]."""
    deck = write_deck(circuit, hookup=hookup, drive=Drive(frequency_hz, 0.0))
    engine.load(deck.lines)
    first, second = hookup.output_nets
    node = {"0": "0", **deck.node}
    plates = {part.ref: node[part.net("plate")] for part in circuit.tubes}
    wanted = sorted({node[first], node[second], *plates.values()} - {"0"})
    response = dict(zip(wanted, engine.linear_response(frequency_hz, wanted), strict=True))
    response["0"] = 0.0
    gain = abs(response[node[first]] - response[node[second]])
    levels = [
        FIRST_SWING * abs(idle.tubes[ref].plate_v) / abs(response[plate])
        for ref, plate in plates.items()
        if abs(response[plate]) > 1e-6 and abs(idle.tubes[ref].plate_v) > 1.0
    ]
    return gain, min(levels, default=0.0)
