"""The periodic steady state of a driven circuit, found in few cycles.

Comes in: a circuit, a sine and a guess of where it settles.  Goes out: the last
cycles of a run that is settled, or the reason why none was found.

Waiting for every capacitor to settle takes seconds of signal.  Instead the
unknowns are what moves slowly - the volts of the larger capacitors, the currents
of chokes, the magnetising current of each transformer core - and the equations
are those of a settled run: no capacitor has a mean current, no winding a mean
voltage beyond its wire.  Short runs of a few cycles evaluate them, and each run gives
the Jacobian for the next step of Newton's too (`jacobian.py`).  Where it does not, the
DC conductances of the idle circuit are the first Jacobian, improved by rank-one
updates (Broyden 1965, Math. Comp. 19, 577).  The shooting idea is that of
Aprille and Trick (1972, Proc. IEEE 60, 108).

It is solved for, not waited for, since waiting fools: averages of successive windows can
agree within 1 % while a screen is still 20 % off.  Where a step would go too far it looks
less far ahead in time; where steps stop shrinking, the scatter of the time steps is in the
way and they are made finer (64, 128, 256 a cycle).  A guess still more than 20 V off after
four runs is given up for a start from idle.  A run is settled when every state is close
to where its mean vanishes, every mean is below `SETTLED_SHARE` of the rms of its own current
or voltage or moves its state by next to nothing, and no net's mean drifts from cycle to
cycle (a floating cathode does); otherwise there is no state, and the reason has the largest
mean.  A gap in the balance of power above 1 % (or 2 mW) is settled again with four times
the steps, and is a failure if it stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import Circuit
from netcheck.equations import SingularError, solve_exactly
from netcheck.solve.deck import DRIVEN_OPTIONS, Deck, write_deck
from netcheck.solve.ngspice import Array, Engine, EngineFailure
from netcheck.solve.observe import Observation, power_balance
from netcheck.solve.results import Drive, Hookup, PowerBalance, StartState
from netcheck.solve.slow import MAX_STEP_V, Means, SlowStates

STEPS_PER_CYCLE = 64
"""Within 0.5 % in the watts of 256 steps, in overdrive too (measured)."""
SETTLING = 1
"""Cycles at the start of a run that let fast parts settle and are not averaged."""
WARM_UP = 10
"""Cycles at the start of a run from idle, in which the drive builds up its bias."""
GLANCE = 1
"""Cycles averaged after a step so large that another one will follow ..."""
FAR_V = 6.0
"""... and how large that is."""
AVERAGED = 2
"""Cycles averaged once they are settled: what is reported."""
SETTLED_SHARE = 0.02
"""Settled: every mean is below this share of the rms of its own current or voltage."""
DRIFT_V, DRIFT_SHARE = 0.1, 0.01
"""A node is periodic: its mean moves by less from cycle to cycle, the share being of
its swing."""
MOST_WAITS = 3
"""So many longer runs are spent on what has no slow state and is not periodic yet."""
BALANCED_SHARE = 0.01
"""Of what a run turns over, so much may be unaccounted for, or `BALANCED_W`."""
BALANCED_W = 2e-3
"""Where next to nothing is turned over, as with B+ lost."""
FINER = 2
"""Steps that come to no rest, since each run has another error, are made so much finer."""
FINEST = 256
"""Steps per cycle; a run that does not balance is settled again with these."""
STALLED = 0.5
"""A step of Newton's is to be smaller than this share of the one before; those of a
Jacobian that is still being learned come and go."""
MAX_RUNS = 60
MAX_GUESSED_RUNS = 14
"""With a guess there is a second try without one."""
HOPEFUL_RUNS = 4
"""After so many runs a good guess is within one step of settled."""
HORIZONS_S = (1.0, 0.3, 0.1, 0.03, 0.01, 3e-3)
"""How far ahead in time a step may look where Newton's would go too far."""
PROBE_V = 0.5
"""Change of a state when its effect under drive is measured."""


