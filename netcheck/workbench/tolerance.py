"""The healthy circuit over mains, parts and tubes: drawn units, and worst corners.

Comes in: the circuit, the limits that hold at idle, and how many units to draw.
Goes out: `Toleranced`.

Draws (Monte Carlo) tell which share of built units exceeds a limit.  Rating systems
ask for ends instead: with each variable alone at its low and its high end the sign
of its influence on each limit is found, then one corner a limit is solved with every
variable at the end that raises it; once with tubes nominal (bogey tubes) and once
with them too.  Where a drawn unit exceeds the corner, the quantity is not monotonic
and that unit stands for the worst case.

All draws are made by the parent, from a numpy Generator with the seed given, and
chunks have one size, so that the figures do not depend on the number of workers.

Parts spread evenly within their marked tolerance (a maker may have picked out the
middle of a batch), mains evenly within their band; the even spread is our choice and
the harder one.  A tube's currents spread about its data sheet by some 15 %, cut off
at 35 % (worked out from published accounts of +-30 to 34 % tube to tube and of
batches of 25 whose best is twice their worst); its screen current spreads more than
its plate current: +-45 against +-22 % where a sheet prints both (6AC7, 2.2 +-1.0 mA
and 10.25 +-2.25 mA).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.model import Circuit, Part
from netcheck.judge.base import LimitTable, PartLimit
from netcheck.judge.drawn import measure_draws
from netcheck.judge.statistics import Share, share_of, variance_shares
from netcheck.judge.toleranced import (
    CASE_OF,
    COMPARISON,
    Influence,
    LimitSpread,
    Toleranced,
    Variable,
    idle_limits,
    judged_value,
)
from netcheck.quantities import rank_class_of
from netcheck.ratings.mains import MainsBand, find_band
from netcheck.roles.base import Roles
from netcheck.solve.draws import Knob, nominal_of, solve_draws
from netcheck.solve.ngspice import Engine
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.workbench.settings import Progress, Step, ToleranceOptions

Array = NDArray[np.float64]

CHUNK = 250
"""Draws a job, the same for any number of workers."""
SMALL = 1e-6
"""A swing of the ratio below this is the solver's own error."""


@dataclass(frozen=True)
class Values:
    """Judged quantities by draw: (draws, limits), nan where not solved or not holding."""

    values: Array
    solved: NDArray[np.bool_]
    reasons: tuple[str, ...] = ()


def solve_draw_chunk(
    engine: Engine,
    circuit: Circuit,
    limits: tuple[PartLimit, ...],
    knobs: tuple[Knob, ...],
    settings: Array,
) -> Values:
    """Solve some draws in a worker and measure every limit in them."""
    drawn = solve_draws(engine, circuit, knobs, settings)
    blank = np.full(len(settings), np.nan)
    columns = [measure_draws(limit, drawn) for limit in limits]
    values = np.array([blank if one is None else one for one in columns]).reshape(len(limits), -1)
    values[:, ~drawn.solved] = np.nan
    return Values(values.T, drawn.solved, drawn.reasons)


class Units:
    """Units of one circuit on the pool: a row of factors in, judged quantities out."""

    def __init__(
        self,
        pool: Pool,
        circuit: Circuit,
        shared: Shared,
        variables: Sequence[Variable],
        limits: tuple[PartLimit, ...],
    ) -> None:
        self.pool = pool
        self.circuit = circuit
        self.shared = shared
        self.variables = variables
        self.knobs = tuple(knob_of(one, part) for one in variables for part in one.parts)
        self.limits = pool.share("limits at idle", limits)
        self._width = len(limits)

    def solve(self, factors: Array, progress: Progress | None = None) -> Values:
        """Return what each unit does; `factors` is (units, variables)."""
        settings = self._settings(factors)
        chunks = [settings[at : at + CHUNK] for at in range(0, len(settings), CHUNK)]
        jobs = [
            Job(solve_draw_chunk, (self.shared, self.limits, self.knobs, chunk), len(chunk))
            for chunk in chunks
        ]
        answers = self.pool.run(jobs, progress.advance if progress else lambda count: None)
        parts = [
            self._lost(len(chunk), answer) if isinstance(answer, Lost) else answer
            for chunk, answer in zip(chunks, answers, strict=True)
        ]
        return Values(
            np.concatenate([one.values for one in parts]),
            np.concatenate([one.solved for one in parts]),
            tuple(dict.fromkeys(reason for one in parts for reason in one.reasons)),
        )

    def _lost(self, count: int, answer: Lost) -> Values:
        values = np.full((count, self._width), np.nan)
        return Values(values, np.zeros(count, dtype=bool), (answer.reason,))

    def _settings(self, factors: Array) -> Array:
        """Return what each knob is set to: nominal times the factor of its variable."""
        columns = [
            factors[:, place] * nominal_of(self.circuit, knob_of(one, part))
            for place, one in enumerate(self.variables)
            for part in one.parts
        ]
        return np.array(columns).reshape(len(columns), len(factors)).T


