"""Full drive: the least input at which the gain has fallen by 1 dB.

Comes in: the healthy circuit and its hookup.  Goes out: the small-signal gain, the
full-drive input, and the settled states met on the way.  The small-signal gain
is ngspice's own linear analysis; the rest is found by driven runs, first upward
in steps, then by bisection on a logarithmic scale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

from netcheck.circuit.model import Circuit
from netcheck.solve.analyses import Drive, Hookup, StartState
from netcheck.solve.deck import write_deck
from netcheck.solve.driven import DrivenRequest, solve_driven
from netcheck.solve.ngspice import Engine
from netcheck.solve.results import NotSolved, Solved

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
    gain, first_v = small_signal(engine, circuit, hookup, frequency_hz, idle)
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
        starts = {"full": self.starts[nearest]} if nearest is not None else {}
        request = DrivenRequest({"full": level}, starts=starts)
        answer = solve_driven(self.engine, self.circuit, self.hookup, self.frequency_hz, request)
        outcome = answer.outcomes["full"]
        if isinstance(outcome, NotSolved):
            return outcome.reason
        self.states[level] = outcome
        self.starts[level] = answer.starts["full"]
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
