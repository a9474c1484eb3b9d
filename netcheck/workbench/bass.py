"""Full drive at 100 Hz, where the output transformer's inductance matters there.

Comes in: the healthy circuit, its roles and its full drive, then its faults.  Goes out:
its state at 100 Hz, or None where that is as good as the state in the middle of the
band, and the states of those faults that alter the output transformer, what loads it or
what lies across its windings.  The magnetizing current stands at right angles to the
load's, so that tubes carry `sqrt(1 + (R/X)^2)` times the load's current (any text on
transformers): 5 % more at a reactance of three times the load.

A fault is driven at 100 Hz where the reactance is below three times the load in health
or with the fault in place.  Elsewhere it tells nothing new: with reactances of 19 and 4
times the load, both frequencies gave every output plate of all 49 such faults of a pair
and of a single triode the same watts within 2.2 % or 0.4 W (measured).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf, pi

from netcheck.circuit.changes import apply_changes, drives_itself
from netcheck.circuit.model import Circuit
from netcheck.conditions import FULL, FULL_100HZ, IDLE
from netcheck.faults import kind_of
from netcheck.faults.base import Fault
from netcheck.roles.base import OutputTransformer, Roles
from netcheck.solve.driven import DrivenAnswer, DrivenRequest, solve_driven
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.solve.results import Hookup, NotSolved, Outcome, Solved, StartState
from netcheck.units import format_quantity
from netcheck.workbench.settings import Circuitry, Progress, Step
from netcheck.workbench.sweep import DrivenTask, driven_outcomes

BASS_HZ = 100.0
"""Where amplifiers of this kind are commonly tested low in the band (common practice)."""
MATTERS = 3.0
"""Reactance over load below which the magnetizing current adds 5 % and more."""
CONDITION = FULL_100HZ


@dataclass(frozen=True, slots=True)
class Bass:
    """Full drive at 100 Hz.

    healthy: its state by condition, empty where nothing was driven.  faults: by the
    number of the fault; the others are not driven there.
    """

    healthy: Mapping[str, Outcome] = field(default_factory=dict)
    faults: Mapping[int, Outcome] = field(default_factory=dict)

    def of_fault(self, number: int) -> dict[str, Outcome]:
        """Return what was found of one fault, by condition."""
        return {CONDITION: self.faults[number]} if number in self.faults else {}

    def of_every(self, faults: int) -> dict[str, list[Outcome]]:
        """Return what was found of the sizes of one fault, which are all driven or none."""
        return {CONDITION: [self.faults[number] for number in range(faults)]} if self.faults else {}

    def assumptions(self, faults: int, frequency_hz: float) -> tuple[str, ...]:
        """Say which of the faults were driven at 100 Hz too."""
        if not self.faults:
            return ()
        said = format_quantity(frequency_hz, "Hz")
        return (
            f"of {faults} faults {len(self.faults)}, of the output transformer and what loads it, "
            f"are driven at {BASS_HZ:g} Hz too; the others at {said} only",
        )


def full_in_the_bass(
    pool: Pool, shared: Shared, circuit: Circuit, roles: Roles, hookup: Hookup, full_v: float
) -> Outcome | None:
    """Solve the healthy circuit at full drive at 100 Hz where that says something new."""
    if not any(matters(circuit, each) for each in roles.transformers):
        return None
    return _healthy(pool, shared, hookup, full_v)[0]


def faults_in_the_bass(
    bench: Circuitry,
    roles: Roles,
    faults: Sequence[Fault],
    hookup: Hookup,
    healthy: Mapping[str, Outcome],
    gross: Mapping[int, str],
    progress: Progress,
) -> Bass:
    """Drive the faults that are worth it at 100 Hz, as hard as at full drive.

    healthy: idle and driven states; without a full drive nothing is driven.  gross: why
    a fault, by its number, is not worth it.
    """
    idle, full = healthy[IDLE], healthy.get(FULL)
    chosen = bass_faults(bench.circuit, roles, faults)
    lowest = bench.options.frequency_hz <= BASS_HZ
    if lowest or not chosen or not isinstance(idle, Solved) or not isinstance(full, Solved):
        return Bass()
    progress.start(Step.BASS, len(chosen))
    try:
        return _driven(bench, faults, hookup, (idle, full.input_v), chosen, gross, progress)
    finally:
        progress.finish()


def _driven(
    bench: Circuitry,
    faults: Sequence[Fault],
    hookup: Hookup,
    health: tuple[Solved, float],
    chosen: Sequence[int],
    gross: Mapping[int, str],
    progress: Progress,
) -> Bass:
    """Drive health and then the faults from where it settled; health: idle and level [V]."""
    idle, full_v = health
    pool, shared = bench.pool, bench.shared[IDLE]
    state, starts = _healthy(pool, shared, hookup, full_v, learn=True)
    if isinstance(state, NotSolved):
        why = f"not driven: the healthy circuit has no state at {BASS_HZ:g} Hz: {state.reason}"
        lost = NotSolved(CONDITION, pool.stopped or why, full_v)
        return Bass({CONDITION: state}, dict.fromkeys(chosen, lost))
    outcomes: dict[int, Outcome] = {
        number: NotSolved(CONDITION, f"not driven: {gross[number]}", full_v, skipped=True)
        for number in chosen
        if number in gross
    }
    progress.advance(len(outcomes))
    families: dict[tuple[tuple[str, ...], str], list[int]] = {}
    for number in chosen:
        if number not in gross:
            key = (faults[number].parts, faults[number].family)
            families.setdefault(key, []).append(number)
    known = (pool.share("starts in the bass", starts), pool.share("healthy idle", idle))
    task = DrivenTask(shared, hookup, BASS_HZ, {CONDITION: full_v}, *known)
    variants = [[faults[number].changes for number in family] for family in families.values()]
    driven = driven_outcomes(pool, task, variants, progress.advance)
    places = [number for family in families.values() for number in family]
    for number, found in zip(places, driven, strict=True):
        outcomes[number] = found[CONDITION]
    return Bass({CONDITION: state}, outcomes)


def _healthy(
    pool: Pool, shared: Shared, hookup: Hookup, full_v: float, learn: bool = False
) -> tuple[Outcome, dict[str, StartState]]:
    """Drive the healthy circuit; `learn` also measures how faults will move it.

    Returned are its state, and by condition where the faults may start from.
    """
    request = DrivenRequest({CONDITION: full_v}, learn=learn)
    answer = pool.run([Job(solve_driven, (shared, hookup, BASS_HZ, request))])[0]
    if isinstance(answer, Lost):
        return NotSolved(CONDITION, answer.reason, full_v), {}
    assert isinstance(answer, DrivenAnswer)
    return answer.outcomes[CONDITION], dict(answer.starts)


def bass_faults(circuit: Circuit, roles: Roles, faults: Sequence[Fault]) -> tuple[int, ...]:
    """Return the numbers of the faults for which 100 Hz says something new.

    Where it does for one size of a fault, all its sizes are among them.
    """
    asked = {
        number: (fault.parts, fault.kind)
        for number, fault in enumerate(faults)
        if kind_of(fault).bass and not drives_itself(fault.changes)
    }
    if any(matters(circuit, each) for each in roles.transformers):
        return tuple(asked)
    near = {key for number, key in asked.items() if _matters_with(circuit, roles, faults[number])}
    return tuple(number for number, key in asked.items() if key in near)


def _matters_with(circuit: Circuit, roles: Roles, fault: Fault) -> bool:
    """Say whether a fault brings the reactance near the load that the tubes are made for."""
    faulted = apply_changes(circuit, fault.changes)
    return any(
        _reactance_ohm(faulted, each)
        < MATTERS * min(_load_ohm(circuit, each), _load_ohm(faulted, each))
        for each in roles.transformers
    )


def matters(circuit: Circuit, transformer: OutputTransformer) -> bool:
    """Say whether the magnetizing reactance at 100 Hz is near the load or below it.

    Both are seen from the winding the speaker is on, where no ratio enters.
    """
    return _reactance_ohm(circuit, transformer) < MATTERS * _load_ohm(circuit, transformer)


def _load_ohm(circuit: Circuit, transformer: OutputTransformer) -> float:
    """Return the load [ohm], 0 where there is none."""
    return (circuit[transformer.speaker].value or 0.0) if transformer.speaker else 0.0


def _reactance_ohm(circuit: Circuit, transformer: OutputTransformer) -> float:
    """Return the reactance at 100 Hz of the winding the speaker is on, else infinity [ohm]."""
    if transformer.speaker is None:
        return inf
    nets = set(circuit[transformer.speaker].nets)
    across = [circuit[ref] for ref in transformer.secondaries if set(circuit[ref].nets) == nets]
    return 2.0 * pi * BASS_HZ * (across[0].value or 0.0) if across else inf
