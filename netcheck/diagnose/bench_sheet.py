"""The bench sheet of one circuit: what to measure in which order, and what to expect.

Comes in: a circuit and what the bench has (meter, mains band, lamp).  Goes out: a
`BenchSheet`.  Resistances are a linear network (`ohms.py`); volts and currents are
solved in each situation (`situations.py`), nominal with the meter connected and over
units drawn within tolerance; the stop values come from the state in which a plate
reaches its limit; what a wrong value points to comes from every fault solved in the
same situation.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import apply_changes
from netcheck.circuit.model import Circuit
from netcheck.diagnose.bench import Read, SolvedBench, Stops, heat_limits, plate_limits
from netcheck.diagnose.lamp import Lamp, lamp_points
from netcheck.diagnose.meters import DIGITAL, Meter
from netcheck.diagnose.ohms import network_of
from netcheck.diagnose.plan import Plan, Wanted
from netcheck.diagnose.sheet_lines import (
    CAUTIONS,
    LEADS,
    TITLES,
    Band,
    Pointed,
    assumptions_of,
    bands_of,
    coupler_line,
    idle_notes,
    made_line,
    pointed,
    pointing,
    with_lamp,
    with_points,
)
from netcheck.diagnose.situations import (
    IDLE,
    POWER_OFF,
    STEPS_OF_MAINS,
    TUBES_OUT,
    Situation,
    reduced,
    spread_of,
)
from netcheck.faults import list_faults
from netcheck.faults.base import Fault
from netcheck.judge.toleranced import Variable
from netcheck.models.sheet import BenchSheet, SheetLine, SheetStep, Stop
from netcheck.ratings.mains import find_band
from netcheck.roles import recognise
from netcheck.solve.pool import Pool
from netcheck.solve.results import NotSolved
from netcheck.units import format_quantity
from netcheck.workbench.baseline import baseline_of
from netcheck.workbench.health import require_health
from netcheck.workbench.settings import Progress, Step

StopRule = Callable[[Wanted, Band], Stop | None]


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """What the bench has; `mains` names a band, empty for nominal mains alone."""

    meter: Meter = DIGITAL
    mains: str = "230V"
    lamp: Lamp | None = None
    draws: int = 200
    seed: int = 1


def bench_sheet(
    circuit: Circuit, name: str, options: SheetOptions, pool: Pool, progress: Progress
) -> BenchSheet:
    """Return the bench sheet; raises UnanswerableError where nothing healthy is solved."""
    maker = _Maker(circuit, options, pool)
    steps = []
    makers: list[Callable[[], SheetStep]] = [maker.power_off, maker.tubes_out]
    makers += [partial(maker.reduced, share) for share in STEPS_OF_MAINS]
    if options.lamp is not None:
        makers.append(maker.lamp)
    makers.append(maker.idle)
    progress.start(Step.AT_BENCH, len(makers))
    for make in makers:
        steps.append(make())
        progress.advance()
        pool.heed_stop()
    progress.finish()
    return BenchSheet(
        name,
        circuit.title,
        CAUTIONS,
        tuple(maker.in_order(steps)),
        options.meter.words,
        maker.mains_words,
        (*maker.remarks, *assumptions_of(options.draws, options.seed, options.meter)),
        pool.engine,
    )


class _Maker:
    """Makes the steps of one circuit's sheet."""

    def __init__(self, circuit: Circuit, options: SheetOptions, pool: Pool) -> None:
        self.circuit, self.options, self.pool = circuit, options, pool
        self.roles = recognise(circuit)
        self.plan = Plan(circuit, self.roles)
        band = find_band(options.mains) if options.mains else None
        self.mains_v = band.nominal_v if band else None
        self.mains_words = (
            f"{band.nominal_v:g} V nominal, {band.low_v:g} to {band.high_v:g} V ({band.source})"
            if band
            else "nominal: measure it, and read every voltage in proportion"
        )
        spread = spread_of(circuit, self.roles, band, options.draws, options.seed)
        self.remarks, self.on_mains = spread.remarks, spread.on_mains
        self.variables, self.factors = spread.variables, spread.factors
        self.faults = list_faults(circuit, self.roles)
        self.hot = SolvedBench(pool, "idle", circuit, options.meter)
        self.out = self._bench(TUBES_OUT, hot=False)
        healthy = require_health(circuit, self.roles, self.hot.solve([()])[0])
        limits = plate_limits(baseline_of(circuit, {"idle": healthy}, self.roles).table)
        outputs = tuple(tube.ref for tube in self.plan.outputs)
        heat = heat_limits(self.hot, self.out, outputs, limits)
        network = network_of(circuit, sources_conduct=True)
        self.stops = Stops(circuit, outputs, heat, limits, healthy, options.meter, network)
        self._idle: SheetStep | None = None

    def power_off(self) -> SheetStep:
        """Step 1."""
        lines = ohm_step(
            self.circuit, self.plan.power_off(), self.variables, self.factors, self.faults,
            self.stops,
        )  # fmt: skip
        return SheetStep("power_off", TITLES["power_off"], LEADS["power_off"], lines)

    def tubes_out(self) -> SheetStep:
        """Step 2: volts at the sockets, and leaks."""
        wanted = self.plan.tubes_out()
        plain = tuple(one for one in wanted if one.purpose != "coupler")
        read = self.out.read(plain, self.variables, self.factors)
        if isinstance(read, NotSolved):
            return _missing("tubes_out", read)
        lines = self._lines(
            "tubes_out", plain, [read],
            lambda one, band: self.stops.tubes_out(one, band.low),
        )  # fmt: skip
        lines = with_points(lines, self._points(TUBES_OUT, self.out, plain, read))
        leaks = tuple(
            coupler_line(one, read.state, self.options.meter, self.stops)
            for one in wanted
            if one.purpose == "coupler"
        )
        return SheetStep("tubes_out", TITLES["tubes_out"], LEADS["tubes_out"], (*lines, *leaks))

    def reduced(self, share: float) -> SheetStep:
        """Return the step at a share of the mains, tubes between cold and hot."""
        situation = reduced(share)
        benches = [self._bench(situation, hot=hot) for hot in situation.hot]
        return self._between(situation.key, TITLES["mains"].format(share), benches)

    def lamp(self) -> SheetStep:
        """Return the step behind a series lamp."""
        lamp = self.options.lamp
        assert lamp is not None
        mains_v = self.mains_v or lamp.rated_v
        points = lamp_points(self.hot, self.on_mains, lamp, mains_v)
        if points is None:
            return SheetStep("lamp", TITLES["lamp"], LEADS["lamp"], (), "the supply did not solve")
        self.remarks = (*self.remarks, *points.remarks)
        benches = [
            self._bench(Situation(f"lamp_{'hot' if hot else 'cold'}", one.share), hot=hot)
            for hot, one in ((False, points.cold), (True, points.hot))
        ]
        title = f"{TITLES['lamp']} ({lamp.words}, mains {mains_v:g} V)"
        step = self._between("lamp", title, benches)
        return with_lamp(step, points, lamp, mains_v)

    def idle(self) -> SheetStep:
        """Return the step with the tubes in, on full mains."""
        wanted = self.plan.idle()
        read = self.hot.read(wanted, self.variables, self.factors)
        if isinstance(read, NotSolved):
            return _missing("idle", read)
        notes = idle_notes(wanted, read.state, self.stops.limits)
        lines = self._lines(
            "idle", wanted, [read],
            lambda one, band: self.stops.idle(one, band.nominal, band.low, band.share),
            notes,
        )  # fmt: skip
        points = self._points(IDLE, self.hot, wanted, read)
        self._idle = SheetStep("idle", TITLES["idle"], LEADS["idle"], with_points(lines, points))
        return self._idle

    def in_order(self, steps: Sequence[SheetStep]) -> list[SheetStep]:
        """Return the steps; on reduced mains a wrong value points to what it does at idle."""
        known = {line.id.partition("/")[2]: line for line in self._idle.lines} if self._idle else {}
        return [
            SheetStep(
                step.key, step.title, step.lead,
                _pointed(step, known), step.missing,
            )
            if step.key.startswith(("mains", "lamp"))
            else step
            for step in steps
        ]  # fmt: skip

    def _between(self, key: str, title: str, benches: Sequence[SolvedBench]) -> SheetStep:
        """Return a step whose tubes may be in any of several states."""
        wanted = self.plan.reduced()
        reads = [one.read(wanted, self.variables, self.factors) for one in benches]
        for one in reads:
            if isinstance(one, NotSolved):
                return SheetStep(key, title, "", (), one.reason)
        lines = self._lines(
            key, wanted, [one for one in reads if isinstance(one, Read)],
            lambda one, band: self.stops.reduced(one, band.nominal, band.low, band.high),
        )  # fmt: skip
        return SheetStep(key, title, LEADS["lamp" if key == "lamp" else "mains"], lines)

    def _lines(
        self,
        key: str,
        wanted: Sequence[Wanted],
        reads: Sequence[Read],
        rule: StopRule,
        notes: Sequence[str] = (),
    ) -> tuple[SheetLine, ...]:
        bands = bands_of(wanted, reads, self.options.meter)
        return tuple(
            made_line(key, one, band, rule(one, band), note)
            for one, band, note in zip(wanted, bands, notes or [""] * len(wanted), strict=True)
        )

    def _points(
        self, situation: Situation, bench: SolvedBench, wanted: Sequence[Wanted], read: Read
    ) -> list[Pointed]:
        """Return what each reading points to, from every fault solved in the situation."""
        shown = [fault for fault in self.faults if situation.shows(fault)]
        readings = bench.faulted(wanted, read, [fault.changes for fault in shown])
        ends = [
            (band.nominal, band.low, band.high, band.least)
            for band in bands_of(wanted, [read], self.options.meter)
        ]
        return pointed(ends, shown, readings)

    def _bench(self, situation: Situation, *, hot: bool) -> SolvedBench:
        circuit = situation.circuit(self.circuit, self.on_mains, hot)
        name = f"{situation.key}{'' if hot else ' cold'}"
        return SolvedBench(self.pool, name, circuit, self.options.meter)


