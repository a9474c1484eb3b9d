"""Findings that only the solved circuit can give.

Comes in: the circuit on the pool, its roles, the healthy idle state and how it compares
with the limits.  Goes out: findings about feedback that adds, bias controls that do not
reach a safe idle, wipers that overload a tube when they lift, capacitors that block
nothing or stand the wrong way round, and parts beyond their rating.

A bias control is turned to both ends with all its tubes at 125 % and at 80 % of the
current of a typical one, the spread that the register of faults goes by: at its coldest
end strong tubes have to be within their limit, at its hottest end weak ones have to
reach the idle current of typical ones.

The small-signal gain is computed as the circuit stands, and once more with the path's
far end moved from the output to AC ground, over an inductor and a capacitor so large
that no direct voltage changes.  With G = G0 / (1 - T) the loop gain is T = 1 - G0 / G
(H. Bode, return difference).  A positive T is positive feedback, also where it is so
large that the gain with the loop closed comes out small.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from netcheck.circuit.changes import Change, ScaleEmission, SetValue
from netcheck.circuit.model import GROUND, Circuit, Part, PartKind, Pin
from netcheck.conditions import IDLE
from netcheck.faults.base import Fault
from netcheck.faults.bias import lifted_wipers
from netcheck.findings import Finding
from netcheck.judge.base import Load
from netcheck.judge.stress import judge_state
from netcheck.judge.wiring_grids import bleeder_findings, grid_findings, unloaded_findings
from netcheck.judge.wiring_idle import capacitor_findings, overload_findings, stability_findings
from netcheck.netlist.cards import PartNote
from netcheck.roles.base import Adjuster, Roles
from netcheck.roles.bias import END_OHM
from netcheck.roles.table import RoleName
from netcheck.solve.deck import DeckError, write_deck
from netcheck.solve.ngspice import Engine, EngineFailure
from netcheck.solve.pool import Job, Lost
from netcheck.solve.results import Drive, Hookup, Outcome, Solved
from netcheck.workbench.baseline import Baseline
from netcheck.workbench.settings import Circuitry
from netcheck.workbench.sweep import IdleTask, idle_outcomes

STRONG, WEAK = 1.25, 0.8
"""Of the typical current.  Common practice; see `faults/tube.py`."""

REACHED = 0.97
"""A weak tube that comes this near the typical idle current has reached it (our choice)."""

SETTING = frozenset({"bias", "trim", "cathode"})
HALVES = 2


def roles_findings(circuit: Circuit, roles: Roles) -> tuple[Finding, ...]:
    """Return the findings that need roles, but nothing solved."""
    return (
        *grid_findings(circuit, roles),
        *bleeder_findings(circuit, roles),
        *unloaded_findings(circuit, roles),
    )


def wiring_findings(bench: Circuitry, healthy: Baseline) -> tuple[Finding, ...]:
    """Return all findings that need roles or the solved circuit."""
    circuit, roles = healthy.circuit, healthy.roles
    return (
        *roles_findings(circuit, roles),
        *capacitor_findings(circuit, roles, healthy.idle),
        *overload_findings(circuit, healthy.table, healthy.stresses),
        *stability_findings(healthy.idle),
        *feedback_findings(bench, roles, healthy.hookup),
        *bias_findings(bench, roles, healthy),
    )


def bias_findings(bench: Circuitry, roles: Roles, healthy: Baseline) -> Iterator[Finding]:
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
    wipers = [fault for fault in lifted_wipers(circuit, roles) if set(fault.parts) <= biasing]
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
    circuit: Circuit, pot: Adjuster, outcomes: Sequence[Outcome], healthy: Baseline
) -> Iterator[Finding]:
    """Yield findings about one control: strong tubes at both ends, then weak ones."""
    states = [each for each in outcomes if isinstance(each, Solved)]
    if len(states) < len(outcomes):
        return
    span = circuit[pot.parts[0]].span
    strong = min(states[:2], key=lambda state: _plates_a(state, pot.tubes))
    weak = max(states[2:], key=lambda state: _plates_a(state, pot.tubes))
    hottest = _hottest(circuit, healthy, strong, pot.tubes)
    if hottest is not None and hottest.level == "over_limit":
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


def _electrode(stress: Load) -> str:
    return stress.quantity.removesuffix("_dissipation_w").replace("_", " ")


def _hottest(
    circuit: Circuit, healthy: Baseline, state: Solved, tubes: Iterable[str]
) -> Load | None:
    """Return the tube and electrode that is hottest for its limit, if any is judged."""
    known = {IDLE: healthy.idle}
    heat = [
        stress
        for stress in judge_state(circuit, healthy.table, state, known)
        if stress.part in tubes and "dissipation" in stress.quantity
    ]
    return max(heat, key=lambda stress: stress.ratio, default=None)


def _wiper_findings(
    circuit: Circuit, fault: Fault, outcome: Outcome, healthy: Baseline
) -> Iterator[Finding]:
    if not isinstance(outcome, Solved):
        return
    tubes = [tube.ref for tube in circuit.tubes]
    hottest = _hottest(circuit, healthy, outcome, tubes)
    if hottest is None or hottest.level != "over_limit":
        return
    if not hottest.adds_to_health:
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


HUGE_H = 1e6
HUGE_F = 1.0
"""At a kilohertz 6 gigohm and 0.2 milliohm; both leave direct voltages alone."""

COUNTS = 0.02
"""A loop gain below 2 % (0.2 dB) is no feedback worth a word (our choice)."""

NAMES = (RoleName.FEEDBACK_RESISTOR, RoleName.FEEDBACK_CAPACITOR)


@dataclass(frozen=True, slots=True)
class FeedbackPath:
    """One feedback path: its parts, those of them at its source, and both its ends."""

    parts: tuple[str, ...]
    at_source: tuple[str, ...]
    source: str
    goal: str


def find_loops(circuit: Circuit, roles: Roles) -> tuple[FeedbackPath, ...]:
    """Return the feedback paths, each once."""
    members: dict[tuple[str, str], dict[str, None]] = {}
    for role in roles.named(*NAMES):
        if role.source_net and role.feeds and role.source_net != GROUND:
            members.setdefault((role.source_net, role.feeds), {})[role.part] = None
    loops = []
    for (source, goal), refs in members.items():
        ends = tuple(ref for ref in refs if source in circuit[ref].nets)
        if ends:
            loops.append(FeedbackPath(tuple(refs), ends, source, goal))
    return tuple(loops)


def feedback_findings(bench: Circuitry, roles: Roles, hookup: Hookup) -> Iterator[Finding]:
    """Yield a finding for every path that adds to the signal."""
    loops = find_loops(bench.circuit, roles)
    if not loops:
        return
    frequency_hz = bench.options.frequency_hz
    job = Job(loop_gains, (bench.shared[IDLE], hookup, frequency_hz, loops))
    answer = bench.pool.run([job])[0]
    if isinstance(answer, Lost):
        return
    for loop, gain in zip(loops, answer, strict=True):
        if gain is not None and gain.real > COUNTS:
            yield _adds(bench.circuit, loop, gain, frequency_hz)


def _adds(circuit: Circuit, loop: FeedbackPath, gain: complex, frequency_hz: float) -> Finding:
    first = loop.parts[0]
    far = "and above 1 it oscillates" if gain.real >= 1.0 else "so gain and distortion rise"
    return Finding(
        "feedback-polarity",
        "warning",
        f"the feedback through {' and '.join(loop.parts)} from {loop.source} to {loop.goal} adds "
        f"to the signal: its loop gain at {frequency_hz:g} Hz is +{gain.real:.2f}, {far}",
        first,
        circuit[first].span,
        "exchange the two ends of the load winding, or the plates of the output tubes",
    )


def loop_gains(
    engine: Engine,
    circuit: Circuit,
    hookup: Hookup,
    frequency_hz: float,
    loops: tuple[FeedbackPath, ...],
) -> list[complex | None]:
    """Return the loop gain of each path in a worker; None where it cannot be told."""
    closed = _gain(engine, circuit, hookup, frequency_hz)
    gains: list[complex | None] = []
    for loop in loops:
        opened = _gain(engine, opened_loop(circuit, loop), hookup, frequency_hz)
        known = closed is not None and opened is not None and abs(closed) > 0.0
        gains.append(1.0 - opened / closed if known and closed and opened is not None else None)
    return gains


def opened_loop(circuit: Circuit, loop: FeedbackPath) -> Circuit:
    """Return the circuit with the source end of a path on AC ground, its DC as before."""
    middle = _free_net(circuit, f"{loop.source} opened")
    moved = [
        replace(
            circuit[ref],
            pins=tuple(
                replace(pin, net=middle) if pin.net == loop.source else pin
                for pin in circuit[ref].pins
            ),
        )
        for ref in loop.at_source
    ]
    keeps_dc = _two_pin("L", "inductor", middle, loop.source, HUGE_H)
    grounds = _two_pin("C", "capacitor", middle, GROUND, HUGE_F)
    return circuit.with_parts(*moved, keeps_dc, grounds)


def _free_net(circuit: Circuit, wanted: str) -> str:
    while wanted in circuit.parts_on:
        wanted += "'"
    return wanted


def _two_pin(ref: str, kind: PartKind, first: str, second: str, value: float) -> Part:
    pins = (Pin("a", first), Pin("b", second))
    return Part(f"{ref} of the opened loop", kind, pins, value, PartNote(), added=True)


def _gain(engine: Engine, circuit: Circuit, hookup: Hookup, frequency_hz: float) -> complex | None:
    """Return the small-signal gain from the input to the output."""
    try:
        deck = write_deck(circuit, hookup=hookup, drive=Drive(frequency_hz, 1e-3))
        engine.load(deck.lines)
        nodes = [deck.node.get(net) for net in hookup.output_nets]
        wanted = [node for node in nodes if node]
        values = dict(zip(wanted, engine.linear_response(frequency_hz, wanted), strict=True))
    except (DeckError, EngineFailure):
        return None
    first, second = (values.get(node or "", 0.0) for node in nodes)
    return complex(first - second)
