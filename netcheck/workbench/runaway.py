"""Gas and grid emission with the feedback over the tube's own current and heat.

Comes in: the circuit on the pool, its faults, and their operating points.  Goes out:
the same operating points with grid emission at the temperature its own effect brings
about, and for each output tube what feeds back and when it runs away, with the
published limit on the resistance of the grid's circuit beside it.  How much the grid warms
is not known: both ends are followed (`WARMINGS`), the state is that of the mild one, the
range stands beside it, and only what runs away at both ends is said to.

Each tube is solved once over currents drawn from its grid (the curve of
its feedback tells everything); what it tells is then solved again as it is reported.  All of
it idle: under drive the stated current is used as it is.

Let the tube answer to a grid current I, and let a defect of size s give the current
I = s * f(answer).  Then every steady state lies on the curve s(I) = I / f: for gas f is
the space current, for emission the growth with the grid's temperature.  From I = 0 on,
s rises as long as the loop gain L = 1 - dln s/dln I is below one.  Where s has its first
maximum a larger defect has no steady state near by: the tube runs away.  This needs no
iteration that could fail to settle.

The grid's temperature follows the tube's heat by the fourth root (its heat is
radiated); emission doubles with every 10 to 15 degrees.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from netcheck.circuit.changes import Change, SetGas, SetGridEmission
from netcheck.circuit.model import Circuit, Part
from netcheck.conditions import IDLE
from netcheck.faults.base import Fault
from netcheck.judge.fed_back import Ending, FeedbackCase, Runaway
from netcheck.judge.tube_limits import used_rows
from netcheck.judge.wiring_grids import LIMIT_FOR_BIAS, grid_ohms
from netcheck.roles.base import Roles, Stage
from netcheck.solve.results import NotSolved, Outcome, Solved, TubeState
from netcheck.units import format_quantity
from netcheck.workbench.faulted import Bench
from netcheck.workbench.settings import Progress, Step
from netcheck.workbench.sweep import IdleTask, idle_outcomes

LEAST_A, MOST_A, PER_DECADE = 5e-8, 2e-3, 8
SMALL_A = 2e-7
"""Current at which the gain at rest is read: small, yet above the solver's error."""
FEWEST = 8
"""Points needed to speak of a curve."""


@dataclass(frozen=True, slots=True)
class FedBack:
    """What the feedback changes, and what it was found to be for each tube."""

    conditions: dict[str, list[Outcome]]
    runaways: tuple[Runaway, ...]


def grid_currents() -> list[float]:
    """Return the currents drawn from a grid, from zero up [A]."""
    steps = round(PER_DECADE * float(np.log10(MOST_A / LEAST_A)))
    return [0.0, *(float(each) for each in np.geomspace(LEAST_A, MOST_A, steps + 1))]


def with_feedback(
    bench: Bench,
    roles: Roles,
    faults: Sequence[Fault],
    conditions: Mapping[str, Sequence[Outcome]],
    idle: Solved,
    progress: Progress,
) -> FedBack:
    """Solve the feedback of every gassy or emitting output tube."""
    each = {name: list(outcomes) for name, outcomes in conditions.items()}
    tubes = {
        ref: stage
        for stage in roles.output_stages
        for ref in stage.tubes
        if bench.circuit[ref].has_pin("grid") and any(_is_of(fault, ref) for fault in faults)
    }
    if not tubes or bench.pool.stopped:
        return FedBack(each, ())
    progress.start(Step.FEEDBACK, len(tubes) * len(grid_currents()))
    answers = _answers(bench, tuple(tubes), idle, progress)
    ends = {
        number: _ends(bench.circuit[ref], answers[ref], fault)
        for number, fault in enumerate(faults)
        for ref in tubes
        if _is_of(fault, ref) and answers[ref] is not None
    }
    outcomes = each[IDLE]
    for number, outcome in _solved_again(bench, faults, ends, idle, progress).items():
        outcomes[number] = outcome
    progress.finish()
    runaways = tuple(
        _runaway(bench.circuit, ref, stage, answers[ref], faults, outcomes, ends)
        for ref, stage in tubes.items()
    )
    return FedBack(each, runaways)