def _pointed(step: SheetStep, at_idle: Mapping[str, SheetLine]) -> tuple[SheetLine, ...]:
    return tuple(pointing(line, at_idle.get(line.id.partition("/")[2])) for line in step.lines)


def _missing(key: str, outcome: NotSolved) -> SheetStep:
    return SheetStep(key, TITLES[key], LEADS[key], (), outcome.reason)


OHM_STEP_LEAST_OHM, LEAST_SHARE = 0.3, 0.01
"""What an ohmmeter with its leads tells apart: common practice."""
CONDUCTS_SHARE = 0.8
"""From here on it is worth a word what a rectifier that conducts would do."""

Array = NDArray[np.float64]


def ohm_step(
    circuit: Circuit,
    wanted: Sequence[Wanted],
    variables: Sequence[Variable],
    factors: Array,
    faults: Sequence[Fault],
    stops: Stops,
) -> tuple[SheetLine, ...]:
    """Return the lines of the step."""
    nominal = _read(circuit, wanted)
    bands = [
        _band(value, column)
        for value, column in zip(nominal, _units(circuit, wanted, variables, factors), strict=True)
    ]
    conducting = network_of(circuit, sources_conduct=True)
    lines = [
        made_line(
            POWER_OFF.key,
            one,
            band,
            stops.power_off(one, band.nominal, band.low, band.high),
            _note(one, band, conducting.ohm(one.net_a, one.net_b)),
        )
        for one, band in zip(wanted, bands, strict=True)
    ]
    shown = [fault for fault in faults if POWER_OFF.shows(fault)]
    readings = [_read(apply_changes(circuit, fault.changes), wanted) for fault in shown]
    ends = [(band.nominal, band.low, band.high, band.least) for band in bands]
    return with_points(lines, pointed(ends, shown, readings))