def draw_factors(variables: Sequence[Variable], draws: int, seed: int) -> Array:
    """Return (draws, variables) factors on nominal, one column a variable."""
    generator = np.random.default_rng(seed)
    columns = [_drawn(generator, one, draws) for one in variables]
    return np.array(columns).reshape(len(variables), draws).T


def _drawn(generator: np.random.Generator, one: Variable, draws: int) -> Array:
    if one.sigma == 0.0:
        return generator.uniform(one.low, one.high, draws)
    values = generator.normal(1.0, one.sigma, draws)
    while (outside := (values < one.low) | (values > one.high)).any():
        values[outside] = generator.normal(1.0, one.sigma, int(outside.sum()))
    return values


def tolerance_of(
    pool: Pool,
    shared: Shared,
    circuit: Circuit,
    roles: Roles,
    table: LimitTable,
    options: ToleranceOptions,
    progress: Progress,
) -> Toleranced:
    """Draw units, search the corners, and put both together by limit."""
    band = find_band(options.mains) if options.mains else None
    variables, assumptions = variables_of(circuit, roles, band)
    limits = idle_limits(table.limits)
    units = Units(pool, circuit, shared, variables, limits)
    factors = draw_factors(variables, options.draws, options.seed)
    progress.start(Step.UNITS, options.draws)
    drawn = units.solve(factors, progress)
    progress.finish()
    found = _Found(circuit, limits, variables, drawn, _corners(units, limits, variables), factors)
    return Toleranced(
        draws=options.draws,
        seed=options.seed,
        mains=_in_words(band),
        variables=variables,
        limits=tuple(found.spread(place) for place in found.places),
        exceeding_any=found.exceeding_any(),
        assumptions=assumptions,
        reasons=drawn.reasons,
    )


def _in_words(band: MainsBand | None) -> str:
    if band is None:
        return "mains at nominal"
    return f"mains {band.low_v:g} to {band.high_v:g} V ({band.source})"


@dataclass(frozen=True)
class _Corners:
    """Quantities at nominal, with one variable at an end, and in the corner of each limit.

    low, high: (variables, limits).  bogey, worst: (limits,).  factors: where the worst
    corner of each limit is, (limits, variables).
    """

    nominal: Array
    low: Array
    high: Array
    bogey: Array
    worst: Array
    factors: Array


def _corners(
    units: Units, limits: tuple[PartLimit, ...], variables: Sequence[Variable]
) -> _Corners:
    count = len(variables)
    ends = np.ones((1 + 2 * count, count))
    for place, one in enumerate(variables):
        ends[1 + place, place] = one.low
        ends[1 + count + place, place] = one.high
    alone = units.solve(ends).values
    nominal, low, high = alone[0], alone[1 : 1 + count], alone[1 + count :]
    lows, highs = np.array([(one.low, one.high) for one in variables]).reshape(count, 2).T
    is_tube = np.array([one.is_tube for one in variables], dtype=bool)
    gains_low = np.nan_to_num(low - nominal, nan=-np.inf).T
    gains_high = np.nan_to_num(high - nominal, nan=-np.inf).T
    least = SMALL * np.array([limit.limit for limit in limits])[:, None]
    best = np.where(gains_high >= gains_low, highs, lows)
    best = np.where(np.maximum(gains_high, gains_low) > least, best, 1.0)
    corners = units.solve(np.concatenate([np.where(is_tube, 1.0, best), best])).values
    own = np.arange(len(limits))
    bogey, worst = corners[own, own], corners[len(limits) + own, own]
    return _Corners(nominal, low, high, bogey, worst, best)


