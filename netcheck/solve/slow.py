"""The slow states of a circuit: where they are in a run, and what is left of them.

Comes in: a circuit at its operating point.  Goes out: the list of unknowns
(capacitor volts, choke amperes, magnetizing amperes of each core) and the
bookkeeping that turns a run into residuals and a step into the start of the next
run.  How the residuals depend on the states, `jacobian.py` says from the run, and measures
at idle where there are parts whose slopes it does not know.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.model import Circuit, Part
from netcheck.solve.jacobian import (
    AveragedNetwork,
    Core,
    averaged_network,
    cores_of,
    measured_jacobian,
)
from netcheck.solve.ngspice import Array, Engine
from netcheck.solve.observe import Observation
from netcheck.solve.results import Solved, StartState

SLOW_CAPACITOR_F = 0.9e-9
"""Smaller ones settle within a cycle."""
CHOKE_OHM = 1e3
"""Makes a choke's amperes comparable with volts."""
MAX_STEP_V = 20.0
LEAST_LESSON_V = 0.05
"""A smaller move than this teaches more about rounding than about the circuit."""
ERROR_V = 0.1
ERROR_SHARE = 2.5e-4
"""Settled: every state is within this of where its mean vanishes (at twice as much the
watts of one fault in three were 0.5 % off, EL34 pair) ..."""
UNSURE = 2.0
"""Where the Jacobian is learned, the error is not known better than this anyway ..."""
SMALL = 0.5
"""... and its mean is below the stated share, unless the error is far smaller."""
CORE_STRICTNESS = 10.0
"""A mean voltage of a core's winding counts so many times ..."""
CORE_MEAN_V = 0.1
"""... unless it is below this: at 0.3 % of its rms a screen was still 2 % off (KT88)."""
FLOOR_RMS = 1e-9


@dataclass(frozen=True, slots=True)
class Means:
    """Slow states of one run: where they are, and the means that must vanish.

    scale: the rms that each residual is compared with.
    """

    states: Array
    residual: Array
    scale: Array