def _read(circuit: Circuit, wanted: Sequence[Wanted]) -> list[float]:
    network = network_of(circuit)
    return [network.ohm(one.net_a, one.net_b) for one in wanted]


def _units(
    circuit: Circuit, wanted: Sequence[Wanted], variables: Sequence[Variable], factors: Array
) -> Array:
    """Return (wanted, units)."""
    rows = []
    for unit in factors:
        known = {
            part: float(unit[at])
            for at, one in enumerate(variables)
            if one.kind in ("value", "wire")
            for part in one.parts
        }
        network = network_of(circuit, known)
        rows.append([network.ohm(one.net_a, one.net_b) for one in wanted])
    return np.array(rows).reshape(len(factors), len(wanted)).T


def _band(nominal: float, units: Array) -> Band:
    if math.isinf(nominal):
        return Band(nominal, nominal, nominal)
    low, high = (float(end) for end in np.percentile(units, (5.0, 95.0)))
    least = OHM_STEP_LEAST_OHM + LEAST_SHARE * nominal
    return Band(nominal, max(low - least, 0.0), high + least, least=least)


def _note(wanted: Wanted, band: Band, conducting: float) -> str:
    notes = []
    if wanted.purpose == "rail":
        notes.append("rises while the capacitors charge; wait")
    if OHM_STEP_LEAST_OHM < conducting < CONDUCTS_SHARE * band.nominal:
        words = format_quantity(conducting, "ohm", 3)
        notes.append(f"{words} if the rectifier ahead conducts: then swap the probes")
    if band.nominal < 2.0:
        notes.append("first touch the probes together and subtract what they read")
    return "; ".join(notes)