def _is_of(fault: Fault, ref: str) -> bool:
    return fault.parts == (ref,) and any(
        isinstance(change, SetGas | SetGridEmission) for change in fault.changes
    )


def _answers(
    bench: Bench, tubes: tuple[str, ...], idle: Solved, progress: Progress
) -> dict[str, Answer | None]:
    """Solve how each tube answers to currents drawn from its grid."""
    currents = grid_currents()
    variants: list[tuple[Change, ...]] = [
        (SetGas(ref, 0.0), SetGridEmission(ref, ampere)) for ref in tubes for ampere in currents
    ]
    task = IdleTask(bench.shared[IDLE], IDLE, (), None)
    solved = idle_outcomes(bench.pool, task, variants, progress.advance)
    answers: dict[str, Answer | None] = {}
    for place, ref in enumerate(tubes):
        of_tube = solved[place * len(currents) : (place + 1) * len(currents)]
        heater_w = _heater_w(bench.circuit[ref])
        rows = [
            (ampere, _space_a(one.tubes[ref]), heater_w + _heat_w(one.tubes[ref]))
            for ampere, one in zip(currents, of_tube, strict=True)
            if isinstance(one, Solved)
        ]
        drawn = [row for row in rows if row[1] > 0.0 and row[2] > 0.0]
        whole = len(drawn) >= FEWEST and drawn[0][0] == 0.0
        answers[ref] = Answer(*np.array(drawn).T) if whole else None
    return answers


def _space_a(state: TubeState) -> float:
    return state.plate_current_a + (state.screen_current_a or 0.0)


def _heat_w(state: TubeState) -> float:
    return state.plate_dissipation_w + (state.screen_dissipation_w or 0.0)


def _heater_w(tube: Part) -> float:
    heater = tube.tube.heater if tube.tube else None
    return heater.voltage_v * heater.current_a if heater else 0.0


def _healthy_gas(tube: Part) -> float:
    if tube.gas_ratio is not None:
        return tube.gas_ratio
    grid = tube.tube.model.grid if tube.tube else None
    return grid.gas_ratio if grid else 0.0


def _ends(tube: Part, answer: Answer | None, fault: Fault) -> tuple[Steady, ...]:
    """Return where a fault ends: for emission with the slow and the fast doubling."""
    assert answer is not None
    for change in fault.changes:
        if isinstance(change, SetGas):
            return (steady_at(gas_loop(answer), change.ratio),)
        if isinstance(change, SetGridEmission):
            gas = _healthy_gas(tube)
            return tuple(
                steady_at(emission_loop(answer, each, gas), change.ampere) for each in WARMINGS
            )
    return ()


def _solved_again(
    bench: Bench,
    faults: Sequence[Fault],
    ends: Mapping[int, tuple[Steady, ...]],
    idle: Solved,
    progress: Progress,
) -> dict[int, Outcome]:
    """Solve emitting tubes with the emission they end with; gas is solved so already."""
    hot: dict[int, Fault] = {}
    for number, each in ends.items():
        fault = faults[number]
        ref = fault.parts[0]
        if len(each) == len(WARMINGS):
            # all of the grid's current as one, the ions of its healthy gas among it
            state = SetGridEmission(ref, each[0].grid_a), SetGas(ref, 0.0)
            hot[number] = replace(fault, changes=state)
    if not hot:
        return {}
    solved = bench.faulted(tuple(hot.values()), idle, progress)[IDLE]
    return {
        number: _noted(outcome, ends[number]) for number, outcome in zip(hot, solved, strict=True)
    }


