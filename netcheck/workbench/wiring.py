"""Findings that only the solved circuit can give.

Comes in: the circuit on the pool, its roles, the healthy idle state and how it compares
with the limits.  Goes out: findings about feedback that adds, bias controls that do not
reach a safe idle, wipers that overload a tube when they lift, capacitors that block
nothing or stand the wrong way round, and parts beyond their rating.

A bias control is turned to both ends with all its tubes at 125 % and at 80 % of the
current of a typical one, the spread that the register of faults goes by: at its coldest
end strong tubes have to be within their limit, at its hottest end weak ones have to
reach the idle current of typical ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from netcheck.circuit.changes import Change, ScaleEmission, SetValue
from netcheck.circuit.model import Circuit
from netcheck.faults import pot_wiper
from netcheck.faults.base import Fault
from netcheck.findings import Finding
from netcheck.judge.base import CHARGE_MARGIN, LimitTable, Stress
from netcheck.judge.stress import judge_state
from netcheck.judge.verdict import HIGHEST_AT_LIMIT
from netcheck.judge.wiring_grids import bleeder_findings, grid_findings
from netcheck.judge.wiring_idle import capacitor_findings, overload_findings
from netcheck.roles.adjusters import END_OHM
from netcheck.roles.base import Adjuster, Roles
from netcheck.solve.analyses import Hookup
from netcheck.solve.results import Outcome, Solved
from netcheck.workbench.feedback_sign import feedback_findings
from netcheck.workbench.settings import Circuitry
from netcheck.workbench.sweep import IdleTask, idle_outcomes

IDLE = "idle"
STRONG, WEAK = 1.25, 0.8
"""Of the typical current.  Common practice; see `faults/tube_emission.py`."""

REACHED = 0.97
"""A weak tube that comes this near the typical idle current has reached it (our choice)."""

SETTING = frozenset({"bias", "trim", "cathode"})
HALVES = 2


@dataclass(frozen=True, slots=True)
class Healthy:
    """The healthy circuit: its idle state, its limits, and all stresses judged."""

    idle: Solved
    table: LimitTable
    stresses: tuple[Stress, ...]


def roles_findings(circuit: Circuit, roles: Roles) -> tuple[Finding, ...]:
    """Return the findings that need roles, but nothing solved."""
    return (*grid_findings(circuit, roles), *bleeder_findings(circuit, roles))


def wiring_findings(
    bench: Circuitry, roles: Roles, hookup: Hookup, healthy: Healthy
) -> tuple[Finding, ...]:
    """Return all findings that need roles or the solved circuit."""
    circuit = bench.circuit
    return (
        *roles_findings(circuit, roles),
        *capacitor_findings(circuit, roles, healthy.idle),
        *overload_findings(circuit, healthy.table, healthy.stresses),
        *feedback_findings(bench, roles, hookup),
        *bias_findings(bench, roles, healthy),
    )


def bias_findings(bench: Circuitry, roles: Roles, healthy: Healthy) -> Iterator[Finding]:
    """Yield findings about the range of bias controls and about their wipers."""
    circuit = bench.circuit
    pots = [each for each in roles.adjusters if each.kind in SETTING and each.tubes]
    variants = [
        (*end, *(ScaleEmission(tube, scale) for tube in pot.tubes))
        for pot in pots
        for scale in (STRONG, WEAK)
        for end in pot_ends(circuit, pot)
    ]
    biasing = {ref for each in roles.adjusters if each.kind != "hum" for ref in each.parts}
    wipers = [
        fault
        for fault in pot_wiper.find(circuit, roles)
        if fault.kind == "wiper_open" and set(fault.parts) <= biasing
    ]
    outcomes = _solve(bench, [*variants, *(fault.changes for fault in wipers)])
    for number, pot in enumerate(pots):
        four = outcomes[4 * number : 4 * number + 4]
        yield from _range_findings(circuit, pot, four, healthy)
    for fault, outcome in zip(wipers, outcomes[4 * len(pots) :], strict=True):
        yield from _wiper_findings(circuit, fault, outcome, healthy)


def _solve(bench: Circuitry, variants: Sequence[tuple[Change, ...]]) -> list[Outcome]:
    if not variants:
        return []
    return idle_outcomes(bench.pool, IdleTask(bench.shared[IDLE], IDLE, (), None), variants)


def pot_ends(circuit: Circuit, pot: Adjuster) -> tuple[tuple[Change, ...], tuple[Change, ...]]:
    """Return what puts a pot's wiper at either end of its track."""
    ohms = [circuit[ref].value or 0.0 for ref in pot.parts]
    if len(pot.parts) < HALVES:
        return (SetValue(pot.parts[0], END_OHM),), (SetValue(pot.parts[0], 2.0 * ohms[0]),)
    rest = max(sum(ohms) - END_OHM, END_OHM)
    upper, lower = pot.parts
    return (
        (SetValue(upper, END_OHM), SetValue(lower, rest)),
        (SetValue(upper, rest), SetValue(lower, END_OHM)),
    )


