"""Full drive at 100 Hz, where the output transformer's inductance matters there.

Comes in: the healthy circuit, its roles and its full drive.  Goes out: its state at
100 Hz, or None where that is as good as the state in the middle of the band.  The
magnetizing current stands at right angles to the load's, so that tubes carry
`sqrt(1 + (R/X)^2)` times the load's current (any text on transformers): 5 % more at a
reactance of three times the load.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi

from netcheck.circuit.model import Circuit
from netcheck.roles.base import OutputTransformer, Roles
from netcheck.solve.analyses import Hookup
from netcheck.solve.driven import DrivenAnswer, DrivenRequest, solve_driven
from netcheck.solve.pool import Job, Lost, Pool, Shared
from netcheck.solve.results import NotSolved, Outcome

BASS_HZ = 100.0
"""Where amplifiers of this kind are commonly tested low in the band (common practice)."""
MATTERS = 3.0
"""Reactance over load below which the magnetizing current adds 5 % and more."""
CONDITION = "full_100hz"


def full_in_the_bass(
    pool: Pool, shared: Shared, circuit: Circuit, roles: Roles, hookup: Hookup, full_v: float
) -> Outcome | None:
    """Solve the healthy circuit at full drive at 100 Hz where that says something new."""
    if not any(matters(circuit, each) for each in roles.transformers):
        return None
    request = DrivenRequest({CONDITION: full_v})
    answer = pool.run([Job(solve_driven, (shared, hookup, BASS_HZ, request))])[0]
    if isinstance(answer, Lost):
        return NotSolved(CONDITION, answer.reason, full_v)
    assert isinstance(answer, DrivenAnswer)
    return replace(answer.outcomes[CONDITION], condition=CONDITION)


def matters(circuit: Circuit, transformer: OutputTransformer) -> bool:
    """Say whether the magnetizing reactance at 100 Hz is near the load or below it.

    Both are seen from the winding the speaker is on, where no ratio enters.
    """
    if transformer.speaker is None:
        return False
    speaker = circuit[transformer.speaker]
    across = [
        circuit[ref]
        for ref in transformer.secondaries
        if set(circuit[ref].nets) == set(speaker.nets)
    ]
    if not across or not speaker.value:
        return False
    reactance_ohm = 2.0 * pi * BASS_HZ * (across[0].value or 0.0)
    return reactance_ohm < MATTERS * speaker.value