def _noted(outcome: Outcome, ends: tuple[Steady, ...]) -> Outcome:
    """Say in the outcome what the feedback did."""
    ending = _ending(ends)
    current, ends_at = format_quantity(ends[0].grid_a, "A", 2), _range_words(ends)
    words = {
        "settles": f"its own heat brings the grid current to {ends_at}, where it settles",
        "runs_away": f"runs away: nothing but supply and circuit hold it, at {current} from the "
        "grid",
        "undecided": f"settles at {current} with a grid that warms little, runs away with one that "
        "warms much",
    }[ending]
    if isinstance(outcome, NotSolved):
        return replace(outcome, reason=f"{words}; {outcome.reason}")
    return replace(outcome, notes=(*outcome.notes, words))


def _range_words(ends: tuple[Steady, ...]) -> str:
    """Return the current it settles at, over what is not known of the grid's warming."""
    words = dict.fromkeys(format_quantity(each.grid_a, "A", 2) for each in ends)
    return " to ".join(words)


def _ending(ends: tuple[Steady, ...]) -> Ending:
    if all(each.settles for each in ends):
        return "settles"
    return "undecided" if any(each.settles for each in ends) else "runs_away"


def _runaway(
    circuit: Circuit,
    ref: str,
    stage: Stage,
    answer: Answer | None,
    faults: Sequence[Fault],
    outcomes: Sequence[Outcome],
    ends: Mapping[int, tuple[Steady, ...]],
) -> Runaway:
    limit_ohm, source = _published(circuit[ref], stage)
    ohm = grid_ohms(circuit, stage.tubes)[ref]
    if answer is None:
        reason = "not solved over enough grid currents"
        return Runaway(
            ref, stage.bias, ohm, limit_ohm, source, None, None, (None, None), (), reason
        )
    place = int(np.argmax(answer.grid_a >= SMALL_A))
    gain = (answer.space_a[place] - answer.space_a[0]) / answer.grid_a[place]
    gas = _healthy_gas(circuit[ref])
    mild, grave = (tipping_size(emission_loop(answer, each, gas)) for each in WARMINGS)
    return Runaway(
        ref,
        stage.bias,
        ohm,
        limit_ohm,
        source,
        float(gain),
        tipping_size(gas_loop(answer)),
        (mild, grave),
        tuple(_cases(ref, faults, outcomes, ends)),
    )


def _cases(
    ref: str,
    faults: Sequence[Fault],
    outcomes: Sequence[Outcome],
    ends: Mapping[int, tuple[Steady, ...]],
) -> Iterator[FeedbackCase]:
    for number, each in ends.items():
        fault, outcome = faults[number], outcomes[number]
        if fault.parts != (ref,):
            continue
        if isinstance(outcome, NotSolved):
            yield FeedbackCase(fault.id, "not_solved", None, None, None)
            continue
        mildest, gravest, state = each[0], each[-1], outcome.tubes[ref]
        yield FeedbackCase(
            fault.id,
            _ending(each),
            mildest.loop_gain,
            mildest.grid_a,
            state.plate_dissipation_w,
            gravest.grid_a if gravest.settles else None,
        )


def _published(tube: Part, stage: Stage) -> tuple[float | None, str]:
    """Return the largest grid resistance published for this tube and bias, and by whom."""
    follower = stage.kind == "cathode_follower" or stage.form == "cathode_follower"
    quantity = LIMIT_FOR_BIAS.get("cathode" if follower else stage.bias)
    rows = used_rows(tube.tube, quantity) if tube.tube and quantity else ()
    for row in rows:
        sources = tube.tube.sources if tube.tube else {}
        return row.value, sources.get(row.source, row.source)
    return None, ""


Curve = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Warming:
    """How a grid's emission follows the tube's heat.

    grid_k: its temperature at its healthy heat.  heat_share: how much of the tube's further
    heat warms it as its own would.  doubling_c: warming that doubles its emission.
    """

    grid_k: float
    heat_share: float
    doubling_c: float

    def growth(self, load_w: Curve, healthy_w: float) -> Curve:
        """Return the emission over that at the healthy heat."""
        load = 1.0 + self.heat_share * (load_w / healthy_w - 1.0)
        warming = self.grid_k * (np.maximum(load, 0.0) ** 0.25 - 1.0)
        return np.asarray(2.0 ** (warming / self.doubling_c))