def _range_findings(
    circuit: Circuit, pot: Adjuster, outcomes: Sequence[Outcome], healthy: Healthy
) -> Iterator[Finding]:
    """Yield findings about one control: strong tubes at both ends, then weak ones."""
    states = [each for each in outcomes if isinstance(each, Solved)]
    if len(states) < len(outcomes):
        return
    span = circuit[pot.parts[0]].span
    strong = min(states[:2], key=lambda state: _plates_a(state, pot.tubes))
    weak = max(states[2:], key=lambda state: _plates_a(state, pot.tubes))
    hottest = _hottest(circuit, healthy, strong, pot.tubes)
    if hottest is not None and hottest.ratio > HIGHEST_AT_LIMIT:
        yield Finding(
            "bias-range-strong",
            "warning",
            f"with {pot.pot} at its coldest end a tube of {STRONG:.0%} current still takes its "
            f"{_electrode(hottest)} to {hottest.ratio:.2f} times its limit "
            f"({hottest.part}, {hottest.value:.3g} W)",
            pot.parts[0],
            span,
            "change the resistors beside the pot so that it reaches a colder bias",
        )
    now, wanted = _plates_a(weak, pot.tubes), _plates_a(healthy.idle, pot.tubes)
    if now < REACHED * wanted:
        yield Finding(
            "bias-range-weak",
            "note",
            f"with {pot.pot} at its hottest end tubes of {WEAK:.0%} current reach "
            f"{now * 1e3:.3g} mA of the {wanted * 1e3:.3g} mA they idle at now",
            pot.parts[0],
            span,
            "change the resistors beside the pot so that it reaches a hotter bias",
        )


def _plates_a(state: Solved, tubes: Iterable[str]) -> float:
    return sum(state.tubes[ref].plate_current_a for ref in tubes)


def _electrode(stress: Stress) -> str:
    return stress.quantity.removesuffix("_dissipation_w").replace("_", " ")


def _hottest(
    circuit: Circuit, healthy: Healthy, state: Solved, tubes: Iterable[str]
) -> Stress | None:
    """Return the tube and electrode that is hottest for its limit, if any is judged."""
    known = {IDLE: healthy.idle}
    heat = [
        stress
        for stress in judge_state(circuit, healthy.table, state, known)
        if stress.part in tubes and "dissipation" in stress.quantity
    ]
    return max(heat, key=lambda stress: stress.ratio, default=None)


def _wiper_findings(
    circuit: Circuit, fault: Fault, outcome: Outcome, healthy: Healthy
) -> Iterator[Finding]:
    if not isinstance(outcome, Solved):
        return
    tubes = [tube.ref for tube in circuit.tubes]
    hottest = _hottest(circuit, healthy, outcome, tubes)
    if hottest is None or hottest.ratio <= HIGHEST_AT_LIMIT:
        return
    if hottest.ratio <= hottest.healthy_ratio + CHARGE_MARGIN:
        return
    first = fault.parts[0]
    name = circuit[first].note.pot or "+".join(fault.parts)
    yield Finding(
        "wiper-not-fail-safe",
        "warning",
        f"if the wiper of {name} lifts, the {_electrode(hottest)} of {hottest.part} takes "
        f"{hottest.value:.3g} W, {hottest.ratio:.2f} times its limit "
        f"({hottest.healthy_ratio:.2f} now)",
        first,
        circuit[first].span,
        f"join the wiper of {name} to the cold end of its track, or hold the grids at the cold "
        "end of the range by one more resistor",
    )