@dataclass(frozen=True)
class SteadyState:
    """A settled run: the averaged window and where the next run may start."""

    observation: Observation
    time: Array
    end: StartState
    share: float
    runs: int
    balance: PowerBalance


@dataclass(frozen=True)
class _Run:
    deck: Deck
    rows: Array
    seen: Observation
    averaged: int


def find_steady_state(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    drive: Drive,
    slow: SlowStates,
    guess: StartState | None,
    learn: bool = False,
) -> SteadyState:
    """Find the steady state; raises EngineFailure where there is none in reach.

    learn: also measure the Jacobian there, where it is not known from the network.
    """
    shooter = _Shooter(engine, circuit, hookup, drive, slow)
    state = shooter.settle(guess)
    if learn and slow.network is None:
        return replace(state, end=shooter.learn(state))
    return state


class _Shooter:
    """Runs, corrects, and runs again."""

    def __init__(
        self, engine: Engine, circuit: Circuit, hookup: Hookup, drive: Drive, slow: SlowStates
    ) -> None:
        self.engine = engine
        self.circuit = circuit
        self.hookup = hookup
        self.drive = drive
        self.slow = slow
        self.period_s = 1.0 / drive.frequency_hz
        self.steps = STEPS_PER_CYCLE
        self.attempt = 0
        """Which of `DRIVEN_OPTIONS`: where one has failed, it would again."""

    def run(
        self, start: StartState | None, averaged: int = AVERAGED, settling: int = SETTLING
    ) -> _Run:
        """Run a few cycles and observe the last ones."""
        while True:
            try:
                return self._attempt(start, averaged, settling, self.attempt)
            except EngineFailure:
                if self.attempt + 1 == len(DRIVEN_OPTIONS):
                    raise
                self.attempt += 1

    def _attempt(
        self, start: StartState | None, averaged: int, settling: int, attempt: int
    ) -> _Run:
        deck = write_deck(
            self.circuit, hookup=self.hookup, drive=self.drive, start=start, attempt=attempt
        )
        self.engine.load(deck.lines)
        step_s = self.period_s / self.steps
        time, rows = self.engine.transient(
            step_s,
            (settling + averaged) * self.period_s,
            deck.vectors,
            given_start=start is not None,
        )
        from_s = settling * self.period_s
        return _Run(deck, rows, Observation.of_window(deck, time, rows, from_s), averaged)

    def settle(self, guess: StartState | None) -> SteadyState:
        """Correct the slow states until all means vanish."""
        slow = self.slow
        current = self.run(guess) if guess else self.run(None, settling=WARM_UP)
        means, jacobian = slow.means(current.seen), slow.jacobian(current.seen, current.averaged)
        most = MAX_RUNS if guess is None else MAX_GUESSED_RUNS
        best = before_v = np.inf
        waits = 0
        for runs in range(1, most + 1):
            step, settling = newton_step(jacobian, -means.residual), SETTLING
            share, size_v = slow.share(means, step), slow.size(step)
            if share <= SETTLED_SHARE and current.averaged == AVERAGED:
                if waits == MOST_WAITS or is_periodic(current.seen):
                    state = self._settled(current, share, runs, jacobian)
                    if is_balanced(state.balance):
                        return state
                    self._refine(state.balance)
                else:
                    waits, settling = waits + 1, WARM_UP
            elif guess is not None and runs >= HOPEFUL_RUNS and size_v > MAX_STEP_V:
                raise EngineFailure("the guess leads nowhere")
            elif slow.network and STALLED * before_v < size_v < FAR_V:
                self.steps = min(FINER * self.steps, FINEST)
            best, before_v = min(best, share), size_v
            averaged = GLANCE if slow.network and size_v > FAR_V else AVERAGED
            step = bounded_step(slow, step, jacobian, means)
            current = self.run(slow.moved(self.end_of(current), step), averaged, settling)
            following = slow.means(current.seen)
            jacobian = slow.improved(jacobian, current.seen, averaged, means, following)
            means = following
        raise EngineFailure(
            f"did not settle: a mean is still {100 * best:.1f} % of its rms after {most} runs"
        )

    def _refine(self, balance: PowerBalance) -> None:
        """Go on with finer steps; once they are fine, a gap is one that is not understood."""
        if self.steps == FINEST:
            gap = abs(balance.gap_w) / balance.turnover_w
            raise EngineFailure(
                f"the power does not balance: {100 * gap:.1f} % of {balance.turnover_w:.3g} W "
                "is not accounted for"
            )
        self.steps = FINEST

    def learn(self, state: SteadyState) -> StartState:
        """Measure the Jacobian at a settled state; return the state with it."""
        slow = self.slow
        base = slow.means(self.run(state.end).seen)
        moves: list[Array] = []
        effects: list[Array] = []
        for number, weight in enumerate(slow.weight):
            step = np.zeros(len(slow.weight))
            step[number] = PROBE_V / weight
            probed = slow.means(self.run(slow.moved(state.end, step)).seen)
            moves.append(probed.states - base.states)
            effects.append(probed.residual - base.residual)
        jacobian = newton_step(np.array(moves), np.array(effects)).T
        return replace(state.end, learned=jacobian - slow.measured)

    def end_of(self, run: _Run) -> StartState:
        """Return the state at the end of a run, as a start for the next."""
        last = run.rows[:, -1]
        index = run.seen.index
        node_v = {
            key: float(last[index[node]]) for node, key in run.deck.key.items() if node in index
        }
        winding_a = {
            part.ref: float(last[index[run.deck.current[part.ref]]])
            for part in self.circuit.of_kind("inductor")
        }
        return StartState(node_v, winding_a)

    def _settled(self, run: _Run, share: float, runs: int, jacobian: Array) -> SteadyState:
        time = np.concatenate([[0.0], np.cumsum(run.seen.gaps)])
        balance = power_balance(run.seen, self.circuit, self.hookup)
        end = replace(self.end_of(run), learned=jacobian - self.slow.measured)
        return SteadyState(run.seen, time, end, share, runs, balance)