class _Found:
    """Draws and corners together, one limit at a time."""

    def __init__(
        self,
        circuit: Circuit,
        limits: tuple[PartLimit, ...],
        variables: Sequence[Variable],
        drawn: Values,
        corners: _Corners,
        factors: Array,
    ) -> None:
        self.circuit = circuit
        self.limits = limits
        self.variables = variables
        self.drawn = drawn
        self.corners = corners
        known = drawn.solved
        self.values = drawn.values[known]
        self.places = [
            place
            for place in range(len(limits))
            if np.isfinite(corners.nominal[place]) and np.isfinite(self.values[:, place]).any()
        ]
        self.published = np.array([limit.limit for limit in limits])
        filled = np.where(np.isfinite(self.values), self.values, corners.nominal)
        self.brought = variance_shares(factors[known], np.nan_to_num(filled))

    def exceeding_any(self) -> Share:
        """Return the share of units that exceed at least one limit."""
        over = self.values[:, self.places] > self.published[self.places]
        missing = int((~self.drawn.solved).sum())
        return share_of(int(over.any(axis=1).sum()), len(self.values), missing)

    def spread(self, place: int) -> LimitSpread:
        """Return one limit."""
        limit = self.limits[place]
        column = self.values[:, place]
        column = column[np.isfinite(column)]
        nominal = float(self.corners.nominal[place])
        bogey, worst = _known(self.corners.bogey[place]), _known(self.corners.worst[place])
        highest = float(column.max())
        drawn_worse = worst is None or highest > worst * (1.0 + SMALL) + SMALL * limit.limit
        worst = highest if worst is None else max(worst, highest)
        judged = judged_value(limit.rating_system, nominal, bogey, worst)
        low, high = (float(one) for one in np.percentile(column, (5.0, 95.0)))
        missing = int((~self.drawn.solved).sum())
        return LimitSpread(
            part=limit.part,
            quantity=limit.quantity,
            limit=limit.limit,
            rating_system=limit.rating_system,
            case=CASE_OF[limit.rating_system],
            comparison=COMPARISON[limit.rating_system],
            nominal=nominal,
            toleranced=bogey,
            worst_case=worst,
            judged=None if judged is None else judged / limit.limit,
            mean=float(column.mean()),
            low=low,
            high=high,
            exceeding=share_of(int((column > limit.limit).sum()), len(self.values), missing),
            influences=self._influences(place),
            rank_class=rank_class_of(self.circuit[limit.part].kind, limit.quantity),
            drawn_worse=drawn_worse,
            corner=self._corner(place),
        )

    def _corner(self, place: int) -> tuple[tuple[str, float], ...]:
        """Return the factors of the variables that matter to a quantity."""
        factors = self.corners.factors[place]
        named = zip(self.variables, factors, strict=True)
        return tuple((one.name, float(factor)) for one, factor in named if factor != 1.0)

    def _influences(self, place: int) -> tuple[Influence, ...]:
        """Return what moves a quantity, the largest share of its variance first."""
        limit = self.published[place]
        low, high = self.corners.low[:, place] / limit, self.corners.high[:, place] / limit
        every = [
            Influence(one.name, float(low[at]), float(high[at]), float(self.brought[at, place]))
            for at, one in enumerate(self.variables)
            if abs(high[at] - low[at]) > SMALL
        ]
        return tuple(sorted(every, key=lambda one: (-one.variance_share, one.variable)))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


RESISTOR = 0.10
"""Of a resistor without tol= in its note: E12, the common series of the era (IEC 60063)."""
POT = 0.20
"""Of a pot's track (common practice)."""
WIRE = 0.10
"""Of a winding's resistance (common practice)."""
EMISSION_SIGMA, EMISSION_MOST = 0.15, 0.35
SCREEN_MOST = math.sqrt(0.45**2 - 0.22**2)
"""Of a screen current beyond what it shares with the plate current: 6AC7 as quoted
in the docstring, taken as independent."""
SCREEN_SIGMA = SCREEN_MOST * EMISSION_SIGMA / EMISSION_MOST
"""Cut off at as many sigmas as the emission."""

MARKED = "tol= in the note"
ASSUMED = {
    "resistor": f"+-{RESISTOR:.0%}, series E12 of IEC 60063: assumed, no tol= in the note",
    "pot": f"+-{POT:.0%} of the track: common practice, assumed",
    "wire": f"+-{WIRE:.0%} of the wire: common practice, assumed",
}
TUBE_SOURCE = (
    "sigma 15 %, cut off at 35 %: worked out from published accounts of tube to tube spread "
    "(+-30 to 34 %; a batch of 25 of twice from least to most)"
)
SCREEN_SOURCE = "screen +-45 % where the plate is +-22 % (handbook sheet of the 6AC7)"


def knob_of(variable: Variable, part: str) -> Knob:
    """Return what is turned of a part where a variable spreads."""
    return Knob(part, "value" if variable.kind == "mains" else variable.kind)


def variables_of(
    circuit: Circuit, roles: Roles, band: MainsBand | None
) -> tuple[tuple[Variable, ...], tuple[str, ...]]:
    """Return what spreads, and what was assumed."""
    found: list[Variable] = []
    assumed: list[str] = []
    if band is not None:
        sources, remark = _on_mains(circuit, roles)
        assumed += remark
        if sources:
            low, high = band.low_ratio, band.high_ratio
            found.append(Variable("mains", "mains", sources, low, high, 0.0, band.source))
    found += _pots(circuit)
    found += _parts(circuit)
    found += _tubes(circuit)
    return tuple(found), (*assumed, *_remarks(circuit, found, band))


