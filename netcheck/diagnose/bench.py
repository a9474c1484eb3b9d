"""Measurements solved: nominal with the meter connected, over drawn units, and faulted; and
where to stop.

Comes in: the circuit in one situation and what is wanted of it; the limits that hold at idle.
Goes out: readings, and for each the `Stop` at which to switch off, or not to switch on (None
where no reading of it alone says that something is about to be damaged).
Every measurement of volts is solved with the meter's own resistance between the two
probes, one measurement at a time; units within tolerance are drawn without it and
loaded by the same share, which holds as long as what stands behind a net differs by
percents only.

A stop is taken from the state in which a current into the grid circuit of an output tube (a
leak's, gas's) has brought its plate to the limit, and from the same current with the tubes
out.  The current is searched on a log grid; between two points of it the ratio is
interpolated and the state solved anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import AddCurrentSource, AddResistor, Change
from netcheck.circuit.model import GROUND, Circuit
from netcheck.diagnose.meters import Meter
from netcheck.diagnose.ohms import Network
from netcheck.diagnose.plan import Wanted
from netcheck.judge.base import LimitTable, PartLimit
from netcheck.judge.toleranced import Variable
from netcheck.models.sheet import Stop
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


LEAST_A, MOST_A, POINTS = 1e-8, 1e-2, 49


@dataclass(frozen=True, slots=True)
class HeatLimit:
    """One tube at its plate limit; `hot` and `out` with `ampere` into its grid circuit."""

    tube: str
    limit_w: float
    ampere: float
    hot: Solved
    out: Solved


def plate_limits(table: LimitTable) -> dict[str, PartLimit]:
    """Return each tube's plate limit at idle, the lowest where there are several."""
    found: dict[str, PartLimit] = {}
    for limit in table.limits:
        if limit.quantity != "plate_dissipation_w" or not limit.applies_in("idle"):
            continue
        known = found.get(limit.part)
        if known is None or limit.compared_limit < known.compared_limit:
            found[limit.part] = limit
    return found


def heat_limits(
    hot: SolvedBench, out: SolvedBench, tubes: Sequence[str], limits: dict[str, PartLimit]
) -> dict[str, HeatLimit]:
    """Return the tubes that a grid current brings to their limit, with that state."""
    found = {}
    for ref in tubes:
        if ref in limits:
            one = _heat_limit(hot, out, ref, limits[ref].compared_limit)
            if one is not None:
                found[ref] = one
    return found


def _heat_limit(hot: SolvedBench, out: SolvedBench, ref: str, limit_w: float) -> HeatLimit | None:
    levels = np.geomspace(LEAST_A, MOST_A, POINTS)
    outcomes = hot.solve([(_into(hot.circuit, ref, float(level)),) for level in levels])
    ratios = np.array([_ratio(one, ref, limit_w) for one in outcomes])
    over = np.flatnonzero(ratios >= 1.0)
    if not len(over) or over[0] == 0:
        return None
    at = int(over[0])
    if not np.isfinite(ratios[at - 1]):
        return None
    step = (1.0 - ratios[at - 1]) / (ratios[at] - ratios[at - 1])
    level = float(levels[at - 1] + step * (levels[at] - levels[at - 1]))
    pushed = (_into(hot.circuit, ref, level),)
    states = (*hot.solve([pushed]), *out.solve([pushed]))
    if not all(isinstance(one, Solved) for one in states):
        return None
    first, second = (one for one in states if isinstance(one, Solved))
    return HeatLimit(ref, limit_w, level, first, second)


def _ratio(outcome: Outcome, ref: str, limit_w: float) -> float:
    if not isinstance(outcome, Solved):
        return float("nan")
    return outcome.tubes[ref].plate_dissipation_w / limit_w


def _into(circuit: Circuit, ref: str, ampere: float) -> AddCurrentSource:
    return AddCurrentSource(f"into {ref}", GROUND, circuit[ref].net("grid"), ampere)


SHORTED_SUPPLY_OHM = 50e3
"""Least resistance of a B+ line to ground that has nothing across it: common practice."""
LEAST_CATHODE_OHM = 20.0
"""Below this a cathode resistor is there to read a current, and leads count."""
NEGATIVE_V = -3.0
"""A grid more negative than this is biased from a supply."""
HALF = 0.5