@dataclass(frozen=True)
class SlowStates:
    """Unknowns of a steady state: capacitors, then chokes, then cores.

    measured: the Jacobian at idle.  network: gives it for each run; None where the
    slopes of a part are not known.  correction: how it differs from the one at idle,
    as an earlier, similar run has learned, where there is no network.
    weight: makes volts and amperes comparable in a step.
    inertia: farad of a capacitor, henry of a choke or core.
    """

    circuit: Circuit
    capacitors: tuple[Part, ...]
    chokes: tuple[Part, ...]
    cores: tuple[Core, ...]
    measured: Array
    correction: Array
    weight: Array
    inertia: Array
    network: AveragedNetwork | None = None

    def means(self, seen: Observation) -> Means:
        """Return where the slow states are in a run, and what they should not have."""
        states: list[float] = []
        residual: list[float] = []
        scale: list[float] = []
        for part in self.capacitors:
            first, second = part.nets
            volts = seen.net(first) - seen.net(second)
            mean, rms = capacitor_current(volts, seen, part.value or 0.0)
            states.append(seen.mean(volts))
            residual.append(mean)
            scale.append(rms)
        for core in self.magnetic:
            near, far = seen.deck.winding[core.winding]
            volts = seen.node(near) - seen.node(far)
            currents = {ref: seen.vector(seen.deck.current[ref]) for ref in core.turns}
            states.append(
                sum(share * seen.mean(currents[ref]) for ref, share in core.turns.items())
            )
            residual.append(seen.mean(volts))
            scale.append(float(np.sqrt(seen.mean(volts * volts))))
        return Means(np.array(states), np.array(residual), np.array(scale))

    def taught(self, guess: StartState) -> SlowStates:
        """Return the same states with what an earlier, similar run has learned."""
        learned = guess.learned
        if self.network or learned is None or learned.shape != self.measured.shape:
            return self
        return replace(self, correction=learned)

    def jacobian(self, seen: Observation, cycles: int) -> Array:
        """Return the Jacobian as far as it is known from one run."""
        if self.network is None:
            return self.measured + self.correction
        return self.network.jacobian(seen, cycles)

    @property
    def magnetic(self) -> tuple[Core, ...]:
        """Chokes, as cores of one winding, and cores."""
        return (*(Core(part.ref, {part.ref: 1.0}) for part in self.chokes), *self.cores)

    def share(self, means: Means, step: Array) -> float:
        """Return the largest mean as a share of its rms, or 1 where a state is far off."""
        shares = np.abs(means.residual) / np.maximum(means.scale, FLOOR_RMS)
        error_v = np.abs(step) * self.weight
        allowed_v = ERROR_V + ERROR_SHARE * np.abs(means.states) * self.weight
        if self.network is None:
            allowed_v = UNSURE * allowed_v
        cores = np.arange(len(shares)) >= len(shares) - len(self.cores)
        shares = np.where(cores, CORE_STRICTNESS * shares, shares)
        small = (error_v < SMALL * allowed_v) & (~cores | (np.abs(means.residual) < CORE_MEAN_V))
        shares = np.where(small, 0.0, shares)
        shares = np.where(error_v > allowed_v, np.maximum(shares, 1.0), shares)
        return float(np.max(shares, initial=0.0))

    def size(self, step: Array) -> float:
        """Largest move of a step, in volts."""
        return float(np.max(np.abs(step) * self.weight, initial=0.0))

    def improved(
        self, jacobian: Array, seen: Observation, cycles: int, before: Means, after: Means
    ) -> Array:
        """Return the Jacobian of the next run, or one that also explains the last step.

        The latter is Broyden's update, for circuits whose network is not known.  The step
        is taken as the states really moved: what settles by itself between two runs must
        not be mistaken for an effect of the step.
        """
        if self.network is not None:
            return self.network.jacobian(seen, cycles)
        step = after.states - before.states
        scaled = self.weight * step
        norm = float(scaled @ scaled)
        if norm < LEAST_LESSON_V**2:
            return jacobian
        error = after.residual - before.residual - jacobian @ step
        return np.asarray(jacobian + np.outer(error, self.weight * scaled) / norm)

    def moved(self, end: StartState, step: Array) -> StartState:
        """Return the start of the next run: the end of the last, corrected."""
        volts = dict(end.capacitor_v)
        for number, part in enumerate(self.capacitors):
            first, second = part.nets
            at_end = end.node_v.get(first, 0.0) - end.node_v.get(second, 0.0)
            volts[part.ref] = at_end + float(step[number])
        amps = dict(end.winding_a)
        for number, core in enumerate(self.magnetic, len(self.capacitors)):
            amps[core.winding] = amps.get(core.winding, 0.0) + float(step[number])
        return replace(end, capacitor_v=volts, winding_a=amps)


def capacitor_current(volts: Array, seen: Observation, farad: float) -> tuple[float, float]:
    """Mean and rms current of a capacitor over the window [A]."""
    gaps = seen.gaps
    rates = np.diff(volts) / gaps
    window_s = float(gaps.sum())
    mean = farad * float(volts[-1] - volts[0]) / window_s
    rms = farad * float(np.sqrt(np.sum(rates * rates * gaps) / window_s))
    return mean, rms


def slow_states(engine: Engine, circuit: Circuit, idle: Solved) -> SlowStates:
    """List the slow states of a circuit and measure their Jacobian at idle."""
    capacitors = tuple(
        part
        for part in circuit.of_kind("capacitor")
        if (part.value or 0.0) >= SLOW_CAPACITOR_F and part.nets[0] != part.nets[1]
    )
    cores = cores_of(circuit)
    wound = {ref for core in cores for ref in core.turns}
    chokes = tuple(part for part in circuit.of_kind("inductor") if part.ref not in wound)
    network = averaged_network(circuit, capacitors, chokes, cores)
    measured = (
        measured_jacobian(engine, circuit, capacitors, chokes, cores, idle)
        if network is None
        else network.at_idle(idle)
    )
    weight = np.array(
        [1.0] * len(capacitors)
        + [CHOKE_OHM] * len(chokes)
        + [core_ohm(measured[number, number]) for number in range(-len(cores), 0)]
    )
    wound_on = (*chokes, *(circuit[core.winding] for core in cores))
    inertia = np.array([part.value or 0.0 for part in (*capacitors, *wound_on)])
    return SlowStates(
        circuit, capacitors, chokes, cores, measured, 0.0 * measured, weight, inertia, network
    )


def core_ohm(slope: float) -> float:
    """Weight of a core's current: the resistance its own voltage sees."""
    return max(abs(float(slope)), 1e-3)