def _on_mains(circuit: Circuit, roles: Roles) -> tuple[tuple[str, ...], list[str]]:
    """Return the sources that move with the mains; all DC sources where none is marked."""
    sources = [part for part in circuit.of_kind("voltage_source") if part.value]
    marked = tuple(part.ref for part in sources if part.note.follows_mains)
    if marked:
        return marked, []
    guessed = tuple(
        part.ref
        for part in sources
        if not part.note.is_input and part.ref != roles.input_source and not part.added
    )
    if not guessed:
        return (), ["no source moves with the mains: their spread is not in these figures"]
    named = ", ".join(guessed)
    return guessed, [f"no source is marked follows_mains: {named} taken to move with the mains"]


def _pots(circuit: Circuit) -> Iterator[Variable]:
    halves: dict[str, list[str]] = {}
    for part in circuit.of_kind("resistor"):
        if part.note.pot and part.value:
            halves.setdefault(part.note.pot, []).append(part.ref)
    for name, refs in halves.items():
        marks = [circuit[ref].note.tolerance for ref in refs if circuit[ref].note.tolerance]
        most = max((mark for mark in marks if mark), default=POT)
        source = MARKED if marks else ASSUMED["pot"]
        yield Variable(name, "value", tuple(refs), 1.0 - most, 1.0 + most, 0.0, source)


def _parts(circuit: Circuit) -> Iterator[Variable]:
    """Give resistors and windings; capacitors carry no direct current."""
    for part in circuit:
        if part.added or part.note.is_speaker:
            continue
        if part.kind == "resistor" and part.value and not part.note.pot:
            yield _even(part, "value", RESISTOR, "resistor")
        elif part.kind == "inductor" and part.note.dcr_ohm:
            yield _even(part, "wire", WIRE, "wire")


def _even(part: Part, kind: str, usual: float, word: str) -> Variable:
    marked = part.note.tolerance if kind == "value" else None
    most = usual if marked is None else min(marked, 0.99)
    source = ASSUMED[word] if marked is None else MARKED
    if kind == "wire":
        return Variable(
            f"wire of {part.ref}", "wire", (part.ref,), 1.0 - most, 1.0 + most, 0.0, source
        )
    return Variable(part.ref, "value", (part.ref,), 1.0 - most, 1.0 + most, 0.0, source)


def is_spread(part: Part) -> bool:
    """Say whether a tube follows the law on file, whose currents can be scaled."""
    own = part.element is not None and bool(part.element.body)
    return part.tube is not None and part.has_pin("grid") and not own


def _tubes(circuit: Circuit) -> Iterator[Variable]:
    for tube in circuit.tubes:
        if not is_spread(tube):
            continue
        low, high = 1.0 - EMISSION_MOST, 1.0 + EMISSION_MOST
        name = f"{tube.ref} current"
        yield Variable(name, "emission", (tube.ref,), low, high, EMISSION_SIGMA, TUBE_SOURCE)
        if tube.has_pin("screen"):
            low, high = 1.0 - SCREEN_MOST, 1.0 + SCREEN_MOST
            name = f"{tube.ref} screen current"
            yield Variable(name, "screen", (tube.ref,), low, high, SCREEN_SIGMA, SCREEN_SOURCE)


def _remarks(circuit: Circuit, found: Sequence[Variable], band: MainsBand | None) -> Iterator[str]:
    unmarked = [one for one in found if one.source == ASSUMED["resistor"]]
    if unmarked:
        yield (
            f"{len(unmarked)} resistors without tol= in the note spread by +-{RESISTOR:.0%} "
            "(series E12 of IEC 60063)"
        )
    if any(one.source == ASSUMED["wire"] for one in found):
        yield f"the wire of windings spreads by +-{WIRE:.0%} (common practice)"
    if pots := [one.name for one in found if len(one.parts) > 1 and one.kind == "value"]:
        yield (
            f"{', '.join(pots)}: stays where it is drawn; a unit whose bias is set to a measured "
            "current spreads less than these figures"
        )
    yield "mains and parts spread evenly between their ends, tubes normally, all independently"
    if band is not None:
        yield "heaters follow the mains too; it moves the current of a sound tube little: left out"
    own = [tube.ref for tube in circuit.tubes if tube.has_pin("grid") and not is_spread(tube)]
    if own:
        yield f"{', '.join(own)}: own model, its currents are not spread"
    yield "a limit of another system is still scaled by 1.1 under drive and in faults"
