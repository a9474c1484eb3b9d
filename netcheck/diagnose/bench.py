"""Measurements solved: nominal with the meter connected, over drawn units, and faulted.

Comes in: the circuit in one situation and what is wanted of it.  Goes out: readings.
Every measurement of volts is solved with the meter's own resistance between the two
probes, one measurement at a time; units within tolerance are drawn without it and
loaded by the same share, which holds as long as what stands behind a net differs by
percents only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import AddResistor, Change
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.meters import Meter
from netcheck.diagnose.plan import Wanted
from netcheck.judge.toleranced import Variable
from netcheck.solve.draws import Drawn, Knob, nominal_of, solve_draws
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost, Pool
from netcheck.solve.results import NotSolved, Outcome, Solved
from netcheck.workbench.sweep import IdleTask, idle_outcomes
from netcheck.workbench.tolerance import knob_of

Array = NDArray[np.float64]
QUIET_V = 1e-3
"""A net below this is at 0 V: no share to load it by."""


def value_in(wanted: Wanted, state: Solved) -> float:
    """Return what is wanted from a solved state, without a meter."""
    if wanted.unit == "W":
        return sum(state.tubes[ref].plate_dissipation_w for ref in wanted.tubes)
    return wanted.scale * (_volts(state, wanted.net_a) - _volts(state, wanted.net_b))


def _volts(state: Solved, net: str) -> float:
    return 0.0 if net == GROUND else state.nets[net]


def _drawn_value(wanted: Wanted, drawn: Drawn) -> Array:
    volts = drawn.net(wanted.net_a) - drawn.net(wanted.net_b)
    if wanted.unit == "W":
        return volts * drawn.electrode(wanted.tubes[0], "plate")
    return wanted.scale * volts


def draw_chunk(
    engine: Engine,
    circuit: Circuit,
    wanted: tuple[Wanted, ...],
    knobs: tuple[Knob, ...],
    settings: Array,
) -> Array:
    """Solve units in a worker: one row a unit, nan where it was not solved."""
    drawn = solve_draws(engine, circuit, knobs, settings)
    return np.array([_drawn_value(one, drawn) for one in wanted]).reshape(len(wanted), -1).T


@dataclass(frozen=True)
class Read:
    """One situation solved.

    state: without a meter; nominal: as read; share: reading over volts, 1 where there
    is nothing to load; units: (units, wanted), as read.
    """

    state: Solved
    nominal: tuple[float, ...]
    share: tuple[float, ...]
    units: Array


class SolvedBench:
    """One circuit on the pool, in one situation."""

    def __init__(self, pool: Pool, name: str, circuit: Circuit, meter: Meter) -> None:
        self.pool = pool
        self.circuit = circuit
        self.meter = meter
        self.condition = name
        self.shared = pool.share(f"bench {name}", circuit)

    def solve(self, variants: Sequence[tuple[Change, ...]]) -> list[Outcome]:
        """Return operating points without a meter."""
        return idle_outcomes(self.pool, IdleTask(self.shared, self.condition), variants)

    def read(
        self, wanted: tuple[Wanted, ...], variables: Sequence[Variable], factors: Array
    ) -> Read | NotSolved:
        """Return nominal readings and those of drawn units."""
        state = self.solve([()])[0]
        if isinstance(state, NotSolved):
            return state
        plain = [value_in(one, state) for one in wanted]
        meters = [self._meter(one, value) for one, value in zip(wanted, plain, strict=True)]
        loaded = self.solve(meters)
        nominal = [
            value_in(one, each) if isinstance(each, Solved) else value
            for one, each, value in zip(wanted, loaded, plain, strict=True)
        ]
        share = [
            read / value if abs(value) > QUIET_V * one.scale else 1.0
            for one, read, value in zip(wanted, nominal, plain, strict=True)
        ]
        units = self._units(wanted, variables, factors) * np.array(share)
        return Read(state, tuple(nominal), tuple(share), units)

    def _meter(self, wanted: Wanted, value: float) -> tuple[Change, ...]:
        if wanted.unit == "W" or wanted.net_a == wanted.net_b:
            return ()
        ohm = self.meter.load_ohm(value / wanted.scale)
        name = f"meter {wanted.net_a} {wanted.net_b}"
        return (AddResistor(name, wanted.net_a, wanted.net_b, ohm),)

    def faulted(
        self, wanted: Sequence[Wanted], read: Read, variants: Sequence[tuple[Change, ...]]
    ) -> list[list[float] | None]:
        """Return the readings with each fault; None where it was not solved."""
        highest = max((abs(volts) for volts in read.state.nets.values()), default=0.0)
        nets = tuple(
            dict.fromkeys(
                one.net_a
                for one, share in zip(wanted, read.share, strict=True)
                if one.net_b == GROUND and one.purpose in ("grid", "bias") and one.unit == "V"
            )
        )
        ohm = self.meter.load_ohm(min(highest, 50.0))
        task = IdleTask(self.shared, self.condition, nets, ohm)
        outcomes = idle_outcomes(self.pool, task, variants)
        return [
            self._faulted(wanted, read, each) if isinstance(each, Solved) else None
            for each in outcomes
        ]

    def _faulted(self, wanted: Sequence[Wanted], read: Read, state: Solved) -> list[float]:
        return [
            state.readings[one.net_a]
            if one.net_b == GROUND and one.unit == "V" and one.net_a in state.readings
            else share * value_in(one, state)
            for one, share in zip(wanted, read.share, strict=True)
        ]

    def _units(
        self, wanted: tuple[Wanted, ...], variables: Sequence[Variable], factors: Array
    ) -> Array:
        cold = all(tube.current_scale == 0.0 for tube in self.circuit.tubes if tube.has_pin("grid"))
        chosen = [at for at, one in enumerate(variables) if not (cold and one.is_tube)]
        knobs = [
            (at, knob_of(variables[at], part)) for at in chosen for part in variables[at].parts
        ]
        columns = [factors[:, at] * nominal_of(self.circuit, knob) for at, knob in knobs]
        settings = np.array(columns).reshape(len(columns), len(factors)).T
        halves = np.array_split(settings, self.pool.size)
        known = tuple(knob for _, knob in knobs)
        jobs = [Job(draw_chunk, (self.shared, wanted, known, half), len(half)) for half in halves]
        answers = self.pool.run(jobs)
        blank = np.full((0, len(wanted)), np.nan)
        return np.concatenate([blank if isinstance(one, Lost) else one for one in answers])


def band_of(units: Array) -> tuple[Array, Array]:
    """Return by column what 90 % of the units lie between; nan where none was solved."""
    known = np.asarray(units)
    solved = known[~np.isnan(known).any(axis=1)]
    if not len(solved):
        nothing = np.full(known.shape[1], np.nan)
        return nothing, nothing
    low, high = np.percentile(solved, (5.0, 95.0), axis=0)
    return low, high