def is_balanced(balance: PowerBalance) -> bool:
    """Say whether the power that came in is accounted for."""
    return abs(balance.gap_w) <= max(BALANCED_SHARE * balance.turnover_w, BALANCED_W)


def is_periodic(seen: Observation) -> bool:
    """Say whether every node has the same mean in both halves of the averaged cycles.

    What has no slow state of its own may still be slow: a cathode that hangs in the air
    loses its charge through picofarads and next to no current.
    """
    nodes = [seen.index[node] for node in seen.deck.key if node in seen.index]
    volts = seen.rows[nodes]
    time = np.cumsum(seen.gaps)
    middle = int(np.searchsorted(time, time[-1] / 2.0))
    steps = (volts[:, 1:] + volts[:, :-1]) / 2.0
    first = steps[:, :middle] @ seen.gaps[:middle] / time[middle - 1]
    second = steps[:, middle:] @ seen.gaps[middle:] / (time[-1] - time[middle - 1])
    swing = volts.max(axis=1) - volts.min(axis=1)
    return bool(np.all(np.abs(second - first) <= DRIFT_V + DRIFT_SHARE * swing))


def bounded_step(slow: SlowStates, step: Array, jacobian: Array, means: Means) -> Array:
    """Return a step within reach: Newton's, or one that looks less far ahead.

    A step of an implicit method in time moves every state at most as fast as
    its own capacitance or inductance lets it.
    """
    for horizon_s in HORIZONS_S:
        if slow.size(step) <= MAX_STEP_V:
            return step
        step = newton_step(jacobian - np.diag(slow.inertia) / horizon_s, -means.residual)
    return step * min(1.0, MAX_STEP_V / slow.size(step))


def newton_step(matrix: Array, right: Array) -> Array:
    """Solve a linear system; a singular one is a run that cannot be corrected."""
    try:
        return solve_exactly(matrix, right, "the slow states do not determine each other")
    except SingularError as error:
        raise EngineFailure(error.message) from error
