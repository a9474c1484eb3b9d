"""What a circuit does that leaves its operating point: its own cycle, or another rest.

Comes in: a circuit and an operating point with a pole that grows.  Goes out: the means
over whole cycles of what it does by itself, solved by a plain transient, or the reason why
there are none.

The run starts at the operating point, moved along the mode that grows, so that it need not
wait until rounding has grown.  It goes on in pieces until the watts of every electrode agree
from one piece to the next.  Whole cycles are counted on the plate that swings most.  Above
a kilohertz the bias, which follows in tens of milliseconds, would need millions of steps:
there it is solved for as under a sine (`steady.py`), from the means of the coupling
capacitors over the cycles of a piece.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import Circuit
from netcheck.conditions import IDLE
from netcheck.solve.deck import DRIVEN_OPTIONS, Deck, DeckError, write_deck
from netcheck.solve.ngspice import Array, Engine, EngineFailure
from netcheck.solve.observe import Observation, power_balance
from netcheck.solve.results import (
    Drive,
    Hookup,
    NotSolved,
    Outcome,
    Solved,
    Stability,
    StartState,
)
from netcheck.solve.slow import slow_states
from netcheck.solve.stability import Mode, growing_mode
from netcheck.solve.steady import bounded_step, newton_step

KICK_SHARE, KICK_V = 0.3, 0.5
"""The start is moved so far that some grid moves by this share of its bias, and volts."""
STEPS_PER_CYCLE, STEPS_WITH_EDGES = 64, 128
CYCLES = 24
"""Of one piece, by the frequency of the pole."""
AVERAGED = 6
"""Cycles that are averaged at the end of a piece."""
FEWEST = 3
MOST_PIECES = 16
BIAS_HZ = 1e3
"""Faster than this, bias is solved for."""
MOST_STEPS = 14
"""Of Newton's, for the bias."""
NEAR_V = 4.0
"""Counting cycles leaves a few volts of doubt in the volts of a coupling capacitor."""
SAME_SHARE, SAME_W = 0.02, 0.03
"""Watts of an electrode that agree from piece to piece."""
LONGER = 4.0
"""A piece without cycles is followed by one so much longer."""
STILL_V, STILL_SHARE = 0.2, 2e-3
"""A plate that swings by less is at rest."""
SLOWEST_HZ, FASTEST_HZ = 0.05, 5e6
EDGE_SHARE = 0.01
"""What runs from limit to limit first is given so many cycles in the time an edge grows by e."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """One piece of a run: what is averaged, its frequency (0 at rest), and its end."""

    seen: Observation
    frequency_hz: float
    cycles: int
    end: StartState
    watts: Array


def solve_cycle(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    idle: Solved,
) -> Outcome:
    """Return what a circuit that leaves its operating point settles to."""
    found = idle.stability
    assert found is not None
    try:
        mode = growing_mode(circuit, hookup.bare_windings, idle)
        if mode is None:
            raise EngineFailure("the way it leaves idle is not known")
        start = _kicked(circuit, hookup, idle, mode)
        return _Run(engine, circuit, hookup, found).settle(start, idle)
    except (EngineFailure, DeckError) as failure:
        engine.keep_failed()
        return NotSolved(IDLE, str(failure))


def _kicked(circuit: Circuit, hookup: Hookup, idle: Solved, mode: Mode) -> StartState:
    """Return the operating point moved along a mode."""
    wanted = []
    for part in circuit.tubes:
        state = idle.tubes[part.ref]
        if not part.has_pin("grid") or state.cathode_current_a <= 0.0:
            continue
        moved = abs(mode.nets.get(part.net("grid"), 0.0) - mode.nets.get(part.net("cathode"), 0.0))
        bias_v = abs(state.grid_v - state.cathode_v)
        if moved > 0.0:
            wanted.append((KICK_V + KICK_SHARE * bias_v) / moved)
    scale = min(wanted, default=0.0)
    moves = {net: scale * move.real for net, move in mode.nets.items()}
    node_v = {net: volts + moves.get(net, 0.0) for net, volts in idle.nets.items()}
    for number, (near, _) in enumerate(hookup.bare_windings):
        node_v[f"damping {number}"] = node_v.get(near, 0.0)
    winding_a = {
        part.ref: idle.parts[part.ref].current_a + scale * mode.windings.get(part.ref, 0.0).real
        for part in circuit.of_kind("inductor")
    }
    return StartState(node_v, winding_a)


class _Run:
    """A free run in pieces."""

    def __init__(self, engine: Engine, circuit: Circuit, hookup: Hookup, found: Stability) -> None:
        self.engine = engine
        self.circuit = circuit
        self.hookup = hookup
        self.found = found
        self.attempt = 0
        self.steps = STEPS_PER_CYCLE if found.frequency_hz else STEPS_WITH_EDGES
        hz = found.frequency_hz or EDGE_SHARE * (found.growth_per_s or 0.0)
        self.frequency_hz = min(max(hz, SLOWEST_HZ), FASTEST_HZ)

    def settle(self, start: StartState, idle: Solved) -> Outcome:
        """Run on until the watts agree from piece to piece, and the bias has followed."""
        piece = self._steady(start)
        if piece.frequency_hz < BIAS_HZ:
            return self._observed(piece)
        slow = slow_states(self.engine, self.circuit, idle)
        for _ in range(MOST_STEPS):
            means = slow.means(piece.seen)
            jacobian = slow.jacobian(piece.seen, piece.cycles)
            step = newton_step(jacobian, -means.residual)
            size_v = slow.size(step)
            step = bounded_step(slow, step, jacobian, means)
            before, piece = piece, self._piece(slow.moved(piece.end, step))
            if size_v < NEAR_V and _agree(before, piece):
                return self._observed(piece)
        raise EngineFailure("what it does by itself settles, but its bias does not")

    def _steady(self, start: StartState) -> _Piece:
        before: _Piece | None = None
        for _ in range(MOST_PIECES):
            piece = self._piece(start)
            start = piece.end
            if before is not None and _agree(before, piece):
                return piece
            before = piece
        raise EngineFailure("what it does by itself does not settle")

    def _piece(self, start: StartState) -> _Piece:
        """Run one piece; where it has too few cycles to count, a longer one."""
        self.frequency_hz *= LONGER
        while True:
            self.frequency_hz /= LONGER
            deck, time, rows = self._transient(start)
            plate = self._livest(deck, rows)
            marks = _crossings(time, plate)
            swing = float(np.ptp(plate[len(plate) // 2 :]))
            still = swing < STILL_V + STILL_SHARE * abs(float(np.mean(plate)))
            at_end = self.frequency_hz <= LONGER * SLOWEST_HZ
            if len(marks) > FEWEST or at_end or (still and self.found.frequency_hz):
                break
        if still:
            return self._piece_of(deck, time, rows, time[len(time) // 2], 0)
        if len(marks) <= FEWEST:
            raise EngineFailure("what it does by itself has no period")
        cycles = min(AVERAGED, len(marks) - 1)
        hz = cycles / float(marks[-1] - marks[-1 - cycles])
        self.frequency_hz = min(max(hz, SLOWEST_HZ), FASTEST_HZ)
        last = int(np.searchsorted(time, marks[-1]))
        kept = time[: last + 1], rows[:, : last + 1]
        return self._piece_of(deck, *kept, float(marks[-1 - cycles]), cycles)

    def _piece_of(self, deck: Deck, time: Array, rows: Array, from_s: float, cycles: int) -> _Piece:
        seen = Observation.of_window(deck, time, rows, from_s)
        tubes = seen.tubes(self.circuit).values()
        watts = [
            each for one in tubes for each in (one.plate_dissipation_w, one.screen_dissipation_w)
        ]
        last, index = rows[:, -1], seen.index
        node_v = {key: float(last[index[node]]) for node, key in deck.key.items() if node in index}
        winding_a = {
            part.ref: float(last[index[deck.current[part.ref]]])
            for part in self.circuit.of_kind("inductor")
        }
        end = StartState(node_v, winding_a)
        hz = self.frequency_hz if cycles else 0.0
        watts += [seen.part(self.circuit[ref]).power_w for ref in self.hookup.speakers]
        return _Piece(seen, hz, cycles, end, np.array([each or 0.0 for each in watts]))

    def _transient(self, start: StartState) -> tuple[Deck, Array, Array]:
        drive = Drive(self.frequency_hz, 0.0)
        period_s = 1.0 / self.frequency_hz
        while True:
            deck = write_deck(
                self.circuit, hookup=self.hookup, drive=drive, start=start, attempt=self.attempt
            )
            self.engine.load(deck.lines)
            try:
                step_s = period_s / self.steps
                return (
                    deck,
                    *self.engine.transient(
                        step_s, CYCLES * period_s, deck.vectors, given_start=True
                    ),
                )
            except EngineFailure:
                if self.attempt + 1 == len(DRIVEN_OPTIONS):
                    raise
                self.attempt += 1

    def _livest(self, deck: Deck, rows: Array) -> Array:
        """Return the volts of the plate that swings most in the second half."""
        half = rows.shape[1] // 2
        plates = [
            rows[deck.place[deck.node[part.net("plate")]]]
            for part in self.circuit.tubes
            if part.has_pin("plate") and part.net("plate") in deck.node
        ]
        return max(plates, key=lambda volts: float(np.ptp(volts[half:])))

    def _observed(self, piece: _Piece) -> Solved:
        seen = piece.seen
        parts = seen.parts(self.circuit)
        first, second = self.hookup.output_nets
        output = seen.net(first) - seen.net(second)
        found = replace(self.found, frequency_hz=piece.frequency_hz, is_cycle=True)
        return Solved(
            IDLE,
            seen.nets(self.circuit),
            seen.tubes(self.circuit),
            parts,
            frequency_hz=piece.frequency_hz,
            output_w=sum(parts[ref].power_w for ref in self.hookup.speakers if ref in parts),
            output_peak_v=float(np.ptp(output)) / 2.0,
            balance=power_balance(seen, self.circuit, self.hookup),
            stability=found,
        )


def _agree(before: _Piece, after: _Piece) -> bool:
    """Say whether the watts of all electrodes are the same, and the kind of motion is."""
    room = SAME_W + SAME_SHARE * np.maximum(before.watts, after.watts)
    same = bool(np.all(np.abs(after.watts - before.watts) <= room))
    return same and (before.frequency_hz > 0.0) == (after.frequency_hz > 0.0)


def _crossings(time: Array, volts: Array) -> Array:
    """Return when a wave crosses its middle upward, a tenth of its swing of hysteresis."""
    half = volts[len(volts) // 2 :]
    middle, room = (half.max() + half.min()) / 2.0, np.ptp(half) / 10.0
    marks: list[float] = []
    armed = False
    for number in range(1, len(volts)):
        if volts[number] < middle - room:
            armed = True
        elif armed and volts[number] >= middle:
            share = (middle - volts[number - 1]) / (volts[number] - volts[number - 1])
            marks.append(time[number - 1] + share * (time[number] - time[number - 1]))
            armed = False
    return np.array(marks)
