"""Plates of output tubes under drive, in the corner that idle led to.

Comes in: the healthy circuit over mains, parts and tubes at idle, and its driven states.
Goes out: the same with one `DrivenCorner` for each plate limit of an output tube and each
condition of use under drive.

The search at idle says at which end each variable makes a plate hotter.  A unit with all
of them there is driven as hard as the nominal one was: at full drive, and at the level at
which the nominal plates are hottest.  Twice: with bogey tubes, as a design-maximum limit
asks for, and with limit tubes too, as an absolute-maximum one does.  That is a handful of
driven states; drawing units under drive would be thousands.

Known limits: the ends are those that matter at idle, so that a part that matters under
drive alone stays nominal; the hottest level of the corner may lie beside that of the
nominal circuit.  Screen currents alone are not spread under
drive; a tube's whole current is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from netcheck.circuit.changes import Change, ScaleEmission, SetValue, SetWire
from netcheck.circuit.model import Circuit
from netcheck.conditions import FULL, HOTTEST, IDLE
from netcheck.judge.base import LimitTable, PartLimit
from netcheck.judge.duty import CONTINUOUS, at_duty
from netcheck.judge.measure import measure
from netcheck.judge.toleranced import (
    CASE_OF,
    COMPARISON,
    DrivenCorner,
    LimitSpread,
    Toleranced,
    Variable,
    judged_value,
)
from netcheck.roles.base import Roles
from netcheck.solve.deck import MIN_RESISTANCE_OHM
from netcheck.solve.driven import DrivenAnswer, DrivenRequest, solve_driven
from netcheck.solve.pool import Job, Lost
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved
from netcheck.workbench.settings import Circuitry, Progress, Step
from netcheck.workbench.sweep import IdleTask, idle_outcomes

PLATE = "plate_dissipation_w"
OF_USE = (HOTTEST, FULL)
"""Driven conditions; overdrive is a test of what lies beyond use."""
EXCEPTION = (
    "plates of output tubes are the exception: under drive they are compared as published, with "
    "every variable at the end that heats the plate at idle, screen currents as on the sheet"
)


def with_driven_corners(
    found: Toleranced,
    bench: Circuitry,
    roles: Roles,
    hookup: Hookup,
    table: LimitTable,
    healthy: Mapping[str, Solved],
    progress: Progress,
) -> Toleranced:
    """Return what was found at idle with the plates of output tubes under drive."""
    levels = {name: healthy[name].input_v for name in OF_USE if name in healthy}
    spreads = [
        one for one in found.limits if one.quantity == PLATE and one.part in roles.output_tubes
    ]
    if not levels or not spreads:
        return found
    ends = [corner_of(one, found.variables, tubes) for one in spreads for tubes in (False, True)]
    changes = [changes_of(bench.circuit, found.variables, each) for each in ends]
    progress.start(Step.CORNERS, len(ends))
    states = _at_duty(bench, changes, _driven(bench, hookup, levels, changes, progress))
    progress.finish()
    corners = tuple(
        corner
        for place, one in enumerate(spreads)
        for corner in _corners(one, table, healthy, levels, states[2 * place : 2 * place + 2])
    )
    return replace(found, driven=corners, assumptions=(*found.assumptions, EXCEPTION))


def corner_of(
    spread: LimitSpread, variables: Sequence[Variable], tubes: bool
) -> Mapping[str, float]:
    """Return by variable the factor at which a unit stands in a limit's worst corner.

    tubes: whether those are at their worse ends too, or bogey ones.
    """
    free = {one.name for one in variables if one.is_tube and not tubes}
    return {name: factor for name, factor in spread.corner if name not in free}


def changes_of(
    circuit: Circuit, variables: Sequence[Variable], factors: Mapping[str, float]
) -> tuple[Change, ...]:
    """Return what makes a unit of the nominal circuit; screen currents cannot be changed."""
    return tuple(
        change
        for one in variables
        if one.name in factors and one.kind != "screen"
        for ref in one.parts
        for change in (_change(circuit, one, ref, factors[one.name]),)
    )


def _change(circuit: Circuit, variable: Variable, ref: str, factor: float) -> Change:
    part = circuit[ref]
    match variable.kind:
        case "emission":
            return ScaleEmission(ref, factor)
        case "wire":
            return SetWire(ref, factor * max(part.note.dcr_ohm or 0.0, MIN_RESISTANCE_OHM))
    return SetValue(ref, factor * (part.value or 0.0))


def _driven(
    bench: Circuitry,
    hookup: Hookup,
    levels: Mapping[str, float],
    units: Sequence[tuple[Change, ...]],
    progress: Progress,
) -> list[Mapping[str, Outcome]]:
    """Return the driven states of each unit, by condition."""
    known = (bench.shared[IDLE], hookup, bench.options.frequency_hz)
    jobs = [Job(solve_driven, (*known, DrivenRequest(levels, changes))) for changes in units]
    states: list[Mapping[str, Outcome]] = []
    for answer in bench.pool.run(jobs, progress.advance):
        if isinstance(answer, Lost):
            states.append({name: NotSolved(name, answer.reason, levels[name]) for name in levels})
        else:
            assert isinstance(answer, DrivenAnswer)
            states.append(answer.outcomes)
    return states


def _at_duty(
    bench: Circuitry, units: Sequence[tuple[Change, ...]], driven: Sequence[Mapping[str, Outcome]]
) -> Sequence[Mapping[str, Outcome]]:
    """Return the driven states with the heat of the duty, for which each unit is solved at rest."""
    duty = bench.options.duty
    if duty == CONTINUOUS:
        return driven
    rest = idle_outcomes(bench.pool, IdleTask(bench.shared[IDLE], IDLE, (), None), units)
    return [at_duty({**each, IDLE: one}, duty) for each, one in zip(driven, rest, strict=True)]


def _corners(
    spread: LimitSpread,
    table: LimitTable,
    healthy: Mapping[str, Solved],
    levels: Mapping[str, float],
    states: Sequence[Mapping[str, Outcome]],
) -> Iterator[DrivenCorner]:
    """Give the plate limits of one tube under each condition; states: bogey, then worst."""
    for limit in table.limits:
        if (limit.part, limit.quantity) != (spread.part, PLATE):
            continue
        for name, level in levels.items():
            if limit.applies_in(name):
                yield _corner(limit, name, level, [healthy[name], *(one[name] for one in states)])


def _corner(limit: PartLimit, name: str, level: float, states: Sequence[Outcome]) -> DrivenCorner:
    """Return one limit under one condition; states: nominal, bogey tubes, worst.

    The ends of idle may not be the worst under drive: a circuit that can be as hot as the
    nominal one, or as one with bogey tubes, is at least that hot in its worst case.
    """
    nominal, bogey, limiting = (
        measure(limit, one) if isinstance(one, Solved) else None for one in states
    )
    toleranced = _highest(nominal, bogey)
    worst = _highest(toleranced, limiting)
    judged = None
    if nominal is not None:
        judged = judged_value(limit.rating_system, nominal, toleranced, worst)
    return DrivenCorner(
        part=limit.part,
        quantity=limit.quantity,
        condition=name,
        input_v=level,
        limit=limit.limit,
        rating_system=limit.rating_system,
        case=CASE_OF[limit.rating_system],
        comparison=f"{COMPARISON[limit.rating_system]}; the ends are those of the idle circuit",
        nominal=nominal,
        toleranced=toleranced,
        worst_case=worst,
        judged=None if judged is None else judged / limit.limit,
        reasons=tuple(one.reason for one in states if isinstance(one, NotSolved)),
    )


def _highest(one: float | None, other: float | None) -> float | None:
    """Return the higher of two values, None where either is not known."""
    return None if one is None or other is None else max(one, other)