@dataclass(frozen=True, slots=True)
class Stops:
    """What is known for judging when to stop.

    heat: by output tube; limits: plate limits by tube; healthy: at idle.
    network: what stands behind a net with the supplies on, for the meter's load at a
    stop value, which may need another range than the nominal one.
    """

    circuit: Circuit
    outputs: tuple[str, ...]
    heat: Mapping[str, HeatLimit]
    limits: Mapping[str, PartLimit]
    healthy: Solved
    meter: Meter
    network: Network

    def power_off(self, wanted: Wanted, nominal: float, low: float, high: float) -> Stop | None:
        """Return when not to switch on."""
        of_output = any(ref in self.outputs for ref in wanted.tubes)
        if wanted.purpose == "rail":
            least = SHORTED_SUPPLY_OHM if math.isinf(low) else HALF * low
            return Stop("below", least, "something shorts the supply")
        if math.isinf(nominal) or not of_output:
            return None
        if wanted.purpose in ("grid", "bias"):
            return Stop("above", 2.0 * high, "no sound path from the grid to its bias")
        if wanted.purpose == "cathode" and nominal >= LEAST_CATHODE_OHM:
            return Stop("below", HALF * low, "the cathode has lost its bias resistance")
        if wanted.purpose == "winding":
            return Stop("above", 2.0 * high, "an open primary: the screen takes the current")
        return None

    def tubes_out(self, wanted: Wanted, low: float) -> Stop | None:
        """Return when not to put the tubes in."""
        if wanted.purpose == "rail":
            return self._rail(wanted, low)
        heat = self._heat(wanted)
        if wanted.purpose in ("grid", "bias") and heat is not None:
            value = self._as_read(wanted, _grid_v(self.circuit, heat.tube, heat.out))
            return Stop("above", value, f"{heat.tube} would run at {heat.limit_w:.3g} W")
        return None

    def reduced(self, wanted: Wanted, nominal: float, low: float, high: float) -> Stop | None:
        """Return when not to go further up."""
        if wanted.purpose == "rail":
            return Stop("below", HALF * low, "something loads the supply down")
        if wanted.purpose in ("grid", "bias") and nominal < NEGATIVE_V:
            return self._reduced_bias(wanted, nominal)
        if wanted.purpose == "current" and any(ref in self.outputs for ref in wanted.tubes):
            return Stop("above", 1.5 * high, "more current than this share of the mains explains")
        return None

    def idle(self, wanted: Wanted, nominal: float, low: float, share: float) -> Stop | None:
        """Return when to switch off at once."""
        if wanted.purpose == "rail":
            return self._rail(wanted, low)
        if wanted.purpose == "watts":
            limit = self.limits.get(wanted.tubes[0])
            return Stop("above", limit.compared_limit, "plate limit") if limit else None
        heat = self._heat(wanted)
        if heat is None:
            return None
        if wanted.purpose == "bias":
            value = self._as_read(wanted, _grid_v(self.circuit, heat.tube, heat.hot))
            return Stop("above", value, f"{heat.tube} at its {heat.limit_w:.3g} W")
        if wanted.purpose in ("grid", "cathode", "current"):
            value = value_in(wanted, heat.hot)
            value = self._as_read(wanted, value) if wanted.purpose == "grid" else share * value
            if value > nominal:
                return Stop("above", value, f"{heat.tube} at its {heat.limit_w:.3g} W")
        return None

    def coupler_leak_ohm(self, wanted: Wanted) -> float | None:
        """Return the leak of a coupling capacitor that brings its tube to its limit.

        It is the leak in use, with the volts that stand on the capacitor then.
        """
        heat = self._heat(wanted)
        if heat is None:
            return None
        source_v = 0.0 if wanted.net_a == GROUND else self.healthy.nets[wanted.net_a]
        grid_v = _grid_v(self.circuit, heat.tube, heat.hot)
        return (source_v - grid_v) / heat.ampere if source_v > grid_v else None

    def _reduced_bias(self, wanted: Wanted, nominal: float) -> Stop:
        """Return the full-mains stop in proportion; watts fall faster than the mains."""
        heat = self._heat(wanted)
        sound_v = _grid_v(self.circuit, heat.tube, self.healthy) if heat else 0.0
        if heat is None or sound_v >= NEGATIVE_V:
            return Stop("above", HALF * nominal, "half of the bias is missing")
        share = _grid_v(self.circuit, heat.tube, heat.hot) / sound_v
        why = f"{heat.tube} would reach {heat.limit_w:.3g} W on full mains"
        return Stop("above", share * nominal, why)

    def _as_read(self, wanted: Wanted, volts: float) -> float:
        """Return what the meter makes of the volts of a net."""
        behind = self.network.ohm(wanted.net_a, wanted.net_b)
        ohm = self.meter.load_ohm(volts)
        return volts if math.isinf(behind) else volts * ohm / (ohm + behind)

    def _heat(self, wanted: Wanted) -> HeatLimit | None:
        return next((self.heat[ref] for ref in wanted.tubes if ref in self.heat), None)

    def _rail(self, wanted: Wanted, low: float) -> Stop:
        ratings = [
            part.note.volts_v
            for part in self.circuit.parts_on.get(wanted.net_a, ())
            if part.kind == "capacitor" and part.note.volts_v and GROUND in part.nets
        ]
        if ratings:
            return Stop("above", min(ratings), "rating of the capacitor there")
        return Stop("below", HALF * low, "something loads the supply down")


def _grid_v(circuit: Circuit, tube: str, state: Solved) -> float:
    net = circuit[tube].net("grid")
    return 0.0 if net == GROUND else state.nets[net]