MILD, GRAVE = Warming(523.0, 0.5, 15.0), Warming(673.0, 1.0, 10.0)
"""The ends of what is not known.  A power tube's grid is at 250 to 400 degrees C at its
healthy heat, and takes half to all of the tube's further heat: from memory, low confidence.
Its emission doubles with every 10 to 15 degrees: common practice; Richardson's law with a
work function of 1.7 eV gives 11 at 300 degrees."""
WARMINGS = (MILD, GRAVE)
FALL = 0.99
"""The curve must fall below this share of a maximum to count as past it."""


@dataclass(frozen=True, slots=True)
class Answer:
    """How one tube answers to currents out of its grid, ascending from zero [A].

    space_a: plate and screen current; load_w: plate, screen and heater together.
    """

    grid_a: Curve
    space_a: Curve
    load_w: Curve


@dataclass(frozen=True, slots=True)
class SteadyCurve:
    """The curve of steady states of one kind of defect.

    sizes: the size that has each current of the answer as its steady state; growth: the
    current for a size of one there.
    """

    grid_a: Curve
    sizes: Curve
    growth: Curve


@dataclass(frozen=True, slots=True)
class Steady:
    """Where a defect ends: the current [A], and the loop gain there if it settles."""

    settles: bool
    grid_a: float
    loop_gain: float | None


def gas_loop(answer: Answer) -> SteadyCurve:
    """Return the loop of gas; its size is a share of the space current."""
    return SteadyCurve(answer.grid_a, answer.grid_a / answer.space_a, answer.space_a)


def emission_loop(answer: Answer, warming: Warming, healthy_gas: float) -> SteadyCurve:
    """Return the loop of grid emission; its size is the current at the healthy heat [A].

    healthy_gas: share of the space current that is ions in any case.
    """
    healthy_a = steady_at(gas_loop(answer), healthy_gas).grid_a
    healthy_w = float(np.interp(healthy_a, answer.grid_a, answer.load_w))
    growth = warming.growth(answer.load_w, healthy_w)
    emitted = answer.grid_a - healthy_gas * answer.space_a
    return SteadyCurve(answer.grid_a, emitted / growth, growth)


def tipping_size(loop: SteadyCurve) -> float | None:
    """Return the least size that runs away; None where the curve only rises."""
    crest = _crest(loop.sizes)
    return None if crest is None else float(loop.sizes[crest])


def steady_at(loop: SteadyCurve, size: float) -> Steady:
    """Return where a defect of one size settles, or what it runs away to."""
    sizes = loop.sizes
    crest = _crest(sizes)
    top = len(sizes) - 1 if crest is None else crest
    if size <= sizes[top]:
        after = int(np.argmax(sizes[: top + 1] >= size))
        current = _between(loop.grid_a, sizes, after, size)
        gains = 1.0 - loop.growth * np.gradient(sizes, loop.grid_a)
        return Steady(True, current, float(np.interp(current, loop.grid_a, gains)))
    beyond = [number for number in range(top + 1, len(sizes)) if sizes[number] >= size]
    if not beyond:
        return Steady(False, float(loop.grid_a[-1]), None)
    return Steady(False, _between(loop.grid_a, sizes, beyond[0], size), None)


def _crest(sizes: Curve) -> int | None:
    """Return the place of the first maximum that the curve falls from."""
    best = 0
    for number, size in enumerate(sizes):
        if size > sizes[best]:
            best = number
        elif sizes[best] > 0.0 and size < FALL * sizes[best]:
            return best
    return None


def _between(grid_a: Curve, sizes: Curve, after: int, size: float) -> float:
    """Interpolate the current at which the curve reaches a size."""
    if after == 0:
        return float(grid_a[0])
    low, high = sizes[after - 1], sizes[after]
    share = (size - low) / (high - low)
    return float(grid_a[after - 1] + share * (grid_a[after] - grid_a[after - 1]))
