"""Gas and grid emission with the feedback over the tube's own current and heat.

Comes in: the circuit on the pool, its faults, and their operating points.  Goes out:
the same operating points with grid emission at the temperature its own effect brings
about, and for each output tube what feeds back and when it runs away, with the
published limit on the resistance of the grid's circuit beside it.  Where the published
range of the doubling decides between settling and running away, the state is that of
the slower doubling: what is reported happens at least.

Each tube is solved once over currents drawn from its grid (`feedback_curve.py` says
how that tells everything); what it tells is then solved again as it is reported.  All of
it idle: under drive the stated current is used as it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from netcheck.circuit.changes import Change, SetGas, SetGridEmission
from netcheck.circuit.model import Circuit, Part
from netcheck.faults.base import Fault
from netcheck.judge.fed_back import Ending, FeedbackCase, Runaway
from netcheck.judge.tube_limits import used_rows
from netcheck.judge.wiring_grids import LIMIT_FOR_BIAS, grid_ohms
from netcheck.roles.base import Roles, Stage
from netcheck.solve.results import NotSolved, Outcome, Solved, TubeState
from netcheck.units import format_quantity
from netcheck.workbench.faulted import IDLE, Bench
from netcheck.workbench.feedback_curve import (
    DOUBLING_C,
    Answer,
    Steady,
    emission_loop,
    gas_loop,
    steady_at,
    tipping_size,
)
from netcheck.workbench.settings import Progress
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
    if not tubes or bench.pool.interrupted:
        return FedBack(each, ())
    progress.start("grid current that feeds back", len(tubes) * len(grid_currents()))
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
                steady_at(emission_loop(answer, each, gas), change.ampere) for each in DOUBLING_C
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
        if len(each) == len(DOUBLING_C):
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
    current = format_quantity(ends[0].grid_a, "A", 2)
    words = {
        "settles": f"its own heat brings the grid current to {current}, where it settles",
        "runs_away": f"runs away: nothing but supply and circuit hold it, at {current} from the "
        "grid",
        "undecided": f"settles at {current} if its emission doubles with every {DOUBLING_C[0]:g} "
        f"degrees, runs away with every {DOUBLING_C[-1]:g}",
    }[ending]
    if isinstance(outcome, NotSolved):
        return replace(outcome, reason=f"{words}; {outcome.reason}")
    return replace(outcome, notes=(*outcome.notes, words))


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
    slow, fast = (
        tipping_size(emission_loop(answer, each, gas)) for each in (DOUBLING_C[0], DOUBLING_C[-1])
    )
    return Runaway(
        ref,
        stage.bias,
        ohm,
        limit_ohm,
        source,
        float(gain),
        tipping_size(gas_loop(answer)),
        (slow, fast),
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
        mildest, state = each[0], outcome.tubes[ref]
        yield FeedbackCase(
            fault.id, _ending(each), mildest.loop_gain, mildest.grid_a, state.plate_dissipation_w
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
